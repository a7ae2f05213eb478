"""Tables for a terminal of 80 columns, and the same, without colour, in a pipe; numbers as on paper."""

from __future__ import annotations

import re
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


def stack(table: Table) -> Text:
    """A table for which there is no room: each row as lines of its own, every cell after the first with its heading."""
    headings = [" ".join(str(column.header).split()) for column in table.columns]
    subject = next((n for n, name in enumerate(headings) if name), 0)
    lines = []
    for row in zip(*(list(column.cells) for column in table.columns), strict=True):
        texts = [in_a_line(str(cell)) for cell in row]
        said = [f"{headings[n]}: {text}" if headings[n] and n != subject else text for n, text in enumerate(texts)]
        lines.append(wrap("; ".join(part for part, text in zip(said, texts, strict=True) if text), "", "  "))
    return Text("\n".join(lines))


def in_a_line(cell: str) -> str:
    """A cell of several lines in one; an address that was broken for its column is whole again."""
    return ", ".join(part.strip() for part in re.sub(r"([-/])\n\s*", r"\1", cell).splitlines() if part.strip())


def least_width(table: Table) -> int:
    """Columns below which something in a table would be cut or a word broken."""
    least = 0
    for column in table.columns:
        lines = [line for cell in (column.header, *column.cells) for line in str(cell).splitlines()]
        pieces = lines if column.no_wrap else [word for line in lines for word in line.split()]
        least += max(map(len, pieces), default=0)
    return least + 2 * (len(table.columns) - 1)


def fitted(out: Console, part: Table | Text | str) -> Table | Text | str:
    """A part as it is, or stacked where it is a table without room on a narrow terminal."""
    return stack(part) if isinstance(part, Table) and out.width < min(WIDTH, least_width(part)) else part


def show(*parts: Table | Text | str) -> None:
    """Print tables and lines to stdout; lines are wrapped at the width, and end at their last letter in a pipe."""
    out = console()
    if out.is_terminal:
        for part in parts:
            out.print(fitted(out, part))
    elif parts:
        out.file = page = paper()
        for part in parts:
            out.print(fitted(out, part))
        page.seek(0)
        put("\n".join(line.rstrip() for line in page.read().splitlines()))


def heading(text: str) -> Text:
    """A heading: bold on a terminal, plain in a pipe."""
    return Text(text, style="bold")


def note(text: str, *, indent: str = "", hanging: str | None = None) -> Text:
    """A remark under a table, wrapped at 80 columns; `hanging` indents the lines after the first."""
    return Text(wrap(text, indent, hanging))
