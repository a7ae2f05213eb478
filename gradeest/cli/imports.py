"""`gradeest import sheet` and `gradeest template`: a year of old notes from one sheet."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from gradeest.cli import options
from gradeest.cli.context import place_of

if TYPE_CHECKING:
    from gradeest.workflow.importing import Imported

app = typer.Typer(name="import", help="Bring in old notes from a sheet.", no_args_is_help=True)
DEFAULT_SHEET = Path("notes.xlsx")


def register(top: typer.Typer) -> None:
    """Add the commands of this file."""
    top.add_typer(app)
    top.command("template", short_help="Write an empty sheet for old notes.")(template)


@app.command("sheet", short_help="Bring in a whole year of notes from a CSV or XLSX sheet.")
def sheet(
    ctx: typer.Context,
    file: Annotated[
        Path | None, typer.Argument(metavar="FILE", readable=False, help="The sheet, .csv or .xlsx.")
    ] = None,
    page: Annotated[str | None, typer.Option("--sheet", metavar="NAME", help="Which sheet of a workbook.")] = None,
    mapping: Annotated[
        list[str] | None,
        typer.Option(
            "--map",
            metavar='"HEADING=COLUMN"',
            help='What a heading means, such as "Netto=weight (g)"; may be repeated.',
        ),
    ] = None,
    decimal: Annotated[
        Literal["comma", "point"] | None, typer.Option("--decimal", help="The decimal mark of all its numbers.")
    ] = None,
    dates: Annotated[
        Literal["dmy", "mdy", "ymd"] | None, typer.Option("--dates", help="The order of dates that are not YYYY-MM-DD.")
    ] = None,
    new_only: Annotated[bool, typer.Option("--new", help="Leave out the rows that are in the ledger already.")] = False,
    check: Annotated[bool, typer.Option("--check", help="Only check; save nothing.")] = False,
    sure: options.Sure = False,
    as_json: options.Json = False,
) -> None:
    """Bring in a whole year of notes from a CSV or XLSX sheet: one row per event, everything or nothing."""
    from gradeest.cli.as_json import print_json
    from gradeest.cli.ask import Question, at_terminal, confirm, fill_in, insist
    from gradeest.cli.complaints import say_wrapped
    from gradeest.workflow.importing import AlreadyThereError, import_sheet

    asked = Question("file", "FILE", "The sheet", Path, "a .csv or .xlsx file; `gradeest template` writes an empty one")
    path = fill_in([asked], {"file": None if file is None else str(file)}, "import sheet")["file"]
    place, given = place_of(ctx), tuple(mapping or ())

    def run(sure: bool, *, new: bool = new_only) -> Imported:
        return import_sheet(
            place, path, sheet=page, mapping=given, decimal=decimal, dates=dates, check=check, new_only=new, sure=sure
        )

    try:
        done = insist(run, sure=sure)
    except AlreadyThereError as err:
        if not at_terminal() or not err.others:
            raise
        say_wrapped(err.message)
        if not confirm(f"Import only the other {err.others}", default=False):
            raise
        done = insist(lambda sure: run(sure, new=True), sure=sure)
    if as_json:
        print_json("import sheet", done)
    else:
        show_imported(done)


def show_imported(done: Imported) -> None:
    """What was read, what it became, and what to do next."""
    from collections import Counter

    from gradeest.cli.tables import make_table, note, show

    counts = Counter(event.what for event in done.events)
    listed = ", ".join(f"{what} {count}" for what, count in counts.items()) or "nothing new"
    where = f"{done.file.name}, sheet {done.sheet}" if done.sheet else done.file.name
    left = f" ({done.left_out} left out: there already)" if done.left_out else ""
    if done.events and done.is_saved:
        first, last = done.events[0].event, done.events[-1].event
        numbers = f"events {first}-{last}" if last > first else f"event {first}"
        show(note(f"Imported {where}, {rows(done.rows)}{left}, as {numbers}: {listed}."))
    else:
        verdict = "nothing was saved" if not done.is_saved else "there is nothing to import"
        show(note(f"Checked {where}, {rows(done.rows)}{left}, no problem: {listed}. So far {verdict}."))
    fresh = [batch for batch in done.batches if batch.is_new]
    if fresh:
        table = make_table([("in the sheet", "f"), ("batch", "<"), ("date", "<")])
        for batch in fresh:
            table.add_row(batch.called, batch.name, batch.date.isoformat())
        show(table)
    for text in done.notes:
        show(note(f"Note: {text}"))
    if done.law_lines:
        show("Bought and sold scrap:")
    for text in done.law_lines:
        show(note(text, indent="  "))
    if not done.is_saved:
        return
    if done.events:
        show(note("Nothing of this counts as a forecast. It is learned from at the next forecast."))
        show(note(done.defer))
        show("Next: gradeest forecast")


def rows(count: int) -> str:
    """`1 row`, `12 rows`."""
    return f"{count} row{'s' if count != 1 else ''}"


def template(
    ctx: typer.Context,
    file: Annotated[Path, typer.Argument(metavar="FILE", help="Where to write it, .csv or .xlsx.")] = DEFAULT_SHEET,
    force: Annotated[bool, typer.Option("--force", help="Replace a file that is there.")] = False,
) -> None:
    """Write an empty sheet for old notes, with the allowed words and an invented row of each sort."""
    from gradeest.cli.tables import note, show
    from gradeest.workflow.importing import write_template

    path = write_template(place_of(ctx), file, replace_old=force)
    show(f"Wrote {path}.")
    show(note("One row per event; rows that begin with # are remarks. A workbook lists the allowed words on a sheet."))
    show(f"Then: gradeest import sheet {path} --check")
