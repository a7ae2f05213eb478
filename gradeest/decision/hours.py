"""Hands-on hours of runs to come: rows with a spread, and what recorded hours of the same route teach.

In units of the rows' own spread, the logarithm of a batch's hours is z = u + e: u (variance s) belongs to the bench and
its route and is learned, e (variance 1 - s) to the batch. Recorded batches give u by the conjugate normal; a run to
come has z ~ N(mean of u, var of u + 1 - s). Without any record that is N(0, 1) again: the rows themselves. How the
hours part among steps of the work is learned with it (`steps.py`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gradeest.decision.prices import HoursTold, NamedDraws
from gradeest.decision.steps import Learned, Pattern, Record, learn, ln_softmax, pattern_of
from gradeest.materials.catalogue import Catalogue, Quantiles

Array = NDArray[np.float64]
LEARNED_SHARE, NOTED_SD = "hours.learned_share", "hours.noted_sd"
CERTAIN = 1e-9  # a spread of ln hours below it is the rounding of a single number
Rows = tuple[Quantiles, Quantiles]  # hours per batch, hours per kg


@dataclass(frozen=True)
class Hours:
    """Hands-on hours of a run, (draw,): all of them, and those of every step, which add up to them."""

    total: Array
    steps: Mapping[str, Array]


class HoursAhead:
    """Hours of runs by one route, from its rows and what was told of batches by it."""

    def __init__(
        self, route: str, rows: Rows, told: Sequence[HoursTold], catalogue: Catalogue, named: NamedDraws
    ) -> None:
        self.route, self.rows, self.catalogue, self.named = route, rows, catalogue, named
        records = tuple(self._record(one) for one in told if one.route == route)
        self.share = catalogue.constants[LEARNED_SHARE]
        count = len(pattern_of(route, 1.0, catalogue).steps)
        self.learned: Learned = learn(records, count, self.share, catalogue.constants[NOTED_SD])
        self.has_records = bool(records)

    def total(self, mass_kg: float) -> Array:
        """All hours of a run, (draw,). Rows of one number each have nothing to learn."""
        plain = self._by_rows(mass_kg)
        centre, sd = _centre_and_spread(plain)
        if not self.has_records or sd < CERTAIN:
            return plain
        narrower = math.sqrt(self.learned.cov[0, 0] + 1 - self.share)
        return np.asarray(np.exp(centre + sd * self.learned.mean[0] + narrower * (np.log(plain) - centre)))

    def by_steps(self, mass_kg: float) -> Hours:
        """All hours of a run, and how they part among the steps of the work."""
        total, plain = self.total(mass_kg), self._by_rows(mass_kg)
        centre, sd = _centre_and_spread(plain)
        pattern = pattern_of(self.route, mass_kg, self.catalogue)
        pace = np.zeros_like(plain) if sd < CERTAIN else (np.log(plain) - centre) / sd
        own = [self.named.normals(f"step:{self.route}:{step}") for step in pattern.steps]
        spread = np.linalg.cholesky(self.learned.cov + (1 - self.share) * np.eye(len(self.learned.mean)))
        z = (self.learned.mean[:, None] + spread @ np.stack([pace, *own]))[1:]
        shares = np.exp(ln_softmax((np.array(pattern.centre)[:, None] + np.array(pattern.spread)[:, None] * z).T))
        return Hours(total, {step: total * shares[:, j] for j, step in enumerate(pattern.steps)})

    def _by_rows(self, mass_kg: float) -> Array:
        fixed, per_kg = self.rows
        of_batch = self.named.amount(f"hours-fixed:{self.route}", fixed)
        return of_batch + mass_kg * self.named.amount(f"hours-per-kg:{self.route}", per_kg)

    def _record(self, told: HoursTold) -> Record:
        centre, sd = _centre_and_spread(self._by_rows(told.mass_kg))
        pattern: Pattern = pattern_of(self.route, told.mass_kg, self.catalogue)
        total = None if told.hours is None else math.log(told.hours) - centre
        at = {step: j for j, step in enumerate(pattern.steps)}
        steps = tuple((at[step], math.log(hours) - centre) for step, hours in told.steps if step in at)
        return Record(pattern, sd, total, steps)


def draw_hours(
    route: str, mass_kg: float, rows: Rows, told: Sequence[HoursTold], catalogue: Catalogue, named: NamedDraws
) -> Array:
    """Hands-on hours of a run of `mass_kg` by a route, (draw,)."""
    return HoursAhead(route, rows, told, catalogue, named).total(mass_kg)


def _centre_and_spread(hours: Array) -> tuple[float, float]:
    """Median and sd of ln hours; (0, 0) where a row says no hours at all."""
    if hours.min() <= 0:
        return 0.0, 0.0
    ln = np.log(hours)
    return float(np.median(ln)), float(ln.std())
