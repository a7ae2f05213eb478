"""`gradeest grades`: what has been learned, of the fractions on the bench and of the next lot of their kinds."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from gradeest.cli import options
from gradeest.cli.context import place_of

if TYPE_CHECKING:
    from rich.table import Table

    from gradeest.workflow.grading import GradeRow, GradesShown


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("grades", short_help="Grades as believed now.")(grades)


def grades(
    ctx: typer.Context,
    kind: Annotated[str | None, typer.Argument(metavar="KIND", help="One kind (all you have if left out).")] = None,
    all: options.All = False,
    as_json: options.Json = False,
) -> None:
    """Show the grades as believed now: of the next lot of each kind, of your fractions, and what they rest on."""
    from gradeest.cli.as_json import print_json
    from gradeest.cli.progress import Progress
    from gradeest.cli.tables import show
    from gradeest.workflow.grading import show_grades

    with Progress() as report:
        shown = show_grades(place_of(ctx), kind, report=report)
    if as_json:
        print_json("grades", shown)
        return
    show(*grades_parts(shown, everything=all))


def grades_parts(shown: GradesShown, *, everything: bool) -> list[Any]:
    """The grades as a table and lines."""
    from gradeest.cli.outlook import trust_lines
    from gradeest.cli.tables import heading, note

    if not shown.rows:
        return ["You have no fractions yet. `gradeest priors show KIND` shows what is believed beforehand."]
    rows = [row for row in shown.rows if everything or not is_hardly_there(row)]
    parts: list[Any] = [heading("Grades in g/t of dry feed: median (5-95 %)")]
    if rows:
        parts.append(grades_table(rows))
    if len(rows) < len(shown.rows):
        parts.append(note(f"{len(shown.rows) - len(rows)} metals that are hardly there are left out: --all."))
    if shown.kind or everything:
        parts += [note(level_text(row)) for row in rows if row.level is not None]
    parts.append(
        note(
            "Contained: what is in it. Recoverable: what the usual route brings out of all of it (of 1 kg of a next "
            "lot), or what was weighed."
        )
    )
    return parts + trust_lines(shown.trust)


def is_hardly_there(row: GradeRow) -> bool:
    """Left out without --all: nothing was measured, and it is likelier absent than not."""
    return row.p_trace > 0.5 and row.rests_on == "prior only"


def grades_table(rows: list[GradeRow]) -> Table:
    """Kind by kind: the next lot, then the fractions."""
    from gradeest.cli.tables import grade, make_table, metal_text, percent
    from gradeest.cli.wrapping import part_address

    table = make_table(
        [("kind, fraction", "f"), ("", "<"), ("contained", ">"), ("recoverable", ">"), ("rests on", "w")]
    )
    before, kind = "", ""
    for row in rows:
        if row.kind != kind:
            kind = row.kind
            table.add_row(kind, "", "", "", "")
        name = "  next lot" if row.address is None else "  " + part_address(row.address).replace("\n", "\n  ")
        rests = row.rests_on + (f"; {percent(row.p_trace)} next to none" if row.p_trace > 0.02 else "")
        table.add_row(
            name if name + kind != before else "",
            metal_text(row.metal),
            grade(row.contained),
            grade(row.recoverable) if row.recoverable is not None else "-",
            rests,
        )
        before = name + kind
    return table


def level_text(row: GradeRow) -> str:
    """The middle of a kind's lots and how many hold next to none: always both, weights hardly tell them apart."""
    from gradeest.cli.tables import percent, with_unit

    assert row.level is not None
    low, mid, high = (percent(share) for share in row.level.absent)
    share = mid if low == high else f"{mid} ({low} to {high})"
    text = (
        f"{row.kind} {row.metal}: lots that hold it have {with_unit(row.level.mean_g_per_t)} in the middle; "
        f"{share} of lots hold next to none"
    )
    return text + ("." if row.level.told_apart else ", and the one is only believed together with the other.")
