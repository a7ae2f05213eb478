"""Residues run again, and what was wiped up of a spill, by importance sampling of the model drawn forward.

Reference: `forward_model`, the model's statement in plain numpy; no line of the engine's density. Readings are coarse,
so that enough of the draws run forward fit them; `importance.Case` holds both against each other.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np

from gradeest.belief.assembly import build_network
from gradeest.belief.decode import decode
from gradeest.belief.density import log_density
from gradeest.belief.network import Network
from gradeest.belief.places import PLACES, RESIDUE
from gradeest.belief.posterior import Posterior, fit
from gradeest.belief.sharing import RECOVERY, rest_of
from gradeest.records.domain import Bench, Charge, Fraction
from tests.engine_bench import batch, bench, lot, product, spot_test
from tests.statistical.forward_model import ForwardModel, Values, expit, logit
from tests.statistical.importance import CATALOGUE, Case, Weighted, compare
from tests.statistical.test_streams_run_later import (
    CHIPS,
    DRAWS,
    FINGERS,
    FOILS,
    LATE,
    LEACH,
    MUCH,
    Followed,
    none_above,
    powder,
    reading,
    set_aside,
)

TWO = [lot("L1", Fraction("a", FINGERS, 1.0)), lot("L2", Fraction("a", FINGERS, 1.0))]
CHIP_LOTS = [lot("L1", Fraction("a", LATE, 1.0)), lot("L2", Fraction("a", LATE, 1.0))]


def left_over(world: ForwardModel, name: str, route: str, in_work: Values) -> Values:
    """What did not reach the product."""
    return np.asarray(in_work * (1 - world.recovery(name, route, "Au")))


@cache
def residue_weighed() -> tuple[Case, Values]:
    """The residue gave a tenth of what had dropped; a spot test speaks of the liquid of the same batch."""
    world = ForwardModel(CATALOGUE, 4 * DRAWS, 41)
    gold = world.grade("L1", FINGERS, "Au") / 1000
    rest, places = left_over(world, "B1", FOILS, gold), world.unrecovered("B1", "Au")
    residue = rest * places["residue"]
    weight = reading(world, "B1", FOILS, gold, 1.0, 0.1) * reading(world, "B2", LEACH, residue, 0.1, 0.04)
    weight = weight * world.chance_of_colour(rest * places["solution"], 2.0, "faint", "Au", "B1")
    first = batch("B1", FOILS, [("L1/a", 1.0)], powder("B1", 1.0, 0.1), left={"cake": "residue"})
    first = replace(first, spot_tests=(spot_test("B1", "faint", 2.0),))
    later = batch("B2", LEACH, [("B1/cake", 0.01)], powder("B2", 0.1, 0.04))
    return Followed(bench(TWO, [first, later]), world, weight), residue


@cache
def nothing_dropped() -> tuple[Case, Values]:
    """Nothing above 0.2 g dropped; half of the residue was run again and gave some."""
    world = ForwardModel(CATALOGUE, 6 * DRAWS, 42)
    gold = world.grade("L1", FINGERS, "Au") / 1000
    residue = left_over(world, "B1", FOILS, gold) * world.unrecovered("B1", "Au")["residue"]
    weight = (world.recover("B1", FOILS, "Au", gold, 0.5) < 0.2) * reading(world, "B2", LEACH, residue / 2, 0.2, 0.1)
    batches = [
        batch("B1", FOILS, [("L1/a", 1.0)], nondetects=[none_above("B1", 0.2)], left={"cake": "residue"}),
        batch("B2", LEACH, [("B1/cake", 0.005)], powder("B2", 0.2, 0.1)),
    ]
    return Followed(bench(TWO, batches), world, weight), residue / 2


@cache
def wiped_up() -> tuple[Case, Values]:
    """Half was spilled; what was wiped up gave almost as much as what was left."""
    world = ForwardModel(CATALOGUE, 3 * DRAWS, 43)
    gold = world.grade("L1", FINGERS, "Au") / 1000
    low, high = logit(0.3), logit(0.6)
    lost = expit((low + high) / 2 + (high - low) / 2 / 1.6448536269514722 * world.normal("loss"))
    row = CATALOGUE.shares["wiped-up"]
    wiped = gold * lost * expit(world.share_row(row, 0.0, 0.0, world.normal("wiped")))
    weight = reading(world, "B1", FOILS, gold * (1 - lost), 0.6, 0.1) * reading(world, "B2", LEACH, wiped, 0.4, 0.1)
    batches = [
        batch(
            "B1", FOILS, [("L1/a", 1.0)], powder("B1", 0.6, 0.1), lost=[(0.3, 0.6)], left={"floor": "wiped-up"},
        ),
        batch("B2", LEACH, [("B1/floor", 0.01)], powder("B2", 0.4, 0.1)),
    ]  # fmt: skip
    return Followed(bench(TWO, batches), world, weight), wiped


@cache
def beside_streams_of_the_rest() -> tuple[Case, Values]:
    """Chips whose recovery row counts what was set aside as missing: wires weighed, the residue gave something too."""
    world = ForwardModel(CATALOGUE, 4 * DRAWS, 44)
    gold = world.grade("L1", LATE, "Au") / 1000
    missing = gold - world.recover("B1", CHIPS, "Au", np.full(world.draws, MUCH), 0.5) / MUCH * gold
    wires, rest = set_aside(world, missing, "B1", ["wires"], "set-aside-of-rest:chips-burn")
    residue = rest * world.unrecovered("B1", "Au")["residue"]
    weight = reading(world, "B1", CHIPS, gold, 0.5, 0.1) * reading(world, "B2", LEACH, wires, 0.1, 0.04)
    weight = weight * reading(world, "B3", LEACH, residue, 0.05, 0.02)
    batches = [
        batch(
            "B1", CHIPS, [("L1/a", 1.0)], powder("B1", 0.5, 0.1), aside=["wires"], left={"cake": "residue"},
        ),
        batch("B2", LEACH, [("B1/wires", 0.01)], powder("B2", 0.1, 0.04)),
        batch("B3", LEACH, [("B1/cake", 0.01)], powder("B3", 0.05, 0.02)),
    ]  # fmt: skip
    return Followed(bench(CHIP_LOTS, batches), world, weight), residue


@cache
def fitted(made) -> Posterior:  # type: ignore[no-untyped-def]
    return fit(made()[0].bench, CATALOGUE, seed=4)


def gaps(made, stream: str) -> list[str]:  # type: ignore[no-untyped-def]
    """What engine and importance sampling disagree on, of grades, failures and the metal in a stream."""
    case, held = made()
    posterior, exact = fitted(made), Weighted(case.weight)
    mine = np.log(posterior.stream_g[stream, "Au"] * (0.5 if made is nothing_dropped else 1.0))
    return case.gaps(posterior=posterior) + compare(stream, np.log(held), mine, exact, posterior.diagnostics.ess_min)


def test_a_weight_of_the_residue_corrects_the_batch_before_beside_a_spot_test() -> None:
    assert gaps(residue_weighed, "B1/cake") == []


def test_nothing_dropped_and_the_residue_gave_some() -> None:
    assert gaps(nothing_dropped, "B1/cake") == []


def test_what_was_wiped_up_of_a_spill_tells_of_the_spill() -> None:
    assert gaps(wiped_up, "B1/floor") == []


def test_a_residue_beside_streams_that_share_what_is_missing() -> None:
    assert gaps(beside_streams_of_the_rest, "B1/cake") == []


def test_recovery_goes_down_and_the_grade_up_where_the_residue_gave_much() -> None:
    case, _ = residue_weighed()
    after, before = fitted(residue_weighed), fit(without_the_second_pass(case.bench), CATALOGUE, seed=4)
    assert np.median(after.shares["B1", "Au", RECOVERY]) < np.median(before.shares["B1", "Au", RECOVERY])
    assert np.median(after.grade_g_per_t[:, 0, 0]) > np.median(before.grade_g_per_t[:, 0, 0])


def without_the_second_pass(whole: Bench) -> Bench:
    return replace(whole, batches={"B1": whole.batches["B1"]})


def test_a_residue_that_nobody_follows_leaves_the_earlier_batch_wrong() -> None:
    """Twin: the later weight is there, but what it took is not known to come from the earlier batch."""
    case, _ = residue_weighed()
    assert Case(without_the_second_pass(case.bench), case.world, case.weight).gaps() != []


def test_the_rest_shares_are_the_same_for_spot_test_and_residue() -> None:
    """What flows say of the residue is what the later weight says, draw by draw."""
    posterior = fitted(residue_weighed)
    k = CATALOGUE.constants
    z = np.stack([posterior.shares["B1", "Au", rest_of(place)] for place in PLACES])
    ln_weight = np.log([[k[f"rest.{place}"]] for place in PLACES]) + k["rest.log_sd"] * z
    share = np.exp(ln_weight[RESIDUE] - np.logaddexp.reduce(ln_weight, axis=0))
    rest = posterior.charge_g["B1", "L1/a", "Au"] * expit(-posterior.shares["B1", "Au", RECOVERY])
    np.testing.assert_allclose(rest * share, posterior.stream_g["B1/cake", "Au"], rtol=1e-9)


def test_metal_that_a_route_leaves_in_its_residue_goes_on_with_it() -> None:
    """Silver stays undissolved in the chloride family: as if the later batch had taken the scrap itself."""
    silver = product("ag-1", "B2", "Ag", "silver-cement", 1.0)
    first = batch("B1", FOILS, [("L1/a", 1.0)], left={"cake": "residue"})
    lots = [lot("L1", Fraction("a", "relays-signal", 1.0))]
    later = batch("B2", "silver-nitric", [("B1/cake", 0.9)], silver)
    first = replace(first, streams=(replace(first.streams[0], mass_kg=0.9),))
    at_once = build_network(bench(lots, [replace(later, charges=(Charge("L1/a", 1.0),))]), CATALOGUE)
    passed_on = build_network(bench(lots, [first, later]), CATALOGUE)
    assert passed_on.size == at_once.size
    points = np.random.default_rng(6).normal(size=(50, at_once.size))
    np.testing.assert_allclose(log_density(points, passed_on), log_density(points, at_once), rtol=1e-10)
    _, found = decode(points, passed_on, np.random.default_rng(7))
    np.testing.assert_array_equal(found.charge_g["B1", "L1/a", "Ag"], found.stream_g["B1/cake", "Ag"])
    np.testing.assert_array_equal(found.charge_g["B2", "B1/cake", "Ag"], found.stream_g["B1/cake", "Ag"])


def test_of_a_metal_that_stays_elsewhere_a_residue_holds_none() -> None:
    """Palladium of that family is in the solution: a weight from the residue tells nothing, and it is said."""
    palladium = product("pd-1", "B2", "Pd", "palladium-dmg", 0.1)
    first = batch("B1", FOILS, [("L1/a", 1.0)], left={"cake": "residue"})
    later = batch("B2", "mlcc-nitric", [("B1/cake", 0.01)], palladium)
    network = build_network(bench([lot("L1", Fraction("a", "mlcc-unsorted", 1.0))], [first, later]), CATALOGUE)
    assert network.evidence.batch_metals == ()
    assert any("there should be no Pd in what it took" in note for note in network.notes)


def test_a_stream_holds_no_more_than_its_own_mass() -> None:
    """Twin beside it: a heavier residue leaves the density as it is."""
    first = batch("B1", FOILS, [("L1/a", 1.0)], powder("B1", 1.0, 0.1), left={"cake": "residue"})
    later = batch("B2", LEACH, [("B1/cake", 1.0)], powder("B2", 0.09, 0.01))

    def of_mass(mass_kg: float) -> Network:
        left = replace(first, streams=(replace(first.streams[0], mass_kg=mass_kg),))
        return build_network(bench(TWO, [left, replace(later, charges=(Charge("B1/cake", mass_kg),))]), CATALOGUE)

    own_g = 0.14
    points = np.random.default_rng(8).normal(size=(400, of_mass(1.0).size))
    free, capped = (log_density(points, of_mass(kg)) for kg in (1.0, own_g / 1000))
    np.testing.assert_allclose(log_density(points, of_mass(0.5)), free, rtol=1e-12)
    found = decode(points, of_mass(1.0), np.random.default_rng(9))[1]
    held, ordinary = found.stream_g["B1/cake", "Au"], ~found.failed["B2", "Au"]
    above, below = ordinary & (held > 1.2 * own_g), ordinary & (held < 0.8 * own_g)
    assert min(above.sum(), below.sum()) > 5
    assert np.all(free[above] - capped[above] > 1)
    assert np.median(free[below] - capped[below]) < 0.1  # a failed run would need more, where that is likely
