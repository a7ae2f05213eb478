"""Which records say something about which grade: the evidence, sorted by how it enters the balance.

W  a closed batch with a weight above one digit: read backwards
O  an open batch with weights so far, a lower bound: read backwards from an unknown final product
N  nothing dropped, below a limit, the liquid tested negative or gone
S  a closed batch whose weights are all of one digit: ordinary likelihood
T  nothing but spot tests of its liquid

Spot tests of a batch's liquid stand beside any of these.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from gradeest.belief.layers import jar_of, parts_of
from gradeest.materials.catalogue import Catalogue
from gradeest.records.domain import METALS, Assay, Batch, Bench, NonDetect, Product, SpotTest

Role = Literal["W", "O", "N", "S", "T"]
ROLES: tuple[Role, ...] = ("W", "O", "N", "S", "T")
DIGITS_TO_READ_BACKWARDS = 1.5  # readability steps in the heaviest product; below, it may be nothing but handling


@dataclass(frozen=True)
class BatchMetal:
    """What one batch says about one metal. `portions` are dry masses in kg by fraction address."""

    batch: str
    route: str
    metal: str
    role: Role
    products: tuple[Product, ...]  # heaviest first
    nondetect: NonDetect | None
    portions: dict[str, float]
    tests: tuple[SpotTest, ...] = ()  # of its liquid

    @property
    def tells_recovery(self) -> bool:
        """Whether the run's own recovery is an unknown: with a bare limit it is summed out."""
        return self.role != "N" or bool(self.tests)

    @property
    def batch_metal(self) -> tuple[str, str]:
        """What names it."""
        return self.batch, self.metal


@dataclass(frozen=True)
class Evidence:
    """All evidence of a bench, batch metals ordered by role, and the notes a person should read."""

    batch_metals: tuple[BatchMetal, ...]
    assays: tuple[Assay, ...]
    notes: tuple[str, ...]

    def cells(self) -> tuple[tuple[str, str], ...]:
        """(address, metal) of every grade that some evidence touches, in order of first mention."""
        found: dict[tuple[str, str], None] = {}
        for item in self.batch_metals:
            found.update({(address, item.metal): None for address in item.portions})
        found.update({(address, assay.metal): None for assay in self.assays for address, _ in parts_of(assay)})
        return tuple(found)

    def rests_on(self) -> dict[tuple[str, str], str]:
        """In words, what each touched grade rests on; the sources of a jar together."""
        counts: dict[tuple[str, str], dict[str, int]] = {}
        for item in self.batch_metals:
            word = {"W": "weight", "S": "weight", "O": "weight so far", "N": "non-detect", "T": ""}[item.role]
            many = len(item.products) if item.role in "WS" else 1
            for address in dict.fromkeys(jar_of(part) for part in item.portions):
                cell = counts.setdefault((address, item.metal), {})
                for name, more in ((word, many), ("spot test", len(item.tests))):
                    if name and more:
                        cell[name] = cell.get(name, 0) + more
        for assay in self.assays:
            cell = counts.setdefault((jar_of(assay.address), assay.metal), {})
            cell["assay"] = cell.get("assay", 0) + 1
        return {
            key: ", ".join(f"{n} {word}{'s' if n > 1 and word != 'weight so far' else ''}" for word, n in cell.items())
            for key, cell in counts.items()
        }


def least_weight_g(product: Product) -> float:
    """What a product weighs at least as it was noted: the reading, or the lower end of an old note's interval, g."""
    return product.weight_g - product.interval_g / 2


def dry_share(bench: Bench, address: str, catalogue: Catalogue) -> float:
    """Share of a fraction's recorded mass that is dry feed (the moisture row's median where it is wet)."""
    return 1.0 - catalogue.shares["moisture"].q50 if bench.fraction(address).wet else 1.0


def gather(bench: Bench, catalogue: Catalogue) -> Evidence:
    """Sort the records of a bench into evidence. Routes that recover none of a metal say nothing about it."""
    found: list[BatchMetal] = []
    notes: list[str] = []
    for batch in bench.batches.values():
        portions: dict[str, float] = {}
        for charge in batch.charges:
            dry = charge.mass_kg * dry_share(bench, charge.address, catalogue)
            portions[charge.address] = portions.get(charge.address, 0.0) + dry
        for metal in METALS:
            if metal not in catalogue.routes[batch.route].recovery:
                continue
            item = _batch_metal(batch, metal, portions)
            if item is not None:
                found.append(item)
                if item.role == "O":
                    notes.append(f"{batch.name} is open: its {metal} so far counts as a lower bound")
    found.sort(key=lambda item: ROLES.index(item.role))  # stable: ledger order within a role
    return Evidence(tuple(found), bench.assays, tuple(notes))


def _batch_metal(batch: Batch, metal: str, portions: dict[str, float]) -> BatchMetal | None:
    products = tuple(sorted((p for p in batch.products if p.metal == metal), key=lambda p: -p.weight_g))
    tests = tuple(t for t in batch.spot_tests if t.metal == metal)
    role: Role
    if products:
        if not batch.is_open:
            heavy = products[0].weight_g > DIGITS_TO_READ_BACKWARDS * products[0].readability_g
            role = "W" if heavy else "S"
            return BatchMetal(batch.name, batch.route, metal, role, products, None, portions, tests)
        if max(least_weight_g(p) for p in products) > 0:
            return BatchMetal(batch.name, batch.route, metal, "O", products, None, portions, tests)
    else:
        said = [n for n in batch.nondetects if n.metal == metal]
        if said and said[-1].liquid != "kept":
            return BatchMetal(batch.name, batch.route, metal, "N", (), said[-1], portions, tests)
    return BatchMetal(batch.name, batch.route, metal, "T", (), None, portions, tests) if tests else None
