"""`gradeest cost`: the bill of a batch to come or of one that was run, for the budget."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from gradeest.cli import options
from gradeest.cli.context import place_of

if TYPE_CHECKING:
    from gradeest.workflow.costing import CostShown


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("cost", short_help="What a batch costs, item by item.")(cost)


def cost(
    ctx: typer.Context,
    address: Annotated[str, typer.Argument(metavar="ADDRESS", help="LOT/FRACTION, or a batch such as B3.")],
    route: Annotated[str | None, typer.Option(help="Another route than the usual one.")] = None,
    mass: Annotated[str | None, typer.Option(metavar='"500 g"', help="Not all that is left, but so much.")] = None,
    prices: options.Prices = None,
    as_json: options.Json = False,
) -> None:
    """Show what a batch costs item by item, its hours and days, and for a batch that was run what it brought."""
    from gradeest.cli.as_json import print_json
    from gradeest.cli.progress import Progress
    from gradeest.cli.tables import show
    from gradeest.units import parse_mass
    from gradeest.workflow.costing import show_cost

    kg = None if mass is None else parse_mass(mass) / 1000
    with Progress() as report:
        shown = show_cost(place_of(ctx), address, route=route, mass_kg=kg, prices=prices, report=report)
    if as_json:
        print_json("cost", shown)
        return
    show(*cost_parts(shown))


def cost_parts(shown: CostShown) -> list[Any]:
    """The bill as a table and lines."""
    from gradeest.cli.outlook import trust_lines
    from gradeest.cli.tables import heading, make_table, mass, note

    currency = shown.currency or "units of your currency"
    title = f"Cost of {shown.address}, {mass(shown.mass_kg)} by {shown.route}, in {currency}"
    headed = f"{shown.headed[0].upper()}{shown.headed[1:]}"
    table = make_table([("what", "f"), ("buy", ">"), ("dear case", ">"), ("unit", "<"), ("money", ">")])
    for row in shown.rows:
        spent = "-" if row.money is None else money_of(row.money)
        table.add_row(row.name, f"{row.buy:g}", f"{row.buy_most:g}", row.unit, spent)
    for name, value in shown.own.items():
        table.add_row(f"your own {name}", "", "", "", money_of(value))
    parts: list[Any] = [heading(title), heading(headed), table]
    parts.append(note(f"Money for what is used up: {money_of(shown.cost)}."))
    parts += [note(text) for text in work_lines(shown)]
    parts += [steps_table(shown)] if shown.by_step else []
    parts += [note(text) for text in recovered_lines(shown)]
    if shown.no_prices:
        parts.append(note("Without your price file (`gradeest prices new`) money is by the guesses of the priors."))
    parts += [note(f"Note: {text}.") for text in shown.notes]
    parts.append(note("Bought in whole packs, paid by what is used up; dear case: the 95 % point. " + shown.defer))
    return [*parts, *trust_lines(shown.trust)]


def money_of(value: Any) -> str:
    """Money with its 5 and 95 % points."""
    from gradeest.cli.tables import money

    return f"{money(value.q50)} ({money(value.q5)} to {money(value.q95)})"


def work_lines(shown: CostShown) -> list[str]:
    """Hours, what they count, and days."""
    from gradeest.cli.tables import interval, number

    hours = interval((shown.hours.q5, shown.hours.q50, shown.hours.q95))
    text = f"Hands-on hours: {hours}"
    if shown.worked is not None:
        text = f"Hands-on hours as recorded: {number(shown.worked, 3)}; expected {hours}"
    elif shown.steps:
        text += "; those of some steps are recorded"
    if shown.labour is not None:
        text += f"; at your rate {money_of(shown.labour)}, all together {money_of(shown.together)}"
    lines = [f"{text}."]
    if shown.spent is not None:
        lines.insert(0, f"Recorded as spent: {shown.spent:g}; it counts instead of the bill.")
    if shown.days is not None:
        days = interval((shown.days.q5, shown.days.q50, shown.days.q95))
        lines.append(f"Days from start to weighing: {days}, most of it waiting.")
    return lines


def steps_table(shown: CostShown) -> Any:
    """Hours of every step, the longest first, with those recorded."""
    from gradeest.cli.tables import interval, make_table, number

    table = make_table([("of these hours", "<"), ("expected", ">"), *([("recorded", ">")] if shown.steps else [])])
    rows = {step: interval((h.q5, h.q50, h.q95)) for step, h in shown.by_step.items()}
    for step in [*rows, *(step for step in shown.steps if step not in rows)]:
        told = [number(shown.steps[step], 3) if step in shown.steps else ""] if shown.steps else []
        table.add_row(step or "other work", rows.get(step, ""), *told)
    return table


def recovered_lines(shown: CostShown) -> list[str]:
    """What a batch brought, against its cost."""
    from gradeest.cli.tables import interval

    lines = []
    for row in shown.recovered:
        grams = interval((row.fine_g.q5, row.fine_g.q50, row.fine_g.q95), 3)
        worth = "" if row.value is None else f", worth {money_of(row.value)} before fees"
        lines.append(f"Recovered: {grams} g fine {row.metal}{worth}.")
    if shown.over_cost is not None:
        lines.append(f"That is {money_of(shown.over_cost)} over its cost{' and hours' if shown.labour else ''}.")
    return lines
