"""Which runs to choose when hours or cash are short: an exact optimum, and what a little more of them would bring.

maximise sum_i v_i y_i - F z   subject to   sum_i u_ki y_i <= L_k for every limit k,  y_i <= z,  y and z 0 or 1
v: expected gain of a run over its best alternative, F: what the settlement costs however many share it, u: use.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from gradeest.decision.needs import whole
from gradeest.errors import PlanInfeasible

Array = NDArray[np.float64]
SLACK = 1e-9  # of a limit, against rounding
LEAST_GAIN = 1e-4  # of the largest value: the solver keeps to its bounds only so far
WORTH_MORE = 0.01  # a better plan is one that gains at least this share more


@dataclass(frozen=True)
class Limit:
    """So much of something there is: `most` in `unit`; `uses` (run,) is what each run is expected to take of it.

    `step`: what is told of it is rounded up to whole steps, as packs are bought (0: not at all).
    """

    name: str
    unit: str
    most: float
    uses: Array
    step: float = 0.0


@dataclass(frozen=True)
class More:
    """The least that a limit would have to grow by for a better plan, and what that plan gains more."""

    limit: str
    unit: str
    extra: float
    gain: float
    per_unit: float


def choose_runs(values: Array, limits: Sequence[Limit], fee: float = 0.0, must: Sequence[int] = ()) -> tuple[int, ...]:
    """Indices of the runs that together gain the most within the limits.

    Parameters: values (run,), expected gain in currency; fee, taken off once where any run is chosen; must, runs that
    are in every plan. Raises PlanInfeasible where these alone break a limit: which, and by how much.
    """
    if not len(values):
        return ()
    _refuse_infeasible(limits, must)
    found = _solve(values, limits, fee, must)
    assert found is not None  # what must be in it fits, and nothing else is asked
    return tuple(int(i) for i in np.flatnonzero(found[: len(values)] > 0.5))


def next_step(
    values: Array, limits: Sequence[Limit], at: int, fee: float = 0.0, must: Sequence[int] = ()
) -> More | None:
    """What the least useful growth of limit number `at` brings; None where no growth of it alone brings anything."""
    if not len(values):
        return None
    now = plan_value(values, choose_runs(values, limits, fee, must), fee)
    limit = limits[at]
    better = now + max(WORTH_MORE * abs(now), LEAST_GAIN * float(np.abs(values).max(initial=0.0)))
    found = _solve(values, limits, fee, must, grow=at, least=better)
    if found is None:
        return None
    extra = whole(float(found[-1]), limit.step)
    grown = [*limits[:at], replace(limit, most=limit.most + extra), *limits[at + 1 :]]
    gain = plan_value(values, choose_runs(values, grown, fee, must), fee) - now
    if extra <= 0 or gain <= 0:
        return None  # within the solver's own tolerance
    return More(limit.name, limit.unit, extra, gain, gain / extra)


def plan_value(values: Array, chosen: Sequence[int], fee: float = 0.0) -> float:
    """Expected gain of a set of runs in currency, the fee they share taken off once."""
    return float(values[list(chosen)].sum() - fee) if chosen else 0.0


def order_runs(chosen: Sequence[int], ratios: Mapping[int, float]) -> tuple[int, ...]:
    """The order that brings the gain soonest: the best gain per hour first (Smith's ratio rule)."""
    return tuple(sorted(chosen, key=lambda i: (-ratios[i], i)))


def _refuse_infeasible(limits: Sequence[Limit], must: Sequence[int]) -> None:
    broken = []
    for limit in limits:
        needed = float(limit.uses[list(must)].sum())
        if needed > limit.most * (1 + SLACK):
            needed = whole(needed, limit.step)
            over = needed - limit.most
            broken.append(f"{limit.name}: {needed:.3g} {limit.unit} needed, {over:.3g} more than {limit.most:.3g}")
    if broken:
        hint = "raise the limit, or take a --must away"
        raise PlanInfeasible(f"no plan can hold what it must within the limits: {'; '.join(broken)}", hint)


def _solve(
    values: Array,
    limits: Sequence[Limit],
    fee: float,
    must: Sequence[int],
    *,
    grow: int | None = None,
    least: float | None = None,
) -> Array | None:
    """Solution vector (runs, fee paid, growth). Growing: the least growth of a limit that reaches the value `least`."""
    from scipy.optimize import Bounds, LinearConstraint, milp

    n = len(values)
    worth = np.concatenate([values, [-max(fee, 0.0), 0.0]])
    rows, most = [], []
    for k, limit in enumerate(limits):
        rows.append(np.concatenate([limit.uses, [0.0, -1.0 if k == grow else 0.0]]))
        most.append(limit.most * (1 + SLACK))
    for i in range(n):
        rows.append(np.eye(n + 2)[i] - np.eye(n + 2)[n])
        most.append(0.0)
    if least is not None:
        rows.append(-worth)
        most.append(-least)
    low = np.zeros(n + 2)
    low[list(must)] = 1
    high = np.ones(n + 2)
    high[-1] = np.inf if grow is not None else 0.0
    goal = np.eye(n + 2)[-1] if grow is not None else -worth
    kinds = np.concatenate([np.ones(n + 1), [0]])
    found = milp(
        goal,
        integrality=kinds,
        bounds=Bounds(low, high),
        constraints=LinearConstraint(np.array(rows), ub=np.array(most)),
        options={"mip_rel_gap": 0.0},
    )
    return None if found.x is None else np.asarray(found.x, dtype=float)
