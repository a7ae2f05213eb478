"""What is unfinished, a year's books, whose metal a batch holds, the bench at a glance: as a person asks for them."""

from __future__ import annotations

import datetime as dt
import json
import os
import pty
import subprocess
import sys
from pathlib import Path

import pytest

from gradeest.cli.context import DEFAULT_LEDGER
from gradeest.cli.tables import show
from gradeest.cli.unfinished import open_parts
from gradeest.decision.summary import Interval
from gradeest.workflow.holdings import MetalHeld
from gradeest.workflow.unfinished import OpenItem, OpenShown
from tests.cli.conftest import Run

PRICES = 'currency = "EUR"\n[metals]\nAu = "80 / g"\nAg = "1 / g"\nPd = "30 / g"\n'  # invented
ANN = """
name = "ann"
date = 2024-01-20
owner = "ann"
[[fraction]]
name = "cards"
kind = "fingers-cards"
mass = "600 g"
"""
GOLD = ("--metal", "Au", "--form", "gold-powder", "--readability", "0.01 g", "--later")
MOST_LINES = 15


@pytest.fixture
def mixed(bench: Run, tmp_path: Path) -> Run:
    """A bench with a closed batch of two owners, a part set aside and a solution; prices are there."""
    (tmp_path / "ann.toml").write_text(ANN, encoding="utf-8")
    (tmp_path / "prices.toml").write_text(PRICES, encoding="utf-8")
    for words in (
        ("lot", "add", "ann.toml"),
        ("batch", "add", "--charge", "shed/strips=500 g", "--charge", "ann/cards=300 g", "--date", "2024-02-01",
         "--route", "foils-peroxide", "--later"),
        ("batch", "set-aside", "B1", "oversize=60 g", "--date", "2024-02-02", "--later"),
        ("batch", "leave", "B1", "liquor", "--volume", "1.2 L", "--date", "2024-02-02"),
        ("record", "product", "B1", *GOLD, "--weight", "1.8 g", "--date", "2024-02-03", "--close"),
    ):  # fmt: skip
        done = bench(*words)
        assert done.code == 0, done.err
    return bench


def fits(text: str) -> bool:
    return max(map(len, text.splitlines())) <= 80


def commands(run: Run) -> list[str]:
    """What the bench at a glance says to type next."""
    done = run("--json")
    assert done.code == 0
    return [step["command"] for step in done.json["next"]]


def test_a_price_file_that_cannot_be_used_keeps_its_name(mixed: Run, tmp_path: Path) -> None:
    (tmp_path / "prices.toml").write_text("currency = 5", encoding="utf-8")
    for words in (("open",), ("year", "2024")):
        out = mixed(*words).out
        assert "prices.toml cannot be used" in out
        assert "Prices.toml" not in out


# --- the bench at a glance


def test_without_a_ledger_it_says_how_to_begin(run: Run) -> None:
    done = run()
    assert done.code == 0
    assert "no ledger yet" in done.out
    assert "Next: gradeest lot add" in done.out
    assert "gradeest demo" in done.out
    assert not Path(DEFAULT_LEDGER).exists()


def test_a_lot_without_prices_needs_prices(bench: Run, tmp_path: Path) -> None:
    assert commands(bench)[0] == "gradeest prices new"
    assert bench("prices", "new").code == 0
    (step, *_) = bench("--json").json["next"]
    assert "type your metal prices into prices.toml" in step["why"]
    (tmp_path / "prices.toml").write_text(PRICES, encoding="utf-8")
    assert commands(bench) == ["gradeest rank"]


def test_an_open_batch_waits_for_its_weight_then_for_its_closing(bench: Run) -> None:
    assert bench("batch", "add", "--charge", "shed/strips=500 g", "--date", "2024-02-01", "--later").code == 0
    assert commands(bench)[0] == "gradeest record product B1 --metal Au"
    assert bench("record", "product", "B1", *GOLD, "--weight", "1.2 g", "--date", "2024-02-03").code == 0
    assert commands(bench)[0] == "gradeest batch close B1"


