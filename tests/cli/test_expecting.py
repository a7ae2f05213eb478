"""A batch's forecast is kept before it is run, and its result held against it before anything is learned from it."""

from __future__ import annotations

import datetime as dt
import sqlite3
from pathlib import Path
from statistics import NormalDist

import numpy as np
import pytest

from gradeest.records.domain import Batch, Charge, NonDetect
from gradeest.workflow.expecting import LEVELS, Expected, judge_none, judge_weight, share_below
from tests.cli.conftest import Run

DAY = dt.date(2024, 2, 1)
MIDDLE, SPREAD = np.log(0.7), 0.6  # an invented forecast: ln-normal around 0.7 g
QUANTILES = tuple(float(np.exp(MIDDLE + SPREAD * NormalDist().inv_cdf(level))) for level in LEVELS)
ROW = Expected("Au", "gold-powder", 0.0, LEVELS, QUANTILES, tuple(q / 0.98 for q in QUANTILES))


def batch(closed: bool = True, liquid: str = "tested-negative") -> Batch:
    none = NonDetect("B1", "Au", 0.02, liquid, DAY)  # type: ignore[arg-type]
    return Batch("B1", DAY, "foils-peroxide", (Charge("shed/strips", 0.3),), DAY if closed else None, (), (none,))


@pytest.mark.parametrize("value", [0.2, 0.4, 0.7, 1.1, 2.0])
def test_the_place_in_a_forecast_is_that_of_the_normal_table(value: float) -> None:
    """Against the standard normal distribution function of the standard library."""
    true = NormalDist(MIDDLE, SPREAD).cdf(np.log(value))
    assert share_below(QUANTILES, LEVELS, value) == pytest.approx(true, abs=0.012)
    # twin: interpolating grams instead of their logarithms is not the same thing
    assert abs(float(np.interp(value, QUANTILES, LEVELS)) - true) < 0.05


def test_the_outer_hundredth_is_a_surprise_and_nothing_else() -> None:
    inside = [QUANTILES[1], 0.7, QUANTILES[-2]]  # 2, 50 and 98 %
    outside = [0.5 * QUANTILES[0], 2 * QUANTILES[-1]]
    assert not any(judge_weight(batch(), ROW, grams, True).surprise for grams in inside)
    assert all(judge_weight(batch(), ROW, grams, True).surprise for grams in outside)


def test_too_little_from_an_open_batch_is_no_surprise_yet() -> None:
    assert not judge_weight(batch(closed=False), ROW, 0.01, True).surprise
    assert judge_weight(batch(closed=False), ROW, 9.0, True).surprise


@pytest.mark.parametrize(("liquid", "surprise"), [("tested-negative", True), ("gone", True), ("kept", False)])
def test_nothing_dropped_is_a_surprise_unless_the_liquid_may_still_hold_it(liquid: str, surprise: bool) -> None:
    tried = batch(liquid=liquid)
    assert judge_none(tried.nondetects[0], tried, ROW, True).surprise is surprise


def kept(folder: Path) -> list[str]:
    with sqlite3.connect(folder / "gradeest.ledger") as db:
        found = [what for (what,) in db.execute("SELECT what FROM shown ORDER BY number")]
    db.close()
    return found


def test_a_batch_shows_what_to_expect_and_keeps_it(bench: Run, tmp_path: Path) -> None:
    body = bench("batch", "add", "--charge", "shed/caps=100 g", "--json").json
    assert [row["metal"] for row in body["expected"]] == ["Ag", "Pd"]
    for row in body["expected"]:
        assert row["recovered_g"] == sorted(row["recovered_g"])
        # a salt weighs more than its metal: AgCl / Ag = 1.329, the palladium salt 3.16 (atomic weights, IUPAC)
        factor = {"Ag": 1.329, "Pd": 3.163}[row["metal"]]
        middle = row["levels"].index(0.9)
        assert row["weight_g"][middle] / row["recovered_g"][middle] == pytest.approx(factor, rel=0.06)
        assert 0 < row["p_trace"] < 1
    assert kept(tmp_path) == ["batch"]
    assert bench("batch", "show", "B1", "--json").json["expected"] == body["expected"]
    done = bench("batch", "add", "--charge", "shed/strips=300 g")
    assert "What to expect" in done.out
    assert max(map(len, done.out.splitlines())) <= 80
    assert bench("batch", "add", "--charge", "shed/strips=100 g", "--later").code == 0
    assert kept(tmp_path) == ["batch", "batch"]


