"""Reading what a person wrote in a file: UTF-8 text, TOML with line numbers, CSV as spreadsheets write it.

And writing one for a person, whole or not at all.
"""

from __future__ import annotations

import csv
import errno
import io
import os
import re
import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from gradeest.errors import InputError, Issue

MOST_BYTES = 2_000_000  # a lot file is a page or two; more is the wrong file
BROKEN = "\x00"  # stands for a value that could not be read and was reported: no further complaint about it

KEY = re.compile(r"^\s*([A-Za-z0-9_-]+)\s*=")
TABLE = re.compile(r"^\s*\[\[?\s*([A-Za-z0-9_-]+)\s*\]?\]\s*(#.*)?$")
AT_LINE = re.compile(r"\(at line (\d+), column \d+\)")
NOT_TEXT = {
    b"PK": "a spreadsheet or archive",
    b"\xd0\xcf": "an old spreadsheet",
    b"%PDF": "a PDF",
    b"SQLite": "a database",
    b"\x89PNG": "a picture",
    b"\xff\xd8": "a picture",
}


@dataclass
class Table:
    """Keys with their values, and the line each stands on. `line` is where the table begins."""

    line: int | None
    values: dict[str, Any] = field(default_factory=dict)
    lines: dict[str, int] = field(default_factory=dict)

    def line_of(self, key: str) -> int | None:
        """The line of a key, or of the table."""
        return self.lines.get(key, self.line)


@dataclass
class Document:
    """A file read: its top table and the lists of tables in it, and the faults of its writing."""

    top: Table
    lists: dict[str, list[Table]] = field(default_factory=dict)
    issues: list[Issue] = field(default_factory=list)


def read_text(path: Path) -> str:
    """The text of a UTF-8 file. Raises InputError that says which byte of which line is not text."""
    try:
        if path.is_dir():
            raise InputError(f"{path} is a folder", "name a file")
        if path.stat().st_size > MOST_BYTES:
            raise InputError(f"{path} is larger than {MOST_BYTES // 1_000_000} MB", "is it the right file?")
        data = path.read_bytes()
    except FileNotFoundError:
        raise InputError(f"there is no file {path}", "check the name and the folder") from None
    except OSError as err:
        raise InputError(f"{path} cannot be read: {err.strerror}", "check who may read it") from err
    for start, what in NOT_TEXT.items():
        if data.startswith(start):
            raise InputError(f"{path} is {what}, not text", "save it as CSV (UTF-8), or write a TOML file")
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        raise _not_utf8(path, 1, "the file is written in UTF-16")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as err:
        line = data.count(b"\n", 0, err.start) + 1
        guess = data[err.start : err.start + 1].decode("cp1252", errors="replace")
        raise _not_utf8(path, line, f"byte {data[err.start]:#04x} is not UTF-8 (in Windows-1252: '{guess}')") from err
    if "\x00" in text:
        raise _not_utf8(path, text.count("\n", 0, text.index("\x00")) + 1, "there is a zero byte in it")
    return text.replace("\r\n", "\n").replace("\r", "\n")


def write_whole(path: Path, data: bytes) -> None:
    """Write a file whole or not at all. Raises InputError where it cannot be."""
    new = path.with_name(path.name + ".new")
    try:
        try:
            new.write_bytes(data)
            os.replace(new, path)
        finally:
            new.unlink(missing_ok=True)
    except OSError as err:
        full = err.errno in (errno.ENOSPC, errno.EDQUOT)
        hint = "free some space, or choose another folder" if full else "choose a folder you may write to"
        raise InputError(f"{path} cannot be written: {err.strerror}", hint) from err


def _not_utf8(path: Path, line: int, message: str) -> InputError:
    issue = Issue("error", message, "save it as UTF-8 text", str(path), line)
    return InputError(f"{path} is in a wrong encoding, nothing saved", "save it as UTF-8 text", [issue])