def test_a_kept_liquid_comes_first(bench: Run) -> None:
    assert bench("batch", "add", "--charge", "shed/strips=500 g", "--date", "2024-02-01", "--later").code == 0
    none = ("record", "none", "B1", "--metal", "Au", "--below", "0.02 g", "--liquid", "kept", "--later")
    assert bench(*none, "--date", "2024-02-03").code == 0
    assert bench("bench", "set", "storage-clock", "180 days").code == 0
    first, second, *_ = commands(bench)
    assert first == "gradeest record none B1 --metal Au --liquid tested-negative"
    assert second == "gradeest open"  # 2024 is over any clock of 180 days
    assert "over the storage clock of 180 days" in bench().out


def test_nothing_left_asks_for_a_lot(bench: Run) -> None:
    for name in ("strips", "chips", "caps", "tilt"):
        assert bench("discard", f"shed/{name}").code == 0
    assert commands(bench)[-1] == "gradeest lot add"


def test_the_glance_shows_an_estimate_only_where_one_is_kept(mixed: Run) -> None:
    assert "No estimate at hand" in mixed().out
    assert mixed("--json").json["estimated_g"] is None
    assert not Path(".gradeest-cache").exists()  # no fit was started for it
    assert mixed("open", "--json").code == 0
    found = mixed("--json").json["estimated_g"]["Au"]
    assert found["q5"] < found["q50"] < found["q95"]
    assert "In what is left, median (5-95 %): Au" in mixed().out


def test_the_glance_fits_fifteen_lines_at_its_fullest(mixed: Run) -> None:
    for date in ("2024-03-01", "2024-03-02", "2024-03-03"):
        assert mixed("batch", "add", "--charge", "shed/strips=50 g", "--date", date, "--later").code == 0
    none = ("record", "none", "B2", "--metal", "Au", "--below", "0.02 g", "--liquid", "kept", "--later")
    assert mixed(*none, "--date", "2024-03-05").code == 0
    assert mixed("bench", "set", "storage-clock", "1 month").code == 0
    assert mixed("open").code == 0
    out = mixed().out
    assert len(out.splitlines()) <= MOST_LINES
    assert fits(out)


def test_json_before_a_command_is_a_question_not_an_answer(bench: Run) -> None:
    done = bench("--json", "forecast")
    assert (done.code, done.out) == (2, "")
    assert "gradeest COMMAND --json" in done.err


def test_a_ledger_that_cannot_be_read_is_said(run: Run) -> None:
    Path(DEFAULT_LEDGER).write_text("not a ledger", encoding="utf-8")
    assert run().code == 4


# --- what is unfinished


def test_what_is_unfinished_has_metal_worth_and_age(mixed: Run) -> None:
    found = mixed("open", "--json").json
    items = {item["address"]: item for item in found["items"]}
    assert set(items) == {"shed/strips", "ann/cards", "B1/oversize", "B1/liquor", "B1/au-1"}
    today = dt.date.today()
    assert items["B1/oversize"]["age_days"] == (today - dt.date(2024, 2, 2)).days
    for item in items.values():
        metal = next(m for m in item["metals"] if m["metal"] == "Au")
        assert metal["grams"]["q5"] < metal["grams"]["q50"] < metal["grams"]["q95"]
        assert item["value"]["q5"] <= item["value"]["q50"] <= item["value"]["q95"]
        assert not item["is_over"]
    assert items["B1/oversize"]["remark"] == items["B1/liquor"]["remark"] == "rough"
    assert found["currency"] == "EUR"
    out = mixed("open").out
    assert fits(out)
    for word in ("1 weight", "results of B1", "rough", "No storage clock is set"):
        assert word in " ".join(out.split())


