"""What rich stuff can hold at most bounds parts set aside and what may still come of an open batch.

A part that is set aside holds no more metal than its own mass, a charge no more than its kinds can: both against the
model drawn forward, the first row by row too.

Reference: `forward_model`, the model's statement in plain numpy; no line of the engine's density.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy.special import ndtr

from gradeest.belief.assembly import build_network
from gradeest.belief.decode import decode
from gradeest.belief.density import log_density
from gradeest.belief.network import logit_normal
from gradeest.belief.posterior import fit
from gradeest.records.domain import METALS, Batch, Bench, Charge, Fraction, NonDetect, Stream
from tests.engine_bench import DAY, batch, bench, lot, product
from tests.statistical.forward_model import ForwardModel, Values, Weighted
from tests.statistical.importance import CATALOGUE, compare

KIND, ROUTE, KG = "contacts-unknown", "silver-nitric", 1.9
GRAMS, STEP = 700.0, 50.0  # of silver, as weighed
ASIDE_KG = 0.03  # of contacts, and the row of shares lets them hold a third of the silver
DRAWS = 400_000


def contacts(aside_kg: float) -> Bench:
    """Contacts of which some were set aside: rich stuff, so that their own mass bounds what they hold."""
    silver = product("ag-1", "B1", "Ag", "silver-cement", GRAMS, STEP)
    run = batch("B1", ROUTE, [("L1/a", KG)], silver)
    aside = Stream("bits", "B1", "set-aside", aside_kg, None, DAY)
    return bench([lot("L1", Fraction("a", KIND, KG))], [replace(run, streams=(aside,))])


@cache
def by_hand() -> tuple[Values, Values, Weighted]:
    """Grade and what is set aside, g, with the weight of every draw."""
    world = ForwardModel(CATALOGUE, DRAWS, 61)
    grade = world.grade("L1", KIND, "Ag")
    centre, sd = logit_normal(CATALOGUE.shares["set-aside"])
    share = 1 / (1 + np.exp(-(centre + sd * world.normal("aside"))))
    held = share * grade * KG / 1000
    fine = world.recover("B1", ROUTE, "Ag", grade * KG / 1000 - held, CATALOGUE.forms["silver-cement"].holdup_factor)
    weight = world.chance_of_reading(fine / world.metal_share("ag", "silver-cement"), GRAMS, STEP)
    weight = weight * ndtr(np.log(1000 * ASIDE_KG / held) / world.k["stream.cap_log_sd"])
    return np.log(grade), np.log(held), Weighted(weight)


def gaps(known: Bench) -> list[str]:
    found, (grade, held, exact) = fit(known, CATALOGUE, seed=3, fallback=False), by_hand()
    assert exact.ess > 1500
    count = found.diagnostics.ess_min
    mine = np.log(found.grade_g_per_t[:, 0, METALS.index("Ag")])
    gap = compare("grade", grade, mine, exact, count)
    return gap + compare("bits", held, np.log(found.stream_g["B1/bits", "Ag"]), exact, count)


def test_a_small_part_of_rich_stuff_holds_no_more_than_its_mass() -> None:
    assert gaps(contacts(ASIDE_KG)) == []


def test_a_part_that_nothing_bounds_is_told_apart() -> None:
    """Twin: the same with a kilogram set aside."""
    assert gaps(contacts(1.0)) != []


def nothing_dropped(aside_kg: float) -> list[Batch]:
    """Of contacts too, so that the part set aside runs forward from all that went in."""
    run = batch("B1", ROUTE, [("L1/a", KG)], nondetects=[NonDetect("B1", "Ag", 300.0, "gone", DAY)])
    return [replace(run, streams=(Stream("bits", "B1", "set-aside", aside_kg, None, DAY),))]


def beside_one_that_went_on(aside_kg: float) -> list[Batch]:
    """Of a route whose recovery counts what was set aside as missing; another part was run later."""
    first = batch("B1", "chips-burn", [("L1/a", KG)], product("au-1", "B1", "Au", "gold-powder", 1.0, 0.1))
    parts = (("bits", aside_kg), ("wires", 0.2))
    first = replace(first, streams=tuple(Stream(name, "B1", "set-aside", kg, None, DAY) for name, kg in parts))
    later = batch("B2", "ash-leach", [], product("au-1", "B2", "Au", "gold-powder", 0.09, 0.01))
    return [first, replace(later, charges=(Charge("B1/wires", 0.2),))]


@pytest.mark.parametrize(
    ("run", "kind", "metal", "own_g"),
    [(nothing_dropped, KIND, "Ag", 20.0), (beside_one_that_went_on, "chips-from-2014", "Au", 0.5)],
)
def test_what_stands_is_bounded_however_it_is_found(run, kind: str, metal: str, own_g: float) -> None:  # type: ignore[no-untyped-def]
    def of_mass(kg: float):  # type: ignore[no-untyped-def]
        return build_network(bench([lot("L1", Fraction("a", kind, KG))], run(kg)), CATALOGUE)

    points = np.random.default_rng(8).normal(size=(400, of_mass(1e3).size))
    free, capped = (log_density(points, of_mass(kg)) for kg in (1e3, own_g / 1000))
    held = decode(points, of_mass(1e3), np.random.default_rng(9))[1].stream_g["B1/bits", metal]
    above, below = held > 1.2 * own_g, held < 0.8 * own_g
    assert min(above.sum(), below.sum()) > 5
    assert np.median(free[above] - capped[above]) > 1
    assert np.median(free[below] - capped[below]) < 0.1


SO_FAR = 300.0  # g of silver that came of an open batch, of contacts that are thought to hold 600 g and more


@cache
def open_by_hand() -> tuple[Values, Values, Weighted]:
    """Grade, and what part of the final product was weighed so far."""
    world = ForwardModel(CATALOGUE, DRAWS, 62)
    grade = world.grade("L1", KIND, "Ag")
    fine = world.recover("B1", ROUTE, "Ag", grade * KG / 1000, CATALOGUE.forms["silver-cement"].holdup_factor)
    scale = 1 + world.k["balance.scale_sd"] * world.normal("balance", "bench")
    so_far = SO_FAR * world.metal_share("ag", "silver-cement") / scale
    return np.log(grade), np.log(so_far / fine), Weighted((fine > so_far).astype(float))


def open_gaps(grams: float) -> list[str]:
    run = batch("B1", ROUTE, [("L1/a", KG)], product("ag-1", "B1", "Ag", "silver-cement", grams, 1.0), closed=False)
    found = fit(bench([lot("L1", Fraction("a", KIND, KG))], [run]), CATALOGUE, seed=3, fallback=False)
    assert found.draws < 10_000  # no trajectory ends at a wall: it settles at once
    grade, so_far, exact = open_by_hand()
    count = found.diagnostics.ess_min
    mine = np.log(found.grade_g_per_t[:, 0, METALS.index("Ag")])
    gap = compare("grade", grade, mine, exact, count)
    return gap + compare("so far", so_far, found.shares["B1", "Ag", "so far"], exact, count)


def test_an_open_batch_of_what_is_nearly_all_metal_gives_no_more_than_went_in() -> None:
    assert open_gaps(SO_FAR) == []


def test_twice_as_much_so_far_is_told_apart() -> None:
    """Twin."""
    assert open_gaps(2 * SO_FAR) != []
