"""Six weeks of an invented bench, typed command by command; the books are kept a second time and close at every step.

`tests/cli/books.py` keeps them by hand. Every step is taken back and put again, and at the end every event by itself.
"""

from __future__ import annotations

import functools
import os
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
import typer.main

from gradeest.cli.main import main
from tests.cli.books import Books, Entry, differences
from tests.cli.conftest import Ran

SHED = """
name = "shed"
price_paid = 40
[[fraction]]
name = "strips"
kind = "fingers-memory"
mass = "2.4 kg"
[[fraction]]
name = "pins"
kind = "pins-full"
mass = "430 g"
[[fraction]]
name = "caps"
kind = "mlcc-nonmagnetic"
mass = "0.9 kg"
"""
ANN = """
name = "ann"
owner = "ann"
price_paid = 7.5
[[fraction]]
name = "cards"
kind = "fingers-cards"
mass = "600 g"
"""
NOTES = """what;date;lot;fraction;kind;mass;batch;charges;route;metal;form;weight;readability;close;of;amount
lot;2024-02-20;attic;cards;fingers-cards;1,2 kg;;;;;;;;;;
batch;2024-02-21;;;;;run 7;attic/cards=0,5 kg;foils-peroxide;;;;;;;
product;2024-02-24;;;;;run 7;;;gold;gold powder;0,62 g;0,01 g;yes;;
sale;2024-02-25;;;;0,3 kg;;;;;;;;;attic/cards;9,5
"""
PRICES = 'currency = "EUR"\n[metals]\nAu = "80 / g"\nAg = "1 / g"\nPd = "30 / g"\n'  # invented
GOLD = ("--metal", "Au", "--form", "gold-powder")


@dataclass(frozen=True)
class Step:
    """What is typed, and what it means for the books: entries by a label of their own, new ones or corrected ones.

    A word `{label}` stands for the number of that entry's event; None takes an entry back; `says` must be printed.
    """

    words: tuple[str, ...]
    entries: dict[str, Entry | None] = field(default_factory=dict)
    says: tuple[str, ...] = ()


def step(line: str, *quoted: str, says: tuple[str, ...] = (), **entries: Entry | None) -> Step:
    """A step from a line of words; each `~` stands for the next of the quoted ones."""
    rest = iter(quoted)
    words = tuple(word.replace("~", next(rest)) if "~" in word else word for word in line.split())
    assert not [*rest]
    return Step(words, entries, says)


