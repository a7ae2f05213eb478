"""A metal found in the product of another one goes back where it came from: held to the model drawn forward.

Reference: `forward_model`, the model's statement in plain numpy; no line of the engine's density. What an assay found
is drawn about what it read, between nothing and all that is not the product's own metal.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np

from gradeest.belief.posterior import fit
from gradeest.records.domain import Bench, Fraction
from tests.engine_bench import batch, bench, lot, product, product_assay
from tests.statistical.forward_model import ForwardModel
from tests.statistical.importance import CATALOGUE, Case

KIND, ROUTE, KG = "mlcc-unsorted", "mlcc-nitric", 0.4
SILVER, PALLADIUM, STEP = 0.5, 2.0, 0.1  # g of the two salts
SHARE, U = 0.08, 0.02  # of the palladium salt that is silver
SEED, DRAWS = 51, 600_000


def caps(*said: float) -> Bench:
    salts = (
        product("ag-1", "B1", "Ag", "silver-chloride", SILVER, STEP),
        product("pd-1", "B1", "Pd", "palladium-dmg", PALLADIUM, STEP),
    )
    known = bench([lot("L1", Fraction("a", KIND, KG))], [batch("B1", ROUTE, [("L1/a", KG)], *salts)])
    return replace(known, product_assays=tuple(product_assay("B1/pd-1", share, U, "Ag") for share in said))


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


def test_silver_that_is_left_in_the_palladium_is_missed() -> None:
    """Twin: the same weights, the assay of the other metal forgotten."""
    case = found_in_the_other()
    assert Case(caps(), case.world, case.weight).gaps(metals=("Ag",)) != []


def test_what_is_another_metal_is_not_the_product_s_own() -> None:
    """A powder of which a fifth is silver is no gold of 98.5 %: its shares are at most one."""
    powder = product("au-1", "B1", "Au", "gold-powder", 3.0, 0.01)
    known = bench(
        [lot("L1", Fraction("a", "fingers-memory", 1.0))], [batch("B1", "foils-peroxide", [("L1/a", 1.0)], powder)]
    )
    found = fit(replace(known, product_assays=(product_assay("B1/au-1", 0.2, 0.01, "Ag"),)), CATALOGUE, seed=3)
    assert np.quantile(found.product_g["B1", "au-1"] / 3.0, 0.95) < 0.82
