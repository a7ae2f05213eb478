"""`gradeest test-first`: whether an assay or a trial run pays before a fraction is decided on."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from gradeest.cli import options
from gradeest.cli.context import place_of

if TYPE_CHECKING:
    from gradeest.workflow.testing import TestsShown


def register(app: typer.Typer) -> None:
    """Add `test-first`."""
    app.command("test-first", short_help="Whether a test before processing pays.")(look_first)


def look_first(
    ctx: typer.Context,
    address: Annotated[
        str | None, typer.Argument(metavar="LOT/FRACTION", help="One fraction, with trial runs (all if left out).")
    ] = None,
    fee: options.Fee = None,
    u: Annotated[
        str | None, typer.Option("--u", metavar='"5 %"', help="Uncertainty of its assays, one standard deviation.")
    ] = None,
    prices: options.Prices = None,
    as_json: options.Json = False,
) -> None:
    """Show whether an assay or a trial run pays before you decide on a fraction; needs your prices."""
    from gradeest.cli.as_json import print_json
    from gradeest.cli.choosing import check_amounts
    from gradeest.cli.progress import Progress
    from gradeest.cli.tables import show
    from gradeest.errors import InputError, Issue
    from gradeest.units import parse_share
    from gradeest.workflow import testing

    share, wrong = None, list[Issue]()
    try:
        share = None if u is None else parse_share(u)
    except InputError as err:
        wrong.append(Issue("error", err.message, err.hint, field="--u"))
    check_amounts({"--fee": fee}, wrong)
    with Progress() as report:
        shown = testing.weigh_tests(place_of(ctx), address, u=share, fee=fee, prices=prices, report=report)
    if as_json:
        print_json("test-first", shown)
        return
    show(*test_parts(shown))


def test_parts(shown: TestsShown) -> list[Any]:
    """The fractions with their advice; of one fraction all sizes too."""
    from gradeest.cli.cautions import gate_lines
    from gradeest.cli.outlook import blocked_lines
    from gradeest.cli.tables import heading, make_table, mass, money, note
    from gradeest.cli.wrapping import part_address

    parts: list[Any] = [heading(f"Test first? {shown.address or 'All fractions'}: {shown.currency}")]
    if not shown.rows:
        return [*parts, "Nothing is left that could be processed.", *blocked_lines(shown.blocked, "")]
    columns = [("fraction", "f"), ("now", "<"), ("gain", ">"), ("knowing\nall", ">"), ("advice", "w")]
    table = make_table(columns)
    for row in shown.rows:
        name = f"{part_address(row.address)}\n  {mass(row.mass_kg)}"
        table.add_row(name, row.now, money(row.gain.mean), pair(row.perfect, row.perfect_mcse), row.advice)
    parts.append(table)
    if shown.address:
        sizes = make_table([("test", "<"), ("of", ">"), ("worth", ">"), ("cost", ">"), ("net", ">")])
        for option in shown.rows[0].options:
            worth = pair(option.worth, option.worth_mcse)
            sizes.add_row(option.sort, mass(option.mass_kg), worth, money(option.cost), money(option.net))
        parts += [sizes, *others_line(shown)]
    for trial in shown.trials:
        state = "open: wait for its result" if trial.is_open else "closed, and learned from"
        parts.append(note(f"Trial {trial.batch}: {mass(trial.mass_kg)} of {trial.address}, {state}."))
    parts.append(note("Knowing all: what no test can be worth more than; +- is the error of the calculation itself."))
    parts += [note(f"Note: {text}") for text in shown.notes]
    parts += [*blocked_lines(shown.blocked, ""), *gate_lines(shown.gates_closed, shown.no_licence)]
    return [*parts, note(shown.defer)]


def others_line(shown: TestsShown) -> list[Any]:
    """What the result tells about the other fractions."""
    from gradeest.cli.tables import note

    row = shown.rows[0]
    if row.others is None or row.others_mcse is None:
        return []
    text = f"What its result tells about the other fractions is worth {pair(row.others, row.others_mcse)} more"
    return [note(f"{text} (not in the table).")]


def pair(value: float, error: float) -> str:
    """A value with its Monte Carlo error."""
    from gradeest.cli.tables import money, number

    return f"{money(value)} +-{number(error, 1)}" if error >= 0.005 else money(value)
