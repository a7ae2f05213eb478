"""`gradeest save-up`: how long to wait before a batch of what comes in month by month."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from gradeest.cli import options
from gradeest.cli.context import place_of

if TYPE_CHECKING:
    from gradeest.workflow.saving import SavingShown


def register(app: typer.Typer) -> None:
    """Add `save-up`."""
    app.command("save-up", short_help="How long to save up before a batch.")(save_up)


def save_up(
    ctx: typer.Context,
    kind: Annotated[str, typer.Argument(metavar="KIND", help="A kind (`gradeest priors list`).")],
    monthly: Annotated[str, typer.Option(metavar='"350 g"', help="How much of it comes in a month.")],
    volatility: options.Volatility = None,
    prices: options.Prices = None,
    change: options.If = None,
    as_json: options.Json = False,
) -> None:
    """Show what a batch every so many months brings a month, and how long waiting still pays; needs your prices."""
    from gradeest.cli.alternatives import read_monthly
    from gradeest.cli.as_json import print_json
    from gradeest.cli.progress import Progress
    from gradeest.cli.tables import show
    from gradeest.workflow import saving

    kg, swing = read_monthly(monthly, volatility)
    assert kg is not None  # it was typed
    with Progress() as report:
        shown = saving.save_up(
            place_of(ctx), kind, kg, volatility=swing, prices=prices, changes=tuple(change or ()), report=report
        )
    if as_json:
        print_json("save-up", shown)
        return
    show(*saving_parts(shown))


def saving_parts(shown: SavingShown) -> list[Any]:
    """Months against net per month, and the knee."""
    from gradeest.cli.cautions import caution_lines, gate_lines
    from gradeest.cli.outlook import trust_lines
    from gradeest.cli.tables import heading, make_table, mass, money, note, number, percent

    title = f"Saving up {shown.kind}, {mass(shown.monthly_kg)} a month: {shown.currency} over the best alternative"
    columns = [
        "months",
        "a batch\nof",
        "net per\nmonth",
        "batch: bad\ncase",
        "gains\nin",
        "hours per\nmonth",
        "price\n+-",
    ]
    table = make_table([(name, ">") for name in columns])
    for row in shown.rows:
        table.add_row(
            f"{'> ' if row.months == shown.knee else ''}{row.months}",
            mass(row.mass_kg),
            f"{money(row.net_per_month)} +-{number(row.net_per_month_mcse, 1)}",
            money(row.batch.q5),
            percent(row.chance_of_gain),
            number(row.hours_per_month),
            "-" if row.price_sd is None else percent(row.price_sd),
        )
    parts: list[Any] = [heading(title), table]
    if shown.clock_months is not None:
        parts.append(note(f"Your storage clock allows {shown.clock_months} months; ask your authority for its rules."))
    if shown.knee is None:
        parts.append(note("No batch of what may be saved up is expected to gain."))
    else:
        months = "1 month brings" if shown.knee == 1 else f"{shown.knee} months bring"
        parts.append(note(f"> {months} at least four fifths of the most; longer adds little but risk."))
    parts.append(note(f"Each batch by {shown.route}, settled alone; +- is the error of the calculation itself."))
    parts += gate_lines(shown.gates_closed)
    return [*parts, note(shown.defer), *caution_lines(shown.cautions), *trust_lines(shown.trust)]
