"""Reads the files of a priors folder: rows with file and line, an overlay that replaces by key, faults as values."""

from __future__ import annotations

import csv
import difflib
import io
import math
import re
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any

from gradeest.errors import Issue

Folder = Traversable | Path


def nearest(word: str, choices: Iterable[str]) -> list[str]:
    """The up to three choices that look most like `word`, best first; for hints."""
    pool = list(choices)
    close = difflib.get_close_matches(word.lower(), pool, n=3, cutoff=0.5)
    # "memory" should find "fingers-memory", which is not close by letters
    inside = [c for c in pool if len(word) >= 3 and word.lower() in c.lower() and c not in close]
    return (close + inside)[:3]


def suggest(word: str, choices: Iterable[str]) -> str:
    """A hint that names the nearest choices, or all when few and none is near."""
    pool = list(choices)
    close = nearest(word, pool)
    if close:
        return "did you mean " + " or ".join(close) + "?"
    return "one of: " + ", ".join(pool) if len(pool) <= 12 else ""


@dataclass
class Faults:
    """Collects every problem of a load, so that all are shown at once."""

    issues: list[Issue]

    def add(self, file: str, line: int | None, field: str, message: str, hint: str = "") -> None:
        """Note one problem that refuses the load."""
        self.issues.append(Issue("error", message, hint, file, line, field))


@dataclass(frozen=True)
class Row:
    """One row of a CSV file as text, with where it stands."""

    file: str
    line: int
    cells: Mapping[str, str]
    faults: Faults

    def complain(self, field: str, message: str, hint: str = "") -> None:
        """Note a problem of one cell."""
        self.faults.add(self.file, self.line, field, message, hint)

    def text(self, field: str, *, required: bool = True) -> str:
        """The cell as text."""
        value = self.cells[field]
        if required and not value:
            self.complain(field, "is empty", "every row says this")
        return value

    def choice(self, field: str, choices: Sequence[str], *, required: bool = True) -> str:
        """The cell, which must be one of the choices (or empty when not required)."""
        value = self.text(field, required=required)
        if value and value not in choices:
            self.complain(field, f"{value!r} is not known", suggest(value, choices))
        return value

    def words(self, field: str, choices: Iterable[str]) -> tuple[str, ...]:
        """The cell as words separated by blanks, each one of the choices."""
        known = list(choices)
        words = tuple(self.cells[field].split())
        for word in words:
            if word not in known:
                self.complain(field, f"{word!r} is not known", suggest(word, known))
        return words

    def flag(self, field: str) -> bool:
        """The cell as yes or no."""
        return self.choice(field, ("yes", "no")) == "yes"

    def number(self, field: str, low: float, high: float, what: str) -> float:
        """The cell as a number strictly between low and high; nan (and a complaint) where it is none."""
        value = self.text(field)
        try:
            number = float(value) if value else math.nan
        except ValueError:
            self.complain(field, f"{value!r} is not a number", f"type {what}")
            return math.nan
        if value and not (low < number < high):
            self.complain(field, f"{value} is out of range", f"type {what}")
            return math.nan
        return number

    def quantiles(self, low: float, high: float, what: str) -> tuple[float, float, float]:
        """The cells q5, q50, q95 as rising numbers between low and high."""
        q5, q50, q95 = (self.number(field, low, high, what) for field in ("q5", "q50", "q95"))
        if not any(math.isnan(q) for q in (q5, q50, q95)) and not q5 < q50 < q95:
            self.complain("q5, q50, q95", f"{q5:g}, {q50:g}, {q95:g} do not rise", "type q5 < q50 < q95")
        return q5, q50, q95


def read_table(
    folders: Sequence[Folder], name: str, columns: Sequence[str], key: Sequence[str], faults: Faults
) -> dict[str, Row]:
    """Read one CSV file from each folder that has it; a row of a later folder replaces one with the same key.

    Parameters: folders, the shipped one first; name, file name; columns, all of them; key, the columns that name a row.
    Returns: rows by key (words joined by a blank), in file order.
    """
    rows: dict[str, Row] = {}
    for place, folder in enumerate(folders):
        path = folder / name
        if place > 0 and not path.is_file():
            continue
        text = _read_text(path, faults)
        seen: dict[str, int] = {}
        for row in _parse(text, str(path), columns, faults):
            word = " ".join(row.cells[part] for part in key)
            if not word.strip():
                row.complain(", ".join(key), "is empty", "every row has one")
                continue
            if word in seen:
                row.complain(", ".join(key), f"{word!r} stands already in line {seen[word]}", "keep one of the two")
                continue
            seen[word] = row.line
            rows[word] = row
    return rows


