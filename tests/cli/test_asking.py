"""At a terminal what is missing is asked for, completely; a wrong answer is asked again; Ctrl-C saves nothing."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.cli.conftest import LOT

pexpect = pytest.importorskip("pexpect", reason="needs a pseudo-terminal (not on Windows)")

PROGRAM = [sys.executable, "-m", "gradeest"]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "shed.toml").write_text(LOT, encoding="utf-8")
    return tmp_path


def environment() -> dict[str, str]:
    return {name: value for name, value in os.environ.items() if name != "GRADEEST_LEDGER"} | {"TERM": "xterm"}


def call(folder: Path, *words: str) -> Any:
    """A call without a terminal that must succeed; its JSON."""
    done = subprocess.run(
        [*PROGRAM, *words], cwd=folder, env=environment(), capture_output=True, text=True, check=True,
        stdin=subprocess.DEVNULL,
    )  # fmt: skip
    return json.loads(done.stdout) if "--json" in words else None


class Person:
    """Someone at a terminal of 80 columns."""

    def __init__(self, folder: Path, *words: str) -> None:
        self.child = pexpect.spawn(
            PROGRAM[0], [*PROGRAM[1:], *words], cwd=str(folder), env=environment(), encoding="utf-8", timeout=30,
            dimensions=(50, 80),
        )  # fmt: skip

    def answer(self, question: str, text: str) -> None:
        self.child.expect_exact(question)
        self.child.sendline(text)

    def see(self, text: str) -> None:
        self.child.expect_exact(text)

    def leave(self) -> int:
        self.child.expect(pexpect.EOF)
        self.child.close()
        return int(self.child.exitstatus if self.child.exitstatus is not None else -self.child.signalstatus)


@pytest.fixture
def lot_added(folder: Path) -> Path:
    call(folder, "lot", "add", "shed.toml")
    return folder


def test_lot_add_asks_for_everything(folder: Path) -> None:
    person = Person(folder, "lot", "add")
    person.answer("Name of the lot", "B12")
    person.see("looks like a batch")
    person.answer("Name of the lot", "attic")
    person.answer("Date you got it [today]", "2024-02-30")
    person.see("is not a date")
    person.answer("Date you got it", "2024-02-28")
    person.answer("Price paid", "75")
    person.answer("Owner [mine]", "")
    person.answer("Kind of fraction 1", "?")
    person.see("fingers-memory")
    person.answer("Kind of fraction 1", "fingers-memry")
    person.see("did you mean fingers-memory")
    person.answer("Kind of fraction 1", "fingers-mem")
    person.answer("Name of this fraction [fingers-memory]", "strips")
    person.answer("Mass", "1.2")
    person.see("no unit")
    person.answer("Mass", "1.2 kg")
    person.answer("Pieces", "1300")
    person.answer("other kinds too [n]", "")
    person.answer("Note", "")
    person.answer("Kind of fraction 2", "ash-filters")
    person.answer("Name of this fraction", "")
    person.answer("Mass", "430 g")
    person.answer("Pieces", "")
    person.answer("Is it wet [n]", "y")
    person.answer("other kinds too [n]", "")
    person.answer("Note", "from spring")
    person.answer("Kind of fraction 3", "")
    person.answer("Unsorted rest", "3.5 kg")
    person.answer("Note", "")
    person.answer("Save it [y]", "y")
    person.see("Saved lot attic (event 1)")
    assert person.leave() == 0
    lot = call(folder, "lot", "show", "attic", "--json")["lot"]
    assert lot["price_paid"] == 75
    assert lot["date"] == "2024-02-28"
    assert lot["unsorted_kg"] == pytest.approx(3.5)
    strips, ash = lot["fractions"]
    assert (strips["name"], strips["kind"], strips["pieces"], strips["wet"]) == (
        "strips",
        "fingers-memory",
        1300,
        False,
    )
    assert strips["mass_kg"] == pytest.approx(1.2)
    assert (ash["name"], ash["mass_kg"], ash["wet"], ash["note"]) == ("ash-filters", 0.43, True, "from spring")


def test_the_wet_question_is_asked_only_where_it_matters(folder: Path) -> None:
    person = Person(folder, "lot", "add")
    for question, text in (
        ("Name of the lot", "attic"), ("Date", ""), ("Price", ""), ("Owner", ""),
        ("Kind of fraction 1", "fingers-memory"), ("Name of this", ""), ("Mass", "1 kg"), ("Pieces", ""),
    ):  # fmt: skip
        person.answer(question, text)
    assert person.child.expect_exact(["other kinds", "Is it wet"]) == 0
    person.child.sendintr()
    assert person.leave() == 130
    assert not (folder / "gradeest.ledger").exists()


def test_the_end_of_input_saves_nothing(folder: Path) -> None:
    person = Person(folder, "lot", "add")
    person.answer("Name of the lot", "attic")
    person.child.expect_exact("Date you got it")
    person.child.sendeof()
    person.see("nothing was saved")
    assert person.leave() == 3
    assert not (folder / "gradeest.ledger").exists()


def test_lot_add_takes_boards_by_mass_or_by_count(folder: Path) -> None:
    person = Person(folder, "lot", "add")
    person.answer("Name of the lot", "van")
    person.answer("Date you got it", "2024-01-05")
    person.answer("Price paid", "")
    person.answer("Owner", "")
    person.answer("Kind of fraction 1", "boards-cards")
    person.answer("Name of these boards", "")
    person.answer("Mass", "3 kg")
    person.answer("Pieces", "")
    person.answer("Note", "")
    person.answer("Kind of fraction 2", "boards-transmitter")
    person.see("Beryllium oxide")
    person.answer("Name of these boards", "radio")
    person.answer("Mass", "")
    person.answer("Pieces", "2")
    person.answer("Note", "")
    person.answer("Kind of fraction 3", "")
    person.answer("Unsorted rest", "")
    person.answer("Note", "")
    person.see("cards: boards-cards, 3 kg")
    person.see("radio: boards-transmitter, 2 pieces")
    person.answer("Save it", "y")
    assert person.leave() == 0
    lot = call(folder, "lot", "show", "van", "--json")["lot"]
    assert [(b["name"], b["mass_kg"], b["pieces"]) for b in lot["boards"]] == [("cards", 3.0, None), ("radio", None, 2)]


def test_lot_weigh_asks_for_what_is_missing(folder: Path) -> None:
    (folder / "van.toml").write_text('[[boards]]\nkind = "boards-cards"\nmass = "3 kg"\n', encoding="utf-8")
    call(folder, "lot", "add", "van.toml")
    person = Person(folder, "lot", "weigh", "van")
    person.answer("What came off", "fingers-cards")
    person.answer("Its mass", "80")
    person.answer("Its mass", "80 g")
    person.answer("Minutes it took", "")
    person.see("Weighed 80.0 g of fingers-cards off 3.00 kg of van/cards")
    assert person.leave() == 0


def test_record_product_asks_for_everything(lot_added: Path) -> None:
    call(lot_added, "batch", "add", "--charge", "shed/strips=500 g", "--date", "2024-02-01")
    person = Person(lot_added, "record", "product", "--later", "--date", "2024-02-08")
    person.see("B1  2024-02-01, shed/strips")
    person.answer("Batch", "b1")
    person.answer("Metal", "gold")
    person.see("is no metal")
    person.answer("Metal", "1")
    # only forms of gold are offered
    assert person.child.expect_exact(["gold-powder", "silver-chloride"]) == 0
    person.answer("Form", "gold-powder")
    person.answer("Net weight on the balance", "1.25 oz")
    person.see("ozt")
    person.answer("Net weight on the balance", "1,25 g")
    person.answer("Smallest step of the balance", "?")
    person.see("0.01 g")
    person.answer("Smallest step of the balance", "0.01 g")
    person.answer("Was it damp [n]", "")
    person.answer("(close it) [n]", "y")
    person.see("Saved B1/au-1")
    person.see("Closed batch B1")
    assert person.leave() == 0
    batch = call(lot_added, "batch", "show", "B1", "--json")["batch"]
    assert batch["closed"] == "2024-02-08"
    product = batch["products"][0]
    assert (product["metal"], product["form"], product["damp"]) == ("Au", "gold-powder", False)
    assert product["weight_g"] == pytest.approx(1.25)
    assert product["readability_g"] == pytest.approx(0.01)


def test_only_what_is_missing_is_asked(lot_added: Path) -> None:
    call(lot_added, "batch", "add", "--charge", "shed/strips=500 g", "--date", "2024-02-01")
    person = Person(lot_added, "record", "product", "B1", "--metal", "Au", "--form", "gold-powder", "--weight", "1.2 g",
                    "--later")  # fmt: skip
    asked = ["Batch", "Metal:", "Form:", "Net weight", "Smallest step"]
    assert person.child.expect_exact(asked) == len(asked) - 1
    person.child.sendintr()
    assert person.leave() == 130


def test_a_hardly_credible_weight_is_asked_back(lot_added: Path) -> None:
    call(lot_added, "batch", "add", "--charge", "shed/caps=100 g", "--date", "2024-02-01")
    words = ("record", "product", "B1", "--metal", "Pd", "--form", "palladium-black", "--weight", "9 g")
    words = (*words, "--readability", "0.01 g", "--later")
    person = Person(lot_added, *words)
    person.answer("Keep it [n]", "n")
    person.see("nothing was saved")
    assert person.leave() == 3
    person = Person(lot_added, *words)
    person.answer("Keep it [n]", "y")
    assert person.leave() == 0
    assert call(lot_added, "batch", "show", "B1", "--json")["batch"]["products"][0]["sure"] is True


def test_batch_add_asks_and_offers_the_usual_route(lot_added: Path) -> None:
    person = Person(lot_added, "batch", "add")
    # what must not be processed is not offered
    assert person.child.expect_exact(["shed/caps", "shed/tilt"]) == 0
    person.answer("What goes in", "shed/strips")
    person.answer("Mass [all]", "600 g")
    person.answer("What else goes in", "")
    person.answer("Route [foils-peroxide]", "")
    person.child.expect(r"type\s+the\s+word\s+([a-z]+):")  # its gate is asked for first
    person.child.sendline(person.child.match[1])
    person.see("is open from")
    person.see("Started batch B1")
    assert person.leave() == 0
    charge = call(lot_added, "batch", "show", "B1", "--json")["batch"]["charges"][0]
    assert (charge["address"], charge["mass_kg"]) == ("shed/strips", pytest.approx(0.6))


def test_amend_offers_what_can_be_changed(lot_added: Path) -> None:
    person = Person(lot_added, "amend", "1")
    person.see("price")
    person.answer("Which field", "strips.mass")
    person.answer("New strips.mass", "1.4 kg")
    person.answer("Another field [n]", "")
    person.answer("Save the correction [y]", "")
    assert person.leave() == 0
    assert call(lot_added, "lot", "show", "shed", "--json")["lot"]["fractions"][0]["mass_kg"] == pytest.approx(1.4)


def test_the_balance_used_last_is_offered_and_never_taken_unasked(lot_added: Path) -> None:
    call(lot_added, "batch", "add", "--charge", "shed/strips=500 g", "--later", "--date", "2024-02-01")
    for name, step in (("pocket", "0.01 g"), ("lab", "0.001 g")):
        call(lot_added, "balance", "add", name, "--readability", step)
    gold = ("record", "product", "B1", "--metal", "Au", "--form", "gold-powder", "--later")
    call(lot_added, *gold, "--weight", "0.4 g", "--balance", "pocket")
    person = Person(lot_added, *gold, "--weight", "0.5 g")
    person.answer("Balance [pocket]", "poket")
    person.see("did you mean pocket")
    person.answer("Balance [pocket]", "")
    person.answer("Was it damp [n]", "")
    person.answer("(close it) [n]", "")
    assert person.leave() == 0
    products = call(lot_added, "batch", "show", "B1", "--json")["batch"]["products"]
    assert [(one["balance"], one["readability_g"]) for one in products] == [("pocket", 0.01)] * 2


def test_decimals_that_do_not_fit_are_asked_about_and_kept_without_stretching_the_belief(lot_added: Path) -> None:
    call(lot_added, "batch", "add", "--charge", "shed/strips=500 g", "--later", "--date", "2024-02-01")
    gold = ("record", "product", "B1", "--metal", "Au", "--form", "gold-powder", "--later", "--readability", "0.1 g")
    person = Person(lot_added, *gold, "--weight", "0.55 g")
    person.see("more digits")
    person.answer("Keep it [n]", "y")
    assert person.leave() == 0
    assert call(lot_added, "batch", "show", "B1", "--json")["batch"]["products"][0]["sure"] is False


def test_lot_split_asks_heap_by_heap(lot_added: Path) -> None:
    person = Person(lot_added, "lot", "split")
    person.see("1.20 kg left, fingers-memory")
    person.answer("Fraction", "shed/strips")
    person.answer("Name of heap 1", "strong")
    person.answer("Mass", "400")
    person.see("no unit")
    person.answer("Mass", "400 g")
    person.answer("Kind", "")
    person.answer("Name of heap 2", "weak")
    person.answer("Mass", "800 g")
    person.answer("Kind", "fingers-slots")
    person.answer("Name of heap 3 (Enter: no more)", "")
    person.see("no kind 'fingers-slots'")
    assert person.leave() == 3
    assert len(call(lot_added, "lot", "show", "shed", "--json")["fractions"]) == 4


def test_sell_lists_what_is_there_and_asks_for_the_rest(lot_added: Path) -> None:
    person = Person(lot_added, "sell")
    person.answer("What", "shed/caps")
    person.answer("How much [all]", "50 g")
    person.answer("Paid for it", "12 EUR")
    person.see("Sold shed/caps")
    assert person.leave() == 0
    row = call(lot_added, "lot", "show", "shed", "--json")["fractions"][2]
    assert (row["left_kg"], row["sold_kg"]) == (pytest.approx(0.1), pytest.approx(0.05))


def test_more_is_asked_for(lot_added: Path) -> None:
    person = Person(lot_added, "lot", "more")
    person.answer("Fraction", "shed/caps")
    person.answer("Mass added", "50 g")
    person.see("0.200 kg now")
    assert person.leave() == 0


def test_a_loss_is_asked_for_in_words(lot_added: Path) -> None:
    call(lot_added, "batch", "add", "--charge", "shed/strips=500 g", "--later", "--date", "2024-02-01")
    person = Person(lot_added, "record", "loss", "--later")
    person.answer("Batch", "B1")
    person.see("a third")
    person.answer("How much of what was in work", "half of it")
    person.see("a third, most")
    person.answer("How much of what was in work", "a third")
    person.answer("What happened", "jar tipped")
    person.answer("Wiped up (NAME=MASS)", "floor=60 g")
    person.see("Saved loss in B1")
    assert person.leave() == 0
    batch = call(lot_added, "batch", "show", "B1", "--json")["batch"]
    assert [(loss["low"], loss["high"], loss["note"]) for loss in batch["losses"]] == [(0.25, 0.45, "jar tipped")]
    assert [(s["name"], s["sort"], s["mass_kg"]) for s in batch["streams"]] == [("floor", "wiped-up", 0.06)]


def test_what_is_set_aside_and_left_is_asked_for(lot_added: Path) -> None:
    call(lot_added, "batch", "add", "--charge", "shed/strips=500 g", "--later", "--date", "2024-02-01")
    person = Person(lot_added, "batch", "set-aside", "--later")
    person.answer("Batch", "B1")
    person.answer("What was set aside", "oversize")
    person.answer("Mass", "80 g")
    person.answer("Something else too [n]", "")
    assert person.leave() == 0
    person = Person(lot_added, "batch", "leave", "B1")
    person.answer("What to call it", "liquor")
    person.answer("Volume", "1.2")
    person.see("no unit")
    person.answer("Volume", "1.2 L")
    person.see("1.2 L wait")
    assert person.leave() == 0
    assert call(lot_added, "batch", "show", "B1", "--json")["left"] == {"oversize": 0.08, "liquor": 1.2}


def test_balances_are_asked_for(lot_added: Path) -> None:
    person = Person(lot_added, "balance", "add")
    person.answer("Name of the balance", "pocket")
    person.answer("Smallest step it shows", "0.01 g")
    assert person.leave() == 0
    person = Person(lot_added, "balance", "check")
    person.answer("Balance [pocket]", "")
    person.answer("The known weight", "5 g")
    person.answer("What the balance shows", "4.5 g")
    person.answer("Keep it [n]", "n")
    assert person.leave() == 3
    assert call(lot_added, "balance", "list", "--json")["balances"][0]["checks"] == 0


def test_a_range_from_old_notes_is_asked_for_no_balance(lot_added: Path) -> None:
    call(lot_added, "batch", "add", "--charge", "shed/strips=500 g", "--later", "--date", "2024-02-01")
    person = Person(lot_added, "record", "product", "B1", "--metal", "Au", "--form", "gold-powder", "--later")
    person.answer("Net weight on the balance", "2-3 g")
    assert person.child.expect_exact(["Smallest step", "Was it damp [n]"]) == 1
    person.child.sendline("")
    person.answer("(close it) [n]", "")
    assert person.leave() == 0
    (product,) = call(lot_added, "batch", "show", "B1", "--json")["batch"]["products"]
    assert (product["weight_g"], product["interval_g"]) == (2.5, 1.0)


def test_bench_set_asks_how_long_only_for_the_clock(lot_added: Path) -> None:
    person = Person(lot_added, "bench", "set")
    person.answer("What do you declare", "storage-clock")
    person.answer("How long [no]", "180")
    person.see("no unit")
    person.answer("How long [no]", "180 days")
    person.see("ask your authority")
    assert person.leave() == 0
    person = Person(lot_added, "bench", "set", "storage-clock")
    person.answer("How long", "90 days")
    person.see("Declared storage-clock = 90 days")
    assert person.leave() == 0
    person = Person(lot_added, "bench", "set")
    person.answer("What do you declare", "permit")
    person.answer("Value [yes]", "no. 12")
    person.see("Declared permit = no. 12")
    assert person.leave() == 0
    settings = {one["name"]: one["value"] for one in call(lot_added, "bench", "show", "--json")["settings"]}
    assert settings == {"storage-clock": "90 days", "permit": "no. 12"}


def test_settle_asks_in_the_order_of_the_paper(folder: Path) -> None:
    call(folder, "lot", "add", "shed.toml")
    call(folder, "batch", "add", "--charge", "shed/strips", "--later", "--date", "2024-01-06")
    weight = ("--form", "gold-powder", "--weight", "3.2 g", "--readability", "0.01 g", "--close", "--later")
    call(folder, "record", "product", "B1", "--metal", "Au", *weight)
    person = Person(folder, "settle", "--later")
    for question, answer in (
        ("What was melted together:", "B1/au-1"),
        ("Weight received:", "0.103 ozt"),
        ("Weight after melting:", "0.102 ozt"),
        ("Au: assay (fineness)", ".9761"),
        ("Ag: assay (fineness)", "0.9 %"),
        ("Pd: assay (fineness)", ""),
        ("Au: payable", "98 %"),
        ("Ag: payable", ""),
        ("Au: price", "50 / g"),
        ("Charges, all together [0]:", "10"),
        ("Paid:", "141.74"),
        ("Still to come [0]:", ""),
        ("Who settled", ""),
    ):
        person.answer(question, answer)
    person.see("Saved settlement of B1/au-1")
    assert person.leave() == 0
