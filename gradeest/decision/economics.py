"""Net return of processing, draw by draw, and what it is compared with: selling as it is, or keeping."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from gradeest.belief.outcome import Outcome
from gradeest.decision.prices import NamedDraws, Prices
from gradeest.errors import InputError
from gradeest.materials.catalogue import Catalogue, Kind

Alternative = Literal["sell", "keep"]
POOL_ROUNDS = 10  # rounds of "who would be settled together"; it settles in two or three


@dataclass(frozen=True)
class Economics:
    """Money of each run in the user's currency; all arrays have shape (draw, run) unless said.

    advantage = revenue - cost - hours_rate x hours - alternative. Revenue is what the run adds to a settlement of all
    runs in `pool`. `alternatives` names the better of selling and keeping, chosen by expectation before the draw.
    """

    revenue: NDArray[np.float64]
    cost: NDArray[np.float64]  # money, without hours
    hours: NDArray[np.float64]  # hands-on hours
    labour: NDArray[np.float64]  # hours x rate
    alternative: NDArray[np.float64]
    alternatives: tuple[Alternative, ...]
    advantage: NDArray[np.float64]
    pool: tuple[int, ...]  # indices of the runs settled together: those with a positive expected advantage
    shared_fee: float  # expected fee of the pool's settlement that no single run causes


def value_runs(
    outcome: Outcome, kinds: Mapping[str, str], prices: Prices, catalogue: Catalogue, rng: np.random.Generator
) -> Economics:
    """Money of each run of an outcome.

    Parameters: outcome, recovered_g (draw, run, metal) in g, one run per fraction; kinds, kind id by address.
    Raises InputError where the prices lack a route that a run takes. Equation: model section 6.
    """
    raise NotImplementedError
