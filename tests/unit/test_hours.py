"""Hours of runs to come: by the rows before any record, by the conjugate normal after, against closed forms."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest

from gradeest.decision.hours import draw_hours
from gradeest.decision.prices import HoursTold, NamedDraws
from gradeest.decision.steps import Pattern, Record, learn
from gradeest.materials.catalogue import Catalogue, Quantiles, load_catalogue
from tests.decision_cases import one

DRAWS = 20_000
SPREAD = math.log(2) / 1.6448536  # of a row whose 95 % point is twice its median
ROWS = (Quantiles(2.0, 4.0, 8.0), one(0.0))


@cache
def catalogue() -> Catalogue:
    return load_catalogue()


def hours(told: list[float], rows: tuple[Quantiles, Quantiles] = ROWS, kg: float = 1.0, seed: int = 1) -> np.ndarray:
    named = NamedDraws(np.random.default_rng(seed), DRAWS)
    return draw_hours("r0", kg, rows, [HoursTold("r0", kg, h) for h in told], catalogue(), named)


def conjugate(mean: float, sd: float, values: list[float], noise_sd: float) -> tuple[float, float]:
    """Mean and sd of N(mean, sd) after `values`, each with noise of `noise_sd`: any textbook's conjugate normal."""
    precision = 1 / sd**2 + len(values) / noise_sd**2
    return (mean / sd**2 + sum(values) / noise_sd**2) / precision, 1 / math.sqrt(precision)


def test_the_pace_learned_is_the_textbooks_conjugate_normal() -> None:
    """Prior N(1, 0.5), data 1.2, 0.8, 1.5 with sd 0.4: 1.1373626, sd 0.2096570 (computed by hand); and so in the
    program's units, where prior and noise share a variance of 1."""
    assert conjugate(1.0, 0.5, [1.2, 0.8, 1.5], 0.4) == pytest.approx((1.1373626, 0.2096570), abs=1e-7)
    scale = math.hypot(0.5, 0.4)
    pattern = Pattern(("a", "b"), (0.0, 0.0), (0.5, 0.5))
    records = tuple(Record(pattern, scale, value - 1.0, ()) for value in (1.2, 0.8, 1.5))
    found = learn(records, 2, 0.25 / scale**2, 0.1)
    assert 1 + scale * found.mean[0] == pytest.approx(1.1373626, abs=1e-7)
    assert scale * math.sqrt(found.cov[0, 0]) == pytest.approx(0.2096570, abs=1e-7)
    assert found.mean[1:] == pytest.approx(0.0)
    assert found.cov[1:, 1:] == pytest.approx(0.25 / scale**2 * np.eye(2))


def test_without_a_record_hours_are_those_of_the_rows() -> None:
    row = catalogue().shares["hours-per-kg:foils-peroxide"]
    found = hours([], (one(0.0), row), kg=1.0)
    assert np.quantile(found, (0.05, 0.5, 0.95)) == pytest.approx((row.q5, row.q50, row.q95), rel=0.03)


def test_recorded_hours_move_and_narrow_what_is_expected() -> None:
    """Three batches of 6 h where 4 were expected, worked by hand in ln hours with 0.6 of the variance learned."""
    share, noise = 0.6, 0.4
    mean, sd = conjugate(math.log(4), SPREAD * math.sqrt(share), [math.log(6)] * 3, SPREAD * math.sqrt(noise))
    spread = math.sqrt(sd**2 + noise * SPREAD**2)
    found = np.log(hours([6.0, 6.0, 6.0]))
    error = spread / math.sqrt(DRAWS)
    assert found.mean() == pytest.approx(mean, abs=5 * error)
    assert found.std() == pytest.approx(spread, rel=0.03)
    assert math.log(4) < found.mean() < math.log(6)


def test_hours_of_another_route_teach_nothing_of_this_one() -> None:
    named = NamedDraws(np.random.default_rng(1), DRAWS)
    told = [HoursTold("r1", 1.0, 12.0)]
    assert np.array_equal(draw_hours("r0", 1.0, ROWS, told, catalogue(), named), hours([]))


def test_a_users_single_number_stands() -> None:
    assert (hours([9.0], (one(4.0), one(0.0))) == 4.0).all()


def test_a_slow_batch_says_the_same_of_a_large_one() -> None:
    """A batch half as long again as its own rows say: the next, ten times the mass, is expected longer too."""
    rows = (Quantiles(2.0, 4.0, 8.0), Quantiles(0.5, 1.0, 2.0))
    small = float(np.median(hours([], rows, kg=1.0)))
    named = NamedDraws(np.random.default_rng(1), DRAWS)
    told = [HoursTold("r0", 1.0, 1.5 * small)] * 8
    large = draw_hours("r0", 10.0, rows, told, catalogue(), named)
    before = np.median(hours([], rows, kg=10.0))
    assert 1.2 < np.median(large) / before < 1.8


def coverage(share_told: float, benches: int = 1500, batches: int = 4) -> float:
    """How often a 90 % interval holds the next batch's hours, when `share_told` of the variance is taken as learned."""
    rng = np.random.default_rng(8)
    pace = SPREAD * math.sqrt(0.6) * rng.standard_normal(benches)
    runs = pace[:, None] + SPREAD * math.sqrt(0.4) * rng.standard_normal((benches, batches + 1))
    hits = 0
    for bench in runs:
        learned, noise = SPREAD * math.sqrt(share_told), SPREAD * math.sqrt(1 - share_told)
        mean, sd = conjugate(0.0, learned, list(bench[:-1]), noise)
        hits += abs(bench[-1] - mean) < 1.6448536 * math.hypot(sd, noise)
    return hits / benches


def test_intervals_of_hours_hold_what_they_say() -> None:
    error = math.sqrt(0.9 * 0.1 / 1500)
    assert coverage(catalogue().constants["hours.learned_share"]) == pytest.approx(0.9, abs=3 * error)
    assert coverage(0.95) < 0.9 - 6 * error  # the broken twin: a batch's own luck taken for the bench's pace
