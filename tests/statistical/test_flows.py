"""Where metal went, against importance sampling of the model drawn forward: no line of the engine's balance."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import pytest

from gradeest.belief.flows import Flow, Known, flow_of
from gradeest.belief.places import PLACES
from gradeest.belief.posterior import Posterior, fit
from gradeest.belief.sharing import loss_of
from gradeest.records.domain import METALS, Bench, Fraction, NonDetect
from tests.engine_bench import DAY, batch, bench, lot, product
from tests.statistical.forward_model import ForwardModel, Values, Weighted, expit, logit
from tests.statistical.importance import CATALOGUE, WORTH, compare
from tests.statistical.test_spot_tests import BOARDS, ROUTE, in_liquid
from tests.statistical.test_spot_tests import nothing_dropped as no_colour

DRAWS = 300_000
LATE, FINGERS = "chips-from-2014", "fingers-mixed"
Z95 = 1.6448536269514722


@dataclass
class Flows:
    """A bench of one batch, and what forward draws and their weights say: g by destination (not reached: together)."""

    bench: Bench
    weight: Values
    parts: dict[str, Values]

    def gaps(self, flow: Flow, posterior: Posterior) -> list[str]:
        """Where the engine's flows of gold and those of importance sampling disagree, in words."""
        exact, gold = Weighted(self.weight), METALS.index("Au")
        assert exact.ess > 1500
        count = max(posterior.diagnostics.ess_min, WORTH * posterior.draws)
        mine = {to: grams[:, gold] for to, grams in flow.parts_g.items()}
        mine["not reached"] = np.sum([mine.get(to, np.zeros(posterior.draws)) for to in PLACES], axis=0)
        found = [f"{to} is missing" for to in self.parts if to not in mine]
        for to in set(self.parts) & set(mine):
            found += compare(to, np.log(self.parts[to]), np.log(mine[to]), exact, count)
        return found


def reach(world: ForwardModel, route: str, in_work: Values) -> tuple[Values, Values]:
    """Metal that reaches the product, before and after hold-up, g."""
    return world.recover("B1", route, "Au", in_work, 1e-12), world.recover("B1", route, "Au", in_work, 0.5)


@cache
def weighed() -> Flows:
    """A stream set aside, a spill, then a weight."""
    world = ForwardModel(CATALOGUE, 2 * DRAWS, 21)
    charged = world.grade("L1", FINGERS, "Au") / 1000
    row = CATALOGUE.shares["set-aside"]
    kappa = expit(world.share_row(row, 0.0, 0.0, world.normal("wires")))
    centre, sd = (logit(0.2) + logit(0.5)) / 2, (logit(0.5) - logit(0.2)) / (2 * Z95)
    sigma = expit(centre + sd * world.normal("spill"))
    work = charged * (1 - kappa) * (1 - sigma)
    through, recovered = reach(world, "foils-peroxide", work)
    powder = product("au-1", "B1", "Au", "gold-powder", 0.6, 0.05)
    weight = world.chance_of_reading(recovered / world.metal_share("p", "gold-powder"), 0.6, 0.05)
    one = batch("B1", "foils-peroxide", [("L1/a", 1.0)], powder, aside=["wires"], lost=[(0.2, 0.5)])
    parts = {
        "product": recovered, "set aside": charged * kappa, "spilled": charged * (1 - kappa) * sigma,
        "not reached": work - through + (through - recovered),
    }  # fmt: skip
    return Flows(bench([lot("L1", Fraction("a", FINGERS, 1.0))], [one]), weight, parts)


@cache
def open_one() -> Flows:
    """1.2 g so far: the rest is still in work."""
    world = ForwardModel(CATALOGUE, DRAWS, 22)
    charged = world.grade("L1", LATE, "Au") / 1000
    _, recovered = reach(world, "chips-burn", charged)
    so_far = 1.2 * world.metal_share("p", "gold-powder") / (1 + 0.005 * world.normal("balance", "bench"))
    powder = product("au-1", "B1", "Au", "gold-powder", 1.2, 0.01)
    one = batch("B1", "chips-burn", [("L1/a", 1.0)], powder, closed=False)
    parts = {"product": so_far, "in work": np.maximum(charged - so_far, 1e-300)}
    return Flows(bench([lot("L1", Fraction("a", LATE, 1.0))], [one]), (recovered > so_far).astype(float), parts)