WEEKS = (
    # the first: two people's scrap, two balances, and a weight with its point slipped, announced as a surprise
    step("lot add shed.toml --date 2024-02-05",
         shed=("lot", "shed", {"strips": "2.4", "pins": "0.43", "caps": "0.9"}, "40")),
    step("lot add ann.toml --date 2024-02-05", ann=("lot", "ann", {"cards": "0.6"}, "7.5")),
    step("balance add pocket --readability ~ --date 2024-02-05", "0.01 g", pocket=("balance", "pocket", "0.01")),
    step("balance check pocket --weight ~ --reads ~ --date 2024-02-06", "5 g", "4.98 g",
         check=("check", "pocket", "5", "4.98")),
    step("balance add lab --readability ~ --date 2024-02-06", "0.001 g", lab=("balance", "lab", "0.001")),
    step("batch add --charge ~ --date 2024-02-06", "shed/pins=30 g", says=("What to expect",),
         b1=("batch", "B1", {"shed/pins": "0.03"})),
    step("record product B1 --weight ~ --balance pocket --close --date 2024-02-09", "1.3 g",
         says=("hardly expected, in the outer 1 %", "Likely causes:"), b1_au=("product", "B1", "au-1", "1.3", "pocket"),
         b1_close=("close", "B1")),
    step("amend {b1_au} weight=~", "0.13 g", b1_au=("product", "B1", "au-1", "0.13", "pocket")),
    # the second: the jar grows, the magnet sorts, some is sold
    step("sell shed/strips ~ --for 5 --date 2024-02-11", "100 g", some=("sale", "shed/strips", "0.1", "5")),
    step("lot more shed/strips ~ --date 2024-02-12 --note attic", "350 g", more=("more", "shed/strips", "0.35")),
    step("lot split shed/pins ~ ~ --date 2024-02-13", "strong=200 g", "weak=196 g",
         split=("split", "shed/pins", {"strong": "0.2", "weak": "0.196"})),
    step("sell shed/caps ~ --for ~ --to ~ --date 2024-02-14", "300 g", "12 EUR", "a buyer",
         caps=("sale", "shed/caps", "0.3", "12")),
    step("bench set storage-clock ~ --date 2024-02-14", "180 days", clock=("uncounted",)),
    # the third: a batch of two people, with all that happens
    step("batch add --charge ~ --charge ~ --route foils-peroxide --date 2024-02-19 --later", "shed/strips=1 kg",
         "ann/cards=300 g", b2=("batch", "B2", {"shed/strips": "1", "ann/cards": "0.3"})),
    step("batch set-aside B2 ~ ~ --date 2024-02-20 --later", "oversize=80 g", "magnetic=12.5 g",
         aside=("streams", "B2", {"oversize": "0.08", "magnetic": "0.0125"})),
    step("batch leave B2 liquor --volume ~ --date 2024-02-21", "1.2 L", liquor=("streams", "B2", {"liquor": "1.2"})),
    step("record product B2 --weight ~ --balance lab --date 2024-02-22 --later", "1.102 g",
         b2_one=("product", "B2", "au-1", "1.102", "lab")),
    step("record product B2 --weight ~ --balance lab --close --date 2024-02-23 --later", "0.314 g",
         b2_two=("product", "B2", "au-2", "0.314", "lab"), b2_close=("close", "B2")),
    step("sell B2/au-1 ~ --for 31.25 --date 2024-02-24", "0.6 g", gold=("sale", "B2/au-1", "0.6", "31.25")),
    # the fourth: old notes, an assay, nothing to be seen
    step("import sheet notes.csv --decimal comma", attic=("lot", "attic", {"cards": "1.2"}),
         b3=("batch", "B3", {"attic/cards": "0.5"}), b3_au=("product", "B3", "au-1", "0.62"), b3_close=("close", "B3"),
         attic_sale=("sale", "attic/cards", "0.3", "9.5")),
    step("record assay shed/strong --metal Au --value ~ --u ~ --date 2024-02-26 --later", "6100 g/t", "10 %",
         assay=("uncounted",)),
    step("batch add --charge ~ --date 2024-02-27 --later", "shed/caps=200 g",
         b4=("batch", "B4", {"shed/caps": "0.2"})),
    step("record none B4 --metal Pd --below ~ --liquid kept --date 2024-02-28 --later", "0.02 g",
         b4_pd=("none", "B4")),
    step("record loss B4 --share ~ --note tipped --wiped ~ --date 2024-02-28 --later", "20-50 %", "floor=30 g",
         loss=("loss", "B4", "0.2", "0.5", {"floor": "0.03"})),
    step("discard shed/caps ~ --note ~ --date 2024-02-28", "100 g", "to the collection point",
         caps_out=("discard", "shed/caps", "0.1")),
    step("sell B2/oversize ~ --for 3 --date 2024-02-29", "20 g", oversize=("sale", "B2/oversize", "0.02", "3")),
    step("discard B2/liquor --date 2024-02-29", liquor_out=("discard", "B2/liquor", None)),
    # the fifth: a range from the notebook, and second thoughts
    step("batch add --charge ~ --date 2024-03-04 --later", "attic/cards=150 g",
         b5=("batch", "B5", {"attic/cards": "0.15"})),
    step("record product B5 --weight ~ --close --date 2024-03-06 --later", "0.15-0.25 g",
         b5_au=("product", "B5", "au-1", "0.2"), b5_close=("close", "B5")),
    step("amend {caps} mass=~ amount=15", "280 g", caps=("sale", "shed/caps", "0.28", "15")),
    step("amend {aside} oversize.mass=~", "90 g", aside=("streams", "B2", {"oversize": "0.09", "magnetic": "0.0125"})),
    step("amend {loss} low=~ high=~", "10 %", "30 %", loss=("loss", "B4", "0.1", "0.3", {"floor": "0.03"})),
    step("amend {b4} ~", "shed/caps=210 g", b4=("batch", "B4", {"shed/caps": "0.21"})),
    step("undo {caps_out}", caps_out=None),
    step("undo {b4_pd}", b4_pd=None),
    step("batch close B4 --date 2024-03-08 --later", b4_close=("close", "B4")),
    # the sixth: the jar grows again, the rest goes
    step("lot more shed/strips ~ --date 2024-03-11", "120 g", more_two=("more", "shed/strips", "0.12")),
    step("sell shed/strips ~ --for 20 --date 2024-03-12", "0.4 kg", strips=("sale", "shed/strips", "0.4", "20")),
    step("sell B2/au-2 --for 16 --date 2024-03-13", gold_two=("sale", "B2/au-2", None, "16")),
    step("discard attic/cards --date 2024-03-14", attic_out=("discard", "attic/cards", None)),
)  # fmt: skip