def read_toml(path: Path) -> Document:
    """A TOML file as a document; lines that are no TOML are issues, and the rest is read all the same."""
    lines = read_text(path).split("\n")
    document = Document(Table(1))
    parsed: dict[str, Any] | None = None
    for _ in range(len(lines) + 1):
        try:
            parsed = tomllib.loads("\n".join(lines))
            break
        except tomllib.TOMLDecodeError as err:
            at = AT_LINE.search(str(err))
            number = int(at.group(1)) if at else len(lines)
            key = KEY.match(lines[number - 1])
            reason = str(err).partition(" (at")[0]
            hint = 'text and quantities stand in quotes: mass = "2.45 kg"' if key else 'lines look like: name = "attic"'
            document.issues.append(Issue("error", f"not TOML: {reason}", hint, str(path), number))
            mended = f'{key.group(1)} = "\\u0000"' if key else "#"
            if lines[number - 1] == mended:
                break
            lines[number - 1] = mended
    if parsed is not None:
        _sort_tables(parsed, _locate(lines), document)
    return document


def _locate(lines: list[str]) -> tuple[dict[str, int], dict[str, list[tuple[int, dict[str, int]]]]]:
    """Lines of top keys, and per table name the line and key lines of each. tomllib keeps no positions."""
    top: dict[str, int] = {}
    tables: dict[str, list[tuple[int, dict[str, int]]]] = {}
    keys = top
    for number, line in enumerate(lines, start=1):
        if table := TABLE.match(line):
            keys = {}
            tables.setdefault(table.group(1), []).append((number, keys))
        elif key := KEY.match(line):
            keys.setdefault(key.group(1), number)
    return top, tables


def _sort_tables(
    parsed: dict[str, Any],
    located: tuple[dict[str, int], dict[str, list[tuple[int, dict[str, int]]]]],
    document: Document,
) -> None:
    top_lines, table_lines = located
    document.top.lines = top_lines
    for key, value in parsed.items():
        if isinstance(value, list) and value and all(isinstance(item, dict) for item in value):
            places = table_lines.get(key, [])
            if len(places) != len(value):  # written inline: only the first line is known
                places = [(top_lines.get(key, 1), {})] * len(value)
            document.lists[key] = [Table(line, item, keys) for (line, keys), item in zip(places, value, strict=True)]
        else:
            document.top.values[key] = value
            if isinstance(value, dict) and key in table_lines:
                document.top.lines[key] = table_lines[key][0][0]


def read_csv(path: Path, list_name: str) -> Document:
    """A CSV file with a header line as a document with one list of tables.

    Cells are parted by commas, semicolons or tabs (whichever the header has most of); lines that begin with # are
    remarks; header words are taken in lower case with _ for spaces.
    """
    text = read_text(path)
    document = Document(Table(1), {list_name: []})
    rows = _csv_rows(text, path, document)
    if not rows:
        document.issues.append(
            Issue("error", "the file is empty", "a header line, then a line per fraction", str(path))
        )
        return document
    header_line, header = rows[0]
    names = [cell.strip().lower().replace(" ", "_") for cell in header]
    for name in sorted({n for n in names if n and names.count(n) > 1}):
        document.issues.append(
            Issue("error", f"two columns are called '{name}'", "each once", str(path), header_line, name)
        )
    for line, cells in rows[1:]:
        if len(cells) > len(names) and any(cell.strip() for cell in cells[len(names) :]):
            document.issues.append(
                Issue(
                    "error",
                    f"{len(cells)} cells under {len(names)} headings",
                    'put a cell that holds a comma in quotes: "1,84 g"',
                    str(path),
                    line,
                )
            )
        values = {name: cell.strip() for name, cell in zip(names, cells, strict=False) if name and cell.strip()}
        document.lists[list_name].append(Table(line, values))
    document.top.lines = {name: header_line for name in names if name}
    return document


def _csv_rows(text: str, path: Path, document: Document) -> list[tuple[int, list[str]]]:
    """Rows that hold something, with the line each begins on."""
    lines = text.split("\n")
    # a remark becomes an empty line, so that the numbers stay right
    lines = ["" if line.lstrip().startswith("#") else line for line in lines]
    header = next((line for line in lines if line.strip()), "")
    delimiter = max(",;\t", key=header.count)
    reader = csv.reader(io.StringIO("\n".join(lines)), delimiter=delimiter, strict=True, skipinitialspace=True)
    rows: list[tuple[int, list[str]]] = []
    line = 1
    try:
        for cells in reader:
            if any(cell.strip() for cell in cells):
                rows.append((line, cells))
            line = reader.line_num + 1
    except csv.Error as err:
        document.issues.append(Issue("error", f"not CSV: {err}", "check the quotes on this line", str(path), line))
    return rows
