"""Spot tests of a batch's liquid, held to importance sampling of the model drawn forward: no line of the engine's.

What is in the liquid and the limits between the colours are written out again in `forward_model`.
"""

from __future__ import annotations

import functools
from dataclasses import replace

import numpy as np
import pytest
from scipy.special import log_ndtr

from gradeest.belief.simulate import simulate
from gradeest.belief.spots import normal_quantile
from gradeest.records.domain import Batch, Fraction, Moment, NonDetect, SpotResult
from tests.engine_bench import DAY, batch, bench, lot, product, spot_test
from tests.statistical.forward_model import ForwardModel, Values
from tests.statistical.importance import CATALOGUE, Case

BOARDS, FINGERS = "boards-enig", "fingers-mixed"
ROUTE = "foils-peroxide"


def in_liquid(world: ForwardModel, name: str, in_work: Values, moment: str, *, nothing_dropped: bool = False) -> Values:
    """Gold in the liquid, g."""
    rest, missed = world.unrecovered(name, "Au"), in_work * (1 - world.recovery(name, ROUTE, "Au"))
    if moment == "before-drop":
        return in_work - rest["residue"] * missed
    return (1 - rest["residue"]) * missed if nothing_dropped else rest["solution"] * missed


@functools.cache
def nothing_dropped(volume_l: float = 4.2, moment: Moment = "after-drop", liquid: str = "tested-negative") -> Case:
    """4 kg of immersion-gold boards gave nothing above 20 mg, and 4.2 L of liquid showed no colour."""
    said = NonDetect("B1", "Au", 0.02, liquid, DAY)  # type: ignore[arg-type]
    drop = batch("B1", ROUTE, [("L1/a", 4.0)], nondetects=[said])
    tested = replace(drop, spot_tests=(spot_test("B1", "negative", 4.2, moment),))
    world = ForwardModel(CATALOGUE, 400_000, 6)
    metal = 4.0 * world.grade("L1", BOARDS, "Au") / 1000
    dropped = world.rng.uniform(size=world.draws) if liquid == "gone" else 1.0
    reached = metal * dropped
    weight = (world.recover("B1", ROUTE, "Au", reached, 0.5) < 0.02).astype(float)
    grams = in_liquid(world, "B1", metal, moment, nothing_dropped=True)
    if moment == "after-drop":
        grams = grams + (1 - dropped) * world.recovery("B1", ROUTE, "Au") * metal
    weight = weight * world.chance_of_colour(grams, volume_l, "negative", "Au", "t1")
    return Case(bench([lot("L1", Fraction("a", BOARDS, 4.0))], [tested]), world, weight)


def two_runs(result: SpotResult, moment: Moment, grams: float | None, *, closed: bool, step: float) -> Case:
    """Two fractions of one kind run one after the other, the second one's liquid tested: same eye, same route."""
    world = ForwardModel(CATALOGUE, 400_000, 8)
    weight = np.ones(world.draws)
    batches: list[Batch] = []
    shown: dict[str, tuple[float | None, SpotResult, Moment]] = {
        "B1": (None, "clear", "before-drop"), "B2": (grams, result, moment),
    }  # fmt: skip
    for n, (name, (weighed, colour, when)) in enumerate(shown.items()):
        metal = 0.5 * world.grade(f"L{n + 1}", FINGERS, "Au") / 1000
        products = []
        if weighed is not None:
            powder = world.recover(name, ROUTE, "Au", metal, 0.5) / world.metal_share(name, "gold-powder")
            if closed:
                weight = weight * world.chance_of_reading(powder, weighed, step)
            else:
                so_far = weighed / (1 + CATALOGUE.constants["balance.scale_sd"] * world.normal("balance", "bench"))
                weight = weight * (powder > so_far)
            products.append(product("au-1", name, "Au", "gold-powder", weighed, step))
        weight = weight * world.chance_of_colour(in_liquid(world, name, metal, when), 1.5, colour, "Au", name)
        one = batch(name, ROUTE, [(f"L{n + 1}/a", 0.5)], *products, closed=name == "B2" and closed)
        batches.append(replace(one, spot_tests=(spot_test(name, colour, 1.5, when),)))
    lots = [lot(f"L{n}", Fraction("a", FINGERS, 0.5)) for n in (1, 2)]
    return Case(bench(lots, batches), world, weight)


@pytest.mark.parametrize("moment", ["before-drop", "after-drop"])
def test_nothing_dropped_and_no_colour(moment: Moment) -> None:
    assert nothing_dropped(moment=moment).gaps() == []


def test_nothing_dropped_and_the_liquid_gone_after_the_test() -> None:
    assert nothing_dropped(liquid="gone").gaps() == []


def test_a_wrong_volume_is_found() -> None:
    """Twin: the reference reads the colour as that of a tenth of the liquid."""
    assert any("95%" in gap or "mean" in gap for gap in nothing_dropped(volume_l=0.42).gaps())


@pytest.mark.parametrize(
    ("result", "moment", "grams", "closed"),
    [
        ("faint", "after-drop", 0.5, True),
        ("strong", "before-drop", 0.5, False),
        ("clear", "before-drop", None, False),  # nothing but the test
        ("negative", "after-drop", 0.3, True),  # a weight of one step: forwards
    ],
)
def test_tests_beside_weights_and_alone(result: SpotResult, moment: Moment, grams: float | None, closed: bool) -> None:
    step = 0.3 if grams == 0.3 else 0.1
    assert two_runs(result, moment, grams, closed=closed, step=step).gaps() == []


def test_the_quantile_within_what_is_allowed() -> None:
    """Against the normal distribution function it inverts (scipy)."""
    z = np.linspace(-30, 6, 400)
    assert np.abs(normal_quantile(log_ndtr(z)) - z).max() < 1e-12


def test_simulated_colours_are_those_of_the_model() -> None:
    """Colours of many simulated benches against forward draws written anew, for all three moments."""
    plan, count = nothing_dropped().bench, 1500
    both = replace(
        plan.batches["B1"], spot_tests=(spot_test("B1", "clear", 4.2, "before-drop"), spot_test("B1", "clear", 0.1))
    )
    plan, rng = replace(plan, batches={"B1": both}), np.random.default_rng(3)
    shown = [simulate(plan, CATALOGUE, rng)[0].batches["B1"].spot_tests for _ in range(count)]
    world = ForwardModel(CATALOGUE, 100_000, 5)
    metal = 4.0 * world.grade("L1", BOARDS, "Au") / 1000
    is_nothing = world.recover("B1", ROUTE, "Au", metal, 0.5) < 0.02
    after = np.where(
        is_nothing, in_liquid(world, "B1", metal, "after-drop", nothing_dropped=True),
        in_liquid(world, "B1", metal, "after-drop"),
    )  # fmt: skip
    for n, (grams, litres) in enumerate(((in_liquid(world, "B1", metal, "before-drop"), 4.2), (after, 0.1))):
        for colour in ("negative", "faint", "clear", "strong"):
            expected = float(world.chance_of_colour(grams, litres, colour, "Au", f"t{n}").mean())
            seen = sum(tests[n].result == colour for tests in shown) / count
            assert abs(seen - expected) < 4 * np.sqrt(expected * (1 - expected) / count) + 0.005
