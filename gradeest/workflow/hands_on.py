"""Hands-on hours, by steps of the work, and days at this bench: as recorded of batches, and of those to come."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from gradeest.decision.hours import Hours, HoursAhead
from gradeest.decision.prices import DaysTold, HoursTold, NamedDraws, Prices
from gradeest.materials.catalogue import Catalogue, Quantiles
from gradeest.materials.work_steps import minutes_of
from gradeest.records.domain import Batch, Bench
from gradeest.workflow.opening import Opened

if TYPE_CHECKING:
    from gradeest.decision.costs import Array


def steps_of(bench: Bench, batch: Batch | None) -> dict[str, float]:
    """Recorded hours of a batch by step ("" for what was recorded without one)."""
    found: dict[str, float] = {}
    for one in bench.hours:
        if batch is not None and one.batch == batch.name:
            found[one.step] = found.get(one.step, 0.0) + one.hours
    return found


def all_hours(bench: Bench, batch: Batch | None, catalogue: Catalogue) -> float | None:
    """All hours of a batch as recorded; None where none are, or only those of some of its steps.

    Hours without a step are those of all other work, so that with them nothing is missing.
    """
    found = steps_of(bench, batch)
    if batch is None or not found:
        return None
    steps = set(minutes_of(batch.route, catalogue.work_steps))
    return sum(found.values()) if steps <= set(found) or set(found) - steps else None


def hours_told(bench: Bench, catalogue: Catalogue, *, leave_out: str = "") -> tuple[HoursTold, ...]:
    """Recorded hours of closed batches: what is recorded of an open one is only the hours so far."""
    told = []
    for batch in bench.batches.values():
        found = steps_of(bench, batch)
        if found and not batch.is_open and batch.name != leave_out and batch.mass_kg > 0:
            steps = minutes_of(batch.route, catalogue.work_steps)
            of_steps = tuple((step, hours) for step, hours in found.items() if step in steps)
            told.append(HoursTold(batch.route, batch.mass_kg, all_hours(bench, batch, catalogue), of_steps))
    return tuple(told)


def days_told(bench: Bench, catalogue: Catalogue) -> tuple[DaysTold, ...]:
    """Days of closed batches from their start to their last result.

    A batch whose route takes days and that bears one date throughout was written down on that day: it tells nothing.
    """
    told = []
    for batch in bench.batches.values():
        row = catalogue.shares.get(f"days:{batch.route}")
        results = [*(one.date for one in batch.products), *(one.date for one in batch.nondetects)]
        if row is not None and results and not batch.is_open:
            days = (max(results) - batch.date).days
            if days > 0 or row.q5 < 1:
                told.append(DaysTold(batch.route, days))
    return tuple(told)


def hours_rows(catalogue: Catalogue, prices: Prices | None, route: str) -> tuple[Quantiles, Quantiles] | None:
    """Hours per batch and per kg of a route: the user's, else those of the priors; None where there are none."""
    if prices is not None:
        rows = prices.routes.get(route)
        return None if rows is None else (rows.hours_fixed, rows.hours_per_kg)
    fixed, per_kg = (catalogue.shares.get(f"{name}:{route}") for name in ("hours-fixed", "hours-per-kg"))
    return None if fixed is None or per_kg is None else (fixed, per_kg)


def hours_of_run(
    opened: Opened,
    prices: Prices | None,
    route: str,
    mass_kg: float,
    named: NamedDraws,
    *,
    told: tuple[HoursTold, ...] | None = None,
) -> Hours:
    """Hands-on hours of a batch to come, (draw,), learned from those recorded (or `told`); 0 where no rows say."""
    rows = hours_rows(opened.catalogue, prices, route)
    if rows is None:
        return Hours(np.zeros(named.draws), {})
    if told is None:
        told = hours_told(opened.bench, opened.catalogue)
    return HoursAhead(route, rows, told, opened.catalogue, named).by_steps(mass_kg)


def hours_of_batch(opened: Opened, batch: Batch, expected: Hours) -> Array:
    """Hours that a batch counts with, (draw,): as recorded, and steps that were not as expected."""
    worked = all_hours(opened.bench, batch, opened.catalogue)
    if worked is not None:
        return np.full(len(expected.total), worked)
    known = steps_of(opened.bench, batch)
    rest = [draws for step, draws in expected.steps.items() if step not in known]
    return np.sum([np.zeros_like(expected.total), *rest], axis=0) + sum(known.values()) if known else expected.total
