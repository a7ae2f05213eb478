"""The careful ranking and the ratio it is made with, promise by promise; the broken twins could fail."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from gradeest.decision.careful import PER_STAKE, estimate_sure
from gradeest.decision.needs import find_needs
from gradeest.decision.prices import Basis, NamedDraws
from gradeest.decision.ranking import rank_runs
from gradeest.decision.summary import mcse
from gradeest.materials.catalogue import load_catalogue
from tests.decision_cases import costs, one, outcome, prices, runs

CATALOGUE = load_catalogue()


def rank(given, kinds, terms, **more):
    return rank_runs(given, kinds, terms, CATALOGUE, np.random.default_rng(5), **more)


def test_of_a_normal_gain_half_the_variance_over_the_tolerance_is_given_up() -> None:
    # Exponential utility of N(m, s): m - s^2 / 2T (Pratt 1964, from memory).
    draws = 50 + 20 * np.random.default_rng(1).standard_normal(200_000)
    tolerance = 60.0
    sure = estimate_sure(draws, tolerance / PER_STAKE)
    error = mcse(sure.influence)
    assert sure.value == pytest.approx(50 - 20**2 / (2 * tolerance), abs=4 * error)
    assert abs(sure.value - (50 - 20**2 / tolerance)) > 10 * error  # the broken twin: the whole variance


def test_the_bet_that_defines_the_stake_is_worth_nothing() -> None:
    assert estimate_sure(np.array([2 * 37.0, -37.0]), 37.0).value == pytest.approx(0, abs=1e-10)
    assert pytest.approx(2.078, abs=1e-3) == PER_STAKE
    assert estimate_sure(np.array([2 * 38.0, -38.0]), 37.0).value < 0 < estimate_sure(np.array([72.0, -36.0]), 37).value


def test_the_error_of_a_sure_gain_is_that_of_its_repetition() -> None:
    rng = np.random.default_rng(2)
    draws = 30 * np.exp(0.8 * rng.standard_normal((400, 2_000))) - 40
    found = [estimate_sure(row, 20.0) for row in draws]
    spread = np.std([each.value for each in found])
    told = np.mean([mcse(each.influence) for each in found])
    assert told == pytest.approx(spread, rel=4 / math.sqrt(2 * 400))  # error of a spread of 400: 3.5 %
    of_mean = np.mean([mcse(row - row.mean()) for row in draws])
    assert abs(of_mean - spread) > 4 / math.sqrt(2 * 400) * spread  # the broken twin: the error of the mean


def bold_and_steady(draws: int = 20_000):
    """Of 1 kg each: f0 brings 400 and a little, or nothing; f1 a sure 120; both cost 60 and take 4 h; f2 is sold."""
    rng = np.random.default_rng(3)
    gold = np.stack(
        [np.where(rng.random(draws) < 0.5, 4.0, 0.0) + 0.05 * rng.random(draws), np.full(draws, 1.2), np.zeros(draws)],
        axis=1,
    )
    batch, kinds = runs(3)
    sold = kinds[batch[2].address]
    terms = prices({f"r{i}": costs(60, 0, 4) for i in range(3)}, as_is_per_kg={sold: one(20.0)})
    return outcome(gold, batch), kinds, terms


def test_a_careful_person_puts_the_steady_run_first_and_leaves_what_is_not_worth_its_risk() -> None:
    given, kinds, terms = bold_and_steady()
    low, normal, high = (rank(given, kinds, terms, careful=level) for level in ("low", "normal", "high"))
    assert [row.address for row in low.rows][:2] == ["L/f0", "L/f1"]  # by the average the bold one leads
    assert low.rows[0].sure_gain is None
    assert high.rows[0].address == "L/f1"
    bold = next(row for row in high.rows if row.address == "L/f0")
    assert bold.gain.mean > 100 > 0 > bold.sure_gain
    assert (bold.rank, bold.verdict) == (None, "keep")
    assert "too little for its risk" in bold.why
    worth = 140 + 60 + 20  # what everything is worth by its better use
    assert normal.stake == pytest.approx(CATALOGUE.constants["careful.normal"] * worth, rel=0.02)
    assert (low.stake, high.stake < normal.stake) == (None, True)


def test_more_care_never_counts_a_gain_for_more_and_a_certain_one_for_less() -> None:
    given, kinds, terms = bold_and_steady()
    rows = [{row.address: row for row in rank(given, kinds, terms, careful=level).rows} for level in ("normal", "high")]
    for address, row in rows[0].items():
        assert row.gain.mean + 1e-9 >= row.sure_gain >= rows[1][address].sure_gain - 1e-9
    assert rows[1]["L/f1"].sure_gain == pytest.approx(60)


def test_another_currency_changes_no_careful_ranking() -> None:
    given, kinds, terms = bold_and_steady()
    dear = replace(
        terms,
        metal_per_g={metal: 7 * price for metal, price in terms.metal_per_g.items()},
        routes={name: replace(row, cost_fixed=one(7 * row.cost_fixed.q50)) for name, row in terms.routes.items()},
        as_is_per_kg={kind: one(7 * row.q50) for kind, row in terms.as_is_per_kg.items()},
    )
    for level in ("normal", "high"):
        one_way, other = (rank(given, kinds, t, careful=level).rows for t in (terms, dear))
        assert [(r.address, r.rank, r.verdict) for r in one_way] == [(r.address, r.rank, r.verdict) for r in other]


def test_the_gain_may_be_counted_per_kilogram() -> None:
    batch, kinds = runs(2)
    heavy = (batch[0], replace(batch[1], mass_kg=4.0))
    terms = prices({"r0": costs(0, 0, 8), "r1": costs(0, 0, 2)})
    given = outcome(np.tile([1.0, 1.0], (50, 1)), heavy)
    by_hour, by_kg = rank(given, kinds, terms), rank(given, kinds, terms, per="kg")
    assert [(row.address, row.placed_by) for row in by_hour.rows] == [("L/f1", 50.0), ("L/f0", 12.5)]
    assert [(row.address, row.placed_by) for row in by_kg.rows] == [("L/f0", 100.0), ("L/f1", 25.0)]
    assert [row.gain_per_hour for row in by_kg.rows] == [12.5, 50.0]  # stays what it is called


def test_the_gain_may_be_counted_per_litre_of_acid_or_per_day() -> None:
    routes = ("foils-peroxide", "smelt-copper")
    batch = tuple(replace(run, route=route) for run, route in zip(runs(2)[0], routes, strict=True))
    kinds = {"L/f0": "fingers-memory", "L/f1": "mlcc-nonmagnetic"}
    given = outcome(np.full((2_000, 2), 1.0), batch)
    terms = prices(dict.fromkeys(routes, costs(0, 0, 4)))
    needs = find_needs(given, kinds, Basis(terms, CATALOGUE, NamedDraws(np.random.default_rng(5), 2_000)))
    by_day = {row.address: row.per_unit for row in rank(given, kinds, terms, per="day").rows}
    assert by_day == pytest.approx({f"L/f{i}": 100 / needs.days[:, i].mean() for i in range(2)})
    by_acid = rank(given, kinds, terms, per="acid").rows
    assert by_acid[0].address == "L/f1"  # takes no acid at all
    assert by_acid[1].per_unit == pytest.approx(100 / needs.acid[:, 0].mean())
    assert np.isfinite(by_acid[0].per_unit_mcse)


def test_an_hour_that_counts_is_in_the_cost() -> None:
    batch, kinds = runs(1)
    free = rank(outcome(np.full((50, 1), 1.0), batch), kinds, prices({"r0": costs(0, 0, 4)}))
    paid = rank(outcome(np.full((50, 1), 1.0), batch), kinds, prices({"r0": costs(0, 0, 4)}, hours_rate=15.0))
    assert (free.rows[0].gain.mean, paid.rows[0].gain.mean) == (100, 40)
    assert (free.hours_rate, paid.hours_rate) == (0, 15)
