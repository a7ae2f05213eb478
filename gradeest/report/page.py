"""One printed page: HTML that needs nothing else, on A4, in black and white."""

from __future__ import annotations

import html
import re

# Sizes in millimetres and points: what is made here is paper. Nothing is said by colour alone.
BASE = """
@page { size: A4; margin: 12mm 13mm 14mm 13mm; }
* { box-sizing: border-box; }
html { background: #fff; color: #000; font: 10pt/1.35 "DejaVu Sans", Arial, Helvetica, sans-serif; }
body { margin: 0 auto; max-width: 184mm; }
h1 { font-size: 20pt; margin: 0; }
h2 { font-size: 12pt; margin: 4mm 0 1.5mm; border-bottom: 0.4mm solid #000; break-after: avoid; }
h3 { font-size: 10.5pt; margin: 0; break-after: avoid; }
p { margin: 0.5mm 0 1mm; }
code { font-family: "DejaVu Sans Mono", Consolas, monospace; font-size: 8.5pt; overflow-wrap: anywhere; }
table { border-collapse: collapse; width: 100%; }
th, td { border: 0.2mm solid #000; padding: 0.8mm 1.5mm; text-align: left; vertical-align: top;
  overflow-wrap: anywhere; }
th { white-space: nowrap; }
td.number, th.number { text-align: right; white-space: nowrap; }
@media screen { body { padding: 8mm 0; } }
"""
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ud800-\udfff]")


def escape(text: object) -> str:
    """Text as it may stand in HTML, between tags or in a quoted attribute; characters that HTML does not know go."""
    return html.escape(_CONTROL.sub("", str(text)), quote=True)


def make_page(title: str, css: str, body: str) -> str:
    """A whole page. Parameters: title, plain text; css beside the shared rules; body, HTML that is escaped already."""
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(title)}</title>\n<style>{BASE}{css}</style>\n</head>\n<body>\n{body}\n</body>\n</html>\n"
    )


def make_table(heads: tuple[str, ...], rows: list[tuple[str, ...]], numbers: tuple[int, ...] = ()) -> str:
    """A table of plain text; `numbers` are the columns set to the right."""

    def line(cells: tuple[str, ...], tag: str) -> str:
        parts = []
        for n, cell in enumerate(cells):
            kind = ' class="number"' if n in numbers else ""
            scope = ' scope="col"' if tag == "th" else ""
            parts.append(f"<{tag}{kind}{scope}>{escape(cell)}</{tag}>")
        return f"<tr>{''.join(parts)}</tr>"

    body = "\n".join(line(row, "td") for row in rows)
    return f"<table>\n<thead>{line(heads, 'th')}</thead>\n<tbody>\n{body}\n</tbody>\n</table>"
