"""The straightened view: of a normal density with blocks and shared parameters nothing is left to straighten."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from gradeest.belief.blocks import Blocks
from gradeest.belief.shape import Shape, balanced_root, curvature_shape

SHARED, STACK = np.array([0, 1]), np.array([[2, 3, 4], [5, 6, 7]])
BLOCKS = Blocks(SHARED, (STACK,), np.array([-1, -1, 0, 0, 0, 1, 1, 1]), np.zeros(0, dtype=np.int64))


def precision(seed: int) -> np.ndarray:
    """Of eight normals: two blocks of three that touch only through two shared ones."""
    rng = np.random.default_rng(seed)
    found = np.zeros((8, 8))
    for members in STACK:
        every = np.concatenate([SHARED, members])
        root = rng.normal(size=(5, 5))
        found[np.ix_(every, every)] += root @ root.T + 0.5 * np.eye(5)
    return found


def shape_of(wanted: np.ndarray, of_shared: np.ndarray | None = None) -> Shape:
    if of_shared is None:
        of_shared = np.linalg.cholesky(np.linalg.inv(wanted)[np.ix_(SHARED, SHARED)])
    return curvature_shape(lambda theta: -wanted @ theta, np.zeros((8, 1)), np.zeros(8), BLOCKS, of_shared)


def curvature_in_view(shape: Shape, wanted: np.ndarray) -> np.ndarray:
    spread = shape.theta(np.eye(8)) - shape.centre[:, None]
    return spread.T @ wanted @ spread


@pytest.mark.parametrize("seed", [1, 2])
def test_a_normal_density_is_a_standard_normal_in_the_view(seed: int) -> None:
    wanted = precision(seed)
    shape = shape_of(wanted)
    np.testing.assert_allclose(curvature_in_view(shape, wanted), np.eye(8), atol=0.05)  # small slopes are left out
    stiff = replace(shape, follow=(np.zeros_like(shape.follow[0]),))  # twin: blocks that stay where they are
    assert np.abs(curvature_in_view(stiff, wanted) - np.eye(8)).max() > 0.5


@pytest.mark.parametrize("where", [0.0, 3.0])
@pytest.mark.parametrize("width", [0.05, 20.0])
def test_places_and_forces_tell_how_wide_the_shared_parameters_are(width: float, where: float) -> None:
    """Wherever the draws are, and however wide they lie, of a normal density a few rounds find its marginal."""
    wanted, rng = precision(1), np.random.default_rng(6)
    shape = shape_of(wanted, width * np.eye(2))
    for _ in range(4):
        z = rng.normal(size=(8, 400))
        z[SHARED] += where
        slope = -curvature_in_view(shape, wanted) @ z
        shape = replace(shape, shared=shape.shared @ balanced_root(z[SHARED], slope[SHARED]))
    marginal = np.linalg.inv(wanted)[np.ix_(SHARED, SHARED)]
    np.testing.assert_allclose(shape.shared @ shape.shared.T, marginal, rtol=0.1, atol=0.02)


def test_a_few_that_went_astray_do_not_count() -> None:
    rng = np.random.default_rng(7)
    places = rng.normal(size=(3, 192))
    forces = -places / 4
    root = balanced_root(places, forces)
    forces[:, :2], forces[:, 2], places[:, 3] = 1e200, np.nan, np.inf
    astray = balanced_root(places, forces)
    np.testing.assert_allclose(astray @ astray.T, root @ root.T, rtol=0.1, atol=0.3)


def test_the_view_goes_both_ways() -> None:
    shape, theta = shape_of(precision(3)), np.random.default_rng(4).normal(size=(8, 5))
    np.testing.assert_allclose(shape.theta(shape.z(theta)), theta, atol=1e-10)


def test_a_block_that_bends_upwards_follows_nothing() -> None:
    """Where a place lies between two sides of a choice, slopes by its curvature would lead anywhere."""
    wanted = precision(5)
    wanted[2:5, 2:5] -= 50 * np.eye(3)
    shape = shape_of(wanted)
    assert not shape.follow[0][0].any()
    assert shape.follow[0][1].any()
