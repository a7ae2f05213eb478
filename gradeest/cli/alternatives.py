"""`gradeest compare`: everything that may be done with one fraction, in one table."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from gradeest.cli import options
from gradeest.cli.context import place_of

if TYPE_CHECKING:
    from gradeest.workflow.alternatives import UsesShown


def register(app: typer.Typer) -> None:
    """Add `compare`."""
    app.command("compare", short_help="Process, test, sell, save up or keep a fraction.")(compare)


def compare(
    ctx: typer.Context,
    address: Annotated[str, typer.Argument(metavar="LOT/FRACTION", help="One fraction.")],
    monthly: Annotated[
        str | None, typer.Option(metavar='"350 g"', help="How much of its kind comes in a month, to weigh saving up.")
    ] = None,
    volatility: options.Volatility = None,
    fee: options.Fee = None,
    prices: options.Prices = None,
    change: options.If = None,
    as_json: options.Json = False,
) -> None:
    """Compare what may be done with one fraction: process, test, sell as it is, save up, keep; needs your prices."""
    from gradeest.cli.as_json import print_json
    from gradeest.cli.progress import Progress
    from gradeest.cli.tables import show
    from gradeest.workflow.alternatives import compare_uses

    kg, swing = read_monthly(monthly, volatility, fee)
    with Progress() as report:
        shown = compare_uses(
            place_of(ctx),
            address,
            monthly_kg=kg,
            volatility=swing,
            fee=fee,
            prices=prices,
            changes=tuple(change or ()),
            report=report,
        )
    if as_json:
        print_json("compare", shown)
        return
    show(*use_parts(shown))


def read_monthly(
    monthly: str | None, volatility: str | None, fee: float | None = None
) -> tuple[float | None, float | None]:
    """What comes in a month, kg, and the spread of the price as a share; with the fee refused all at once."""
    from gradeest.cli.choosing import check_amounts
    from gradeest.errors import InputError, Issue
    from gradeest.units import parse_mass, parse_share

    kg = swing = None
    issues: list[Issue] = []
    try:
        check_amounts({"--fee": fee})
    except InputError as err:
        issues += err.issues
    try:
        kg = None if monthly is None else parse_mass(monthly) / 1000
    except InputError as err:
        issues.append(Issue("error", err.message, err.hint, field="--monthly"))
    try:
        swing = None if volatility is None else parse_share(volatility)
    except InputError as err:
        issues.append(Issue("error", err.message, err.hint, field="--volatility"))
    if kg is not None and kg <= 0:
        hint = 'type how much does, such as --monthly "350 g"'
        issues.append(Issue("error", "nothing comes in a month", hint, field="--monthly"))
    if issues:
        raise InputError("what was typed cannot be used", issues=issues)
    return kg, swing


def use_parts(shown: UsesShown) -> list[Any]:
    """The uses as a table, the best marked, and what they rest on."""
    from gradeest.cli.cautions import caution_lines
    from gradeest.cli.outlook import trust_lines
    from gradeest.cli.tables import heading, make_table, mass, money, note, number
    from gradeest.cli.testing import pair

    labour = f"an hour counts {money(shown.hours_rate)}" if shown.hours_rate else "hours are not counted as a cost"
    parts: list[Any] = [
        heading(f"What to do with {shown.address}, {mass(shown.mass_kg)} of {shown.kind}: {shown.currency}; {labour}")
    ]
    table = make_table([("", "<"), ("use", "f"), ("worth", ">"), ("5-95 %", ">"), ("hours", ">"), ("", "w")])
    for use in shown.uses:
        table.add_row(
            ">" if use.is_best else "",
            use.name,
            "-" if use.worth is None else pair(use.worth, use.mcse or 0.0),
            "-" if use.spread is None else f"{money(use.spread.q5)} to {money(use.spread.q95)}",
            "-" if use.hours is None else number(use.hours),
            use.remark,
        )
    parts.append(table)
    parts.append(note("> brings most on average; of those the calculation cannot tell apart, with the fewest hours."))
    parts += [note(f"Note: {text}") for text in shown.notes]
    return [*parts, note(shown.defer), *caution_lines(shown.cautions), *trust_lines(shown.trust)]
