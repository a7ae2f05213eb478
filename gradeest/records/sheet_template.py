"""The empty sheet of notes, CSV or XLSX: headings, the allowed words, and an invented row of each sort as a remark."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from gradeest.errors import InputError
from gradeest.materials.catalogue import Catalogue
from gradeest.records.ash_rules import ways_of_burning
from gradeest.records.domain import METALS
from gradeest.records.product_rules import METHODS
from gradeest.records.result_rules import LIQUIDS
from gradeest.records.sheet_cells import BOOK_SUFFIXES, REMARK, TEXT_SUFFIXES, letters
from gradeest.records.sheet_columns import COLUMNS
from gradeest.records.sheet_rules import ALWAYS, SORTS
from gradeest.records.spot_rules import MOMENTS, RESULTS
from gradeest.records.text_files import write_whole

NOTES, WORDS = "notes", "words"  # the sheets of a workbook
LISTED_ROWS = 2000  # so far down cells offer their words
EXPLAINED = (
    "Old notes, a row for each thing that happened. Rows that begin with # are remarks and are left out; what stands "
    "in them below is invented.",
    "Masses and weights with their unit in the cell (1.84 g), or in the heading: weight (g). Dates as YYYY-MM-DD.",
    "Batches are called as you called them; fractions are LOT/FRACTION. Leave out what you do not know, guess nothing.",
)


def write_template(path: Path, catalogue: Catalogue, *, replace_old: bool = False) -> None:
    """Write the sheet. Raises InputError for another ending, a file that is there, or a folder that is not."""
    suffix = path.suffix.lower()
    if suffix not in (*TEXT_SUFFIXES, *BOOK_SUFFIXES[:1]):
        raise InputError(f"{path}: the sheet ends in .csv or .xlsx", "such as notes.xlsx")
    if path.exists() and not replace_old:
        raise InputError(f"{path} is there already", "another name, or --force to replace it")
    make = _make_book if suffix in BOOK_SUFFIXES else _make_text
    write_whole(path, make(catalogue))


def word_lists(catalogue: Catalogue) -> dict[str, list[tuple[str, str]]]:
    """The allowed words by column, each with what it means."""
    return {
        "what": [(word, sort.says) for word, sort in SORTS.items()],
        "metal": list(zip(METALS, ("gold", "silver", "palladium"), strict=True)),
        "kind": [
            *((kind.id, kind.name) for kind in catalogue.kinds.values()),
            *((board.id, board.name) for board in catalogue.boards.values()),
        ],
        "route": [(route.id, route.line) for route in catalogue.routes.values()],
        "form": [(form.id, form.name) for form in catalogue.forms.values()],
        "liquid": [(word, "") for word in LIQUIDS],
        "colour": [(word, "") for word in RESULTS],
        "moment": [(word, "") for word in MOMENTS],
        "method": [(word, "") for word in METHODS],
        "burning": [(word, "") for word in ways_of_burning(catalogue)],
        "wet, mixed, damp, close, nominal": [("yes", ""), ("no", "")],
    }


def example_rows() -> Iterator[list[str]]:
    """An invented row of each sort, as a remark: `# lot`."""
    for word, sort in SORTS.items():
        yield [f"{REMARK} {word}", *(sort.example.get(name, "") for name in COLUMNS if name != "what")]


def _needs(word: str) -> str:
    """What a sort of row takes, in words."""
    sort = SORTS[word]
    needed = ", ".join(dict.fromkeys(names.replace("|lot", "").replace("|fraction", "") for names in sort.needed))
    optional = ", ".join((*sort.optional, ALWAYS[-1]))
    return f"{word}: {sort.says}. Needs {ALWAYS[1]}, {needed}; may have {optional}."


def _make_text(catalogue: Catalogue) -> bytes:
    out = io.StringIO()
    rows = csv.writer(out, lineterminator="\n")
    for text in EXPLAINED:
        rows.writerow([f"{REMARK} {text}"])
    for word in SORTS:
        rows.writerow([f"{REMARK} {_needs(word)}"])
    for column, words in word_lists(catalogue).items():
        if column != "what":
            rows.writerow([f"{REMARK} {column}: " + " | ".join(word for word, _ in words)])
    rows.writerow(list(COLUMNS))
    for row in example_rows():
        rows.writerow(row)
    # with the mark that makes spreadsheets read it as UTF-8
    return out.getvalue().encode("utf-8-sig")


def _make_book(catalogue: Catalogue) -> bytes:
    import openpyxl  # late: only this and reading a workbook need it
    from openpyxl.styles import Alignment, Font

    book = openpyxl.Workbook()
    page, words = book.active, book.create_sheet(WORDS)
    page.title = NOTES
    page.append(list(COLUMNS))
    page.freeze_panes = "C2"
    for column, name in enumerate(COLUMNS, start=1):
        page.cell(1, column).font = Font(bold=True)
        page.column_dimensions[letters(column)].width = 32 if name in ("charges", "heaps", "note") else 14
    for row in example_rows():
        page.append(row)
    for cells in page.iter_rows(min_row=2):
        for cell in cells:
            cell.font = Font(italic=True, color="808080")
    explained = [*EXPLAINED, *(_needs(word) for word in SORTS), *(f"{n}: {c.says}" for n, c in COLUMNS.items())]
    for number, text in enumerate(explained, start=1):
        words.cell(number, 1, text).alignment = Alignment(wrap_text=False)
    _offer_words(page, words, len(explained) + 2, catalogue)
    data = io.BytesIO()
    book.save(data)
    return data.getvalue()


def _offer_words(page: Any, words: Any, first: int, catalogue: Catalogue) -> None:
    """The lists of allowed words on their sheet, offered in the cells of the notes."""
    from openpyxl.styles import Font
    from openpyxl.worksheet.datavalidation import DataValidation

    for number, (column, listed) in enumerate(word_lists(catalogue).items()):
        left = 2 * number + 1
        words.cell(first, left, column).font = Font(bold=True)
        for row, (word, says) in enumerate(listed, start=first + 1):
            words.cell(row, left, word)
            words.cell(row, left + 1, says)
        place = letters(left)
        source = f"{WORDS}!${place}${first + 1}:${place}${first + len(listed)}"
        # offered, not forced: remarks may stand in the same column
        offer = DataValidation(type="list", formula1=source, allow_blank=True, showErrorMessage=False)
        page.add_data_validation(offer)
        for name in column.split(", "):
            at = letters(list(COLUMNS).index(name) + 1)
            offer.add(f"{at}2:{at}{LISTED_ROWS}")
