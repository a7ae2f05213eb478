"""Small benches out of every kind of evidence: a share of `every_evidence`, by chance, filled from the prior.

What a plan says and what came of it can differ so that the records speak of another bench than was drawn: a powder that
does not show on the balance tells nothing of what its filters held. Such a bench is drawn again. That depends on the
records alone, so ranks of the truth stay uniform among the benches that are kept.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

import numpy as np

from gradeest.belief.evidence import Evidence, gather
from gradeest.belief.layers import split_layers
from gradeest.belief.simulate import Truth, simulate
from gradeest.materials.catalogue import Catalogue
from gradeest.records.domain import Assay, Batch, Bench, NonDetect
from tests.engine_bench import DAY, every_evidence

NEXT = "next-"  # name of a run that has not happened when a bench is fitted
MOST_TRIES = 20_000


def part_of_everything(share: float, rng: np.random.Generator) -> Bench:
    """A plan with so much of every kind of evidence; whoever runs a stream, or ash, comes after those that left it."""
    whole = split_layers(every_evidence())
    taken: dict[str, Batch] = {}
    for name, one in whole.batches.items():
        if rng.uniform() < share and all(source in taken for source in sources_of(one, whole)):
            taken[name] = one
    assays = tuple(a for a in whole.assays if rng.uniform() < share)
    return of_its_products(replace(whole, batches=taken, assays=assays))


def sources_of(one: Batch, bench: Bench) -> list[str]:
    """Batches whose streams or products a batch takes, or whose filters its ash is of."""
    streams = [c.address.partition("/")[0] for c in one.charges if bench.is_of_batch(c.address)]
    return streams + [name for c in one.charges if c.link is not None for name in c.link.batches]


def of_its_products(bench: Bench) -> Bench:
    """The bench with assays and settlements of products that it holds."""
    held = {f"{name}/{p.name}" for name, one in bench.batches.items() for p in one.products}
    said = tuple(a for a in bench.product_assays if a.address in held)
    papers = tuple(s for s in bench.settlements if held.issuperset(s.products))
    return replace(bench, product_assays=said, settlements=papers)


def kinds_of_evidence(bench: Bench) -> set[str]:
    """Names of the sorts of results that a bench holds."""
    found = {_sort_of(assay) for assay in bench.assays}
    found |= {"assay of a product" for _ in bench.product_assays} | {"settlement" for _ in bench.settlements}
    for batch in bench.batches.values():
        found |= _sorts_of_charge(batch, bench)
        found |= {f"nothing ({n.liquid})" for n in batch.nondetects}
        found |= {f"spot test {test.moment.replace('-', ' the ')}" for test in batch.spot_tests}
        found |= {"loss"} if batch.losses else set()
        found |= {"stream set aside"} if batch.streams else set()
        for p in batch.products:
            few = p.weight_g < 20 * p.readability_g
            found.add("weight so far" if batch.is_open else "weight of few digits" if few else "weight")
            found |= {"interval"} if p.interval_g else set()
            found |= {"damp"} if p.damp else set()
            found |= {"checked balance"} if any(check.balance == p.balance for check in bench.checks) else set()
    return found


def _sort_of(assay: Assay) -> str:
    if assay.method == "plating":
        return "plated area"
    return "assay below detection" if assay.below_detection else "assay of a jar" if assay.layers_kg else "assay"


def _sorts_of_charge(batch: Batch, bench: Bench) -> set[str]:
    found = {"pooled drop"} if len(batch.charges) > 1 else set()
    for charge in batch.charges:
        if charge.link is not None:
            found.add("ash of filters")
        elif bench.is_of_batch(charge.address):
            found.add("product refined again" if bench.has_product(charge.address) else "stream run again")
        elif bench.fraction(charge.address).pieces:
            found.add("counted pieces")
    return found


def filled(plan: Bench, catalogue: Catalogue, rng: np.random.Generator) -> tuple[Bench, Truth]:
    """The plan filled from the prior, drawn again until its records speak of what was drawn."""
    for _ in range(MOST_TRIES):
        made, truth = simulate(plan, catalogue, rng)
        if says_what_was_drawn(plan, made, catalogue):
            return made, truth
    raise RuntimeError(f"no such bench in {MOST_TRIES} tries")


def says_what_was_drawn(plan: Bench, made: Bench, catalogue: Catalogue) -> bool:
    """Whether the records of a bench say of its batches what its plan meant them to.

    Nothing reads zero: what is typed then, a limit that the balance would have shown, is a guess and no reading. Every
    batch with a result has one: more than its limit dropped where the liquid was thrown away is none. Ash is linked as
    planned, and what left streams or filters for later is read as planned.
    """
    weighed = [p for one in made.batches.values() for p in one.products if not one.name.startswith(NEXT)]
    if any(p.weight_g < p.readability_g for p in weighed):
        return False
    was, became = gather(plan, catalogue), gather(made, catalogue)
    sources = {source for one in plan.batches.values() for source in sources_of(one, plan)}
    return (
        was.links == became.links
        and _with_results(was) == _with_results(became)
        and _read_alike(_roles(was, sources), _roles(became, sources))
    )


def _with_results(evidence: Evidence) -> set[tuple[str, str]]:
    return {item.batch_metal for item in evidence.batch_metals if item.role != "T"}


def _roles(evidence: Evidence, batches: Iterable[str]) -> dict[tuple[str, str], str]:
    return {item.batch_metal: item.role for item in evidence.batch_metals if item.batch in batches}


def _read_alike(planned: Mapping[tuple[str, str], str], made: Mapping[tuple[str, str], str]) -> bool:
    """A weight that was planned to be of one digit may be of more: what is planned is no weight."""
    return planned.keys() == made.keys() and all(
        (planned[key], made[key]) in (("S", "W"), (made[key],) * 2) for key in made
    )


def without_nothing(made: Bench) -> Bench:
    """A reading of zero is typed as `nothing`, the limit being what the balance would have shown."""
    batches = {}
    for name, one in made.batches.items():
        kept = tuple(p for p in one.products if p.weight_g >= p.readability_g)
        empty = {p.metal for p in one.products} - {p.metal for p in kept}
        limits = [
            NonDetect(name, metal, 1.5 * next(p.readability_g for p in one.products if p.metal == metal),
                      "tested-negative", DAY)
            for metal in sorted(empty)
        ]  # fmt: skip
        batches[name] = replace(one, products=kept, nondetects=(*one.nondetects, *limits))
    return replace(made, batches=batches)
