"""Tests before processing: an assay against the closed form, its bounds, sampling by pieces, and the advice."""

from __future__ import annotations

import datetime as dt
import math
from itertools import pairwise

import numpy as np
import pytest
from scipy.stats import norm

from gradeest.belief.outcome import Run
from gradeest.belief.posterior import draw_prior
from gradeest.belief.predictive import run_forward
from gradeest.decision.testing import (
    ASSAY_SHARES,
    Material,
    Option,
    advise,
    assay_options,
    assay_sd,
    best_option,
    perfect_worth,
    trial_option,
)
from gradeest.materials.catalogue import load_catalogue
from gradeest.records.domain import Bench, Fraction, Lot

N = 100_000
MU, SIGMA, PRICE, COST = math.log(2.0), 0.6, 50.0, 130.0  # g in the fraction, invented


def gold(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    grams = np.exp(MU + SIGMA * rng.standard_normal(N))
    return grams, PRICE * grams - COST


def closed_form(sd: float) -> float:
    """E[max(p E[G|y] - c, 0)] - max(p E[G] - c, 0), G lognormal, ln y = ln G + N(0, sd): E[G|y] is lognormal too."""
    mean = math.exp(MU + SIGMA**2 / 2)
    known = SIGMA**2 / math.hypot(SIGMA, sd)  # sd of E[ln G | y]
    d = math.log(PRICE * mean / COST) / known
    call = PRICE * mean * norm.cdf(d + known / 2) - COST * norm.cdf(d - known / 2)
    return call - max(PRICE * mean - COST, 0)


def test_assays_are_worth_what_the_closed_form_says_and_larger_ones_no_less() -> None:
    rng = np.random.default_rng(1)
    grams, gain = gold(rng)
    material = Material(2.0, 60.0)
    found = assay_options(gain, np.zeros(N), grams[:, None], material, u=0.1, fee=0, rng=rng)
    assert [option.mass_kg for option in found] == [pytest.approx(share * 2.0) for share in ASSAY_SHARES[-2:]]
    for option in found:  # the smaller ones would hold hardly any pieces
        sd = assay_sd(material, option.mass_kg, 0.1)
        assert option.worth == pytest.approx(closed_form(sd), abs=4 * option.worth_mcse)
    perfect, error = perfect_worth(gain)
    assert perfect == pytest.approx(closed_form(0.0), abs=4 * error)
    for small, large in pairwise(found):
        assert large.worth >= small.worth - 2 * math.hypot(small.worth_mcse, large.worth_mcse)
    assert all(0 <= option.worth <= perfect + 2 * error for option in found)
    blind = closed_form(0.1)  # the broken twin: as if the sample held the fraction's own mix
    assert blind - found[0].worth > 10 * found[0].worth_mcse


def test_the_spread_of_a_sample_is_that_of_the_pieces_it_holds() -> None:
    # Brute force: 30 of 400 pieces drawn without putting back; masses equal, contents spread with CV 0.8.
    rng = np.random.default_rng(2)
    pieces = np.exp(rng.normal(0, math.sqrt(math.log1p(0.8**2)), 400))
    pieces = 1 + (pieces - pieces.mean()) / pieces.std() * 0.8  # CV exactly 0.8
    means = np.array([rng.choice(pieces, 30, replace=False).mean() for _ in range(8_000)])
    told = assay_sd(Material(4.0, 100 / 0.8**2), 0.3, 0.0)
    assert told == pytest.approx(means.std() / means.mean(), rel=0.05)
    assert assay_sd(Material(4.0, 100.0), 4.0, 0.07) == pytest.approx(0.07)  # all of it: only the laboratory is left


def test_a_trial_run_pays_where_its_result_decides_on_the_rest() -> None:
    rng = np.random.default_rng(3)
    grams, _ = gold(rng)
    part = 0.2
    made = part * grams * np.exp(0.1 * rng.standard_normal(N))
    whole, trial, rest = PRICE * grams - 130, PRICE * made - 40, PRICE * (1 - part) * grams - 110
    option = trial_option(0.4, whole, trial, rest, np.full(N, -40.0), made[:, None])
    assert option.cost == pytest.approx(option.worth - option.net)
    perfect, error = perfect_worth(whole)
    assert 0.8 * perfect < option.worth <= perfect + 2 * error
    told_nothing = trial_option(0.4, whole, trial, rest, np.full(N, -40.0), rng.permutation(made)[:, None])
    assert told_nothing.worth <= 3 * told_nothing.worth_mcse  # the broken twin: another run's result
    dearer = max(whole.mean(), 0) - max((trial + rest).mean(), trial.mean(), -40)  # what two runs bring less than one
    assert told_nothing.net == pytest.approx(-dearer, abs=3 * told_nothing.net_mcse)


def test_a_trial_run_is_never_worth_more_than_knowing_all_however_much_the_settlement_costs() -> None:
    # A fee that part and rest share is no gain of information by being paid with the part: nobody has to settle it.
    # The net worth is that of a nested simulation over the grade, which the trial shows without noise.
    rng = np.random.default_rng(10)
    grams, _ = gold(rng)
    fee, fixed, part = 90.0, 30.0, 0.05
    whole = PRICE * grams - fee - fixed - 84
    trial, rest = PRICE * part * grams - fee - fixed, PRICE * (1 - part) * grams - fixed - 84
    option = trial_option(0.4, whole, trial, rest, np.full(N, -fixed), part * grams[:, None])
    perfect, error = perfect_worth(whole)
    assert 0 <= option.worth <= perfect + 2 * error
    assert option.worth == pytest.approx(perfect, abs=2 * error)
    by_hand = np.maximum(whole - fixed, np.maximum(trial, -fixed)).mean() - max(whole.mean(), 0)
    assert option.net == pytest.approx(by_hand, abs=2 * option.net_mcse)
    sunk, off = perfect_worth(rest)  # the broken twin: the fee is spent before the choice, whatever the result
    assert sunk - perfect > 10 * math.hypot(off, error)
    forced = np.maximum(whole - fixed, trial).mean() - max(whole.mean(), 0)  # another: the part has to be settled
    assert option.net - forced > 10 * option.net_mcse


@pytest.mark.parametrize("noise", [0.3, 0.5])
def test_a_trial_run_is_worth_what_the_closed_form_says(noise: float) -> None:
    # The trial shows the grade through the noise of its own run, the rest has another: E[G | y] is lognormal, and the
    # noise of the rest, of mean 1, moves no expectation. What the trial itself brings has no part in it.
    rng = np.random.default_rng(9)
    grams, gain = gold(rng)
    runs = np.exp(noise * rng.standard_normal((N, 2)) - noise**2 / 2)
    rest = PRICE * grams * runs[:, 1] - COST
    trial, unsold = PRICE * 0.1 * grams - 40, np.full(N, -40.0)
    option = trial_option(0.4, gain, trial, rest, unsold, 0.1 * (grams * runs[:, 0])[:, None])
    assert option.worth == pytest.approx(closed_form(noise), abs=4 * option.worth_mcse)
    assert option.worth < closed_form(0.01) - 4 * option.worth_mcse  # the broken twin: a run without noise


def test_what_no_result_could_change_is_not_tested() -> None:
    rng = np.random.default_rng(4)
    grams, _ = gold(rng)
    sure = 500 + grams
    found = assay_options(sure, np.zeros(N), grams[:, None], Material(2.0, 60.0), u=0.1, fee=0, rng=rng)
    assert {option.worth for option in found} == {0.0}
    assert best_option(found) is None
    assert advise(*perfect_worth(sure), [], None, "coin") == "do not: no result would change what you do"


def test_the_fee_decides_and_where_it_is_not_known_its_limit_is_told() -> None:
    option = Option("assay", 0.05, 30.0, 1.0, 5.0, 25.0, 1.0)
    assert advise(50, 1, [option], None, "coin") == "do it if assaying a sample of 50 g costs less than 25 coin"
    assert advise(50, 1, [option], 5.0, "coin").startswith("do it: assay a sample of 50 g")
    trial = Option("trial run", 0.2, 40.0, 1.0, 30.0, 10.0, 1.0)
    both = advise(50, 1, [option, trial], None, "coin")
    assert both.startswith("do it: a trial run of 0.2 kg first, worth 10 coin")
    assert both.endswith("an assay of 50 g where it costs less than 15 coin")  # 25 - 10, not 25
    assert advise(50, 1, [option, trial], 5.0, "coin").startswith("do it: assay a sample of 50 g")
    dear = Option("assay", 0.05, 30.0, 1.0, 25.0, 5.0, 1.0)
    assert advise(50, 1, [dear, trial], 20.0, "coin").startswith("do it: a trial run")
    assert best_option([Option("assay", 0.05, 30.0, 1.0, 29.0, 1.0, 1.0)]) is None  # within two errors of nothing
    assert advise(50, 1, [], 60.0, "coin") == "do not: a result is worth less than what the test costs"


def test_a_trial_and_what_it_leaves_are_the_fraction_in_every_draw() -> None:
    # 0.9 kg of ceramic packages are 45 pieces: which of them a trial of 90 g takes, the rest lacks.
    bench = Bench({"L": Lot("L", dt.date(2024, 1, 5), (Fraction("cpu", "cpu-ceramic", 0.9),))})
    catalogue = load_catalogue()
    posterior = draw_prior(bench, catalogue, np.random.default_rng(7), 500)
    runs = [Run("L/cpu", 0.09, "ceramic-packages"), Run("L/cpu", 0.81, "ceramic-packages")]

    def contained(*parts: Run, closing: bool = False) -> np.ndarray:
        rng = np.random.default_rng(8)
        return run_forward(posterior, parts, catalogue, rng, draws=2_000, closing=closing).contained_g[..., 0]

    whole = contained(Run("L/cpu", 0.9, "ceramic-packages"))[:, 0]
    closed, apart = contained(*runs, closing=True), contained(*runs)
    np.testing.assert_allclose(closed.sum(axis=1), whole, rtol=1e-9)
    assert closed.min() >= 0
    assert np.abs(apart.sum(axis=1) / whole - 1).max() > 0.01  # the broken twin: two portions, each by itself
    assert np.std(closed[:, 0] / whole / 0.1) > 0.05  # a trial holds more or less than its share
