"""Grades before and after a result, and whether they moved by more than the draws alone would move them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from gradeest.belief.outcome import Outcome, Run
from gradeest.decision.summary import quantiles
from gradeest.records.domain import METALS, Bench
from gradeest.workflow.believing import State, run_forward
from gradeest.workflow.opening import Opened

if TYPE_CHECKING:
    from gradeest.belief.posterior import Posterior

Points = tuple[float, float, float]  # 5, 50 and 95 %

LEVELS = (0.05, 0.5, 0.95)
MOVED = 0.1  # what moved or narrowed by less than a tenth is not worth a line
CLEAR = 3.0  # Monte Carlo errors: what moved by less may be the draws alone
LEAST_GRADE = 1e-3  # g/t: below this grades are compared no further


@dataclass(frozen=True)
class GradeChange:
    """Grade of one fraction and metal before and after, in g/t of dry feed (5/50/95 %).

    `touched`: it was in what the result came from; `moved`: it moved or narrowed by more than the draws' own error.
    """

    address: str
    kind: str
    metal: str
    touched: bool
    moved: bool
    contained_before: Points
    contained_after: Points
    recoverable_before: Points | None  # None where the usual route recovers none of the metal
    recoverable_after: Points | None
    p_trace_before: float
    p_trace_after: float
    rests_on: str


@dataclass(frozen=True)
class Spread:
    """Where the logarithm of a grade lies, and how far the draws alone may have shifted each point."""

    points: tuple[float, float, float]
    errors: tuple[float, float, float]


def points(draws: Any) -> Points:
    """The 5, 50 and 95 % points."""
    q5, q50, q95 = quantiles(draws, LEVELS)
    return float(q5), float(q50), float(q95)


def contained(posterior: Posterior, address: str, metal: str) -> Any:
    """Draws of the contained grade, g/t."""
    return posterior.grade_g_per_t[:, posterior.fractions.index(address), posterior.metals.index(metal)]


def recoverable(posterior: Posterior, outcome: Outcome, run: int, metal: str) -> Any:
    """Draws of the recoverable grade, g/t: weighed per kg processed, else what a run of all of it will give."""
    address, m = outcome.runs[run].address, METALS.index(metal)
    weighed = posterior.recoverable_g_per_t[:, posterior.fractions.index(address), m]
    if not np.isnan(weighed).any():
        return weighed
    return 1000 / outcome.runs[run].mass_kg * outcome.recovered_g[:, run, m]


def trace_chance(posterior: Posterior, address: str, metal: str) -> float:
    """Chance that the metal is there only as traces."""
    return float(posterior.is_trace[:, posterior.fractions.index(address), posterior.metals.index(metal)].mean())


def whole_runs(opened: Opened, bench: Bench) -> list[Run]:
    """Each fraction as a whole by its kind's usual route (that of its batch where it was processed)."""
    runs = []
    for address in bench.addresses():
        fraction = bench.fraction(address)
        routes = [b.route for b in bench.batches.values() if any(c.address == address for c in b.charges)]
        route = routes[-1] if routes else opened.catalogue.kinds[fraction.kind].usual_route
        if route:
            runs.append(Run(address, fraction.mass_kg, route))
    return runs


def compare(
    opened: Opened, before: State, after: State, old: Posterior, new: Posterior, touched: set[str]
) -> tuple[GradeChange, ...]:
    """Contained and recoverable grades before and after: the fractions of the result first, then the others."""
    runs = [run for run in whole_runs(opened, after.bench) if run.address in set(before.bench.addresses())]
    was, now = (run_forward(opened, posterior, runs, draws=posterior.draws) for posterior in (old, new))
    changes = []
    for i, run in enumerate(runs):
        recovers = opened.catalogue.routes[run.route].recovery
        for metal in METALS:
            before_g, after_g = (contained(posterior, run.address, metal) for posterior in (old, new))
            chances = [trace_chance(posterior, run.address, metal) for posterior in (old, new)]
            pair = ((old, was), (new, now)) if metal in recovers else ()
            brought = [points(recoverable(posterior, outcome, i, metal)) for posterior, outcome in pair]
            changes.append(
                GradeChange(
                    run.address,
                    after.bench.fraction(run.address).kind,
                    metal,
                    run.address in touched,
                    has_moved(spread_of(before_g, old), spread_of(after_g, new), chances, independent(old, new)),
                    points(before_g),
                    points(after_g),
                    brought[0] if brought else None,
                    brought[1] if brought else None,
                    chances[0],
                    chances[1],
                    new.rests_on.get((run.address, metal), "prior only"),
                )
            )
    return tuple(sorted(changes, key=lambda change: not change.touched))


def independent(old: Posterior, new: Posterior) -> float:
    """How many independent draws the smaller of two beliefs is worth."""
    return min(old.diagnostics.ess_min, new.diagnostics.ess_min, old.draws, new.draws)


def spread_of(grades: Any, posterior: Posterior) -> Spread:
    """Points of ln grade with the Monte Carlo error of each.

    The error of a quantile q_p is sqrt(p (1 - p) / n) / density, the density from neighbouring quantiles (Serfling,
    Approximation Theorems of Mathematical Statistics, 1980, from memory); n is the effective number of draws.
    """
    ln_grade = np.log(np.maximum(grades, LEAST_GRADE))
    count = min(posterior.diagnostics.ess_min, posterior.draws)
    level = np.array(LEVELS)
    step = 0.5 * np.minimum(level, 1 - level)
    low, mid, high = quantiles(ln_grade, np.concatenate([level - step, level, level + step])).reshape(3, -1)
    errors = np.sqrt(level * (1 - level) / count) * (high - low) / (2 * step)
    return Spread(tuple(mid.tolist()), tuple(errors.tolist()))


def has_moved(was: Spread, now: Spread, trace: list[float], count: float) -> bool:
    """Whether a grade moved, or narrowed, by more than a tenth and more than the draws alone explain.

    Parameters: trace, chance that next to none is there, before and after; count, independent draws behind it.
    """
    noise = CLEAR * math.sqrt(sum(p * (1 - p) for p in trace) / count)
    if abs(trace[1] - trace[0]) > max(MOVED, noise):
        return True
    if trace[1] > 0.5:
        return False  # where it is hardly there its middle says nothing
    shift = abs(now.points[1] - was.points[1])
    if shift > max(MOVED, CLEAR * math.hypot(was.errors[1], now.errors[1])):
        return True
    width = was.points[2] - was.points[0]
    narrowed = width - (now.points[2] - now.points[0])
    errors = (was.errors[0], was.errors[2], now.errors[0], now.errors[2])
    return narrowed > max(MOVED * width, CLEAR * math.hypot(*errors))
