"""A straightened view of the unknowns: z, in which the posterior is nearly a standard normal.

theta = centre + W z, W a matrix of its own for every block and one for the shared parameters: W W' is the inverse of
the log density's curvature there, averaged over a few draws. Between blocks and shared parameters W has nothing: they
are moved in turn (sampler.py).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from gradeest.belief.blocks import Blocks

Index = NDArray[np.int64]
Values = NDArray[np.float64]
STEP = 1e-4  # of a central difference
WITHIN_ONE_SD = (0.16, 0.84)
WIDENED = 20.0  # times, at most: an average of curvatures is that of the narrowest places
CURVATURES = (0.3, 1e8)  # below the first the posterior is as wide as any unknown may be believed to be


@dataclass(frozen=True)
class Shape:
    """The linear map between z and theta; stacks as in `Blocks`."""

    blocks: Blocks
    centre: Values  # (unknown,)
    within: tuple[Values, ...]  # W of every stack, (block, unknown, unknown)
    shared: Values  # W of the shared parameters

    @cached_property
    def flat(self) -> tuple[Values, Index, Index, Values, Index]:
        """Centre, unknowns by part and where each part begins, and W by part and where each begins."""
        parts = [
            (block, w) for stack, within in zip(self.blocks.stacks, self.within, strict=True)
            for block, w in zip(stack, within, strict=True)
        ]  # fmt: skip
        parts.append((self.blocks.shared, self.shared))
        begins, offsets = ([0, *np.cumsum([x[n].size for x in parts])] for n in (0, 1))
        return (
            self.centre, np.concatenate([block for block, _ in parts]), np.array(begins),
            np.concatenate([w.ravel() for _, w in parts]), np.array(offsets),
        )  # fmt: skip

    def theta(self, z: Values) -> Values:
        """theta (unknown, draw) of z (unknown, draw)."""
        return self.centre[:, None] + self._by_part(z, lambda w, x: w @ x)

    def z(self, theta: Values) -> Values:
        """z of theta, both (unknown, draw)."""
        return self._by_part(theta - self.centre[:, None], np.linalg.solve)  # type: ignore[arg-type]

    def widened(self, theta: Values) -> Shape:
        """Every direction as wide as draws (unknown, draw) are, where the curvature thought it narrower."""
        low, high = np.quantile(self.z(theta), WITHIN_ONE_SD, axis=1)  # a few that went astray do not count
        sd = np.clip((high - low) / 2, 1.0, WIDENED)
        within = tuple(w * sd[stack][:, None, :] for stack, w in zip(self.blocks.stacks, self.within, strict=True))
        return replace(self, within=within, shared=self.shared * sd[self.blocks.shared])

    def _by_part(self, values: Values, what: Callable[[Values, Values], Values]) -> Values:
        out = np.empty_like(values)
        for stack, within in zip(self.blocks.stacks, self.within, strict=True):
            out[stack] = what(within, values[stack])
        out[self.blocks.shared] = what(self.shared, values[self.blocks.shared])
        return out


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
    bend = np.zeros(probes.shape)
    for place in places.T:
        forth, back = gradient(place[:, None] + probes), gradient(place[:, None] - probes)
        bend -= (forth - back) / (2 * STEP * places.shape[1])
    within = tuple(_inverse_root(bend[stack][:, :, : stack.shape[1]]) for stack in blocks.stacks)
    return Shape(blocks, centre, within, _inverse_root(bend[shared][:, widest:]))


def _inverse_root(curvature: Values) -> Values:
    """W with W W' = curvature^-1 for matrices (..., n, n), curvatures kept within `CURVATURES`."""
    values, vectors = np.linalg.eigh((curvature + np.swapaxes(curvature, -1, -2)) / 2)
    return vectors / np.sqrt(np.clip(values, *CURVATURES))[..., None, :]
