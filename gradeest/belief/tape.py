"""Value and gradient of the density for many draws at once, in numpy: reverse-mode differentiation on a tape.

The density is written once, in `ops.Ops`. Here its operations act on `Node`s that hold (entry, draw) arrays - draws
last, so that every operation runs along contiguous memory - and remember how to send a derivative back.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix
from scipy.special import log_ndtr

from gradeest.belief.density import evaluate, invert_holdup
from gradeest.belief.network import Network
from gradeest.belief.ops import NUMPY, Array

Values = NDArray[np.float64]
LN_2PI = 1.8378770664093453


class Node:
    """One intermediate value; `grad` is the derivative of the result with respect to it, once sent back."""

    __array_ufunc__ = None  # numpy leaves mixed operations to the reflected methods below

    def __init__(self, value: Values, back: Callable[[Values], None] | None, tape: list[Node]) -> None:
        self.value, self.back = value, back
        self.grad: Values | None = None
        self.owned = False  # whether `grad` may be changed in place
        self.tape = tape
        if back is not None:
            tape.append(self)

    def receive(self, grad: Values) -> None:
        """Add a derivative, summed over axes that were broadcast."""
        shape = self.value.shape
        if not self.value.size:
            return
        if grad.shape != shape:
            extra = grad.ndim - len(shape)
            axes = tuple(range(extra)) + tuple(
                extra + i for i, n in enumerate(shape) if n == 1 and grad.shape[extra + i] != 1
            )
            grad = grad.sum(axis=axes).reshape(shape) if axes else np.broadcast_to(grad, shape)
        self.grad = grad if self.grad is None else self.grad + grad
        self.owned = False

    def _binary(self, other: Array, value: Values, mine: Any, theirs: Any) -> Node:
        def back(g: Values) -> None:
            self.receive(g * mine)
            if isinstance(other, Node):
                other.receive(g * theirs)

        return Node(value, back, self.tape)

    def __add__(self, other: Array) -> Node:
        value = self.value + raw(other)
        if not isinstance(other, Node):
            return Node(value, self.receive, self.tape)

        def back(g: Values) -> None:
            self.receive(g)
            other.receive(g)

        return Node(value, back, self.tape)

    __radd__ = __add__

    def __sub__(self, other: Array) -> Node:
        value = self.value - raw(other)
        if not isinstance(other, Node):
            return Node(value, self.receive, self.tape)

        def back(g: Values) -> None:
            self.receive(g)
            other.receive(-g)

        return Node(value, back, self.tape)

    def __rsub__(self, other: Array) -> Node:
        return Node(other - self.value, lambda g: self.receive(-g), self.tape)

    def __neg__(self) -> Node:
        return Node(-self.value, lambda g: self.receive(-g), self.tape)

    def __mul__(self, other: Array) -> Node:
        return self._binary(other, self.value * raw(other), raw(other), self.value)

    __rmul__ = __mul__

    def __truediv__(self, other: Array) -> Node:
        value = self.value / raw(other)
        return self._binary(other, value, 1.0 / raw(other), -value / raw(other))

    def __lt__(self, other: Array) -> Any:
        return self.value < raw(other)

    def __gt__(self, other: Array) -> Any:
        return self.value > raw(other)


def raw(x: Array) -> Any:
    """The plain array behind a node."""
    return x.value if isinstance(x, Node) else x


class TapeOps:
    """`ops.Ops` on nodes of shape (entry, draw) or (row, entry, draw)."""

    def __init__(self, draws: int, scatter: Scatter) -> None:
        self.tape: list[Node] = []
        self.draws, self.scatter = draws, scatter

    def node(self, value: Values, back: Callable[[Values], None] | None = None) -> Node:
        """A node on this tape."""
        return Node(value, back, self.tape)

    def _unary(self, x: Node, value: Values, slope: Values) -> Node:
        return self.node(value, lambda g: x.receive(g * slope))

    def solved(self, value: Values, slopes: Sequence[tuple[Array, Values]]) -> Node:
        """A node whose value came from elsewhere, with its derivatives by the nodes it depends on."""

        def back(g: Values) -> None:
            for node, slope in slopes:
                if isinstance(node, Node):
                    node.receive(g * slope)

        return self.node(value, back)

    def invert_holdup(self, ln_p: Node, ln_a: Node, full_from_g: float, exponent: float) -> Node:
        """ln M from ln P, with the derivatives of the implicit function."""
        value = invert_holdup(ln_p.value, ln_a.value, full_from_g, exponent)
        hang = NUMPY.sigmoid(ln_a.value - exponent * value)
        at_full = NUMPY.sigmoid(ln_a.value - exponent * math.log(full_from_g))
        small = ln_p.value < math.log(full_from_g)
        slope = np.where(small, 1 / (1 + exponent * hang), 1.0)
        return self.solved(value, [(ln_p, slope), (ln_a, np.where(small, slope * (hang - at_full), 0.0))])

    def part(self, x: Node, where: slice) -> Node:
        def back(g: Values) -> None:
            if not x.owned:  # the array may be another node's too
                x.grad = np.zeros_like(x.value) if x.grad is None else x.grad.copy()
                x.owned = True
            assert x.grad is not None
            x.grad[where] += g

        return self.node(x.value[where], back)

    def take(self, x: Array, index: Array) -> Node:
        if not isinstance(x, Node):
            return self.node(x[index], None)
        scatter = self.scatter.matrix(index, x.value.shape[0])

        def back(g: Values) -> None:
            x.receive(scatter @ g.reshape(-1, g.shape[-1]))

        return self.node(x.value[index], back)

    def take_sum(self, x: Node, index: Array) -> Node:
        forth, back = self.scatter.sums(index, x.value.shape[0])
        return self.node(forth @ x.value, lambda g: x.receive(back @ g))

    def column(self, x: Node) -> Node:
        return self.node(x.value[:, None], lambda g: x.receive(g[:, 0] if g.shape[1] == 1 else g.sum(axis=1)))

    def concat(self, parts: Sequence[Array]) -> Node:
        values = [np.broadcast_to(raw(p), (*raw(p).shape[:-1], self.draws)) for p in parts]
        ends = np.cumsum([v.shape[0] for v in values])

        def back(g: Values) -> None:
            for part, end, value in zip(parts, ends, values, strict=True):
                if isinstance(part, Node) and value.shape[0]:
                    part.receive(g[end - value.shape[0] : end])

        return self.node(np.concatenate(values), back)

    def full(self, like: Array, count: int, value: float) -> Values:
        return np.full((count, self.draws), value)

    def exp(self, x: Node) -> Node:
        value = np.exp(x.value)
        return self._unary(x, value, value)

    def log(self, x: Array) -> Any:
        return self._unary(x, np.log(x.value), 1 / x.value) if isinstance(x, Node) else np.log(x)

    def softplus(self, x: Array) -> Node:
        small = np.exp(-np.abs(x.value))
        slope = np.where(x.value > 0, 1.0, small) / (1 + small)
        return self._unary(x, np.maximum(x.value, 0) + np.log1p(small), slope)

    def sigmoid(self, x: Node) -> Node:
        small = np.exp(-np.abs(x.value))
        value = np.where(x.value > 0, 1.0, small) / (1 + small)
        return self._unary(x, value, value * (1 - value))

    def log1mexp(self, x: Node) -> Node:
        gap = -np.expm1(x.value)
        value = np.where(x.value > -0.6931471805599453, np.log(gap), np.log1p(gap - 1))
        return self._unary(x, value, (gap - 1) / gap)

    def log_ndtr(self, x: Node) -> Node:
        value = log_ndtr(x.value)
        return self._unary(x, value, np.exp(-0.5 * (x.value * x.value + LN_2PI) - value))

    def logsumexp(self, x: Node) -> Node:
        top = x.value.max(axis=-2, keepdims=True)
        parts = np.exp(x.value - top)
        total = parts.sum(axis=-2, keepdims=True)

        def back(g: Values) -> None:
            x.receive(np.expand_dims(g, -2) * (parts / total))

        return self.node((top + np.log(total)).squeeze(-2), back)

    def sum(self, x: Node) -> Node:
        return self.node(
            x.value.sum(axis=-2), lambda g: x.receive(np.broadcast_to(np.expand_dims(g, -2), x.value.shape))
        )

    def minimum(self, x: Node, y: float) -> Node:
        return self._unary(x, np.minimum(x.value, y), (x.value < y).astype(float))

    def maximum(self, x: Node, y: Array) -> Node:
        wins = x.value >= raw(y)
        return x._binary(y, np.maximum(x.value, raw(y)), wins, ~wins)

    def where(self, condition: Any, x: Array, y: Array) -> Node:
        def back(g: Values) -> None:
            if isinstance(x, Node):
                x.receive(np.where(condition, g, 0.0))
            if isinstance(y, Node):
                y.receive(np.where(condition, 0.0, g))

        return self.node(np.where(condition, raw(x), raw(y)), back)


class Scatter:
    """Sparse matrices that add gathered entries back to where they came from, built once per index array."""

    def __init__(self) -> None:
        self._held: dict[tuple[int, int], tuple[Any, Any]] = {}  # by array and size (sums: minus the size)

    def matrix(self, index: NDArray[np.int64], size: int) -> Any:
        """(source entry, gathered entry), ones where gathered."""
        key = (id(index), size)
        held = self._held.get(key)
        if held is None or held[0] is not index:
            flat = index.ravel()
            ones = csr_matrix((np.ones(flat.size), (flat, np.arange(flat.size))), shape=(size, flat.size))
            self._held[key] = held = (index, ones)
        return held[1]

    def sums(self, index: NDArray[np.int64], size: int) -> tuple[Any, Any]:
        """(row, source entry): how often each row of an index array gathers an entry; and its transpose."""
        key = (id(index), -size)
        held = self._held.get(key)
        if held is None or held[0] is not index:
            rows = np.repeat(np.arange(len(index)), index.shape[1])
            forth = csr_matrix((np.ones(index.size), (rows, index.ravel())), shape=(len(index), size))
            self._held[key] = held = (index, (forth, forth.T.tocsr()))
        return held[1]


class Gradient:
    """Log density and gradient of a network at many draws."""

    def __init__(self, network: Network) -> None:
        self.network, self.scatter = network, Scatter()
        self.arrays: Mapping[str, Any] = {
            name: a if a.dtype.kind in "iu" else (a[..., None] if a.ndim else float(a))
            for name, a in network.arrays.items()
        }
        of_entries = ("as_censored", "wp_anchored", "read_flat")  # integers that are compared, not indices
        self.arrays = {**self.arrays, **{name: network.arrays[name][:, None] for name in of_entries}}

    def __call__(self, theta: Values) -> tuple[Values, Values]:
        """Log density (draw,) and gradient (unknown, draw) at `theta` (unknown, draw)."""
        ops = TapeOps(theta.shape[1], self.scatter)
        leaf = ops.node(theta)
        result = evaluate(leaf, self.network, self.arrays, ops).log_density
        result.receive(np.ones_like(result.value))
        for node in reversed(ops.tape):
            if node.grad is not None and node.back is not None:
                node.back(node.grad)
        ops.tape.clear()  # tape and nodes refer to each other: do not wait for the garbage collector
        assert leaf.grad is not None
        return result.value, leaf.grad