class Bench:
    """The invented bench: types, keeps the second books, and reads what the program says of its own."""

    def __init__(self, capsys: pytest.CaptureFixture[str]) -> None:
        self.capsys = capsys
        self.entries: dict[str, Entry] = {}
        self.numbers: dict[str, int] = {}

    def run(self, *words: str) -> Ran:
        self.capsys.readouterr()
        code = main(list(words))
        captured = self.capsys.readouterr()
        return Ran(code, captured.out, captured.err)

    def ask(self, *words: str) -> Any:
        done = self.run(*words, "--json")
        assert done.code == 0, done.err
        return done.json

    def events(self) -> list[dict[str, Any]]:
        return self.ask("history")["events"]

    def enter(self, step: Step) -> list[int]:
        """Type a step and book what it means; returns the numbers of its events."""
        before = len(self.events()) if self.entries else 0
        words = [word.format_map(self.numbers) if word.startswith("{") else word for word in step.words]
        words += GOLD if words[:2] == ["record", "product"] else ()
        done = self.run(*words)
        assert done.code == 0, (words, done.err)
        assert "reference engine" not in done.err
        for text in step.says:
            assert text in " ".join((done.out + done.err).split()), (text, done.out)
        numbers = [event["number"] for event in self.events()[before:]]
        fresh = [label for label, entry in step.entries.items() if label not in self.entries and entry is not None]
        assert len(numbers) == max(len(fresh), 1), words
        self.numbers |= dict(zip(fresh, numbers, strict=False))
        for label, entry in step.entries.items():
            if entry is None:
                del self.entries[label]
            else:
                self.entries[label] = entry
        return numbers

    def said(self) -> dict[str, Any]:
        """All that the program says of stock, batches and balances: every derived number, whole."""
        lots = [row["name"] for row in self.ask("lot", "list")["lots"]]
        batches = [row["name"] for row in self.ask("batch", "list")["batches"]]
        return {
            "lots": [self.ask("lot", "show", name) for name in lots],
            "batches": [self.ask("batch", "show", name) for name in batches],
            "balances": self.ask("balance", "list"),
        }

    def all_said(self) -> dict[str, Any]:
        """That, the year and what is unfinished: these need the belief."""
        return {**self.said(), "year": self.ask("year", "2024"), "open": self.ask("open")}


