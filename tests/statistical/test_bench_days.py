"""A spill, a part put aside, an old note, a jar that grew; what is believed where they are not typed as such.

The likelihoods are held to importance sampling of the model drawn forward (`forward_model`). The examples: a bench
whose memory fingers hold 2.5 g/kg of gold, of which it gets 97 % (invented).
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtr

from gradeest.belief.posterior import fit
from gradeest.records.domain import METALS, Bench, Charge, Fraction
from tests.engine_bench import assay, batch, bench, lot, product
from tests.statistical.forward_model import ForwardModel, Values, expit, logit
from tests.statistical.importance import CATALOGUE, Case

DRAWS = 600_000
FINGERS, LATE = "fingers-memory", "chips-from-2014"
SPILL = (0.25, 0.45)


def two_lots(kind: str) -> list[object]:
    return [lot("L1", Fraction("a", kind, 1.0)), lot("L2", Fraction("a", kind, 1.0))]


def between(world: ForwardModel, name: str, low: float, high: float) -> Values:
    """A share that a person put between two values: logit-normal, 5 and 95 %."""
    centre, sd = (logit(low) + logit(high)) / 2, (logit(high) - logit(low)) / (2 * 1.6448536269514722)
    return expit(centre + sd * world.normal("share", name))


def spilled(grams: float, step: float, aside: bool = False) -> Case:
    """Late chips of one kilogram; a third went on the floor, and a stream may have been put aside."""
    world = ForwardModel(CATALOGUE, DRAWS, 21)
    metal = world.grade("L1", LATE, "Au") / 1000 * (1 - between(world, "spill", *SPILL))
    if aside:
        row = CATALOGUE.shares["set-aside"]
        odds = np.exp(world.share_row(row, 0.0, 0.0, world.normal("aside")))
        metal = metal / (1 + odds)
    powder = product("au-1", "B1", "Au", "gold-powder", grams, step)
    run = batch("B1", "foils-peroxide", [("L1/a", 1.0)], powder, aside=["wires"] if aside else [], lost=[SPILL])
    recovered = world.recover("B1", "foils-peroxide", "Au", metal, 0.5)
    weight = world.chance_of_reading(recovered / world.metal_share("p", "gold-powder"), grams, step)
    return Case(bench(two_lots(LATE), [run]), world, weight)


def noted(low: float, high: float) -> Case:
    """An old note: between two weights."""
    world = ForwardModel(CATALOGUE, DRAWS, 22)
    powder = product("au-1", "B1", "Au", "gold-powder", (low + high) / 2, interval_g=high - low)
    run = batch("B1", "chips-burn", [("L1/a", 1.0)], powder)
    recovered = world.recover("B1", "chips-burn", "Au", world.grade("L1", LATE, "Au") / 1000, 0.5)
    true = recovered / world.metal_share("p", "gold-powder") * (1 + 0.005 * world.normal("balance", "bench"))
    weight = ndtr((high - true) / 0.01) - ndtr((low - true) / 0.01)
    return Case(bench(two_lots(LATE), [run]), world, weight)


@pytest.mark.parametrize(("grams", "step"), [(0.4, 0.05), (0.02, 0.02)])
def test_a_recorded_spill(grams: float, step: float) -> None:
    """Read backwards, and as the forward likelihood of a reading of one digit."""
    assert spilled(grams, step).gaps() == []


def test_a_spill_and_a_stream_put_aside() -> None:
    assert spilled(0.4, 0.05, aside=True).gaps() == []


def test_a_spill_is_not_no_spill() -> None:
    """Twin: the same weight without the record of the spill."""
    case = spilled(0.4, 0.05)
    run = batch("B1", "foils-peroxide", [("L1/a", 1.0)], case.bench.batches["B1"].products[0])
    assert Case(bench(two_lots(LATE), [run]), case.world, case.weight).gaps() != []


def test_an_old_note_of_an_interval() -> None:
    assert noted(0.2, 0.5).gaps() == []


def test_an_interval_is_not_its_middle() -> None:
    """Twin: the middle taken for a reading."""
    case = noted(0.2, 0.5)
    middle = product("au-1", "B1", "Au", "gold-powder", 0.35)
    other = bench(two_lots(LATE), [batch("B1", "chips-burn", [("L1/a", 1.0)], middle)])
    assert Case(other, case.world, case.weight).gaps() != []


def grown_jar(mixed: bool = True) -> Case:
    """A jar of 1 kg; 0.4 kg ran, 0.6 kg came to it, 0.6 kg of the mixture ran and a sample of it was assayed.

    Parameters: mixed, the model's mixture; otherwise all that came later taken for more of the same.
    """
    world = ForwardModel(CATALOGUE, 2 * DRAWS, 23)
    first = world.grade("L1", LATE, "Au", "first")
    second = world.grade("L1", LATE, "Au", "second") if mixed else first
    world.keep(("grade", "L1", "a", "Au"), lambda: (first + 0.6 * second) / 1.6)
    old = world.portions(LATE, {"B1": 0.4, "B2": 0.3, "rest": 0.3}, first)
    new = world.portions(LATE, {"B2": 0.3, "rest": 0.3}, second)
    weight = ndtr((math.log(450.0) - np.log((first + second) / 2) + 0.02) / 0.3)
    weight = weight - ndtr((math.log(450.0) - np.log((first + second) / 2) - 0.02) / 0.3)
    shown = {"B1": (0.12, 0.02), "B2": (0.32, 0.04)}
    charged = {"B1": old["B1"], "B2": old["B2"] + new["B2"]}
    batches = []
    for name, (grams, step) in shown.items():
        recovered = world.recover(name, "chips-burn", "Au", charged[name], 0.5)
        weight = weight * world.chance_of_reading(recovered / world.metal_share(name, "gold-powder"), grams, step)
        powder = product("au-1", name, "Au", "gold-powder", grams, step)
        batches.append(batch(name, "chips-burn", [("L1/a", sum(TAKEN[name]))], powder))
        batches[-1] = replace(batches[-1], charges=(Charge("L1/a", sum(TAKEN[name]), TAKEN[name]),))
    sample = replace(assay("L1/a", "Au", 450.0, 0.3), layers_kg=(0.6, 0.6))
    jar = lot("L1", Fraction("a", LATE, 1.6, layers_kg=(1.0, 0.6)))
    return Case(bench([jar, lot("L2", Fraction("a", LATE, 1.0))], batches, [sample]), world, weight)


TAKEN = {"B1": (0.4, 0.0), "B2": (0.3, 0.3)}  # kg of each source


def test_a_jar_that_grew_is_a_mixture_of_its_sources() -> None:
    assert grown_jar().gaps() == []


def test_a_jar_that_grew_is_not_more_of_the_same() -> None:
    """Twin: what came later taken for the same material."""
    assert grown_jar(mixed=False).gaps() != []


# --- typed as it was, and as if nothing had happened


TRUE_G_PER_KG = 2.5
GOT = 0.97


def contained(made: Bench) -> tuple[float, float]:
    """The 90 % interval of the fingers' gold, g/kg."""
    posterior = fit(made, CATALOGUE, seed=5)
    grade = posterior.grade_g_per_t[:, posterior.fractions.index("shed/fing"), METALS.index("Au")] / 1000
    low, high = np.quantile(grade, [0.05, 0.95])
    return float(low), float(high)


