"""Tables for a terminal of 80 columns, and the same, without colour, in a pipe; numbers as on paper."""

from __future__ import annotations

import sys
from collections.abc import Sequence

from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from gradeest.cli.output import paper, put
from gradeest.cli.wrapping import WIDTH, wrap
from gradeest.report.figures import grade as grade
from gradeest.report.figures import grade_pair as grade_pair
from gradeest.report.figures import interval as interval
from gradeest.report.figures import mass as mass
from gradeest.report.figures import money as money
from gradeest.report.figures import number as number
from gradeest.report.figures import percent as percent
from gradeest.report.figures import with_unit as with_unit

# Okabe and Ito's colour-blind-safe set; the metal's symbol always stands beside its colour.
METAL_STYLES = {"Au": "#E69F00", "Ag": "#56B4E9", "Pd": "#CC79A7"}


def console() -> Console:
    """The console: colours only on a terminal, 80 columns in a pipe."""
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="replace")  # a lot name must not stop a table on a narrow code page
    out = Console(highlight=False, markup=False, soft_wrap=False)
    if not out.is_terminal:
        out.width = WIDTH
    elif out.width > 100:
        out.width = 100
    return out


def metal_text(metal: str) -> Text:
    """The metal's symbol in its colour."""
    return Text(metal, style=METAL_STYLES.get(metal, ""))


def make_table(columns: Sequence[tuple[str, str]]) -> Table:
    """An empty table. Columns are (heading, how): "<" left, ">" right, "f" left and folded where room is short,
    "w" left and wrapping in what is left.
    """
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False, padding=(0, 1), collapse_padding=True)
    for heading, how in columns:
        if how == "w":
            table.add_column(heading, overflow="fold", ratio=1)
        elif how == "f":
            table.add_column(heading, overflow="fold")
        else:
            table.add_column(heading, justify="right" if how == ">" else "left", no_wrap=True, overflow="ellipsis")
    return table


def show(*parts: Table | Text | str) -> None:
    """Print tables and lines to stdout; lines are wrapped at the width, and end at their last letter in a pipe."""
    out = console()
    if out.is_terminal:
        for part in parts:
            out.print(part)
    elif parts:
        out.file = page = paper()
        for part in parts:
            out.print(part)
        page.seek(0)
        put("\n".join(line.rstrip() for line in page.read().splitlines()))


def heading(text: str) -> Text:
    """A heading: bold on a terminal, plain in a pipe."""
    return Text(text, style="bold")


def note(text: str, *, indent: str = "", hanging: str | None = None) -> Text:
    """A remark under a table, wrapped at 80 columns; `hanging` indents the lines after the first."""
    return Text(wrap(text, indent, hanging))