def test_no_word_of_what_a_thing_rests_on_is_cut(capsys: pytest.CaptureFixture[str]) -> None:
    """At eighty columns, with the widest intervals beside it."""
    found = Interval(0.0015, 0.0054, 0.0215, 0.007)
    gold = MetalHeld("Au", found, "2 non-detects, 2 settlements, 1 later weight", True)
    day = dt.date(2024, 2, 3)
    item = OpenItem("jar", "yard-of-many-plugs/plugs", 1.1, "kg", "pins-full", day, 1002, False, (gold,), found, "")
    shown = OpenShown((item,), found, "EUR", "", None, (), "", day, "", None, "")
    show(*open_parts(shown))
    out = capsys.readouterr().out
    assert fits(out)
    assert {"non-detects,", "settlements,", "later", "weight", "1002", "days"} <= set(out.split())


def test_what_is_older_than_the_clock_is_marked_with_whom_to_ask(mixed: Run) -> None:
    assert mixed("bench", "set", "storage-clock", "180 days").code == 0
    done = mixed("open")
    assert "! local rules limit how long such material may be kept: ask your authority" in " ".join(done.out.split())
    assert "shed/chips" in done.out  # nobody began it, and it is as old
    assert mixed("bench", "set", "storage-clock", "100 years").code == 0
    found = mixed("open", "--json").json
    assert (found["caution"], found["untouched_over"]) == ("", [])
    assert mixed("bench", "set", "storage-clock", "no").code == 0
    assert mixed("open", "--json").json["clock_days"] is None


def test_without_prices_there_is_no_worth_and_the_way_to_it(mixed: Run, tmp_path: Path) -> None:
    (tmp_path / "prices.toml").unlink()
    found = mixed("open", "--json").json
    assert found["total_value"] is None
    assert {item["value"] for item in found["items"]} == {None}
    assert "gradeest prices new" in " ".join(mixed("open").out.split())
    assert mixed("open", "--prices", "other.toml").code == 3  # named on purpose


def test_nothing_unfinished_is_said(bench: Run) -> None:
    done = bench("open")
    assert done.code == 0
    assert "Nothing is unfinished." in done.out


# --- a year


def test_a_year_in_the_books(mixed: Run) -> None:
    assert mixed("sell", "B1/au-1", "0.5 g", "--for", "30", "--date", "2024-05-01").code == 0
    found = mixed("year", "2024", "--json").json
    assert found["feed_kg"] == pytest.approx(1.2 + 0.8 + 0.15 + 0.2 + 0.6)
    assert (found["money"]["paid"], found["money"]["spent"]) == (30, 40)
    assert found["money"]["per_hour"]["q5"] < found["money"]["per_hour"]["q95"] < 0
    assert found["runs"]["begun"] == 1
    (gold,) = found["metals"]
    assert gold["sold_g"]["q50"] < gold["weighed_g"]["q50"] <= 1.81
    out = mixed("year", "2024").out
    assert fits(out)
    for word in ("estimated", "2 lots, 1 without a price", "failed runs included", "in stock today"):
        assert word in " ".join(out.split())
    assert mixed("year", "2999").code == 3
    assert mixed("year", "soon").code == 2


# --- whose metal


def test_owners_share_a_product_and_the_shares_add_up(mixed: Run) -> None:
    found = mixed("where", "B1", "--by", "owner", "--json").json
    assert {row["name"] for row in found["brought"]} == {"mine", "ann"}
    (product,) = found["products"]
    assert sum(round(1000 * part["split_g"]) for part in product["parts"]) == 1800
    assert sum(part["share"] for part in product["parts"]) == pytest.approx(1)
    for part in product["parts"]:
        assert part["fine_g"]["q5"] < part["fine_g"]["q50"] < part["fine_g"]["q95"]
    out = mixed("where", "B1", "--by", "owner").out
    assert fits(out)
    assert "speak of the sum" in " ".join(out.split())
    assert "shed/strips" in mixed("where", "B1", "--by", "charge").out


