"""Any bench written into a sheet comes back the same, as CSV and XLSX; any bytes give notes or a refusal in words."""

from __future__ import annotations

import csv
import datetime as dt
import tempfile
from pathlib import Path

import openpyxl
from hypothesis import given, settings
from hypothesis import strategies as st

from gradeest.errors import InputError
from gradeest.materials.catalogue import load_catalogue
from gradeest.records.growing import Growing
from gradeest.records.sheet_columns import COLUMNS
from gradeest.records.sheet_template import write_template
from gradeest.records.sheet_values import Habits
from gradeest.records.sheets import How, read_notes
from gradeest.units import parse_share_range

CATALOGUE = load_catalogue()
TODAY = dt.date(2025, 6, 30)
KINDS = ("fingers-memory", "pins-mixed", "mlcc-nonmagnetic")

grams = st.integers(10, 5_000)
days = st.dates(dt.date(2020, 1, 1), dt.date(2025, 6, 1))
weights = st.decimals("0.01", "9.99", places=2)


@st.composite
def rows(draw):
    """A lot and batches of it with their weights, as cells by column, in any order."""
    since = draw(days)
    masses = {kind: draw(grams) for kind in draw(st.lists(st.sampled_from(KINDS), min_size=1, unique=True))}
    found = [
        {"what": "lot", "date": since, "lot": "attic", "fraction": kind, "kind": kind, "mass": f"{mass} g"}
        for kind, mass in masses.items()
    ]
    for number in range(draw(st.integers(0, 4))):
        kind = draw(st.sampled_from(sorted(masses)))
        day = since + dt.timedelta(days=draw(st.integers(0, 29)))
        name = f"run {number}"
        charges = f"attic/{kind}={draw(st.integers(1, 9))} g"
        route = CATALOGUE.kinds[kind].usual_route
        found.append({"what": "batch", "date": day, "batch": name, "charges": charges, "route": route})
        found.append(
            {"what": "product", "date": day, "batch": name, "metal": "Au", "form": "gold-powder",
             "weight": f"{draw(weights)} g", "readability": "0.01 g", "close": draw(st.sampled_from(["yes", ""]))}
        )  # fmt: skip
    return draw(st.permutations(found))


def fill(path: Path, cells: list[dict[str, object]]) -> None:
    """The template with rows added below its remarks."""
    write_template(path, CATALOGUE, replace_old=True)
    lines = [[row.get(column) or None for column in COLUMNS] for row in cells]
    if path.suffix == ".csv":
        with path.open("a", encoding="utf-8", newline="") as file:
            csv.writer(file).writerows([["" if cell is None else str(cell) for cell in line] for line in lines])
        return
    book = openpyxl.load_workbook(path)
    for line in lines:
        book["notes"].append(line)
    book.save(path)


def read(path: Path):
    return read_notes(path, CATALOGUE, How(TODAY), parse_share_range)


@settings(max_examples=25, deadline=None)
@given(rows())
def test_a_filled_template_comes_back_the_same_from_both_sorts_of_file(cells):
    with tempfile.TemporaryDirectory() as folder:
        read_back = []
        for name in ("n.csv", "n.xlsx"):
            fill(Path(folder) / name, cells)
            notes = read(Path(folder) / name)
            assert not notes.issues
            read_back.append([(e.sort, e.payload, e.date, e.marks) for e in notes.entries])
    assert read_back[0] == read_back[1]
    entries = read_back[0]
    dates = [date for _, _, date, _ in entries]
    assert dates == sorted(dates)
    assert sum(sort == "close" for sort, *_ in entries) == sum(row.get("close") == "yes" for row in cells)
    typed = sorted(float(str(row["weight"]).split()[0]) for row in cells if row["what"] == "product")
    assert sorted(p["weight_g"] for sort, p, *_ in entries if sort == "product") == typed
    masses = sum(int(str(row["mass"]).split()[0]) for row in cells if row["what"] == "lot")
    (lot,) = [p for sort, p, *_ in entries if sort == "lot"]
    assert abs(sum(f["mass_kg"] for f in lot["fractions"]) * 1000 - masses) < 1e-6


@settings(max_examples=25, deadline=None)
@given(rows())
def test_entries_come_in_an_order_that_the_rules_let_in(cells):
    with tempfile.TemporaryDirectory() as folder:
        fill(Path(folder) / "n.csv", cells)
        notes = read(Path(folder) / "n.csv")
    growing = Growing([], CATALOGUE, TODAY)
    names: dict[str, str] = {}
    for entry in notes.entries:
        payload = dict(entry.payload)
        if entry.sort == "batch":
            names[payload["name"]] = payload["name"] = growing.next_batch()
        elif "batch" in payload:
            payload["batch"] = names[payload["batch"]]  # a KeyError: a weight came before its batch
        refused = [i for i in growing.check(entry.kind, payload, entry.date) if i.severity == "error"]
        assert all(issue.field in ("weight", "charge", "metal") for issue in refused), refused
        if not refused or entry.sort in ("batch", "lot"):
            growing.add(entry.kind, payload, entry.date)


@settings(max_examples=60, deadline=None)
@given(st.binary(max_size=120) | st.text(alphabet='what,date;lot"\n\t-#23./=é ', max_size=120).map(str.encode))
def test_any_bytes_give_notes_or_a_refusal_in_words(data):
    with tempfile.TemporaryDirectory() as folder:
        for name in ("n.csv", "n.xlsx"):
            (Path(folder) / name).write_bytes(data)
            refusal = None
            try:
                notes = read(Path(folder) / name)
            except InputError as err:
                refusal = err
            assert (refusal.hint or refusal.issues) if refusal is not None else (notes.entries or notes.issues)


@settings(max_examples=200, deadline=None)
@given(days, st.sampled_from(["dmy", "mdy", "ymd"]), st.sampled_from(".-/"))
def test_a_date_without_its_order_is_that_day_or_refused(day, order, mark):
    parts = {"d": f"{day.day}", "m": f"{day.month}", "y": f"{day.year}"}
    text = mark.join(parts[letter] for letter in order)
    assert Habits(TODAY, dates=order).date(text) == day
    try:
        guessed = Habits(TODAY).date(text)
    except InputError:
        return
    assert guessed == day


@settings(max_examples=200, deadline=None)
@given(st.decimals("0.001", "99999", places=3), st.sampled_from(["comma", "point"]), st.booleans())
def test_a_number_without_its_decimal_mark_is_that_number_or_refused(number, decimal, grouped):
    text = f"{number:,.3f}" if grouped else f"{number:.3f}"
    if decimal == "comma":
        text = text.translate(str.maketrans(",.", ".,"))
    assert float(Habits(TODAY, decimal).number_text(text)) == float(number)
    try:
        read = Habits(TODAY).number_text(text)
    except InputError:
        return
    assert float(read.replace(",", "")) == float(number) or ("," in read and "." in read)
