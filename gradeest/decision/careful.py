"""How much of an average gain a careful person gives up for a sure one: the certainty equivalent of a run.

With an exponential utility the sure amount that is worth as much as an uncertain gain A is
    sure = -T ln E[exp(-A / T)],   T -> infinity: E[A]
(Pratt 1964, from memory). The tolerance T is stated by a bet that people can picture: an even chance to win twice a
stake s or to lose it is worth just nothing to you. That holds for T = s / ln((1 + sqrt 5) / 2), since
exp(-2 s/T) + exp(s/T) = 2. The stake is a share of what everything that is ranked is worth, each fraction by its
better use; so another currency changes no order. One tolerance holds for all rows: they are one person's.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from gradeest.decision.summary import Estimate

Careful = Literal["low", "normal", "high"]
PER_STAKE = 1 / math.log((1 + math.sqrt(5)) / 2)  # T / s


def find_stake(
    level: Careful,
    advantage: NDArray[np.float64],
    alternative: NDArray[np.float64],
    constants: Mapping[str, float],
) -> float | None:
    """The stake in currency at which an even chance of twice as much is worth nothing; None: averages alone count.

    Parameters: advantage, alternative, (draw, run), money; constants of the priors (`careful.normal`, `careful.high`).
    """
    if level == "low":
        return None
    worth = np.maximum(advantage.mean(axis=0), 0.0) + np.maximum(alternative.mean(axis=0), 0.0)
    stake = constants[f"careful.{level}"] * float(worth.sum())
    return stake if stake > 0 else None  # nothing is worth anything: there is nothing to be careful with


def estimate_sure(values: NDArray[np.float64], stake: float) -> Estimate:
    """The sure amount worth as much as the draws `values`, (draw,), to who takes the bet of `stake` for nothing.

    Influence by the delta method: -T (u - mean u) / mean u with u = exp(-values / T).
    """
    tolerance = PER_STAKE * stake
    scaled = -values / tolerance
    most = float(scaled.max())
    u = np.exp(scaled - most)
    mean = float(u.mean())
    return Estimate(-tolerance * (most + math.log(mean)), -tolerance * (u - mean) / mean)
