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
EXACT = 1e-9  # sd of what is known exactly, in ln hours: keeps the algebra regular
LEAST_KG = 1e-6  # of a batch of no mass: no step takes no time at all
ROUNDS, STILL = 50, 1e-9


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
    size = 1 + count
    if not records:
        return Learned(np.zeros(size), learned_share * np.eye(size))
    batches = len(records)
    prior = np.kron(
        learned_share * np.ones((batches, batches)) + (1 - learned_share) * np.eye(batches), np.eye(size)
    )  # of z of all batches
    at = np.zeros(batches * size)
    told = np.concatenate([_told(record) for record in records])
    noise = np.diag(np.concatenate([_noise(record, noted_sd) for record in records]) ** 2)
    for _ in range(ROUNDS):
        expected, slope = _linearise(records, at, size)
        gain = prior @ slope.T @ np.linalg.inv(slope @ prior @ slope.T + noise)
        new = gain @ (told - expected + slope @ at)
        moved, at = float(np.abs(new - at).max()), new
        if moved < STILL:
            break
    common = learned_share * np.tile(np.eye(size), batches)  # covariance of v with z of all batches
    weights = common @ slope.T @ np.linalg.inv(slope @ prior @ slope.T + noise)
    mean = weights @ (told - expected + slope @ at)
    return Learned(mean, learned_share * np.eye(size) - weights @ slope @ common.T)


def _told(record: Record) -> Array:
    total = [] if record.total is None else [record.total]
    return np.array([*total, *(value - (record.total or 0.0) for _, value in record.steps)])


def _noise(record: Record, noted_sd: float) -> Array:
    return np.array([EXACT] * (record.total is not None) + [noted_sd] * len(record.steps))


def _linearise(records: Sequence[Record], at: Array, size: int) -> tuple[Array, Array]:
    """What is expected of the records at z = `at`, and its slope."""
    expected, slopes = [], []
    for b, record in enumerate(records):
        z = at[b * size : (b + 1) * size]
        spread = np.array(record.pattern.spread)
        ln_share = ln_softmax(np.array(record.pattern.centre) + spread * z[1:])
        rows = []
        pace = np.zeros(size)
        pace[0] = record.sd
        if record.total is not None:
            rows.append(pace)
            expected.append(record.sd * z[0])
        for j, _ in record.steps:
            row = np.zeros(size) if record.total is not None else pace.copy()
            row[1:] = -np.exp(ln_share) * spread
            row[1 + j] += spread[j]
            rows.append(row)
            expected.append(ln_share[j] + (0.0 if record.total is not None else record.sd * z[0]))
        wide = np.zeros((len(rows), len(at)))
        if rows:
            wide[:, b * size : (b + 1) * size] = rows
        slopes.append(wide)
    return np.array(expected), np.concatenate(slopes)


def ln_softmax(values: Array) -> Array:
    """Logarithms of the shares, over the last axis."""
    top = values.max(axis=-1, keepdims=True)
    return np.asarray(values - top - np.log(np.exp(values - top).sum(axis=-1, keepdims=True)))