@pytest.mark.slow
def test_a_result_is_held_against_the_forecast_of_its_day(bench: Run) -> None:
    row = bench("batch", "add", "--charge", "shed/strips=300 g", "--json").json["expected"][0]
    middle = row["recovered_g"][row["levels"].index(0.5)]
    words = ("record", "product", "B1", "--metal", "Au", "--form", "gold-powder", "--readability", "0.01 g")
    body = bench(*words, "--weight", f"{middle:.2f} g", "--close", "--json").json
    (judged,) = body["judged"]
    assert (judged["of"], judged["metal"], judged["evidence"], judged["kept"]) == ("B1", "Au", "weight", True)
    assert judged["expected"][1] == pytest.approx(middle)
    assert 0.35 < judged["share_below"] < 0.65
    assert not judged["surprise"]
    assert bench("batch", "add", "--charge", "shed/strips=200 g", "--date", "2024-03-01").code == 0
    done = bench(
        "record", "none", "B2", "--metal", "Au", "--below", "0.01 g", "--liquid", "tested-negative", "--close",
        "--date", "2024-03-02",
    )  # fmt: skip
    assert done.code == 0, done.err
    text = " ".join(done.out.split())
    assert "! B2 Au: nothing seen, so below 0.01 g" in text
    assert "hardly expected" in text
    assert "Likely causes: " in text
    assert "Keep the liquid, test it first." in text
    assert text.index("hardly expected") < text.index("What it changed"), "said before it is learned from"


@pytest.mark.slow
def test_a_record_entered_after_the_fact_never_counts_as_a_forecast(bench: Run) -> None:
    assert bench("batch", "add", "--charge", "shed/strips=300 g", "--date", "2024-02-01").code == 0
    assert bench("batch", "show", "B1", "--json").json["expected"], "nothing has come of it yet: it may be a forecast"
    words = ("record", "product", "B1", "--metal", "Au", "--form", "gold-powder", "--readability", "0.01 g")
    body = bench(*words, "--weight", "0.7 g", "--date", "2024-02-08", "--close", "--json").json
    (judged,) = body["judged"]
    assert judged["kept"] is False
    shown = bench("batch", "show", "B1", "--json").json
    assert shown["expected"] == []
    assert "after the first result: it counts as none" in shown["no_forecast"]
    assert "it counts as none" in " ".join(bench("batch", "show", "B1").out.split())


def test_a_changed_batch_is_no_longer_what_was_forecast(bench: Run) -> None:
    assert bench("batch", "add", "--charge", "shed/strips=300 g").code == 0
    assert bench("batch", "show", "B1", "--json").json["expected"]
    assert bench("amend", "2", "shed/strips=400 g").code == 0
    assert bench("batch", "show", "B1", "--json").json["expected"] == []


@pytest.mark.slow
def test_a_surprise_comes_with_its_causes_by_probability_and_an_expected_result_with_none(bench: Run) -> None:
    row = bench("batch", "add", "--charge", "shed/strips=300 g", "--json").json["expected"][0]
    middle = row["weight_g"][row["levels"].index(0.5)]
    words = ("record", "product", "B1", "--metal", "Au", "--form", "gold-powder", "--readability", "0.01 g")
    body = bench(*words, "--weight", f"{31.1 * middle:.2f} g", "--close", "--sure", "--json").json
    (judged,) = body["judged"]
    assert judged["surprise"]
    chances = [cause["probability"] for cause in judged["causes"]]
    assert chances == sorted(chances, reverse=True)
    assert sum(chances) == pytest.approx(1)
    assert judged["causes"][0]["cause"] == "unit", "troy ounces typed as grams"
    assert all(0 <= cause["mcse"] < 0.05 for cause in judged["causes"])
    assert bench("undo", "3").code == 0
    assert bench("undo", "4").code == 0
    body = bench(*words, "--weight", f"{middle:.2f} g", "--json").json
    assert body["judged"][0]["causes"] == []
    # learned from already: now the kept quantiles speak
    found = bench("record", "product", "B1", "--metal", "Au", "--form", "gold-powder", "--readability", "0.01 g",
                  "--weight", f"{30 * middle:.2f} g", "--close", "--sure", "--json").json["judged"][0]  # fmt: skip
    assert found["causes"][0]["cause"] in ("unit", "other", "foreign")


@pytest.mark.slow
def test_what_was_spilled_and_written_down_is_no_surprise(bench: Run) -> None:
    row = bench("batch", "add", "--charge", "shed/strips=300 g", "--json").json["expected"][0]
    low = row["weight_g"][row["levels"].index(0.1)]
    assert bench("record", "loss", "B1", "--share", "80-90 %", "--later").code == 0
    words = ("record", "product", "B1", "--metal", "Au", "--form", "gold-powder", "--readability", "0.01 g")
    (judged,) = bench(*words, "--weight", f"{0.15 * low:.2f} g", "--close", "--json").json["judged"]
    assert not judged["surprise"]
    assert judged["expected"][1] == pytest.approx(0.15 * row["recovered_g"][row["levels"].index(0.5)], rel=0.15)
