"""How far each assay moved a grade, against the closed form: normal prior, normal assays, everything in ln grade.

Reference: conjugate updating of a normal mean with known variances (Gelman et al., Bayesian Data Analysis, 3rd ed.,
section 2.5, from memory) and the divergence of two normals (Kullback and Leibler 1951, from memory).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Collection, Iterable
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest

from gradeest.belief import moves
from gradeest.belief.evidence import gather
from gradeest.belief.moves import Belief, Move, Piece, batches_behind, leave_out, list_pieces, measure_move
from gradeest.belief.posterior import draw_prior, fit
from gradeest.materials.catalogue import Catalogue
from gradeest.records.domain import (
    METALS,
    AshLink,
    Assay,
    Batch,
    Bench,
    Charge,
    Fraction,
    Loss,
    Lot,
    NonDetect,
    Product,
    ProductAssay,
    SettledMetal,
    Settlement,
    SpotTest,
    Stream,
)
from tests.engine_bench import every_evidence
from tests.statistical.bench_maker import DAY, SHIPPED, with_constants, with_lognormal_grade

KIND, GOLD = "fingers-memory", METALS.index("Au")
MIDDLE, SPREAD = 1000.0, 0.9
ASSAYS = ((1, 1500.0, 0.10), (2, 1300.0, 0.30), (3, 1400.0, 0.05))  # event, g/t, relative sd: invented
WORST = 4.0  # Monte Carlo errors


@cache
def lognormal() -> Catalogue:
    """Gold plainly lognormal, never absent: far below L its logit is its logarithm."""
    z = 1.6448536269514722 * SPREAD
    catalogue = with_lognormal_grade(SHIPPED, KIND, MIDDLE * math.exp(-z), MIDDLE, MIDDLE * math.exp(z))
    return with_constants(catalogue, grade__ln_tau_sd=1e-6)


def assayed() -> Bench:
    assays = tuple(Assay("L/a", "Au", value, u, DAY, event=event) for event, value, u in ASSAYS)
    return Bench({"L": Lot("L", DAY, (Fraction("a", KIND, 1.0),))}, assays=assays)


@cache
def believed(left_out: tuple[int, ...]) -> Belief:
    bench = leave_out(assayed(), left_out)
    if bench.assays:
        posterior = fit(bench, lognormal(), seed=5)
    else:
        posterior = draw_prior(bench, lognormal(), np.random.default_rng(6), 4000)
    return Belief(posterior.grade_g_per_t[:, 0, GOLD], posterior.is_trace[:, 0, GOLD])


def exact(left_out: tuple[int, ...]) -> tuple[float, float]:
    """Mean and sd of ln grade by the closed form."""
    weight = [1 / SPREAD**2] + [1 / u**2 for event, _, u in ASSAYS if event not in left_out]
    value = [math.log(MIDDLE)] + [math.log(g) for event, g, _ in ASSAYS if event not in left_out]
    return float(np.dot(weight, value) / sum(weight)), sum(weight) ** -0.5


def gaps(move: Move, left_out: tuple[int, ...]) -> list[str]:
    """Where a move is not that of the closed form."""
    (m1, s1), (m0, s0) = exact(()), exact(left_out)
    bits = (math.log(s0 / s1) + (s1**2 + (m1 - m0) ** 2) / (2 * s0**2) - 0.5) / math.log(2)
    found = []
    if abs(math.log(move.factor) - (m1 - m0)) > WORST * move.ln_factor_mcse:
        found.append(f"factor {move.factor:.3f}, should be {math.exp(m1 - m0):.3f}")
    if abs(move.bits - bits) > WORST * move.bits_mcse:
        found.append(f"{move.bits:.3f} bits, should be {bits:.3f}")
    return found


@pytest.mark.parametrize("left_out", [(1,), (2,), (3,), (1, 2, 3)])
def test_each_assay_moves_the_grade_as_the_closed_form_says(left_out: tuple[int, ...]) -> None:
    move = measure_move(believed(()), believed(left_out))
    assert gaps(move, left_out) == []
    assert 0 < move.ln_factor_mcse < 0.1
    assert 0 < move.bits_mcse < 0.25


def test_the_sharpest_assay_moved_it_most() -> None:
    told = {event: measure_move(believed(()), believed((event,))).bits for event, _, _ in ASSAYS}
    assert max(told, key=lambda event: told[event]) == 3
    assert min(told, key=lambda event: told[event]) == 2


def test_another_assay_left_out_is_seen() -> None:
    """Twin: the second is left out where the third was meant."""
    assert gaps(measure_move(believed(()), believed((2,))), (3,)) != []


def test_the_divergence_the_other_way_round_is_seen() -> None:
    """Twin: what would be told by forgetting it."""
    assert any("bits" in gap for gap in gaps(measure_move(believed((3,)), believed(())), (3,)))


def test_what_tells_presence_counts_too() -> None:
    """Traces ruled out: from a chance of one half to none is one bit (twin: not when only ln grade is looked at)."""
    rng = np.random.default_rng(8)
    rich = np.exp(rng.normal(7, 0.5, 40_000))
    trace = np.arange(40_000) % 2 == 0
    mixed = Belief(np.where(trace, rich / 200, rich), trace)
    move = measure_move(Belief(rich, np.zeros(40_000, dtype=bool)), mixed)
    assert move.bits == pytest.approx(1, abs=WORST * move.bits_mcse + 0.01)
    present = np.zeros(40_000, dtype=bool)
    blind = moves.told_nats(
        np.log(rich), Belief(rich, present), np.log(mixed.grade_g_per_t), Belief(mixed.grade_g_per_t, present)
    )
    assert abs(blind / math.log(2) - 1) > 0.5


# --- pieces


def test_no_field_of_results_is_forgotten() -> None:
    """Of a bench with every kind of evidence, without all pieces nothing is left to fit."""
    bench = every_evidence()
    numbered = with_events(bench)
    pieces = list_pieces(gather(numbered, SHIPPED), numbered)
    assert gather(numbered, SHIPPED).cells()
    events = {event for piece in pieces for event in piece.events}
    left = gather(leave_out(numbered, events), SHIPPED)
    assert (left.cells(), list_pieces(left, leave_out(numbered, events))) == ((), ())


def with_events(bench: Bench) -> Bench:
    """The bench with a number of its own for every result, as a ledger gives them."""
    numbers = itertools.count(1)

    def number(record: Any, fields: Iterable[str]) -> Any:
        found = {name: tuple(replace(one, event=next(numbers)) for one in getattr(record, name)) for name in fields}
        return replace(record, **found)

    batches = {name: number(batch, moves.BATCH_RESULTS) for name, batch in bench.batches.items()}
    return number(replace(bench, batches=batches), moves.BENCH_RESULTS)


def test_every_sort_of_result_is_a_piece_and_can_be_left_out() -> None:
    products = (
        Product("au-1", "B1", "Au", "gold-powder", 1.0, 0.01, DAY, event=4),
        Product("au-2", "B1", "Au", "gold-powder", 0.2, 0.01, DAY, event=5),
    )
    batches = {
        "B1": Batch("B1", DAY, "foils-peroxide", (Charge("L/a", 0.4),), closed=DAY, products=products),
        "B2": Batch(
            "B2", DAY, "foils-peroxide", (Charge("L/a", 0.2),), closed=DAY,
            nondetects=(NonDetect("B2", "Au", 0.02, "tested-negative", DAY, event=7),),
            spot_tests=(SpotTest("B2", "Au", "negative", 1.0, "after-drop", DAY, event=8),),
        ),
        "B3": Batch("B3", DAY, "foils-peroxide", (Charge("B1/wires", 0.1),)),
    }  # fmt: skip
    bench = Bench(assayed().lots, batches, assayed().assays)
    assert batches_behind(bench, "L/a") == ("B1", "B2", "B3")
    said = ProductAssay("B1/au-1", "Au", 0.97, 0.005, "fire", DAY, event=9)
    lines = (SettledMetal("Au", 0.96), SettledMetal("Ag", 0.01))
    paper = Settlement(("B1/au-2",), 0.2, 0.19, lines, 0.0, 10.0, 0.0, DAY, event=10)
    bare = replace(
        bench, batches={name: batch for name, batch in batches.items() if name != "B3"}, product_assays=(said,),
        settlements=(paper,),
    )  # fmt: skip
    pieces = list_pieces(gather(bare, SHIPPED), bare)
    assert [(piece.sort, piece.about, piece.events) for piece in pieces] == [
        ("weight", ("B1",), (4, 5, 10)), ("non-detect", ("B2",), (7,)), ("spot test", ("B2",), (8,)),
        ("product assay", ("B1",), (9,)), ("settlement", ("B1",), (10,)),
        ("assay", ("L/a",), (1,)), ("assay", ("L/a",), (2,)), ("assay", ("L/a",), (3,)),
    ]  # fmt: skip
    for piece in pieces:
        left = {one.events for one in pieces_without(bare, piece.events)}
        lost = {"weight": {piece.events, (9,), (10,)}, "settlement": {(4, 5, 10), (10,)}}.get(
            piece.sort, {piece.events}
        )
        assert {one.events for one in pieces} - left == lost
    everything = [event for piece in pieces for event in piece.events]
    assert pieces_without(bare, everything) == ()


def pieces_without(bench: Bench, events: Collection[int]) -> tuple[Piece, ...]:
    left = leave_out(bench, events)
    return list_pieces(gather(left, SHIPPED), left)


def test_what_says_how_to_read_a_result_is_a_piece_until_a_later_batch_took_of_it() -> None:
    """A loss, a part set aside, the word whose filters an ash is of; a part that was run later is not left out."""
    powder = [Product("au-1", name, "Au", "gold-powder", 1.0, 0.01, DAY, event=n) for n, name in enumerate("BA", 1)]
    wires, legs = (Stream(name, "B", "set-aside", 0.05, None, DAY, n) for name, n in (("wires", 3), ("legs", 4)))
    run = Batch("B", DAY, "foils-peroxide", (Charge("L/a", 0.4),), closed=DAY, products=(powder[0],),
                streams=(wires, legs), losses=(Loss("B", 0.1, 0.3, "", DAY, 5),))  # fmt: skip
    link = AshLink(("B",), "furnace", event=6)
    ash = Batch("A", DAY, "ash-leach", (Charge("S/ash", 0.1, (), link),), closed=DAY, products=(powder[1],))
    lots = {**assayed().lots, "S": Lot("S", DAY, (Fraction("ash", "ash-filters", 0.1),))}
    legs_run = Batch("C", DAY, "ash-leach", (Charge("B/legs", 0.05),))
    bench = Bench(lots, {"B": run, "A": ash, "C": legs_run})
    pieces = {(piece.sort, piece.events) for piece in pieces_without(bench, ())}
    assert pieces == {("weight", (1,)), ("weight", (2,)), ("set aside", (3,)), ("loss", (5,)), ("linked ash", (6,))}
    for sort, events in pieces:
        gone = {(one.sort, one.events) for one in pieces_without(bench, events)}
        also = {("weight", (1,)): {("set aside", (3,)), ("loss", (5,)), ("linked ash", (6,))},
                ("weight", (2,)): {("linked ash", (6,))}}.get((sort, events), set())  # fmt: skip
        assert pieces - gone == {(sort, events), *also}
    assert leave_out(bench, [5]).batches["B"].losses == ()
    assert leave_out(bench, [3]).batches["B"].streams == (legs,)
    assert leave_out(bench, [6]).batches["A"].charges[0].link is None
