"""A sheet of old notes, CSV or XLSX -> entries for the ledger, oldest first; every problem by sheet and cell.

One row per event. Batches have the sheet's own names here; the ledger's names (B3) are given when they are entered.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from gradeest.errors import InputError, Issue
from gradeest.materials.catalogue import Catalogue
from gradeest.records.domain import MINE
from gradeest.records.sheet_cells import Row, Sheet, read_sheets
from gradeest.records.sheet_columns import (
    COLUMNS,
    IGNORED,
    NUMERIC,
    Heading,
    Reader,
    find_headings,
    has_headings,
    parse_map,
)
from gradeest.records.sheet_rules import ALSO_CALLED, FIELD_COLUMNS, SORTS, Sort, Values, columns_of
from gradeest.records.sheet_values import DateOrder, Decimal, Habits, choice, clear_marks

LOT_WIDE = ("date", "owner", "paid")  # columns that must say the same on every row of a lot
FIRST_OF_DAY = ("balance", "lot")
PILE = ("name", "kind", "mass_kg", "pieces", "note")  # what is kept of boards not taken apart
LAST_OF_DAY = ("close",)
OF_PRODUCTS = ("sale", "discard", "product-assay")  # their address may be what a batch gave
# what later rows lack where a row could not be read; most others only lack what the batch gave
RESTS_ON = {
    "lot": ("lot",),
    "batch": ("batch",),
    "more": ("lot",),
    "weigh": ("lot",),
    "split": ("lot",),
    "sale": (),
    "discard": (),
    "close": (),
    **dict.fromkeys(("assay", "plating", "product-assay", "spot-test", "hours", "cost", "waste", "settlement"), ()),
}


@dataclass(frozen=True)
class How:
    """How the person said to read a sheet. `mapping`: HEADING=COLUMN as typed; `remembered`: from earlier imports."""

    today: dt.date
    sheet: str | None = None
    mapping: tuple[str, ...] = ()
    remembered: Mapping[str, str] = field(default_factory=dict)
    decimal: Decimal | None = None
    dates: DateOrder | None = None


@dataclass(frozen=True)
class Entry:
    """One event as the sheet has it. `places`: the cell of each column; `parts`: of each fraction of a lot.

    `rows` and `marks` (what a row says, as a hash) go together: a lot is made of several rows. `remark`: the note of
    a sort of event that keeps none itself.
    """

    sort: str
    payload: dict[str, Any]
    date: dt.date
    rows: tuple[int, ...]
    marks: tuple[str, ...]
    places: Mapping[str, str]
    parts: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    remark: str = ""

    @property
    def kind(self) -> str:
        return SORTS[self.sort].kind

    def where(self, field_name: str) -> str:
        """The cell that a field of the ledger's rules stands in; the row's `what` where it has none."""
        head, _, tail = field_name.rpartition(".")
        for name in (head, field_name):  # a part: FRACTION.mass, or FRACTION alone
            if name in self.parts:
                places = self.parts[name]
                wanted = (tail, "mass", "fraction") if head else ("fraction",)
                return next((places[c] for c in wanted if c in places), self.places["what"])
        candidates = [field_name, *FIELD_COLUMNS.get(field_name, ()), tail, *FIELD_COLUMNS.get(tail, ())]
        if head or field_name not in (*COLUMNS, *FIELD_COLUMNS):
            candidates.append(SORTS[self.sort].parts)
        own = columns_of(SORTS[self.sort])
        return next((self.places[c] for c in candidates if c in own and c in self.places), self.places["what"])


@dataclass(frozen=True)
class Notes:
    """A sheet read.

    `broken`: lots ("lot:shed"), batches ("batch:run 7") and what batches gave ("given:run 7") that a row which could
    not be read would have brought.
    """

    path: Path
    sheet: str
    headings: tuple[Heading, ...]
    entries: tuple[Entry, ...]
    issues: tuple[Issue, ...]
    broken: frozenset[str]
    rows: int
    mapping: Mapping[str, str]


def batch_key(name: str) -> str:
    """A batch's name as it is compared: "Run 7" is "run 7"."""
    return " ".join(name.lower().split())


