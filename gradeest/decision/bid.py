"""What a lot is worth before it is bought, and the highest price at a wished chance of gain."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from gradeest.belief.outcome import Outcome
from gradeest.decision.economics import Economics, value_runs, value_unprocessed
from gradeest.decision.prices import Basis, NamedDraws, Prices
from gradeest.decision.settlement import Market
from gradeest.decision.summary import Interval, estimate_quantile, mcse
from gradeest.materials.catalogue import Catalogue

Array = NDArray[np.float64]
ROOT_STEPS, ROOT_NEAR = 60, 1e-4  # steps at most, and how near two of them lie at the end
LEAST_SHARE = 0.05  # of the expected metal value: a metal below it has no break-even price of its own


@dataclass(frozen=True)
class Part:
    """What one fraction of the lot is for (process, sell, keep, not counted) and its expected worth, in currency."""

    address: str
    kind: str
    mass_kg: float
    use: str
    worth: float
    why: str


@dataclass(frozen=True)
class Unprocessed:
    """A fraction that must not be processed; `is_sold`: it counts with what a buyer gives for it as it is."""

    address: str
    kind: str
    mass_kg: float
    reason: str
    is_sold: bool


class Boards(Protocol):
    """Boards in the lot that are not taken apart: what they bring by their best use, (draw,), in currency."""

    @property
    def mass_kg(self) -> float: ...  # of all boards, as expected

    @property
    def hours(self) -> Array: ...  # hands-on, (draw,)

    @property
    def parts(self) -> tuple[Part, ...]: ...

    @property
    def recovered_g(self) -> Array: ...  # expected, by metal in the outcome's order, where parts are processed

    def worth(self, prices: Prices, metal: float = 1.0) -> Array:
        """At other prices, or with only a share `metal` of the recovered metal; the use is then chosen as it can be."""
        ...


@dataclass(frozen=True)
class BreakEven:
    """The price of one metal, currency per g, at which the lot is expected to bring just its price, and as a share."""

    metal: str
    per_g: float
    share: float


@dataclass(frozen=True)
class AtPrice:
    """What happens at a price: gain = worth - price; `gain.q5` is the bad case (5 %)."""

    price: float
    per_kg: float
    gain: Interval
    chance_of_gain: float


@dataclass(frozen=True)
class Bid:
    """The worth of a lot and the highest price at which it gains with the chance asked for; money in `currency`."""

    currency: str
    chance: float
    mass_kg: float
    worth: Interval
    highest: AtPrice
    highest_mcse: float
    asked: AtPrice | None
    break_even_metal: float | None  # share of the expected recovered metal; None: nothing rests on it
    break_even_prices: tuple[BreakEven, ...]
    parts: tuple[Part, ...]
    hours: Interval  # hands-on hours of what is processed
    draws: int


def value_bid(
    outcome: Outcome,
    kinds: Mapping[str, str],
    prices: Prices,
    catalogue: Catalogue,
    rng: np.random.Generator,
    *,
    chance: float,
    asked: float | None = None,
    unprocessed: Sequence[Unprocessed] = (),
    boards: Boards | None = None,
) -> Bid:
    """The highest price p with P(worth > p) >= chance: the 1 - chance point of the worth.

    Parameters: outcome, recovered_g (draw, run, metal) in g, one run per fraction; asked, a price to judge; boards,
    what is not taken apart, settled by itself.
    The worth of a lot is, draw by draw, what processing brings (one settlement, less costs and hours at your rate) for
    the fractions expected to gain by it, and the better of selling and keeping for the others. The use of each is
    chosen by expectation, before the draw.
    """
    draws = outcome.recovered_g.shape[0]
    basis = Basis(prices, catalogue, NamedDraws(rng, draws))

    def worth_at(tried: Prices, before: Economics | None = None) -> tuple[Array, Economics, bool]:
        at = replace(basis, prices=tried)
        money = value_runs(outcome, kinds, at, before=before)
        is_run = bool(money.pool) and money.pool_advantage.mean() > 0
        worth = money.alternative.sum(axis=1) + (money.pool_advantage if is_run else 0.0)
        for item in unprocessed:
            if item.is_sold:
                worth = worth + value_unprocessed(catalogue.kinds[item.kind], item.mass_kg, at).values
        if boards is not None:
            worth = worth + boards.worth(tried)
        return worth, money, is_run

    worth, money, is_run = worth_at(prices)
    price = estimate_quantile(worth, 1 - chance)
    mass = sum(run.mass_kg for run in outcome.runs) + sum(item.mass_kg for item in unprocessed)
    mass += 0.0 if boards is None else boards.mass_kg
    pool = money.pool if is_run else ()
    hours = money.hours[:, list(pool)].sum(axis=1) + (0.0 if boards is None else boards.hours)
    return Bid(
        prices.currency,
        chance,
        mass,
        Interval.of(worth),
        _at(price.value, worth, mass),
        mcse(price.influence, outcome.origin),
        None if asked is None else _at(asked, worth, mass),
        _break_even_metal(outcome, kinds, basis, money, pool, worth, price.value, boards),
        _break_even_prices(outcome, prices, lambda tried: float(worth_at(tried, money)[0].mean()), price.value, boards),
        _parts(outcome, kinds, money, pool)
        + _parts_unprocessed(unprocessed, basis)
        + (() if boards is None else boards.parts),
        Interval.of(hours),
        draws,
    )


def _at(price: float, worth: Array, mass_kg: float) -> AtPrice:
    return AtPrice(price, price / mass_kg, Interval.of(worth - price), float((worth > price).mean()))


def _break_even_metal(
    outcome: Outcome,
    kinds: Mapping[str, str],
    basis: Basis,
    money: Economics,
    pool: Sequence[int],
    worth: Array,
    price: float,
    boards: Boards | None,
) -> float | None:
    """Share of the recovered metal at which the lot brings just its price, with the uses as chosen; 0.7: 30 % less."""
    if not pool and boards is None:
        return None
    market = Market(outcome, kinds, basis)

    def resting(share: float) -> Array:
        """What rests on the metal."""
        settled = market.settle(money.buyer_of, pool, share)
        return settled if boards is None else settled + boards.worth(basis.prices, share)

    rest = worth - resting(1.0)
    return _root(lambda share: float((resting(share) + rest).mean()) - price)


def _break_even_prices(
    outcome: Outcome, prices: Prices, expected: Callable[[Prices], float], price: float, boards: Boards | None
) -> tuple[BreakEven, ...]:
    """Per metal, all else as it is; the uses are chosen anew, for a price is known when one chooses."""
    per_g = prices.metal_per_g
    grams = outcome.recovered_g.sum(axis=1).mean(axis=0) + (0.0 if boards is None else boards.recovered_g)
    value = grams * np.array([per_g[m] for m in outcome.metals])
    found = []
    for metal, part in zip(outcome.metals, value, strict=True):
        if part < LEAST_SHARE * max(value.sum(), 1e-300):
            continue

        def short(share: float, metal: str = metal) -> float:
            return expected(replace(prices, metal_per_g={**per_g, metal: per_g[metal] * share})) - price

        share = _root(short)
        if share is not None:
            found.append(BreakEven(metal, share * per_g[metal], share))
    return tuple(found)


def _root(short: Callable[[float], float]) -> float | None:
    """Where a rising function of a share in 0-1 crosses 0; None where it does not.

    False position with halved ends (the Illinois rule, from memory): what is nearly a line needs a few steps, and
    nothing slow is imported for it.
    """
    low, high = 0.0, 1.0
    at_low, at_high = short(low), short(high)
    if at_low >= 0 or at_high <= 0:
        return None
    found = high
    moved = 0
    for _ in range(ROOT_STEPS):
        before, found = found, high - at_high * (high - low) / (at_high - at_low)
        value = short(found)
        if abs(found - before) < ROOT_NEAR or value == 0:
            break
        if value < 0:
            low, at_low, at_high = found, value, at_high / 2 if moved < 0 else at_high
        else:
            high, at_high, at_low = found, value, at_low / 2 if moved > 0 else at_low
        moved = -1 if value < 0 else 1
    return found


def _parts(outcome: Outcome, kinds: Mapping[str, str], money: Economics, pool: Sequence[int]) -> tuple[Part, ...]:
    parts = []
    for i, run in enumerate(outcome.runs):
        gain = float(money.advantage[:, i].mean()) if i in pool else 0.0
        use = "process" if i in pool else money.alternatives[i]
        why = "expected to gain by processing" if i in pool else "processing is not expected to gain"
        worth = float(money.alternative[:, i].mean()) + gain
        parts.append(Part(run.address, kinds[run.address], run.mass_kg, use, worth, why))
    return tuple(parts)


def _parts_unprocessed(unprocessed: Sequence[Unprocessed], basis: Basis) -> tuple[Part, ...]:
    parts = []
    for item in unprocessed:
        use, worth = "not counted", 0.0
        if item.is_sold:
            best = value_unprocessed(basis.catalogue.kinds[item.kind], item.mass_kg, basis)
            use, worth = best.name, float(best.values.mean())
        parts.append(Part(item.address, item.kind, item.mass_kg, use, worth, item.reason))
    return tuple(parts)
