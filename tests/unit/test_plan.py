"""The choice within limits: against a published knapsack, against all subsets, and the order against all orders."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations, permutations, product

import numpy as np
import pytest

from gradeest.decision.plan import Limit, Question, choose_runs, longest, next_step, order_runs, spread_out
from gradeest.errors import PlanInfeasible

# Knapsack instances P01 and P02 of J. Burkardt's collection (Florida State University), with their optima.
P01 = (
    165,
    [23, 31, 29, 44, 53, 38, 63, 85, 89, 82],
    [92, 57, 49, 68, 60, 43, 67, 84, 87, 72],
    309,
    (0, 1, 2, 3, 5),
)
P02 = (26, [12, 7, 11, 8, 9], [24, 13, 23, 15, 16], 51, (1, 2, 3))


def hours(most: float, uses: list[float]) -> Limit:
    return Limit("hours", "h", most, np.array(uses, dtype=float))


def days_of(uses: np.ndarray) -> Limit:
    return Limit("days", "d", 0.0, uses, places=2)


def by_ratio(values: list[float], limit: Limit) -> float:
    """What taking the best ratio first, as long as it fits, reaches."""
    left, got = limit.most, 0.0
    for i in sorted(range(len(values)), key=lambda i: -values[i] / limit.uses[i]):
        if limit.uses[i] <= left:
            left, got = left - limit.uses[i], got + values[i]
    return got


@pytest.mark.parametrize(("most", "uses", "values", "best", "members"), [P01, P02])
def test_published_knapsacks(most, uses, values, best, members) -> None:
    asked = Question(np.array(values, dtype=float), [hours(most, uses)])
    assert choose_runs(asked) == members
    assert asked.worth(members) == best


def test_the_best_ratio_first_is_not_the_best_plan() -> None:
    # Own instance: 6 h worth 10 fills a day of 10 h badly; two of 5 h worth 8 each are better.
    values, limit = [10.0, 8.0, 8.0], hours(10, [6, 5, 5])
    assert by_ratio(values, limit) == 10  # the broken twin
    assert choose_runs(Question(np.array(values), [limit])) == (1, 2)


@pytest.mark.parametrize("seed", range(12))
def test_the_plan_is_the_best_of_all_subsets(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n = int(rng.integers(3, 13))
    values = rng.normal(60, 60, n)
    fee = float(rng.choice([0.0, 80.0]))
    limits = [Limit("hours", "h", 20.0, rng.uniform(2, 12, n)), Limit("cash", "coin", 300.0, rng.uniform(20, 150, n))]
    must = tuple(int(i) for i in np.argsort(limits[0].uses + limits[1].uses / 15)[: seed % 2])

    asked = Question(values, limits, fee, must)

    def best(grown: float = 0.0) -> float:
        found = -np.inf
        for size in range(n + 1):
            for chosen in combinations(range(n), size):
                most = [limits[0].most + grown, limits[1].most]
                fits = all(limit.uses[list(chosen)].sum() <= m for limit, m in zip(limits, most, strict=True))
                if fits and set(must) <= set(chosen):
                    found = max(found, asked.worth(chosen))
        return found

    assert asked.worth(choose_runs(asked)) == pytest.approx(best())
    more = next_step(asked, 0)
    if more is not None:
        assert best(more.extra * (1 + 1e-6)) == pytest.approx(best() + more.gain)
        assert best(more.extra * 0.999) < best() + max(0.0101 * abs(best()), 1e-9)


def test_a_fee_that_nobody_bears_alone_can_make_leaving_all_the_best_plan() -> None:
    values = np.array([30.0, 40.0])
    assert choose_runs(Question(values, [hours(10, [1, 1])], 80)) == ()
    assert choose_runs(Question(values, [hours(10, [1, 1])], 60)) == (0, 1)


def test_what_must_be_in_a_plan_and_does_not_fit_is_told_with_by_how_much() -> None:
    limits = [hours(5, [4, 3]), Limit("cash", "coin", 10, np.array([8.0, 9.0]))]
    with pytest.raises(PlanInfeasible) as told:
        choose_runs(Question(np.array([1.0, 1.0]), limits, must=(0, 1)))
    assert "hours: 7 h needed, 2 more than 5" in told.value.message
    assert "cash: 17 coin needed, 7 more than 10" in told.value.message


def test_where_nothing_gains_the_plan_is_to_do_nothing() -> None:
    nothing = np.zeros(0)
    assert choose_runs(Question(nothing, [])) == choose_runs(Question(nothing, [hours(3, [])])) == ()
    assert next_step(Question(nothing, [hours(3, [])]), 0) is None


def test_what_is_bought_in_packs_is_told_in_whole_ones() -> None:
    acid = Limit("acid", "L", 2.0, np.array([1.4, 1.3]), step=1.0)
    with pytest.raises(PlanInfeasible) as told:
        choose_runs(Question(np.array([1.0, 1.0]), [acid], must=(0, 1)))
    assert "acid: 3 L needed, 1 more than 2" in told.value.message  # 2.7 L
    more = next_step(Question(np.array([30.0, 20.0]), [acid]), 0)
    assert more is not None
    assert (more.extra, more.gain, more.per_unit) == (1.0, pytest.approx(20), pytest.approx(20))


def test_where_two_limits_hold_a_run_back_more_of_one_brings_nothing() -> None:
    both = [hours(1, [4]), Limit("acid", "L", 1.0, np.array([3.0]))]
    assert choose_runs(Question(np.array([50.0]), both)) == ()
    assert next_step(Question(np.array([50.0]), both), 0) is None
    assert next_step(Question(np.array([50.0]), both[:1]), 0) is not None


def test_ten_litres_do_not_do_for_the_pins() -> None:
    # The reference table of the eight fractions: 3.1 kg of pins at 3.5 L of nitric acid a kg are over 10 L.
    values = np.array([295.0, 349.0, 2.0])
    acid = Limit("nitric acid", "L", 10.0, np.array([0.0, 0.0, 3.5 * 3.1]))
    assert choose_runs(Question(values, [hours(40, [5.9, 9.4, 6.1]), acid])) == (0, 1)
    assert choose_runs(Question(values, [hours(40, [5.9, 9.4, 6.1])])) == (0, 1, 2)


def test_the_order_by_ratio_brings_the_gain_soonest() -> None:
    # Smith's ratio rule; jobs of 3, 5, 2, 4 h worth 6, 5, 8, 2: 3, 1, 2, 4 by brute force, sum of worth x time 124.
    time, worth = [3, 5, 2, 4], [6, 5, 8, 2]

    def cost(order: tuple[int, ...]) -> float:
        return sum(worth[j] * sum(time[k] for k in order[: at + 1]) for at, j in enumerate(order))

    order = order_runs(range(4), {i: worth[i] / time[i] for i in range(4)})
    assert order == (2, 0, 1, 3)
    assert cost(order) == 124 == min(cost(other) for other in permutations(range(4)))
    assert (cost((0, 1)), cost((1, 0))) == (3 * 6 + 8 * 5, 5 * 5 + 8 * 6)


def shortest(days: np.ndarray, places: int) -> float:
    """The days of the longest place, over all ways to put the runs at places."""
    ways = product(range(places), repeat=len(days))
    return min(max(days[np.array(way) == place].sum() for place in range(places)) for way in ways)


@pytest.mark.parametrize("seed", range(6))
def test_runs_that_wait_side_by_side_and_trials_of_one_size_are_chosen_as_by_trying_all(seed: int) -> None:
    rng = np.random.default_rng(seed)
    values, days = rng.normal(60, 60, 7), rng.uniform(3, 12, 7)
    limits = [hours(22, list(rng.uniform(2, 9, 7))), Limit("days", "d", 14.0, days, places=2)]
    fee, apart, group = 70.0, frozenset({4, 5, 6}), (4, 5)
    asked = Question(values, limits, fee, (), apart, [group])

    def best(*, places: int) -> float:
        found = 0.0
        for size in range(1, 8):
            for chosen in combinations(range(7), size):
                at = list(chosen)
                fits = limits[0].uses[at].sum() <= 22 and shortest(days[at], places) <= 14
                if fits and not {4, 5} <= set(at):
                    found = max(found, values[at].sum() - (fee if set(at) - apart else 0))
        return found

    chosen = choose_runs(asked)
    assert asked.worth(chosen) == pytest.approx(best(places=2))
    at = days[list(chosen)]
    assert longest(at[None, :], spread_out(days_of(at)))[0] == pytest.approx(shortest(at, 2))
    assert best(places=1) <= best(places=2)


@pytest.mark.parametrize(("seed", "places"), [(0, 1), (1, 1), (2, 1), (3, 2), (4, 2), (5, 2)])
def test_assays_count_with_their_days_hours_and_money_as_by_trying_all(seed: int, places: int) -> None:
    # Four runs, assays of two of them that these wait for, and of two fractions that are not run.
    rng = np.random.default_rng(40 + seed)
    values = np.array([*rng.normal(60, 60, 4), *rng.uniform(5, 60, 4)])
    days = np.array([*rng.uniform(3, 12, 4), 0, 0, 0, 0])
    cash = np.array([*rng.uniform(20, 80, 4), *[40.0] * 4])
    assays = {4: 0, 5: 2, 6: None, 7: None}
    wait, most = 8.0, 14.0
    limits = [
        hours(20, [*rng.uniform(2, 9, 4), 1, 1, 1, 1]),
        Limit("cash", "coin", 220.0, cash),
        Limit("days", "d", most, days, places=places, wait=wait),
    ]
    asked = Question(values, limits, 50.0, (), frozenset({4, 5, 6, 7}), (), assays)

    def ends(chosen: list[int]) -> float:
        """The days of the longest place, over all ways to put the runs at places: what waits for an assay goes last."""
        tested = [a for a in assays if a in chosen]
        runs, late = [i for i in chosen if i < 4], [assays[a] for a in tested if assays[a] is not None]
        found = np.inf
        for way in product(range(places), repeat=len(runs)):
            at = [[i for i, place in zip(runs, way, strict=True) if place == p] for p in range(places)]
            plain = max(sum(days[i] for i in here) for here in at)
            after = max(wait * bool(tested) + sum(days[i] for i in here if i in late) for here in at)
            found = min(found, max(plain, after))
        return found

    def best(most: float) -> float:
        found = 0.0
        for size in range(1, 9):
            for chosen in map(list, combinations(range(8), size)):
                is_whole = all(assays[a] is None or assays[a] in chosen for a in assays if a in chosen)
                fits = limits[0].uses[chosen].sum() <= 20 and cash[chosen].sum() <= 220 and ends(chosen) <= most
                if is_whole and fits:
                    found = max(found, asked.worth(chosen))
        return found

    chosen = list(choose_runs(asked))
    assert asked.worth(chosen) == pytest.approx(best(most))
    assert ends(chosen) <= most * (1 + 1e-9)
    more = next_step(asked, 2)
    if more is not None:
        assert best(most + more.extra * (1 + 1e-6)) == pytest.approx(best(most) + more.gain)
    # The broken twin: where nobody waits for a result some plan gains more than there is time for.
    free = replace(asked, limits=[*limits[:2], replace(limits[2], wait=0.0)])
    assert free.worth(choose_runs(free)) >= asked.worth(chosen)
    if seed >= 2:
        assert ends(list(choose_runs(free))) > most


def test_side_by_side_more_fits_than_one_after_the_other() -> None:
    # Graham's example of list scheduling (1969, from memory): 3 3 2 2 2 on two machines end at 6, and by the longest
    # first at 7.
    days = np.array([3.0, 3.0, 2.0, 2.0, 2.0])
    assert longest(days[None, :], spread_out(days_of(days)))[0] == 6
    ends = [0.0, 0.0]
    for each in sorted(days, reverse=True):
        ends[ends.index(min(ends))] += each
    assert max(ends) == 7  # the broken twin
    side, after = (Question(np.ones(5), [Limit("days", "d", 6.0, days, places=places)]) for places in (2, 1))
    assert (len(choose_runs(side)), len(choose_runs(after))) == (5, 3)
    more = next_step(after, 0)
    assert more is not None
    assert (more.extra, more.gain) == (pytest.approx(3), pytest.approx(1))


def test_what_must_be_done_side_by_side_and_does_not_fit_is_told_with_by_how_much() -> None:
    days = Limit("days", "d", 5.0, np.array([3.0, 3.0, 2.0, 2.0, 2.0]), places=2)
    with pytest.raises(PlanInfeasible) as told:
        choose_runs(Question(np.ones(5), [days], must=range(5)))
    assert "days: 6 d needed, 1 more than 5" in told.value.message


@pytest.mark.parametrize("seed", range(4))
def test_another_currency_changes_no_plan(seed: int) -> None:
    rng = np.random.default_rng(100 + seed)
    values, hands, cash = rng.normal(40, 60, 10), rng.uniform(2, 12, 10), rng.uniform(20, 150, 10)

    def plan(rate: float, limit_rate: float) -> tuple[int, ...]:
        limits = [hours(25, list(hands)), Limit("cash", "coin", 300 * limit_rate, rate * cash)]
        return choose_runs(Question(rate * values, limits, 60 * rate))

    assert plan(1, 1) == plan(0.007, 0.007) == plan(148, 148)
    assert plan(1, 1) != plan(1, 0.3)  # the broken twin: money of which one amount was not changed
