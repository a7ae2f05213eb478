"""Lot files as people write them: TOML and CSV, every fault at once with its line, nothing half read."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest

from gradeest.errors import InputError
from gradeest.materials.catalogue import load_catalogue, shipped_folder
from gradeest.records.intake import lot_payload, read_lot
from gradeest.records.payloads import lot_from

TODAY = dt.date(2025, 6, 30)

GOOD = """
# what was found in the attic
name = "attic"
date = 2025-03-09
price_paid = "75 EUR"
owner = "a friend"
unsorted = "3 kg"
note = "from the clear-out"

[[fraction]]
name = "strips"
kind = "fingers-memory"
mass = "2.45 kg"
pieces = 2700

[[fraction]]
kind = "pins-mixed"
mass = "430g"   # no name: the kind's
mixed = true

[[fraction]]
kind = "ash-filters"
mass = "1,84 g"
wet = false
note = "burnt"
"""


@pytest.fixture(scope="module")
def catalogue():
    return load_catalogue()


@pytest.fixture
def read(tmp_path, catalogue):
    def read(text: str | bytes, name: str = "lot.toml"):
        path = tmp_path / name
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return read_lot(path, catalogue, today=TODAY)[0]

    return read


@pytest.fixture
def faults(read):
    """(line, what is said) of every fault of a file."""

    def faults(text: str | bytes, name: str = "lot.toml"):
        with pytest.raises(InputError) as caught:
            read(text, name)
        assert caught.value.exit_code == 3
        assert all(issue.file.endswith(name) for issue in caught.value.issues)
        return [(issue.line, f"{issue.message} -> {issue.hint}") for issue in caught.value.issues]

    return faults


def says(found, line, words):
    return any(at == line and words in text for at, text in found)


def test_a_toml_lot(read):
    lot = read(GOOD)
    assert (lot.name, lot.date, lot.price_paid, lot.owner) == ("attic", dt.date(2025, 3, 9), 75.0, "a friend")
    assert (lot.unsorted_kg, lot.note, lot.invented) == (3.0, "from the clear-out", False)
    strips, pins, ash = lot.fractions
    assert (strips.name, strips.kind, strips.mass_kg, strips.pieces) == ("strips", "fingers-memory", 2.45, 2700)
    assert (pins.name, pins.mass_kg, pins.mixed, pins.wet) == ("pins-mixed", 0.43, True, False)
    assert (ash.name, ash.mass_kg, ash.note) == ("ash-filters", pytest.approx(0.00184), "burnt")


def test_the_least_a_lot_needs(read):
    lot = read('[[fraction]]\nkind = "pins-mixed"\nmass = "1 lb"', "shed.toml")
    assert (lot.name, lot.date, lot.owner, lot.price_paid) == ("shed", TODAY, "mine", None)
    assert lot.fractions[0].mass_kg == pytest.approx(0.45359237, rel=1e-9)  # international pound, NIST SP 811
    assert read('unsorted = "8 kg"', "shed.toml").fractions == ()


def test_a_lot_survives_the_ledger_unchanged(read):
    lot = read(GOOD)
    assert lot_from(lot_payload(lot), TODAY) == lot


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_a_csv_lot(read, delimiter):
    rows = [
        ["lot", "Date", "price paid", "fraction", "kind", "mass", "pieces", "wet", "mixed", "note"],
        ["attic", "2025-03-09", "75", "strips", "fingers-memory", "2.45 kg", "2700", "", "", "cut close"],
        ["", "", "", "", "pins-mixed", "430g", "", "dry", "yes", ""],
        ["attic", "", "", "", "ash-filters", "2 g", "", "wet", "no", '"said ""x"""'],
        ["attic", "", "", "", "unsorted", "3 kg", "", "", "", ""],
    ]
    text = "# a remark\n" + "\r\n".join(delimiter.join(row) for row in rows) + "\r\n\r\n"
    lot = read(text, "x.csv")
    assert (lot.name, lot.date, lot.price_paid, lot.unsorted_kg) == ("attic", dt.date(2025, 3, 9), 75.0, 3.0)
    strips, pins, ash = lot.fractions
    assert (strips.name, strips.kind, strips.mass_kg, strips.pieces) == ("strips", "fingers-memory", 2.45, 2700)
    assert (pins.name, pins.mass_kg, pins.wet, pins.mixed) == ("pins-mixed", 0.43, False, True)
    assert (ash.wet, ash.note) == (True, 'said "x"')


def test_units_may_stand_in_the_heading(read):
    lot = read("kind;mass_kg\npins-mixed;2,45\n", "a.csv")
    assert lot.fractions[0].mass_kg == 2.45
    assert lot.name == "a"
    assert read("kind,mass_g\npins-mixed,430\nunsorted,1200\n", "a.csv").unsorted_kg == 1.2