def run_of(grams: float, **how: object) -> Bench:
    """One kilogram of memory fingers, and what the balance showed."""
    powder = product("au-1", "B1", "Au", "gold-powder", round(grams, 2))
    made = batch("B1", "foils-peroxide", [("shed/fing", 1.0)], powder, **how)  # type: ignore[arg-type]
    return bench([lot("shed", Fraction("fing", FINGERS, 1.0))], [made])


def holds(interval: tuple[float, float]) -> bool:
    return interval[0] <= TRUE_G_PER_KG <= interval[1]


def test_a_third_on_the_floor_recorded_keeps_the_truth_inside() -> None:
    on_the_bench = GOT * TRUE_G_PER_KG * (1 - 1 / 3)
    assert holds(contained(run_of(on_the_bench, lost=[SPILL])))
    assert not holds(contained(run_of(on_the_bench)))  # twin: typed as a normal result


def test_a_first_drop_recorded_as_so_far_keeps_the_truth_inside() -> None:
    first = 0.6 * GOT * TRUE_G_PER_KG
    assert holds(contained(run_of(first, closed=False)))
    assert not holds(contained(run_of(first)))  # twin: read as everything


def test_foreign_gold_charged_as_its_own_lot_keeps_the_truth_inside() -> None:
    """1.1 g of gold in a ring of 1.9 g went in with the fingers."""
    grams = GOT * (TRUE_G_PER_KG + 1.1)
    ring = lot("neighbour", Fraction("ring", "karat-gold", 0.0019))
    powder = product("au-1", "B1", "Au", "gold-powder", round(grams, 2))
    made = batch("B1", "foils-peroxide", [("shed/fing", 1.0), ("neighbour/ring", 0.0019)], powder)
    assert holds(contained(bench([lot("shed", Fraction("fing", FINGERS, 1.0)), ring], [made])))
    assert not holds(contained(run_of(grams)))  # twin: the ring was not mentioned


def test_what_was_spilled_does_not_make_the_rest_poorer() -> None:
    """Recoverable grade after a third on the floor: near 0.97 of 2.5 g/kg, not of two thirds of it."""
    posterior = fit(run_of(GOT * TRUE_G_PER_KG * (1 - 1 / 3), lost=[SPILL]), CATALOGUE, seed=5)
    per_kg = posterior.recoverable_g_per_t[:, 0, METALS.index("Au")] / 1000
    low, high = np.quantile(per_kg, [0.05, 0.95])
    assert low < GOT * TRUE_G_PER_KG < high
    assert low > GOT * TRUE_G_PER_KG * (1 - 1 / 3)
