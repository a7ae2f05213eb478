"""A file of past batches and results, to be replayed into a ledger: what `demo` plays, and a bench's old notes."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from gradeest.errors import InputError, Issue
from gradeest.records.findings import Findings, suggest
from gradeest.records.text_files import BROKEN, Table, read_toml
from gradeest.units import parse_grade, parse_mass, parse_share

PastEvent = tuple[str, dict[str, Any], dt.date]


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise InputError(f"{value!r} is no text", "put it in quotes")
    return value


def _yes(value: Any) -> bool:
    if not isinstance(value, bool):
        raise InputError(f"{value!r} is neither true nor false", "true or false")
    return value


def _metal_g(value: Any) -> float:
    return parse_mass(_text(value), metal=True)


def _grade(value: Any) -> float:
    return parse_grade(_text(value))


def _share(value: Any) -> float:
    return parse_share(_text(value))


def _charges(value: Any) -> list[dict[str, Any]]:
    if not isinstance(value, Mapping) or not value:
        raise InputError("nothing went in", 'charges = { "LOT/FRACTION" = "1.2 kg" }')
    return [{"address": address, "mass_kg": parse_mass(_text(mass)) / 1000} for address, mass in value.items()]


# per sort of event: key in the file -> (name in the payload, how it is read, whether it must be there)
Reader = tuple[str, Callable[[Any], Any], bool]
SORTS: dict[str, tuple[str, dict[str, Reader]]] = {
    "batch": (
        "batch",
        {
            "name": ("name", _text, True),
            "route": ("route", _text, True),
            "charges": ("charges", _charges, True),
            "note": ("note", _text, False),
        },
    ),
    "close": ("close", {"batch": ("batch", _text, True)}),
    "product": (
        "product",
        {
            "batch": ("batch", _text, True),
            "metal": ("metal", _text, True),
            "form": ("form", _text, True),
            "weight": ("weight_g", _metal_g, True),
            "readability": ("readability_g", _metal_g, True),
            "damp": ("damp", _yes, False),
            "balance": ("balance", _text, False),
        },
    ),
    "none": (
        "nondetect",
        {
            "batch": ("batch", _text, True),
            "metal": ("metal", _text, True),
            "below": ("below_g", _metal_g, True),
            "liquid": ("liquid", _text, True),
        },
    ),
    "assay": (
        "assay",
        {
            "address": ("address", _text, True),
            "metal": ("metal", _text, True),
            "value": ("value_g_per_t", _grade, True),
            "u": ("u_rel", _share, True),
            "below_detection": ("below_detection", _yes, False),
        },
    ),
}


def read_replay(path: Path) -> list[PastEvent]:
    """Read a replay file: a TOML list of [[event]] tables, oldest first.

    Returns (sort of event, payload, date) each, in the file's order. Raises InputError with every problem found.
    Whether the events fit the bench is for `stock.check_event` to say.
    """
    path = Path(path)
    document = read_toml(path)
    found = Findings(str(path), None, list(document.issues))
    for name in (*document.lists, *document.top.values):
        if name not in ("event", "invented", "note"):
            found.error(name, f"a replay file has no '{name}'", "[[event]]")
    events = []
    last: dt.date | None = None
    for table in document.lists.get("event", []):
        event = _read_event(table, found)
        if event is not None:
            if last is not None and event[2] < last:
                found.error_at(table.line_of("date"), "date", f"{event[2]} after {last}", "the oldest first")
            last = event[2]
            events.append(event)
    if not document.lists.get("event"):
        found.error("event", "there is no event in the file", "[[event]]")
    if found.has_errors:
        issues: list[Issue] = found.issues
        raise InputError(f"{path}: {len(issues)} problem{'s' if len(issues) > 1 else ''}, nothing saved", issues=issues)
    return events


def _read_event(table: Table, found: Findings) -> PastEvent | None:
    found.line = table.line
    sort = table.values.get("do")
    if sort not in SORTS:
        hint = suggest(str(sort), SORTS, ", ".join(SORTS))
        found.error_at(table.line_of("do"), "do", f"'{sort}' is nothing to do", hint)
        return None
    kind, readers = SORTS[sort]
    for key in table.values:
        if key not in (*readers, "do", "date"):
            hint = suggest(key, readers, f"known: {', '.join(readers)}")
            found.error_at(table.line_of(key), key, f"'{sort}' has no '{key}'", hint)
    date = table.values.get("date")
    if not isinstance(date, dt.date) or isinstance(date, dt.datetime):
        message = "the date is missing" if date is None else f"'{date}' is no date"
        found.error_at(table.line_of("date"), "date", message, "date = 2025-03-09")
    payload: dict[str, Any] = {}
    for key, (name, read, is_needed) in readers.items():
        value = table.values.get(key)
        if value is None and is_needed:
            found.error(key, f"{key} is missing")
        elif value is not None and value != BROKEN:
            try:
                payload[name] = read(value)
            except InputError as err:
                found.error_at(table.line_of(key), key, err.message, err.hint)
    return (kind, payload, date) if isinstance(date, dt.date) else None
