"""A straightened view of the unknowns: z, in which the posterior is nearly a standard normal.

    shared parameters   theta_s = centre + W z_s
    block b             theta_b = centre + W_b z_b + B_b (theta_s - centre)

W_b W_b' is the inverse of the log density's curvature in the block, averaged over a few draws; B_b is how the middle of
the block follows the shared parameters, and W W' the inverse of the curvature that is left for these when every block
follows. So shared parameters that move take the blocks along, and move as far as they may when nothing of the blocks is
held (blocks and shared parameters are moved in turn: sampler.py). The change of variables has determinant 1 but for W.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gradeest.belief.blocks import Blocks

Index = NDArray[np.int64]
Values = NDArray[np.float64]
STEP = 1e-4  # of a central difference
WITHIN_ONE_SD = (0.16, 0.84)
WIDENED = 20.0  # times, at most: an average of curvatures is that of the narrowest places
FOLLOWS = 0.01  # of an unknown's width that one of a shared parameter moves it, at least
CURVATURES = (0.3, 1e8)  # below the first the posterior is as wide as any unknown may be believed to be


@dataclass(frozen=True)
class Shape:
    """The linear map between z and theta; stacks as in `Blocks`."""

    blocks: Blocks
    centre: Values  # (unknown,)
    within: tuple[Values, ...]  # W of every stack, (block, unknown, unknown)
    shared: Values  # W of the shared parameters
    follow: tuple[Values, ...]  # B of every stack, (block, unknown, shared parameter)

    @cached_property
    def flat(self) -> tuple[NDArray[Any], ...]:
        """Centre, unknowns by part and where each part begins, W by part and where each begins, and `follow`."""
        parts = [
            (block, w) for stack, within in zip(self.blocks.stacks, self.within, strict=True)
            for block, w in zip(stack, within, strict=True)
        ]  # fmt: skip
        parts.append((self.blocks.shared, self.shared))
        begins, offsets = ([0, *np.cumsum([x[n].size for x in parts])] for n in (0, 1))
        places = [np.nonzero(slopes) for slopes in self.follow]
        leads = [
            (stack[block, row], self.blocks.shared[column], slopes[block, row, column])
            for stack, slopes, (block, row, column) in zip(self.blocks.stacks, self.follow, places, strict=True)
        ]
        followers, leaders, slopes = (np.concatenate([np.zeros(0), *each]) for each in zip(*leads, strict=True))
        return (
            self.centre, np.concatenate([block for block, _ in parts]), np.array(begins),
            np.concatenate([w.ravel() for _, w in parts]), np.array(offsets),
            followers.astype(np.int64), leaders.astype(np.int64), slopes,
        )  # fmt: skip

    def theta(self, z: Values) -> Values:
        """theta (unknown, draw) of z (unknown, draw)."""
        gap = np.empty_like(z)
        gap[self.blocks.shared] = self.shared @ z[self.blocks.shared]
        for stack, within, follow in zip(self.blocks.stacks, self.within, self.follow, strict=True):
            gap[stack] = within @ z[stack] + follow @ gap[self.blocks.shared]
        return self.centre[:, None] + gap

    def z(self, theta: Values) -> Values:
        """z of theta, both (unknown, draw)."""
        gap, z = theta - self.centre[:, None], np.empty_like(theta)
        z[self.blocks.shared] = np.linalg.solve(self.shared, gap[self.blocks.shared])
        for stack, within, follow in zip(self.blocks.stacks, self.within, self.follow, strict=True):
            z[stack] = np.linalg.solve(within, gap[stack] - follow @ gap[self.blocks.shared])
        return z

    def widened(self, theta: Values) -> Shape:
        """Every direction as wide as draws (unknown, draw) are, where the curvature thought it narrower."""
        low, high = np.quantile(self.z(theta), WITHIN_ONE_SD, axis=1)  # a few that went astray do not count
        sd = np.clip((high - low) / 2, 1.0, WIDENED)
        within = tuple(w * sd[stack][:, None, :] for stack, w in zip(self.blocks.stacks, self.within, strict=True))
        return replace(self, within=within, shared=self.shared * sd[self.blocks.shared])


def curvature_shape(gradient: Callable[[Values], Values], places: Values, centre: Values, blocks: Blocks) -> Shape:
    """The shape about `centre` (unknown,) by the log density's curvature, averaged over `places` (unknown, place).

    `gradient` takes and gives (unknown, draw). Blocks do not touch, so one draw probes an unknown of each at once.
    """
    shared, widest = blocks.shared, max((stack.shape[1] for stack in blocks.stacks), default=0)
    probes = np.zeros((len(centre), widest + len(shared)))
    for stack in blocks.stacks:
        for j in range(stack.shape[1]):
            probes[stack[:, j], j] = STEP
    probes[shared, widest + np.arange(len(shared))] = STEP
    bends = np.stack([
        (gradient(place[:, None] - probes) - gradient(place[:, None] + probes)) / (2 * STEP) for place in places.T
    ])  # fmt: skip
    left, within, follow = bends[:, shared, widest:].mean(axis=0), [], []
    for stack in blocks.stacks:
        own, across = _typical(bends[:, stack, : stack.shape[1]], bends[:, stack, widest:])
        w = _inverse_root(own)
        within.append(w)
        follow.append(-w @ (np.swapaxes(w, 1, 2) @ across))
        left = left + np.einsum("bns,bnt->st", across, follow[-1])
    of_shared = _inverse_root(left)
    wide = np.sqrt((of_shared**2).sum(axis=1))
    for w, slopes in zip(within, follow, strict=True):
        slopes[np.abs(slopes) * wide < FOLLOWS * np.sqrt((w**2).sum(axis=2))[:, :, None]] = 0.0
    return Shape(blocks, centre, tuple(within), of_shared, tuple(follow))


def _typical(own: Values, across: Values) -> tuple[Values, Values]:
    """Means over places (place, block, ...) of curvatures in blocks, and across to the shared parameters.

    Between two sides of a choice the density bends upwards, ever so sharply: a block leaves such places out, and where
    it has no other it follows nothing.
    """
    good = np.linalg.eigvalsh((own + np.swapaxes(own, -1, -2)) / 2)[..., 0] > 0
    any_good = good.any(axis=0)
    used = good | ~any_good
    weight = used / used.sum(axis=0)
    return np.einsum("pb,pbnm->bnm", weight, own), np.einsum("pb,pbnm->bnm", weight * any_good, across)


def _inverse_root(curvature: Values) -> Values:
    """W with W W' = curvature^-1 for matrices (..., n, n), curvatures kept within `CURVATURES`."""
    values, vectors = np.linalg.eigh((curvature + np.swapaxes(curvature, -1, -2)) / 2)
    return vectors / np.sqrt(np.clip(values, *CURVATURES))[..., None, :]
