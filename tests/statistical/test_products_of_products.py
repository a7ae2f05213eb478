"""Products that were melted or refined again, held to importance sampling written anew.

Of heavy products the prior of the grades says next to nothing beside a balance (a factor of two against a per cent), so
the reference draws powders about their readings and purities from the form's row, runs them forward through the later
batch by `forward_model`, and weighs by what that one's balance showed.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import pytest
from scipy.special import ndtr

from gradeest.belief.posterior import Posterior, fit
from gradeest.materials.catalogue import Catalogue
from gradeest.records.domain import Bench, Fraction, SpotResult
from tests.engine_bench import batch, bench, lot, product, product_assay, settlement, spot_test
from tests.statistical.forward_model import ForwardModel, Values, Weighted, expit
from tests.statistical.importance import CATALOGUE, compare

STEP = 0.05
USUAL = 2.7  # g of powder that a kg of such fingers gives: the prior leans neither way
POWDERS = {"B1": 10.9, "B2": 12.4, "B3": 8.6}
BUTTON = 31.0  # of 31.9 g of powder
ASSAY, ASSAY_U = 0.992, 0.004  # of what was refined
MELTED, FINENESS = 6.33, 0.987  # of the button, by the refiner
VOLUME: float = 1.0  # L of the liquid of what was refined, which showed
COLOUR: SpotResult = "clear"
MELT, REFINE, UNREFINED = "melt-products", "refine-gold", "gold-powder-unwashed"


@dataclass
class World:
    """Fine metal of products, forms and logits of recoveries drawn forward; weights under what was said."""

    model: ForwardModel
    fine: dict[tuple[str, str], Values]
    weight: Values
    logits: dict[str, Values] = field(default_factory=dict)


def powders(weights: Mapping[str, float], form: str, seed: int) -> World:
    model = ForwardModel(CATALOGUE, 600_000, seed)
    scale = 1 + model.k["balance.scale_sd"] * model.normal("balance", "bench")
    handling = STEP * model.k["balance.unchecked_handling"]
    fine = {}
    for name, shown in weights.items():
        rounded = shown + model.rng.uniform(-STEP / 2, STEP / 2, model.draws)
        weight = (rounded + handling * model.normal("reading", name)) / scale
        fine[name, "au-1"] = model.metal_share(name, form) * weight
    return World(model, fine, np.ones(model.draws))


def again(world: World, name: str, route: str, form: str, parts: list[str], shown: float) -> None:
    """A batch of products, and what its product weighed."""
    model = world.model
    charge = np.sum([world.fine[part, "au-1"] for part in parts], axis=0)
    fine = model.recover(name, route, "Au", charge, CATALOGUE.forms[form].holdup_factor)
    world.fine[name, "au-1"] = fine
    share = model.recovery(name, route, "Au")
    world.logits[name] = np.log(share) - np.log1p(-share)
    world.weight = world.weight * model.chance_of_reading(fine / model.metal_share(name, form), shown, STEP)


@functools.cache
def melted() -> World:
    """Three powders and the button they were melted into."""
    world = powders(POWDERS, "gold-powder", 41)
    again(world, "B4", MELT, "gold-button", list(POWDERS), BUTTON)
    return world


@functools.cache
def refined_and_melted() -> World:
    """Two unwashed powders below ten grams, refined and assayed, melted after that; the button was settled."""
    world = powders({"B1": 4.2, "B2": 3.1}, UNREFINED, 42)
    again(world, "B3", REFINE, "gold-powder-refined", ["B1", "B2"], 6.5)
    again(world, "B4", MELT, "gold-button", ["B3"], 6.35)
    share = world.model.metal_share("B3", "gold-powder-refined")
    world.weight = world.weight * np.exp(-0.5 * ((ASSAY - share) / ASSAY_U) ** 2) / ndtr((1 - share) / ASSAY_U)
    lost = expit(world.model.share_row(CATALOGUE.shares["melt-loss"], 0.0, 0.0, world.model.normal("melt")))
    told = np.log(world.fine["B4", "au-1"]) + np.log1p(-lost)
    off = (math.log(MELTED * FINENESS) - told) / CATALOGUE.constants["settlement.log_sd"]
    world.weight = world.weight * np.exp(-0.5 * off**2)
    return world


def of_powders(weights: Mapping[str, float], form: str, *later: tuple[str, str, str, list[str], float]) -> Bench:
    kg = {name: grams / USUAL for name, grams in weights.items()}
    lots = [lot(f"L{name}", Fraction("a", "fingers-memory", kg[name])) for name in weights]
    batches = [
        batch(name, "foils-peroxide", [(f"L{name}/a", kg[name])], product("au-1", name, "Au", form, grams, STEP))
        for name, grams in weights.items()
    ]
    shown = dict(weights)
    for name, route, its_form, parts, grams in later:
        charges = [(f"{part}/au-1", shown[part] / 1000) for part in parts]
        batches.append(batch(name, route, charges, product("au-1", name, "Au", its_form, grams, STEP)))
        shown[name] = grams
    return bench(lots, batches)


BUTTON_BENCH = of_powders(POWDERS, "gold-powder", ("B4", MELT, "gold-button", list(POWDERS), BUTTON))


@functools.cache
def fit_melted() -> Posterior:
    return fit(BUTTON_BENCH, CATALOGUE, seed=7, fallback=False)


@functools.cache
def fit_refined_and_melted() -> Posterior:
    later = [
        ("B3", REFINE, "gold-powder-refined", ["B1", "B2"], 6.5),
        ("B4", MELT, "gold-button", ["B3"], 6.35),
    ]
    known = of_powders({"B1": 4.2, "B2": 3.1}, UNREFINED, *later)
    paper = settlement(["B4/au-1"], MELTED, Au=FINENESS)
    known = replace(known, product_assays=(product_assay("B3/au-1", ASSAY, ASSAY_U),), settlements=(paper,))
    return fit(known, CATALOGUE, seed=8, fallback=False)


def gaps(posterior: Posterior, world: World, catalogue: Catalogue = CATALOGUE) -> list[str]:
    exact = Weighted(world.weight)
    assert exact.ess > 1500
    count = posterior.diagnostics.ess_min
    rows = {"/".join(key): (np.log(grams), np.log(posterior.product_g[key])) for key, grams in world.fine.items()}
    rows |= {f"recovery of {name}": (q, posterior.shares[name, "Au", "recovery"]) for name, q in world.logits.items()}
    for form in ("gold-powder", "gold-button", UNREFINED):
        rows[form] = world.model.normal("form", form), posterior.form_z[:, posterior.forms.index(form)]
    found = [gap for name, pair in rows.items() for gap in compare(name, *pair, exact, count)]
    for name in world.logits:
        chance, error = exact.mean(world.model.failed(name, "Au").astype(float))
        mine = posterior.failed_chance[name, "Au"]
        if abs(mine - chance) > 4 * math.hypot(error, math.sqrt(max(mine, 1 / count) / count)):
            found.append(f"{name} failed: {mine:.4f}, should be {chance:.4f}")
    return found


def test_a_button_tells_of_the_powders_it_was_melted_of() -> None:
    assert gaps(fit_melted(), melted()) == []


def test_a_product_of_products_is_assayed_melted_once_more_and_settled() -> None:
    assert gaps(fit_refined_and_melted(), refined_and_melted()) == []


@functools.cache
def refined_and_tested() -> World:
    """A powder refined once more, whose liquid showed gold after the drop."""
    world = powders({"B1": 4.2}, UNREFINED, 44)
    again(world, "B3", REFINE, "gold-powder-refined", ["B1"], 3.3)
    model, charge = world.model, world.fine["B1", "au-1"]
    left = charge * (1 - model.recovery("B3", REFINE, "Au")) * model.unrecovered("B3", "Au")["solution"]
    world.weight = world.weight * model.chance_of_colour(left, VOLUME, COLOUR, "Au", "test")
    return world


def with_colours(*colours: SpotResult) -> Bench:
    one = of_powders({"B1": 4.2}, UNREFINED, ("B3", REFINE, "gold-powder-refined", ["B1"], 3.3))
    spots = tuple(spot_test("B3", colour, VOLUME) for colour in colours)
    return replace(one, batches={**one.batches, "B3": replace(one.batches["B3"], spot_tests=spots)})


def test_the_liquid_of_a_refined_powder_tells_how_much_of_it_came_down() -> None:
    found = fit(with_colours(COLOUR), CATALOGUE, seed=9, fallback=False)
    assert gaps(found, refined_and_tested()) == []


def test_a_colour_that_is_not_looked_at_is_missed() -> None:
    """Twin: the same weights without the test."""
    assert gaps(fit(with_colours(), CATALOGUE, seed=9, fallback=False), refined_and_tested()) != []


def test_powders_whose_button_nobody_follows_are_told_apart() -> None:
    """Twin: the same weights, the button's left out."""
    alone = fit(of_powders(POWDERS, "gold-powder"), CATALOGUE, seed=7)
    exact, count = Weighted(melted().weight), alone.diagnostics.ess_min
    pairs = {name: (np.log(melted().fine[name, "au-1"]), np.log(alone.product_g[name, "au-1"])) for name in POWDERS}
    assert [gap for name, pair in pairs.items() for gap in compare(name, *pair, exact, count)] != []


def test_a_melt_that_loses_more_is_told_apart() -> None:
    """Twin: the later batch's recovery row is another."""
    route = CATALOGUE.routes[MELT]
    wasteful = replace(route, recovery={**route.recovery, "Au": replace(route.recovery["Au"], q5=0.9, q50=0.97)})
    changed = replace(CATALOGUE, routes={**CATALOGUE.routes, MELT: wasteful})
    assert gaps(fit(BUTTON_BENCH, changed, seed=7), melted()) != []


def test_the_metal_of_the_charge_is_that_of_the_products_in_every_draw() -> None:
    found = fit_melted()
    for name in POWDERS:
        assert np.array_equal(found.charge_g["B4", f"{name}/au-1", "Au"], found.product_g[name, "au-1"])
    charge = sum(found.product_g[name, "au-1"] for name in POWDERS)
    q, reached = (found.shares["B4", "Au", what] for what in ("recovery", "reached"))
    assert charge * np.exp(reached) / (1 + np.exp(-q)) == pytest.approx(found.product_g["B4", "au-1"], rel=1e-9)
