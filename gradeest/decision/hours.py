"""Hands-on hours of runs to come: rows with a spread, and what recorded hours of the same route teach.

In units of the rows' own spread, the logarithm of a batch's hours is z = u + e: u (variance s) belongs to the bench and
its route and is learned, e (variance 1 - s) to the batch. Recorded batches give u by the conjugate normal; a run to
come has z ~ N(mean of u, var of u + 1 - s). Without any record that is N(0, 1) again: the rows themselves.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from gradeest.decision.prices import HoursTold, NamedDraws
from gradeest.materials.catalogue import Catalogue, Quantiles

Array = NDArray[np.float64]
LEARNED_SHARE = "hours.learned_share"
CERTAIN = 1e-9  # a spread of ln hours below it is the rounding of a single number
Rows = tuple[Quantiles, Quantiles]  # hours per batch, hours per kg


def draw_hours(
    route: str, mass_kg: float, rows: Rows, told: Sequence[HoursTold], catalogue: Catalogue, named: NamedDraws
) -> Array:
    """Hands-on hours of a run of `mass_kg` by a route, (draw,). Rows of one number each have nothing to learn."""
    plain = _by_rows(route, mass_kg, rows, named)
    centre, sd = _centre_and_spread(plain)
    own = [one for one in told if one.route == route]
    if not own or sd < CERTAIN:
        return plain
    share = catalogue.constants[LEARNED_SHARE]
    seen = []
    for one in own:
        at, spread = _centre_and_spread(_by_rows(route, one.mass_kg, rows, named))
        seen.append((math.log(one.hours) - at) / spread)
    mean, left = update_normal(0.0, math.sqrt(share), seen, math.sqrt(1 - share))
    narrower = math.sqrt(left**2 + 1 - share)
    return np.asarray(np.exp(centre + sd * mean + narrower * (np.log(plain) - centre)))


def update_normal(mean: float, sd: float, values: Sequence[float], noise_sd: float) -> tuple[float, float]:
    """Mean and sd of N(mean, sd) after `values`, each with noise of `noise_sd`: the conjugate normal."""
    precision = 1 / sd**2 + len(values) / noise_sd**2
    return (mean / sd**2 + sum(values) / noise_sd**2) / precision, 1 / math.sqrt(precision)


def _by_rows(route: str, mass_kg: float, rows: Rows, named: NamedDraws) -> Array:
    fixed, per_kg = rows
    return named.amount(f"hours-fixed:{route}", fixed) + mass_kg * named.amount(f"hours-per-kg:{route}", per_kg)


def _centre_and_spread(hours: Array) -> tuple[float, float]:
    """Median and sd of ln hours; (0, 0) where a row says no hours at all."""
    if hours.min() <= 0:
        return 0.0, 0.0
    ln = np.log(hours)
    return float(np.median(ln)), float(ln.std())
