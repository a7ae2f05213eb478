"""Settlements at buyers' terms, draw by draw: who is settled with whom, by which buyer, and what each run causes.

A buyer is chosen by expectation, before the draw. What is sent to one buyer goes together: least fee, assay fees and
shipping are paid once, and a run is charged what it adds, so small products that travel with others do not each pay.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gradeest.belief.outcome import Outcome
from gradeest.decision.prices import Basis, NamedDraws, Prices
from gradeest.decision.terms import Terms, rejects, takes_as_is, words_of
from gradeest.materials.catalogue import Catalogue, Kind

Array = NDArray[np.float64]
ROUNDS = 10  # rounds of "who would be settled together"; two or three are usual
NOWHERE = -1  # of a run that is not settled
LEAST_GAIN = 1e-9  # money; less is rounding of the computer


@dataclass(frozen=True)
class Settlement:
    """One buyer's terms with their draws: what a pool of fine metal brings.

    value(T) = sum_m price_m payable_m(purity) max(T_m - deduction_m, 0) [T_m > threshold_m]
               - max(least fee, charge x received + sum_m charge_m T_m) - assay fees - shipping - surcharges
    """

    terms: Terms
    price_per_g: Array  # (metal,)
    bands: tuple[tuple[tuple[float, Array], ...], ...]  # by metal: (from purity, share (draw,)), purities rising
    deduction_g: Array  # (metal,)
    threshold_g: Array  # (metal,)
    charge_per_g: Array  # (metal,)
    assay_fee: Array  # (metal,)
    least_fee: Array  # (draw,)
    shipping: Array  # (draw,)

    def value(self, fine_g: Array, weight_g: Array | None = None, words: frozenset[str] = frozenset()) -> Array:
        """What `fine_g` (draw, metal) of fine metal settled together brings, shape (draw,), in currency.

        Parameters: weight_g, what is received of each metal's products, (draw, metal) in g (None: it is all metal);
        words, by which terms may speak of where it comes from.
        """
        weight = fine_g if weight_g is None else weight_g
        paid = np.maximum(fine_g - self.deduction_g, 0.0) * self._share(fine_g, weight) * self.price_per_g
        paid = np.where(fine_g > self.threshold_g, paid, 0.0)
        charge = fine_g @ self.charge_per_g + self.terms.fee_per_g_received * weight.sum(axis=1)
        fees = np.maximum(self.least_fee, charge) + self.shipping
        fees = fees + float(self.assay_fee[fine_g.mean(axis=0) > 0].sum())
        fees = fees + sum(money for word, money in self.terms.surcharge.items() if word in words)
        return np.asarray(paid.sum(axis=1) - fees)

    def _share(self, fine_g: Array, weight_g: Array) -> Array:
        """Share paid, (draw, metal): that of the highest band whose purity is reached."""
        found = np.zeros_like(fine_g)
        for m, bands in enumerate(self.bands):
            if len(bands) == 1 and bands[0][0] <= 0:
                found[:, m] = bands[0][1]
                continue
            heavy = weight_g[:, m] > 0
            purity = np.divide(fine_g[:, m], weight_g[:, m], out=np.ones(len(fine_g)), where=heavy)
            for least, share in bands:
                found[:, m] = np.where(purity >= least, share, found[:, m])
        return found

    @property
    def paid_per_g(self) -> Array:
        """Price x the share paid for what is pure, before fees, (draw, metal)."""
        columns = [bands[-1][1] if bands else np.zeros_like(self.least_fee) for bands in self.bands]
        return np.stack(columns, axis=1) * self.price_per_g


def draw_settlement(metals: Sequence[str], prices: Prices, terms: Terms, named: NamedDraws) -> Settlement:
    """The terms of one settlement with their draws; axis order (draw, metal)."""
    head = f"{terms.name}:" if terms.name else ""
    bands = tuple(
        tuple(
            (band.from_purity, named.share(f"payable:{head}{metal}{f':{n}' if n else ''}", band.share))
            for n, band in enumerate(terms.payable.get(metal, ()))
        )
        for metal in metals
    )

    def by_metal(rows: Mapping[str, float]) -> Array:
        return np.array([rows.get(metal, 0.0) for metal in metals])

    return Settlement(
        terms, by_metal(prices.metal_per_g), bands, by_metal(terms.deduction_g), by_metal(terms.threshold_g),
        by_metal(terms.fee_per_g), by_metal(terms.assay_fee), named.amount(f"{head}settlement-fee", terms.fee),
        named.amount(f"{head}shipping", terms.shipping),
    )  # fmt: skip


def draw_settlements(metals: Sequence[str], prices: Prices, named: NamedDraws) -> list[Settlement]:
    """The terms of all buyers, drawn."""
    return [draw_settlement(metals, prices, terms, named) for terms in prices.terms()]


@dataclass(frozen=True)
class Assignment:
    """The buyer of each run (`NOWHERE`: nobody takes it), the runs that gain by being settled, and what each run adds.

    The buyer of a run that does not gain is the one it would go to.
    """

    buyer_of: tuple[int, ...]
    pool: tuple[int, ...]
    revenue: Array  # (draw, run)
    lacking: float = 0.0  # expected money by which runs that each would gain fall short of fees that none alone causes


class Market:
    """All buyers at their terms, and the runs of an outcome that may be settled with them."""

    def __init__(self, outcome: Outcome, kinds: Mapping[str, str], basis: Basis) -> None:
        """`kinds`: kind id by address."""
        catalogue = basis.catalogue
        rows = [catalogue.kinds[kinds[run.address]] for run in outcome.runs]
        self.fine, self.weight = outcome.recovered_g, outcome.weight_g
        self.draws = basis.named.draws
        self.words = [words_of(kind, catalogue) for kind in rows]
        self.buyers = draw_settlements(outcome.metals, basis.prices, basis.named)
        self.takes = [[not rejects(buyer.terms, kind, catalogue) for kind in rows] for buyer in self.buyers]
        self._sums: dict[tuple[int, ...], tuple[Array, Array]] = {}
        self._values: dict[tuple[int, tuple[int, ...]], Array] = {}

    def value(self, buyer: int, members: Sequence[int]) -> Array:
        """What runs settled together with a buyer bring, (draw,)."""
        pool = tuple(members)
        if (buyer, pool) not in self._values:
            self._values[buyer, pool] = self._worth(buyer, pool, *self._together(pool))
        return self._values[buyer, pool]

    def settle(self, buyer_of: Sequence[int], members: Sequence[int], share: float = 1.0) -> Array:
        """What runs bring when each is sent to its buyer (an index, `NOWHERE` for none), (draw,).

        Parameters: share, how much of their metal there is: the rest is lost, and weighs nothing.
        """
        found = np.zeros(self.draws)
        for buyer in range(len(self.buyers)):
            pool = tuple(run for run in members if buyer_of[run] == buyer)
            fine, weight = self._together(pool)
            found = found + self._worth(buyer, pool, share * fine, share * weight)
        return found

    def added(self, buyer: int, pool: Sequence[int], group: Sequence[int]) -> Array:
        """What a group of runs adds to a buyer's pool, in it or not, (draw,)."""
        members = tuple(pool)
        fine, weight = self._together(members)
        own_fine, own_weight = self._together(tuple(group))
        if set(group) <= set(members):
            rest = tuple(run for run in members if run not in group)
            less = np.maximum(fine - own_fine, 0.0), np.maximum(weight - own_weight, 0.0)
            return self.value(buyer, members) - self._worth(buyer, rest, *less)
        more = self._worth(buyer, (*members, *group), fine + own_fine, weight + own_weight)
        return more - self.value(buyer, members)

    def add_parts(self, buyer: int, pool: Sequence[int], run: int, parts: Outcome) -> list[Array]:
        """What parts of a run, run one after the other, add to a buyer's pool that it is not in, (draw,) each."""
        if buyer == NOWHERE:
            return [np.zeros(self.draws) for _ in parts.runs]
        members, found = tuple(pool), []
        fine, weight = self._together(members) if members else (np.zeros_like(self.fine[:, run]),) * 2
        before = self.value(buyer, members)
        for i in range(len(parts.runs)):
            fine, weight = fine + parts.recovered_g[:, i], weight + parts.weight_g[:, i]
            after = self._worth(buyer, (*members, run), fine, weight)
            found.append(after - before)
            before = after
        return found

    def _worth(self, buyer: int, pool: tuple[int, ...], fine: Array, weight: Array) -> Array:
        if not pool:
            return np.zeros(self.draws)
        return self.buyers[buyer].value(fine, weight, frozenset().union(*(self.words[run] for run in pool)))

    def _together(self, pool: tuple[int, ...]) -> tuple[Array, Array]:
        """Fine metal and weight of runs together, (draw, metal) each."""
        if len(pool) == 1:
            return self.fine[:, pool[0], :], self.weight[:, pool[0], :]
        if pool not in self._sums:
            self._sums[pool] = self._sum(self.fine, pool), self._sum(self.weight, pool)
        return self._sums[pool]

    def _sum(self, grams: Array, pool: tuple[int, ...]) -> Array:
        """The sum over some runs, (draw, metal); draws lie side by side, as they do in what is added up."""
        total = np.zeros((grams.shape[2], grams.shape[0])).T
        for run in pool:
            total += grams[:, run, :]
        return total

    def assign(self, spent: Array) -> Assignment:
        """Who is settled with which buyer, and what each run adds.

        Parameters: spent, what a run costs beside, (draw, run). The best single buyer for all comes first; then runs,
        or all that are mostly of one metal, move to another buyer where that brings more in spite of a second parcel.
        """
        means = spent.mean(axis=0)
        total, buyer_of = max((self._with_one(b, means) for b in range(len(self.buyers))), key=lambda one: one[0])
        lacking = 0.0
        if total <= 0:  # each would travel on fees that the others pay, and nobody pays them
            lacking = -total if any(buyer != NOWHERE for buyer in buyer_of) else 0.0
            buyer_of = [NOWHERE] * len(buyer_of)
        if len(self.buyers) > 1:
            for _ in range(ROUNDS):
                if not self._improve(buyer_of, means):
                    break
        pool = tuple(run for run, buyer in enumerate(buyer_of) if buyer != NOWHERE)
        found = [self._revenue(buyer_of, run) for run in range(len(means))]
        revenue = np.stack([money for _, money in found]).T if found else np.zeros((self.draws, 0))
        return Assignment(tuple(buyer for buyer, _ in found), pool, revenue, 0.0 if pool else lacking)

    def _with_one(self, buyer: int, spent: Array) -> tuple[float, list[int]]:
        """Starts with everybody a buyer takes; who does not gain leaves, until nobody moves."""
        may = tuple(run for run in range(len(spent)) if self.takes[buyer][run])
        pool = may
        for _ in range(ROUNDS):
            gaining = tuple(run for run in may if self.added(buyer, pool, (run,)).mean() > spent[run])
            if gaining == pool:
                break
            pool = gaining
        total = float(self.value(buyer, pool).mean() - spent[list(pool)].sum())
        return total, [buyer if run in pool else NOWHERE for run in range(len(spent))]

    def _improve(self, buyer_of: list[int], spent: Array) -> bool:
        """Move groups to a buyer (or to none) where the whole brings more; whether any moved."""
        moved = False
        for group in self._groups():
            now = {buyer_of[run] for run in group}
            if len(now) > 1:
                continue
            at = now.pop()
            pools = [tuple(r for r, b in enumerate(buyer_of) if b == buyer) for buyer in range(len(self.buyers))]
            cost = float(spent[list(group)].sum())
            gains = {NOWHERE: 0.0}
            for buyer, pool in enumerate(pools):
                if all(self.takes[buyer][run] for run in group):
                    gains[buyer] = float(self.added(buyer, pool, group).mean()) - cost
            best = max(gains, key=lambda buyer: gains[buyer])
            if gains[best] > gains.get(at, 0.0) + LEAST_GAIN:
                moved = True
                for run in group:
                    buyer_of[run] = best
        return moved

    def _groups(self) -> list[tuple[int, ...]]:
        """Single runs, and all that are mostly of one metal by weight."""
        runs = range(self.fine.shape[1])
        mostly = self.fine.mean(axis=0).argmax(axis=1)
        by_metal = [tuple(run for run in runs if mostly[run] == m) for m in range(self.fine.shape[2])]
        return [*[group for group in by_metal if len(group) > 1], *[(run,) for run in runs]]

    def _revenue(self, buyer_of: Sequence[int], run: int) -> tuple[int, Array]:
        """The buyer a run goes to, or would go to, and what it adds to the settlement there."""
        pools = [tuple(r for r, at in enumerate(buyer_of) if at == b) for b in range(len(self.buyers))]
        at = buyer_of[run]
        if at != NOWHERE:
            return at, self.added(at, pools[at], (run,))
        open_to = [(b, self.added(b, pool, (run,))) for b, pool in enumerate(pools) if self.takes[b][run]]
        return max(open_to, key=lambda one: float(one[1].mean()), default=(NOWHERE, np.zeros(self.draws)))