def _read_text(path: Folder, faults: Faults) -> str:
    try:
        return path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        faults.add(str(path), None, "", f"cannot be read ({error.strerror or error})")
    except UnicodeDecodeError:
        faults.add(str(path), None, "", "is not UTF-8 text", "save the file as UTF-8")
    return ""


def _parse(text: str, file: str, columns: Sequence[str], faults: Faults) -> Iterable[Row]:
    if not text:
        return
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    try:
        header = [cell.strip() for cell in next(reader, [])]
        strangers = [name for name in header if name not in columns]
        missing = [name for name in columns if name not in header]
        for name in strangers:
            faults.add(file, 1, name, "is not a column of this file", suggest(name, columns))
        for name in missing:
            faults.add(file, 1, name, "column is missing", "the first line names: " + ", ".join(columns))
        if missing:
            return
        for cells in reader:
            if not any(cell.strip() for cell in cells):
                continue
            if len(cells) != len(header):
                message = f"has {len(cells)} cells where the first line has {len(header)}"
                faults.add(file, reader.line_num, "", message, 'put text that holds a comma between "quotes"')
                continue
            yield Row(
                file,
                reader.line_num,
                dict(zip(header, (cell.strip() for cell in cells), strict=True)),
                faults,
            )
    except csv.Error as error:
        faults.add(file, reader.line_num, "", f"is not a CSV table ({error})")


@dataclass(frozen=True)
class Entry:
    """One entry of the TOML file, with where it stands."""

    file: str
    line: int | None
    content: Mapping[str, Any]


def read_entries(folders: Sequence[Folder], name: str, faults: Faults) -> dict[str, Entry]:
    """Read the entries `{ value = ... }` of a TOML file from each folder that has it; later folders replace.

    Returns: entries by dotted key. A later folder may only replace keys of the first: a new one is a slip of the pen.
    """
    entries: dict[str, Entry] = {}
    for place, folder in enumerate(folders):
        path = folder / name
        if place > 0 and not path.is_file():
            continue
        text = _read_text(path, faults)
        try:
            tree = tomllib.loads(text)
        except tomllib.TOMLDecodeError as error:
            found = re.search(r"at line (\d+)", str(error))
            faults.add(str(path), int(found.group(1)) if found else None, "", f"is not TOML ({error})")
            continue
        lines = find_lines(text)
        for key, content in _flatten(tree, ""):
            line = lines.get(key)
            if not isinstance(content, dict):
                faults.add(str(path), line, key, "has no value table", "type { value = ..., unit = ..., ... }")
            elif place > 0 and key not in entries:
                faults.add(str(path), line, key, "is not a constant of the model", suggest(key, entries))
            else:
                entries[key] = Entry(str(path), line, content)
    return entries


def _flatten(tree: Mapping[str, Any], prefix: str) -> Iterable[tuple[str, Any]]:
    for name, content in tree.items():
        key = f"{prefix}.{name}" if prefix else name
        if isinstance(content, dict) and "value" not in content:
            yield from _flatten(content, key)
        else:
            yield key, content


def find_lines(text: str) -> dict[str, int]:
    """Line, from 1, of every dotted key of a TOML file: the parser does not tell, and a person needs it."""
    lines: dict[str, int] = {}
    head = ""
    for number, line in enumerate(text.splitlines(), 1):
        if table := re.match(r"\s*\[([^\[\]]+)\]", line):
            head = re.sub(r"[\"'\s]", "", table[1]) + "."
        elif key := re.match(r"\s*([\w.\-\"' ]+?)\s*=", line):
            lines.setdefault(head + re.sub(r"[\"'\s]", "", key[1]), number)
    return lines
