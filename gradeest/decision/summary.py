"""What a set of draws says: interval, mean of the worst, Monte Carlo error, score against what came."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Draws = NDArray[np.float64]  # (draw,) unless said


def quantiles(draws: Draws, levels: Sequence[float] | Draws) -> Draws:
    """The points below which shares of `draws`, (draw,), lie: sorting first is three times as quick as picking each."""
    return np.asarray(np.quantile(np.sort(draws), levels))


@dataclass(frozen=True)
class Interval:
    """The 5 %, 50 % and 95 % points and the mean of a quantity, in the quantity's own unit."""

    q5: float
    q50: float
    q95: float
    mean: float

    @classmethod
    def of(cls, draws: Draws) -> Interval:
        """Summarise `draws`, shape (draw,)."""
        q5, q50, q95 = quantiles(draws, (0.05, 0.5, 0.95))
        return cls(float(q5), float(q50), float(q95), float(np.mean(draws)))


@dataclass(frozen=True)
class Estimate:
    """A number computed from draws. `influence` (draw,) is each draw's pull on it; its spread gives the error."""

    value: float
    influence: Draws


def mcse(influence: Draws, origin: NDArray[np.int_] | None = None) -> float:
    """Monte Carlo standard error of an estimate from its influence values.

    Parameters: influence, shape (draw,), in the unit of the estimate; origin, shape (draw,), which posterior draw each
    forward draw came from: draws of one origin are not independent and are summed first (None: all independent).
    Returns the standard error: sqrt( C/(C-1) sum_c (sum_{i in c} u_i)^2 ) / n, u centred, C clusters.
    """
    centred = influence - influence.mean()
    sums, clusters = centred, centred.size
    if origin is not None:
        sums, clusters = np.bincount(origin, weights=centred), np.count_nonzero(np.bincount(origin))
    if clusters < 2:
        return math.inf
    return float(np.sqrt(clusters / (clusters - 1) * np.dot(sums, sums)) / influence.size)


def estimate_mean(values: Draws) -> Estimate:
    """Mean of `values`, shape (draw,)."""
    mean = float(values.mean())
    return Estimate(mean, values - mean)


def estimate_capped_mean(values: Draws, share: float = 0.05) -> Estimate:
    """Mean without the best `share` of draws: E[min(V, q)], q the 1 - `share` point of V.

    The cap is itself estimated; its part of the influence is share (1 - share - 1{V <= q}) / density(q), the density
    from the difference of neighbouring quantiles (winsorised mean; Huber, Robust Statistics, from memory).
    """
    low, q, high = quantiles(values, (1 - 1.2 * share, 1 - share, 1 - 0.8 * share))
    capped = np.minimum(values, q)
    mean = float(capped.mean())
    influence = capped - mean
    if high > low:
        influence = influence + share * (1 - share - (values <= q)) * (high - low) / (0.4 * share)
    return Estimate(mean, influence)


def estimate_quantile(values: Draws, share: float) -> Estimate:
    """The point below which `share` of the draws lie; influence (share - 1{V <= q}) / density(q).

    The density comes from the quantiles a fifth of the way to the nearer end on either side (the usual error of a
    sample quantile, from memory).
    """
    step = 0.2 * min(share, 1 - share)
    low, q, high = quantiles(values, (share - step, share, share + step))
    return Estimate(float(q), (share - (values <= q)) * (high - low) / (2 * step))


def estimate_ratio(over: Estimate, under: Estimate) -> Estimate:
    """Ratio of two estimates over the same draws, influence by the delta method: (u_over - ratio u_under) / under."""
    ratio = over.value / under.value
    return Estimate(ratio, (over.influence - ratio * under.influence) / under.value)


def mean_of_worst(values: Draws, share: float = 0.05, weights: Draws | None = None) -> float:
    """Mean of the worst `share` of the outcomes; an outcome across the border counts in part.

    Parameters: values, shape (n,); share in (0, 1]; weights, shape (n,), probabilities (None: equal).
    Returns the lower conditional value at risk (Rockafellar and Uryasev 2002, from memory).
    """
    if weights is None:
        count = share * values.size
        whole = int(count)  # outcomes that lie in it entirely
        lowest = np.partition(values, min(whole, values.size - 1))
        edge = (count - whole) * lowest[whole] if whole < values.size else 0.0
        return float((lowest[:whole].sum() + edge) / count)
    order = np.argsort(values, kind="stable")
    chance = (weights / weights.sum())[order]
    before = np.concatenate(([0.0], np.cumsum(chance)[:-1]))
    taken = np.clip(share - before, 0.0, chance)
    return float(np.dot(taken, values[order]) / taken.sum())


def score_draws(draws: Draws, observed: float) -> float:
    """CRPS of a forecast given as draws against what came; smaller is better, in the unit of the draws.

    E|X - y| - E|X - X'|/2, the second term from the sorted draws in n log n (Gneiting and Raftery 2007, from memory).
    """
    ordered = np.sort(draws)
    n = ordered.size
    spread = np.dot(2 * np.arange(1, n + 1) - n - 1, ordered) / n**2
    return float(np.abs(ordered - observed).mean() - spread)
