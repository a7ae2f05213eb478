"""Summaries of draws against closed forms and brute force; each statistical check has a broken twin."""

from __future__ import annotations

import numpy as np
import pytest

from gradeest.decision.summary import (
    Estimate,
    Interval,
    estimate_capped_mean,
    estimate_mean,
    estimate_quantile,
    estimate_ratio,
    mcse,
    mean_of_worst,
    score_draws,
)


def quantile_points(n: int) -> np.ndarray:
    """n evenly spread probabilities: draws without noise."""
    return (np.arange(n) + 0.5) / n


def lognormal(mu: float, s: float, n: int = 400_000) -> np.ndarray:
    from scipy.special import ndtri

    return np.exp(mu + s * ndtri(quantile_points(n)))


def test_the_mean_of_the_worst_splits_an_outcome_across_the_border() -> None:
    # Discrete case with split atom (Rockafellar and Uryasev; the paper from memory, the numbers by hand): lower 10 % of
    # -50 (5 %) and half of the -20 (10 %).
    values = np.array([-50.0, -20, 0, 10, 30, 60])
    chance = np.array([0.05, 0.1, 0.2, 0.3, 0.25, 0.1])
    assert mean_of_worst(values, 0.10, chance) == pytest.approx(-35.0, abs=1e-12)
    assert mean_of_worst(values, 1.0, chance) == pytest.approx(12.0, abs=1e-12)
    whole_atoms = values[np.cumsum(chance) <= 0.1 + 1e-12].mean()  # the broken twin: only whole outcomes
    assert whole_atoms == -50.0


@pytest.mark.parametrize(("share", "expected"), [(0.05, 1.995609), (0.10, 2.574089)])
def test_the_mean_of_the_worst_of_a_lognormal(share: float, expected: float) -> None:
    # Closed form mean x Phi(z - s)/alpha of LN(ln 10, 0.8), computed.
    assert mean_of_worst(lognormal(np.log(10), 0.8), share) == pytest.approx(expected, rel=2e-4)


@pytest.mark.parametrize(("share", "expected"), [(0.10, 1.754983), (0.05, 2.062713), (0.01, 2.665214)])
def test_the_mean_of_the_worst_of_a_normal(share: float, expected: float) -> None:
    # phi(z)/(1 - alpha), computed; our worst is the lower tail.
    from scipy.special import ndtri

    assert mean_of_worst(ndtri(quantile_points(400_000)), share) == pytest.approx(-expected, rel=2e-4)


@pytest.mark.parametrize(
    ("mu", "s", "y", "expected"),
    [
        (0.0, 1.0, 1.0, 0.267405467),
        (0.0, 1.0, 2.0, 0.562821752),
        (1.0, 0.5, 3.0, 0.350803074),
        (np.log(10), 0.8, 5.0, 3.486122593),
        (np.log(0.35), 0.6, 0.2, 0.098993042),
    ],
)
def test_the_score_of_a_lognormal_forecast(mu: float, s: float, y: float, expected: float) -> None:
    # CRPS of a lognormal: closed form, quadrature and scoringrules.crps_lognormal agree (computed).
    draws = lognormal(mu, s)
    assert score_draws(draws, y) == pytest.approx(expected, rel=1e-4)
    without_spread = float(np.abs(draws - y).mean())  # the broken twin: the mean distance alone
    assert abs(without_spread - expected) > 0.1 * expected


def test_the_score_of_a_normal_forecast() -> None:
    # CRPS of N(0, 1) at 1 (computed).
    from scipy.special import ndtri

    assert score_draws(ndtri(quantile_points(400_000)), 1.0) == pytest.approx(0.602441358, rel=1e-4)


def hours_and_gain(rng: np.random.Generator, n: int) -> tuple[np.ndarray, np.ndarray]:
    """Skewed hours and a gain that falls with them: the ratio of means and the mean of ratios differ."""
    hours = 4 * np.exp(0.7 * rng.standard_normal(n))
    return 300 * np.exp(0.5 * rng.standard_normal(n)) - 20 * hours, hours


