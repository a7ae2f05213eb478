"""What must hold of every ranking, whatever the numbers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from gradeest.decision.placing import share_ranks, weigh_run
from gradeest.decision.ranking import rank_runs
from gradeest.decision.summary import Estimate, mcse
from gradeest.materials.catalogue import load_catalogue
from tests.decision_cases import costs, one, outcome, prices, runs

CATALOGUE = load_catalogue()
seeds = st.integers(0, 2**32 - 1)


def invented(seed: int, count: int):
    rng = np.random.default_rng(seed)
    batch, kinds = runs(count)
    gold = np.exp(rng.normal(0, 1, count) + rng.uniform(0.1, 1.5, count) * rng.standard_normal((400, count)))
    terms = prices({run.route: costs(*rng.uniform(1, 200, 2), *rng.uniform(0.5, 9, 2)) for run in batch})
    return outcome(gold, batch), kinds, terms


@settings(max_examples=40, deadline=None)
@given(seeds, st.integers(1, 7))
def test_ranked_rows_come_first_gain_and_have_competition_ranks(seed: int, count: int) -> None:
    given_outcome, kinds, terms = invented(seed, count)
    rows = rank_runs(given_outcome, kinds, terms, CATALOGUE, np.random.default_rng(0)).rows
    ranked = [row for row in rows if row.rank is not None]
    assert rows[: len(ranked)] == tuple(ranked)
    assert sorted(row.address for row in rows) == sorted(kinds)
    assert all(row.gain.mean > 0 and row.placed_by > 0 for row in ranked)
    assert all(row.verdict != "process" for row in rows if row.rank is None)
    for at, row in enumerate(ranked):
        assert row.rank == at + 1 or row.rank == ranked[at - 1].rank
    placed = [(row.rank, row.rests_on_tail, -row.placed_by) for row in ranked]
    assert placed == sorted(placed)  # who rests on the tail stands last in its rank, never before a better rank


@settings(max_examples=40, deadline=None)
@given(seeds, st.integers(1, 6), st.floats(0.01, 1000))
def test_another_currency_changes_no_rank_and_no_verdict(seed: int, count: int, factor: float) -> None:
    given_outcome, kinds, terms = invented(seed, count)
    rng = np.random.default_rng(seed + 1)
    offers = {kind: one(float(rng.uniform(1, 60))) for kind in kinds.values()}
    fee, rate = one(float(rng.uniform(1, 90))), float(rng.uniform(0, 20))
    terms = replace(terms, settlement_fee=fee, hours_rate=rate, as_is_per_kg=offers, fee_per_g={"Au": 1.5})
    dear = replace(
        terms,
        metal_per_g={metal: factor * price for metal, price in terms.metal_per_g.items()},
        settlement_fee=scaled(fee, factor),
        hours_rate=factor * rate,
        as_is_per_kg={kind: scaled(row, factor) for kind, row in offers.items()},
        fee_per_g={"Au": factor * 1.5},
        routes={
            name: replace(row, **{key: scaled(getattr(row, key), factor) for key in ("cost_fixed", "cost_per_kg")})
            for name, row in terms.routes.items()
        },
    )
    before, after = (
        rank_runs(given_outcome, kinds, t, CATALOGUE, np.random.default_rng(0)).rows for t in (terms, dear)
    )
    assert [(r.address, r.rank, r.verdict) for r in before] == [(r.address, r.rank, r.verdict) for r in after]


def scaled(row, factor: float):
    return replace(row, q5=factor * row.q5, q50=factor * row.q50, q95=factor * row.q95)


@settings(max_examples=60, deadline=None)
@given(seeds, st.integers(1, 12))
def test_nobody_of_a_rank_can_be_told_from_its_leader_and_the_next_leader_can(seed: int, count: int) -> None:
    rng = np.random.default_rng(seed)
    placed = sorted((Estimate(v, rng.standard_normal(100)) for v in rng.normal(0, 0.4, count)), key=lambda e: -e.value)
    ranks = share_ranks(placed)
    for i, rank in enumerate(ranks):
        leader = placed[rank - 1]
        error = mcse(leader.influence - placed[i].influence)
        assert leader.value - placed[i].value <= 2 * error
        if rank == i + 1 and i > 0:
            before = placed[ranks[i - 1] - 1]
            assert before.value - placed[i].value > 2 * mcse(before.influence - placed[i].influence)


@settings(max_examples=60, deadline=None)
@given(seeds, st.floats(0.1, 1000))
def test_care_never_places_a_row_higher(seed: int, stake: float) -> None:
    rng = np.random.default_rng(seed)
    advantage = rng.lognormal(1, rng.uniform(0.2, 3), 500) - rng.uniform(0, 5)
    hours = rng.lognormal(1, 0.3, 500)
    careful = weigh_run(advantage, hours, stake=stake)
    assert careful.placed.value <= weigh_run(advantage, hours).placed.value + 1e-9
    assert careful.counted.value >= advantage.min() - 1e-9


@settings(max_examples=60, deadline=None)
@given(seeds)
def test_the_guard_never_places_a_row_higher(seed: int) -> None:
    rng = np.random.default_rng(seed)
    standing = weigh_run(rng.lognormal(1, rng.uniform(0.2, 3), 500) - rng.uniform(0, 5), rng.lognormal(1, 0.3, 500))
    assert standing.placed.value <= standing.per_unit.value
    assert standing.rests_on_tail == (standing.placed is not standing.per_unit)
