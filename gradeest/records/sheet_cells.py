"""The cells of a sheet, CSV or XLSX, with the address of each as a spreadsheet shows it: "C7", "Sheet1!C7".

Both become the same: text, a plain number, a date, yes or no. Rows whose first cell begins with "# "
are remarks.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import zipfile
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from gradeest.errors import InputError, Issue
from gradeest.records.text_files import MOST_BYTES, read_text

Value = str | float | bool | dt.date
MOST_ROWS = 20_000  # a year of a bench is some hundred; more is the wrong file
MOST_UNPACKED = 100_000_000  # bytes: a small file that unpacks to more was not made by a spreadsheet
REMARK = "#"
TEXT_SUFFIXES = (".csv", ".tsv", ".txt")
BOOK_SUFFIXES = (".xlsx", ".xlsm")
AS_UTF8 = 'save it in the spreadsheet as "CSV UTF-8", or as .xlsx'


@dataclass
class Row:
    """One row that holds something: its number and its filled cells by column, both counted from 1."""

    number: int
    cells: dict[int, Value] = field(default_factory=dict)


@dataclass
class Sheet:
    """A sheet read: the rows that hold something, remarks left out. `name` is empty for a text file."""

    path: Path
    name: str
    rows: list[Row] = field(default_factory=list)
    issues: list[Issue] = field(default_factory=list)

    def at(self, row: int, column: int) -> str:
        """The address of a cell: "C7" in a text file, "Sheet1!C7" in a workbook."""
        return f"{self.name}!{letters(column)}{row}" if self.name else f"{letters(column)}{row}"

    def error(self, row: int, column: int, message: str, hint: str = "") -> None:
        """Add what is wrong with a cell."""
        self.issues.append(Issue("error", message, hint, self.path.name, None, self.at(row, column)))

    def forget(self, column: int) -> None:
        """Drop what is wrong with the cells of a column that nobody wants."""
        start = self.at(0, column)[:-1]
        self.issues = [issue for issue in self.issues if issue.field.rstrip("0123456789") != start]


def letters(column: int) -> str:
    """The letters of a column counted from 1: 1 is A, 27 is AA."""
    text = ""
    while column > 0:
        column, rest = divmod(column - 1, 26)
        text = chr(ord("A") + rest) + text
    return text


def read_sheets(path: Path) -> list[Sheet]:
    """All sheets of a file that hold anything (a text file has one). Raises InputError for a file that is no sheet."""
    path = Path(path)
    suffix = path.suffix.lower()
    if suffix in TEXT_SUFFIXES:
        return [_read_text_sheet(path)]
    if suffix in BOOK_SUFFIXES:
        return _read_book(path)
    raise InputError(f"{path}: a sheet of notes ends in .csv or .xlsx", "save it in the spreadsheet as one of these")


# -- text --------------------------------------------------------------------------------------------------------------


def _read_text_sheet(path: Path) -> Sheet:
    try:
        text = read_text(path)
    except InputError as err:
        hint = AS_UTF8 if "encoding" in err.message or "not text" in err.message else err.hint
        raise InputError(err.message, hint, err.issues) from err
    sheet = Sheet(path, "")
    lines = (line.strip() for line in text.split("\n"))
    header = next((line for line in lines if line and not line.lstrip('"').startswith(f"{REMARK} ")), "")
    reader = csv.reader(io.StringIO(text), delimiter=find_delimiter(header), strict=True, skipinitialspace=True)
    number = 0
    try:
        for number, cells in enumerate(reader, start=1):
            _add_row(sheet, number, {i: cell.strip() for i, cell in enumerate(cells, start=1) if cell.strip()})
    except csv.Error as err:
        sheet.error(number + 1, 1, f"this row is no CSV: {err}", "check its quotes")
    return sheet


def find_delimiter(header: str) -> str:
    """What parts the cells of a header line, outside quotes: a comma, a semicolon or a tab."""
    bare = "".join(header.split('"')[::2])
    return max(",;\t", key=bare.count)


def is_remark(first: str) -> bool:
    """Whether a row is a remark, by its first cell: a # and a blank. "#7" may well be the name of a batch."""
    return first == REMARK or first.startswith(f"{REMARK} ")


def _add_row(sheet: Sheet, number: int, cells: dict[int, Value]) -> None:
    if not cells or is_remark(str(cells.get(1, ""))):
        return
    if len(sheet.rows) >= MOST_ROWS:
        raise InputError(f"{sheet.path} has more than {MOST_ROWS} rows", "is it the right file?")
    sheet.rows.append(Row(number, cells))


# -- workbooks ---------------------------------------------------------------------------------------------------------


def _read_book(path: Path) -> list[Sheet]:
    values, formulas = _open_book(path, computed=True), _open_book(path, computed=False)
    sheets = []
    for page in values.worksheets:
        sheet = Sheet(path, page.title)
        written = formulas[page.title]
        for number, row in enumerate(page.iter_rows(), start=1):
            cells: dict[int, Value] = {}
            for column, cell in enumerate(row, start=1):
                value = _cell_value(sheet, number, column, cell, written.cell(number, column).data_type == "f")
                if value is not None:
                    cells[column] = value
            _add_row(sheet, number, cells)
        if sheet.rows or sheet.issues:
            sheets.append(sheet)
    return sheets


def _open_book(path: Path, *, computed: bool) -> Any:
    """A workbook as openpyxl has it, formulas as their results or as written. Raises InputError."""
    import openpyxl  # late: only this needs it
    from openpyxl.utils.exceptions import InvalidFileException

    try:
        if path.is_dir():
            raise InputError(f"{path} is a folder", "name a file")
        if path.stat().st_size > MOST_BYTES:
            raise InputError(f"{path} is larger than {MOST_BYTES // 1_000_000} MB", "is it the right file?")
        with zipfile.ZipFile(path) as parts:
            if sum(part.file_size for part in parts.infolist()) > MOST_UNPACKED:
                raise InputError(f"{path} unpacks to far more than a sheet of notes holds", "is it the right file?")
        return openpyxl.load_workbook(path, data_only=computed)
    except FileNotFoundError:
        raise InputError(f"there is no file {path}", "check the name and the folder") from None
    except PermissionError as err:
        raise InputError(f"{path} cannot be read: {err.strerror}", "check who may read it") from err
    except (zipfile.BadZipFile, InvalidFileException, KeyError, ValueError, TypeError, OSError, EOFError) as err:
        hint = "open it in a spreadsheet and save it as .xlsx without a password, or as CSV UTF-8"
        raise InputError(f"{path} is no .xlsx workbook", hint) from err


def _cell_value(sheet: Sheet, row: int, column: int, cell: Any, is_formula: bool) -> Value | None:
    value = cell.value
    if value is None:
        if is_formula:
            hint = "open the file in a spreadsheet and save it there, or type the value"
            sheet.error(row, column, "this formula was never worked out", hint)
        return None
    if cell.data_type == "e":
        sheet.error(row, column, f"the cell shows the error {value}", "type the value")
        return None
    if isinstance(value, dt.datetime):
        return value.date()
    if isinstance(value, bool | dt.date):
        return value
    if isinstance(value, int | float):
        return f"{plain_number(100 * value)} %" if "%" in str(cell.number_format) else float(value)
    text = str(value).strip()
    return text or None


def plain_number(value: float) -> str:
    """A number of a cell as text, without exponent and without the dust of binary sums: 0.1 + 0.2 is 0.3."""
    text = f"{value:.12g}"
    if "e" in text:
        text = f"{value:.20f}".rstrip("0").rstrip(".")
    return text
