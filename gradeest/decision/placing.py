"""How a run stands: its gain with its Monte Carlo error, what it is placed by, the tail guard, shared ranks.

Shared ranks: rows are taken from the best down; the first of a rank leads it, and every following row closer to that
leader than 2 Monte Carlo errors of their difference joins; the first that is not starts the next rank (1, 1, 3). The
comparison is always with the leader, never along a chain, so rows of one rank form a block and none of them can be
told from the first of it. That two ranks differ says nothing about the last of one and the first of the next.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gradeest.decision.careful import estimate_sure
from gradeest.decision.summary import Estimate, estimate_capped_mean, estimate_mean, estimate_ratio, mcse

CLOSER_THAN = 2.0  # Monte Carlo errors: closer is not told apart
TAIL = 0.05  # the best draws that the guard takes out
TAIL_LIMIT = 1 / 3  # share of the expected gain that may rest on them


@dataclass(frozen=True)
class Standing:
    """How one run stands: its expected gain, what it counts for a careful person, and the value it is placed by."""

    gain: Estimate
    gain_mcse: float
    counted: Estimate  # the gain, or the sure amount worth as much
    per_unit: Estimate
    placed: Estimate
    tail_share: float | None
    rests_on_tail: bool

    @property
    def is_above_line(self) -> bool:
        """It is expected to gain, also by the value it is placed by."""
        return self.gain.value > 0 and self.placed.value > 0

    @property
    def is_worth_its_risk(self) -> bool:
        """It counts for something: always so where it is expected to gain and averages alone count."""
        return self.counted.value > 0

    @property
    def is_clear(self) -> bool:
        """The expected gain is more than its own Monte Carlo error lets appear by chance."""
        return self.gain.value > CLOSER_THAN * self.gain_mcse


def weigh_run(
    advantage: NDArray[np.float64],
    uses: NDArray[np.float64],
    origin: NDArray[np.int_] | None = None,
    stake: float | None = None,
) -> Standing:
    """How a run stands, from draws of its advantage (money) and of what it takes, as hours, both of shape (draw,).

    placed by E[A]/E[h], or by E[min(A, q95)]/E[h] where 1 - E[min(A, q95)]/E[A] exceeds a third (looked at where E[A]
    is more than 2 Monte Carlo errors). With a stake the sure amount takes the place of E in what it is placed by, and
    of a run that rests on the tail the smaller one, so that care never places a row higher.
    """
    gain, taken = estimate_mean(advantage), estimate_mean(uses)
    error = mcse(gain.influence, origin)
    counted = gain if stake is None else estimate_sure(advantage, stake)
    per_unit = estimate_ratio(counted, taken)
    if not gain.value > CLOSER_THAN * error:
        return Standing(gain, error, counted, per_unit, per_unit, None, False)
    guarded = estimate_capped_mean(advantage, TAIL)
    tail_share = 1 - guarded.value / gain.value
    rests = tail_share > TAIL_LIMIT
    placed = estimate_ratio(min(guarded, counted, key=lambda at: at.value), taken) if rests else per_unit
    return Standing(gain, error, counted, per_unit, placed, tail_share, rests)


def share_ranks(placed: Sequence[Estimate], origin: NDArray[np.int_] | None = None) -> list[int]:
    """Ranks of estimates given from the best down; see the head of this file for who shares a rank."""
    ranks: list[int] = []
    leader = 0
    for i, estimate in enumerate(placed):
        ahead = placed[leader]
        error = mcse(ahead.influence - estimate.influence, origin)
        if ahead.value - estimate.value > CLOSER_THAN * error:
            leader = i
        ranks.append(leader + 1)
    return ranks


def chance_best(advantage: NDArray[np.float64], uses: NDArray[np.float64]) -> NDArray[np.float64]:
    """Chance, per run, that its advantage per expected use is the largest and positive; shape (run,)."""
    ratio = advantage / uses.mean(axis=0)
    draws, runs = ratio.shape
    if not runs:
        return np.zeros(0)
    best = ratio.argmax(axis=1)
    gains = ratio.max(axis=1) > 0
    return np.bincount(best[gains], minlength=runs) / draws
