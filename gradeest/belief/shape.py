"""A straightened view of the unknowns: z, in which the posterior is nearly a standard normal.

    shared parameters   theta_s = centre + W z_s
    block b             theta_b = centre + W_b z_b + B_b (theta_s - centre)

W is lower triangular. W_b W_b' is the inverse of the log density's curvature in the block, averaged over a few draws;
B_b is how the middle of the block follows the shared parameters. So shared parameters that move take the blocks along,
and may move as far as if nothing of these were held (blocks and shared parameters are moved in turn: sampler.py). How
far that is draws and the forces on them tell, which W makes equally wide. The change of variables has determinant 1 but
for W; entries of W that hardly count are left out, so going to and fro costs little.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gradeest.belief.blocks import Blocks
from gradeest.belief.listing import compiled, part_of_compiled

Index = NDArray[np.int64]
Values = NDArray[np.float64]
STEP = 1e-4  # of a central difference
WITHIN_ONE_SD = (0.16, 0.84)
WIDENED = 20.0  # times, at most: an average of curvatures is that of the narrowest places
LEAST = 0.01  # of an unknown's width: what moves it less, by one of its own, is left out
ASTRAY, AS_STANDARD = 4.0, 5.0  # sd beyond which a draw is drawn in; draws that a standard normal counts for
ROUNDED = 1e-10  # of the largest curvature: less is rounding
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
        """Centre; unknowns in order, where the stretch of W of each begins, its columns and entries; and `follow`."""
        stacks = [*zip(self.blocks.stacks, self.within, strict=True), (self.blocks.shared[None], self.shared[None])]
        unknowns = np.concatenate([stack.ravel() for stack, _ in stacks])
        filled = [np.nonzero(w) for _, w in stacks]  # row by row, the diagonal last
        counts = [np.count_nonzero(w, axis=2).ravel() for _, w in stacks]
        columns = [stack[block, column] for (stack, _), (block, _, column) in zip(stacks, filled, strict=True)]
        entries = [w[where] for (_, w), where in zip(stacks, filled, strict=True)]
        places = [np.nonzero(slopes) for slopes in self.follow]
        leads = [
            (stack[block, row], self.blocks.shared[column], slopes[block, row, column])
            for stack, slopes, (block, row, column) in zip(self.blocks.stacks, self.follow, places, strict=True)
        ]
        followers, leaders, slopes = (np.concatenate([np.zeros(0), *each]) for each in zip(*leads, strict=True))
        return (
            self.centre, unknowns, np.cumsum([0, *np.concatenate(counts)]), np.concatenate(columns),
            np.concatenate(entries), followers.astype(np.int64), leaders.astype(np.int64), slopes,
        )  # fmt: skip

    def theta(self, z: Values, into: Values | None = None) -> Values:
        """theta (unknown, draw) of z (unknown, draw); `into` an array of it."""
        theta = np.empty(z.shape) if into is None else into
        _to_theta(self.flat, z, theta)
        return theta

    def z(self, theta: Values, into: Values | None = None) -> Values:
        """z of theta, both (unknown, draw); `into` an array of it."""
        z = np.empty(theta.shape) if into is None else into
        _to_z(self.flat, theta, z)
        return z

    def widened(self, theta: Values) -> Shape:
        """Every direction of blocks as wide as draws (unknown, draw) are, where the curvature thought it narrower."""
        gap, parts = theta - self.centre[:, None], []
        shared = gap[self.blocks.shared]
        for stack, w, follow in zip(self.blocks.stacks, self.within, self.follow, strict=True):
            parts.append((w, gap[stack] - follow @ shared))
        within = [_widened(w, gap) for w, gap in parts]
        return replace(self, within=tuple(within))


def _widened(root: Values, gap: Values) -> Values:
    """W (block, n, n) as wide as gaps (block, n, draw) are, in each of the main directions."""
    vectors, lengths, _ = np.linalg.svd(root)
    w = vectors * lengths[:, None, :]
    z = (np.swapaxes(vectors, 1, 2) @ gap) / lengths[:, :, None]
    low, high = np.quantile(z, WITHIN_ONE_SD, axis=2)  # a few that went astray do not count
    return _triangular(w * np.clip((high - low) / 2, 1.0, WIDENED)[:, None, :])


@part_of_compiled
def stretch(flat, z, start, lanes, v, first):  # type: ignore[no-untyped-def]
    """theta of z, the draws from `start` on, into the rows of v from `first` on."""
    centre, unknowns, begins, columns, entries, followers, leaders, slopes = flat
    for n in range(len(unknowns)):
        j = unknowns[n]
        for i in range(lanes):
            v[first + j, i] = centre[j]
        for k in range(begins[n], begins[n + 1]):
            x, w = columns[k], entries[k]
            for i in range(lanes):
                v[first + j, i] += w * z[x, start + i]
    for n in range(len(followers)):
        j, x, slope = first + followers[n], first + leaders[n], slopes[n]
        middle = centre[leaders[n]]
        for i in range(lanes):
            v[j, i] += slope * (v[x, i] - middle)


@part_of_compiled
def gather(flat, z, start, lanes, g, first, force, begin):  # type: ignore[no-untyped-def]
    """force = z + the gradient in the view of that in the rows of g: what is left beside a standard normal's.

    Of the unknowns from `begin` on, in the order of the view.
    """
    _, unknowns, begins, columns, entries, followers, leaders, slopes = flat
    for n in range(len(followers)):
        j, x, slope = first + followers[n], first + leaders[n], slopes[n]
        for i in range(lanes):
            g[x, i] += slope * g[j, i]
    for n in range(begin, len(unknowns)):
        j = unknowns[n]
        for i in range(start, start + lanes):
            force[j, i] = z[j, i]
    for n in range(begin, len(unknowns)):
        j = first + unknowns[n]
        for k in range(begins[n], begins[n + 1]):
            x, w = columns[k], entries[k]
            for i in range(lanes):
                force[x, start + i] += w * g[j, i]


@compiled
def _to_theta(flat, z, theta):  # type: ignore[no-untyped-def]
    stretch(flat, z, 0, z.shape[1], theta, 0)


@compiled
def _to_z(flat, theta, z):  # type: ignore[no-untyped-def]
    centre, unknowns, begins, columns, entries, followers, leaders, slopes = flat
    draws = theta.shape[1]
    for j in range(len(centre)):
        for i in range(draws):
            z[j, i] = theta[j, i] - centre[j]
    for n in range(len(followers)):
        j, x, slope = followers[n], leaders[n], slopes[n]
        for i in range(draws):
            z[j, i] -= slope * (theta[x, i] - centre[x])
    for n in range(len(unknowns)):
        j = unknowns[n]
        for k in range(begins[n], begins[n + 1] - 1):
            x, w = columns[k], entries[k]
            for i in range(draws):
                z[j, i] -= w * z[x, i]
        own = entries[begins[n + 1] - 1]
        for i in range(draws):
            z[j, i] /= own


def steps_uphill(gradient: Callable[[Values], Values], place: Values, blocks: Blocks, dampings: Values) -> Values:
    """Damped steps of Newton's method from a place (unknown,), each block by itself, (unknown, damping); 0 if shared.

    Where the log density bends upwards it counts as bending downwards as much (Levenberg 1944; Dauphin et al. 2014).
    """
    bends, slope = _bends(gradient, place[:, None], blocks)[0], gradient(place[:, None])[:, 0]
    steps = np.zeros((len(place), len(dampings)))
    for stack in blocks.stacks:
        own = bends[stack, : stack.shape[1]]
        values, vectors = np.linalg.eigh((own + np.swapaxes(own, -1, -2)) / 2)
        main = np.swapaxes(vectors, -1, -2) @ slope[stack][:, :, None]
        steps[stack] = vectors @ (main / (np.maximum(np.abs(values), CURVATURES[0])[:, :, None] + dampings))
    return steps


def _widest(blocks: Blocks) -> int:
    return max((stack.shape[1] for stack in blocks.stacks), default=0)


def _bends(gradient: Callable[[Values], Values], places: Values, blocks: Blocks) -> Values:
    """Curvature at places (unknown, place): (place, unknown, probe), one probe for each unknown of blocks and shared.

    Blocks do not touch, so one draw probes an unknown of each at once.
    """
    widest = _widest(blocks)
    probes = np.zeros((places.shape[0], widest + len(blocks.shared)))
    for stack in blocks.stacks:
        for j in range(stack.shape[1]):
            probes[stack[:, j], j] = STEP
    probes[blocks.shared, widest + np.arange(len(blocks.shared))] = STEP
    return np.stack([
        (gradient(place[:, None] - probes) - gradient(place[:, None] + probes)) / (2 * STEP) for place in places.T
    ])  # fmt: skip


def curvature_shape(
    gradient: Callable[[Values], Values], places: Values, centre: Values, blocks: Blocks, of_shared: Values
) -> Shape:
    """The shape about `centre` (unknown,): of blocks by the log density's curvature, averaged over `places`.

    `gradient` takes and gives (unknown, draw); places are (unknown, place), of_shared is W of the shared parameters.
    """
    widest, bends = _widest(blocks), _bends(gradient, places, blocks)
    wide, within, follow = np.sqrt((of_shared**2).sum(axis=1)), [], []
    for stack in blocks.stacks:
        own, across = _typical(bends[:, stack, : stack.shape[1]], bends[:, stack, widest:])
        w = _inverse_root(own)
        slopes = -w @ (np.swapaxes(w, 1, 2) @ across)
        slopes[np.abs(slopes) * wide < LEAST * np.sqrt((w**2).sum(axis=2))[:, :, None]] = 0.0
        within.append(_triangular(w))
        follow.append(slopes)
    return Shape(blocks, centre, tuple(within), of_shared, tuple(follow))


def balanced_root(places: Values, forces: Values) -> Values:
    """W for which draws at `places` and the gradients there, both (unknown, draw), are equally wide in the view.

    A = W W' is the geometric mean of the covariance of places and the inverse one of gradients, A cov(gradients) A =
    cov(places): of a normal density its covariance, wherever the draws are. Curvature would have to be summed up from
    hundreds of blocks, of which some bend upwards, and is off by more than it is. (Seyboldt et al. 2026,
    arXiv:2603.18845.)
    """
    spread, pull = _covariance(places), _covariance(forces)
    values, vectors = np.linalg.eigh(spread)
    root = vectors * np.sqrt(values) @ vectors.T
    stretched, turned = np.linalg.eigh(root @ pull @ root)
    return _triangular(root @ (turned * np.maximum(stretched, ROUNDED * stretched[-1]) ** -0.25))


def drawn_in(draws: Values) -> Values:
    """Draws (unknown, draw), those that went astray drawn in: a few of them do not count."""
    draws = np.where(np.isfinite(draws), draws, np.nan)
    low, middle, high = np.nanquantile(draws, [WITHIN_ONE_SD[0], 0.5, WITHIN_ONE_SD[1]], axis=1)[:, :, None]
    reach = ASTRAY * (high - low) / 2
    return np.where(np.isnan(draws), middle, np.clip(draws, middle - reach, middle + reach))


def _covariance(draws: Values) -> Values:
    """Covariance of (unknown, draw), drawn a little to that of a standard normal."""
    inside = drawn_in(draws)
    gap = inside - inside.mean(axis=1, keepdims=True)
    return np.asarray((gap @ gap.T + AS_STANDARD * np.eye(len(gap))) / (draws.shape[1] + AS_STANDARD))


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
    return np.asarray(vectors / np.sqrt(np.clip(values, *CURVATURES))[..., None, :])


def _triangular(w: Values) -> Values:
    """The lower triangular root of W W', (..., n, n), but for what hardly counts in it."""
    root = np.swapaxes(np.linalg.qr(np.swapaxes(w, -1, -2), mode="r"), -1, -2)
    small = np.abs(root) < LEAST * np.sqrt((root**2).sum(axis=-1, keepdims=True))
    small[..., np.arange(w.shape[-1]), np.arange(w.shape[-1])] = False
    return np.where(small, 0.0, root)
