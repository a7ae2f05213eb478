"""Hands-on hours of a run by steps of the work, and what recorded hours teach of them, all linear in logarithms.

Of a batch of mass M by a route, with J steps:

    ln T   = centre(M) + sd(M) z_0                       all its hours; centre and sd from the rows of the route
    ln h_j = ln T + ln softmax_j( ln w(M) + s(M) z )     of one step; w and s from the rows of the step
    z      = v + d,   v ~ N(0, c),   d ~ N(0, 1 - c)     v: this bench at this route, learned; d: the batch

so steps add up to the total in every draw, and without a record the total is that of its rows. Records are ln T (a
batch whose hours are all told) and ln h_j, noted with an error of their own. They are Gaussian given v but for the
softmax, which is made linear around the likeliest z of the batches, again until it stays (Gauss-Newton); v is then
conditioned in closed form. Hours of one step alone move that step and, as far as it may have been a slow batch, all of
them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from gradeest.materials.catalogue import Catalogue, Quantiles
from gradeest.materials.work_steps import minutes_of

Array = NDArray[np.float64]
Z90 = 2 * 1.6448536269514722  # width of a 5-95 % range in sd
EXACT = 1e-6  # sd of what is known exactly, in ln hours: keeps the algebra regular
LEAST_KG = 1e-6  # of a batch of no mass: no step takes no time at all
ROUNDS, STILL = 100, 1e-7  # of z, in sd


@dataclass(frozen=True)
class Pattern:
    """How the hours of a batch part among steps, before any record: logarithm and spread of the minutes of each."""

    steps: tuple[str, ...]
    centre: tuple[float, ...]
    spread: tuple[float, ...]


@dataclass(frozen=True)
class Record:
    """What was told of a batch: `total`, ln of all its hours over the centre (None: not all are told); hours of steps
    as ln over that centre; `sd` of the total and the pattern at its mass."""

    pattern: Pattern
    sd: float
    total: float | None
    steps: tuple[tuple[int, float], ...]


@dataclass(frozen=True)
class Learned:
    """Belief about v of a bench at a route: the pace of all it does, then every step."""

    mean: Array  # (1 + step,)
    cov: Array  # (1 + step, 1 + step)


def pattern_of(route: str, mass_kg: float, catalogue: Catalogue) -> Pattern:
    """The pattern of a batch. A sum of two rows counts as log-normal: its median and, by their shares, its spread."""
    steps, centres, spreads = [], [], []
    for step, rows in minutes_of(route, catalogue.work_steps).items():
        parts = [(row.q50 * (max(mass_kg, LEAST_KG) if by == "kg" else 1.0), _spread(row)) for by, row in rows.items()]
        middle = sum(part for part, _ in parts)
        steps.append(step)
        centres.append(math.log(middle))
        spreads.append(math.hypot(*(part * spread / middle for part, spread in parts)))
    return Pattern(tuple(steps), tuple(centres), tuple(spreads))


def _spread(row: Quantiles) -> float:
    return math.log(row.q95 / row.q5) / Z90


@lru_cache(maxsize=256)
def learn(records: tuple[Record, ...], count: int, learned_share: float, noted_sd: float) -> Learned:
    """What records of a route teach of the pace and of `count` steps."""
    own = 1 - learned_share  # variance of a batch's own part
    at = np.zeros((1 + len(records), 1 + count))  # v, then z of every batch
    for _ in range(ROUNDS):
        seen = [_Seen.of(record, z, own, noted_sd) for record, z in zip(records, at[1:], strict=True)]
        precision = np.eye(1 + count) / learned_share + sum(one.slope.T @ one.weights for one in seen)
        cov: Array = np.asarray(np.linalg.inv(precision))
        mean = cov @ sum((one.weights.T @ one.pulled for one in seen), np.zeros(1 + count))
        likeliest = [mean + own * one.weights.T @ (one.pulled - one.slope @ mean) for one in seen]
        step = np.stack([mean, *likeliest]) - at
        now = _unlikely(at, records, learned_share, noted_sd)
        while np.abs(step).max() > STILL and _unlikely(at + step, records, learned_share, noted_sd) > now:
            step = step / 2  # too far: what was made linear bends
        at = at + step
        if np.abs(step).max() < STILL:
            break
    return Learned(mean, cov)


@dataclass(frozen=True)
class _Seen:
    """What a batch shows, made linear at its z: pulled = slope z + noise; `weights`: slope by what v leaves open."""

    pulled: Array
    slope: Array
    weights: Array

    @classmethod
    def of(cls, record: Record, z: Array, own: float, noted_sd: float) -> _Seen:
        residual, slope, noise = _residual(record, z, noted_sd)
        unknown = own * slope @ slope.T + np.diag(noise**2)
        return cls(residual + slope @ z, slope, np.asarray(np.linalg.solve(unknown, slope)))


def _unlikely(at: Array, records: Sequence[Record], learned_share: float, noted_sd: float) -> float:
    """Twice the negative log density of v and all z, up to a constant."""
    v, z = at[0], at[1:]
    cost = (v @ v) / learned_share + ((z - v) ** 2).sum() / (1 - learned_share)
    for record, own in zip(records, z, strict=True):
        residual, _, noise = _residual(record, own, noted_sd)
        cost += ((residual / noise) ** 2).sum()
    return float(cost)


def _residual(record: Record, z: Array, noted_sd: float) -> tuple[Array, Array, Array]:
    """What was told less what is expected at z, the slope of that, and the sd of its noise, (told,) each.

    All hours, where they are told, then every step: its share of them, else its hours.
    """
    spread = np.array(record.pattern.spread)
    ln_share = ln_softmax(np.array(record.pattern.centre) + spread * z[1:])
    steps = [j for j, _ in record.steps]
    told = np.array([value for _, value in record.steps])
    slope = np.zeros((len(steps), len(z)))
    slope[:, 1:] = np.eye(len(spread))[steps] * spread - np.exp(ln_share) * spread
    residual, noise = told - ln_share[steps], np.full(len(steps), noted_sd)
    if record.total is None:
        slope[:, 0] = record.sd
        return residual - record.sd * z[0], slope, noise
    pace = np.eye(1, len(z)) * record.sd
    residual = np.append(record.total - record.sd * z[0], residual - record.total)
    return residual, np.vstack([pace, slope]), np.append(EXACT, noise)


def ln_softmax(values: Array) -> Array:
    """Logarithms of the shares, over the last axis."""
    top = values.max(axis=-1, keepdims=True)
    return np.asarray(values - top - np.log(np.exp(values - top).sum(axis=-1, keepdims=True)))
