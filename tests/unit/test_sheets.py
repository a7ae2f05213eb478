"""A sheet of old notes: CSV and XLSX say the same, nothing is guessed, every problem is told by its cell."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from gradeest.errors import InputError
from gradeest.materials.catalogue import load_catalogue
from gradeest.records.sheet_cells import letters, plain_number, read_sheets
from gradeest.records.sheet_columns import COLUMNS, part_unit
from gradeest.records.sheet_rules import SORTS, columns_of
from gradeest.records.sheet_template import write_template
from gradeest.records.sheet_values import Habits, clear_marks
from gradeest.records.sheets import How, Notes, read_notes
from gradeest.units import parse_share_range

CATALOGUE = load_catalogue()
TODAY = dt.date(2025, 6, 30)
HEAD = "what,date,lot,fraction,kind,mass,batch,charges,metal,form,weight,readability,close"
LOT = "lot,2024-01-05,attic,strips,fingers-memory,1.2 kg,,,,,,,"
BATCH = "batch,2024-02-03,,,,,run 7,attic/strips=600 g,,,,,"
WEIGHT = "product,2024-02-10,,,,,run 7,,Au,gold-powder,1.44 g,0.01 g,yes"


def read(path: Path, **how: Any) -> Notes:
    return read_notes(path, CATALOGUE, How(TODAY, **how), parse_share_range)


def from_csv(folder: Path, *rows: str, name: str = "notes.csv", **how: Any) -> Notes:
    path = folder / name
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    return read(path, **how)


def from_book(folder: Path, *rows: list[Any], name: str = "notes.xlsx", **how: Any) -> Notes:
    book = openpyxl.Workbook()
    book.active.title = "2024"
    for row in rows:
        book.active.append(row)
    book.save(folder / name)
    return read(folder / name, **how)


def told(notes: Notes) -> dict[str, str]:
    """Cell -> what was wrong and what to type."""
    return {issue.field: f"{issue.message} -> {issue.hint}" for issue in notes.issues}


def said(notes: Notes) -> list[Any]:
    return [(entry.sort, entry.payload, entry.date, entry.marks) for entry in notes.entries]


def test_a_row_becomes_an_event_and_closes_its_batch(tmp_path: Path) -> None:
    notes = from_csv(tmp_path, HEAD, LOT, BATCH, WEIGHT)
    assert not notes.issues
    lot, batch, product, close = notes.entries
    assert lot.payload["fractions"][0]["mass_kg"] == pytest.approx(1.2)
    assert batch.payload == {
        "name": "run 7", "route": None, "note": "", "charges": [{"address": "attic/strips", "mass_kg": 0.6}]
    }  # fmt: skip
    assert product.payload["weight_g"] == pytest.approx(1.44)
    assert (close.sort, close.payload, close.date) == ("close", {"batch": "run 7"}, dt.date(2024, 2, 10))


def test_csv_and_xlsx_give_the_same_entries(tmp_path: Path) -> None:
    as_text = from_csv(tmp_path, HEAD.replace("weight", "weight (g)").replace("mass", "mass [kg]"),
                       LOT.replace("1.2 kg", "1.2"), BATCH, WEIGHT.replace("1.44 g", "1.44"))  # fmt: skip
    heads = ["what", "date", "lot", "fraction", "kind", "mass [kg]", "batch", "charges", "metal", "form", "weight (g)"]
    book = from_book(
        tmp_path,
        [*heads, "readability", "close"],
        ["lot", dt.datetime(2024, 1, 5), "attic", "strips", "fingers-memory", 1.2],
        ["batch", dt.date(2024, 2, 3), *[None] * 4, "run 7", "attic/strips=600 g"],
        ["product", "2024-02-10", *[None] * 4, "Run 7", None, "gold", "gold powder", 1.44, "0.01 g", True],
    )
    assert not as_text.issues
    assert not book.issues
    assert [(s, d, m) for s, _, d, m in said(book)] == [(s, d, m) for s, _, d, m in said(as_text)]
    assert said(book)[:2] == said(as_text)[:2]


@pytest.mark.parametrize("parted", [",", ";", "\t"])
def test_commas_semicolons_and_tabs_part_the_cells(tmp_path: Path, parted: str) -> None:
    rows = [row.replace(",", parted) for row in (HEAD, LOT, BATCH, WEIGHT)]
    assert said(from_csv(tmp_path, "\ufeff" + rows[0], *rows[1:])) == said(from_csv(tmp_path, HEAD, LOT, BATCH, WEIGHT))


def test_entries_come_oldest_first_and_in_an_order_that_can_have_been(tmp_path: Path) -> None:
    same_day = WEIGHT.replace("02-10", "02-03")
    notes = from_csv(tmp_path, HEAD, same_day, BATCH, LOT)
    assert [entry.sort for entry in notes.entries] == ["lot", "batch", "product", "close"]


def test_a_number_that_reads_two_ways_is_never_guessed(tmp_path: Path) -> None:
    for typed in ("1,234 g", "1.234 g"):
        notes = from_csv(tmp_path, HEAD, LOT, BATCH, WEIGHT.replace("1.44 g", f'"{typed}"').replace("0.01 g", ""))
        if typed == "1,234 g":
            assert "1.234 or 1234" in told(notes)["K4"]
            assert "--decimal" in told(notes)["K4"]
    lonely = [HEAD, LOT.replace("1.2 kg", "1.234 kg"), BATCH]
    assert "1.234 or 1234" in told(from_csv(tmp_path, *lonely))["F2"]
    for decimal, mass in (("point", 1.234), ("comma", 1234.0)):
        entry = from_csv(tmp_path, *lonely, decimal=decimal).entries[0]
        assert entry.payload["fractions"][0]["mass_kg"] == pytest.approx(mass)


def test_a_clear_decimal_point_elsewhere_settles_a_point_but_not_beside_decimal_commas() -> None:
    assert clear_marks(["2.05 g", "1,234 g"]) == {"."}
    assert Habits(TODAY, clear=frozenset(".")).number_text("1.234 g") == "1.234 g"
    for clear in ("", ",", ".,"):
        with pytest.raises(InputError, match="two ways"):
            Habits(TODAY, clear=frozenset(clear)).number_text("1.234 g")
    for clear in ("", ",", "."):
        with pytest.raises(InputError, match="two ways"):
            Habits(TODAY, clear=frozenset(clear)).number_text("1,234 g")


@pytest.mark.parametrize(
    ("decimal", "typed", "means"),
    [
        (None, "1,84 g", "1.84 g"),
        (None, "2,5-3 g", "2.5-3 g"),
        (None, "1 840,5 g", "1840.5 g"),
        ("comma", "1.840,5 g", "1840.5 g"),
        ("comma", "1,234 g", "1.234 g"),
        ("comma", "1.234 g", "1234 g"),
        ("point", "1,234 g", "1234 g"),
        ("point", "1.234 g", "1.234 g"),
        ("point", "12,345.6 g", "12345.6 g"),
    ],
)
def test_decimal_marks(decimal: Any, typed: str, means: str) -> None:
    assert Habits(TODAY, decimal).number_text(typed) == means


@pytest.mark.parametrize(("decimal", "typed"), [("comma", "2.5 g"), ("point", "1,84 g"), ("comma", "1,2,3")])
def test_a_number_against_the_mark_that_was_named_is_refused(decimal: Any, typed: str) -> None:
    with pytest.raises(InputError, match=f"decimal {decimal}"):
        Habits(TODAY, decimal).number_text(typed)


@pytest.mark.parametrize(
    ("order", "typed", "day"),
    [
        (None, "2024-03-09", (2024, 3, 9)),
        ("mdy", "2024-03-09", (2024, 3, 9)),
        (None, "2024/3/9", (2024, 3, 9)),
        (None, "13.04.2024", (2024, 4, 13)),
        (None, "4/13/2024", (2024, 4, 13)),
        (None, "5.5.2024", (2024, 5, 5)),
        (None, "9-Mar-24", (2024, 3, 9)),
        ("dmy", "3.4.24", (2024, 4, 3)),
        ("mdy", "3/4/2024", (2024, 3, 4)),
        ("ymd", "24-03-09", (2024, 3, 9)),
        ("dmy", "3.4.78", (1978, 4, 3)),
    ],
)
def test_dates(order: Any, typed: str, day: tuple[int, int, int]) -> None:
    assert Habits(TODAY, dates=order).date(typed) == dt.date(*day)


@pytest.mark.parametrize(
    ("order", "typed"),
    [
        (None, "3.4.2024"),
        (None, "03-04-05"),
        ("mdy", "13/04/2024"),
        (None, "31.2.2024"),
        (None, "spring"),
        (None, 45000.0),
    ],
)
def test_a_date_that_is_none_or_reads_two_ways_is_refused(order: Any, typed: Any) -> None:
    with pytest.raises(InputError) as refused:
        Habits(TODAY, dates=order).date(typed)
    assert "YYYY-MM-DD" in refused.value.hint
    if typed == "3.4.2024":
        assert "--dates dmy, or --dates mdy" in refused.value.hint


@pytest.mark.parametrize(
    ("heading", "column", "unit"),
    [
        ("Weight (g)", "weight", "g"),
        ("mass [kg]", "mass", "kg"),
        ("mass_kg", "mass", "kg"),
        ("net weight in mg", "weight", "mg"),
        ("Datum", "date", ""),
        ("sold to", "to", ""),
        ("batch weight", None, ""),
        ("lot number", None, ""),
    ],
)
def test_headings(heading: str, column: str | None, unit: str) -> None:
    assert part_unit(heading) == (column, unit)


def test_a_heading_can_be_mapped_with_its_unit_and_ignored(tmp_path: Path) -> None:
    rows = [HEAD.replace("weight", "Netto") + ",weather", LOT, BATCH, WEIGHT.replace("1.44 g", "1.44") + ",rain"]
    unknown = told(from_csv(tmp_path, *rows))
    assert '--map "Netto=COLUMN"' in unknown["K1"]
    assert "N1" in unknown
    notes = from_csv(tmp_path, *rows, mapping=("Netto=weight (g)", "weather=ignore"))
    assert not notes.issues
    assert notes.entries[2].payload["weight_g"] == pytest.approx(1.44)
    remembered = from_csv(tmp_path, *rows, remembered={"netto": "weight (g)", "weather": "ignore"})
    assert said(remembered) == said(notes)


def test_an_interval_is_its_middle_and_its_width(tmp_path: Path) -> None:
    for typed in ("2-3 g", '"2,0 - 3,0 g"'):
        notes = from_csv(tmp_path, HEAD, LOT, BATCH, WEIGHT.replace("1.44 g", typed).replace("0.01 g", ""))
        payload = notes.entries[2].payload
        assert (payload["weight_g"], payload["interval_g"]) == (2.5, 1.0)


PROBLEMS = [  # column and value put into the row of the product (row 4), and what is said of the cell
    ("A", "prodcut", "did you mean product"),
    ("A", "", "what this row tells is missing"),
    ("B", "", "date is missing"),
    ("B", "3.4.2024", "2024-03-04 or 2024-04-03"),
    ("B", "2031-01-01", "lies in the future"),
    ("C", "attic", "a row of 'product' has no lot"),
    ("G", "", "batch is missing"),
    ("I", "iron", "there is no metal 'iron'"),
    ("J", "gold-pwder", "did you mean gold-powder"),
    ("K", "", "weight is missing"),
    ("K", "1.44", "has no unit"),
    ("K", "1.44 oz", "can mean two things"),
    ("K", "much", "is not a mass"),
    ("K", "3-2 g", "does not rise"),
    ("L", "fine", "is not a mass"),
    ("M", "perhaps", "neither yes nor no"),
]


@pytest.mark.parametrize(("column", "value", "words"), PROBLEMS)
def test_every_kind_of_problem_is_told_by_its_cell(tmp_path: Path, column: str, value: str, words: str) -> None:
    cells = WEIGHT.split(",")
    cells[ord(column) - ord("A")] = value
    rows = [row.split(",") for row in (HEAD, LOT, BATCH)]
    text = told(from_csv(tmp_path, HEAD, LOT, BATCH, ",".join(cells)))
    assert list(text) == [f"{column}4"]
    assert words in text[f"{column}4"]
    book = told(from_book(tmp_path, *rows, [cell or None for cell in cells]))
    assert book == {f"2024!{column}4": text[f"{column}4"]}


def test_all_problems_come_at_once(tmp_path: Path) -> None:
    notes = from_csv(
        tmp_path,
        HEAD,
        LOT.replace("1.2 kg", "1.2"),
        BATCH.replace("600 g", "much"),
        WEIGHT.replace("Au", "X").replace("1.44 g", "1,444 g"),
    )
    assert list(told(notes)) == ["F2", "H3", "I4", "K4", "M4", "N4"]  # the comma parted the weight
    assert notes.broken >= {"lot:attic", "batch:run 7"}


def test_the_rows_of_a_lot_agree_or_it_is_said(tmp_path: Path) -> None:
    second = LOT.replace("strips", "more-strips").replace("01-05", "01-06")
    assert "a lot has one date" in told(from_csv(tmp_path, HEAD, LOT, second))["B3"]
    notes = from_csv(tmp_path, HEAD, LOT, second.replace("2024-01-06", ""))
    assert [f["name"] for f in notes.entries[0].payload["fractions"]] == ["strips", "more-strips"]
    assert notes.entries[0].where("more-strips.mass") == "F3"
    assert "date is missing" in told(from_csv(tmp_path, HEAD, LOT.replace("2024-01-05", "")))["B2"]


def test_a_spreadsheets_dates_formulas_errors_and_percents_are_not_mistaken(tmp_path: Path) -> None:
    heads = ["what", "date", "of", "metal", "value", "u"]
    book = openpyxl.Workbook()
    page = book.active
    page.append(heads)
    page.append(["assay", dt.date(2024, 5, 1), "attic/strips", "Au", "2500 g/t", 0.05])
    page["F2"].number_format = "0%"
    page.append(["assay", dt.date(2024, 5, 1), "attic/strips", "Au", dt.datetime(2024, 3, 2), "5 %"])
    page.append(["assay", dt.date(2024, 5, 1), "attic/strips", "Au", "=1+1", "5 %"])
    page.append(["assay", 45000, "attic/strips", "Au", "#REF!", "5 %"])
    page["E5"].data_type = "e"
    book.save(tmp_path / "n.xlsx")
    notes = read(tmp_path / "n.xlsx")
    assert notes.entries[0].payload["u_rel"] == pytest.approx(0.05)
    problems = told(notes)
    assert "holds a date" in problems["Sheet!E3"]
    assert "never worked out" in problems["Sheet!E4"]
    assert "error #REF!" in problems["Sheet!E5"]
    assert "no date" in problems["Sheet!B5"]


def test_which_sheet_of_a_workbook_is_asked_where_several_fit(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    for page in (book.active, book.create_sheet("2023")):
        page.append(HEAD.split(","))
        page.append(LOT.split(","))
    book.create_sheet("other").append(["shopping", "list"])
    book.save(tmp_path / "n.xlsx")
    with pytest.raises(InputError, match="several sheets of notes: Sheet, 2023"):
        read(tmp_path / "n.xlsx")
    assert read(tmp_path / "n.xlsx", sheet="2023").sheet == "2023"
    with pytest.raises(InputError, match="no sheet '2022'"):
        read(tmp_path / "n.xlsx", sheet="2022")


@pytest.mark.parametrize(
    ("name", "data", "message", "hint"),
    [
        ("n.csv", "what,date\nNotes,café\n".encode("cp1252"), "wrong encoding", "CSV UTF-8"),
        ("n.csv", "what,date".encode("utf-16"), "wrong encoding", "CSV UTF-8"),
        ("n.csv", b"PK\x03\x04", "not text", "CSV UTF-8"),
        ("n.xlsx", b"what,date", "no .xlsx workbook", "CSV UTF-8"),
        ("n.xls", b"\xd0\xcf", "ends in .csv or .xlsx", "spreadsheet"),
        ("n.csv", b"\n\n", "is empty", "template"),
    ],
)
def test_a_file_that_is_no_sheet_says_how_to_save_it(
    tmp_path: Path, name: str, data: bytes, message: str, hint: str
) -> None:
    (tmp_path / name).write_bytes(data)
    with pytest.raises(InputError, match=message) as refused:
        read(tmp_path / name)
    assert hint in refused.value.hint


def test_titles_may_stand_above_the_headings_and_remarks_anywhere(tmp_path: Path) -> None:
    notes = from_csv(tmp_path, "Notes of 2024", "", HEAD, "# invented", LOT, BATCH, "# end")
    assert not notes.issues
    assert [entry.rows for entry in notes.entries] == [(5,), (6,)]


def test_titles_above_headings_without_what_are_no_headings(tmp_path: Path) -> None:
    notes = from_csv(tmp_path, "Notes of 2024", HEAD.replace("what", "Art"), LOT)
    assert set(told(notes)) == {"A2"}


def test_a_batch_called_by_a_number_sign_is_no_remark(tmp_path: Path) -> None:
    notes = from_csv(tmp_path, "batch,what,date,charges", "#7,batch,2024-02-03,attic/strips")
    assert [entry.payload["name"] for entry in notes.entries] == ["#7"]


def test_every_column_belongs_to_a_sort_of_row_and_every_example_can_be_read(tmp_path: Path) -> None:
    assert {name for sort in SORTS.values() for name in columns_of(sort)} == set(COLUMNS)
    for ending in (".csv", ".xlsx"):
        write_template(tmp_path / f"t{ending}", CATALOGUE)
    rows = [[word, *(SORTS[word].example.get(name) for name in COLUMNS if name != "what")] for word in SORTS]
    notes = from_book(tmp_path, list(COLUMNS), *rows)
    assert not notes.issues
    assert {entry.sort for entry in notes.entries} == set(SORTS)


def test_the_template_holds_only_remarks_below_its_headings_and_every_allowed_word(tmp_path: Path) -> None:
    for ending in (".csv", ".xlsx"):
        path = tmp_path / f"t{ending}"
        write_template(path, CATALOGUE)
        (sheet, *_) = read_sheets(path)
        assert [list(row.cells.values()) for row in sheet.rows] == [list(COLUMNS)]
        with pytest.raises(InputError, match="there already"):
            write_template(path, CATALOGUE)
    text = (tmp_path / "t.csv").read_text(encoding="utf-8")
    words = {str(c.value) for row in openpyxl.load_workbook(tmp_path / "t.xlsx")["words"] for c in row}
    for word in (*SORTS, *CATALOGUE.kinds, *CATALOGUE.routes, *CATALOGUE.forms, "tested-negative"):
        assert word in text
        assert word in words


def test_marks_stay_the_same_through_notes_and_spelling_and_tell_twins_apart(tmp_path: Path) -> None:
    first = from_csv(tmp_path, HEAD + ",note", LOT, BATCH, WEIGHT + ",a first one")
    again = from_csv(tmp_path, HEAD, WEIGHT.replace("1.44 g", '"1,44 g"').replace("run 7", "Run  7"), BATCH, LOT)
    assert {m for e in first.entries for m in e.marks} == {m for e in again.entries for m in e.marks}
    twins = from_csv(tmp_path, HEAD, WEIGHT, WEIGHT)
    assert len({m for e in twins.entries for m in e.marks}) == 4  # two weights and two closings
    other = from_csv(tmp_path, HEAD, WEIGHT.replace("1.44", "1.45"))
    assert not {m for e in other.entries for m in e.marks} & {m for e in first.entries for m in e.marks}


def test_letters_and_numbers_as_a_spreadsheet_has_them() -> None:
    assert [letters(n) for n in (1, 26, 27, 703)] == ["A", "Z", "AA", "AAA"]
    assert [plain_number(n) for n in (0.1 + 0.2, 7.0, 1e-5, 1234567.0)] == ["0.3", "7", "0.00001", "1234567"]


def test_a_column_that_nobody_wants_may_hold_anything(tmp_path: Path) -> None:
    rows = [[*HEAD.split(","), "total"], [*LOT.split(","), "=1+1"]]
    assert "N1" in {place.partition("!")[2] for place in told(from_book(tmp_path, *rows))}
    assert not told(from_book(tmp_path, *rows, mapping=("total=ignore",)))
    assert "2024!A2" not in told(from_book(tmp_path, *rows))


def test_quotes_that_do_not_close_are_told_by_their_row(tmp_path: Path) -> None:
    notes = from_csv(tmp_path, HEAD, LOT, 'batch,2024-02-03,"attic"x')
    assert "quotes" in told(notes)["A3"]
