"""Benches and catalogues for statistical checks, built straight from the frozen records."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from gradeest.materials.catalogue import Catalogue, Quantiles, load_catalogue
from gradeest.records.domain import Assay, Batch, Bench, Charge, Fraction, Lot, Product

DAY = dt.date(2025, 3, 1)
Z95 = 1.6448536269514722  # standard normal 95 % point
SHIPPED = load_catalogue()


@dataclass
class BenchMaker:
    """Collects lots, closed batches with gold weights, and gold assays."""

    lots: dict[str, Lot] = field(default_factory=dict)
    batches: dict[str, Batch] = field(default_factory=dict)
    assays: list[Assay] = field(default_factory=list)

    def fraction(self, lot: str, kind: str, kg: float, name: str = "") -> str:
        """Adds a fraction (to a new lot or an old one); returns its address."""
        name = name or kind
        held = self.lots.get(lot, Lot(lot, DAY, ()))
        self.lots[lot] = replace(held, fractions=(*held.fractions, Fraction(name, kind, kg)))
        return f"{lot}/{name}"

    def weigh(
        self,
        charges: Mapping[str, float],
        route: str,
        grams: float,
        *,
        metal: str = "Au",
        form: str = "gold-powder",
        step: float = 0.01,
        balance: str = "bench",
    ) -> None:
        """Adds a closed batch of `charges` (kg by address) with one dried product on the balance."""
        name = f"B{len(self.batches) + 1}"
        product = Product(f"{metal.lower()}-1", name, metal, form, grams, step, DAY, balance=balance)
        taken = tuple(Charge(address, kg) for address, kg in charges.items())
        self.batches[name] = Batch(name, DAY, route, taken, closed=DAY, products=(product,))

    def assay(self, address: str, g_per_t: float, u_rel: float, metal: str = "Au") -> None:
        """Adds an assay of a fraction."""
        self.assays.append(Assay(address, metal, g_per_t, u_rel, DAY))

    @property
    def bench(self) -> Bench:
        return Bench(self.lots, self.batches, tuple(self.assays))


def with_constants(catalogue: Catalogue, **constants: float) -> Catalogue:
    """The catalogue with constants changed; names with __ for the dot."""
    changed = {name.replace("__", "."): value for name, value in constants.items()}
    unknown = set(changed) - set(catalogue.constants)
    assert not unknown, unknown
    return replace(catalogue, constants={**catalogue.constants, **changed})


def with_grade(catalogue: Catalogue, kind: str, metal: str = "Au", **changes: float) -> Catalogue:
    """The catalogue with fields of one grade row changed."""
    row = replace(catalogue.kinds[kind].grades[metal], **changes)  # type: ignore[arg-type]
    changed = replace(catalogue.kinds[kind], grades={**catalogue.kinds[kind].grades, metal: row})
    return replace(catalogue, kinds={**catalogue.kinds, kind: changed})


def with_lognormal_grade(catalogue: Catalogue, kind: str, low: float, middle: float, high: float) -> Catalogue:
    """The kind's gold made plainly lognormal, independent from lot to lot; low and high are its 5 % and 95 % points."""
    spread = math.log(high / low) / (2 * Z95)
    return with_grade(
        catalogue,
        kind,
        q50=middle,
        p_absent=1e-9,
        gsd_between=math.exp(spread),
        gsd_class_mean=1.0001,
        max_g_per_t=1e6,
    )


def with_recovery(catalogue: Catalogue, routes: Sequence[str], low: float, middle: float, high: float) -> Catalogue:
    """The catalogue with the gold recovery row of routes changed."""
    changed = dict(catalogue.routes)
    for name in routes:
        rows = {**changed[name].recovery, "Au": Quantiles(low, middle, high)}
        changed[name] = replace(changed[name], recovery=rows)
    return replace(catalogue, routes=changed)


def with_purity(catalogue: Catalogue, form: str, low: float, middle: float, high: float) -> Catalogue:
    """The catalogue with the purity row of a form changed."""
    changed = replace(catalogue.forms[form], purity=Quantiles(low, middle, high))
    return replace(catalogue, forms={**catalogue.forms, form: changed})
