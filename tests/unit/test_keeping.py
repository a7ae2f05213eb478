"""A move is tried aside and what is taken of it taken over: particles, values and forces stay in step."""

from __future__ import annotations

import numpy as np
import pytest

from gradeest.belief.assembly import build_network
from gradeest.belief.keeping import add_gains, add_squares, take_over
from gradeest.belief.sampler import Sampler
from gradeest.belief.sampler import _Mover as Mover
from gradeest.materials.catalogue import load_catalogue
from tests.engine_bench import every_evidence

NETWORK = build_network(every_evidence(), load_catalogue())
OF_ROW = np.array([1, -1, 0, 1])


def test_gains_and_squares_are_summed_by_block_and_rows_of_none_left_out() -> None:
    rng = np.random.default_rng(1)
    new, old, gain, squares = (rng.normal(size=(4, 5)) for _ in range(4))
    expected = gain[:2] + np.stack([new[2] - old[2], new[0] - old[0] + new[3] - old[3]])
    found = gain[:2].copy()
    add_gains(new, old, OF_ROW, found)
    np.testing.assert_allclose(found, expected)
    add_squares(squares, -0.5, OF_ROW, found)
    expected -= 0.5 * np.stack([squares[2] ** 2, squares[0] ** 2 + squares[3] ** 2])
    np.testing.assert_allclose(found, expected)


def test_only_what_was_taken_is_taken_over() -> None:
    new, old = np.ones((4, 3)), np.zeros((4, 3))
    take_over(np.array([[True, False, False], [False, False, True]]), OF_ROW, new, old)
    np.testing.assert_array_equal(old, [[0, 0, 1], [0, 0, 0], [1, 0, 0], [0, 0, 1]])


def settled_mover(seed: int) -> Mover:
    sampler = Sampler(NETWORK, np.random.default_rng(seed), particles=48)
    sampler.adapt(8)
    return sampler._mover


@pytest.mark.parametrize("move", ["move_blocks", "move_shared", "wander", "jump"])
def test_values_are_those_where_the_particles_are(move: str) -> None:
    mover = settled_mover(2)
    before = mover.theta
    for _ in range(3):
        getattr(mover, move)()
    theta = mover.theta
    assert (np.abs(theta - before) > 1e-6).any(axis=0).mean() > 0.05
    np.testing.assert_allclose(mover.values[: mover.count], mover.machine.values(theta)[: mover.count], atol=1e-6)
    force, weights = mover.force.copy(), mover.log_weights.copy()
    mover._look()
    if move == "move_blocks":
        np.testing.assert_allclose(force[mover.is_shared < 0], mover.force[mover.is_shared < 0], atol=1e-5)
    if move == "move_shared":  # this alone leaves all forces and the choices' weights up to date
        np.testing.assert_allclose(force, mover.force, atol=1e-5)
        np.testing.assert_allclose(weights, mover.log_weights, atol=1e-6)


def test_a_trajectory_of_the_shared_parameters_is_leapfrog_in_the_view() -> None:
    """Against the same steps in numpy; the momentum of what stays is not looked at."""
    mover = settled_mover(3)
    shared, size, rng = mover.blocks.shared, NETWORK.size, np.random.default_rng(4)
    spread = mover.shape.theta(np.eye(size)) - mover.shape.centre[:, None]

    def force_at(z: np.ndarray) -> np.ndarray:
        return z + spread.T @ mover.machine(mover.shape.theta(z))[1]

    z, momentum = mover.z[:, :6].copy(), np.full((size, 6), np.nan)
    momentum[shared] = rng.normal(size=(len(shared), 6))
    step = np.zeros((mover.blocks.count + 1, 6))
    step[-1] = 0.1
    found, moving, force = z.copy(), momentum.copy(), force_at(z)
    by_hand, of_hand, pull = z.copy(), momentum[shared].copy(), force_at(z)
    mover._travel(step, 3, found, force, moving, np.empty_like(mover.values[:, :6]))
    for _ in range(3):
        half = of_hand + 0.05 * pull[shared]
        old = by_hand[shared]
        by_hand[shared] = np.cos(0.1) * old + np.sin(0.1) * half
        of_hand = np.cos(0.1) * half - np.sin(0.1) * old
        pull = force_at(by_hand)
        of_hand += 0.05 * pull[shared]
    np.testing.assert_allclose(found, by_hand, atol=1e-8)
    np.testing.assert_allclose(moving[shared], of_hand, atol=1e-7)
    np.testing.assert_allclose(force, pull, atol=1e-5)
