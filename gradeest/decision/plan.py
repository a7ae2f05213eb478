"""Which runs to choose when hours, cash or days are short: an exact optimum, and what a little more would bring.

maximise sum_i v_i y_i - F z   subject to   sum_i u_ki y_i <= L_k for every limit k,  y_i <= z,  y and z 0 or 1
v: expected gain of a run over its best alternative, F: what the settlement costs however many share it, u: use.
A trial is chosen like a run, by what its result is worth after its cost; of its sizes one at most, and its fees are in
that cost. A limit of several places (runs that wait side by side) holds for the sum at each: x_ip = 1 where run i is at
place p, sum_p x_ip = y_i.
An assay is chosen so too: it takes hours and money, and a laboratory's days beside the runs. What it is of may be a run
that waits for it: at each place the days w until a result and the runs r that wait for one, one after the other, fit
too, w + sum_r u_r <= L. Whatever else is there goes before.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from gradeest.decision.needs import whole
from gradeest.errors import PlanInfeasible

Array = NDArray[np.float64]
SLACK = 1e-9  # of a limit, against rounding
LEAST_GAIN = 1e-4  # of the largest value: the solver keeps to its bounds only so far
BESIDE = 3  # unknowns beside the runs: is the fee paid, growth of a limit, is anything assayed
WORTH_MORE = 0.01  # a better plan is one that gains at least this share more


@dataclass(frozen=True)
class Limit:
    """So much of something there is: `most` in `unit`; `uses` (run,) is what each run is expected to take of it.

    `step`: what is told of it is rounded up to whole steps, as packs are bought (0: not at all). `places`: so many runs
    may take it side by side, and there is `most` of it at each. `wait`: what of it is over before an assay's result is
    there, whatever else goes on.
    """

    name: str
    unit: str
    most: float
    uses: Array
    step: float = 0.0
    places: int = 1
    wait: float = 0.0


@dataclass(frozen=True)
class More:
    """The least that a limit would have to grow by for a better plan, and what that plan gains more."""

    limit: str
    unit: str
    extra: float
    gain: float
    per_unit: float


@dataclass(frozen=True)
class Question:
    """What is asked: values (run,), expected gain in currency, within limits.

    fee: taken off once where any run is chosen that is not `apart`; must: runs in every plan; one_of: groups of which
    one run at most is chosen; assays: those among the runs, each with the run that is chosen too and waits for its
    result, or None.
    """

    values: Array
    limits: Sequence[Limit]
    fee: float = 0.0
    must: Sequence[int] = ()
    apart: frozenset[int] = frozenset()
    one_of: Sequence[Sequence[int]] = ()
    assays: Mapping[int, int | None] = field(default_factory=dict)

    def worth(self, chosen: Sequence[int]) -> float:
        """Expected gain of a set of runs in currency, the fee they share taken off once."""
        shared = self.fee if set(chosen) - self.apart else 0.0
        return float(self.values[list(chosen)].sum() - shared)


def choose_runs(asked: Question) -> tuple[int, ...]:
    """Indices of the runs that together gain the most within the limits.

    Raises PlanInfeasible where what must be in it alone breaks a limit: which, and by how much.
    """
    if not len(asked.values):
        return ()
    _refuse_infeasible(asked)
    found = _solve(asked)
    assert found is not None  # what must be in it fits, and nothing else is asked
    return tuple(int(i) for i in np.flatnonzero(found[: len(asked.values)] > 0.5))


def next_step(asked: Question, at: int, chosen: Sequence[int] | None = None) -> More | None:
    """What the least useful growth of limit number `at` brings; None where no growth of it alone brings anything.

    `chosen`: the runs of the plan as it is, where they are known already.
    """
    if not len(asked.values):
        return None
    values, limit = asked.values, asked.limits[at]
    now = asked.worth(choose_runs(asked) if chosen is None else chosen)
    better = now + max(WORTH_MORE * abs(now), LEAST_GAIN * float(np.abs(values).max(initial=0.0)))
    found = _solve(asked, grow=at, least=better)
    if found is None:
        return None
    extra = whole(float(found[len(values) + 1]), limit.step)
    grown = [*asked.limits[:at], replace(limit, most=limit.most + extra), *asked.limits[at + 1 :]]
    gain = asked.worth(choose_runs(replace(asked, limits=grown))) - now
    if extra <= 0 or gain <= 0:
        return None  # within the solver's own tolerance
    return More(limit.name, limit.unit, extra, gain, gain / extra)


def order_runs(chosen: Sequence[int], ratios: Mapping[int, float]) -> tuple[int, ...]:
    """What brings the gain soonest: the best gain per hour first (Smith's ratio rule), equal ones as given."""
    return tuple(sorted(chosen, key=lambda i: -ratios[i]))


def spread_out(limit: Limit, assays: Mapping[int, int | None] | None = None) -> NDArray[np.int_]:
    """The place of each run, (run,), such that the place that takes longest takes as little as can be."""
    uses, places = limit.uses, limit.places
    if places == 1 or len(uses) < 2:
        return np.zeros(len(uses), dtype=np.int_)
    if len(uses) <= places:
        return np.arange(len(uses))
    asked = Question(np.zeros(len(uses)), [replace(limit, most=0.0)], must=range(len(uses)), assays=assays or {})
    found = _solve(asked, grow=0)
    assert found is not None  # the place grows as far as it must
    at = found[len(uses) + BESIDE :].round().reshape(len(uses), places)
    return np.asarray(at.argmax(axis=1))


def longest(
    uses: Array, at: NDArray[np.int_], assays: Mapping[int, int | None] | None = None, wait: Array | float = 0.0
) -> Array:
    """What the place that takes longest takes, (draw,).

    Parameters: uses (draw, run); at (run,) the place of each; assays, those among them with the runs that wait; wait,
    (draw,), until their results.
    """
    found = np.zeros(len(uses))
    for place in np.unique(at):
        found = np.maximum(found, uses[:, at == place].sum(axis=1))
        late = [run for run in (assays or {}).values() if run is not None and at[run] == place]
        if assays:
            found = np.maximum(found, wait + uses[:, late].sum(axis=1))
    return found


def _refuse_infeasible(asked: Question) -> None:
    broken = []
    for limit in asked.limits:
        uses = limit.uses[list(asked.must)]
        needed = float(longest(uses[None, :], spread_out(replace(limit, uses=uses)))[0])
        if needed > limit.most * (1 + SLACK):
            needed = whole(needed, limit.step)
            over = needed - limit.most
            broken.append(f"{limit.name}: {needed:.3g} {limit.unit} needed, {over:.3g} more than {limit.most:.3g}")
    if broken:
        hint = "raise the limit, or take a --must away"
        raise PlanInfeasible(f"no plan can hold what it must within the limits: {'; '.join(broken)}", hint)


def _solve(asked: Question, *, grow: int | None = None, least: float | None = None) -> Array | None:
    """Solution vector (runs, fee paid, growth, any assay, run at place ...).

    Growing: the least growth of a limit, at each of its places, that reaches the value `least` (None: any).
    """
    from scipy.optimize import Bounds, LinearConstraint, milp

    n = len(asked.values)
    wide = n + BESIDE + sum(n * limit.places for limit in asked.limits if limit.places > 1)
    unit = np.eye(wide)
    worth = np.zeros(wide)
    worth[: n + 1] = *asked.values, -max(asked.fee, 0.0)
    rows = [(unit[i] - unit[n], 0.0) for i in range(n) if i not in asked.apart]
    rows += [(unit[list(group)].sum(axis=0), 1.0) for group in asked.one_of]
    rows += [(unit[assay] - unit[n + 2], 0.0) for assay in asked.assays]
    rows += [(unit[assay] - unit[run], 0.0) for assay, run in asked.assays.items() if run is not None]
    start = n + BESIDE
    for k, limit in enumerate(asked.limits):
        growth = unit[n + 1] if k == grow else np.zeros(wide)
        if limit.places == 1:
            rows += _keep_within(limit, asked.assays, np.arange(n), growth, unit[n + 2])
            continue
        at = np.arange(start, start + n * limit.places).reshape(n, limit.places)
        start += at.size
        # The first run is at the first place, the second at one of two: no loss.
        rows += [(unit[i] - unit[at[i, : i + 1]].sum(axis=0), 0.0) for i in range(n)]
        for place in at.T:
            late = [(unit[place[a]] - unit[place[run]], 0.0) for a, run in asked.assays.items() if run is not None]
            rows += [*late, *_keep_within(limit, asked.assays, place, growth, unit[n + 2])]
    if least is not None:
        rows.append((-worth, -least))
    low, high = np.zeros(wide), np.ones(wide)
    low[list(asked.must)] = 1
    high[n + 1] = np.inf if grow is not None else 0.0
    whole_numbers = np.ones(wide)
    whole_numbers[n + 1] = 0
    found = milp(
        unit[n + 1] if grow is not None else -worth,
        integrality=whole_numbers,
        bounds=Bounds(low, high),
        constraints=LinearConstraint(np.array([r for r, _ in rows]), ub=[m for _, m in rows]) if rows else None,
        options={"mip_rel_gap": 0.0},
    )
    return None if found.x is None else np.asarray(found.x, dtype=float)


def _keep_within(
    limit: Limit, assays: Mapping[int, int | None], place: NDArray[np.int_], growth: Array, any_assay: Array
) -> list[tuple[Array, float]]:
    """Rows that hold a limit at one place, where column `place[i]` says that run i is there."""
    most = limit.most * (1 + SLACK)
    row = -growth
    row[place] = limit.uses
    if not (limit.wait and assays):
        return [(row, most)]
    late = limit.wait * any_assay - growth
    for assay, run in assays.items():
        late[place[assay]] = 0.0 if run is None else limit.uses[run]
    return [(row, most), (late, most)]
