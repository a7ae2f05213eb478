"""Which fraction first: expected gain per hands-on hour, with its Monte Carlo error, bad case and tail guard."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from gradeest.belief.outcome import Outcome
from gradeest.decision.economics import Alternative
from gradeest.decision.prices import Prices
from gradeest.decision.summary import Interval
from gradeest.materials.catalogue import Catalogue

Verdict = Literal["process", "sample first", "sell", "keep", "blocked"]


@dataclass(frozen=True)
class Blocked:
    """A fraction that must not be ranked: a STOP kind, or a route whose declarations are missing."""

    address: str
    kind: str
    mass_kg: float
    route: str  # "" where the kind has none
    reason: str  # one line, naming the authority


@dataclass(frozen=True)
class RankedRun:
    """One fraction in the ranking. Money in the user's currency; None where blocked."""

    address: str
    kind: str
    route: str
    mass_kg: float
    verdict: Verdict
    rank: int | None  # shared by rows that cannot be told apart; None below the line and where blocked
    why: str
    alternative: Alternative  # the better of selling as it is and keeping
    alternative_value: Interval
    gain: Interval | None = None  # expected gain = gain.mean, bad case = gain.q5
    gain_mcse: float | None = None
    hours: Interval | None = None
    gain_per_hour: float | None = None  # E[gain] / E[hours]
    gain_per_hour_mcse: float | None = None
    placed_by: float | None = None  # the value it is ranked by: gain_per_hour, or the guarded one
    placed_by_mcse: float | None = None
    gain_per_kg: float | None = None
    chance_of_gain: float | None = None
    chance_best: float | None = None  # chance that its gain per expected hour is the largest, and positive
    worst_mean: float | None = None  # mean of the worst 5 %
    tail_share: float | None = None  # share of the expected gain that the best 5 % of draws carry; None: not looked at
    rests_on_tail: bool = False
    revenue: Interval | None = None
    cost: Interval | None = None  # money, without hours
    metal_value_share: Mapping[str, float] | None = None  # of the expected metal value, by metal


@dataclass(frozen=True)
class Ranking:
    """All fractions: the ranked ones in order, then those below the line, then the blocked ones."""

    rows: tuple[RankedRun, ...]
    currency: str
    draws: int
    shared_fee: float  # expected settlement fee that no single fraction causes
    total_gain: Interval  # of all ranked fractions together, the shared fee taken off
    notes: tuple[str, ...]


def rank_runs(
    outcome: Outcome,
    kinds: Mapping[str, str],
    prices: Prices,
    catalogue: Catalogue,
    rng: np.random.Generator,
    *,
    blocked: Sequence[Blocked] = (),
    origin: NDArray[np.int_] | None = None,
) -> Ranking:
    """Rank the runs of an outcome by expected gain per hands-on hour.

    Parameters: outcome, one run per fraction (blocked ones left out); kinds, kind id by address; origin, shape (draw,),
    the posterior draw behind each forward draw (for the Monte Carlo error; None: independent).
    """
    raise NotImplementedError
