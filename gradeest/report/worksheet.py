"""The page for the hood, where no laptop belongs: what goes in, what to beware of, boxes to fill by pen.

The boxes stand in the order in which they are typed in later; they are made of the same questions. No step of the work
stands here: a page that lies beside the acid would be taken for instructions.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from gradeest.report.page import escape, make_page, make_table

WIDTHS = {1: "", 2: " two", 4: " four"}
CSS = """
header { display: flex; justify-content: space-between; align-items: flex-end; gap: 6mm; }
header p { text-align: right; }
ul.cautions { margin: 0; padding: 1.5mm 2mm; list-style: none; border: 0.6mm solid #000; }
ul.cautions li { margin: 0 0 0.7mm; padding-left: 17mm; text-indent: -17mm; font-size: 9pt; line-height: 1.25; }
ul.cautions .level { display: inline-block; width: 17mm; text-indent: 0; font-weight: bold; }
ul.cautions .defer { padding-left: 0; text-indent: 0; }
ol.blocks { margin: 0; padding: 0; list-style: none; }
ol.blocks > li { border: 0.3mm solid #000; margin: 0 0 2mm; padding: 1.2mm 2mm 1.5mm; break-inside: avoid; }
.head { display: flex; justify-content: space-between; align-items: baseline; gap: 4mm; margin-bottom: 1mm; }
.fields { display: grid; grid-template-columns: repeat(5, 1fr); gap: 0.8mm 2.5mm; }
.field { display: flex; flex-direction: column; justify-content: space-between; min-width: 0; }
.field.two { grid-column: span 2; }
.field.four { grid-column: span 4; }
.field.last { grid-column: 5; }
.label { font-size: 8.5pt; line-height: 1.2; font-weight: bold; }
.hint { font-weight: normal; }
.pen { height: 7.8mm; margin-top: 0.5mm; border: 0.2mm solid #555; }
.tick { display: inline-block; margin: 0.8mm 1.8mm 0 0; font-size: 9pt; white-space: nowrap; }
.tick::before { content: ""; display: inline-block; width: 3.4mm; height: 3.4mm; margin-right: 1mm;
  border: 0.3mm solid #000; vertical-align: -0.5mm; overflow: hidden; }
.tick.set::before { content: "\\2715"; font: bold 8pt/2.9mm sans-serif; text-align: center; vertical-align: -0.8mm; }
"""


@dataclass(frozen=True)
class Field:
    """One thing to write down, or to tick one of `choices`; `given` is ticked already. `label` is the prompt's text.

    The page has five columns: a field takes one, two or four of them; `is_last` stands in the last.
    """

    label: str
    hint: str = ""
    choices: tuple[str, ...] = ()
    given: str = ""
    columns: int = 1
    is_last: bool = False


@dataclass(frozen=True)
class Block:
    """The boxes of one record, and the command that they are typed into."""

    title: str
    command: str
    fields: tuple[Field, ...]


@dataclass(frozen=True)
class Caution:
    """One line with its authority: `level` is STOP, gate or law."""

    level: str
    line: str
    authority: str


@dataclass(frozen=True)
class Worksheet:
    """What stands on the page of one batch; figures are text already."""

    batch: str
    date: dt.date
    route: str
    route_line: str
    note: str
    cautions: tuple[Caution, ...]
    defer: str
    charges: tuple[tuple[str, str, str], ...]  # address, kind, mass
    expected: tuple[tuple[str, ...], ...]  # metal, fine metal, on the balance, weighed as, remark
    no_forecast: str
    so_far: tuple[str, ...]  # what is recorded already
    blocks: tuple[Block, ...]


def write_worksheet(sheet: Worksheet) -> str:
    """The page as HTML."""
    parts = [
        f"<header><h1>Batch {escape(sheet.batch)}</h1><p>started {sheet.date.isoformat()}</p></header>",
        f"<p>Route <strong>{escape(sheet.route)}</strong>: {escape(sheet.route_line)}</p>",
    ]
    if sheet.note:
        parts.append(f"<p>Note: {escape(sheet.note)}</p>")
    parts += [
        "<h2>Before you start</h2>",
        list_cautions(sheet),
        "<h2>What goes in</h2>",
        make_table(("fraction", "kind", "mass"), list(sheet.charges), (2,)),
        "<h2>What to expect</h2>",
        expectation(sheet),
    ]
    if sheet.so_far:
        parts += ["<h2>Recorded already</h2>", f"<p>{escape('; '.join(sheet.so_far))}</p>"]
    parts += [
        "<h2>To write down, in the order in which it is typed in</h2>",
        '<ol class="blocks">',
        *[write_block(n, block) for n, block in enumerate(sheet.blocks, start=1)],
        "</ol>",
    ]
    running = f'@page {{ @bottom-left {{ content: "Batch {plain_name(sheet.batch)}"; }} {PAGE_OF} }}'
    parts = [parts[0], "<main>", *parts[1:], "</main>"]
    return make_page(f"Batch {sheet.batch}", CSS + running, "\n".join(parts))


PAGE_OF = '@bottom-right { content: counter(page) " of " counter(pages); }'


def plain_name(name: str) -> str:
    """A name as it may stand inside a CSS string."""
    return "".join(c for c in name if c.isalnum() or c in "-_ ")


def list_cautions(sheet: Worksheet) -> str:
    """All cautions with their authorities, STOPs first, and to whom all this defers."""
    marks = {"STOP": "STOP", "law": "Law"}
    lines = [
        f'<li><span class="level">{marks.get(one.level, "Beware")}</span>'
        f"{escape(one.line)} [{escape(one.authority)}]</li>"
        for one in sheet.cautions
    ]
    return "\n".join(
        ['<ul class="cautions">', *lines, f'<li class="defer"><strong>{escape(sheet.defer)}</strong></li>', "</ul>"]
    )


def expectation(sheet: Worksheet) -> str:
    """The forecast that the results will be held against, or why there is none."""
    if not sheet.expected:
        return f"<p>No forecast: {escape(sheet.no_forecast or 'none was made')}.</p>"
    heads = ("metal", "fine metal g", "on the balance g", "weighed as", "")
    columns = len(heads) if any(row[-1] for row in sheet.expected) else len(heads) - 1
    table = make_table(heads[:columns], [row[:columns] for row in sheet.expected], (1, 2))
    return f"<p>Median, and the range that holds in 90 of 100 cases.</p>\n{table}"


def write_block(number: int, block: Block) -> str:
    """One record: its title, the command it is typed into, its boxes."""
    fields = "\n".join(write_field(field) for field in block.fields)
    return (
        f'<li><div class="head"><h3>{number}. {escape(block.title)}</h3><code>{escape(block.command)}</code></div>\n'
        f'<div class="fields">\n{fields}\n</div></li>'
    )


def write_field(field: Field) -> str:
    """An empty box under its label, or answers to tick."""
    hint = f' <span class="hint">({escape(field.hint)})</span>' if field.hint else ""
    label = f'<span class="label">{escape(field.label)}{hint}</span>'
    kind = "field last" if field.is_last else f"field{WIDTHS[field.columns]}"
    if not field.choices:
        return f'<div class="{kind}">{label}<span class="pen"></span></div>'
    ticks = "".join(write_tick(choice, choice == field.given) for choice in field.choices)
    return f'<div class="{kind}">{label}<span>{ticks}</span></div>'


def write_tick(choice: str, is_given: bool) -> str:
    """An answer with its square, crossed where it is given."""
    said = '<span class="tick set">' if is_given else '<span class="tick">'
    return f"{said}{escape(choice)}</span>"
