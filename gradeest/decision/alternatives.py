"""What may be done with one fraction, side by side: process, test first, sell as it is, save up, keep."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gradeest.belief.outcome import Outcome, Run
from gradeest.decision.economics import value_runs
from gradeest.decision.prices import Basis
from gradeest.decision.saving import ENOUGH
from gradeest.decision.summary import Interval, mcse

Array = NDArray[np.float64]
CLEAR = 2.0  # Monte Carlo errors: what differs by less is not told apart


@dataclass(frozen=True)
class Use:
    """One use of a fraction. `worth`: money it is expected to bring, paid hours taken off, in the user's currency;
    None where it cannot be said or must not be done, which `remark` explains. `spread`: its 5/50/95 % points.
    `is_partial`: part of its cost is not known, so it is never called the best.
    """

    name: str
    worth: float | None
    mcse: float | None
    spread: Interval | None
    hours: float | None
    remark: str
    is_partial: bool = False
    is_best: bool = False


def use_of(name: str, worth: Array, hours: float, remark: str, origin: NDArray[np.int_] | None = None) -> Use:
    """A use from draws of its worth, shape (draw,)."""
    return Use(name, float(worth.mean()), mcse(worth, origin), Interval.of(worth), hours, remark)


def mark_best(uses: Sequence[Use]) -> tuple[Use, ...]:
    """The uses from the best down, those without a worth last; the best whose cost is known is marked.

    Of those that cannot be told from it (2 Monte Carlo errors of both) the one of fewest hours is marked; a test, whose
    hours are not counted, only where it is clearly better.
    """
    known = sorted((use for use in uses if use.worth is not None), key=lambda use: -(use.worth or 0.0))
    rest = [use for use in uses if use.worth is None]
    top = next((use for use in known if not use.is_partial), None)
    if top is None:
        return (*known, *rest)
    near = [
        use
        for use in known
        if not use.is_partial and _gap(top, use) <= CLEAR * float(np.hypot(top.mcse or 0.0, use.mcse or 0.0))
    ]
    best = min(near, key=lambda use: np.inf if use.hours is None else use.hours)
    return (*(dataclasses.replace(use, is_best=use is best) for use in known), *rest)


def _gap(top: Use, use: Use) -> float:
    return (top.worth or 0.0) - (use.worth or 0.0)


@dataclass(frozen=True)
class Later:
    """One batch of the fraction with so many months' material, and one of these alone: what each gives.

    A pair of fine metal and of weight on the balance, g, (draw, metal) each.
    """

    metals: tuple[str, ...]
    months: int
    mass_kg: float  # of the months' material
    together: tuple[Array, Array]
    alone: tuple[Array, Array]


def save_up_with(
    run: Run,
    kind: str,
    alternative: Array,
    choices: Sequence[Later],
    basis: Basis,
    origin: NDArray[np.int_] | None = None,
    volatility: float | None = None,
) -> Use:
    """The fraction kept for a batch with later material of its kind: the fewest months that bring most of the worth.

    What it is worth then is what the joint batch brings more than the later material would without it, each settled
    alone: the later material is processed by itself only where that is expected to gain.
    volatility: standard deviation of the yearly change of the metal price as a share. What is paid by its metal then
    moves with exp(s z - s^2 / 2), s = volatility sqrt(months / 12): as likely to earn as to lose, so it widens the
    spread and moves no expectation.
    """
    found = []
    z = basis.named.normals("price")
    for later in choices:
        joint, rest = (dataclasses.replace(run, mass_kg=kg) for kg in (run.mass_kg + later.mass_kg, later.mass_kg))
        with_it = _value_alone(joint, kind, later.metals, later.together, basis)
        without = _value_alone(rest, kind, later.metals, later.alone, basis)
        is_run = float((without.by_price - without.spent).mean()) > 0
        sd = (volatility or 0.0) * math.sqrt(later.months / 12)
        by_price = alternative + with_it.by_price - (without.by_price if is_run else 0.0)
        moved = by_price * (np.exp(sd * z - sd**2 / 2) if sd else 1.0)
        spent = with_it.spent - (without.spent if is_run else 0.0)
        taken = with_it.hours - (without.hours if is_run else 0.0)
        found.append((later, moved - spent, float((by_price - spent).mean()), float(taken.mean()), sd))
    most = max(mean for _, _, mean, _, _ in found)
    later, worth, _, hours, sd = next(one for one in found if one[2] >= (ENOUGH * most if most > 0 else most))
    months = "month" if later.months == 1 else "months"
    moves = f"the price may move by {100 * sd:.2g} % meanwhile" if volatility else "the price may move meanwhile"
    return use_of(
        "save up", worth, hours, f"a batch with what comes in within {later.months} {months}; {moves}", origin
    )


@dataclass(frozen=True)
class _Batch:
    """One batch settled alone, (draw,) each: `by_price`, revenue over the alternative given up; `spent`, what it costs
    with paid hours; `hours`.
    """

    by_price: Array
    spent: Array
    hours: Array


def _value_alone(
    run: Run,
    kind: str,
    metals: tuple[str, ...],
    given: tuple[Array, Array],
    basis: Basis,
) -> _Batch:
    """The money of one batch of a kind.

    What was in it, which its reagents are counted by, is taken as the fine metal over the route's usual recovery.
    """
    row = basis.catalogue.routes.get(run.route)
    usual = np.array([row.recovery[m].q50 if row and m in row.recovery else 1.0 for m in metals])
    fine, weight = (grams[:, None, :] for grams in given)
    nothing = np.zeros(fine.shape, dtype=bool)
    outcome = Outcome((run,), metals, fine / usual, fine, weight, nothing, ({},))
    money = value_runs(outcome, {run.address: kind}, basis)
    by_price = money.revenue[:, 0] - money.alternative[:, 0]
    return _Batch(by_price, money.cost[:, 0] + money.labour[:, 0], money.hours[:, 0])
