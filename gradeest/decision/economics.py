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
from gradeest.decision.prices import Basis, Prices
from gradeest.decision.settlement import NOWHERE, Market, settle_as_is
from gradeest.errors import InputError, Issue
from gradeest.materials.catalogue import METALS, Catalogue, GradeRow, Kind

Array = NDArray[np.float64]
Alternative = Literal["sell", "keep"]


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
    pool: tuple[int, ...]  # indices of the runs that are settled: those whose expected advantage is positive
    pool_advantage: Array  # (draw,) of the pool as a whole, each buyer's settlement counted once
    shared_fee: float  # expected terms of the settlements that no single run causes
    unpriced: tuple[str, ...]  # items whose money is left out because nobody gave a price
    buyers: tuple[
        str, ...
    ]  # by run: the buyer its product goes or would go to ("" for the table [settlement], or none)
    buyer_of: tuple[int, ...]  # the same by their place among the prices' terms, `NOWHERE` for none
    sold_to: tuple[str, ...]  # by run: the buyer who settles it unprocessed, where that is the best alternative
    lacking: (
        float  # expected money by which runs that each would gain fall short of the fees they share; 0: they do not
    )


def value_runs(
    outcome: Outcome,
    kinds: Mapping[str, str],
    basis: Basis,
    *,
    before: Economics | None = None,
) -> Economics:
    """Money of each run of an outcome.

    Parameters: outcome, recovered_g (draw, run, metal) in g, one run per fraction; kinds, kind id by address; basis,
    with as many draws as the outcome. Hours, costs, terms and a buyer's share are drawn once per row
    and draw: runs of one route share them. `before`: money of the same runs at other metal prices, which cost the same.
    Raises InputError where the prices lack a route that a run takes. Equation: model section 6.
    """
    check_runs(outcome, basis.prices)
    spent = count_spent(outcome, kinds, basis, before)
    market = Market(outcome, kinds, basis)
    found = market.assign(spent.total)
    revenue, buyer_of, members = found.revenue, found.buyer_of, list(found.pool)
    together = market.settle(buyer_of, members)
    return Economics(
        revenue,
        spent.cost,
        spent.hours,
        spent.labour,
        spent.alternative,
        spent.alternatives,
        revenue - spent.total,
        tuple(members),
        together - spent.total[:, members].sum(axis=1),
        float((revenue[:, members].sum(axis=1) - together).mean()),
        spent.unpriced,
        tuple("" if buyer == NOWHERE else market.buyers[buyer].terms.name for buyer in buyer_of),
        buyer_of,
        spent.sold_to,
        found.lacking,
    )


@dataclass(frozen=True)
class Spent:
    """What runs cost, and what is given up for them; fields as of `Economics`, arrays (draw, run)."""

    cost: Array
    hours: Array
    labour: Array
    alternative: Array
    alternatives: tuple[Alternative, ...]
    sold_to: tuple[str, ...]
    unpriced: tuple[str, ...]

    @property
    def total(self) -> Array:
        """Cost, paid hours and the alternative given up, (draw, run)."""
        return self.cost + self.labour + self.alternative


def count_spent(
    outcome: Outcome,
    kinds: Mapping[str, str],
    basis: Basis,
    before: Economics | None = None,
) -> Spent:
    """What each run of an outcome costs and gives up, whatever it is settled with; parameters as of `value_runs`."""
    prices, catalogue, draws = basis.prices, basis.catalogue, basis.named.draws
    if before is None:
        bills = [(b.money, b.unpriced) for b in bill_runs(outcome, kinds, Costing.of(prices, catalogue, basis.named))]
        cost = _stack([money for money, _ in bills], draws)
        hours = _stack([_hours(run.route, run.mass_kg, basis) for run in outcome.runs], draws)
        unpriced = tuple(dict.fromkeys(name for _, missing in bills for name in missing))
    else:
        cost, hours, unpriced = before.cost, before.hours, before.unpriced
    chosen = [
        value_unprocessed(catalogue.kinds[kinds[run.address]], run.mass_kg, basis, outcome.contained_g[:, i, :])
        for i, run in enumerate(outcome.runs)
    ]
    return Spent(
        cost,
        hours,
        hours * prices.hours_rate,
        _stack([one.values for one in chosen], draws),
        tuple(one.name for one in chosen),
        tuple(one.to for one in chosen),
        unpriced,
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


def choose_alternative(values: Mapping[Alternative, Array]) -> tuple[Alternative, Array]:
    """The alternative with the largest expectation, chosen before the draw; `values` (draw,) in currency.

    Taking the better one draw by draw would credit the alternative with knowledge nobody has.
    """
    name = max(values, key=lambda key: (values[key].mean(), key == "keep"))
    return name, values[name]


@dataclass(frozen=True)
class Unprocessed:
    """The better of selling a fraction as it is and keeping it, with its draws (draw,); `to`: who settles it so."""

    name: Alternative
    values: Array
    to: str = ""


def value_unprocessed(
    kind: Kind,
    mass_kg: float,
    basis: Basis,
    metal_g: Array | None = None,
) -> Unprocessed:
    """The better of selling `mass_kg` of a kind as it is and keeping it (worth 0), by expectation.

    It is sold to a scrap buyer, who pays by category, or to a buyer who settles it at terms (`takes_as_is`), who pays
    by what is in it: `metal_g` (draw, metal) in the order of METALS, without which it counts as an ordinary lot.
    """
    draws = basis.named.draws
    offers = {"": mass_kg * draw_as_is_per_kg(kind, basis)}
    if metal_g is None:
        usual = [mass_kg * mean_grade_over_lots(kind.grades[m]) / 1000 if m in kind.grades else 0.0 for m in METALS]
        metal_g = np.tile(usual, (draws, 1))
    offers |= settle_as_is(kind, mass_kg, metal_g, METALS, basis)
    to = max(offers, key=lambda name: float(offers[name].mean()))
    name, values = choose_alternative({"sell": offers[to], "keep": np.zeros(draws)})
    return Unprocessed(name, values, to if name == "sell" else "")


def draw_as_is_per_kg(kind: Kind, basis: Basis) -> Array:
    """What a scrap buyer pays per kg of a kind as it is, shape (draw,), in currency per kg.

    The price the user typed for the kind; else the kind's (or its class's) share of the metal value of an ordinary lot.
    A buyer pays by category and does not know this bench's own weights, so the belief does not enter. 0 without a row.
    """
    prices, named = basis.prices, basis.named
    if kind.id in prices.as_is_per_kg:
        return named.amount(f"as-is-per-kg:{kind.id}", prices.as_is_per_kg[kind.id])
    row = next((name for name in (kind.id, kind.cls) if name in prices.as_is_share), None)
    if row is None:
        return np.zeros(named.draws)
    usual = usual_metal_value_per_kg(kind, prices, basis.catalogue)
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


def _hours(route: str, mass_kg: float, basis: Basis) -> Array:
    row, told = basis.prices.routes[route], basis.prices.hours_told
    return draw_hours(route, mass_kg, (row.hours_fixed, row.hours_per_kg), told, basis.catalogue, basis.named)


def _stack(columns: list[Array], draws: int) -> Array:
    return np.stack(columns).T if columns else np.zeros((draws, 0))  # draws of a run lie side by side
