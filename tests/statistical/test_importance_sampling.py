"""Small benches by importance sampling of the model drawn forward: grades, traces, failed runs.

Reference: `forward_model`, the model's statement in plain numpy; no line of the engine's density. Every fit runs in a
moment; `importance.Case` holds both against each other.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtr

from gradeest.belief import sampler as sampling
from gradeest.belief.assembly import build_network
from gradeest.belief.posterior import diagnose
from gradeest.belief.sampler import Sampler
from gradeest.belief.shape import Shape
from gradeest.materials.catalogue import Catalogue
from gradeest.records.domain import Fraction, NonDetect
from tests.engine_bench import DAY, assayed, batch, bench, lot, product
from tests.statistical.forward_model import ForwardModel
from tests.statistical.importance import CATALOGUE, Case

DRAWS = 300_000
LATE, MLCC, FINGERS = "chips-from-2014", "mlcc-unsorted", "fingers-mixed"


def pooled_two() -> Case:
    """Fingers and late chips dropped together; the chips may hold none, and the weight cannot tell."""
    lots = [
        lot("L1", Fraction("a", FINGERS, 0.6)),
        lot("L2", Fraction("a", LATE, 1.0)),
        lot("L3", Fraction("a", LATE, 1.0)),
    ]
    drop = batch(
        "B1", "foils-peroxide", [("L1/a", 0.6), ("L2/a", 1.0)], product("au-1", "B1", "Au", "gold-powder", 2.0, 0.1)
    )
    world = ForwardModel(CATALOGUE, DRAWS, 7)
    charge = (0.6 * world.grade("L1", FINGERS, "Au") + world.grade("L2", LATE, "Au")) / 1000
    recovered = world.recover("B1", "foils-peroxide", "Au", charge, 0.5)
    return Case(
        bench(lots, [drop]), world, world.chance_of_reading(recovered / world.metal_share("p", "gold-powder"), 2.0, 0.1)
    )


def split_over_two() -> Case:
    """A trial of few pieces, a second portion by another route, and a rest."""
    masses = {"B1": 0.05, "B2": 0.3, "rest": 0.5}
    shown = {"B1": ("foils-peroxide", 0.10, 0.01), "B2": ("pins-nitric", 0.6, 0.05)}
    catalogue = few_pieces()
    world = ForwardModel(catalogue, DRAWS, 8)
    metal = world.portions(FINGERS, masses, world.grade("L1", FINGERS, "Au"))
    weight = np.ones(DRAWS)
    batches = []
    for name, (route, grams, step) in shown.items():
        weighed = world.recover(name, route, "Au", metal[name], 0.5) / world.metal_share(name, "gold-powder")
        weight = weight * world.chance_of_reading(weighed, grams, step)
        powder = product("au-1", name, "Au", "gold-powder", grams, step)
        batches.append(batch(name, route, [("L1/a", masses[name])], powder))
    return Case(bench([lot("L1", Fraction("a", FINGERS, 0.85))], batches), world, weight)


def few_pieces() -> Catalogue:
    """Heavy pieces that differ, so that portions do."""
    kind = replace(CATALOGUE.kinds[FINGERS], piece_mass_g=4.0, piece_cv=1.5)
    return replace(CATALOGUE, kinds={**CATALOGUE.kinds, FINGERS: kind})


def open_batch() -> Case:
    """1.2 g so far of what the row expects to be half a gram."""
    powder = product("au-1", "B1", "Au", "gold-powder", 1.2, 0.01)
    lots = [lot("L1", Fraction("a", LATE, 1.0)), lot("L2", Fraction("a", LATE, 1.0))]
    world = ForwardModel(CATALOGUE, DRAWS, 9)
    recovered = world.recover("B1", "chips-burn", "Au", world.grade("L1", LATE, "Au") / 1000, 0.5)
    so_far = 1.2 * world.metal_share("p", "gold-powder") / (1 + 0.005 * world.normal("balance", "bench"))
    return Case(
        bench(lots, [batch("B1", "chips-burn", [("L1/a", 1.0)], powder, closed=False)]),
        world, (recovered > so_far).astype(float),
    )  # fmt: skip


def nothing_dropped(liquid: str) -> Case:
    """Nothing above 30 mg from a portion; the liquid is tested or gone. Palladium goes with gold, and is untouched."""
    said = NonDetect("B1", "Au", 0.03, liquid, DAY)  # type: ignore[arg-type]
    drop = batch("B1", "chips-burn", [("L1/a", 0.6)], nondetects=[said])
    world = ForwardModel(CATALOGUE, DRAWS, 10)
    metal = world.portions(LATE, {"B1": 0.6, "rest": 0.4}, world.grade("L1", LATE, "Au"))["B1"]
    if liquid == "gone":
        metal = metal * world.rng.uniform(size=DRAWS)
    recovered = world.recover("B1", "chips-burn", "Au", metal, 0.5)
    lots = [lot("L1", Fraction("a", LATE, 1.0)), lot("L2", Fraction("a", LATE, 1.0))]
    return Case(bench(lots, [drop]), world, (recovered < 0.03).astype(float))


def silver_without_palladium() -> Case:
    """Silver weighed, palladium not seen: no palladium without silver, and their grades go together."""
    chloride = product("ag-1", "B1", "Ag", "silver-chloride", 2.0, 0.2)
    said = NonDetect("B1", "Pd", 0.05, "tested-negative", DAY)
    lots = [lot("L1", Fraction("a", MLCC, 0.3)), lot("L2", Fraction("a", MLCC, 0.3))]
    world = ForwardModel(CATALOGUE, 2 * DRAWS, 11)
    silver, palladium = (world.grade("L1", MLCC, metal) * 0.3 / 1000 for metal in ("Ag", "Pd"))
    recovered = world.recover("B1", "mlcc-nitric", "Ag", silver, 0.5)
    weight = world.chance_of_reading(recovered / world.metal_share("p", "silver-chloride"), 2.0, 0.2)
    usual = CATALOGUE.forms[CATALOGUE.routes["mlcc-nitric"].usual_form["Pd"]]
    weight = weight * (world.recover("B1", "mlcc-nitric", "Pd", palladium, usual.holdup_factor) < 0.05)
    taken = batch("B1", "mlcc-nitric", [("L1/a", 0.3)], chloride, nondetects=[said])
    return Case(bench(lots, [taken]), world, weight)


def weighed_alone(kind: str, route: str, grams: float, step: float, damp: bool = False) -> Case:
    """One kilogram, one batch, one powder."""
    powder = product("au-1", "B1", "Au", "gold-powder", grams, step, damp=damp)
    lots = [lot("L1", Fraction("a", kind, 1.0)), lot("L2", Fraction("a", kind, 1.0))]
    world = ForwardModel(CATALOGUE, 3 * DRAWS, 12)
    recovered = world.recover("B1", route, "Au", world.grade("L1", kind, "Au") / 1000, 0.5)
    weight = world.chance_of_reading(recovered / world.metal_share("p", "gold-powder", damp), grams, step)
    return Case(bench(lots, [batch("B1", route, [("L1/a", 1.0)], powder)]), world, weight)


def assay_below_detection() -> Case:
    """Gold below detection: a trace or a poor lot. Palladium, which goes with gold, was not asked."""
    world = ForwardModel(CATALOGUE, DRAWS, 13)
    world.grade("L", LATE, "Pd")
    weight = ndtr((math.log(40.0) - np.log(world.grade("L", LATE, "Au"))) / 0.1)
    return Case(assayed(LATE, "Au", (40.0, 0.1, True)), world, weight)


def test_two_kinds_dropped_together() -> None:
    assert pooled_two().gaps() == []


def test_a_pooled_weight_decides_no_switch_in_advance() -> None:
    """Twin: the chips taken for present because the whole drop was good."""
    case = pooled_two()
    assert not any(key[0] == "trace" for key in build_network(case.bench, CATALOGUE).fixed)  # type: ignore[index]
    case.weight = case.weight * ~case.world.is_trace("L2", LATE, "Au")
    gaps = case.gaps()
    assert any("L2/a Au traces" in gap for gap in gaps)
    assert any("L2/a Au: mean" in gap for gap in gaps)


def test_a_fraction_over_two_batches_and_a_rest() -> None:
    assert split_over_two().gaps(few_pieces()) == []


def test_an_open_batch_with_a_weight_so_far() -> None:
    assert open_batch().gaps() == []


@pytest.mark.parametrize("liquid", ["tested-negative", "gone"])
def test_nothing_dropped(liquid: str) -> None:
    assert nothing_dropped(liquid).gaps(metals=("Au", "Pd")) == []


def test_a_view_by_curvature_alone_creeps(monkeypatch: pytest.MonkeyPatch) -> None:
    """Twin: what a choice leaves unused then moves too little, and it is seen."""
    network = build_network(nothing_dropped("tested-negative").bench, CATALOGUE)

    def fewest_effective_draws() -> float:
        found = []
        for seed in range(8):
            sampler = Sampler(network, np.random.default_rng(seed))
            sampler.adapt(16)
            found.append(diagnose(sampler.draw(24)[0][:, :, network.layout["x1"]])[1])
        return min(found)

    monkeypatch.setattr(sampling, "JUMPS", 0)  # they would hide it
    monkeypatch.setattr(sampling, "LEARNING_JUMPS", 0)
    held = fewest_effective_draws()
    monkeypatch.setattr(Shape, "widened", lambda self, theta: self)
    assert fewest_effective_draws() < held / 2


def test_liquid_gone_is_not_liquid_tested() -> None:
    """Twin: the same limit read as if the liquid had been tested."""
    gone = nothing_dropped("gone")
    assert Case(nothing_dropped("tested-negative").bench, gone.world, gone.weight).gaps() != []


def test_silver_weighed_and_palladium_not_seen() -> None:
    assert silver_without_palladium().gaps(metals=("Ag", "Pd")) == []


def test_a_twentieth_of_what_was_expected() -> None:
    assert weighed_alone("fingers-memory", "foils-peroxide", 0.12, 0.02).gaps() == []


def test_a_hundredth_is_a_failed_run_or_a_trace() -> None:
    """Late chips: neither explanation rules the other out in advance."""
    assert weighed_alone(LATE, "chips-burn", 0.006, 0.001).gaps() == []


def test_a_damp_product() -> None:
    assert weighed_alone(LATE, "chips-burn", 0.5, 0.05, damp=True).gaps() == []


def test_a_metal_that_goes_with_one_below_detection() -> None:
    assert assay_below_detection().gaps(metals=("Au", "Pd")) == []
