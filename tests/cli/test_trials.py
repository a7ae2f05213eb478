"""A trial run: a part of one fraction, recorded as such, learned from like any batch, listed until it is done."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.cli.conftest import Run

PRICES = 'currency = "EUR"\n[metals]\nAu = "80 / g"\nAg = "1 / g"\nPd = "30 / g"\n'  # invented
DAY = ("--date", "2024-02-01")
WEIGHT = ("--metal", "Au", "--form", "gold-powder", "--weight", "0.41 g", "--readability", "0.01 g", "--close", *DAY)


@pytest.fixture
def priced(bench: Run, tmp_path: Path) -> Run:
    (tmp_path / "prices.toml").write_text(PRICES, encoding="utf-8")
    return bench


def test_a_trial_is_listed_until_it_is_done_and_then_learned_from_like_any_batch(priced: Run) -> None:
    started = priced("batch", "add", "--trial", "--charge", "shed/strips=200 g", *DAY)
    assert started.code == 0, started.err
    assert "Started trial B1" in started.out
    assert "gradeest test-first shed/strips" in started.out
    (line,) = priced("batch", "list", "--json").json["batches"]
    assert line["trial"] is True
    assert priced("batch", "show", "B1").out.startswith("Trial B1")
    item = next(i for i in priced("open", "--json").json["items"] if i["sort"] == "open batch")
    assert (item["what"], item["remark"]) == ("foils-peroxide, a trial", "a trial of shed/strips")
    asked = priced("test-first", "shed/strips", "--json").json
    assert asked["trials"] == [{"batch": "B1", "address": "shed/strips", "mass_kg": 0.2, "is_open": True}]
    assert asked["rows"][0]["advice"] == "wait: its trial B1 is open"
    every = priced("test-first")
    assert "B1" in every.out
    assert all(len(line) <= 80 for line in every.out.splitlines())
    assert priced("record", "product", "B1", *WEIGHT).code == 0
    done = priced("test-first", "shed/strips", "--json").json
    assert done["trials"][0]["is_open"] is False
    assert not done["rows"][0]["advice"].startswith("wait")
    learned = priced("grades", "--json").json["rows"]
    assert any(row["address"] == "shed/strips" and "1 weight" in row["rests_on"] for row in learned)


def test_a_trial_tells_what_the_same_batch_without_the_word_tells(priced: Run, tmp_path: Path) -> None:
    told = []
    for words in (("--trial",), ()):
        ledger = ("--ledger", str(tmp_path / f"{'trial' if words else 'plain'}.ledger"))
        assert priced("lot", "add", "shed.toml", *ledger).code == 0
        assert priced("batch", "add", "--charge", "shed/strips=200 g", *words, *DAY, "--later", *ledger).code == 0
        assert priced("record", "product", "B1", *WEIGHT, "--later", *ledger).code == 0
        told.append(priced("grades", "--json", *ledger).json["rows"])
    assert told[0] == told[1]


def test_a_trial_of_everything_or_of_two_fractions_is_none(priced: Run) -> None:
    before = priced("history", "--json").json
    whole = priced("batch", "add", "--trial", "--charge", "shed/strips", *DAY)
    assert whole.code == 3
    assert "this is all that is left" in whole.err
    two = priced("batch", "add", "--trial", "--charge", "shed/strips=100 g", "--charge", "shed/chips=100 g",
                 "--route", "mixed-chloride", *DAY)  # fmt: skip
    assert two.code == 3
    assert "a trial is of one fraction" in two.err
    assert priced("history", "--json").json == before


def test_the_word_can_be_put_right(priced: Run) -> None:
    assert priced("batch", "add", "--charge", "shed/strips=200 g", *DAY, "--later").code == 0
    assert priced("amend", "2", "trial=yes").code == 0
    assert priced("batch", "list", "--json").json["batches"][0]["trial"] is True
    assert "a trial" in priced("history").out
    assert priced("amend", "2", "trial=perhaps").code == 3
    assert priced("undo", "2").code == 0
    assert priced("batch", "list", "--json").json["batches"] == []


@pytest.mark.parametrize("fee", [60, 300])
def test_a_shared_fee_makes_no_trial_worth_more_than_knowing_all(priced: Run, tmp_path: Path, fee: int) -> None:
    (tmp_path / "prices.toml").write_text(f"{PRICES}[settlement]\nfee = {fee}\n", encoding="utf-8")
    (row,) = priced("test-first", "shed/strips", "--json").json["rows"]
    trials = [option for option in row["options"] if option["sort"] == "trial run"]
    assert trials
    for option in trials:
        assert 0 <= option["worth"] <= row["perfect"] + 2 * row["perfect_mcse"]
        assert option["net"] == pytest.approx(option["worth"] - option["cost"])
        assert option["cost"] > 0
