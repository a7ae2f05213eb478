"""Where the draws behind a surprise's causes come from, and how the causes are told."""

from __future__ import annotations

import dataclasses
import datetime as dt
from pathlib import Path
from statistics import NormalDist
from typing import Any

import numpy as np
import pytest

from gradeest.belief.causes import Likely
from gradeest.belief.posterior import draw_prior
from gradeest.cli.learned import causes_text, judged_text
from gradeest.materials.catalogue import load_catalogue
from gradeest.records.domain import Batch, Bench, Charge, Fraction, Loss, Lot, Product
from gradeest.workflow.believing import State, run_pooled
from gradeest.workflow.expecting import LEVELS, Expected, Judged, after_outflows, because, is_far_out, judge_weight
from gradeest.workflow.explaining import Cause, draw_from_quantiles, explain_weight, look_forward, put_in_words
from gradeest.workflow.opening import Opened, Place

DAY = dt.date(2024, 2, 1)
CATALOGUE = load_catalogue()
BATCH = Batch("B1", DAY, "foils-peroxide", (Charge("shed/strips", 0.5),))
BENCH = Bench({"shed": Lot("shed", DAY, (Fraction("strips", "fingers-memory", 1.0),))}, {})
WEIGHTS = tuple(float(np.exp(0.2 + 0.6 * NormalDist().inv_cdf(level))) for level in LEVELS)  # invented, ln-normal
ROW = Expected("Au", "gold-powder", 0.0, LEVELS, tuple(0.98 * w for w in WEIGHTS), WEIGHTS)


@pytest.fixture
def opened(tmp_path: Path) -> Opened:
    place = Place(tmp_path / "x.ledger", None, 1, "fast", dt.datetime(2024, 3, 1, tzinfo=dt.UTC))
    ledger: Any = None
    return Opened(place, ledger, CATALOGUE, BENCH)


def test_draws_through_kept_quantiles_have_these_quantiles(opened: Opened) -> None:
    drawn = draw_from_quantiles(opened, BATCH, ROW)
    assert np.quantile(drawn.ordinary, LEVELS) == pytest.approx(WEIGHTS, rel=0.06)
    beyond = float(np.exp(0.2 + 0.6 * NormalDist().inv_cdf(0.9995)))  # outside what was kept it goes straight on
    assert np.quantile(drawn.ordinary, 0.9995) == pytest.approx(beyond, rel=0.15)
    assert np.median(drawn.failed) < 0.3 * np.median(drawn.ordinary)


def test_ordinary_and_failed_runs_together_are_the_forecast(opened: Opened) -> None:
    old = draw_prior(BENCH, CATALOGUE, np.random.default_rng(3), 4000)
    forward = look_forward(opened, State(BENCH, ""), old, BATCH, ROW)
    _, weight = run_pooled(opened, old, BATCH.route, [_run(charge) for charge in BATCH.charges])
    share = CATALOGUE.constants["recovery.failed_share"]
    for level in (0.05, 0.5, 0.95):
        point = float(np.quantile(weight[:, 0], level))
        below = (1 - share) * np.mean(forward.ordinary < point) + share * np.mean(forward.failed < point)
        assert below == pytest.approx(level, abs=0.012)  # 4000 posterior draws: 3 sd at most 0.011 apart
    assert np.mean(forward.failed < 0.3 * np.median(forward.ordinary)) > 0.5


def _run(charge: Charge) -> Any:
    from gradeest.belief.outcome import Run

    return Run(charge.address, charge.mass_kg, BATCH.route)


def test_what_is_learned_from_already_is_not_asked_again(opened: Opened) -> None:
    """The belief that has seen a first product knows the batch: then the kept quantiles speak."""
    old = draw_prior(BENCH, CATALOGUE, np.random.default_rng(3), 500)
    product = Product("au-1", "B1", "Au", "gold-powder", 1.0, 0.01, DAY)
    seen = dataclasses.replace(BATCH, products=(product,))
    before = State(dataclasses.replace(BENCH, batches={"B1": seen}), "")
    forward = look_forward(opened, before, old, seen, ROW)
    assert np.median(forward.ordinary) == pytest.approx(ROW.weight_at(0.5), rel=0.03)


def test_a_loss_that_was_recorded_is_in_the_forecast_already(opened: Opened) -> None:
    lossy = dataclasses.replace(BATCH, losses=(Loss("B1", 0.4, 0.6, "", DAY),))
    left = after_outflows(ROW, lossy, opened)
    assert left.recovered_at(0.5) == pytest.approx(0.5 * ROW.recovered_at(0.5), rel=0.03)
    assert after_outflows(ROW, BATCH, opened) == ROW


