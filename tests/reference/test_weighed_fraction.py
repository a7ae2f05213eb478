"""Fractions with one weight: the program's posterior against quadrature, and which questions it may close beforehand.

The quadrature runs over the true weight, the purity, the hold-up and the recovery (ordinary or failed run), so it
knows two explanations of a poor result: there is hardly any metal, or the run lost it.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from itertools import product as pairs
from typing import Any

import numpy as np
import pytest

from gradeest.belief.assembly import build_network
from gradeest.records.domain import Bench, Fraction
from tests.engine_bench import assay, assayed, batch, bench, lot, product
from tests.reference.quadrature import Answer, Measured, Weighing, same_lot, single_fraction, weighed_fraction
from tests.reference.test_assayed_fraction import CATALOGUE, SWITCH, Draws, draw, prior_of, wrong

STEP = 0.001
CASES = {
    "fingers, as expected": ("fingers-mixed", "foils-peroxide", 2.3),
    "fingers, a tenth of it": ("fingers-mixed", "foils-peroxide", 0.2),
    "old chips, as expected": ("chips-to-2008", "chips-burn", 1.3),
    "old chips, next to nothing": ("chips-to-2008", "chips-burn", 0.006),
    "late chips, next to nothing": ("chips-from-2014", "chips-burn", 0.012),
}


def one_batch(kind: str, route: str, weight_g: float) -> Bench:
    drop = product("au-1", "B1", "Au", "gold-powder", weight_g, STEP)
    return bench([lot("L", Fraction("a", kind, 1.0))], [batch("B1", route, [("L/a", 1.0)], drop)])


@cache
def fitted(case: str) -> Draws:
    moves = 150 if case == "old chips, next to nothing" else 60  # the explanations lie far apart
    return draw(build_network(one_batch(*CASES[case]), CATALOGUE), ("L/a", "Au"), moves=moves)[0]


def answer(case: str, **changes: Any) -> Answer:
    return quadrature(*CASES[case], **changes)


def quadrature(kind: str, route: str, weight_g: float, **changes: Any) -> Answer:
    recovery, form = CATALOGUE.routes[route].recovery["Au"], CATALOGUE.forms["gold-powder"]
    rows = (recovery.q5, recovery.q50), (form.purity.q5, form.purity.q50)
    weighing = Weighing(1.0, weight_g, STEP, *rows, holdup_factor=form.holdup_factor)
    return weighed_fraction(prior_of(kind, "Au"), replace(weighing, **changes))


@pytest.mark.parametrize("case", CASES)
def test_a_weighed_fraction_is_believed_as_quadrature_says(case: str) -> None:
    truth = answer(case)
    assert wrong(fitted(case), truth.p_trace, truth.ln_grade) == []


@pytest.mark.parametrize(
    ("case", "changes"),
    [
        ("fingers, a tenth of it", {"failed_share": 1e-9}),
        ("old chips, next to nothing", {"failed_share": 0.01}),
        ("old chips, as expected", {"recovery": (0.85, 0.95)}),
        ("fingers, as expected", {"purity": (0.80, 0.92)}),
        ("late chips, next to nothing", {"a": 1e-6}),
    ],
)
def test_another_balance_is_told_apart(case: str, changes: dict[str, Any]) -> None:
    """Twin: quadrature without failed runs, of another route, of another form, without hold-up."""
    truth = answer(case, **changes)
    assert wrong(fitted(case), truth.p_trace, truth.ln_grade) != []


# -- which questions may be closed without summing ---------------------------------------------------------------------

KINDS = ("fingers-mixed", "pins-full", "chips-to-2008", "chips-from-2014")
GRADES = (5.0, 12.0, 25.0, 40.0, 80.0, 200.0, 500.0)


def closed(made: Bench, kind: str) -> int | None:
    return build_network(made, CATALOGUE).fixed.get(("trace", "L", kind, "Au"))


@pytest.mark.parametrize("kind", KINDS)
def test_a_switch_is_only_closed_where_quadrature_leaves_nothing_open(kind: str) -> None:
    """One assay from 5 to 500 g/t, sharp or blurred: a switch taken as decided is within the promised error."""
    off, count = [], 0
    for grade, u in pairs(GRADES, (0.05, 0.3)):
        side = closed(assayed(kind, "Au", (grade, u, False)), kind)
        if side is not None:
            count += 1
            p = single_fraction(prior_of(kind, "Au"), [Measured(grade, u)]).p_trace
            if abs(p - side) > SWITCH / 3:
                off.append((grade, u, side, round(p, 3)))
    assert off == []
    assert count > 0 or kind == "chips-from-2014"  # something is closed, else this says nothing


@pytest.mark.parametrize("kind", KINDS)
def test_a_switch_of_two_fractions_hears_both_before_it_is_closed(kind: str) -> None:
    off, count = [], 0
    for first, second in pairs(GRADES[::2], GRADES[::2]):
        both = [Fraction("a", kind, 1.0), Fraction("b", kind, 1.0)]
        results = [assay("L/a", "Au", first, 0.1), assay("L/b", "Au", second, 0.1)]
        side = closed(bench([lot("L", *both)], (), results), kind)
        if side is not None:
            count += 1
            p = same_lot(prior_of(kind, "Au"), [[Measured(first, 0.1)], [Measured(second, 0.1)]])
            if abs(p - side) > SWITCH:
                off.append((first, second, side, round(p, 3)))
    assert off == []
    assert count > 0


def test_a_poor_weight_closes_neither_of_its_two_explanations() -> None:
    """A failed run and a trace of metal stay open where each keeps more than the promised error."""
    for weight_g in (0.006, 0.012):
        network = build_network(one_batch("chips-to-2008", "chips-burn", weight_g), CATALOGUE)
        assert SWITCH < quadrature("chips-to-2008", "chips-burn", weight_g).p_trace < 1 - SWITCH
        assert network.fixed == {}


def test_the_quadrature_agrees_with_itself_on_a_coarser_hold_up() -> None:
    """Without hold-up, purity and failed runs the weight is an assay of sd u: the simpler quadrature knows that one."""
    prior = prior_of("chips-from-2014", "Au")
    weighing = Weighing(
        1.0, 0.02, 1e-6, (0.9999, 0.99991), (0.99999, 0.999991), 1e-9, failed_share=1e-12
    )  # fmt: skip
    found, simple = weighed_fraction(prior, weighing), single_fraction(prior, [Measured(20.0, 1e-2)])
    assert found.p_trace == pytest.approx(simple.p_trace, abs=2e-3)
    assert np.exp(found.ln_grade.mean()) == pytest.approx(20.0, rel=1e-3)
