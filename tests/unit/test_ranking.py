"""The ranking, promise by promise; the broken twins show that each check could fail."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise, permutations

import numpy as np
import pytest

from gradeest.belief.outcome import Outcome
from gradeest.decision.placing import share_ranks, weigh_run
from gradeest.decision.ranking import Blocked, Ranking, rank_runs
from gradeest.decision.summary import Estimate
from gradeest.materials.catalogue import Catalogue, load_catalogue
from tests.decision_cases import costs, one, outcome, prices, runs


@pytest.fixture(scope="module")
def catalogue() -> Catalogue:
    return load_catalogue()


def exact(values: list[float], draws: int = 50) -> np.ndarray:
    """Gold in g that every draw agrees on: gains of `values` coins at 100 a gram."""
    return np.tile(np.array(values) / 100, (draws, 1))


def rank(given: Outcome, kinds: dict[str, str], terms, catalogue: Catalogue, **more) -> Ranking:
    return rank_runs(given, kinds, terms, catalogue, np.random.default_rng(5), **more)


def test_the_order_by_gain_per_hour_is_the_ratio_rule(catalogue: Catalogue) -> None:
    # Smith's ratio rule: jobs of 3, 5, 2, 4 h worth 6, 5, 8, 2; brute force over all orders gives 3, 1, 2, 4, cost 124.
    hours, worth = [3, 5, 2, 4], [6, 5, 8, 2]
    batch, kinds = runs(4)
    terms = prices({f"r{i}": costs(hours_fixed=h) for i, h in enumerate(hours)})
    ranking = rank(outcome(exact([float(w) for w in worth]), batch, "Au"), kinds, terms, catalogue)
    order = [int(row.address[-1]) for row in ranking.rows]

    def cost(order: tuple[int, ...] | list[int]) -> float:
        return sum(worth[job] * sum(hours[j] for j in order[: at + 1]) for at, job in enumerate(order))

    assert order == [2, 0, 1, 3]
    assert cost(order) == 124 == min(cost(other) for other in permutations(range(4)))
    assert cost(sorted(range(4), key=lambda i: hours[i])) > 124  # the broken twin: shortest first
    assert [row.rank for row in ranking.rows] == [1, 2, 3, 4]


def test_what_is_not_expected_to_gain_is_below_the_line_however_many_its_hours(catalogue: Catalogue) -> None:
    batch, kinds = runs(3)
    terms = prices({"r0": costs(120, 0, 1), "r1": costs(120, 0, 100), "r2": costs(20, 0, 4)})
    ranking = rank(outcome(exact([100.0, 100.0, 100.0]), batch), kinds, terms, catalogue)
    first, *below = ranking.rows
    assert (first.address, first.rank, first.verdict) == ("L/f2", 1, "process")
    assert [(row.rank, row.verdict) for row in below] == [(None, "keep"), (None, "keep")]
    ratios = {row.address: row.gain_per_hour for row in below}
    assert ratios["L/f1"] > ratios["L/f0"]  # the trap: by the ratio, more hours for the same loss look better


def test_a_better_offer_as_it_is_turns_the_verdict_into_sell(catalogue: Catalogue) -> None:
    batch, kinds = runs(1)
    terms = prices({"r0": costs(20, 0, 2)}, as_is_per_kg={kinds["L/f0"]: one(90.0)})
    row = rank(outcome(exact([100.0]), batch), kinds, terms, catalogue).rows[0]
    assert (row.verdict, row.rank, row.gain.mean) == ("sell", None, pytest.approx(-10.0))
    assert row.alternative_value.mean == pytest.approx(90.0)


def close_pair(draws: int, gap: float, rng: np.random.Generator, noise_in_common: bool) -> np.ndarray:
    common = rng.standard_normal(draws)
    other = common if noise_in_common else rng.standard_normal(draws)
    return np.stack([5 + common, 5 - gap + other], axis=1)


def test_rows_that_cannot_be_told_apart_share_a_rank(catalogue: Catalogue) -> None:
    batch, kinds = runs(2)
    terms = prices({"r0": costs(), "r1": costs()})
    rng = np.random.default_rng(6)
    apart = close_pair(20_000, 0.1, rng, noise_in_common=False)  # error of the difference 0.01: ten errors
    near = close_pair(20_000, 0.001, rng, noise_in_common=False)
    assert [row.rank for row in rank(outcome(apart, batch), kinds, terms, catalogue).rows] == [1, 2]
    assert [row.rank for row in rank(outcome(near, batch), kinds, terms, catalogue).rows] == [1, 1]


def test_noise_in_common_does_not_hide_a_difference(catalogue: Catalogue) -> None:
    batch, kinds = runs(2)
    terms = prices({"r0": costs(), "r1": costs()})
    paired = close_pair(20_000, 0.001, np.random.default_rng(7), noise_in_common=True)
    rows = rank(outcome(paired, batch), kinds, terms, catalogue).rows
    assert [row.rank for row in rows] == [1, 2]
    alone = np.hypot(rows[0].placed_by_mcse, rows[1].placed_by_mcse)
    assert rows[0].placed_by - rows[1].placed_by < 2 * alone  # the broken twin: errors taken as independent


def test_ranks_are_shared_with_the_leader_never_along_a_chain() -> None:
    rng = np.random.default_rng(8)
    n = 10_000
    values = [10.0, 9.985, 9.97, 9.955, 9.94]  # neighbours differ by 1.06 errors of their difference (0.0141)
    placed = [Estimate(v, rng.standard_normal(n)) for v in values]
    assert share_ranks(placed) == [1, 1, 3, 3, 5]
    chained = [1]
    for before, after in pairwise(values):
        chained.append(chained[-1] if before - after < 2 * 0.0141 else len(chained) + 1)
    assert chained == [1] * 5  # the broken twin: a chain would tie what differs by more than four errors


def test_a_gain_that_rests_on_the_best_draws_is_placed_without_them(catalogue: Catalogue) -> None:
    batch, kinds = runs(2)
    rng = np.random.default_rng(9)
    n = 20_000
    jackpot = np.where(rng.random(n) < 0.04, 100.0, 1.0)  # mean about 5, of which 4 in one draw of 25
    steady = 3 + 0.1 * rng.standard_normal(n)
    terms = prices({"r0": costs(), "r1": costs()})
    rows = rank(outcome(np.stack([jackpot, steady], axis=1), batch), kinds, terms, catalogue).rows
    assert [row.address for row in rows] == ["L/f1", "L/f0"]
    tail = rows[1]
    assert tail.rests_on_tail
    assert tail.verdict == "sample first"
    assert tail.why == (
        f"rests on the tail: sample first; placed by {tail.placed_by:.2g} per h, what it gains without its best "
        "5 of 100 cases"
    )
    assert tail.tail_share > 1 / 3
    assert tail.gain_per_hour > rows[0].gain_per_hour  # the broken twin: by the plain mean the jackpot leads
    assert tail.placed_by < rows[0].placed_by


def test_the_tail_share_is_not_looked_at_where_the_gain_is_within_its_error() -> None:
    rng = np.random.default_rng(10)
    advantage = rng.standard_normal(1_000)
    advantage += 0.03 - advantage.mean()  # 0.95 errors above nothing
    standing = weigh_run(advantage, np.ones(1_000))
    assert standing.tail_share is None
    assert not standing.rests_on_tail
    assert 1 - np.minimum(advantage, np.quantile(advantage, 0.95)).mean() / 0.03 > 1 / 3  # it would have been marked


def test_a_tail_whose_rest_loses_is_below_the_line_and_still_to_be_sampled(catalogue: Catalogue) -> None:
    batch, kinds = runs(1)
    jackpot = np.where(np.arange(20_000) % 25 == 0, 100.0, 1.0)
    terms = prices({"r0": costs(cost_fixed=200)})
    row = rank(outcome(jackpot[:, None], batch), kinds, terms, catalogue).rows[0]
    assert row.gain.mean > 0 > row.placed_by
    assert (row.rank, row.verdict) == (None, "sample first")
    assert row.why.endswith("sample first; without its best 5 of 100 cases it gains nothing")


def test_a_gain_within_its_error_is_to_be_sampled_not_processed(catalogue: Catalogue) -> None:
    batch, kinds = runs(1)
    gold = np.random.default_rng(11).standard_normal(20_000)
    gold += 10.005 - gold.mean()
    row = rank(outcome(gold[:, None], batch), kinds, prices({"r0": costs(cost_fixed=1000)}), catalogue).rows[0]
    assert 0 < row.gain.mean < 2 * row.gain_mcse
    assert row.verdict == "sample first"
    assert "cannot be told" in row.why


def test_blocked_fractions_come_last_unranked_and_with_their_reason(catalogue: Catalogue) -> None:
    batch, kinds = runs(1)
    stop = Blocked("L/old", "contacts-agcdo", 1.9, "", "cadmium: hand it to a licensed handler (OSHA)")
    ranking = rank(outcome(exact([100.0]), batch), kinds, prices({"r0": costs()}), catalogue, blocked=[stop])
    row = ranking.rows[-1]
    assert (row.address, row.rank, row.verdict, row.why) == ("L/old", None, "blocked", stop.reason)
    assert (row.gain, row.gain_per_hour, row.hours) == (None, None, None)


def test_a_blocked_fraction_among_the_runs_is_refused(catalogue: Catalogue) -> None:
    batch, kinds = runs(1)
    stop = Blocked("L/f0", kinds["L/f0"], 1.0, "r0", "refused")
    with pytest.raises(ValueError, match="must not be ranked"):
        rank(outcome(exact([100.0]), batch), kinds, prices({"r0": costs()}), catalogue, blocked=[stop])


def test_an_upper_bound_below_the_cost_is_the_reason_given(catalogue: Catalogue) -> None:
    # Nothing dropped from 4 kg of thinly gilded boards: at most 0.029 g/kg, worth 2.9 a kg at 100 a gram.
    batch, kinds = runs(1, mass_kg=4.0)
    gold = np.exp(np.log(0.007 * 4) + 0.86 * np.random.default_rng(12).standard_normal(20_000))
    terms = prices({"r0": costs(30, 6, 4)})
    row = rank(outcome(gold[:, None], batch), kinds, terms, catalogue).rows[0]
    assert row.verdict == "keep"
    assert row.metal_value.q95 / 4 == pytest.approx(2.9, rel=0.05)
    assert "worth at most" in row.why


def test_the_same_seed_gives_the_same_ranking_and_another_fraction_changes_no_row(catalogue: Catalogue) -> None:
    batch, kinds = runs(3)
    rng = np.random.default_rng(13)
    gold = np.exp(rng.standard_normal((5_000, 3)))
    wide = replace(costs(), hours_fixed=replace(one(3), q5=1.5, q95=6.0))
    terms = prices({"r0": wide, "r1": wide, "r2": wide})
    all_three = rank(outcome(gold, batch), kinds, terms, catalogue)
    assert all_three == rank(outcome(gold, batch), kinds, terms, catalogue)
    two = rank(outcome(gold[:, :2], batch[:2]), kinds, terms, catalogue)
    before = {row.address: (row.hours.q95, row.gain.mean, row.gain.q5) for row in all_three.rows}
    for row in two.rows:
        assert (row.hours.q95, row.gain.mean, row.gain.q5) == pytest.approx(before[row.address], rel=1e-9)


def test_chances_of_being_best_add_up_to_the_chance_that_something_gains(catalogue: Catalogue) -> None:
    batch, kinds = runs(3)
    gold = np.exp(np.random.default_rng(14).standard_normal((5_000, 3)))
    terms = prices({f"r{i}": costs(cost_fixed=150) for i in range(3)})
    ranking = rank(outcome(gold, batch), kinds, terms, catalogue)
    assert sum(row.chance_best for row in ranking.rows) == pytest.approx((gold.max(axis=1) > 1.5).mean())


def test_an_empty_ranking_says_nothing_and_fails_nothing(catalogue: Catalogue) -> None:
    ranking = rank(outcome(np.zeros((10, 0)), ()), {}, prices({}), catalogue)
    assert ranking.rows == ()
    assert ranking.total_gain.mean == 0.0


def test_of_rows_that_share_a_rank_those_that_rest_on_the_tail_stand_last(catalogue: Catalogue) -> None:
    batch, kinds = runs(2)
    rng = np.random.default_rng(14)
    n = 20_000
    jackpot = 3 + rng.standard_normal(n) + np.where(rng.random(n) < 0.04, 100.0, 0.0)
    guarded = weigh_run(100 * jackpot, np.ones(n)).placed.value / 100
    steady = rng.standard_normal(n)
    steady += guarded - 0.001 - steady.mean()  # a hair below the guarded value
    rows = rank(
        outcome(np.stack([jackpot, steady], axis=1), batch), kinds, prices({"r0": costs(), "r1": costs()}), catalogue
    ).rows
    assert [row.rank for row in rows] == [1, 1]
    assert [(row.address, row.rests_on_tail) for row in rows] == [("L/f1", False), ("L/f0", True)]
    assert rows[1].placed_by > rows[0].placed_by  # the broken twin: by the value alone the jackpot would lead
