"""Shared fractions, jars that grew, spills and streams set aside, by importance sampling of the model drawn forward.

Reference: `forward_model`, the model's statement in plain numpy; no line of the engine's density. Readings are coarse,
so that enough of the draws run forward fit them; `importance.Case` holds both against each other.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from gradeest.belief.posterior import fit
from gradeest.materials.catalogue import Catalogue
from gradeest.records.domain import Assay, Batch, Bench, Charge, Fraction, NonDetect, Sale
from tests.engine_bench import DAY, batch, bench, lot, product
from tests.statistical.forward_model import ForwardModel, Values, expit, logit
from tests.statistical.importance import CATALOGUE, WORTH, Case, Weighted, compare

LATE, FINGERS, ROUTE = "chips-from-2014", "fingers-mixed", "foils-peroxide"
Z95 = 1.6448536269514722  # standard normal 95 % point


def few_pieces() -> Catalogue:
    """Heavy pieces that differ, so that portions do."""
    kinds = {name: replace(CATALOGUE.kinds[name], piece_mass_g=4.0, piece_cv=1.5) for name in (LATE, FINGERS)}
    return replace(CATALOGUE, kinds={**CATALOGUE.kinds, **kinds})


FEW = few_pieces()


class Maker:
    """Fractions L1/a, L2/a ... and batches of their portions, each with the weight it gives the draws behind it."""

    def __init__(self, draws: int, seed: int, catalogue: Catalogue = CATALOGUE) -> None:
        self.world, self.catalogue = ForwardModel(catalogue, draws, seed), catalogue
        self.weight = np.ones(draws)
        self.lots = [lot("untouched", Fraction("a", LATE, 1.0))]
        self.batches: list[Batch] = []
        self.portion: dict[tuple[str, str], tuple[float, Values]] = {}  # (batch, lot): kg, g of gold

    def fraction(self, name: str, kind: str, **kg: float) -> None:
        """A fraction whose portions (by batch, or "rest") weigh so much."""
        metal = self.world.portions(kind, kg, self.world.grade(name, kind, "Au"))
        self.portion |= {(part, name): (kg[part], metal[part]) for part in kg}
        self.lots.append(lot(name, Fraction("a", kind, sum(kg.values()))))

    def in_work(self, name: str, gold: Values, lost: Sequence[tuple[float, float]], aside: Sequence[str]) -> Values:
        """What spills and streams set aside leave."""
        for low, high in lost:
            centre, sd = (logit(low) + logit(high)) / 2, (logit(high) - logit(low)) / (2 * Z95)
            gold = gold * (1 - expit(centre + sd * self.world.normal("lost", name)))
        row = self.catalogue.shares["set-aside"]
        odds = [np.exp(self.world.share_row(row, 0.0, 0.0, self.world.normal("aside", name, each))) for each in aside]
        return gold / (1 + sum(odds, np.zeros_like(gold)))

    def run(
        self, name: str, lots: Sequence[str], grams: float, step: float = 0.01, *, closed: bool = True,
        liquid: str = "", damp: bool = False, lost: Sequence[tuple[float, float]] = (), aside: Sequence[str] = (),
    ) -> None:  # fmt: skip
        """A batch that weighed so much, or (with `liquid`) nothing above that, or (open) so much so far."""
        world = self.world
        gold = self.in_work(
            name, sum((self.portion[name, each][1] for each in lots), np.zeros(world.draws)), lost, aside
        )
        if liquid == "gone":
            gold = gold * world.rng.uniform(size=world.draws)
        recovered = world.recover(name, ROUTE, "Au", gold, 0.5)
        charges = [(f"{each}/a", self.portion[name, each][0]) for each in lots]
        if liquid:
            self.weight = self.weight * (recovered < grams)
            said = NonDetect(name, "Au", grams, liquid, DAY)  # type: ignore[arg-type]
            self.batches.append(batch(name, ROUTE, charges, nondetects=[said], lost=lost, aside=aside))
            return
        weighed = recovered / world.metal_share(name, "gold-powder", damp)
        if closed:
            self.weight = self.weight * world.chance_of_reading(weighed, grams, step)
        else:
            shown = weighed * (1 + world.k["balance.scale_sd"] * world.normal("balance", "bench"))
            self.weight = self.weight * (shown > grams)
        powder = product("au-1", name, "Au", "gold-powder", grams, step, damp=damp)
        self.batches.append(batch(name, ROUTE, charges, powder, closed=closed, lost=lost, aside=aside))

    def case(self) -> Case:
        return Case(bench(self.lots, self.batches), self.world, self.weight)


def two_drops_of_the_same_two() -> Case:
    """Both fractions in both drops, in other proportions; of each some is left."""
    maker = Maker(800_000, 2, FEW)
    maker.fraction("L1", FINGERS, B1=0.4, B2=0.2, rest=0.2)
    maker.fraction("L2", LATE, B1=0.2, B2=0.8, rest=0.3)
    maker.run("B1", ["L1", "L2"], 1.4, 0.15)
    maker.run("B2", ["L1", "L2"], 1.8, 0.15)
    return maker.case()


def open_drop() -> Case:
    """A fraction weighed alone, and dropped together with another in a batch that is still open."""
    maker = Maker(600_000, 6, FEW)
    maker.fraction("L1", FINGERS, B1=0.3, B2=0.3)
    maker.fraction("L2", LATE, B2=1.0)
    maker.run("B1", ["L1"], 0.5, 0.1)
    maker.run("B2", ["L1", "L2"], 1.0, closed=False)
    return maker.case()


def nothing_after_a_spill(liquid: str) -> Case:
    """Between a third and most of it was spilled, and nothing dropped."""
    maker = Maker(300_000, 8)
    maker.fraction("L1", LATE, B1=0.6, rest=0.4)
    maker.run("B1", ["L1"], 0.03, liquid=liquid, lost=[(0.3, 0.8)])
    return maker.case()


def damp_with_streams_set_aside() -> Case:
    maker = Maker(500_000, 13)
    maker.fraction("L1", LATE, B1=1.0)
    maker.run("B1", ["L1"], 0.5, 0.05, damp=True, lost=[(0.05, 0.3)], aside=["wires", "oversize"])
    return maker.case()


def grown_jar() -> tuple[Case, Values]:
    """A jar run, grown, assayed, half of it sold, run again; with the grade of what is left of it."""
    world = ForwardModel(FEW, 1_000_000, 10)
    first, second = (world.grade("L1", LATE, "Au", source) for source in ("a#1", "a#2"))
    one = world.portions(LATE, {"B1": 0.4, "sold": 0.3, "B2": 0.15, "rest": 0.15}, first)
    two = world.portions(LATE, {"sold": 0.25, "B2": 0.125, "rest": 0.125}, second)
    world.keep(("grade", "L1", "a", "Au"), lambda: (1.0 * first + 0.5 * second) / 1.5)
    sampled = (0.6 * first + 0.5 * second) / 1.1
    weight = np.exp(-0.5 * ((math.log(900.0) - np.log(sampled)) / 0.3) ** 2)
    batches = []
    shown = (("B1", one["B1"], 0.25, 0.05, (0.4, 0.0)), ("B2", one["B2"] + two["B2"], 0.35, 0.1, (0.15, 0.125)))
    for name, gold, grams, step, layers in shown:
        weighed = world.recover(name, ROUTE, "Au", gold, 0.5) / world.metal_share(name, "gold-powder")
        weight = weight * world.chance_of_reading(weighed, grams, step)
        run = batch(name, ROUTE, [], product("au-1", name, "Au", "gold-powder", grams, step))
        batches.append(replace(run, charges=(Charge("L1/a", sum(layers), layers),)))
    jar = bench([lot("L1", Fraction("a", LATE, 1.5, layers_kg=(1.0, 0.5)))], batches)
    jar = replace(
        jar,
        assays=(Assay("L1/a", "Au", 900.0, 0.3, DAY, layers_kg=(0.6, 0.5)),),
        sales=(Sale("L1/a", 5.0, DAY, 0.55, layers_kg=(0.3, 0.25)),),
    )
    return Case(jar, world, weight), (one["rest"] + two["rest"]) / 0.275 * 1000


def test_two_drops_of_the_same_two_fractions() -> None:
    """Neither drop alone tells the fractions apart; together, in other proportions, they do."""
    assert two_drops_of_the_same_two().gaps(FEW) == []


def test_an_open_drop_with_a_fraction_weighed_alone() -> None:
    case = open_drop()
    assert case.gaps(FEW) == []
    closed = replace(case.bench.batches["B2"], closed=DAY)  # twin: all that will come counted as come
    case.bench = replace(case.bench, batches={**case.bench.batches, "B2": closed})
    assert case.gaps(FEW) != []


@pytest.mark.parametrize("liquid", ["tested-negative", "gone"])
def test_nothing_dropped_after_a_spill(liquid: str) -> None:
    case = nothing_after_a_spill(liquid)
    assert case.gaps() == []


def test_a_spill_explains_part_of_nothing() -> None:
    """Twin: the same without the spill on record."""
    case = nothing_after_a_spill("tested-negative")
    case.bench = without_outflows(case.bench)
    assert case.gaps() != []


def test_a_damp_product_after_streams_were_set_aside() -> None:
    case = damp_with_streams_set_aside()
    assert case.gaps() == []
    case.bench = without_outflows(case.bench)
    assert case.gaps() != []  # twin: as if all had stayed in work


def without_outflows(held: Bench) -> Bench:
    return replace(held, batches={name: replace(b, streams=(), losses=()) for name, b in held.batches.items()})


def rest_gaps(case: Case, rest: Values) -> list[str]:
    """What the engine and importance sampling disagree on about what is left of the jar."""
    posterior, exact = fit(case.bench, FEW, seed=4), Weighted(case.weight)
    count = max(posterior.diagnostics.ess_min, WORTH * posterior.draws)
    return compare("left", np.log(rest), np.log(posterior.rest_grade_g_per_t[:, 0, 0]), exact, count)


def test_a_jar_that_grew_and_of_which_half_was_sold() -> None:
    case, rest = grown_jar()
    assert case.gaps(FEW) == []
    assert rest_gaps(case, rest) == []
    jar = case.bench.lots["L1"]
    mixed = replace(jar, fractions=(replace(jar.fractions[0], layers_kg=()),))  # twin: one grade for the whole jar
    case.bench = replace(
        case.bench,
        lots={"L1": mixed},
        batches={n: replace(b, charges=tuple(replace(c, layers_kg=()) for c in b.charges))
                 for n, b in case.bench.batches.items()},
        assays=tuple(replace(a, layers_kg=()) for a in case.bench.assays),
        sales=tuple(replace(s, layers_kg=()) for s in case.bench.sales),
    )  # fmt: skip
    assert rest_gaps(case, rest) or case.gaps(FEW)
