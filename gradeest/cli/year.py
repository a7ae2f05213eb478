"""`gradeest year`: kilos in, metal out, money and hours of a year, and the stock at today's prices."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from gradeest.cli import options
from gradeest.cli.context import place_of

if TYPE_CHECKING:
    from collections.abc import Iterable

    from gradeest.workflow.yearly import Money, Runs, YearShown

LEAST_G = 0.01  # a median below it is next to none in a whole stock


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("year", short_help="The books of a year.")(year)


def year(
    ctx: typer.Context,
    year: Annotated[int | None, typer.Argument(metavar="YYYY", help="The year (this one if left out).")] = None,
    prices: options.Prices = None,
    as_json: options.Json = False,
) -> None:
    """Show the books of a year: kilos in, metal out, paid, spent, hours, money per hour, and today's stock."""
    from gradeest.cli.as_json import print_json
    from gradeest.cli.progress import Progress
    from gradeest.cli.tables import show
    from gradeest.workflow.yearly import show_year

    with Progress() as report:
        shown = show_year(place_of(ctx), year, prices=prices, report=report)
    if as_json:
        print_json("year", shown)
        return
    show(*year_parts(shown))


def year_parts(shown: YearShown) -> list[Any]:
    """A year as tables and lines."""
    from gradeest.cli.outlook import trust_lines
    from gradeest.cli.tables import heading, make_table, mass, note

    so_far = f" up to {shown.today}" if shown.year == shown.today.year else ""
    invented = f" ({shown.invented})" if shown.invented else ""
    parts: list[Any] = [heading(f"The year {shown.year}{so_far}{invented}")]
    if shown.feed:
        table = make_table([("came in", "w"), ("mass", ">")])
        for row in shown.feed:
            table.add_row(row.class_name, mass(row.mass_kg))
        if len(shown.feed) > 1:
            table.add_row("all", mass(shown.feed_kg))
        parts.append(table)
    else:
        parts.append("Nothing came in.")
    parts.append(note(runs_text(shown.runs)))
    parts += metal_lines(shown)
    parts += money_lines(shown.money, shown.currency, shown.runs)
    return [*parts, *stock_lines(shown), *trust_lines(shown.trust)]


def runs_text(runs: Runs) -> str:
    """The batches of a year in a sentence."""
    from gradeest.cli.tables import mass

    if not runs.begun:
        return "No batch was begun."
    parts = [
        f"{runs.still_open} still open" if runs.still_open else "",
        f"{runs.gave_nothing} gave nothing" if runs.gave_nothing else "",
        f"{runs.without_result} with nothing recorded" if runs.without_result else "",
    ]
    tail = ", ".join(filter(None, parts))
    batches = f"{runs.begun} batch{'es' if runs.begun > 1 else ''}"
    return f"Processed: {mass(runs.mass_kg)} in {batches}{f' ({tail})' if tail else ''}; all of them count."


def metal_lines(shown: YearShown) -> list[Any]:
    """Metal weighed and sold."""
    from gradeest.cli.tables import make_table, metal_text

    if not shown.metals:
        return ["No metal was weighed or sold."]
    table = make_table([("metal out", "<"), ("products", ">"), ("fine g weighed", ">"), ("fine g sold", ">")])
    for row in shown.metals:
        sold = interval3(row.sold_g) if row.sales else "-"
        table.add_row(metal_text(row.metal), str(row.products), interval3(row.weighed_g), sold)
    return [table]


def interval3(found: Any) -> str:
    """An interval record as text."""
    from gradeest.cli.tables import interval

    return interval((found.q5, found.q50, found.q95))


def money_lines(found: Money, currency: str, runs: Runs) -> list[Any]:
    """Paid, spent, estimated, and what an hour brought."""
    from gradeest.cli.tables import make_table, money, note
    from gradeest.cli.unfinished import interval_of_money

    table = make_table([(f"money{f', {currency}' if currency else ''}", "<"), ("", ">"), ("", "w")])
    by = ", ".join(f"{what} {money(amount)}" for what, amount in found.paid_by.items() if amount)
    table.add_row(
        "paid by buyers", money(found.paid), f"{found.sales} sale{'s' * (found.sales != 1)}{f': {by}' * bool(by)}"
    )
    bought = f"{found.lots} lot{'s' * (found.lots != 1)}"
    unknown = f", {found.lots_without_price} without a price" if found.lots_without_price else ""
    table.add_row("spent on lots", money(found.spent), bought + unknown)
    if runs.begun:
        spent = told_text(found.told.spent, found.told.without_spent, runs.begun, found.rows)
        table.add_row("consumables, waste", interval_of_money(found.consumables), spent)
        table.add_row("balance", interval_of_money(found.balance), "paid - spent - consumables and waste")
        worked = told_text(found.told.hours, found.told.without_hours, runs.begun, found.rows)
        table.add_row("hands-on hours", interval3(found.hours), worked)
    if found.per_hour is not None:
        table.add_row(
            "per hour", interval_of_money(found.per_hour), "failed runs included; products unsold not counted"
        )
    if found.per_hour_with_products is not None:
        text = "with the year's unsold products at today's prices"
        table.add_row("per hour", interval_of_money(found.per_hour_with_products), text)
    parts: list[Any] = [table]
    if runs.no_rows:
        parts.append(note(f"No hours are known of {', '.join(runs.no_rows)}: those batches are not in the estimates."))
    if found.told.without_spent or found.told.without_hours:
        parts.append(note("`gradeest record hours` and `record cost` put what they were in the place of estimates."))
    return parts


def told_text(told: float, without: int, begun: int, rows: str) -> str:
    """What of an amount was recorded, and for how many batches it is estimated."""
    from gradeest.cli.tables import number

    if without == begun:
        return f"estimated: {rows}"
    if not without:
        return "as recorded"
    return f"recorded {number(told, 3)}, {without} of {begun} batches estimated: {rows}"


def stock_lines(shown: YearShown) -> list[Any]:
    """The stock of today at today's prices."""
    from gradeest.cli.tables import make_table, note
    from gradeest.cli.unfinished import AT_PRICES, interval_of_money, sentence

    rows = [row for row in shown.stock if row.things]
    if not rows:
        return ["Nothing is in stock today."]
    head = [("in stock today", "<"), ("things", ">"), ("metal g", "<")]
    table = make_table([*head, (f"worth{f' {shown.currency}' if shown.currency else ''}", ">")])
    for row in rows:
        worth = interval_of_money(row.value) if row.value is not None else "-"
        table.add_row(row.what, str(row.things), "\n".join(metal_texts(row.metals)) or "next to none", worth)
    if shown.stock_value is None:
        return [table, note(sentence(shown.no_prices))]
    return [table, note(f"Worth: the metal {AT_PRICES}; all together {interval_of_money(shown.stock_value)}.")]


def metal_texts(metals: Iterable[Any]) -> list[str]:
    """Metals that are worth a line, with their grams."""
    return [f"{m.metal} {interval3(m.grams)}" for m in metals if m.grams.q50 >= LEAST_G]
