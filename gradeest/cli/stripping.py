"""`gradeest strip-order`: what to take off boards first, and where to stop."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from gradeest.cli import options
from gradeest.cli.context import place_of

if TYPE_CHECKING:
    from gradeest.workflow.stripping import PartRow, StripShown


def register(app: typer.Typer) -> None:
    """Add `strip-order`."""
    app.command("strip-order", short_help="What to take off boards first, where to stop.")(strip_order)


def strip_order(
    ctx: typer.Context,
    lot: Annotated[str | None, typer.Argument(metavar="LOT", help="The lot; not needed where one has boards.")] = None,
    source: Annotated[
        str | None, typer.Option("--from", metavar="BOARDS", help="Only these of the lot's boards.")
    ] = None,
    hours: Annotated[
        float | None,
        typer.Option("--hours", parser=options.read_from_zero, metavar="H", help="Most hours of taking parts off."),
    ] = None,
    prices: options.Prices = None,
    change: options.If = None,
    as_json: options.Json = False,
) -> None:
    """Show what to take off a lot's boards first, what it gains over selling them whole, and where to stop."""
    from gradeest.cli.as_json import print_json
    from gradeest.cli.progress import Progress
    from gradeest.cli.tables import show
    from gradeest.workflow.stripping import show_strip_order

    with Progress() as report:
        shown = show_strip_order(
            place_of(ctx), lot, pile=source, hours=hours, prices=prices, changes=tuple(change or ()), report=report
        )
    if as_json:
        print_json("strip-order", shown)
        return
    show(*strip_parts(shown))


def strip_parts(shown: StripShown) -> list[Any]:
    """Cautions first, the order, where to stop, and the trial board."""
    from rich.text import Text

    from gradeest.cli.cautions import caution_lines, gate_lines
    from gradeest.cli.outlook import trust_lines
    from gradeest.cli.tables import heading, interval, make_table, money, note, number

    invented = f" ({shown.invented})" if shown.invented else ""
    parts: list[Any] = [heading(f"Before anything is taken off the boards of {shown.lot}{invented}, beware:")]
    parts += [note(f"{', '.join(one.kinds)}: {one.line}", indent="  ") for one in shown.cautions]
    parts += [note(f"  {address}: refused, nothing is taken off.") for address in shown.refused]
    parts += [note(shown.defer), Text(), heading(f"What to take off, in this order: {shown.currency} and hours")]
    figures = ("kg", "hours", "net", "gain", "bad\ncase", "per h")
    table = make_table([("", ">"), ("part", "<"), *((name, ">") for name in figures)])
    for row in shown.rows:
        table.add_row(
            "-" if row.step is None else str(row.step),
            row.kind,
            interval(_triple(row.mass_kg)),
            number(row.hours.mean, 2),
            money(row.net.mean),
            money(row.gain.mean),
            money(row.gain.q5),
            money(row.gain_per_hour),
        )
    parts.append(table)
    parts += [note(_line(row), indent="  ") for row in shown.rows]
    taken = [row for row in shown.rows if row.step is not None]
    limit = "" if shown.most_hours is None else f" (at most {number(shown.most_hours)})"
    if taken:
        odds = f"{100 * shown.chance_of_gain:.0f} of 100 cases"
        gain = f"{money(shown.gain.mean)} ({money(shown.gain.q5)} to {money(shown.gain.q95)})"
        parts.append(
            note(
                f"Stop after {taken[-1].kind}: {number(shown.hours.mean, 2)} hours{limit}, gain {gain} over selling "
                f"the boards whole for {money(shown.whole.mean)}; a gain in {odds}."
            )
        )
    else:
        parts.append(note(f"Take nothing off: the boards whole bring {money(shown.whole.mean)}, no set of parts more."))
    if shown.trial is not None:
        one = shown.trial
        parts.append(
            note(
                f"Stripping one board of everything before you decide is worth {money(one.worth)} "
                f"+-{number(one.worth_mcse, 1)}, and costs {money(one.cost)}: {one.advice}."
            )
        )
    parts.append(
        note("Gain: what it adds to the rows above, the fall of the boards' price taken off. - : leave it on.")
    )
    parts += [note(f"Note: {text}") for text in shown.notes]
    parts += gate_lines(shown.gates_closed, shown.no_licence)
    return [*parts, *caution_lines(shown.route_cautions), *trust_lines(shown.trust), _next(shown, taken)]


def _triple(found: Any) -> tuple[float, float, float]:
    return (found.q5, found.q50, found.q95)


def _line(row: PartRow) -> str:
    """What is in the parts, and what becomes of them."""
    from gradeest.cli.tables import interval

    metals = [f"{metal} {interval(_triple(grams))} g" for metal, grams in row.metal_g.items()]
    return f"{row.kind}: {', '.join(metals)}; {row.why}."


def _next(shown: StripShown, taken: list[PartRow]) -> str:
    if shown.trial is not None and shown.trial.advice == "do it":
        return f"Next: gradeest lot weigh {shown.lot} KIND MASS --boards MASS --minutes N, part by part of one board"
    if not taken:
        return f"Next: gradeest sell {shown.boards[0]} --for AMOUNT"
    return f"Next: gradeest lot weigh {shown.lot} {taken[0].kind} MASS --minutes N"
