"""Entries that contradict each other are found, and honest ones are not.

Checked against closed forms (two assays; the metal that a charge holds at its assayed grade, worked by hand), and
against benches made forwards from the prior, whose entries are true together: none may be called a clash.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from gradeest.belief.assembly import build_network
from gradeest.belief.clashes import BEYOND_SDS, find_clashes, find_strains
from gradeest.belief.simulate import simulate
from gradeest.errors import InferenceError
from gradeest.materials.catalogue import load_catalogue
from gradeest.records.domain import Bench, Fraction, NonDetect
from gradeest.workflow.contradicting import put_in_words, refuse_impossible
from tests.engine_bench import (
    DAY,
    assay,
    assayed,
    batch,
    bench,
    every_evidence,
    lot,
    product,
    product_assay,
    settlement,
)

CATALOGUE = load_catalogue()


def numbered(plan: Bench) -> Bench:
    """The bench with event numbers: assays from 11, products of the first batches 1, 2, ..."""
    batches = {
        name: replace(b, products=tuple(replace(p, event=n + 1) for p in b.products))
        for n, (name, b) in enumerate(plan.batches.items())
    }
    return replace(plan, batches=batches, assays=tuple(replace(a, event=11 + n) for n, a in enumerate(plan.assays)))


def weighed(grams: float, *others: tuple[str, str, float], grade: float = 2500, u: float = 0.05) -> Bench:
    """1 kg of fingers L/a, assayed, run with others (name, kind, kg) into one weight of gold powder."""
    fractions = [Fraction("a", "fingers-memory", 1.0), *(Fraction(name, kind, kg) for name, kind, kg in others)]
    charges = [(f"L/{f.name}", f.mass_kg) for f in fractions]
    run = batch("B1", "foils-peroxide", charges, product("au-1", "B1", "Au", "gold-powder", grams))
    return numbered(bench([lot("L", *fractions)], [run], [assay("L/a", "Au", grade, u)]))


@pytest.mark.parametrize(("sds", "found"), [(50.0, 1), (6.1, 1), (5.9, 0)])
def test_two_assays_are_told_apart_by_their_uncertainties(sds: float, found: int) -> None:
    """Closed form: ln of the ratio over the root of the sum of squares."""
    u = math.hypot(0.03, 0.04)
    clashes = find_clashes(
        numbered(assayed("pins-full", "Au", (1000, 0.03, False), (1000 * math.exp(sds * u), 0.04, False))), CATALOGUE
    )
    assert [c.sds for c in clashes] == ([pytest.approx(sds)] if found else [])
    assert [entry.event for c in clashes for entry in c.entries] == [11, 12] * found


def test_a_detection_limit_speaks_on_one_side_only() -> None:
    assert find_clashes(assayed("pins-full", "Au", (1000, 0.05, False), (5000, 0.05, True)), CATALOGUE) == ()
    assert len(find_clashes(assayed("pins-full", "Au", (1000, 0.05, False), (50, 0.05, True)), CATALOGUE)) == 1
    assert find_clashes(assayed("pins-full", "Au", (1, 0.05, True), (50, 0.05, True)), CATALOGUE) == ()


def test_five_grams_from_ten_grams_assayed_as_nothing() -> None:
    run = batch("B1", "foils-peroxide", [("L/a", 0.01)], product("au-1", "B1", "Au", "gold-powder", 5.0))
    plan = bench([lot("L", Fraction("a", "fingers-memory", 0.01))], [run], [assay("L/a", "Au", 1, 0.1, True)])
    (clash,) = find_clashes(numbered(plan), CATALOGUE)
    assert [entry.event for entry in clash.entries] == [1, 11]
    # by hand: 10 g at 1 g/t hold 1e-5 g; the powder some 4.9 g; an uncertainty of the assay of 0.1 is most of it
    assert clash.sds == pytest.approx(math.log(4.9 / 1e-5) / 0.1, rel=0.1)
    (issue,) = put_in_words([clash])
    assert "event 1 (B1/au-1, 5 g of gold-powder) against event 11 (assay of L/a, below 1 g/t Au)" in issue.message


def test_no_recovery_gets_more_out_than_in() -> None:
    """1 kg at 2,500 g/t holds 2.5 g: 2.4 g may be all of it, 5 g cannot; what was charged beside it may hold more."""
    assert find_clashes(weighed(2.4), CATALOGUE) == ()
    assert len(find_clashes(weighed(5.0), CATALOGUE)) == 1
    assert find_clashes(weighed(5.0, ("b", "pins-mixed", 0.5)), CATALOGUE) == ()
    assert find_clashes(weighed(5.0, u=0.3), CATALOGUE) == ()


def test_a_poor_run_is_a_strain_and_no_clash() -> None:
    """A failed run explains any lack; only where a fit did not settle is it named."""
    assert find_clashes(weighed(0.1), CATALOGUE) == ()
    (strain,) = find_strains(weighed(0.1), CATALOGUE)
    assert "failed" in strain.check
    assert find_strains(weighed(2.2), CATALOGUE) == ()


def test_unlike_runs_of_one_fraction_are_a_strain() -> None:
    lots = [lot("L", Fraction("a", "fingers-memory", 2.0))]
    weights = [
        batch(f"B{n}", "foils-peroxide", [("L/a", 0.5)], product("au-1", f"B{n}", "Au", "gold-powder", grams))
        for n, grams in ((1, 1.2), (2, 0.3))
    ]
    none = NonDetect("B3", "Au", 0.02, "tested-negative", DAY, 3)
    silent = batch("B3", "foils-peroxide", [("L/a", 0.5)], nondetects=[none])
    assert find_clashes(bench(lots, [*weights, silent]), CATALOGUE) == ()
    events = {
        tuple(e.event for e in s.entries) for s in find_strains(numbered(bench(lots, [*weights, silent])), CATALOGUE)
    }
    assert events == {(1, 2), (1, 3), (2, 3)}


def test_what_is_true_together_is_no_clash() -> None:
    """Benches made forwards; the same with the weights in the wrong unit (a troy ounce is 31.1 g) are found out."""
    fractions = [Fraction("a", "fingers-memory", 1.0), Fraction("b", "pins-full", 0.4)]
    runs = [
        batch("B1", "foils-peroxide", [("L/a", 0.6)], product("au-1", "B1", "Au", "gold-powder", 1.0)),
        batch("B2", "pins-nitric", [("L/b", 0.4)], product("au-1", "B2", "Au", "gold-powder", 1.0, damp=True)),
    ]
    said = [assay("L/a", "Au", 1.0, 0.05), assay("L/a", "Au", 1.0, 0.1), assay("L/b", "Au", 1.0, 0.08)]
    plan, rng = bench([lot("L", *fractions)], runs, said), np.random.default_rng(5)
    false, caught = 0, 0
    for _ in range(40):
        made, _ = simulate(plan, CATALOGUE, rng)
        false += len(find_clashes(made, CATALOGUE))
        wrong = {
            name: replace(b, products=tuple(replace(p, weight_g=p.weight_g * 31.1) for p in b.products))
            for name, b in made.batches.items()
        }
        caught += bool(find_clashes(replace(made, batches=wrong), CATALOGUE))
    assert false == 0
    assert caught >= 36  # all but where both runs failed, or little was there
    assert find_clashes(every_evidence(), CATALOGUE) == ()
    assert BEYOND_SDS > 5


def test_what_has_no_probability_is_refused_in_words() -> None:
    network = build_network(weighed(2.2), CATALOGUE)
    refuse_impossible(network)
    broken = replace(network, arrays={**network.arrays, "read_y": network.arrays["read_y"] * np.nan})
    with pytest.raises(InferenceError, match="cannot be explained"):
        refuse_impossible(broken)


@pytest.mark.parametrize(("silver", "found"), [(0.05, True), (0.004, False)])
def test_a_paper_and_assays_that_fill_more_than_a_product_are_found(silver: float, found: bool) -> None:
    """Of 20 g a refiner found silver in, and an assay 99 % gold: together 4 % too much, by hand."""
    powder = product("au-1", "B1", "Au", "gold-powder", 20.0)
    run = batch("B1", "foils-peroxide", [("L/a", 5.0)], powder)
    one = bench([lot("L", Fraction("a", "fingers-memory", 5.0))], [run])
    paper = settlement(["B1/au-1"], 20.0, Ag=silver)
    clashes = find_clashes(
        replace(one, settlements=(paper,), product_assays=(product_assay("B1/au-1", 0.99),)), CATALOGUE
    )
    assert bool(clashes) == found
    if found:
        handling = 0.01 * CATALOGUE.constants["balance.unchecked_handling"]
        sds = (20 * (silver + 0.99) - 20) / math.sqrt(
            (0.002 * 20) ** 2 + handling**2 + (0.001 * 20) ** 2 + (0.005 * 20) ** 2
        )
        assert clashes[0].sds == pytest.approx(sds)
