"""Net return of processing, draw by draw, and what it is compared with: selling as it is, or keeping."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from gradeest.belief.outcome import Outcome
from gradeest.decision.costs import Costing, bill_runs
from gradeest.decision.hours import draw_hours
from gradeest.decision.prices import NamedDraws, Prices
from gradeest.errors import InputError, Issue
from gradeest.materials.catalogue import Catalogue, GradeRow, Kind

Array = NDArray[np.float64]
Alternative = Literal["sell", "keep"]
POOL_ROUNDS = 10  # rounds of "who would be settled together"; two or three are usual


@dataclass(frozen=True)
class Economics:
    """Money of each run in the user's currency; arrays have shape (draw, run) unless said.

    advantage = revenue - cost - labour - alternative. Revenue is what the run adds to a settlement of all runs in
    `pool`. `alternatives` names the better of selling and keeping, chosen by expectation before the draw.
    """

    revenue: Array
    cost: Array  # money, without hours
    hours: Array  # hands-on hours
    labour: Array  # hours x rate
    alternative: Array
    alternatives: tuple[Alternative, ...]
    advantage: Array
    pool: tuple[int, ...]  # indices of the runs settled together: those whose expected advantage is positive
    pool_advantage: Array  # (draw,) of the pool as a whole, its settlement counted once
    shared_fee: float  # expected terms of the pool's settlement that no single run causes
    unpriced: tuple[str, ...]  # items whose money is left out because nobody gave a price


@dataclass(frozen=True)
class Settlement:
    """One refiner's terms with their draws: what a pool of fine metal brings.

    value(T) = sum_m price_m payable_m max(T_m - deduction_m, 0) - max(least fee, sum_m charge_m T_m);  0 without a pool
    """

    paid_per_g: Array  # (draw, metal): price x payable share
    deduction_g: Array  # (metal,)
    charge_per_g: Array  # (metal,)
    least_fee: Array  # (draw,)

    def value(self, fine_g: Array) -> Array:
        """What `fine_g` (draw, metal) of fine metal settled together brings, shape (draw,), in currency."""
        paid = np.maximum(fine_g - self.deduction_g, 0.0) * self.paid_per_g
        return paid.sum(axis=1) - np.maximum(self.least_fee, fine_g @ self.charge_per_g)


def value_runs(
    outcome: Outcome, kinds: Mapping[str, str], prices: Prices, catalogue: Catalogue, named: NamedDraws
) -> Economics:
    """Money of each run of an outcome.

    Parameters: outcome, recovered_g (draw, run, metal) in g, one run per fraction; kinds, kind id by address; named,
    draws of the price rows, as many as the outcome's. Hours, costs, terms and a buyer's share are drawn once per row
    and draw: runs of one route share them.
    Raises InputError where the prices lack a route that a run takes. Equation: model section 6.
    """
    check_runs(outcome, prices)
    settlement = draw_settlement(outcome.metals, prices, named)
    bills = [(bill.money, bill.unpriced) for bill in bill_runs(outcome, kinds, Costing.of(prices, catalogue, named))]
    cost = _stack([money for money, _ in bills], named.draws)
    hours = _stack([_hours(run.route, run.mass_kg, prices, catalogue, named) for run in outcome.runs], named.draws)
    labour = hours * prices.hours_rate
    chosen = [
        value_unprocessed(catalogue.kinds[kinds[run.address]], run.mass_kg, prices, catalogue, named)
        for run in outcome.runs
    ]
    alternative = _stack([values for _, values in chosen], named.draws)
    spent = cost + labour + alternative
    pool, revenue = _settle_together(outcome.recovered_g, settlement, spent)
    together = _value_of_pool(outcome.recovered_g, settlement, pool)
    members = list(pool)
    return Economics(
        revenue,
        cost,
        hours,
        labour,
        alternative,
        tuple(name for name, _ in chosen),
        revenue - spent,
        pool,
        together - spent[:, members].sum(axis=1),
        float((revenue[:, members].sum(axis=1) - together).mean()),
        tuple(dict.fromkeys(name for _, unpriced in bills for name in unpriced)),
    )


def check_runs(outcome: Outcome, prices: Prices) -> None:
    """Raise InputError for routes without costs and metals without a price; ValueError for a fraction given twice."""
    addresses = [run.address for run in outcome.runs]
    if len(set(addresses)) < len(addresses):
        raise ValueError("an outcome to be valued has one run per fraction")
    issues = [
        Issue("error", "no costs and hours for this route", f"write a table [routes.{route}]", field=f"routes.{route}")
        for route in dict.fromkeys(run.route for run in outcome.runs)
        if route not in prices.routes
    ]
    issues += [
        Issue("error", "no price for this metal", 'write it like "100 / g"', field=f"metals.{metal}")
        for metal in outcome.metals
        if metal not in prices.metal_per_g
    ]
    if issues:
        raise InputError("the prices do not cover what is to be ranked", issues=issues)


def draw_settlement(metals: tuple[str, ...], prices: Prices, named: NamedDraws) -> Settlement:
    """The terms of one settlement with their draws; axis order (draw, metal)."""
    paid = [prices.metal_per_g[m] * named.share(f"payable:{m}", prices.payable[m]) for m in metals]
    return Settlement(
        np.stack(paid, axis=1),
        np.array([prices.deduction_g.get(m, 0.0) for m in metals]),
        np.array([prices.fee_per_g.get(m, 0.0) for m in metals]),
        named.amount("settlement-fee", prices.settlement_fee),
    )


def choose_alternative(values: Mapping[Alternative, Array]) -> tuple[Alternative, Array]:
    """The alternative with the largest expectation, chosen before the draw; `values` (draw,) in currency.

    Taking the better one draw by draw would credit the alternative with knowledge nobody has.
    """
    name = max(values, key=lambda key: (values[key].mean(), key == "keep"))
    return name, values[name]


def value_unprocessed(
    kind: Kind, mass_kg: float, prices: Prices, catalogue: Catalogue, named: NamedDraws
) -> tuple[Alternative, Array]:
    """The better of selling `mass_kg` of a kind as it is and keeping it (worth 0), with its draws (draw,)."""
    as_is = mass_kg * draw_as_is_per_kg(kind, prices, catalogue, named)
    return choose_alternative({"sell": as_is, "keep": np.zeros(named.draws)})


def draw_as_is_per_kg(kind: Kind, prices: Prices, catalogue: Catalogue, named: NamedDraws) -> Array:
    """What a scrap buyer pays per kg of a kind as it is, shape (draw,), in currency per kg.

    The price the user typed for the kind; else the kind's (or its class's) share of the metal value of an ordinary lot.
    A buyer pays by category and does not know this bench's own weights, so the belief does not enter. 0 without a row.
    """
    if kind.id in prices.as_is_per_kg:
        return named.amount(f"as-is-per-kg:{kind.id}", prices.as_is_per_kg[kind.id])
    row = next((name for name in (kind.id, kind.cls) if name in prices.as_is_share), None)
    if row is None:
        return np.zeros(named.draws)
    usual = usual_metal_value_per_kg(kind, prices, catalogue)
    return usual * named.share(f"as-is:{row}", prices.as_is_share[row])


def usual_metal_value_per_kg(kind: Kind, prices: Prices, catalogue: Catalogue) -> float:
    """Recoverable metal value of an ordinary lot of a kind, in currency per kg, from the catalogue alone.

    sum_m price_m x (1 - p_absent) x mean grade over lots x the usual route's median recovery (all metal where the kind
    has no usual route); metals that are unlikely in the kind do not count, no buyer pays for them.
    """
    route = catalogue.routes.get(kind.usual_route)
    total = 0.0
    for metal, row in kind.grades.items():
        if row.basis == "unlikely":
            continue
        recovery = 1.0 if route is None else route.recovery[metal].q50 if metal in route.recovery else 0.0
        total += prices.metal_per_g.get(metal, 0.0) * recovery * mean_grade_over_lots(row) / 1000
    return total


def mean_grade_over_lots(row: GradeRow) -> float:
    """Mean grade of ordinary lots, g/t: (1 - p_absent) q50 exp(ln^2(gsd between lots) / 2), at most the row's limit."""
    mean = row.q50 * math.exp(math.log(row.gsd_between) ** 2 / 2)
    return (1 - row.p_absent) * min(mean, row.max_g_per_t)