def test_decimal_commas(read, faults):
    assert read("kind;mass\npins-mixed;1,84 g\n", "a.csv").fractions[0].mass_kg == pytest.approx(0.00184)
    assert read('kind,mass\npins-mixed,"1,84 g"\n', "a.csv").fractions[0].mass_kg == pytest.approx(0.00184)
    found = faults("kind,mass\npins-mixed,1,84 g\n", "a.csv")
    assert says(found, 2, "3 cells under 2 headings")
    assert says(found, 2, 'in quotes: "1,84 g"')
    assert faults('[[fraction]]\nkind = "pins-mixed"\nmass = "1,840 g"')[0][0] == 3  # thousands or decimals?


def test_every_fault_at_once_with_its_line(faults):
    found = faults(
        """name = "B7"
date = 2026-01-01
price_paid = "-5"
nmae = "x"
[[fraction]]
kind = "fingrs-memory"
mass = 2.45
[[fraction]]
name = "a b"
kind = "pins-mixed"
mass = "-1 kg"
pieces = 2.5
[[fraction]]
kind = "ash-filters"
[[fraction]]
kind = "pins-mixed"
mass = "12"
mixed = "perhaps"
[[fraction]]
kind = "pins-mixed"
mass = "0.8 ozt"
weight = "3 kg"
[[part]]
x = 1
"""
    )
    assert says(found, 1, "how batches are called")
    assert says(found, 2, "lies in the future")
    assert says(found, 3, "")
    assert says(found, 4, "did you mean name")
    assert says(found, 6, "no kind 'fingrs-memory' -> did you mean fingers-memory")
    assert says(found, 7, 'has no unit -> with its unit and in quotes, e.g. "2.45 kg"')
    assert says(found, 9, "'a b' cannot be a name")
    assert says(found, 11, "")
    assert says(found, 12, "cannot be a count")
    assert says(found, 13, "the mass is missing")
    assert says(found, 13, "wet or dry")
    assert says(found, 17, "")
    assert says(found, 18, "neither yes nor no")
    assert says(found, 19, "two fractions are called 'pins-mixed'")
    assert says(found, 22, "no 'weight'")
    assert says(found, None, "no [[part]]") or any("no [[part]]" in text for _, text in found)
    assert len(found) == 16


def test_lines_that_are_no_toml_do_not_hide_the_rest(faults):
    found = faults('name = attic\n[[fraction]]\nkind = "pins-mxed"\nmass = 2.45 kg\nnote = "x"\n')
    assert says(found, 1, "not TOML")
    assert says(found, 3, "did you mean pins-mixed")
    assert says(found, 4, 'stand in quotes: mass = "2.45 kg"')
    assert len(found) == 3
    assert says(faults("just words\n"), 1, "not TOML")
    assert says(faults('name = "a"\nname = "b"\nunsorted = "1 kg"\n'), 2, "not TOML")
    assert says(faults('note = """never\nclosed'), 2, "not TOML")


def test_an_empty_lot(faults):
    assert any("empty" in text for _, text in faults('name = "attic"\n'))
    assert any("empty" in text for _, text in faults(""))
    assert any("empty" in text for _, text in faults("", "a.csv"))
    assert any("empty" in text for _, text in faults("kind,mass\n", "a.csv"))


def test_masses_without_unit_or_with_an_unclear_one(faults):
    for mass in ("430", "2.45 stone?", "", "kg", "nan kg", "inf kg", "1e9 kg"):
        assert says(
            faults(f'[[fraction]]\nkind = "pins-mixed"\nmass = "{mass}"'), 3, "mass is missing" if mass == "" else ""
        )
    both = faults('[[fraction]]\nkind = "pins-mixed"\nmass = "1 kg"\nmass_g = 1000')
    assert any("given as mass and mass_g" in text for _, text in both)


WRONG_ENCODINGS = {
    "cp1252": "kind,mass,note\npins-mixed,1 kg,gr\xfcn\n".encode("cp1252"),
    "utf-16": "kind,mass\npins-mixed,1 kg\n".encode("utf-16"),
    "utf-16-be": b"\xfe\xff" + "kind,mass\n".encode("utf-16-be"),
    "utf-16 without mark": "kind,mass\npins-mixed,1 kg\n".encode("utf-16-le"),
}


@pytest.mark.parametrize("encoding", WRONG_ENCODINGS)
@pytest.mark.parametrize("name", ["a.csv", "a.toml"])
def test_wrong_encodings_are_named_with_line_and_what_to_do(faults, encoding, name):
    ((line, text),) = faults(WRONG_ENCODINGS[encoding], name)
    assert "UTF-8" in text
    assert line == (2 if encoding == "cp1252" else 1)
    if encoding == "cp1252":
        assert "in Windows-1252: 'ü'" in text