@cache
def nothing_dropped() -> Flows:
    """Below 30 mg, the liquid tested: where the recovery, which the density sums out, must be drawn anew."""
    world = ForwardModel(CATALOGUE, DRAWS, 23)
    charged = world.grade("L1", LATE, "Au") / 1000
    through, recovered = reach(world, "chips-burn", charged)
    said = NonDetect("B1", "Au", 0.03, "tested-negative", DAY)
    one = batch("B1", "chips-burn", [("L1/a", 1.0)], nondetects=[said])
    parts = {"not reached": charged, "dissolved": through}
    return Flows(bench([lot("L1", Fraction("a", LATE, 1.0))], [one]), (recovered < 0.03).astype(float), parts)


@cache
def liquid_tested() -> Flows:
    """The same with a spot test that showed no colour: how the rest was shared follows from it."""
    case = no_colour()
    metal = 4.0 * case.world.grade("L1", BOARDS, "Au") / 1000
    reached = case.world.recovery("B1", ROUTE, "Au") * metal
    grams = in_liquid(case.world, "B1", metal, "after-drop", nothing_dropped=True)
    residue = case.world.unrecovered("B1", "Au")["residue"] * (metal - reached)
    return Flows(case.bench, case.weight, {"solution": grams + reached, "residue": residue})


@cache
def fitted(make: str) -> tuple[Posterior, Flow]:
    """The engine's posterior of a case, and the flow of its batch."""
    case = CASES[make]()
    posterior = fit(case.bench, CATALOGUE, seed=4)
    one = case.bench.batches["B1"]
    contained = np.zeros((posterior.draws, len(METALS)))
    contained[:, METALS.index("Au")] = posterior.charge_g["B1", "L1/a", "Au"]
    aside = 0 * contained
    if one.streams:
        aside[:, METALS.index("Au")] = posterior.stream_g["B1/wires", "Au"]
    losses = [posterior.shares["B1", "", loss_of(n)] for n in range(len(one.losses))]
    known = Known(contained, aside, 0 * contained, losses)
    return posterior, flow_of(one, known, posterior, CATALOGUE, np.random.default_rng(9))


CASES = {"weighed": weighed, "open": open_one, "nothing dropped": nothing_dropped, "tested": liquid_tested}


@pytest.mark.parametrize("case", ["weighed", "open", "tested"])
def test_every_destination_is_that_of_importance_sampling(case: str) -> None:
    posterior, flow = fitted(case)
    assert CASES[case]().gaps(flow, posterior) == []
    gold = METALS.index("Au")
    whole = np.sum([grams[:, gold] for grams in flow.parts_g.values()], axis=0)
    assert np.abs(whole / flow.contained_g[:, gold] - 1).max() < 1e-9  # every draw closes
    if case == "weighed":  # and the product is the one that was read: no part of it was lost on the way
        told = posterior.product_g["B1", "au-1"]
        assert np.abs(flow.parts_g["product"][:, gold] / told - 1).max() < 1e-9


def dissolved(posterior: Posterior) -> Values:
    """Metal that a run without a product brought into solution, g."""
    return posterior.charge_g["B1", "L1/a", "Au"] * expit(posterior.shares["B1", "Au", "recovery"])


def test_of_a_run_that_dropped_nothing_the_recovery_is_that_of_importance_sampling() -> None:
    posterior, flow = fitted("nothing dropped")
    parts = {**flow.parts_g, "dissolved": np.stack([dissolved(posterior)] * len(METALS), axis=1)}
    assert nothing_dropped().gaps(Flow(flow.contained_g, parts), posterior) == []


def test_a_recovery_that_forgets_the_limit_is_seen() -> None:
    """Twin: the run's recovery drawn as if nothing had been looked for."""
    posterior, flow = fitted("nothing dropped")
    route = posterior.routes.index("chips-burn")
    free = posterior.recovery_logit[:, route, METALS.index("Au")]
    grams = posterior.charge_g["B1", "L1/a", "Au"] * expit(free)
    parts = {**flow.parts_g, "dissolved": np.stack([grams] * len(METALS), axis=1)}
    assert nothing_dropped().gaps(Flow(flow.contained_g, parts), posterior) != []


def test_a_spill_taken_of_all_that_went_in_is_seen() -> None:
    """Twin: the loss taken before anything was set aside, as a share of all that was charged."""
    posterior, flow = fitted("weighed")
    sigma = expit(posterior.shares["B1", "", "loss 0"])[:, None]
    parts = {**flow.parts_g, "spilled": flow.contained_g * sigma}
    assert any("spilled" in gap for gap in weighed().gaps(Flow(flow.contained_g, parts), posterior))