@pytest.mark.parametrize("form", ["gold-powder", "gold-foils"])
def test_a_weight_in_any_form_has_causes(opened: Opened, form: str) -> None:
    old = draw_prior(BENCH, CATALOGUE, np.random.default_rng(3), 1000)
    product = Product("au-1", "B1", "Au", form, 40.0, 0.01, DAY, damp=form == "gold-foils")
    closed = dataclasses.replace(BATCH, products=(product,), closed=DAY)
    found = explain_weight(opened, State(BENCH, ""), old, closed, ROW, 40.0, too_much=True)
    assert sum(cause.probability for cause in found) == pytest.approx(1)
    assert ("wet" in {cause.cause for cause in found}) == (form == "gold-powder")
    assert found[0].cause in ("unit", "other", "ordinary", "impure")


def judged(share: float, causes: tuple[Cause, ...], evidence: str = "weight") -> Judged:
    return Judged(
        "B1", "Au", evidence, 0.1, "g", (0.5, 1.0, 2.0), share, share in (0.01, 0.99), True, False, causes
    )  # fmt: skip


def test_likely_causes_are_named_in_order_with_round_chances() -> None:
    found = put_in_words(
        [
            Likely("failed", 0.52, 0.01),
            Likely("undropped", 0.28, 0.01),
            Likely("unit", 0.17, 0.01),
            Likely("wet", 0.03, 0),
        ],
        "Au",
        too_much=False,
    )
    text = causes_text(judged(0.01, found))
    parts = [
        "a failed run (about 50 %)",
        "gold still in the liquid",
        "(about 30 %)",
        "a wrong unit",
        "Keep the liquid, test it first",
    ]
    assert [text.index(part) for part in parts] == sorted(text.index(part) for part in parts)
    assert "damp" not in text
    assert judged_text(judged(0.01, found)).startswith("! B1 Au")
    high = causes_text(judged(0.99, put_in_words([Likely("foreign", 0.9, 0.01)], "Ag", too_much=True)))
    assert "silver from something else in it (about 90 %)" in high
    assert "Keep the liquid" not in high


def test_too_little_short_of_a_surprise_is_worth_a_test_of_the_liquid() -> None:
    assert judged_text(judged(0.03, ())).endswith("Keep the liquid, test it first.")
    assert "liquid" not in judged_text(judged(0.2, ()))
    assert "liquid" not in judged_text(judged(0.03, (), "assay"))


@pytest.mark.parametrize(("ordinary", "surprise", "told"), [(0.7, False, False), (0.3, False, True), (0.7, True, True)])
def test_causes_are_told_of_a_surprise_and_of_what_an_ordinary_run_hardly_gives(
    ordinary: float, surprise: bool, told: bool
) -> None:
    found = put_in_words(
        [Likely("ordinary", ordinary, 0.01), Likely("spill", 1 - ordinary, 0.01)], "Au", too_much=False
    )
    one = because(judged(0.01 if surprise else 0.03, ()), found)
    assert bool(one.causes) is told
    assert is_far_out(judged(0.03, ()))
    assert not is_far_out(judged(0.2, ()))
    assert ("a spill" in judged_text(one)) is told


@pytest.mark.parametrize(("grams", "told"), [(0.55, True), (0.95, False)])
def test_a_third_on_the_floor_is_asked_about_once_the_bench_is_known(opened: Opened, grams: float, told: bool) -> None:
    """A forecast of 1 g, good to 8 %, that allows for failed runs: 0.55 g is inside its 98 %, and no ordinary run."""
    rng = np.random.default_rng(8)
    run = np.exp(0.08 * rng.standard_normal(50_000))
    failed = rng.uniform(size=run.size) < CATALOGUE.constants["recovery.failed_share"]
    run = np.where(failed, run * rng.uniform(size=run.size), run)
    weights = tuple(float(q) for q in np.quantile(run, LEVELS))
    row = Expected("Au", "gold-powder", 0.0, LEVELS, weights, weights)
    product = Product("au-1", "B1", "Au", "gold-powder", grams, 0.01, DAY)
    closed = dataclasses.replace(BATCH, products=(product,), closed=DAY)
    one = judge_weight(closed, row, grams, True)
    assert not one.surprise
    assert is_far_out(one) is told
