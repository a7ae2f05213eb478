"""`gradeest open`: everything unfinished, with its metal, worth and age."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import typer

from gradeest.cli import options
from gradeest.cli.context import place_of

if TYPE_CHECKING:
    from gradeest.workflow.unfinished import OpenItem, OpenShown

LEAST_G = 1e-3  # a median below it is none
INDENT = "  "
AT_PRICES = "that the usual route brings out, at your prices and the refiner's shares, before fees, work and losses"
SHORT = {"open batch": "open"}  # what is too long for a column


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("open", short_help="What is unfinished.")(open_)


def open_(
    ctx: typer.Context, prices: options.Prices = None, all: options.All = False, as_json: options.Json = False
) -> None:
    """Show everything unfinished: jars, open batches, liquids kept, streams, products not sold; metal, worth, age."""
    from gradeest.cli.as_json import print_json
    from gradeest.cli.progress import Progress
    from gradeest.cli.tables import show
    from gradeest.workflow.unfinished import show_open

    with Progress() as report:
        shown = show_open(place_of(ctx), prices=prices, report=report)
    if as_json:
        print_json("open", shown)
        return
    show(*open_parts(shown, everything=all))


def open_parts(shown: OpenShown, *, everything: bool = False) -> list[Any]:
    """What is unfinished as a table and lines."""
    from gradeest.cli.outlook import trust_lines
    from gradeest.cli.tables import heading, make_table, note

    if not shown.items:
        return ["Nothing is unfinished.", *clock_lines(shown)]
    money = f", worth {shown.currency}" if shown.currency else ""
    invented = f" ({shown.invented})" if shown.invented else ""
    parts: list[Any] = [heading(f"Unfinished{invented}: metal g{money}; median (5-95 %)")]
    worth = [("worth", ">")] if shown.total_value is not None else []
    table = make_table([("what", "<"), ("", "<"), ("metal g", ">"), *worth, ("rests on", "w")])
    for item in shown.items:
        for row in rows_of(item, everything=everything, with_worth=bool(worth)):
            table.add_row(*row)
    parts.append(table)
    if shown.total_value is not None:
        total = f"All together worth {interval_of_money(shown.total_value)} {shown.currency}"
        parts.append(note(f"{total}: the metal {AT_PRICES}."))
    else:
        parts.append(note(sentence(shown.no_prices) if shown.no_prices else "Nothing here has a worth."))
    if any(item.remark.startswith("rough") for item in shown.items):
        parts.append(note("Rough: nobody measured that part; its share of the batch's metal is a guess of the priors."))
    return [*parts, *clock_lines(shown), *(trust_lines(shown.trust) if shown.trust else [])]


def rows_of(item: OpenItem, *, everything: bool, with_worth: bool) -> list[list[Any]]:
    """The table rows of one thing: one per metal that is worth a line, at least one."""
    from gradeest.cli.tables import interval, metal_text
    from gradeest.cli.wrapping import break_address

    metals = [m for m in item.metals if everything or (m.is_recovered and m.grams.q50 >= LEAST_G)]
    age = f"{item.age_days} day{'' if item.age_days == 1 else 's'}{' !' if item.is_over else ''}"
    name = f"{break_address(item.address)}\n{INDENT}{amount_of(item)}\n{INDENT}{age}"
    rows: list[list[Any]] = []
    for metal in metals:
        remark = item.remark if metal is metals[0] and item.remark else ""
        rests = "\n".join(filter(None, (metal.rests_on, remark)))
        grams = interval((metal.grams.q5, metal.grams.q50, metal.grams.q95))
        rows.append([name, metal_text(metal.metal), grams, rests])
        name = ""
    if not rows:
        rows.append([name, "", "-" if item.metals else "", item.remark or ("next to none" if item.metals else "")])
    if with_worth:
        for n, row in enumerate(rows):
            row.insert(3, interval_of_money(item.value) if n == 0 and item.value is not None else "")
    return rows


def amount_of(item: OpenItem) -> str:
    """What an unfinished thing is, and how much of it is there."""
    from gradeest.cli.tables import mass

    if item.left is None:
        return item.sort
    left = mass(item.left) if item.unit == "kg" else f"{item.left:.3g} {item.unit}"
    return f"{SHORT.get(item.sort, item.sort)} {left}"


def sentence(text: str) -> str:
    """A text as a sentence of its own; one that begins with the name of a file keeps it as it is."""
    is_file = "." in text.partition(" ")[0].rstrip(".")
    return f"{text[:1] if is_file else text[:1].upper()}{text[1:]}".rstrip(".") + "."


def interval_of_money(found: Any) -> str:
    """Money as median with its 5 and 95 % points, without cents from 10 on."""
    from gradeest.cli.tables import money, number

    def tell(value: float) -> str:
        if abs(value) >= 10 or 0 < abs(value) < 0.1:
            return money(value)
        return f"{value:.0f}" if abs(found.q50) >= 10 else number(value)

    low, mid, high = (tell(value) for value in (found.q5, found.q50, found.q95))
    return f"{mid} ({low} to {high})" if found.q5 < 0 else f"{mid} ({low}-{high})"


def clock_lines(shown: OpenShown) -> list[Any]:
    """The storage clock, what else is over it, and whom to ask."""
    from gradeest.cli.tables import note

    if shown.clock_days is None:
        return [note('No storage clock is set: gradeest bench set storage-clock "180 days"')] if shown.items else []
    lines = [f"Storage clock: {shown.clock_days} days; what is older is marked !."]
    if shown.untouched_over:
        lines.append(f"Older too, nobody began them: {', '.join(shown.untouched_over)}.")
    if shown.caution:
        lines.append(f"! {shown.caution}")
    return [note(line) for line in lines]
