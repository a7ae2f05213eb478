"""Ranks of the truth among the draws of a fit, as standard normals, and how far many of them are from that.

A program that is honest on benches made from its own prior puts the truth at a uniform rank (Talts et al. 2018,
arXiv:1804.06788). `verdict` gives the two things that go wrong in Monte Carlo errors of the run: a common shift (the
normals' sum), and too much or too little sureness (the sum of their squares, chi-square; by Wilson and Hilferty's cube
root, 1931, Proc. Natl. Acad. Sci. 17:684, which makes it standard normal).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

Values = NDArray[np.float64]
RANKS = 199  # draws that a truth is ranked among


def normal_rank(draws: Values, truth: float, rng: np.random.Generator) -> float:
    """The truth's rank among thinned draws as a standard normal; ties and the place within a rank are drawn."""
    thinned = draws[np.linspace(0, len(draws) - 1, RANKS).astype(int)]
    below, same = np.sum(thinned < truth), np.sum(thinned == truth)
    return float(ndtri((below + rng.uniform() * (same + 1)) / (RANKS + 1)))


@dataclass(frozen=True)
class Verdict:
    """Both in standard errors; 0 is honest. Spread above 0: too sure, below 0: not sure enough."""

    shift: float
    spread: float

    @property
    def worst(self) -> float:
        return max(abs(self.shift), abs(self.spread))


def verdict(normals: Sequence[float]) -> Verdict:
    """How far independent normal ranks are from standard normals."""
    count, z = len(normals), np.asarray(normals)
    variance = 2 / (9 * count)
    spread = (float(np.mean(z * z)) ** (1 / 3) - (1 - variance)) / math.sqrt(variance)
    return Verdict(float(z.sum()) / math.sqrt(count), spread)


def gap_of_chances(said: Sequence[float], came: Sequence[bool], least: float) -> float:
    """Sum of (said - came true) in standard errors; a chance is not held to be closer to 0 or 1 than `least`."""
    p, y = np.clip(said, least, 1 - least), np.asarray(came, dtype=float)
    return float((p - y).sum() / math.sqrt((p * (1 - p)).sum()))


def surprise(said: Sequence[float], came: Sequence[bool], least: float) -> float:
    """Brier score against the one that the said chances expect of themselves, in standard errors.

    (p - y)^2 has mean p (1 - p) and variance p (1 - p) (1 - 2 p)^2 where p is true.
    """
    p, y = np.clip(said, least, 1 - least), np.asarray(came, dtype=float)
    variance = np.maximum(p * (1 - p) * (1 - 2 * p) ** 2, 1e-12)
    return float((((p - y) ** 2) - p * (1 - p)).sum() / math.sqrt(variance.sum()))


def surprise_of_one(said: Sequence[Values], came: Sequence[NDArray[np.bool_]], least: float) -> float:
    """The same of chances of which at most one of a bench comes true, bench by bench: they do not err alone.

    Where w comes true the score is sum p^2 + 1 - 2 p_w, else sum p^2: its variance is that of a = 1 - 2 p_w, else 0.
    """
    off, variance = 0.0, 0.0
    for chances, outcome in zip(said, came, strict=True):
        p, y = np.clip(chances, least, 1 - least), np.asarray(outcome, dtype=float)
        a, weight = 1 - 2 * p, p / max(p.sum(), 1.0)
        off += float(((p - y) ** 2 - p * (1 - p)).sum())
        variance += float(weight @ a**2 - (weight @ a) ** 2)
    return off / math.sqrt(variance)