def figures(said: dict[str, Any]) -> dict[str, Any]:
    """What the program says, under the names of the second books."""
    found: dict[str, Any] = {}
    for row in (row for lot in said["lots"] for row in lot["fractions"]):
        found[row["address"]] = [row["mass_kg"], row["left_kg"], row["sold_kg"], row["discarded_kg"]]
        found[f"{row['address']} sources"] = row["layers_left_kg"]
    for shown in said["batches"]:
        batch = shown["batch"]
        name = batch["name"]
        found[f"{name} charges"] = {charge["address"]: charge["mass_kg"] for charge in batch["charges"]}
        found[f"{name} products"] = {product["name"]: product["weight_g"] for product in batch["products"]}
        found[f"{name} streams"] = {s["name"]: s["mass_kg"] or s["volume_l"] for s in batch["streams"]}
        found[f"{name} left"] = shown["left"]
        found[f"{name} losses"] = [[loss["low"], loss["high"]] for loss in batch["losses"]]
        found[f"{name} nothing"] = len(batch["nondetects"])
        found[f"{name} is open"] = int(batch["closed"] is None)
    for row in said["balances"]["balances"]:
        found[f"balance {row['name']}"] = [row["readability_g"], row["checks"], row["deviation"], row["weighings"]]
    return found


def money(year: dict[str, Any]) -> dict[str, Any]:
    """The year's books, under the names of the second ones."""
    paid, runs = year["money"], year["runs"]
    return {
        "feed": year["feed_kg"], "spent": paid["spent"], "paid": paid["paid"], "paid by": paid["paid_by"],
        "sales": paid["sales"], "begun": runs["begun"], "still open": runs["still_open"],
        "without result": runs["without_result"], "processed": runs["mass_kg"],
    }  # fmt: skip


