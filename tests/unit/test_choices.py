"""Undecided choices: the joint enumeration against brute force over all of them, and what happens beyond eight."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import logsumexp

from gradeest.belief.assembly import build_network
from gradeest.belief.choices import ChoiceGraph, Configurations, Factor, enumerate_configurations, pad_rows
from gradeest.materials.catalogue import load_catalogue
from gradeest.records.domain import Bench, Fraction
from tests.engine_bench import batch, bench, lot
from tests.engine_bench import product as weighed

NEVER = -1e30
KEYS = "abcdefg"


def linked(factors: Sequence[Factor], keys: str, fixed: dict[str, int] | None = None) -> ChoiceGraph:
    graph = ChoiceGraph()
    for key in keys:
        graph.add(key, 0.0)
    for factor in factors:
        graph.connect(factor.choices)
    graph.fixed.update(fixed or {})
    return graph


def by_groups(found: Configurations, terms: np.ndarray) -> float:
    """What the density does: the terms of every configuration added, log-sum-exp within groups, groups added."""
    weights = np.append(np.append(terms, 0.0)[found.terms].sum(axis=1), NEVER)
    return float(sum(logsumexp(weights[rows]) for rows in found.of_group))


def by_brute_force(factors: Sequence[Factor], terms: np.ndarray, keys: str, fixed: dict[str, int]) -> float:
    """ln of the sum over all 2^n outcomes of the product of all factors."""
    total = []
    for outcome in product((0, 1), repeat=len(keys)):
        chosen = dict(zip(keys, outcome, strict=True))
        if any(chosen[key] != value for key, value in fixed.items()):
            continue
        entries = [f.entries.get(tuple(chosen[c] for c in f.choices)) for f in factors]
        if None not in entries:
            total.append(sum(terms[e] for e in entries))
    return float(logsumexp(total))


@st.composite
def tables(draw: st.DrawFn) -> tuple[list[Factor], np.ndarray, str, dict[str, int]]:
    """Random factors over up to seven choices: some outcomes impossible, some choices fixed, terms shared."""
    keys = KEYS[: draw(st.integers(1, 7))]
    size = 6
    factors = [Factor((key,), {(0,): draw(st.integers(0, 5)), (1,): draw(st.integers(0, 5))}) for key in keys]
    for _ in range(draw(st.integers(0, 5))):
        members = tuple(draw(st.lists(st.sampled_from(keys), min_size=1, max_size=3, unique=True)))
        entries = {side: draw(st.integers(0, 5)) for side in product((0, 1), repeat=len(members))}
        if len(entries) > 2 and draw(st.booleans()):  # one outcome impossible, not all
            del entries[draw(st.sampled_from(sorted(entries)[1:]))]
        factors.append(Factor(members, entries))
    fixed = {draw(st.sampled_from(keys)): 0} if draw(st.booleans()) else {}
    terms = np.array([draw(st.floats(-30, 30)) for _ in range(size)])
    return factors, terms, keys, fixed


@settings(max_examples=200, deadline=None)
@given(tables())
def test_groups_sum_to_what_all_outcomes_sum_to(case: tuple[list[Factor], np.ndarray, str, dict[str, int]]) -> None:
    factors, terms, keys, fixed = case
    found = enumerate_configurations(linked(factors, keys, fixed), factors, len(terms))
    assert by_groups(found, terms) == pytest.approx(by_brute_force(factors, terms, keys, fixed), rel=1e-9, abs=1e-9)


def test_summing_factor_by_factor_is_not_the_same() -> None:
    """Twin: a chain a - b - c, in which each factor sums its own choices, counts b twice."""
    factors = [
        Factor(("a", "b"), {side: n for n, side in enumerate(product((0, 1), repeat=2))}),
        Factor(("b", "c"), {side: 4 + n for n, side in enumerate(product((0, 1), repeat=2))}),
    ]
    terms = np.array([0.0, 2.0, -1.0, 1.0, 3.0, 0.5, -2.0, 1.5])
    found = enumerate_configurations(linked(factors, "abc"), factors, len(terms))
    assert by_groups(found, terms) == pytest.approx(by_brute_force(factors, terms, "abc", {}))
    assert abs(by_groups(found, terms) - logsumexp(terms[:4]) - logsumexp(terms[4:])) > 0.1


def test_choices_that_share_nothing_are_groups_of_their_own() -> None:
    factors = [Factor((key,), {(0,): 0, (1,): 1}) for key in "abcdef"]
    found = enumerate_configurations(linked(factors, "abcdef"), factors, 2)
    assert found.of_group.shape == (6, 2)
    assert len(found.terms) == 12  # not 2^6
    assert (found.values >= 0).sum() == 12


def test_values_tell_which_choice_took_which_side() -> None:
    factors = [Factor(("a", "b"), {(0, 0): 0, (0, 1): 1, (1, 1): 2}), Factor(("c",), {(0,): 3, (1,): 4})]
    found = enumerate_configurations(linked(factors, "abc"), factors, 5)
    assert found.choices == ("a", "b", "c")
    assert found.values.tolist() == [[0, 0, -1], [0, 1, -1], [1, 1, -1], [-1, -1, 0], [-1, -1, 1]]
    assert found.terms.tolist() == [[0], [1], [2], [3], [4]]


def test_rows_are_filled_at_their_ends() -> None:
    assert pad_rows([[1, 2, 3], [], [4]], 9).tolist() == [[1, 2, 3], [9, 9, 9], [4, 9, 9]]
    assert pad_rows([], 9).shape == (0, 1)


# -- beyond eight ------------------------------------------------------------------------------------------------------


def chain(odds: Sequence[float]) -> ChoiceGraph:
    graph = ChoiceGraph()
    for n, each in enumerate(odds):
        graph.add(n, each)
    for n in range(len(odds) - 1):
        graph.connect([n, n + 1])
    return graph


def test_the_most_decided_are_fixed_at_their_likelier_side() -> None:
    odds = [0.1, -7.0, 3.0, -0.2, 5.0, 0.3, -0.4, 0.5, -2.0, 0.6, 0.7]
    graph = chain(odds)
    assert set(graph.fix_most_decided(8)) == {1, 4, 2}
    assert graph.fixed == {1: 0, 4: 1, 2: 1}


def test_each_group_keeps_eight() -> None:
    graph = chain([0.1] * 9)
    for n in range(20, 29):
        graph.add(n, -1.0)
        if n > 20:
            graph.connect([20, n])
    graph.add("alone", 2.0)
    assert len(graph.fix_most_decided(8)) == 2
    assert "alone" not in graph.fixed
    assert max(sum(key not in graph.fixed for key in group) for group in graph.components()) == 8


def test_the_certain_do_not_count() -> None:
    graph = chain([*([0.1] * 8), 30.0, -30.0])
    graph.fix_certain(10.0)
    assert graph.fixed == {8: 1, 9: 0}
    assert graph.fix_most_decided(8) == ()


def batches_of_chips(count: int) -> Bench:
    """One fraction of late chips run in many batches, each of which may have failed."""
    runs = [
        batch(
            f"B{n}",
            "chips-burn",
            [("L/late", 0.2)],
            weighed("au-1", f"B{n}", "Au", "gold-powder", 0.07 + 0.003 * n, 0.001),
        )
        for n in range(count)
    ]
    return bench([lot("L", Fraction("late", "chips-from-2014", 0.2 * count))], runs)


def undecided(made: Bench) -> tuple[int, tuple[str, ...]]:
    network = build_network(made, load_catalogue())
    free = [key for key in network.configurations.choices if key not in network.fixed]
    assert len(network.configurations.terms) <= 2 ** len(free)
    return len(free), network.notes


def test_a_bench_beyond_eight_open_questions_says_which_it_closed() -> None:
    assert undecided(batches_of_chips(8)) == (8, ())  # did any of the runs fail?
    many, notes = undecided(batches_of_chips(11))
    assert many == 8
    assert len(notes) == 3
    for note in notes:
        assert note.startswith("B")
        assert note.endswith(": taken as an ordinary run for Au (too many open questions)")


@pytest.mark.parametrize(("step_g", "is_open"), [(0.04, True), (0.001, False)])
def test_a_coarse_weight_rules_no_traces_out(step_g: float, is_open: bool) -> None:
    """0.12 g read to 0.04 g may have been next to nothing; read to a milligram it was not."""
    powder = weighed("au-1", "B0", "Au", "gold-powder", 0.12, step_g)
    made = bench(
        [lot("L", Fraction("late", "chips-from-2014", 0.4))], [batch("B0", "chips-burn", [("L/late", 0.4)], powder)]
    )
    network = build_network(made, load_catalogue())
    assert (("trace", "L", "chips-from-2014", "Au") not in network.fixed) == is_open


def test_fixing_a_choice_is_seen_in_the_sum() -> None:
    """Twin: with the cap lower, fewer outcomes are summed and the sum is smaller, by what the dropped ones weigh."""
    factors = [Factor((key,), {(0,): 0, (1,): 1}) for key in "ab"]
    terms = np.array([0.0, -3.0])
    graph = linked(factors, "ab")
    graph.log_odds["a"] = -3.0
    graph.fix_certain(2.0)
    found = enumerate_configurations(graph, factors, 2)
    lost = 2 * math.log1p(math.exp(-3.0)) - by_groups(found, terms)
    assert lost == pytest.approx(math.log1p(math.exp(-3.0)))
