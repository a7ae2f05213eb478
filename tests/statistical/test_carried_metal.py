"""A metal found in the product of another one goes back where it came from: held to the model drawn forward.

Reference: `forward_model`, the model's statement in plain numpy; no line of the engine's density. What an assay found
is drawn about what it read, between nothing and all that is not the product's own metal; so is what a refiner found.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np

from gradeest.belief.evidence import gather
from gradeest.belief.posterior import fit
from gradeest.records.domain import Bench, Fraction, Settlement
from tests.engine_bench import batch, bench, lot, product, product_assay, settlement
from tests.statistical.forward_model import ForwardModel, expit
from tests.statistical.importance import CATALOGUE, Case

KIND, ROUTE, KG = "mlcc-unsorted", "mlcc-nitric", 0.4
SILVER, PALLADIUM, STEP = 0.5, 2.0, 0.1  # g of the two salts
SHARE, U = 0.08, 0.02  # of the palladium salt that is silver
SEED, DRAWS = 51, 600_000


def caps(*said: float, u: float = U, step: float = STEP) -> Bench:
    salts = (
        product("ag-1", "B1", "Ag", "silver-chloride", SILVER, step),
        product("pd-1", "B1", "Pd", "palladium-dmg", PALLADIUM, step),
    )
    known = bench([lot("L1", Fraction("a", KIND, KG))], [batch("B1", ROUTE, [("L1/a", KG)], *salts)])
    return replace(known, product_assays=tuple(product_assay("B1/pd-1", share, u, "Ag") for share in said))


@cache
def found_in_the_other() -> Case:
    """Silver in the palladium salt, by an assay of it."""
    world = ForwardModel(CATALOGUE, DRAWS, SEED)
    fine = {
        metal: world.recover("B1", ROUTE, metal, world.grade("L1", KIND, metal) * KG / 1000, 0.5)
        for metal in ("Ag", "Pd")
    }
    purity = {"Ag": world.metal_share("ag", "silver-chloride"), "Pd": world.metal_share("pd", "palladium-dmg")}
    salt = fine["Pd"] / purity["Pd"]
    share = SHARE + U * world.rng.normal(size=world.draws)
    own = (fine["Ag"] - salt * share) / purity["Ag"]
    can_be = (share > 0) & (share < 1 - purity["Pd"]) & (own > 0)
    weight = world.chance_of_reading(salt, PALLADIUM, STEP) * world.chance_of_reading(own, SILVER, STEP)
    return Case(caps(SHARE), world, np.where(can_be, weight, 0.0))


def test_silver_in_the_palladium_counts_as_silver_of_the_charge() -> None:
    assert found_in_the_other().gaps(metals=("Ag", "Pd")) == []


def test_two_assays_of_one_product_are_of_the_same_silver() -> None:
    """Each good to a root of two less, they say what the one says: silver is counted once."""
    case = found_in_the_other()
    twice = caps(SHARE, SHARE, u=U * math.sqrt(2))
    assert Case(twice, case.world, case.weight).gaps(metals=("Ag", "Pd")) == []


def test_silver_that_is_left_in_the_palladium_is_missed() -> None:
    """Twin: the same weights, the assay of the other metal forgotten."""
    case = found_in_the_other()
    assert Case(caps(), case.world, case.weight).gaps(metals=("Ag",)) != []


MELTED, FINENESS = 6.0, 0.06  # of the salts of two batches that a refiner melted together; silver
COARSE = 0.3  # g: enough of the draws run forward fit three readings


def settled(*papers: Settlement) -> Bench:
    """Caps of two lots, of one of which silver was dropped too."""
    one = caps(step=COARSE)
    salt = product("pd-1", "B2", "Pd", "palladium-dmg", 2 * PALLADIUM, 2 * COARSE)
    lots = [*one.lots.values(), lot("L2", Fraction("a", KIND, 2 * KG))]
    batches = [*one.batches.values(), batch("B2", ROUTE, [("L2/a", 2 * KG)], salt)]
    return bench(lots, batches, settlements=papers)


def silver_in_both() -> Settlement:
    return settlement(["B1/pd-1", "B2/pd-1"], MELTED, Ag=FINENESS)


@cache
def found_by_a_refiner() -> Case:
    """Silver in two palladium salts melted together: each holds of it what its dross lets expect."""
    world = ForwardModel(CATALOGUE, DRAWS, SEED)
    k, weight, room, salts = world.k, np.ones(DRAWS), [], []
    for name, kg, shown, step in (("1", KG, PALLADIUM, COARSE), ("2", 2 * KG, 2 * PALLADIUM, 2 * COARSE)):
        fine = world.recover(f"B{name}", ROUTE, "Pd", world.grade(f"L{name}", KIND, "Pd") * kg / 1000, 0.5)
        pure = world.metal_share(f"pd {name}", "palladium-dmg")
        salts.append(fine / pure)
        room.append(1 - pure)
        weight *= world.chance_of_reading(salts[-1], shown, step)
    lost = expit(world.share_row(CATALOGUE.shares["melt-loss"], 0.0, 0.0, world.normal("melt")))
    u = math.hypot(k["settlement.log_sd"] * FINENESS, k["product_assay.fire_u"])
    silver = MELTED * (FINENESS + u * world.normal("paper")) / (1 - lost)
    found, can_be = world.carried_over([salt * most for salt, most in zip(salts, room, strict=True)], {"Ag": silver})
    weight = np.where(can_be, weight / (1 - lost), 0.0)
    dropped = world.recover("B1", ROUTE, "Ag", world.grade("L1", KIND, "Ag") * KG / 1000, 0.5)
    own = (dropped - found["Ag"][0]) / world.metal_share("ag", "silver-chloride")
    weight = np.where(own > 0, weight * world.chance_of_reading(own, SILVER, COARSE), 0.0)
    return Case(settled(silver_in_both()), world, weight)


def test_silver_that_a_refiner_found_goes_back_to_the_batches_it_may_be_of() -> None:
    assert found_by_a_refiner().gaps(metals=("Ag", "Pd")) == []


def test_silver_of_a_paper_that_is_forgotten_is_missed() -> None:
    """Twin: the same weights without the paper."""
    case = found_by_a_refiner()
    assert Case(settled(), case.world, case.weight).gaps(metals=("Ag",)) != []


def test_a_paper_of_products_that_are_not_followed_tells_nothing_and_says_so() -> None:
    """Of two salts one is of a batch that took no caps: its metal would be told of the other."""
    one = settled(silver_in_both())
    odd = replace(one.batches["B2"], charges=())
    found = gather(replace(one, batches={**one.batches, "B2": odd}), CATALOGUE)
    assert found.carried_lines == ()
    assert any("found of Ag tells nothing: what went into B2/pd-1" in note for note in found.notes)
    assert len(gather(one, CATALOGUE).carried_lines) == 1


def test_what_is_another_metal_is_not_the_product_s_own() -> None:
    """A powder of which a fifth is silver is no gold of 98.5 %: its shares are at most one."""
    powder = product("au-1", "B1", "Au", "gold-powder", 3.0, 0.01)
    known = bench(
        [lot("L1", Fraction("a", "fingers-memory", 1.0))], [batch("B1", "foils-peroxide", [("L1/a", 1.0)], powder)]
    )
    found = fit(replace(known, product_assays=(product_assay("B1/au-1", 0.2, 0.01, "Ag"),)), CATALOGUE, seed=3)
    assert np.quantile(found.product_g["B1", "au-1"] / 3.0, 0.95) < 0.82
