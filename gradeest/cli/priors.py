"""`gradeest priors ...`: what is believed before anything is weighed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from gradeest.cli import options
from gradeest.cli.context import place_of

if TYPE_CHECKING:
    from gradeest.workflow.catalogues import KindShown

app = typer.Typer(name="priors", help="List, show and check what is believed beforehand.", no_args_is_help=True)

METALS_SHOWN = ("Au", "Ag", "Pd")
BARS = " .:-=+*#%@"


@app.command("list", short_help="List all kinds with their grades.")
def list_all(ctx: typer.Context, as_json: options.Json = False) -> None:
    """List all kinds, class by class, with their grades before any evidence, and boards with their parts."""
    from gradeest.cli.as_json import print_json
    from gradeest.cli.board_priors import list_parts
    from gradeest.cli.tables import grade, heading, make_table, note, show
    from gradeest.workflow.board_priors import list_boards
    from gradeest.workflow.catalogues import list_kinds

    kinds, boards = list_kinds(place_of(ctx)), list_boards(place_of(ctx))
    if as_json:
        print_json("priors list", {"kinds": kinds, "boards": boards})
        return
    for cls in dict.fromkeys(kind.cls for kind in kinds):
        members = [kind for kind in kinds if kind.cls == cls]
        show("", heading(members[0].class_name))
        table = make_table([("kind", "<"), ("Au g/t", ">"), ("Ag g/t", ">"), ("Pd g/t", ">"), ("", "<")])
        for kind in members:
            cells = [grade(kind.grades[m]) if m in kind.grades else "-" for m in METALS_SHOWN]
            table.add_row(kind.id, *cells, "STOP" if kind.stop else "")
        show(table)
    show(
        "",
        note("Median (5-95 %) in g/t of dry feed where the metal is present. `gradeest priors show KIND` says more."),
    )
    show(*list_parts(boards))


@app.command("show", short_help="Show one kind, its sources and its prior.")
def show_one(
    ctx: typer.Context, kind: Annotated[str, typer.Argument(help="The kind's id.")], as_json: options.Json = False
) -> None:
    """Show one kind, or kind of board: how to tell it, its rows with their sources, and its prior drawn."""
    from gradeest.cli.as_json import print_json
    from gradeest.cli.board_priors import board_parts
    from gradeest.cli.tables import show
    from gradeest.workflow.board_priors import is_board, show_board
    from gradeest.workflow.catalogues import show_kind

    if is_board(place_of(ctx), kind):
        board = show_board(place_of(ctx), kind)
        if as_json:
            print_json("priors show", board)
        else:
            show(*board_parts(board))
        return
    found = show_kind(place_of(ctx), kind)
    if as_json:
        print_json("priors show", found)
        return
    show(*kind_parts(found))


def kind_parts(found: KindShown) -> list[Any]:
    """The page of one kind."""
    from rich.text import Text

    from gradeest.cli.tables import heading, metal_text, note, number, percent, with_unit

    line = found.kind
    parts: list[Any] = [
        heading(f"{line.id}: {line.name} ({line.class_name})"),
        note(f"How to tell: {line.how_to_tell}"),
    ]
    parts.append(
        note(f"Not to be processed: {line.stop}") if line.stop else note(f"Usual route: {line.usual_route or '-'}")
    )
    for metal, row in found.rows.items():
        parts.append(Text())
        parts.append(
            metal_text(metal)
            + Text(f"  {with_unit((row.q5, row.q50, row.q95))} where present; {row.basis}, {row.founded}")
        )
        parts.append(
            note(
                f"absent {percent(row.p_absent)}; factor between lots {number(row.gsd_between)}, "
                f"of the kind's mean {number(row.gsd_class_mean)}; {row.status}: {row.why or row.source}",
                indent="    ",
            )
        )
        q5, q50, q95 = found.quantiles[metal]
        parts += histogram(found.histograms[metal], found.edges_g_per_t)
        parts.append(Text(f"    one fraction, all told: {with_unit((q5, q50, q95))}"))
    if found.cautions:
        parts += [Text(), Text("By its usual route, beware:")]
        parts += [note(text, indent="  ") for text in found.cautions]
    if found.sources:
        parts += [Text(), Text("Sources")]
        parts += [note(f"{name}: {text}", indent="  ") for name, text in found.sources.items()]
    return parts


def histogram(shares: Sequence[float], edges: Sequence[float]) -> list[Any]:
    """The prior as three rows of bars over a logarithmic axis of decades, in plain characters."""
    from rich.text import Text

    top = max(shares) or 1.0
    height = 3
    lines: list[Any] = []
    for level in range(height, 0, -1):
        row = ""
        for share in shares:
            fill = share / top * height - (level - 1)
            row += BARS[min(max(round(fill * (len(BARS) - 1)), 0), len(BARS) - 1)] if fill > 0 else " "
        lines.append(Text("    |" + row.rstrip()))
    decades = round(math.log10(edges[-1] / edges[0]))
    step = len(shares) // decades
    axis, labels = "", ""
    for power in range(decades):
        value = edges[0] * 10**power
        axis += "+" + "-" * (step - 1)
        labels += f"{value:g}".ljust(step)
    return [*lines, Text("    +" + axis[1:] + "+"), Text("    " + labels + f"{edges[-1]:.0f} g/t")]


@app.command("check", short_help="Check the rows, yours laid over them.")
def check(
    ctx: typer.Context,
    folder: Annotated[
        Path | None, typer.Argument(metavar="DIR", help="Your own rows, laid over the shipped ones.")
    ] = None,
    as_json: options.Json = False,
) -> None:
    """Check the rows: what the model makes of each against the row itself."""
    from gradeest.cli.as_json import print_json
    from gradeest.cli.board_priors import checked_parts
    from gradeest.cli.tables import grade, make_table, metal_text, note, number, show
    from gradeest.workflow.catalogues import check_priors

    found = check_priors(place_of(ctx), folder)
    if as_json:
        print_json("priors check", found)
    else:
        off = [row for row in found.rows if row.verdict != "ok"]
        if off:
            table = make_table(
                [("kind", "<"), ("", "<"), ("row g/t", ">"), ("model g/t", ">"), ("factor", ">"), ("", "w")]
            )
            for row in off:
                table.add_row(
                    row.kind,
                    metal_text(row.metal),
                    grade(row.row),
                    grade(row.predictive),
                    number(row.factor),
                    row.verdict,
                )
            show(table)
        show(
            note(
                f"{len(found.rows)} rows of grades read; {found.named} of all beyond a factor 1.3 (named), "
                f"{found.failed} beyond 1.75 (fail). Rows are skewed, the model's form is not."
            )
        )
        show(*checked_parts(found))
    if found.failed:
        raise typer.Exit(3)
