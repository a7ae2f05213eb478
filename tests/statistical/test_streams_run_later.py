"""Streams that one batch set aside and a later one ran, by importance sampling of the model drawn forward.

Reference: `forward_model`, the model's statement in plain numpy; no line of the engine's density. Readings are coarse,
so that enough of the draws run forward fit them; `importance.Case` holds both against each other.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from gradeest.belief.assembly import build_network
from gradeest.belief.decode import charges_of, decode
from gradeest.belief.posterior import ALL_BUT_DECIDED, Posterior, fit
from gradeest.records.domain import Fraction, NonDetect
from tests.engine_bench import DAY, batch, bench, lot, product
from tests.statistical.forward_model import ForwardModel, Values
from tests.statistical.importance import CATALOGUE, Case, Weighted, compare

DRAWS = 200_000
LATE, FINGERS, FOILS, CHIPS, LEACH = "chips-from-2014", "fingers-mixed", "foils-peroxide", "chips-burn", "ash-leach"
MUCH = 1e9  # g: no hold-up


class Followed(Case):
    """A case whose chances of failed runs are told apart down to what the engine judges itself by."""

    def failures(self, posterior: Posterior, exact: Weighted, count: float) -> list[str]:
        found = posterior.failed_chance
        chances = {key: exact.mean(self.world.failed(*key).astype(float))[0] for key in found}
        told = {key: chance for key, chance in found.items() if max(chance, chances[key]) > ALL_BUT_DECIDED}
        return super().failures(replace(posterior, failed_chance=told), exact, count)


def set_aside(world: ForwardModel, gold: Values, name: str, streams: Sequence[str], row: str = "set-aside") -> Values:
    """Shares of a batch's metal in its streams, and last in what is kept: softmax of ln odds and 0."""
    shares = CATALOGUE.shares[row]
    odds = [np.exp(world.share_row(shares, 0.0, 0.0, world.normal("aside", name, each))) for each in streams]
    parts = np.stack([*odds, np.ones(world.draws)])
    return np.asarray(gold * parts / parts.sum(axis=0))


def powder(name: str, grams: float, step: float):  # type: ignore[no-untyped-def]
    return product("au-1", name, "Au", "gold-powder", grams, step)


def reading(world: ForwardModel, name: str, route: str, gold: Values, grams: float, step: float) -> Values:
    """Chance of a batch's weight."""
    return world.chance_of_reading(
        world.recover(name, route, "Au", gold, 0.5) / world.metal_share(name, "gold-powder"), grams, step
    )


def none_above(name: str, grams: float) -> NonDetect:
    return NonDetect(name, "Au", grams, "tested-negative", DAY)


@cache
def both_weighed() -> tuple[Case, Values]:
    """What was set aside gave half of what the rest gave."""
    world = ForwardModel(CATALOGUE, 2 * DRAWS, 31)
    gold = world.grade("L1", FINGERS, "Au") / 1000
    aside, kept = set_aside(world, gold, "B1", ["wires"])
    weight = reading(world, "B1", FOILS, kept, 1.0, 0.1) * reading(world, "B2", LEACH, aside, 0.5, 0.1)
    lots = [lot("L1", Fraction("a", FINGERS, 1.0)), lot("L2", Fraction("a", FINGERS, 1.0))]
    batches = [
        batch("B1", FOILS, [("L1/a", 1.0)], powder("B1", 1.0, 0.1), aside=["wires"]),
        batch("B2", LEACH, [("B1/wires", 0.01)], powder("B2", 0.5, 0.1)),
    ]
    return Followed(bench(lots, batches), world, weight), aside


@cache
def pooled_with_half_a_stream() -> tuple[Case, Values]:
    """Two kinds and then half of a stream of theirs, dropped with a third fraction; another stream stays."""
    world = ForwardModel(CATALOGUE, 2 * DRAWS, 32)
    gold = 0.6 * world.grade("L1", FINGERS, "Au") / 1000 + world.grade("L2", LATE, "Au") / 1000
    wires, _, kept = set_aside(world, gold, "B1", ["wires", "dies"])
    weight = reading(world, "B1", FOILS, kept, 1.6, 0.2)
    later = wires / 2 + 0.5 * world.grade("L3", LATE, "Au") / 1000
    weight = weight * reading(world, "B2", LEACH, later, 0.4, 0.1)
    lots = [
        lot("L1", Fraction("a", FINGERS, 0.6)),
        lot("L2", Fraction("a", LATE, 1.0)),
        lot("L3", Fraction("a", LATE, 0.5)),
    ]
    batches = [
        batch("B1", FOILS, [("L1/a", 0.6), ("L2/a", 1.0)], powder("B1", 1.6, 0.2), aside=["wires", "dies"]),
        batch("B2", LEACH, [("L3/a", 0.5), ("B1/wires", 0.005)], powder("B2", 0.4, 0.1)),
    ]
    return Followed(bench(lots, batches), world, weight), wires


