"""What it is worth to know more before choosing: perfect and sample information, from draws.

A choice is made by expectation among actions. Perfect information lets one choose draw by draw,
    EVPI = E[max_a V_a] - max_a E[V_a],
a signal y only by what it lets one expect,
    EVSI = E[max_a E[V_a | y]] - max_a E[V_a].
E[V_a | y] is a regression of the draws of V_a on the signal (Strong, Oakley and Brennan 2014, from memory), fitted on
one half of the draws and acted upon in the other: a rule is never paid for the noise it was fitted to, so the estimate
errs downwards. Where the rule never changes the action the value is exactly 0.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gradeest.decision.summary import mcse

Array = NDArray[np.float64]
KNOTS = (0.1, 0.3, 0.5, 0.7, 0.9)  # quantiles of a signal where its curve may bend
FEW = 8  # a signal of no more values than this is taken value by value
MANY = 40  # ... and one above this number of draws per value


@dataclass(frozen=True)
class Worth:
    """A value of information, in the unit of the payoffs, with its Monte Carlo error."""

    value: float
    mcse: float


def worth_of_perfect(payoffs: Array, origin: NDArray[np.int_] | None = None) -> Worth:
    """Value of knowing the outcome of every action beforehand.

    Parameters: payoffs, shape (draw, action); origin, shape (draw,), the posterior draw behind each forward draw.
    """
    usual = int(payoffs.mean(axis=0).argmax())
    gained = payoffs.max(axis=1) - payoffs[:, usual]
    return Worth(float(gained.mean()), mcse(gained, origin))


def worth_of_signal(payoffs: Array, signals: Array, origin: NDArray[np.int_] | None = None) -> Worth:
    """Value of seeing `signals` before choosing; never below 0, for a signal can be ignored.

    Parameters: payoffs, shape (draw, action); signals, shape (draw, signal), on a scale where noise is even (logs of
    masses); origin as above (draws of one origin stay in one half).
    """
    gained = gained_by_signal(payoffs, signals, origin)
    return Worth(max(float(gained.mean()), 0.0), mcse(gained, origin))


def gained_by_signal(payoffs: Array, signals: Array, origin: NDArray[np.int_] | None = None) -> Array:
    """What acting on the signal brings more than acting without it, draw by draw, shape (draw,)."""
    usual = int(payoffs.mean(axis=0).argmax())
    chosen = np.full(len(payoffs), usual)
    against = payoffs - payoffs[:, [usual]]
    basis = _basis(signals)
    half = (np.arange(len(payoffs)) if origin is None else origin) % 2 == 0
    for learn, act in ((half, ~half), (~half, half)):
        own = basis[learn]
        weights = np.linalg.lstsq(own.T @ own, own.T @ against[learn], rcond=1e-12)[0]
        chosen[act] = (basis[act] @ weights + 1e-12 * (np.arange(payoffs.shape[1]) == usual)).argmax(axis=1)
    return against[np.arange(len(payoffs)), chosen]


def gained_elsewhere(advantages: Array, signals: Array) -> Array:
    """What acting on the signal brings by better choices on other runs, each processed or not.

    Parameters: advantages, (draw, run), of the other runs; signals, (draw, signal); independent draws, as
    `mean_by_origin` and `first_draws` make them of such as share an origin.
    Returns the sum over the runs, shape (draw,): its mean is the worth, its spread the error.
    """
    moved = advantages[:, (advantages.min(axis=0) < 0) & (advantages.max(axis=0) > 0)]  # others are decided anyway
    gained = np.zeros(len(moved))
    if not moved.shape[1]:
        return gained
    basis, usual = _basis(signals), moved.mean(axis=0) > 0
    half = np.arange(len(moved)) % 2 == 0
    for learn, act in ((half, ~half), (~half, half)):
        own = basis[learn]
        weights = np.linalg.lstsq(own.T @ own, own.T @ moved[learn], rcond=1e-12)[0]
        expected = basis[act] @ weights + 1e-12 * (2 * usual - 1)
        gained[act] = (moved[act] * ((expected > 0).astype(float) - usual)).sum(axis=1)
    return gained


def mean_by_origin(values: Array, origin: NDArray[np.int_] | None) -> Array:
    """Means of `values`, (draw, run), over the draws of each origin: what is new in a run averages out."""
    if origin is None:
        return values
    _, place, counts = np.unique(origin, return_inverse=True, return_counts=True)
    sums = np.zeros((values.shape[1], len(counts)))
    for total, column in zip(sums, values.T, strict=True):
        total += np.bincount(place, weights=column)
    return sums.T / counts[:, None]


def first_draws(origin: NDArray[np.int_] | None, draws: int) -> NDArray[np.int_]:
    """The first draw of each origin, in the order of `mean_by_origin`: all `draws` where they are independent.

    One signal of an origin is enough: what is new in it says nothing about another run.
    """
    return np.arange(draws) if origin is None else np.unique(origin, return_index=True)[1]


def _basis(signals: Array) -> Array:
    """Columns of an additive regression, (draw, column): each signal a line that bends smoothly at its knots."""
    columns = [np.ones(len(signals))]
    for signal in signals.T:
        values = np.unique(signal)
        if len(values) <= FEW and len(signal) >= MANY * len(values):
            columns += [(signal == value).astype(float) for value in values[1:]]
            continue
        centre, spread = signal.mean(), signal.std()
        if spread == 0:
            continue
        z = np.clip((signal - centre) / spread, -4, 4)
        columns += [z, z**2]
        columns += [np.maximum(z - knot, 0) ** 2 for knot in np.unique(np.quantile(z, KNOTS))]
    return np.stack(columns, axis=1)