def settle_with_one(
    buyers: Sequence[Settlement], fine_g: Array, weight_g: Array, kinds: Sequence[Kind], catalogue: Catalogue
) -> Array:
    """What the one buyer brings, (draw,), who takes what comes of all `kinds` and is expected to bring most; 0: none.

    Parameters: fine_g, weight_g, all of it together, (draw, metal) in g.
    """
    words = frozenset().union(*(words_of(kind, catalogue) for kind in kinds))
    taking = [b for b in buyers if not any(rejects(b.terms, kind, catalogue) for kind in kinds)]
    found = [buyer.value(fine_g, weight_g, words) for buyer in taking]
    return max(found, key=lambda value: float(value.mean()), default=np.zeros(len(fine_g)))


def paid_per_g(metals: Sequence[str], prices: Prices, named: NamedDraws) -> Array:
    """What the best-paying buyer of each metal pays per g of it pure, before fees, (draw, metal)."""
    buyers = [each.paid_per_g for each in draw_settlements(metals, prices, named)]
    best = np.argmax([each.mean(axis=0) for each in buyers], axis=0)
    return np.stack([buyers[best[m]][:, m] for m in range(len(metals))], axis=1)


def settle_as_is(
    kind: Kind,
    mass_kg: float,
    metal_g: Array,
    metals: Sequence[str],
    basis: Basis,
) -> dict[str, Array]:
    """What `mass_kg` of a kind brings unprocessed, by buyer who settles it at terms, (draw,) each.

    Parameters: metal_g, metal in it, (draw, metal) in g. The material itself is what is received.
    """
    found, catalogue = {}, basis.catalogue
    for terms in basis.prices.terms():
        if takes_as_is(terms, kind, catalogue):
            settlement = draw_settlement(metals, basis.prices, terms, basis.named)
            held = np.maximum(metal_g.sum(axis=1, keepdims=True), 1e-300)
            weight = 1000 * mass_kg * metal_g / held
            found[terms.name] = settlement.value(metal_g, weight, words_of(kind, catalogue))
    return found
