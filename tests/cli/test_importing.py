"""Old notes from a sheet: all or nothing, by cell, never twice, no forecast, nothing fitted."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from gradeest.errors import LedgerError
from gradeest.records.ledger import Ledger
from tests.cli.conftest import Run
from tests.cli.test_asking import Person

# invented notes of a year, as somebody writes them who has decimal commas
HEAD = "what;date;lot;fraction;kind;mass;batch;charges;route;metal;form;weight;readability;close;below;liquid;of;amount"
ROWS = (
    "lot;2024-01-05;attic;strips;fingers-memory;1,2 kg;;;;;;;;;;;;",
    "lot;;attic;caps;mlcc-nonmagnetic;0,25 kg;;;;;;;;;;;;",
    "batch;2024-02-03;;;;;run 7;attic/strips=600 g;foils-peroxide;;;;;;;;;",
    "product;2024-02-10;;;;;run 7;;;gold;gold powder;1,44 g;0,01 g;yes;;;;",
    "batch;2024-03-03;;;;;Run 8;attic/caps;mlcc-nitric;;;;;;;;;",
    "product;2024-03-10;;;;;run 8;;;Ag;silver-chloride;0,5-0,8 g;;;;;;",
    "none;2024-03-11;;;;;run 8;;;Pd;;;;yes;0,02 g;gone;;",
    "sale;2024-05-02;;;;;;;;;;;;;;;attic/strips;30",
)


@pytest.fixture
def notes(tmp_path: Path) -> Path:
    path = tmp_path / "notes.csv"
    write(path, *ROWS)
    return path


def write(path: Path, *rows: str) -> None:
    path.write_text("\n".join((HEAD, *rows)) + "\n", encoding="utf-8")


def events(run: Run) -> list[dict[str, str]]:
    return run("history", "--json").json["events"]


def test_a_year_comes_in_from_one_sheet(run: Run, notes: Path) -> None:
    done = run("import", "sheet", "notes.csv")
    assert done.code == 0, done.err
    assert "8 rows, as events 1-9" in " ".join(done.out.split())
    assert "run 7         B1     2024-02-03" in done.out
    assert "It is learned from at the next forecast." in done.out
    assert max(map(len, done.out.splitlines())) <= 80
    assert [event["kind"] for event in events(run)] == [
        "lot", "batch", "product", "close", "batch", "product", "nondetect", "close", "sale"
    ]  # fmt: skip
    assert run("lot", "show", "attic", "--json").json["fractions"][0]["left_kg"] == 0
    assert run("batch", "show", "B1", "--json").json["batch"]["products"][0]["weight_g"] == 1.44
    ranged = run("batch", "show", "B2", "--json").json["batch"]["products"][0]
    assert (ranged["weight_g"], round(ranged["interval_g"], 9)) == (0.65, 0.3)


def test_nothing_is_fitted_and_nothing_counts_as_a_forecast(run: Run, notes: Path, tmp_path: Path) -> None:
    assert run("import", "sheet", "notes.csv").code == 0
    assert not (tmp_path / ".gradeest-cache").exists()
    assert run("batch", "show", "B1", "--json").json["expected"] in ([], None)


def test_check_saves_nothing_and_leaves_no_ledger_behind(run: Run, notes: Path, tmp_path: Path) -> None:
    done = run("import", "sheet", "notes.csv", "--check")
    assert done.code == 0
    assert "nothing was saved" in done.out
    assert not (tmp_path / "gradeest.ledger").exists()
    checked = run("import", "sheet", "notes.csv", "--check", "--json").json
    saved = run("import", "sheet", "notes.csv", "--json").json
    assert (checked.pop("is_saved"), saved.pop("is_saved")) == (False, True)
    assert checked == saved


def test_csv_and_xlsx_leave_the_same_bench(run: Run, notes: Path, tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    book.active.append(HEAD.split(";"))
    for row in ROWS:
        cells: list[object] = [cell or None for cell in row.split(";")]
        cells[1] = dt.datetime.fromisoformat(str(cells[1])) if cells[1] else None
        book.active.append([30 if cell == "30" else cell for cell in cells])
    book.save(tmp_path / "notes.xlsx")
    shown = []
    for name in ("notes.csv", "notes.xlsx"):
        assert run("--ledger", f"{name}.ledger", "import", "sheet", name).code == 0
        there = run("--ledger", f"{name}.ledger", "history", "--json").json["events"]
        shown.append([(e["kind"], e["happened_on"], e["text"]) for e in there])
    assert shown[0] == shown[1]
    again = run("--ledger", "notes.csv.ledger", "import", "sheet", "notes.xlsx")  # the same rows in another file
    assert (again.code, "all 8 rows" in again.err) == (3, True)


def test_problems_of_cells_and_of_the_stock_come_together_and_nothing_is_saved(run: Run, tmp_path: Path) -> None:
    broken = (
        *ROWS[:2],
        ROWS[2].replace("600 g", "1,3 kg"),  # more than is there
        ROWS[3],
        ROWS[4],
        ROWS[5].replace("Ag", "Au"),  # no form of gold
        ROWS[6].replace("run 8", "run 9"),
        ROWS[7].replace("30", "much"),
    )
    write(tmp_path / "notes.csv", *broken)
    done = run("import", "sheet", "notes.csv")
    assert done.code == 3
    assert not (tmp_path / "gradeest.ledger").exists()
    for cell in ("H4", "K7", "G8", "R9"):
        assert f"notes.csv: {cell}:" in done.err
    assert "rows that rest on these" in done.err
    assert "'run 9'" in done.err
    assert max(map(len, done.err.splitlines())) <= 80


@pytest.mark.parametrize(
    ("row", "change", "cell", "words"),
    [
        (2, ("attic/strips=600 g", "attic/stripes=600 g"), "H4", "no fraction 'attic/stripes'"),
        (2, ("foils-peroxide", "chips-burn"), "I4", "needs"),
        (2, ("2024-02-03", "2024-01-01"), "B4", "there since 2024-01-05"),
        (2, ("run 7", "run 8"), "G6", "two batches"),
        (0, ("fingers-memory", "fingers-memry"), "E2", "did you mean fingers-memory"),
        (0, ("1,2 kg", "0 kg"), "F2", "not above 0"),
        (1, ("caps", "strips"), "D3", "two fractions are called 'strips'"),
        (3, ("2024-02-10", "2024-02-01"), "B5", "began on 2024-02-03"),
        (3, ("1,44 g", "1,445 kg"), "L5", "1.445 or 1445"),
        (3, ("1,44 g", "0,7 kg"), "L5", "more than the 0.6 kg that went in"),
        (3, ("0,01 g", ""), "M5", "smallest step"),
        (3, ("gold powder", "silver-button"), "K5", "is a form of Ag"),
        (6, ("gone", "lost"), "P8", "no answer 'lost'"),
        (6, ("Pd", "Ag"), "J8", "has Ag weighed already"),
        (7, ("attic/strips", "run 7/au-2"), "Q9", "nothing called 'au-2'"),
        (7, ("2024-05-02", "2024-01-20"), "H4", "nothing is left of attic/strips"),
    ],
)
def test_what_the_stock_says_is_told_by_the_cell(
    run: Run, tmp_path: Path, row: int, change: tuple[str, str], cell: str, words: str
) -> None:
    rows = list(ROWS)
    assert change[0] in rows[row]
    rows[row] = rows[row].replace(*change)
    write(tmp_path / "notes.csv", *rows)
    done = run("import", "sheet", "notes.csv")
    assert done.code == 3, done.out
    text = " ".join(done.err.split())
    assert f"notes.csv: {cell}:" in text
    assert words in text


def test_the_same_rows_never_get_in_twice_and_a_grown_sheet_brings_its_new_ones(run: Run, notes: Path) -> None:
    assert run("import", "sheet", "notes.csv").code == 0
    again = run("import", "sheet", "notes.csv", "--sure")
    assert again.code == 3
    assert "all 8 rows are in the ledger already (events 1-9)" in " ".join(again.err.split())
    more = "batch;2024-06-01;;;;;run 9;old/pins=100 g;;;;;;;;;;"
    write(notes, *ROWS, "lot;2024-05-20;old;pins;pins-mixed;1 kg;;;;;;;;;;;;", more)
    refused = run("import", "sheet", "notes.csv")
    assert (refused.code, len(events(run))) == (3, 9)
    assert "--new imports only the other 2" in refused.err
    done = run("import", "sheet", "notes.csv", "--new", "--json").json
    assert done["left_out"] == 8
    assert [batch["name"] for batch in done["batches"] if batch["is_new"]] == ["B3"]
    assert [event["kind"] for event in events(run)[9:]] == ["lot", "batch"]


def test_a_row_whose_event_was_undone_can_come_in_again(run: Run, notes: Path) -> None:
    assert run("import", "sheet", "notes.csv").code == 0
    assert run("undo", "9").code == 0
    assert run("import", "sheet", "notes.csv", "--new").code == 0
    assert [event["kind"] for event in events(run)][-1] == "sale"


def test_a_row_that_was_corrected_in_the_sheet_is_asked_back(run: Run, notes: Path) -> None:
    write(notes, *ROWS[:3], ROWS[3].replace("yes", ""))
    assert run("import", "sheet", "notes.csv").code == 0
    write(notes, *ROWS[:3], ROWS[3].replace("yes", "").replace("1,44", "1,54"))
    done = run("import", "sheet", "notes.csv", "--new")
    assert (done.code, len(events(run))) == (3, 3)
    assert "`gradeest amend 3`" in " ".join(done.err.split())


def test_a_batch_that_only_the_ledger_knows_can_be_named(run: Run, notes: Path) -> None:
    write(notes, *ROWS[:3])
    assert run("import", "sheet", "notes.csv").code == 0
    write(notes, ROWS[3], ROWS[3].replace("run 7", "B1").replace("1,44", "0,1").replace("yes", ""))
    done = run("import", "sheet", "notes.csv", "--sure")
    assert done.code == 0, done.err
    assert len(run("batch", "show", "B1", "--json").json["batch"]["products"]) == 2


def test_what_is_hardly_credible_is_asked_back_by_its_cell(run: Run, notes: Path) -> None:
    assert run("import", "sheet", "notes.csv").code == 0
    notes.write_text("what;date;of;metal;value;u\nassay;2024-04-01;attic/strips;Au;2500 g/t;0,01 %\n", encoding="utf-8")
    done = run("import", "sheet", "notes.csv")
    assert (done.code, len(events(run))) == (3, 9)
    assert "notes.csv: F2:" in done.err
    assert "--sure" in done.err
    assert run("import", "sheet", "notes.csv", "--sure").code == 0
    with Ledger.open(notes.parent / "gradeest.ledger", create=False) as ledger:
        assert ledger.events()[-1].payload["sure"] is True


def test_a_heading_once_explained_is_remembered(run: Run, notes: Path) -> None:
    write(notes, *ROWS[:4])
    text = notes.read_text(encoding="utf-8").replace("weight", "Netto").replace("1,44 g", "1,44")
    notes.write_text(text, encoding="utf-8")
    assert run("import", "sheet", "notes.csv").code == 3
    assert run("import", "sheet", "notes.csv", "--map", "Netto=weight (g)").code == 0
    batch = ROWS[2].replace("run 7", "run 10").replace("600 g", "50 g").replace("02-03", "02-04")
    weight = ROWS[3].replace("run 7", "run 10").replace("1,44 g", "0,12")
    later = "\n".join((text.splitlines()[0], batch, weight))
    (notes.parent / "later.csv").write_text(later, encoding="utf-8")
    assert run("import", "sheet", "later.csv").code == 0
    product = run("batch", "show", "B2", "--json").json["batch"]["products"][0]
    assert product["weight_g"] == 0.12


def test_a_map_that_names_no_column_is_refused(run: Run, notes: Path) -> None:
    for text in ("Netto", "Netto=wieght", "Netto=weight"):
        assert run("import", "sheet", "notes.csv", "--map", text).code == 3


def test_a_missing_file_is_usage_in_a_script_and_a_wrong_one_is_input(run: Run, tmp_path: Path) -> None:
    assert run("import", "sheet").code == 2
    assert run("import", "sheet", "missing.csv").code == 3
    assert run("import", "sheet", "missing.csv", "--decimal", "dot").code == 2
    assert not (tmp_path / "gradeest.ledger").exists()


@pytest.mark.parametrize("name", ["notes.xlsx", "notes.csv"])
def test_the_template_can_be_filled_in_and_imported(run: Run, tmp_path: Path, name: str) -> None:
    assert run("template", name).code == 0
    assert run("template", name).code == 3
    assert run("template", name, "--force").code == 0
    empty = run("import", "sheet", name)
    assert (empty.code, "no row under the headings" in empty.err) == (3, True)
    lot = {
        "what": "lot",
        "date": "2024-01-05",
        "lot": "attic",
        "fraction": "pins",
        "kind": "pins-mixed",
        "mass": "1 kg",
    }
    if name.endswith(".csv"):
        text = (tmp_path / name).read_text(encoding="utf-8")
        head = next(line for line in text.splitlines() if line.startswith("what,")).split(",")
        (tmp_path / name).write_text(text + ",".join(lot.get(column, "") for column in head) + "\n", encoding="utf-8")
    else:
        book = openpyxl.load_workbook(tmp_path / name)
        head = [str(cell.value) for cell in book["notes"][1]]
        book["notes"].append([lot.get(column) for column in head])
        book.save(tmp_path / name)
    done = run("import", "sheet", name)
    assert done.code == 0, done.err
    assert run("lot", "list", "--json").json["lots"][0]["mass_kg"] == 1


def test_the_template_needs_a_known_ending_and_a_folder(run: Run) -> None:
    assert run("template", "notes.ods").code == 3
    assert run("template", "nowhere/notes.csv").code == 3


def test_at_a_terminal_only_the_new_rows_are_offered(notes: Path, run: Run) -> None:
    pytest.importorskip("pexpect", reason="needs a pseudo-terminal (not on Windows)")
    assert run("import", "sheet", "notes.csv").code == 0
    write(notes, *ROWS, "lot;2024-05-20;old;pins;pins-mixed;1 kg;;;;;;;;;;;;")
    person = Person(notes.parent, "import", "sheet")
    person.answer("The sheet", "notes.csv")
    person.answer("Import only the other 1", "y")
    person.see("8 left out")
    assert person.leave() == 0


def test_a_note_about_many_cells_is_said_once(run: Run, notes: Path) -> None:
    batches = [f"batch;2024-02-0{n};;;;;run {n};attic/strips=50 g;;;;;;;;;;" for n in range(1, 6)]
    write(notes, *ROWS[:2], *batches)
    done = run("import", "sheet", "notes.csv", "--json").json
    assert done["notes"] == ["I4, I5, I6 and 2 more: no route is named: by the usual one of its kind, foils-peroxide"]


def test_a_weight_without_balance_is_told_both_ways_out(run: Run, notes: Path) -> None:
    write(notes, *(row.replace("0,01 g;yes", ";yes") for row in ROWS))
    done = run("import", "sheet", "notes.csv")
    assert done.code == 3
    assert "give its step (readability), or add it first" in " ".join(done.err.split())


def test_a_failure_halfway_leaves_nothing(run: Run, notes: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write(notes, *ROWS[:3])
    assert run("import", "sheet", "notes.csv").code == 0
    write(notes, *ROWS)
    append, calls = Ledger.append, []

    def fail_late(self: Ledger, *args: Any, **how: Any) -> Any:
        calls.append(args[0])
        if len(calls) == 4:
            raise LedgerError("the disk is full", "make room")
        return append(self, *args, **how)

    monkeypatch.setattr(Ledger, "append", fail_late)
    assert run("import", "sheet", "notes.csv", "--new").code == 4
    assert (len(calls), len(events(run))) == (4, 2)
    monkeypatch.undo()


EVERY_SORT = """what,date,lot,fraction,kind,mass,batch,charges,route,metal,form,weight,readability,close,streams,of,colour,volume,moment,purity,u,method,area,thickness,nominal,hours,step,spent,waste,went,filters,burning,untracked,stream,balance,reads
lot,2024-01-05,attic,strips,fingers-memory,1.2 kg
lot,2024-01-05,attic,pins,pins-full,400 g
lot,2024-02-20,sweepings,ash,ash-filters,90 g
batch,2024-02-03,,,,,run 7,attic/strips=600 g,foils-peroxide
setaside,2024-02-03,,,,,run 7,,,,,,,,oversize=80 g
spot-test,2024-02-09,,,,,run 7,,,gold,,,,,,,faint,4.2 L,after-drop
product,2024-02-10,,,,,run 7,,,Au,gold-powder,1.44 g,0.01 g,yes
product-assay,2024-02-12,,,,,,,,Au,,,,,,run 7/au-1,,,,97.6 %,0.2 %,fire
plating,2024-02-13,attic,pins,,90 g,,,,Au,,,,,,,,,,,,,120 cm2,0.76 um,yes
hours,2024-02-10,,,,,run 7,,,,,,,,,,,,,,,,,,,3.5 h
cost,2024-02-10,,,,,run 7,,,,,,,,,,,,,,,,,,,,,42.50
waste,2024-02-11,,,,,run 7,,,,,,,,,,,6 L,,,,,,,,,,,spent liquor,stored
residue,2024-02-10,,,,35 g,run 7,,,,,,,,,,,,,,,,,,,,,,,,,,,cake
balance,2024-01-06,,,,,,,,,,,0.01 g,,,,,,,,,,,,,,,,,,,,,,pocket
check,2024-01-07,,,,,,,,,,5 g,,,,,,,,,,,,,,,,,,,,,,,pocket,4.99 g
batch,2024-03-02,,,,,run 8,sweepings/ash,ash-leach,,,,,,,,,,,,,,,,,,,,,,run 7,furnace,2-30 %
batch,2024-03-09,,,,,run 9,run 7/oversize,ash-leach
batch,2024-03-16,,,,,run 10,run 7/cake,ash-leach
"""  # noqa: E501


def test_every_kind_of_evidence_comes_in_from_a_sheet(run: Run, tmp_path: Path) -> None:
    (tmp_path / "notes.csv").write_text(EVERY_SORT, encoding="utf-8")
    done = run("import", "sheet", "notes.csv")
    assert done.code == 0, done.err
    kinds = [event["kind"] for event in events(run)]
    assert set(kinds) >= {"spottest", "productassay", "assay", "hours", "spending", "waste"}
    first, ash, wires = (run("batch", "show", name, "--json").json["batch"] for name in ("B1", "B2", "B3"))
    assert [(one["result"], one["volume_l"]) for one in first["spot_tests"]] == [("faint", 4.2)]
    assert ash["charges"][0]["link"]["batches"] == ["B1"]
    assert (ash["charges"][0]["link"]["burning"], ash["charges"][0]["mass_kg"]) == ("furnace", 0.09)
    assert [(one["address"], one["mass_kg"]) for one in wires["charges"]] == [("B1/oversize", 0.08)]
    (cake,) = run("batch", "show", "B4", "--json").json["batch"]["charges"]
    assert (cake["address"], cake["mass_kg"]) == ("B1/cake", 0.035)
    (pocket,) = run("balance", "list", "--json").json["balances"]
    assert pocket["checks"] == 1
    rows = run("grades", "pins-full", "--json").json["rows"]
    assert {row["rests_on"] for row in rows if row["address"] == "attic/pins" and row["metal"] == "Au"} == {
        "1 plated area"
    }
    assert run("waste", "--json").json["total_l"] == 6


def test_all_that_is_wrong_with_such_rows_is_told_by_its_cell(run: Run, tmp_path: Path) -> None:
    wrong = EVERY_SORT
    for right, typed in (
        ("faint,4.2 L", "drak,4.2 L"), ("97.6 %,0.2 %", "197.6 %,0.2 %"), ("0.76 um", "60 um"), ("3.5 h", "3.5"),
        ("6 L", "6"), ("run 7,furnace", "run 77,furnace"), ("run 7/oversize", "run 7/oversiz"),
        ("run 7/cake", "run 7/cak"), ("4.99 g", "4.99"),
    ):  # fmt: skip
        wrong = wrong.replace(right, typed)
    (tmp_path / "notes.csv").write_text(wrong, encoding="utf-8")
    done = run("import", "sheet", "notes.csv")
    assert done.code == 3
    text = " ".join(done.err.split())
    for word in ("Q7", "'drak'", "T9", "'197.6 %'", "X10", "micro-inches?", "Z11", "'3.5' has no unit", "R13", "AE17",
                 "there is no batch 'RUN 77'", "H18", "oversiz",
                 "H19", "AJ16"):  # fmt: skip
        assert word in text, word
    assert not (tmp_path / "gradeest.ledger").exists() or run("lot", "list", "--json").json["lots"] == []


BOARDS = """what,date,lot,fraction,kind,mass,minutes,whole,wet
lot,2024-02-02,van,racks,boards-telecom,40 kg
lot,2024-02-02,van,cards,fingers-cards,1 kg
weigh,2024-02-03,van,,fingers-heavy,520 g,20
weigh,2024-02-04,van,,boards-stripped,39.3 kg
"""


def test_boards_not_taken_apart_and_what_came_off_them_come_in(run: Run, tmp_path: Path) -> None:
    (tmp_path / "notes.csv").write_text(BOARDS, encoding="utf-8")
    done = run("import", "sheet", "notes.csv")
    assert done.code == 0, done.err
    assert [event["kind"] for event in events(run)] == ["lot", "weigh", "weigh"]
    shown = run("lot", "show", "van", "--json").json
    assert [(one["name"], one["mass_kg"]) for one in shown["fractions"]] == [
        ("cards", 1.0), ("fingers-heavy", 0.52), ("boards-stripped", 39.3)
    ]  # fmt: skip
    (pile,) = shown["boards"]
    assert (pile["name"], pile["kind"], round(pile["dust_kg"], 6)) == ("racks", "boards-telecom", 0.18)
    assert run("import", "sheet", "notes.csv").code == 3  # never twice
    wrong = BOARDS.replace("40 kg", "40 kg,,,yes").replace("520 g,20", "520 kg,20").replace("van,,boards", "vn,,boards")
    (tmp_path / "other.csv").write_text(wrong.replace("van", "bus"), encoding="utf-8")
    text = " ".join(run("import", "sheet", "other.csv").err.split())
    for word in ("I2: boards have no wet", "vn"):
        assert word in text, text
    (tmp_path / "other.csv").write_text(BOARDS.replace("van", "bus").replace("520 g", "520 kg"), encoding="utf-8")
    assert "F4" in run("import", "sheet", "other.csv").err


PAPER = """what,date,lot,fraction,kind,mass,batch,charges,metal,form,weight,readability,close,products,melted,fineness,payable,prices,fees,amount
lot,2024-01-05,attic,strips,fingers-memory,1.2 kg
batch,2024-02-03,,,,,run 7,attic/strips=600 g
batch,2024-02-03,,,,,run 8,attic/strips=600 g
product,2024-02-10,,,,,run 7,,Au,gold-powder,1.44 g,0.01 g,yes
product,2024-02-10,,,,,run 8,,Au,gold-powder,1.52 g,0.01 g,yes
settlement,2024-06-01,,,,,,,,,2.95 g,,,run 7/au-1; run 8/au-1,2.93 g,Au=.9761; Ag=0.9 %,Au=98 %,Au=50 / g,20,120.14
"""  # noqa: E501


def test_a_refiners_paper_comes_in_and_its_sum_is_repeated(run: Run, tmp_path: Path) -> None:
    """2.93 g x .9761 x 98 % x 50 - 20 = 120.14, worked by hand; the numbers are invented."""
    (tmp_path / "notes.csv").write_text(PAPER, encoding="utf-8")
    done = run("import", "sheet", "notes.csv")
    assert done.code == 0, done.err
    assert "120.14" in done.out
    shown = run("batch", "show", "B2", "--json").json
    assert "settle" in " ".join(shown["said"]["au-1"])
    wrong = (
        PAPER.replace("Au=.9761", "Au=197.61 %").replace("50 / g", "50").replace("run 8/au-1,2.93", "run 8/au-9,2.93")
    )
    (tmp_path / "other.csv").write_text(wrong.replace("attic", "shed").replace("run ", "lauf "), encoding="utf-8")
    text = " ".join(run("import", "sheet", "other.csv").err.split())
    for word in ("P7: '197.61 %' is out of range", "R7: '50' is no price with a unit"):
        assert word in text, text
    unpaid = PAPER.replace("120.14", "90").replace("attic", "shed").replace("run ", "lauf ")
    (tmp_path / "third.csv").write_text(unpaid, encoding="utf-8")
    asked = run("import", "sheet", "third.csv")
    assert (asked.code, "T7: the paper adds up to something else" in " ".join(asked.err.split())) == (3, True), (
        asked.err
    )


CIRCLE = """what,date,lot,fraction,kind,mass,batch,charges,route,stream
lot,2024-03-01,may,strips,fingers-mixed,1.2 kg
batch,2024-03-03,,,,,run 7,may/strips=600 g; run 8/cake,foils-peroxide
residue,2024-03-04,,,,35 g,run 7,,,cake
close,2024-03-04,,,,,run 7
batch,2024-03-05,,,,,run 8,run 7/cake,ash-leach
residue,2024-03-06,,,,20 g,run 8,,,cake
"""


def test_batches_of_a_sheet_that_take_from_each_other_are_refused_with_the_path(run: Run, tmp_path: Path) -> None:
    (tmp_path / "notes.csv").write_text(CIRCLE, encoding="utf-8")
    done = run("import", "sheet", "notes.csv")
    assert done.code == 3
    text = " ".join(done.err.split())
    assert "H3: a batch takes what it left itself in the end: run 7 -> run 8 -> run 7" in text
    assert "1 problem" in text
    (tmp_path / "notes.csv").write_text(CIRCLE.replace("; run 8/cake", ""), encoding="utf-8")  # twin
    assert run("import", "sheet", "notes.csv").code == 0


def test_one_problem_in_many_rows_is_told_once_with_every_cell(run: Run, tmp_path: Path) -> None:
    rows = [f"lot,2023-01-{n:02d},lot{n},strips,fingers-memry,2 kg" for n in range(1, 12)]
    (tmp_path / "notes.csv").write_text("\n".join(["what,date,lot,fraction,kind,mass", *rows]), encoding="utf-8")
    done = run("import", "sheet", "notes.csv")
    assert done.code == 3
    said = " ".join(done.err.split())
    assert "11 problems" in said
    assert ", ".join(f"E{n}" for n in range(2, 13)) + ": " in said, "E9 before E10"
    assert said.count("fingers-memry") == 1
    assert max(map(len, done.err.splitlines())) <= 80


GROUND = """what,date,lot,fraction,kind,mass,of,metal,value,u,powder,oversize,sample,top,method
lot,2024-03-01,may,mix,chips-mixed,1 kg
lot,2024-03-01,may,pins,pins-full,900 g
ground,2024-03-05,,,,,may/mix,Au,,5 %,930 g 250 g/t,70 g 4200 g/t,5 g,0.2 mm,fire
assay,2024-03-06,,,,,may/pins,Au,1500 g/t,5 %,,,5 g,0.2 mm,fire
"""


def test_ground_samples_come_in_with_the_error_of_the_sample(run: Run, tmp_path: Path) -> None:
    """Powder and metallic oversize by their masses: (930 x 250 + 70 x 4200) / 1000 = 526.5 g/t; as `record assay`."""
    (tmp_path / "notes.csv").write_text(GROUND, encoding="utf-8")
    done = run("import", "sheet", "notes.csv")
    assert done.code == 0, done.err
    said = [event["text"] for event in run("history", "--json").json["events"] if event["kind"] == "assay"]
    assert "526.5 g/t" in said[0]
    typed = ("record", "assay", "may/mix", "--metal", "Au", "--powder", "930 g 250 g/t", "--oversize", "70 g 4200 g/t",
             "--u", "5 %", "--sample", "5 g", "--top-size", "0.2 mm", "--later", "--date", "2024-03-05")  # fmt: skip
    assert run(*typed).code == 0
    assert run("history", "--json").json["events"][-1]["text"] == said[0]
    assert "give or take 5 %" not in said[1]  # nor is it the laboratory's alone
    wrong = GROUND.replace("930 g 250 g/t", "930 g").replace("1500 g/t,5 %,,,5 g,0.2 mm", "1500 g/t,5 %,,,5 g,")
    (tmp_path / "other.csv").write_text(wrong.replace("may", "june"), encoding="utf-8")
    refused = run("import", "sheet", "other.csv")
    assert refused.code == 3
    text = " ".join(refused.err.split())
    assert "K4: '930 g' is no mass with a grade" in text
    assert "the size of the largest pieces is missing" in text
