"""A program cut up by blocks gives what it gives in one piece."""

from __future__ import annotations

import numpy as np
import pytest

from gradeest.belief.assembly import build_network
from gradeest.belief.blocks import find_blocks
from gradeest.belief.decode import OF_GRADES, decode, ln_grades
from gradeest.belief.machine import Machine, StateMachine, state_at
from gradeest.belief.program import record
from gradeest.belief.tape import cut
from gradeest.materials.catalogue import load_catalogue
from tests.engine_bench import every_evidence

CATALOGUE = load_catalogue()
NETWORK = build_network(every_evidence(), CATALOGUE)
PROGRAM = record(NETWORK)
BLOCKS = find_blocks(NETWORK, PROGRAM)
POINTS = 0.3 * np.random.default_rng(1).normal(size=(NETWORK.size, 40))


def test_a_program_cut_up_by_blocks_gives_the_same() -> None:
    whole, parts = Machine(PROGRAM), Machine(PROGRAM, BLOCKS.of_unknown)
    assert BLOCKS.count > 2
    assert parts.tape.rows < whole.tape.rows
    for found, expected in zip(parts.terms(POINTS), whole.terms(POINTS), strict=True):
        np.testing.assert_allclose(found, expected, rtol=1e-12, atol=1e-10)
    np.testing.assert_allclose(parts.values(POINTS), whole.values(POINTS), rtol=1e-12, atol=1e-10)


def test_blocks_that_touch_are_found() -> None:
    """Twin: one block is taken for two, so that what one leaves is gone when the other asks for it."""
    wrong = BLOCKS.of_unknown.copy()
    largest = np.flatnonzero(wrong == np.bincount(wrong[wrong >= 0]).argmax())
    wrong[largest[::2]] = BLOCKS.count
    found = Machine(PROGRAM, wrong).terms(POINTS)[1]
    assert not np.allclose(found, Machine(PROGRAM).terms(POINTS)[1], rtol=1e-6, equal_nan=False)


def test_every_instruction_is_in_the_stretch_of_its_block() -> None:
    tape = cut(PROGRAM, BLOCKS.of_unknown)
    assert tape.begins[0] == 0
    assert tape.begins[-1] == len(PROGRAM.op)
    assert len(tape.begins) == BLOCKS.count + 2
    assert sorted(tape.by_stretch) == list(range(len(PROGRAM.terms) + len(PROGRAM.shown)))


def test_grades_to_be_judged_are_those_of_the_whole_state() -> None:
    theta = POINTS.T
    few = StateMachine(NETWORK, OF_GRADES)(theta)
    found = ln_grades(few, NETWORK, np.random.default_rng(2))
    expected = decode(theta, NETWORK, np.random.default_rng(2))[1].ln_grade
    np.testing.assert_allclose(found, np.stack(list(expected.values()), axis=-1), rtol=1e-12)
    assert set(few) == set(OF_GRADES)
    np.testing.assert_allclose(few["configurations"], state_at(theta, NETWORK).configurations, rtol=1e-7, atol=1e-8)


@pytest.mark.parametrize("lanes", [32, 96])
def test_draws_are_the_same_however_many_go_together(lanes: int) -> None:
    terms, slope = Machine(PROGRAM, BLOCKS.of_unknown, lanes=lanes, threads=1).terms(POINTS)
    one = [Machine(PROGRAM, BLOCKS.of_unknown, lanes=1, threads=1).terms(POINTS[:, [n]]) for n in (0, 33)]
    for n, (its_terms, its_slope) in zip((0, 33), one, strict=True):
        np.testing.assert_allclose(terms[:, [n]], its_terms, rtol=1e-10, atol=1e-12)
        np.testing.assert_allclose(slope[:, [n]], its_slope, rtol=1e-8, atol=1e-10)