def test_where_shows_the_way_of_every_gram(mixed: Run, tmp_path: Path) -> None:
    """Of a batch, a lot, a period and the whole bench; in words, as JSON, as a drawing."""
    for words in (("B1",), ("shed",), ("2024-01..2024-12",), ()):
        found = mixed("where", *words, "--json").json
        (gold,) = (flow for flow in found["flows"] if flow["metal"] == "Au")
        assert sum(part["share"] for part in gold["parts"]) == pytest.approx(1)
        places = {part["to"] for part in gold["parts"]}
        assert {"product", "set aside", "equipment", "residue", "solution", "filters", "lost"} <= places
        assert ("in jars" in places) == (words in (("shed",), ()))
        assert all(part["grams"]["q5"] <= part["grams"]["q95"] for part in gold["parts"])
        done = mixed("where", *words)
        assert fits(done.out)
        for word in ("in all", "█", "judgement of the", "rests on"):
            assert word in done.out.lower()
    done = mixed("where", "B1", "--drawing", "flow.svg")
    assert "Drew it into flow.svg" in done.out
    drawn = (tmp_path / "flow.svg").read_text(encoding="utf-8")
    assert all(word in drawn for word in ("batch B1", "set aside", "Gold"))
    done = mixed("where", "B1", "--drawing", "flow.svg")
    assert (done.code, "--force" in done.err) == (3, True)
    assert mixed("where", "B1", "--drawing", "flow.svg", "--force").code == 0
    assert mixed("where", "B1", "--drawing", "no/folder/flow.png").code == 3
    assert mixed("where", "--drawing", "flow.pdf").code == 3


def test_where_says_what_it_cannot_do(mixed: Run) -> None:
    done = mixed("where", "B7")
    assert (done.code, "batches: B1" in done.err) == (3, True)
    done = mixed("where", "B1", "--by", "colour")
    assert (done.code, "charge, owner" in done.err) == (3, True)
    assert (mixed("where", "shed", "--by", "owner").code, mixed("where", "2024-13").code) == (3, 3)


# --- a terminal of 80 columns


def read_all(master: int) -> str:
    """Everything a terminal was sent; its end is an error on Linux."""
    parts = []
    try:
        while part := os.read(master, 4096):
            parts.append(part)
    except OSError:
        pass
    finally:
        os.close(master)
    return b"".join(parts).decode()


@pytest.mark.parametrize("words", [(), ("open",), ("year", "2024"), ("where",), ("where", "B1", "--by", "owner")])
def test_a_terminal_of_eighty_columns_is_enough(mixed: Run, words: tuple[str, ...]) -> None:
    assert mixed("open").code == 0  # the fit is kept now
    master, slave = pty.openpty()
    size = {"COLUMNS": "80", "LINES": "40", "TERM": "dumb"}
    command = [sys.executable, "-m", "gradeest", *words]
    with subprocess.Popen(command, stdout=slave, stderr=slave, env={**os.environ, **size}) as done:
        os.close(slave)
        text = read_all(master)
    assert done.returncode == 0, text
    assert fits(text.replace("\r", ""))
    assert "…" not in text


def test_the_glance_is_one_json_object(bench: Run) -> None:
    found = json.loads(bench("--json").out)
    assert found["lots"] == 1
    assert found["left_kg"] == pytest.approx(2.35)


def test_what_is_only_unsorted_is_to_be_sorted(run: Run, tmp_path: Path) -> None:
    (tmp_path / "x.toml").write_text('name = "x"\ndate = 2024-01-02\nunsorted = "5 kg"\n', encoding="utf-8")
    assert run("lot", "add", "x.toml").code == 0
    (step,) = run("--json").json["next"]
    assert (step["command"], "unsorted" in step["why"]) == ("gradeest lot add", True)
    assert run("year").code == 0
    assert "5.00 kg unsorted" in run().out
