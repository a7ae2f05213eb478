"""What a run uses up and what that costs, item by item and draw by draw; for the budget, never for dosing.

Base metal by kind and precious metal by the belief ask for acid and precipitant by balanced equations, times a factor
with a spread (excess, or the part that is never reached). The acid asks for what neutralises it, less what left as gas;
the liquids bought ask for room in the waste. Filters, fuel and the like come per batch or per kg.

A row is drawn once and shared by all runs. Money rows that the user typed for a route replace what is counted here.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gradeest.belief.outcome import Outcome
from gradeest.decision.prices import NamedDraws, Prices, RouteCosts
from gradeest.materials.catalogue import Catalogue, Item, Quantiles
from gradeest.materials.chemistry import ATOMIC_WEIGHTS
from gradeest.materials.reactions import ACIDITY, FAMILIES, SODA, demand_mol, gas_mol

Array = NDArray[np.float64]
PER_SODA = 2  # mol of acid that a mol of soda takes
MOST_METAL = 0.99  # of a feed can be base metal: draws of its parts are scaled to fit
DEARER = "nitrogen-dioxide-share"
LIQUID = "L"


@dataclass(frozen=True)
class Line:
    """Draws of how much of an item a run takes, in its unit: `fixed` per batch, `varying` with what is in it."""

    item: Item
    fixed: Array  # (draw,)
    varying: Array  # (draw,)

    @property
    def amount(self) -> Array:
        """All of it, (draw,)."""
        return self.fixed + self.varying


@dataclass(frozen=True)
class Bill:
    """What a run costs in the user's currency, (draw,), and the lines behind it.

    Rows of the route that the user typed ("cost_fixed", "cost_per_kg") replace what its lines would come to; the money
    of `unpriced` items, which nobody gave a price, is left out.
    """

    lines: tuple[Line, ...]
    money: Array
    line_money: Mapping[str, Array]  # by item id, of what is counted item by item
    own: Mapping[str, Array]  # by row, what it comes to
    unpriced: tuple[str, ...]


class Costing:
    """Bills of runs at one set of prices; `charges`: kg by kind, `metal_g`: g contained by symbol, (draw,)."""

    def __init__(
        self,
        catalogue: Catalogue,
        named: NamedDraws,
        items: Mapping[str, Quantiles],
        routes: Mapping[str, RouteCosts] | None = None,
    ) -> None:
        self.catalogue, self.named, self.prices = catalogue, named, items
        self.routes = routes or {}
        self._drawn: dict[str, Array] = {}

    @classmethod
    def of(cls, prices: Prices | None, catalogue: Catalogue, named: NamedDraws) -> Costing:
        """At the user's prices; without any, at the shipped guesses."""
        if prices is None:
            return cls(catalogue, named, default_prices(catalogue))
        return cls(catalogue, named, prices.items, prices.routes)

    def bill(self, route: str, charges: Mapping[str, float], metal_g: Mapping[str, Array]) -> Bill:
        """What a batch costs, without hours."""
        lines = self.lines(route, charges, metal_g)
        rows = self.routes.get(route)
        own: dict[str, Array] = {}
        if rows is not None and rows.cost_fixed is not None:
            own["cost_fixed"] = self._amount(f"cost-fixed:{route}", rows.cost_fixed)
        if rows is not None and rows.cost_per_kg is not None:
            own["cost_per_kg"] = kg_of(charges) * self._amount(f"cost-per-kg:{route}", rows.cost_per_kg)
        money, by_line, unpriced = sum(own.values(), np.zeros(self.named.draws)), {}, []
        for line in lines:
            parts = [line.fixed] * ("cost_fixed" not in own) + [line.varying] * ("cost_per_kg" not in own)
            counted = sum(parts, np.zeros(self.named.draws))
            price = self.prices.get(line.item.id)
            if price is None and counted.any():
                unpriced.append(line.item.name)
            elif price is not None and counted.any():
                by_line[line.item.id] = counted * self._amount(f"price:{line.item.id}", price)
                money = money + by_line[line.item.id]
        return Bill(lines, money, by_line, own, tuple(unpriced))

    def lines(self, route: str, charges: Mapping[str, float], metal_g: Mapping[str, Array]) -> tuple[Line, ...]:
        """How much of every item a batch takes."""
        zero = np.zeros(self.named.draws)
        fixed: dict[str, Array] = {}
        varying: dict[str, Array] = {}
        mol = self._metal_mol(charges, metal_g)
        uses = [use for use in self.catalogue.uses if use.route == route]
        gone = zero  # mol of acid that left as gas
        for use in uses:
            factor = self._amount(f"use:{route}:{use.item}:{use.by}", use.amount)
            if use.by == "batch":
                fixed[use.item] = fixed.get(use.item, zero) + factor
            elif use.by == "kg":
                varying[use.item] = varying.get(use.item, zero) + factor * kg_of(charges)
            elif use.by not in ("acidity", "liquids"):
                item = self.catalogue.items[use.item]
                asked, gas = self._stoichiometry(use.by, item.formula, mol)
                varying[use.item] = varying.get(use.item, zero) + factor * asked / item.mol_per_unit
                if item.formula == "HNO3":
                    gone = gone + np.minimum(factor, 1.0) * gas
        for use in uses:
            if use.by in ("acidity", "liquids"):
                factor = self._amount(f"use:{route}:{use.item}:{use.by}", use.amount)
                base = self._acid_left(varying, gone) if use.by == "acidity" else self._litres(varying)
                varying[use.item] = varying.get(use.item, zero) + factor * base
        ids = dict.fromkeys(use.item for use in uses)
        return tuple(Line(self.catalogue.items[i], fixed.get(i, zero), varying.get(i, zero)) for i in ids)

    def _metal_mol(self, charges: Mapping[str, float], metal_g: Mapping[str, Array]) -> dict[str, Array]:
        """Mol of each metal in a batch: base metal by kind, precious metal as believed."""
        grams: dict[str, Array] = dict(metal_g)
        for kind, mass_kg in charges.items():
            for metal, share in self._base_shares(kind).items():
                grams[metal] = grams.get(metal, np.zeros(self.named.draws)) + 1000 * mass_kg * share
        return {metal: found / ATOMIC_WEIGHTS[metal] for metal, found in grams.items()}

    def _base_shares(self, kind: str) -> dict[str, Array]:
        of = kind if kind in self.catalogue.base_metals else self.catalogue.kinds[kind].cls
        rows = self.catalogue.base_metals.get(of, {})
        shares = {metal: self._amount(f"base-metal:{of}:{metal}", row) for metal, row in rows.items()}
        if not shares:
            return {}
        fits = MOST_METAL / np.maximum(sum(shares.values()), MOST_METAL)
        return {metal: share * fits for metal, share in shares.items()}

    def _stoichiometry(self, by: str, formula: str, mol: Mapping[str, Array]) -> tuple[Array, Array]:
        """Mol of a reagent that the metals of a batch ask for in a family, and mol of acid that leave as gas."""
        family, _, only = by.partition(":")
        dearer = self._share(DEARER, self.catalogue.shares[DEARER])
        asked = gas = np.zeros(self.named.draws)
        for metal in FAMILIES[family]:
            if metal in mol and only in ("", metal):
                asked = asked + mol[metal] * demand_mol(family, metal, formula, dearer)
                gas = gas + mol[metal] * gas_mol(family, metal, dearer)
        return asked, gas

    def _acid_left(self, bought: Mapping[str, Array], gone: Array) -> Array:
        """Units of soda that neutralise the acid bought, less what left as gas."""
        acid = np.zeros(self.named.draws)
        for key, amount in bought.items():
            item = self.catalogue.items[key]
            acid = acid + amount * item.mol_per_unit * ACIDITY.get(item.formula, 0)
        soda = next(item for item in self.catalogue.items.values() if item.formula == SODA)
        return np.maximum(acid - gone, 0.0) / PER_SODA / soda.mol_per_unit

    def _litres(self, bought: Mapping[str, Array]) -> Array:
        """Liquids bought, in litres."""
        liquid = [v for key, v in bought.items() if self._is_liquid(self.catalogue.items[key])]
        return np.sum(liquid, axis=0) if liquid else np.zeros(self.named.draws)

    @staticmethod
    def _is_liquid(item: Item) -> bool:
        return item.unit == LIQUID and bool(item.formula)

    def _amount(self, name: str, row: Quantiles) -> Array:
        if name not in self._drawn:
            self._drawn[name] = self.named.amount(name, row)
        return self._drawn[name]

    def _share(self, name: str, row: Quantiles) -> Array:
        if name not in self._drawn:
            self._drawn[name] = self.named.share(name, row)
        return self._drawn[name]


def kg_of(charges: Mapping[str, float]) -> float:
    """Mass of a charge, kg."""
    return sum(charges.values())


def default_prices(catalogue: Catalogue) -> dict[str, Quantiles]:
    """The shipped guesses of what items cost per unit, of those that have one."""
    return {key: item.price for key, item in catalogue.items.items() if item.price is not None}


def metal_of_run(outcome: Outcome, run: int) -> dict[str, Array]:
    """Contained metal of a run, g by symbol, (draw,)."""
    return {metal: outcome.contained_g[:, run, m] for m, metal in enumerate(outcome.metals)}


def bill_runs(outcome: Outcome, kinds: Mapping[str, str], costing: Costing) -> Iterator[Bill]:
    """The bill of every run of an outcome, one after the other; kinds, kind id by address."""
    for i, run in enumerate(outcome.runs):
        yield costing.bill(run.route, {kinds[run.address]: run.mass_kg}, metal_of_run(outcome, i))