def test_gain_per_hour_is_a_ratio_of_means() -> None:
    gain, hours = hours_and_gain(np.random.default_rng(1), 400_000)
    exact = (300 * np.exp(0.125) - 80 * np.exp(0.245)) / (4 * np.exp(0.245))
    assert estimate_ratio(estimate_mean(gain), estimate_mean(hours)).value == pytest.approx(exact, rel=0.01)
    assert float((gain / hours).mean()) > 1.3 * exact  # the broken twin


def ratio_of(gain: np.ndarray, hours: np.ndarray) -> Estimate:
    return estimate_ratio(estimate_mean(gain), estimate_mean(hours))


def test_the_error_of_the_ratio_is_the_spread_of_repeated_runs() -> None:
    rng = np.random.default_rng(2)
    found = [ratio_of(*hours_and_gain(rng, 2_000)) for _ in range(1_000)]
    spread = np.std([e.value for e in found])
    claimed = np.mean([mcse(e.influence) for e in found])
    assert claimed == pytest.approx(spread, rel=0.08)  # 1,000 repeats: 2.2 % sd
    gain, hours = hours_and_gain(rng, 200_000)
    as_if_known = gain.std() / np.sqrt(2_000) / hours.mean()  # the broken twin: hours taken as known
    assert abs(as_if_known / spread - 1) > 0.08


def test_the_error_of_the_guarded_mean_is_the_spread_of_repeated_runs() -> None:
    rng = np.random.default_rng(3)
    found = [estimate_capped_mean(np.exp(1.2 * rng.standard_normal(4_000))) for _ in range(1_000)]
    spread = np.std([e.value for e in found])
    assert np.mean([mcse(e.influence) for e in found]) == pytest.approx(spread, rel=0.08)
    draws = np.exp(1.2 * rng.standard_normal(400_000))
    cap_known = np.minimum(draws, np.quantile(draws, 0.95)).std() / np.sqrt(
        4_000
    )  # broken twin: the cap taken as known
    assert cap_known < 0.92 * spread


def test_the_guarded_mean_of_a_lognormal() -> None:
    # E[min(X, q)] of LN(0, s): exp(s^2/2) Phi(z - s) + 0.05 exp(s z), z = 1.644854 (closed form).
    from scipy.special import ndtr

    z, s = 1.6448536, 1.2
    exact = np.exp(s**2 / 2) * ndtr(z - s) + 0.05 * np.exp(s * z)
    assert estimate_capped_mean(lognormal(0.0, s)).value == pytest.approx(exact, rel=1e-4)


def test_draws_of_one_origin_do_not_count_as_independent() -> None:
    rng = np.random.default_rng(4)
    origin = np.repeat(np.arange(400), 25)
    means, errors, naive = [], [], []
    for _ in range(400):
        values = rng.standard_normal(400)[origin] + 0.3 * rng.standard_normal(origin.size)
        estimate = estimate_mean(values)
        means.append(estimate.value)
        errors.append(mcse(estimate.influence, origin))
        naive.append(mcse(estimate.influence))
    assert np.mean(errors) == pytest.approx(np.std(means), rel=0.12)
    assert np.mean(naive) < 0.5 * np.std(means)  # the broken twin


def test_an_error_from_a_single_origin_is_unknown() -> None:
    assert mcse(np.array([1.0, -1.0]), np.array([7, 7])) == np.inf


def test_an_interval_of_draws() -> None:
    interval = Interval.of(np.arange(101.0))
    assert (interval.q5, interval.q50, interval.q95, interval.mean) == (5.0, 50.0, 95.0, 50.0)


def test_the_error_of_a_quantile_is_that_of_repeated_samples() -> None:
    rng = np.random.default_rng(12)
    found = [estimate_quantile(rng.standard_normal(4_000), 0.25) for _ in range(200)]
    values = np.array([one.value for one in found])
    told = np.mean([mcse(one.influence) for one in found])
    assert values.mean() == pytest.approx(-0.674490, abs=4 * values.std() / np.sqrt(200))  # normal table
    assert told == pytest.approx(values.std(), rel=0.2)  # the sd of 200 repeats is itself good to 5 %