def read_notes(path: Path, catalogue: Catalogue, how: How, read_share: Callable[[str], tuple[float, float]]) -> Notes:
    """Read a sheet of notes.

    Parameters: read_share, how a lost share is read ("20-50 %", "a third"), as its ends.
    Returns: entries oldest first, with every problem of a cell among `issues`. Raises InputError for a file that
    cannot be read at all.
    """
    mapping = parse_map(how.mapping)
    sheet = _choose(read_sheets(path), path, how, mapping)
    headings = find_headings(sheet, mapping, how.remembered)
    if "what" not in [heading.column for heading in headings]:
        return Notes(path, sheet.name, tuple(headings), (), tuple(sheet.issues), frozenset(), 0, mapping)
    texts = [
        value
        for row in sheet.rows
        for h in headings
        if h.column in NUMERIC and isinstance(value := row.cells.get(h.index), str)
    ]
    habits = Habits(how.today, how.decimal, how.dates, clear_marks(texts))
    page = _Page(sheet, headings, Reader(habits, catalogue, read_share))
    if not sheet.rows:
        sheet.error(1, 1, "there is no row under the headings", "a row for each event; `gradeest template` explains")
    for row in sheet.rows:
        page.read(row)
    entries = [*page.lots(), *page.entries]
    issues = sorted(sheet.issues, key=lambda issue: _row_of(issue.field))
    return Notes(
        path, sheet.name, tuple(headings), tuple(put_in_order(entries)), tuple(issues), frozenset(page.broken),
        len(sheet.rows), mapping,
    )  # fmt: skip


def _choose(sheets: list[Sheet], path: Path, how: How, mapping: Mapping[str, str]) -> Sheet:
    """The sheet of notes among those of a workbook. Raises InputError where it is not clear which."""
    names = [sheet.name for sheet in sheets]
    if how.sheet is not None:
        chosen = [sheet for sheet in sheets if sheet.name.lower() == how.sheet.lower()]
        if not chosen or not chosen[0].rows:
            there = ", ".join(name for name in names if name) or "none: a text file is a single sheet"
            raise InputError(f"{path} has no sheet '{how.sheet}' that holds anything", f"sheets: {there}")
        return chosen[0]
    known = {**how.remembered, **mapping}
    fitting = [sheet for sheet in sheets if has_headings(sheet, known)]
    if len(fitting) > 1:
        listed = ", ".join(sheet.name for sheet in fitting)
        raise InputError(f"{path} has several sheets of notes: {listed}", f'name one: --sheet "{fitting[0].name}"')
    filled = [sheet for sheet in sheets if sheet.rows]
    if not fitting and not filled:
        told = [issue for sheet in sheets for issue in sheet.issues]
        if told:
            raise InputError(f"{path} cannot be read, nothing saved", issues=told)
        raise InputError(f"{path} is empty", "`gradeest template` writes a sheet to fill in")
    return (fitting or filled)[0]


def _row_of(place: str) -> tuple[int, str]:
    digits = place.rpartition("!")[2].lstrip("ABCDEFGHIJKLMNOPQRSTUVWXYZ")
    return (int(digits) if digits.isdigit() else 0, place)


def put_in_order(entries: Sequence[Entry]) -> list[Entry]:
    """Entries oldest first; within a day in the order of the rows, lots before and closings after all others.

    What names a lot or batch that only a later row brings comes after it: on the same day that is how it was, and on
    another the rules then say that its date is wrong.
    """
    lots = {str(e.payload["name"]).lower(): e.date for e in entries if e.sort == "lot"}
    starts: dict[str, tuple[dt.date, int]] = {}

    def first_day(entry: Entry) -> dt.date:
        charges = entry.payload["charges"] if entry.sort == "batch" else ()
        addresses = [*(charge["address"] for charge in charges), str(entry.payload.get("address", ""))]
        return max([entry.date, *(lots.get(a.partition("/")[0].lower(), entry.date) for a in addresses)])

    for entry in entries:
        if entry.sort == "batch":
            starts.setdefault(batch_key(batch_of(entry)), (first_day(entry), entry.rows[0]))

    def place(entry: Entry) -> tuple[dt.date, int, int, int]:
        stage = 0 if entry.sort in FIRST_OF_DAY else 2 if entry.sort in LAST_OF_DAY else 1
        day, row = first_day(entry), entry.rows[0]
        if entry.sort == "batch":
            return day, stage, row, 0
        began, start_row = starts.get(batch_key(batch_of(entry)), (day, row))
        return max(day, began), stage, max(row, start_row) if began >= day else row, row

    return sorted(entries, key=place)


def batch_of(entry: Entry) -> str:
    """The batch that an entry belongs to, by the sheet's name; empty where it belongs to none."""
    if entry.sort == "batch":
        return str(entry.payload["name"])
    if "batch" in entry.payload:
        return str(entry.payload["batch"])
    return str(entry.payload.get("address", "")).rpartition("/")[0] if entry.sort in OF_PRODUCTS else ""


