"""Days of runs to come: the row before any record, the conjugate normal after, and what is no record of days."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from gradeest.decision.days import draw_days
from gradeest.decision.prices import DaysTold, NamedDraws
from gradeest.materials.catalogue import Catalogue, Quantiles, load_catalogue
from gradeest.records.domain import Batch, Bench, NonDetect
from gradeest.workflow.hands_on import days_told

DRAWS = 20_000
ROUTE = "foils-peroxide"
SPREAD = math.log(2) / 1.6448536  # of a row whose 95 % point is twice its median
ROW = Quantiles(4.0, 8.0, 16.0)


@cache
def catalogue() -> Catalogue:
    found = load_catalogue()
    return replace(found, shares={**found.shares, f"days:{ROUTE}": ROW})


def drawn(*days: int, seed: int = 1, share: float | None = None) -> np.ndarray:
    rows = catalogue()
    if share is not None:
        rows = replace(rows, constants={**rows.constants, "days.learned_share": share})
    found = draw_days(ROUTE, [DaysTold(ROUTE, d) for d in days], rows, NamedDraws(np.random.default_rng(seed), DRAWS))
    assert found is not None
    return found


def test_without_a_record_days_are_those_of_the_row() -> None:
    assert np.quantile(drawn(), (0.05, 0.5, 0.95)) == pytest.approx((4, 8, 16), rel=0.03)
    named = NamedDraws(np.random.default_rng(1), DRAWS)
    assert np.array_equal(drawn(), draw_days(ROUTE, [DaysTold("pins-nitric", 1)], catalogue(), named))
    assert draw_days("nowhere", [], catalogue(), named) is None


def test_recorded_days_move_what_is_expected_by_any_textbooks_conjugate_normal() -> None:
    """Three batches of 16 days where 8 were expected, by hand: 0.6 of the variance learned, days told whole."""
    prior, noise = 0.6 * SPREAD**2, 0.4 * SPREAD**2 + 1 / 12 / 16**2
    precision = 1 / prior + 3 / noise
    mean = (math.log(8) / prior + 3 * math.log(16) / noise) / precision
    spread = math.sqrt(1 / precision + 0.4 * SPREAD**2)
    found = np.log(drawn(16, 16, 16))
    assert found.mean() == pytest.approx(mean, abs=5 * spread / math.sqrt(DRAWS))
    assert found.std() == pytest.approx(spread, rel=0.03)


def coverage(share: float, benches: int = 400) -> float:
    """How often 90 % intervals hold the days of the next batch, after three, of benches made by the model."""
    rng = np.random.default_rng(4)
    hits = 0
    for _ in range(benches):
        pace = SPREAD * math.sqrt(0.6) * rng.standard_normal()
        ln = math.log(8) + pace + SPREAD * math.sqrt(0.4) * rng.standard_normal(4)
        *told, true = np.exp(ln)
        low, high = np.quantile(drawn(*(round(d) for d in told), share=share), (0.05, 0.95))
        hits += low < true < high
    return hits / benches


def test_intervals_of_days_hold_what_they_say() -> None:
    error = math.sqrt(0.9 * 0.1 / 400)
    assert coverage(catalogue().constants["days.learned_share"]) == pytest.approx(0.9, abs=3 * error)
    assert coverage(0.97) < 0.9 - 6 * error  # the broken twin: a batch's own luck taken for the bench's


def test_only_closed_batches_with_days_of_their_own_tell() -> None:
    begun = dt.date(2024, 1, 5)

    def batch(name: str, route: str, days: int, *, closed: bool = True) -> Batch:
        seen = begun + dt.timedelta(days)
        nothing = NonDetect(name, "Au", 0.02, "gone", seen)
        return Batch(name, begun, route, (), seen + dt.timedelta(40) if closed else None, (), (nothing,))

    batches = (
        batch("B1", ROUTE, 9),
        batch("B2", ROUTE, 0),  # written down in one go
        batch("B3", ROUTE, 5, closed=False),
        batch("B4", "melt-contacts", 0),  # may be done in a day
        Batch("B5", begun, ROUTE, (), begun),
    )
    told = days_told(Bench(batches={one.name: one for one in batches}), catalogue())
    assert told == (DaysTold(ROUTE, 9), DaysTold("melt-contacts", 0))