def test_a_byte_order_mark_is_fine(read):
    assert read(b"\xef\xbb\xbfkind,mass\npins-mixed,1 kg\n", "a.csv").fractions[0].kind == "pins-mixed"
    assert read(b'\xef\xbb\xbfunsorted = "1 kg"', "a.toml").unsorted_kg == 1.0


@pytest.mark.parametrize(
    ("data", "says"),
    [(b"PK\x03\x04..", "a spreadsheet"), (b"\xd0\xcf\x11\xe0", "an old spreadsheet"), (b"%PDF-1.7", "a PDF")],
)
def test_files_that_are_no_text(tmp_path, catalogue, data, says):
    path = tmp_path / "a.csv"
    path.write_bytes(data)
    with pytest.raises(InputError, match=says):
        read_lot(path, catalogue, today=TODAY)


def test_files_that_are_not_there(tmp_path, catalogue):
    for path in (tmp_path, tmp_path / "none.toml", tmp_path / "lot.xlsx", tmp_path / "lot"):
        with pytest.raises(InputError) as caught:
            read_lot(path, catalogue, today=TODAY)
        assert caught.value.hint
    huge = tmp_path / "huge.csv"
    huge.write_bytes(b"x" * 3_000_000)
    with pytest.raises(InputError, match="larger than 2 MB"):
        read_lot(huge, catalogue, today=TODAY)


def test_csv_faults(faults):
    found = faults("kind,mass,kind,colour\npins-mixed,1 kg,,red\n", "a.csv")
    assert says(found, 1, "two columns are called 'kind'")
    assert says(found, 1, "no column 'colour'")
    found = faults("lot,kind,mass\na,pins-mixed,1 kg\nb,pins-full,1 kg\n", "a.csv")
    assert says(found, 3, "'b' here, 'a' further up")
    assert says(faults('kind,mass\npins-mixed,1 kg\n"pins-full,2 kg\n', "a.csv"), 3, "not CSV")
    found = faults("kind,mass\n\n\n,1 kg\npins-mixed,\n", "a.csv")
    assert says(found, 4, "the kind is missing")
    assert says(found, 5, "the mass is missing")


def test_the_unsorted_line_of_a_csv(read, faults):
    lot = read("kind;mass;note\nunsorted;3,5 kg;boards\n", "a.csv")
    assert (lot.unsorted_kg, lot.note, lot.fractions) == (3.5, "boards", ())
    assert says(faults("kind,mass\npins-mixed,1 kg\nunsorted,\n", "a.csv"), 3, "mass is missing")
    assert says(faults("kind,mass\nunsorted,1 kg\nunsorted,2 kg\n", "a.csv"), 3, "a second line")
    assert says(faults("kind,mass\nunsorted,1\n", "a.csv"), 2, "")
    assert says(faults("kind,mass_kg\nunsorted,-1\n", "a.csv"), 2, "")


def test_line_numbers_hold_behind_a_note_of_several_lines(faults):
    found = faults('kind,mass,note\npins-mixed,1 kg,"one\ntwo\nthree"\npins-full,no,x\n', "a.csv")
    assert [line for line, _ in found] == [5]


def test_a_name_in_use_is_refused(tmp_path, catalogue):
    path = tmp_path / "attic.toml"
    path.write_text('unsorted = "1 kg"', encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_lot(path, catalogue, today=TODAY, taken=["Attic"])
    assert "attic-2" in caught.value.issues[0].hint


def test_reading_leaves_the_file_alone_and_gives_warnings(tmp_path, catalogue):
    path = tmp_path / "attic.toml"
    path.write_text(GOOD, encoding="utf-8")
    lot, notes = read_lot(path, catalogue, today=TODAY)
    assert (lot.name, notes) == ("attic", [])
    assert path.read_text(encoding="utf-8") == GOOD


def test_shipped_demo_lots_are_marked_invented(catalogue):
    lots = []
    for folder in shipped_folder("demo_lots").iterdir():
        if folder.is_dir():
            lot, issues = read_lot(Path(str(folder)) / "lot.toml", catalogue, today=TODAY)
            assert lot.name == folder.name
            assert lot.invented
            assert "invented" in lot.note
            assert not issues
            lots.append(lot)
    assert len(lots) >= 2
    assert any(lot.boards for lot in lots)  # not taken apart
    kinds = [{f.kind for f in lot.fractions} for lot in lots]
    assert all(not a & b for i, a in enumerate(kinds) for b in kinds[:i])  # of quite different sorts