@cache
def nothing_of_a_stream() -> tuple[Case, Values]:
    """A weighed batch whose stream gave nothing above 30 mg."""
    world = ForwardModel(CATALOGUE, DRAWS, 33)
    gold = world.grade("L1", FINGERS, "Au") / 1000
    aside, kept = set_aside(world, gold, "B1", ["wires"])
    weight = reading(world, "B1", FOILS, kept, 1.0, 0.1) * (world.recover("B2", LEACH, "Au", aside, 0.5) < 0.03)
    lots = [lot("L1", Fraction("a", FINGERS, 1.0)), lot("L2", Fraction("a", FINGERS, 1.0))]
    batches = [
        batch("B1", FOILS, [("L1/a", 1.0)], powder("B1", 1.0, 0.1), aside=["wires"]),
        batch("B2", LEACH, [("B1/wires", 0.01)], nondetects=[none_above("B2", 0.03)]),
    ]
    return Followed(bench(lots, batches), world, weight), aside


@cache
def chain_of_three() -> tuple[Case, Values]:
    """A batch without a result, one of its streams weighed, of that one a stream that gave nothing."""
    world = ForwardModel(CATALOGUE, DRAWS, 34)
    gold = 2 * world.grade("L1", FINGERS, "Au") / 1000
    over, _, _ = set_aside(world, gold, "B1", ["over", "dust"])
    grit, kept = set_aside(world, over, "B2", ["grit"])
    weight = reading(world, "B2", FOILS, kept, 0.4, 0.05) * (world.recover("B3", LEACH, "Au", grit, 0.5) < 0.05)
    lots = [lot("L1", Fraction("a", FINGERS, 2.0)), lot("L2", Fraction("a", FINGERS, 1.0))]
    batches = [
        batch("B1", FOILS, [("L1/a", 2.0)], aside=["over", "dust"], closed=False),
        batch("B2", FOILS, [("B1/over", 0.01)], powder("B2", 0.4, 0.05), aside=["grit"]),
        batch("B3", LEACH, [("B2/grit", 0.01)], nondetects=[none_above("B3", 0.05)]),
    ]
    return Followed(bench(lots, batches), world, weight), over


@cache
def stated_for_all() -> tuple[Case, Values]:
    """Chips whose recovery row counts what was set aside as missing: one stream weighed later, one gave nothing."""
    world = ForwardModel(CATALOGUE, 2 * DRAWS, 35)
    gold = world.grade("L1", LATE, "Au") / 1000
    missing = gold - world.recover("B1", CHIPS, "Au", np.full(world.draws, MUCH), 0.5) / MUCH * gold
    wires, dies, _ = set_aside(world, missing, "B1", ["wires", "dies"], "set-aside-of-rest:chips-burn")
    weight = reading(world, "B1", CHIPS, gold, 0.5, 0.1) * reading(world, "B2", LEACH, wires, 0.1, 0.04)
    weight = weight * (world.recover("B3", LEACH, "Au", dies, 0.5) < 0.1)
    lots = [lot("L1", Fraction("a", LATE, 1.0)), lot("L2", Fraction("a", LATE, 1.0))]
    batches = [
        batch("B1", CHIPS, [("L1/a", 1.0)], powder("B1", 0.5, 0.1), aside=["wires", "dies"]),
        batch("B2", LEACH, [("B1/wires", 0.01)], powder("B2", 0.1, 0.04)),
        batch("B3", LEACH, [("B1/dies", 0.01)], nondetects=[none_above("B3", 0.1)]),
    ]
    return Followed(bench(lots, batches), world, weight), wires


def gaps(made: tuple[Case, Values], stream: str) -> list[str]:
    """What engine and importance sampling disagree on, of grades, failures and the metal in a stream."""
    case, aside = made
    posterior, exact = fit(case.bench, CATALOGUE, seed=5), Weighted(case.weight)
    count = posterior.diagnostics.ess_min
    mine = np.log(posterior.stream_g[stream, "Au"])
    return case.gaps() + compare(f"{stream} holds", np.log(aside), mine, exact, count)


def test_a_later_weight_corrects_the_earlier_batch() -> None:
    assert gaps(both_weighed(), "B1/wires") == []


def test_half_a_stream_in_a_pooled_drop() -> None:
    assert gaps(pooled_with_half_a_stream(), "B1/wires") == []


def test_nothing_of_a_stream_says_something_of_the_batch_before() -> None:
    assert gaps(nothing_of_a_stream(), "B1/wires") == []


def test_a_chain_of_streams_without_weights_runs_forward() -> None:
    assert gaps(chain_of_three(), "B1/over") == []


def test_streams_of_a_route_stated_for_all_share_what_is_missing() -> None:
    assert gaps(stated_for_all(), "B1/wires") == []


def test_a_stream_that_nobody_follows_leaves_the_earlier_batch_wrong() -> None:
    """Twin: the later weight is there, but what it took is not known to come from the earlier batch."""
    case, _ = both_weighed()
    first = case.bench.batches["B1"]
    assert Case(bench(list(case.bench.lots.values()), [first]), case.world, case.weight).gaps() != []


def test_metal_closes_in_every_draw() -> None:
    """What went into a batch is what it kept and what it set aside, for pooled batches and chains alike."""
    for made in (both_weighed(), pooled_with_half_a_stream()):
        network = build_network(made[0].bench, CATALOGUE)
        state, found = decode(
            np.random.default_rng(3).normal(size=(200, network.size)), network, np.random.default_rng(4)
        )
        side = found.failed["B1", "Au"].astype(int) * network.sizes["backward"]
        kept = np.exp(state.ln_in_work[np.arange(200), side])
        streams = sum(grams for (stream, _), grams in found.stream_g.items() if stream.startswith("B1/"))
        assert charges_of(found)["B1", "Au"] == pytest.approx(kept + streams, rel=1e-9)
        assert np.all(kept > 0)
