"""A year of old notes from one sheet: everything is checked against the growing bench, then saved at once, or nothing.

What is entered so was known before: no forecast is kept beside it, and nothing is fitted here; it is learned from at
the next forecast. Each event keeps a mark of its row, so that no row gets in twice.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from contextlib import nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from gradeest.materials.hazards import DEFER, purchase_lines
from gradeest.records.amending import describe
from gradeest.records.ledger import Event
from gradeest.records.sheet_template import write_template as write_sheet
from gradeest.records.sheets import How, batch_key, batch_of, read_notes
from gradeest.records.stock import name_products
from gradeest.workflow.gates import say_of_the_past
from gradeest.workflow.opening import Opened, Place, open_bench
from gradeest.workflow.sheet_plan import SHOWN, AlreadyThereError, Plan, Step
from gradeest.workflow.stocking import read_loss

__all__ = ["AlreadyThereError", "Imported", "import_sheet", "write_template"]

CELLS_NAMED = 3  # of those that one note is about


@dataclass(frozen=True)
class SheetColumn:
    """A heading of the sheet, the column it was taken for, and its unit."""

    heading: str
    column: str
    unit: str


@dataclass(frozen=True)
class SheetBatch:
    """A batch by the sheet's own name, and by the ledger's."""

    called: str
    name: str
    date: dt.date
    is_new: bool


@dataclass(frozen=True)
class SheetEvent:
    """An event that was (or would be) saved, and the cell of its row that says what it is."""

    event: int
    what: str
    text: str
    happened_on: dt.date
    cell: str


@dataclass(frozen=True)
class Imported:
    """What came of a sheet. `left_out`: rows that were there already; `is_saved`: False where it was only checked."""

    file: Path
    sheet: str
    rows: int
    left_out: int
    is_saved: bool
    columns: tuple[SheetColumn, ...]
    events: tuple[SheetEvent, ...]
    batches: tuple[SheetBatch, ...]
    notes: tuple[str, ...]
    law_lines: tuple[str, ...]
    defer: str = DEFER


def import_sheet(
    place: Place,
    path: Path,
    *,
    sheet: str | None = None,
    mapping: tuple[str, ...] = (),
    decimal: Any = None,
    dates: Any = None,
    check: bool = False,
    new_only: bool = False,
    sure: bool = False,
) -> Imported:
    """Read, check and save a sheet of notes; with `check` nothing is saved.

    Parameters: mapping, HEADING=COLUMN; decimal, "comma" or "point"; dates, "dmy", "mdy" or "ymd"; new_only, leave out
    the rows that are in the ledger already; sure, keep what is hardly credible (never the same row twice).
    Raises InputError with every problem by cell, NeedsConfirmation, AlreadyThereError.
    """
    with open_bench(place, create=True) as opened:
        how = How(place.today, sheet, mapping, _remembered(opened), decimal, dates)
        notes = read_notes(path, opened.catalogue, how, lambda text: read_loss(place, text))
        with nullcontext() if check else opened.ledger.atomic():
            if not check:
                opened.read_again()
            plan = Plan(opened, notes, sure)
            plan.make()
            plan.refuse(new_only=new_only)
            if not check:
                plan.save()
        return _result(plan, is_saved=not check)


def write_template(place: Place, path: Path, *, replace_old: bool = False) -> Path:
    """Write the empty sheet with its explanations, .csv or .xlsx. Raises InputError."""
    from gradeest.materials.catalogue import load_catalogue

    write_sheet(path, load_catalogue(place.priors), replace_old=replace_old)
    return path


def _remembered(opened: Opened) -> dict[str, str]:
    """What headings were said to mean in earlier imports."""
    known: dict[str, str] = {}
    for shown in opened.ledger.shown(SHOWN):
        known.update(shown.content["mapping"])
    return known


def _result(plan: Plan, *, is_saved: bool) -> Imported:
    """What is shown of a sheet."""
    notes, events = plan.notes, plan.growing.events
    names = name_products(events)
    priced = any(step.kind == "lot" and step.payload["price_paid"] for step in plan.steps)
    return Imported(
        file=notes.path,
        sheet=notes.sheet,
        rows=notes.rows,
        left_out=len(plan.left_out),
        is_saved=is_saved,
        columns=tuple(SheetColumn(h.text, h.column, h.unit) for h in notes.headings),
        events=tuple(_event(step, events[step.number - 1], names) for step in plan.steps),
        batches=_batches(plan),
        notes=(*_notes(plan), *_said_of_batches(plan)),
        law_lines=purchase_lines(plan.opened.catalogue) if priced else (),
    )


def _notes(plan: Plan) -> tuple[str, ...]:
    """What is said and kept, once for all the cells it is said of."""
    cells: dict[tuple[str, str], list[str]] = {}
    for issue in plan.issues:
        if issue.severity != "error":
            cells.setdefault((issue.message, issue.hint), []).append(issue.field)
    found = []
    for (message, hint), places in cells.items():
        more = f" and {len(places) - CELLS_NAMED} more" if len(places) > CELLS_NAMED else ""
        named = ", ".join(place for place in places[:CELLS_NAMED] if place)
        text = f"{named}{more}: {message}" if named else message
        found.append(f"{text} -> {hint}" if hint else text)
    return tuple(found)


def _said_of_batches(plan: Plan) -> tuple[str, ...]:
    """What is said of batches that were run on an earlier day by routes whose gates are closed."""
    batches = [step for step in plan.steps if step.kind == "batch"]
    said = [say_of_the_past(plan.opened, [step.payload["route"]], step.entry.date) for step in batches]
    return tuple(dict.fromkeys(text for texts in said for text in texts))


def _event(step: Step, event: Event, names: Mapping[int, str]) -> SheetEvent:
    return SheetEvent(step.number, step.entry.sort, describe(event, names), event.happened_on, step.entry.where(""))


def _batches(plan: Plan) -> tuple[SheetBatch, ...]:
    """The batches that the sheet names, in the ledger's order."""
    said = {batch_key(batch_of(entry)): batch_of(entry) for entry in reversed(plan.notes.entries)}
    batches = plan.growing.bench.batches
    found = [
        SheetBatch(said[key], name, batches[name].date, name in plan.called)
        for key, name in plan.names.items()
        if key in said and name in batches
    ]
    return tuple(sorted(found, key=lambda batch: int(batch.name[1:])))