@dataclass
class _Page:
    """Reads row by row; lots are put together at the end."""

    sheet: Sheet
    headings: list[Heading]
    reader: Reader
    entries: list[Entry] = field(default_factory=list)
    broken: set[str] = field(default_factory=set)
    lot_rows: dict[str, list[tuple[Row, dict[str, Any]]]] = field(default_factory=dict)
    seen: Counter[str] = field(default_factory=Counter)

    def read(self, row: Row) -> None:
        """One row -> an entry (two where it also closes its batch), or issues."""
        word = self._word(row)
        if word is None:
            self.broken |= self._names(row, ("lot", "batch"))
            return
        sort = SORTS[word]
        told = len(self.sheet.issues)
        values = self._values(row, word, sort)
        is_whole = self._ask_for_missing(row, word, sort, values)
        if not is_whole or len(self.sheet.issues) > told:
            self.broken |= self._names(row, RESTS_ON.get(word, ("given",)))
        elif word == "lot":
            self.lot_rows.setdefault(values["lot"].lower(), []).append((row, values))
        else:
            self._add(row, word, sort, values)

    def _word(self, row: Row) -> str | None:
        heading = next(h for h in self.headings if h.column == "what")
        value = row.cells.get(heading.index)
        if value is None:
            self.sheet.error(row.number, heading.index, "what this row tells is missing", ", ".join(SORTS))
            return None
        try:
            return choice(value, SORTS, "sort of row", also=ALSO_CALLED.get)
        except InputError as err:
            self.sheet.error(row.number, heading.index, err.message, err.hint)
            return None

    def _values(self, row: Row, word: str, sort: Sort) -> dict[str, Any]:
        """What the cells say, by column; those that cannot be read, or do not belong here, are issues."""
        values: dict[str, Any] = {}
        allowed = columns_of(sort)
        for index in set(row.cells) - {heading.index for heading in self.headings}:
            hint = (
                'clear it, or give the column a heading; in a text file a cell with a comma stands in quotes: "1,84 g"'
            )
            self.sheet.error(row.number, index, "there is no heading above this cell", hint)
        for heading in self.headings:
            value = row.cells.get(heading.index)
            if value is None or heading.column in ("what", IGNORED):
                continue
            if heading.column not in allowed:
                takes = ", ".join(name for name in allowed if name != "what")
                message = f"a row of '{word}' has no {heading.column}"
                self.sheet.error(row.number, heading.index, message, f"clear the cell; it takes {takes}")
                continue
            try:
                values[heading.column] = COLUMNS[heading.column].read(self.reader, value, heading.unit)
            except InputError as err:
                self.sheet.error(row.number, heading.index, err.message, err.hint)
                continue
            today = self.reader.habits.today
            if heading.column == "date" and values["date"] > today:
                self.sheet.error(row.number, heading.index, f"{values['date']} lies in the future", f"up to {today}")
        return values

    def _ask_for_missing(self, row: Row, word: str, sort: Sort, values: Values) -> bool:
        """Whether all that is needed is there; what is missing is an issue."""
        filled = {h.column for h in self.headings if h.index in row.cells}
        needed = sort.needed if word == "lot" else ("date", *sort.needed)  # a lot's date stands on one of its rows
        told: set[str] = set()
        for names in needed:
            options = names.split("|")
            if filled & set(options) or options[0] in told:
                continue
            told.add(options[0])
            is_address = len(options) > 1 and not filled & {"lot", "fraction"}
            name = options[0] if is_address or len(options) == 1 else options[1]
            column = next((h.index for h in self.headings if h.column == name), None)
            what = next(h.index for h in self.headings if h.column == "what")
            if column and self.sheet.at(row.number, column) in {issue.field for issue in self.sheet.issues}:
                continue  # a formula or error that was told
            self.sheet.error(row.number, column or what, f"{name} is missing", COLUMNS[name].says)
        if {"of", "lot"} <= set(values) or {"of", "fraction"} <= set(values):
            column = next(h.index for h in self.headings if h.column == "of")
            self.sheet.error(row.number, column, "the address stands here and under lot or fraction", "clear one")
        return not told

    def _names(self, row: Row, sorts: Sequence[str]) -> set[str]:
        """The lots and batches (and what batches gave) that a row brings or changes, as far as it can be read."""
        found = set()
        for heading in self.headings:
            value = row.cells.get(heading.index)
            if value is None:
                continue
            if heading.column == "batch":
                key = batch_key(str(value).removesuffix(".0"))
                found |= {f"batch:{key}", f"given:{key}"}
            elif heading.column == "lot":
                found.add(f"lot:{str(value).lower()}")
            elif heading.column == "of":
                head = str(value).rpartition("/")[0]
                found |= {f"lot:{head.lower()}", f"batch:{batch_key(head)}"}
        return {name for name in found if name.partition(":")[0] in sorts}

    def _mark(self, word: str, values: Values) -> str:
        """What a row says, as a short hash: the same in CSV and XLSX, whatever the order of columns and the notes."""
        said = {key: _rounded(value) for key, value in sorted(values.items()) if key not in ("note", "close")}
        for key in ("batch", "of"):
            if key in said:
                said[key] = batch_key(str(said[key]))
        text = json.dumps([word, said], default=str, sort_keys=True)
        self.seen[text] += 1
        return hashlib.sha256(f"{text}#{self.seen[text]}".encode()).hexdigest()[:16]

    def _places(self, row: Row) -> dict[str, str]:
        return {h.column: self.sheet.at(row.number, h.index) for h in self.headings}

    def _add(self, row: Row, word: str, sort: Sort, values: dict[str, Any]) -> None:
        payload = sort.build(values)
        mark, places = self._mark(word, values), self._places(row)
        remark = "" if "note" in payload else values.get("note", "")
        entry = Entry(word, payload, values["date"], (row.number,), (mark,), places, remark=remark)
        self.entries.append(entry)
        if values.get("close"):
            closing = replace(
                entry, sort="close", payload={"batch": values["batch"]}, marks=(f"{mark}-close",), remark=""
            )
            self.entries.append(closing)

    def lots(self) -> list[Entry]:
        """A lot for all rows that name it; what its rows contradict each other in is an issue."""
        return [entry for rows in self.lot_rows.values() if (entry := self._lot(rows)) is not None]

    def _lot(self, rows: list[tuple[Row, dict[str, Any]]]) -> Entry | None:
        first, values = rows[0]
        wide: dict[str, Any] = {}
        told = len(self.sheet.issues)
        for row, own in rows:
            for name in LOT_WIDE:
                if name in own and wide.setdefault(name, own[name]) != own[name]:
                    column = next(h.index for h in self.headings if h.column == name)
                    message = f"{own[name]} here, {wide[name]} further up: a lot has one {name}"
                    hint = "what came later is a lot of its own, or a row of 'more'"
                    self.sheet.error(row.number, column, message, hint if name == "date" else "the same on each row")
        if "date" not in wide:
            column = next((h.index for h in self.headings if h.column == "date"), 1)
            self.sheet.error(first.number, column, "date is missing", COLUMNS["date"].says)
        if len(self.sheet.issues) > told:
            self.broken.add(f"lot:{values['lot'].lower()}")
            return None
        boards = self.reader.catalogue.boards
        rows = sorted(rows, key=lambda one: one[1]["kind"] in boards)  # as the payload has them
        for row, own in rows:
            self._refuse_moist_boards(row, own)
        parts = [SORTS["lot"].build(own)["fraction"] for _, own in rows]
        piles = [{name: one[name] for name in PILE} for one in parts if one["kind"] in boards]
        payload = {
            "name": values["lot"],
            "date": wide["date"].isoformat(),
            "fractions": [one for one in parts if one["kind"] not in boards],
            "price_paid": wide.get("paid"),
            "owner": wide.get("owner", MINE),
            "unsorted_kg": 0.0,
            "note": "",
            "invented": False,
        } | ({"boards": piles} if piles else {})
        marks = tuple(self._mark("lot", {**own, "date": wide["date"]}) for _, own in rows)
        places = {own["fraction"]: self._places(row) for row, own in rows}
        numbers = tuple(row.number for row, _ in rows)
        return Entry("lot", payload, wide["date"], numbers, marks, self._places(first), places)

    def _refuse_moist_boards(self, row: Row, values: Values) -> None:
        """Boards are weighed as they came: what is said of a fraction alone is an issue."""
        for name in ("wet", "mixed"):
            if name in values and values["kind"] in self.reader.catalogue.boards:
                column = next(h.index for h in self.headings if h.column == name)
                self.sheet.error(row.number, column, f"boards have no {name}", "clear the cell")


def _rounded(value: Any) -> Any:
    """Numbers to nine digits, so that one that went through a spreadsheet stays the same."""
    if isinstance(value, float):
        return f"{value:.9g}"
    if isinstance(value, list | tuple):
        return [_rounded(item) for item in value]
    return value.isoformat() if isinstance(value, dt.date) else value
