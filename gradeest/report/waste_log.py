"""The log of liquid waste on paper: date, batch, litres, what it was, where it went."""

from __future__ import annotations

from collections.abc import Sequence

from gradeest.report.page import escape, make_page, make_table

CSS = "h1 { margin-bottom: 3mm; } .small { font-size: 8.5pt; margin-top: 3mm; }"
Row = tuple[str, str, str, str, str]


def write_waste_log(title: str, rows: Sequence[Row], total: str, defer: str) -> str:
    """The page as HTML. Parameters: rows of plain text (date, batch, litres, what, where it went); total, litres."""
    heads = ("Date", "Batch", "Litres", "What", "Where it went")
    table = make_table(heads, [*rows, ("", "", total, "all together", "")], numbers=(2,))
    return make_page(title, CSS, f'<h1>{escape(title)}</h1>\n{table}\n<p class="small">{escape(defer)}</p>')
