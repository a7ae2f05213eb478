"""The few array operations the density is written in, so that one text serves numpy and PyMC's tensors.

Every operation works on the last axis: numpy evaluates many draws at once (draw, unknown), a tensor one vector.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Protocol

import numpy as np

Array = Any  # numpy array or tensor
NOTHING = -1e4  # ln of a padded amount of metal


class Ops(Protocol):
    """What `density.evaluate` needs of an array library."""

    def part(self, x: Array, where: slice) -> Array:
        """A slice of the last axis."""

    def take(self, x: Array, index: Array) -> Array:
        """Gather along the last axis by an integer array of any shape."""

    def take_sum(self, x: Array, index: Array) -> Array:
        """Gather by an integer array (row, entry) and sum over its entries."""

    def column(self, x: Array) -> Array:
        """Append an axis of length one."""

    def concat(self, parts: Sequence[Array]) -> Array:
        """Join along the last axis."""

    def full(self, like: Array, count: int, value: float) -> Array:
        """`count` entries of a constant along the last axis, with the leading axes of `like`."""

    def exp(self, x: Array) -> Array:
        """Exponential."""

    def log(self, x: Array) -> Array:
        """Natural logarithm."""

    def softplus(self, x: Array) -> Array:
        """ln(1 + e^x)."""

    def sigmoid(self, x: Array) -> Array:
        """1 / (1 + e^-x)."""

    def log1mexp(self, x: Array) -> Array:
        """ln(1 - e^x) for x < 0."""

    def log_ndtr(self, x: Array) -> Array:
        """ln of the standard normal distribution function."""

    def logsumexp(self, x: Array) -> Array:
        """ln sum e^x over the last axis, which goes."""

    def sum(self, x: Array) -> Array:
        """Sum over the last axis, which goes."""

    def minimum(self, x: Array, y: Array) -> Array:
        """Smaller of two, element by element."""

    def maximum(self, x: Array, y: Array) -> Array:
        """Larger of two, element by element."""

    def where(self, condition: Array, x: Array, y: Array) -> Array:
        """Choose element by element."""


class NumpyOps:
    """`Ops` on numpy arrays of shape (..., n)."""

    def part(self, x: Array, where: slice) -> Array:
        return x[..., where]

    def take(self, x: Array, index: Array) -> Array:
        return x[..., index]

    def take_sum(self, x: Array, index: Array) -> Array:
        return np.sum(x[..., index], axis=-1)

    def column(self, x: Array) -> Array:
        return x[..., None]

    def concat(self, parts: Sequence[Array]) -> Array:
        lead = np.broadcast_shapes(*(np.shape(p)[:-1] for p in parts))
        return np.concatenate([np.broadcast_to(p, (*lead, np.shape(p)[-1])) for p in parts], axis=-1)

    def full(self, like: Array, count: int, value: float) -> Array:
        return np.full((*np.shape(like)[:-1], count), value)

    def exp(self, x: Array) -> Array:
        return np.exp(x)

    def log(self, x: Array) -> Array:
        return np.log(x)

    def softplus(self, x: Array) -> Array:
        return np.logaddexp(0.0, x)

    def sigmoid(self, x: Array) -> Array:
        return np.exp(-np.logaddexp(0.0, -x))

    def log1mexp(self, x: Array) -> Array:
        return np.where(x > -0.6931471805599453, np.log(-np.expm1(x)), np.log1p(-np.exp(x)))

    def log_ndtr(self, x: Array) -> Array:
        from scipy.special import log_ndtr  # slow to import, and a reading command needs none

        return log_ndtr(x)

    def logsumexp(self, x: Array) -> Array:
        top = np.max(x, axis=-1, keepdims=True)
        return (top + np.log(np.sum(np.exp(x - top), axis=-1, keepdims=True)))[..., 0]

    def sum(self, x: Array) -> Array:
        return np.sum(x, axis=-1)

    def minimum(self, x: Array, y: Array) -> Array:
        return np.minimum(x, y)

    def maximum(self, x: Array, y: Array) -> Array:
        return np.maximum(x, y)

    def where(self, condition: Array, x: Array, y: Array) -> Array:
        return np.where(condition, x, y)


NUMPY = NumpyOps()


def log_between(low: Array, high: Array, ops: Ops = NUMPY) -> Array:
    """ln P(low <= z <= high) of a standard normal z."""
    flip = low > 0  # work in the left tail, where the difference keeps its digits
    a = ops.log_ndtr(ops.where(flip, -high, low))
    b = ops.log_ndtr(ops.where(flip, -low, high))
    return b + ops.log1mexp(ops.minimum(a - b, -1e-12))


def log_rounded(reading: Array, step: Array, handling: Array, v: Array, ops: Ops = NUMPY) -> Array:
    """ln P(reading - d/2 <= v + t <= reading + d/2), t ~ N(0, handling), all in g."""
    return log_between((reading - step / 2 - v) / handling, (reading + step / 2 - v) / handling, ops)
