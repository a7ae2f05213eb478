"""`gradeest plan`, `bid`: what fits into the hours and the cash at hand, and what a lot on offer is worth."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from gradeest.cli import options
from gradeest.cli.context import place_of
from gradeest.cli.outlook import LotArgument, invented, short_name, trust_lines

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gradeest.errors import Issue
    from gradeest.workflow.choosing import BidShown
    from gradeest.workflow.planning import PlanShown, Use


def register(app: typer.Typer) -> None:
    """Add `plan` and `bid`."""
    app.command("plan", short_help="What to process within your hours and cash.")(plan)
    app.command("bid", short_help="The highest price for a lot on offer.")(bid)


def plan(
    ctx: typer.Context,
    lot: LotArgument = None,
    hours: Annotated[
        float | None, typer.Option(parser=options.read_amount, metavar="H", help="Hands-on hours there are.")
    ] = None,
    cash: Annotated[
        float | None,
        typer.Option(parser=options.read_amount, metavar="AMOUNT", help="Money there is for costs, in your currency."),
    ] = None,
    days: Annotated[float | None, typer.Option(parser=options.read_amount, metavar="N", help="Days there are.")] = None,
    at_once: Annotated[
        int | None, typer.Option(help="Runs that may be going side by side in these days (one by default).")
    ] = None,
    limit: Annotated[
        list[str] | None,
        typer.Option(
            metavar='"nitric acid=10 L"', help="What there is of an item; may be repeated (`cost` names them)."
        ),
    ] = None,
    must: Annotated[
        list[str] | None, typer.Option(metavar="LOT/FRACTION", help="What has to be in the plan; may be repeated.")
    ] = None,
    fee: options.Fee = None,
    file: Annotated[
        Path | None,
        typer.Option(metavar="FILE", readable=False, help="A plan file that says these things (see the README)."),
    ] = None,
    prices: options.Prices = None,
    change: options.If = None,
    as_json: options.Json = False,
) -> None:
    """Choose what to process within your hours, cash, days and supplies, and in which order; needs your prices."""
    from gradeest.cli.as_json import print_json
    from gradeest.cli.progress import Progress
    from gradeest.cli.tables import show
    from gradeest.workflow.planning import plan_work
    from gradeest.workflow.supplies import Limits

    with Progress() as report:
        shown = plan_work(
            place_of(ctx),
            lot,
            limits=Limits(hours, cash, days, tuple(limit or ()), at_once),
            must=must or (),
            fee=fee,
            plan_file=file,
            prices=prices,
            changes=change or (),
            report=report,
        )
    if as_json:
        print_json("plan", shown)
        return
    show(*plan_parts(shown))


def check_amounts(given: dict[str, float | None], also: Sequence[Issue] = ()) -> None:
    """Refuse amounts below 0 and such as are no number, with what `also` is wrong, together."""
    from gradeest.errors import InputError
    from gradeest.workflow.plan_asking import refuse_amounts

    issues = [*refuse_amounts(given), *also]
    if issues:
        raise InputError("what was typed cannot be used", issues=issues)


def plan_parts(shown: PlanShown) -> list[Any]:
    """The plan as a table and lines."""
    from gradeest.cli.cautions import caution_lines, gate_lines
    from gradeest.cli.tables import heading, make_table, mass, money, note, number
    from gradeest.cli.wrapping import part_address

    what = f"Plan for lot {shown.lot}" if shown.lot else "Plan"
    tried = f", if {', '.join(shown.changes)}" if shown.changes else ""
    labour = f"an hour counts {money(shown.hours_rate)}" if shown.hours_rate else "hours are not counted as a cost"
    parts: list[Any] = [heading(f"{what}{invented(shown)}{tried}: {shown.currency}; {labour}")]
    if not shown.steps:
        return [*parts, "Nothing is left that could be planned."]
    table = make_table([("", "<"), ("fraction", "f"), ("gain", ">"), ("hours", ">"), ("cost", ">"), ("why", "w")])
    for step in shown.steps:
        table.add_row(
            f"{step.order}. {step.action}" if step.order else step.action,
            f"{part_address(short_name(step.address, shown.lot))}\n  {mass(step.mass_kg)}",
            money(step.gain.mean) if step.gain else "-" if step.worth is None else money(step.worth),
            number(step.hours.mean) if step.hours else "-",
            money(step.cost.mean) if step.cost else "-",
            f"{step.why}\n{step.test}".rstrip(),
        )
    parts.append(table)
    parts += [note(text) for text in gain_lines(shown)]
    parts += [note(use_line(use, shown.currency)) for use in shown.uses if not use.pack]
    if shown.headed:
        parts.append(note(f"Reagents in whole packs, {shown.headed}:"))
    parts += [note(use_line(use, shown.currency), indent="  ") for use in shown.uses if use.pack]
    parts += [note(f"Note: {text}") for text in shown.notes]
    parts += [*gate_lines(shown.gates_closed), note(shown.defer)]
    return [*parts, *caution_lines(shown.cautions), *trust_lines(shown.trust)]


def gain_lines(shown: PlanShown) -> list[str]:
    """What the runs and the trials of a plan bring, and what they take."""
    from gradeest.cli.tables import interval, money, percent
    from gradeest.cli.testing import pair

    actions = {step.action for step in shown.steps if step.order}
    if not actions:
        return ["Nothing that gains fits: the best plan is to process nothing."]
    hours = interval((shown.hours.q5, shown.hours.q50, shown.hours.q95))
    taken = f"hours {hours}; cost {money(shown.cost.mean)} ({money(shown.cost.q5)}-{money(shown.cost.q95)})."
    lines = ["No run that gains fits: tests come first."]
    if "process" in actions:
        gain = pair(shown.gain.mean, shown.gain_mcse)
        chance = percent(shown.chance_of_gain)
        lines = [f"The plan gains {gain}, bad case {money(shown.gain.q5)}, in {chance} of cases; {taken}"]
    tests = [word for word in ("trial", "assay") if word in actions]
    if tests:
        worth = pair(shown.trials_worth, shown.trials_worth_mcse)
        how = "; `gradeest batch add --trial` starts a trial" if "trial" in tests else ""
        end = f"; {taken}" if "process" not in actions else "."
        lines.append(
            f"By what its {' and '.join(f'{word}s' for word in tests)} tell it is worth {worth} more{how}{end}"
        )
    return lines


def use_line(use: Use, currency: str) -> str:
    """What is used of a limit, and what more of it would bring."""
    from gradeest.cli.tables import money, number, percent

    if use.is_barred:
        return f"{use.limit}: none, this bench has no licence for it (`gradeest bench set licence` where it has)."
    text = (
        f"{use.limit}{f' ({use.places} at once)' if use.places > 1 else ''}: {number(use.expected, 3)} of "
        f"{number(use.most, 3)} {use.unit} expected, "
        f"stays within it in {percent(use.chance_within)} of cases"
    )
    if use.next is None:
        return f"{text}; more of it alone would bring nothing."
    more, each = f"{number(use.next.extra)} {use.unit} more", money(use.next.per_unit)
    return f"{text}; {more} would bring {money(use.next.gain)} {currency} more ({each} for each {use.unit})."


def bid(
    ctx: typer.Context,
    file: Annotated[
        Path, typer.Argument(metavar="FILE", readable=False, help="The lot on offer, a file as for `lot add`.")
    ],
    chance: Annotated[
        float,
        typer.Option(parser=options.read_amount, metavar="P", help="Chance of gain that you want, between 0 and 1."),
    ] = 0.75,
    price: Annotated[
        float | None,
        typer.Option(
            parser=options.read_amount,
            metavar="AMOUNT",
            help="A price to judge, in your currency (by default the file's price_paid).",
        ),
    ] = None,
    prices: options.Prices = None,
    change: options.If = None,
    as_json: options.Json = False,
) -> None:
    """Show the highest price for a lot on offer at a chance of gain, and what is lost if it goes wrong."""
    from gradeest.cli.as_json import print_json
    from gradeest.cli.progress import Progress
    from gradeest.cli.tables import show
    from gradeest.errors import Issue
    from gradeest.workflow.choosing import bid_on

    hint = "type one from 0.01 to 0.99, such as 0.75"
    wrong = Issue("error", f"a chance of {chance:g} cannot be asked for", hint, field="--chance")
    check_amounts({"--price": price}, () if 0.01 <= chance <= 0.99 else [wrong])
    with Progress() as report:
        shown = bid_on(
            place_of(ctx), file, chance=chance, asked=price, prices=prices, changes=change or (), report=report
        )
    if as_json:
        print_json("bid", shown)
        return
    show(*bid_parts(shown))


def bid_parts(shown: BidShown) -> list[Any]:
    """The bid as lines and a table of what is in it."""
    from gradeest.cli.cautions import caution_lines, gate_lines
    from gradeest.cli.tables import heading, make_table, mass, money, note, percent

    found = shown.bid
    tried = f", if {', '.join(shown.changes)}" if shown.changes else ""
    parts: list[Any] = [heading(f"Bid on lot {shown.lot}, {mass(found.mass_kg)}{tried}: {found.currency}")]
    top = found.highest
    if top.price > 0:
        parts.append(
            note(
                f"At most {money(top.price)} (+-{money(found.highest_mcse)}; {money(top.per_kg)} a kg): gains in "
                f"{percent(found.chance)} of cases, {money(top.gain.mean)} on average; if it goes wrong (5 %) "
                f"{money(-top.gain.q5)} or more is lost."
            )
        )
    else:
        parts.append(note(f"No bid: not even as a gift does it gain in {percent(found.chance)} of cases."))
    if found.asked is not None:
        at = found.asked
        parts.append(
            note(
                f"At {money(at.price)}: gains in {percent(at.chance_of_gain)} of cases, {money(at.gain.mean)} on "
                f"average, bad case {money(at.gain.q5)}."
            )
        )
    table = make_table([("fraction", "f"), ("use", "<"), ("worth", ">"), ("why", "w")])
    for part in found.parts:
        table.add_row(f"{part.address}\n  {mass(part.mass_kg)}", part.use, money(part.worth), part.why)
    parts += [table, *break_even_lines(shown)]
    if shown.unsorted_kg:
        parts.append(note(f"{mass(shown.unsorted_kg)} unsorted is not counted."))
    parts += [note(f"{', '.join(one.kinds)}: {one.line}") for one in shown.board_cautions]
    parts += [note(f"Note: {text}") for text in shown.notes]
    if shown.assumed:
        parts.append(note("Costs, hours and terms that your price file does not change are guesses of the priors."))
    parts += [*gate_lines(shown.gates_closed, shown.no_licence), note(shown.defer)]
    return [*parts, *caution_lines(shown.cautions), *trust_lines(shown.trust)]


def break_even_lines(shown: BidShown) -> list[Any]:
    """How much less metal or price the highest bid bears."""
    from gradeest.cli.tables import money, note, percent

    found, lines = shown.bid, []
    if found.break_even_metal is not None:
        lines.append(
            f"At that bid it brings just its price, on average, with {percent(found.break_even_metal)} of the metal "
            "expected to come out"
        )
    for row in found.break_even_prices:
        lines.append(f"... or with {row.metal} at {money(row.per_g)} a g ({percent(row.share)} of your price)")
    return [note("; ".join(lines) + ".")] if lines else []