def _hours(route: str, mass_kg: float, prices: Prices, catalogue: Catalogue, named: NamedDraws) -> Array:
    rows = prices.routes[route]
    return draw_hours(route, mass_kg, (rows.hours_fixed, rows.hours_per_kg), prices.hours_told, catalogue, named)


def _settle_together(fine_g: Array, settlement: Settlement, spent: Array) -> tuple[tuple[int, ...], Array]:
    """Who would be settled together, and what each run adds to that settlement, (draw, run).

    Starts with everybody; who does not gain leaves, until nobody moves. A fee is charged to a run only as far as the
    run causes it, so small products that travel with others do not each pay the least fee.
    """
    pool: tuple[int, ...] = tuple(range(spent.shape[1]))
    revenue = _added_revenue(fine_g, settlement, pool)
    for _ in range(POOL_ROUNDS):
        gain = (revenue - spent).mean(axis=0)
        gaining = tuple(int(i) for i in np.flatnonzero(gain > 0))
        if gaining == pool:
            break
        pool, revenue = gaining, _added_revenue(fine_g, settlement, gaining)
    return pool, revenue


def _added_revenue(fine_g: Array, settlement: Settlement, pool: tuple[int, ...]) -> Array:
    """Value of the pool with a run less its value without it, for every run, in the pool or not; (draw, run)."""
    total = fine_g[:, list(pool), :].sum(axis=1)
    together = _value_of_pool(fine_g, settlement, pool)
    added = []
    for run in range(fine_g.shape[1]):
        own = fine_g[:, run, :]
        if pool == (run,):
            added.append(together)
        elif run in pool:
            added.append(together - settlement.value(np.maximum(total - own, 0.0)))
        else:
            added.append(settlement.value(total + own) - together)
    return _stack(added, fine_g.shape[0])


def _value_of_pool(fine_g: Array, settlement: Settlement, pool: tuple[int, ...]) -> Array:
    return settlement.value(fine_g[:, list(pool), :].sum(axis=1)) if pool else np.zeros(fine_g.shape[0])


def _stack(columns: list[Array], draws: int) -> Array:
    return np.stack(columns).T if columns else np.zeros((draws, 0))  # draws of a run lie side by side
