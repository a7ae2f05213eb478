"""Lot files (TOML, CSV) -> records. Every problem is reported at once with file, line and field; nothing half read."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Collection
from pathlib import Path
from typing import Any

from gradeest.errors import InputError, Issue
from gradeest.materials.catalogue import Catalogue
from gradeest.records.domain import MINE, Fraction, Lot
from gradeest.records.findings import Findings, suggest
from gradeest.records.lot_rules import check_lot
from gradeest.records.payloads import lot_payload
from gradeest.records.piles import Pile
from gradeest.records.replay_files import read_replay
from gradeest.records.text_files import BROKEN, Document, Table, read_csv, read_toml
from gradeest.units import parse_mass, parse_money

__all__ = ["check_lot", "lot_payload", "read_lot", "read_replay"]

LOT_KEYS = ("name", "date", "price_paid", "owner", "unsorted", "note", "invented")
FRACTION_KEYS = ("name", "kind", "mass", "mass_kg", "mass_g", "pieces", "wet", "mixed", "note")
PILE_KEYS = ("name", "kind", "mass", "mass_kg", "mass_g", "pieces", "note")
CSV_LOT_COLUMNS = {"lot": "name", "date": "date", "price_paid": "price_paid", "owner": "owner", "invented": "invented"}
CSV_COLUMNS = ("fraction", *FRACTION_KEYS[1:], *CSV_LOT_COLUMNS)
UNSORTED = "unsorted"  # in the kind column of a CSV line: the part not sorted yet

YES = ("yes", "y", "true", "1")
NO = ("no", "n", "false", "0")
PLACEHOLDER_KG = 1.0  # goes on in place of a mass that was reported, so that the rest is still checked


def read_lot(
    path: Path, catalogue: Catalogue, *, today: dt.date, taken: Collection[str] = (), date: dt.date | None = None
) -> tuple[Lot, list[Issue]]:
    """Read a lot file; `taken` are lot names in use; without a date in the file it is `date`, or `today`.

    Returns the lot and what should be noted (warnings). Raises InputError with every problem found.
    """
    path = Path(path)
    suffix = path.suffix.lower()
    if suffix == ".toml":
        document = read_toml(path)
    elif suffix in (".csv", ".tsv", ".txt"):
        document = _csv_as_lot(read_csv(path, "fraction"), path)
    else:
        raise InputError(f"{path}: lot files end in .toml or .csv", "save it as one of these")
    _move_boards(document, catalogue)
    found = Findings(str(path), None, list(document.issues))
    lot = _build_lot(document, path, catalogue, date or today, found)
    if date is not None and lot.date != date:
        hint = "leave --date out, or correct the file"
        found.error_at(document.top.line_of("date"), "date", f"the file says {lot.date}, --date says {date}", hint)
    told = len(found.issues)
    check_lot(lot, catalogue, found, taken=taken, today=today)
    found.issues[told:] = _not_told_yet(found.issues[told:], found.issues[:told])
    if found.has_errors:
        issues = sorted(found.issues, key=lambda issue: (issue.line or 0, issue.severity != "error"))
        count = sum(issue.severity == "error" for issue in issues)
        raise InputError(f"{path}: {count} problem{'s' if count > 1 else ''}, nothing saved", issues=issues)
    return lot, found.issues


def _not_told_yet(issues: list[Issue], told: list[Issue]) -> list[Issue]:
    """Issues about values that could be read: one that could not is told once, not also as missing."""
    unreadable = {(issue.line, issue.field.rpartition(".")[2]) for issue in told}
    broken = {issue.line for issue in told if issue.message.startswith("not TOML")}
    return [i for i in issues if (i.line, i.field.rpartition(".")[2]) not in unreadable and i.line not in broken]


def _build_lot(document: Document, path: Path, catalogue: Catalogue, today: dt.date, found: Findings) -> Lot:
    top = document.top
    found.line = top.line
    found.lines.update(top.lines)
    if "fraction" in top.values:
        del top.values["fraction"]
        hint = "[[fraction]] on a line of its own, in two brackets, before each fraction"
        found.error_at(top.line_of("fraction"), "fraction", "this is not how fractions are written", hint)
    _refuse_unknown(top, LOT_KEYS, found, "a lot")
    for name in document.lists:
        if name not in ("fraction", "boards"):
            known = suggest(name, ["fraction", "boards"], "[[fraction]] or [[boards]]")
            found.error(name, f"there is no [[{name}]] in a lot file", known)
    fractions = []
    for number, table in enumerate(document.lists.get("fraction", []), start=1):
        fractions.append(_build_fraction(table, number, catalogue, found))
    boards = tuple(_build_pile(table, found) for table in document.lists.get("boards", []))
    found.line = top.line
    unsorted = _take(top, "unsorted", found, _mass_kg, 0.0)
    return Lot(
        name=_take(top, "name", found, _text, path.stem),
        date=_take(top, "date", found, _date, today),
        fractions=tuple(fractions),
        price_paid=_take(top, "price_paid", found, _money, None),
        owner=_take(top, "owner", found, _text, MINE),
        unsorted_kg=unsorted,
        note=_take(top, "note", found, _text, ""),
        invented=_take(top, "invented", found, _yes_no, False),
        boards=boards,
    )


def _move_boards(document: Document, catalogue: Catalogue) -> None:
    """Boards written among the fractions (in a CSV file they can stand nowhere else) go with the boards."""
    tables = document.lists.get("fraction", [])
    moved = [table for table in tables if str(table.values.get("kind")) in catalogue.boards]
    if moved:
        document.lists["fraction"] = [table for table in tables if table not in moved]
        document.lists["boards"] = [*document.lists.get("boards", []), *moved]


def _build_pile(table: Table, found: Findings) -> Pile:
    found.line = table.line
    table.values = {key: value for key, value in table.values.items() if value != ""}
    _refuse_unknown(table, PILE_KEYS, found, "a pile of boards")
    kind = _take(table, "kind", found, _text, "")
    name = _take(table, "name", found, _text, kind.removeprefix("boards-") or "boards")
    found.lines[name] = table.line_of("name") or table.line or 0
    for key in PILE_KEYS:
        if (line := table.line_of(key)) is not None:
            found.lines[f"{name}.{key}"] = line
    found.lines[f"{name}.mass"] = table.line_of(_mass_key(table)) or table.line or 0
    is_weighed = any(table.values.get(key) not in (None, "") for key in ("mass", "mass_kg", "mass_g"))
    return Pile(
        name=name,
        kind=kind,
        mass_kg=_take_mass(table, name, found) if is_weighed else None,
        pieces=_take(table, "pieces", found, _count, None),
        note=_take(table, "note", found, _text, ""),
    )


def _build_fraction(table: Table, number: int, catalogue: Catalogue, found: Findings) -> Fraction:
    found.line = table.line
    _refuse_unknown(table, FRACTION_KEYS, found, "a fraction")
    kind = _take(table, "kind", found, _text, "")
    name = _take(table, "name", found, _text, kind or f"fraction-{number}")
    found.lines[name] = table.line_of("name") or 0
    for key in FRACTION_KEYS:
        if (line := table.line_of(key)) is not None:
            found.lines[f"{name}.{key}"] = line
    found.lines[f"{name}.mass"] = table.line_of(_mass_key(table)) or 0
    row = catalogue.kinds.get(kind)
    if row is not None and row.ask_wet and "wet" not in table.values:
        found.error(
            f"{name}.wet", f"was the {kind} weighed wet or dry?", "wet = false, or wet = true for damp material"
        )
    return Fraction(
        name=name,
        kind=kind,
        mass_kg=_take_mass(table, name, found),
        pieces=_take(table, "pieces", found, _count, None),
        wet=_take(table, "wet", found, _is_wet, False),
        mixed=_take(table, "mixed", found, _yes_no, False),
        note=_take(table, "note", found, _text, ""),
    )


def _mass_key(table: Table) -> str:
    return next((key for key in ("mass", "mass_kg", "mass_g") if key in table.values), "mass")


def _take_mass(table: Table, name: str, found: Findings) -> float:
    given = [key for key in ("mass", "mass_kg", "mass_g") if table.values.get(key) not in (None, "")]
    if len(given) > 1:
        found.error(f"{name}.mass", f"the mass is given as {' and '.join(given)}", "once")
    if not given:
        found.error(f"{name}.mass", "the mass is missing", 'with its unit, e.g. mass = "2.45 kg"')
        return PLACEHOLDER_KG
    key = given[0]
    value = table.values[key]
    if key != "mass" and value != BROKEN:  # the unit stands in the key or heading
        unit = key.removeprefix("mass_")
        table = Table(table.line, {key: f"{value} {unit}"}, table.lines)
    return _take(table, key, found, _mass_kg, PLACEHOLDER_KG)


# -- values ------------------------------------------------------------------------------------------------------------


def _take(table: Table, key: str, found: Findings, parse: Callable[[Any], Any], default: Any) -> Any:
    """The parsed value of a key, or the default where it is missing or was reported."""
    value = table.values.get(key)
    if value is None or value == "" or value == BROKEN:
        return default
    try:
        return parse(value)
    except InputError as err:
        found.error_at(table.line_of(key), key, err.message, err.hint)
        return default


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise InputError(f"{value!r} is no text", "put it in quotes")
    return value.strip()


def _mass_kg(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, str):
        raise InputError(f"{value} has no unit", f'with its unit and in quotes, e.g. "{value} kg"')
    mass_kg = parse_mass(value) / 1000
    if mass_kg <= 0:
        raise InputError(f"a mass of {value} cannot be", "a mass above zero, e.g. 2.45 kg")
    return mass_kg


def _money(value: Any) -> float:
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else parse_money(_text(value))


def _count(value: Any) -> int:
    if isinstance(value, int) and not isinstance(value, bool):
        return value
    if isinstance(value, str) and value.isascii() and value.isdigit():
        return int(value)
    raise InputError(f"{value} cannot be a count", "a whole number from 1, or leave it out")


def _date(value: Any) -> dt.date:
    if isinstance(value, dt.datetime):
        return value.date()
    if isinstance(value, dt.date):
        return value
    try:
        return dt.date.fromisoformat(_text(value))
    except ValueError:
        raise InputError(f"'{value}' is no date", "YYYY-MM-DD, e.g. 2025-03-09") from None


def _yes_no(value: Any) -> bool:
    word = str(value).strip().lower()
    if word in YES or word in NO:
        return word in YES
    raise InputError(f"'{value}' is neither yes nor no", "yes or no")


def _is_wet(value: Any) -> bool:
    word = str(value).strip().lower()
    return word == "wet" if word in ("wet", "dry") else _yes_no(value)


def _refuse_unknown(table: Table, keys: tuple[str, ...], found: Findings, what: str) -> None:
    for key in table.values:
        if key not in keys:
            hint = suggest(key, keys, f"known: {', '.join(keys)}")
            found.error_at(table.line_of(key), key, f"{what} has no '{key}'", hint)


def _csv_as_lot(document: Document, path: Path) -> Document:
    """The lot's own columns moved from the lines to the top; they must say the same on every line."""
    top, kept = document.top, []
    header_lines = top.lines
    top.lines = {}
    for name, line in header_lines.items():
        if name not in CSV_COLUMNS:
            hint = suggest(name, CSV_COLUMNS, f"known: {', '.join(CSV_COLUMNS)}")
            document.issues.append(Issue("error", f"there is no column '{name}'", hint, str(path), line, name))
    for table in document.lists["fraction"]:
        for column, key in CSV_LOT_COLUMNS.items():
            value = table.values.pop(column, None)
            if value is None:
                continue
            if top.values.setdefault(key, value) != value:
                message = f"'{value}' here, '{top.values[key]}' further up: a file holds one lot"
                document.issues.append(Issue("error", message, "a file per lot", str(path), table.line, column))
            top.lines.setdefault(key, table.line or 1)
        if "fraction" in table.values:
            table.values["name"] = table.values.pop("fraction")
        table.values = {key: value for key, value in table.values.items() if key in FRACTION_KEYS}
        if table.values.get("kind", "").lower() == UNSORTED:
            _move_unsorted(table, document, path)
        else:
            kept.append(table)
    document.lists["fraction"] = kept
    return document


def _move_unsorted(table: Table, document: Document, path: Path) -> None:
    """A CSV line of the part that is not sorted yet, as the lot's own mass and note."""
    top, key = document.top, _mass_key(table)
    if "unsorted" in top.values:
        message, hint = "a second line of unsorted material", "one line with the sum"
        document.issues.append(Issue("error", message, hint, str(path), table.line, "unsorted"))
    if not table.values.get(key):
        hint = "with its unit, e.g. 3 kg"
        document.issues.append(Issue("error", "the mass is missing", hint, str(path), table.line, "unsorted"))
        return
    unit = key.removeprefix("mass").replace("_", " ")
    top.values["unsorted"] = f"{table.values[key]}{unit}"
    top.lines["unsorted"] = table.line or 1
    if "note" in table.values:
        top.values["note"] = table.values["note"]
