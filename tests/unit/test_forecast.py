"""Forecast rows and totals."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from gradeest.belief.outcome import Run
from gradeest.decision.forecast import summarise_outcome
from tests.decision_cases import outcome


def invented():
    runs = (Run("L/a", 2.0, "r0"), Run("L/b", 0.5, "r1"), Run("M/a", 1.0, "r0"))
    gold = np.exp(np.random.default_rng(1).standard_normal((20_000, 3)))
    kinds = {"L/a": "fingers-memory", "L/b": "chips-mixed", "M/a": "fingers-memory"}
    return outcome(gold, runs), kinds, gold


def test_a_row_per_fraction_and_metal_with_grade_weight_and_what_it_rests_on() -> None:
    given, kinds, gold = invented()
    forecast = summarise_outcome(given, kinds, {("L/a", "Au"): "3 weights"})
    assert len(forecast.rows) == 9
    row = forecast.rows[0]
    assert (row.address, row.metal, row.form, row.rests_on) == ("L/a", "Au", "au-powder", "3 weights")
    assert row.recovered_g.q50 == pytest.approx(np.median(gold[:, 0]))
    assert row.contained_g.q50 == pytest.approx(row.recovered_g.q50 / 0.9)
    assert row.weight_g.q95 == pytest.approx(row.recovered_g.q95 / 0.98)
    assert row.recoverable_g_per_t.q50 == pytest.approx(1000 * row.recovered_g.q50 / 2.0)  # g in kg, per t
    assert row.contained_g_per_t.q5 == pytest.approx(1000 * row.contained_g.q5 / 2.0)
    silver = forecast.rows[1]
    assert (silver.metal, silver.form, silver.rests_on, silver.recovered_g.q95) == ("Ag", "", "prior only", 0.0)


def test_the_interval_of_a_total_is_that_of_the_sum_not_the_sum_of_intervals() -> None:
    given, kinds, gold = invented()
    totals = {(t.lot, t.metal): t for t in summarise_outcome(given, kinds, {}).totals}
    assert {lot for lot, _ in totals} == {"L", "M", ""}
    lot = totals["L", "Au"].recovered_g
    assert lot.q95 == pytest.approx(np.quantile(gold[:, :2].sum(axis=1), 0.95))
    assert totals["", "Au"].recovered_g.mean == pytest.approx(gold.sum(axis=1).mean())
    added = sum(np.quantile(gold[:, i], 0.95) for i in (0, 1))  # the broken twin
    assert added > 1.1 * lot.q95


def test_one_lot_has_no_total_over_all() -> None:
    given, kinds, gold = invented()
    only = outcome(gold[:, :2], given.runs[:2])
    assert {total.lot for total in summarise_outcome(only, kinds, {}).totals} == {"L"}


def test_the_chance_of_traces_is_the_share_of_draws() -> None:
    given, kinds, _ = invented()
    trace = np.zeros(given.is_trace.shape, dtype=bool)
    trace[:5_000, 1, 0] = True
    row = summarise_outcome(replace(given, is_trace=trace), kinds, {}).rows[3]
    assert (row.address, row.metal, row.p_trace) == ("L/b", "Au", 0.25)