def check_closing(said: dict[str, Any]) -> None:
    """What came is what stands, went into batches, was sold, discarded or sorted into heaps: by the program's words."""
    went: dict[str, float] = {}
    for charge in (charge for shown in said["batches"] for charge in shown["batch"]["charges"]):
        went[charge["address"]] = went.get(charge["address"], 0.0) + charge["mass_kg"]
    rows = {row["address"]: row for lot in said["lots"] for row in lot["fractions"]}
    for address, row in rows.items():
        heaps = sum(rows[heap]["mass_kg"] for heap in row["heaps"])
        gone = row["left_kg"] + went.get(address, 0.0) + row["sold_kg"] + row["discarded_kg"] + heaps
        assert gone == pytest.approx(row["mass_kg"], abs=1e-9), address
        assert min(row["layers_left_kg"]) >= 0, address


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """An empty folder with what the person wrote down."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("GRADEEST_LEDGER", raising=False)
    monkeypatch.setenv("COLUMNS", "80")
    # some hundred commands are typed: the tree of commands is built once
    monkeypatch.setattr(typer.main, "get_command", functools.cache(typer.main.get_command))
    for name, text in (("shed.toml", SHED), ("ann.toml", ANN), ("notes.csv", NOTES), ("prices.toml", PRICES)):
        (tmp_path / name).write_text(text, encoding="utf-8")
    yield tmp_path
    assert os.listdir(tmp_path)  # the folder was worked in, not another one


def check_undo(bench: Bench, numbers: list[int], before: dict[str, Any] | None) -> None:
    """Taken back, nothing of the step is left. It is put again: that all of it is there the next step finds out."""
    taken = []
    for number in reversed(numbers):
        taken.append(bench.ask("undo", str(number))["saved"]["event"])
    if before is not None:
        assert bench.all_said() == before
    for number in reversed(taken):
        assert bench.run("undo", str(number)).code == 0


@pytest.mark.slow
def test_six_weeks_close_at_every_step_and_undo_restores_all(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bench = Bench(capsys)
    assert bench.run().code == 0
    before = None
    for step in WEEKS:
        numbers = bench.enter(step)
        said = bench.all_said()
        books = Books(bench.entries.values())
        assert differences(books.figures(), figures(said)) == [], step.words
        assert differences(books.money(), money(said["year"])) == [], step.words
        check_closing(said)
        check_undo(bench, numbers, before)
        before = said
    assert bench.all_said() == before
    check_reading(bench, folder)
    check_each_event_alone(bench)


def check_reading(bench: Bench, folder: Path) -> None:
    """What is only read: all of it answers, and says what the books say."""
    books = Books(bench.entries.values())
    split = bench.ask("where", "B2", "--by", "owner")
    for product in split["products"]:
        weight = books.runs["B2"].products[product["address"].partition("/")[2]]
        assert differences(sum(part["split_g"] for part in product["parts"]), weight) == []
    items = {item["address"]: item["left"] for item in bench.ask("open")["items"] if item["sort"] == "jar"}
    assert differences({address: books.jars[address].left for address in items}, items) == []
    assert {"shed/strips", "shed/caps", "ann/cards"} <= set(items)  # begun and not finished
    for line in (
        "", "open", "year 2024", "where B2", "where B2 --by owner", "history", "forecast", "rank", "grades",
        "lot list", "lot show shed", "batch list", "batch show B2", "balance list", "bench show", "worksheet B4",
        "worksheet B4 --labels", "template", "import sheet notes.csv --decimal comma --new",
    ):  # fmt: skip
        done = bench.run(*line.split())
        assert done.code == 0 or line.endswith("--new"), (line, done.err)
        assert max(map(len, done.out.splitlines()), default=0) <= 80, line
    assert {"B4-worksheet.html", "B4-labels.html", "notes.xlsx"} <= set(os.listdir(folder))


def check_each_event_alone(bench: Bench) -> None:
    """Every event by itself: nothing else changes when it is taken back, or what rests on it is named."""
    whole, refused, alone = bench.said(), [], []
    for label in list(bench.entries):
        done = bench.run("undo", str(bench.numbers[label]), "--json")
        if done.code == 3:
            assert "rest on it" in done.err, label
            refused.append(label)
            continue
        rest = [entry for other, entry in bench.entries.items() if other != label]
        assert differences(Books(rest).figures(), figures(bench.said())) == [], label
        assert bench.run("undo", str(done.json["saved"]["event"])).code == 0, label
        alone.append(label)
    assert bench.said() == whole
    assert {"shed", "split", "b2", "aside", "b2_one"} <= set(refused)
    assert {"caps", "loss", "gold", "assay", "check", "more_two", "b5_au", "strips", "b2_close"} <= set(alone)


def standing(weeks: tuple[Step, ...]) -> dict[str, Entry]:
    """The entries that stand at the end."""
    entries: dict[str, Entry | None] = {}
    for step in weeks:
        entries |= step.entries
    return {label: entry for label, entry in entries.items() if entry is not None}


@pytest.mark.parametrize("label", [label for label in standing(WEEKS) if label not in ("clock", "assay")])
def test_the_books_see_an_entry_that_is_missing(label: str) -> None:
    """The twin: without one entry they differ, or cannot even be kept."""
    entries = standing(WEEKS)
    whole = Books(entries.values())
    try:
        rest = Books(entry for other, entry in entries.items() if other != label)
    except (KeyError, AssertionError):
        return  # something was done with what never came
    assert differences(whole.figures(), rest.figures()) or differences(whole.money(), rest.money())


def test_every_command_of_the_bench_days_is_typed() -> None:
    typed = {" ".join(word for word in step.words[:2] if word.isalpha() or "-" in word) for step in WEEKS}
    for command in (
        "lot add", "lot more", "lot split", "sell", "discard", "batch add", "batch set-aside", "batch leave",
        "batch close", "record product", "record none", "record assay", "record loss", "balance add", "balance check",
        "import sheet", "bench set", "undo", "amend",
    ):  # fmt: skip
        assert command in typed, command
