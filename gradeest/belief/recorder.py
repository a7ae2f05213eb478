"""Writes down what a function computes, one scalar instruction per number, instead of computing it.

Gathering, slicing, padding and joining cost nothing: they only rename rows. A row is one scalar (of every draw): a
constant, an unknown, or the result of one instruction. What is constant is folded, chains of scaling and adding numbers
are one instruction, and padded entries fall out of sums.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gradeest.belief.holdup import invert_holdup
from gradeest.belief.ops import NOTHING, NUMPY, Array

Index = NDArray[np.int64]
Values = NDArray[np.float64]
ADD, SUB, MUL, DIV, LT, GT, MIN, MAX, HOLDUP = range(9)  # of two rows
EXP, LOG, SOFTPLUS, SIGMOID, LOG1MEXP, LOG_NDTR = range(9, 15)  # of one row
AFFINE, WHERE, SUM, LOGSUMEXP = range(15, 19)  # row x number + number; of three rows; of a list of rows
LINEAR = 19  # number + sum of numbers x a list of rows: what programs have for all that is linear
PADDED = 0.9 * NOTHING  # ln of an amount that is there only to fill an array


class Rows:
    """An array of rows, in place of an array of numbers: row >= 0 is an unknown or a result, below 0 a constant."""

    __array_ufunc__ = None  # numpy leaves mixed operations to the reflected methods below

    def __init__(self, index: Index, to: Recorder) -> None:
        self.index, self.to = index, to

    def __add__(self, other: Array) -> Rows:
        return self.to.binary(ADD, self, other)

    def __radd__(self, other: Array) -> Rows:
        return self.to.binary(ADD, other, self)

    def __sub__(self, other: Array) -> Rows:
        return self.to.binary(SUB, self, other)

    def __rsub__(self, other: Array) -> Rows:
        return self.to.binary(SUB, other, self)

    def __neg__(self) -> Rows:
        return self.to.binary(MUL, self, -1.0)

    def __mul__(self, other: Array) -> Rows:
        return self.to.binary(MUL, self, other)

    def __rmul__(self, other: Array) -> Rows:
        return self.to.binary(MUL, other, self)

    def __truediv__(self, other: Array) -> Rows:
        if isinstance(other, Rows):
            return self.to.binary(DIV, self, other)
        return self.to.binary(MUL, self, 1.0 / np.asarray(other))

    def __lt__(self, other: Array) -> Rows:
        return self.to.binary(LT, self, other)

    def __gt__(self, other: Array) -> Rows:
        return self.to.binary(GT, self, other)


class Recorder:
    """`ops.Ops` on rows: writes down what is computed."""

    def __init__(self, unknowns: int, full_from_g: float, exponent: float) -> None:
        self.unknowns = self.size = unknowns  # size: rows so far that are not constants
        self.full_from_g, self.exponent = full_from_g, exponent  # of the hold-up
        self._constants: list[Values] = []
        self._known: dict[float, int] = {}
        self.count = 0
        self.blocks: list[tuple[int, int, Any]] = []  # (code, first row, operands)
        self._of = np.arange(unknowns)  # every row is scale x another row + offset; itself, where it is none such
        self._scale, self._offset = np.ones(unknowns), np.zeros(unknowns)

    def constant(self, value: Any) -> Index:
        """Rows of numbers."""
        array = np.asarray(value, dtype=float)
        if array.ndim == 0:
            key = float(array)
            if key not in self._known:
                self._known[key] = int(self._new_constants(array.reshape(1))[0])
            return np.array(self._known[key])
        return self._new_constants(array.ravel()).reshape(array.shape)

    def _new_constants(self, values: Values) -> Index:
        start, self.count = self.count, self.count + len(values)
        self._constants.append(values)
        return -1 - np.arange(start, self.count)

    def numbers(self) -> Values:
        """Values of all constants so far."""
        if len(self._constants) > 1:
            self._constants = [np.concatenate(self._constants)]
        return self._constants[0] if self._constants else np.zeros(0)

    def index(self, x: Array) -> Index:
        """Rows of an operand."""
        return x.index if isinstance(x, Rows) else self.constant(x)

    def emit(self, code: int, *operands: Index) -> Index:
        """One instruction per entry of flat operands; returns their rows."""
        start, self.size = self.size, self.size + len(operands[0])
        self.blocks.append((code, start, operands))
        rows = np.arange(start, self.size)
        if self.size > len(self._of):
            more = max(self.size, 2 * len(self._of)) - len(self._of)
            self._of = np.concatenate([self._of, np.zeros(more, dtype=np.int64)])
            self._scale, self._offset = np.append(self._scale, np.ones(more)), np.append(self._offset, np.zeros(more))
        self._of[rows] = rows
        return rows

    def affine(self, rows: Index, scale: Values, offset: Values) -> Index:
        """Rows x scale + offset (flat), one instruction each from the row that is no such thing itself."""
        scale, offset = self._scale[rows] * scale, self._offset[rows] * scale + offset
        of = self._of[rows]
        out = of.copy()
        new = (scale != 1) | (offset != 0)
        if new.any():
            numbers = (self._new_constants(scale[new]), self._new_constants(offset[new]))
            out[new] = self.emit(AFFINE, of[new], *numbers)
            self._of[out[new]], self._scale[out[new]], self._offset[out[new]] = of[new], scale[new], offset[new]
        return out

    def elementwise(self, code: int, fold: Callable[..., Values], *operands: Array) -> Rows:
        """An operation on every entry; where all operands are constant it is done here and now."""
        rows = np.broadcast_arrays(*(self.index(x) for x in operands))
        flat = [r.ravel() for r in rows]
        out = np.empty(flat[0].shape, dtype=np.int64)
        fixed = np.all([r < 0 for r in flat], axis=0)
        if fixed.any():
            values = self.numbers()
            out[fixed] = self._new_constants(np.asarray(fold(*(values[-1 - r[fixed]] for r in flat)), dtype=float))
        if not fixed.all():
            out[~fixed] = self.emit(code, *(r[~fixed] for r in flat))
        return Rows(out.reshape(rows[0].shape), self)

    def binary(self, code: int, x: Array, y: Array) -> Rows:
        """Two operands; with a number, adding and multiplying are affine."""
        made = {
            ADD: np.add, SUB: np.subtract, MUL: np.multiply, DIV: np.divide, LT: np.less, GT: np.greater,
            MIN: np.minimum, MAX: np.maximum,
        }  # fmt: skip
        if code not in (ADD, SUB, MUL):
            return self.elementwise(code, made[code], x, y)
        a, b = (r.ravel() for r in np.broadcast_arrays(self.index(x), self.index(y)))
        shape = np.broadcast_shapes(self.index(x).shape, self.index(y).shape)
        out = np.empty(a.shape, dtype=np.int64)
        one = (a < 0) != (b < 0)  # one operand is a number
        if one.any():
            first = b[one] < 0  # the number is the second
            row, number = np.where(first, a[one], b[one]), self.numbers()[-1 - np.where(first, b[one], a[one])]
            nothing = np.zeros(len(row))
            if code == MUL:
                out[one] = self.affine(row, number, nothing)
            elif code == ADD:
                out[one] = self.affine(row, nothing + 1, number)
            else:
                out[one] = self.affine(row, np.where(first, 1.0, -1.0), np.where(first, -number, number))
        if not one.all():
            out[~one] = self.elementwise(code, made[code], Rows(a[~one], self), Rows(b[~one], self)).index
        return Rows(out.reshape(shape), self)

    def unary(self, code: int, x: Array, fold: Callable[[Values], Values]) -> Any:
        """One operand."""
        return self.elementwise(code, fold, x) if isinstance(x, Rows) else fold(x)

    def part(self, x: Array, where: slice) -> Array:
        return Rows(x.index[where], self) if isinstance(x, Rows) else x[where]

    def take(self, x: Array, index: Array) -> Array:
        return Rows(x.index[index], self) if isinstance(x, Rows) else x[index]

    def column(self, x: Array) -> Array:
        return Rows(x.index[..., None], self) if isinstance(x, Rows) else x[..., None]

    def concat(self, parts: Sequence[Array]) -> Rows:
        return Rows(np.concatenate([np.atleast_1d(self.index(p)) for p in parts]), self)

    def full(self, like: Array, count: int, value: float) -> Values:
        return np.full(count, value)

    def exp(self, x: Array) -> Array:
        return self.unary(EXP, x, np.exp)

    def log(self, x: Array) -> Array:
        return self.unary(LOG, x, np.log)

    def softplus(self, x: Array) -> Array:
        return self.unary(SOFTPLUS, x, NUMPY.softplus)

    def sigmoid(self, x: Array) -> Array:
        return self.unary(SIGMOID, x, NUMPY.sigmoid)

    def log1mexp(self, x: Array) -> Array:
        return self.unary(LOG1MEXP, x, NUMPY.log1mexp)

    def log_ndtr(self, x: Array) -> Array:
        return self.unary(LOG_NDTR, x, NUMPY.log_ndtr)

    def minimum(self, x: Array, y: Array) -> Rows:
        return self.binary(MIN, x, y)

    def maximum(self, x: Array, y: Array) -> Rows:
        return self.binary(MAX, x, y)

    def where(self, condition: Array, x: Array, y: Array) -> Rows:
        if isinstance(condition, Rows):
            return self.elementwise(WHERE, _choose, condition, x, y)
        return Rows(np.where(condition, self.index(x), self.index(y)), self)  # known now: no operation

    def invert_holdup(self, ln_p: Rows, ln_a: Rows, full_from_g: float, exponent: float) -> Rows:
        """ln M from ln P as one instruction, which knows the derivatives of the implicit function."""
        return self.elementwise(HOLDUP, lambda p, a: invert_holdup(p, a, full_from_g, exponent), ln_p, ln_a)

    def sum(self, x: Array) -> Rows:
        return self._reduce(SUM, x.index)

    def take_sum(self, x: Array, index: Array) -> Rows:
        return self._reduce(SUM, self.index(x)[index])

    def logsumexp(self, x: Array) -> Rows:
        return self._reduce(LOGSUMEXP, x.index)

    def _reduce(self, code: int, rows: Index) -> Rows:
        """Over the last axis; padded entries fall out."""
        shape, width = rows.shape[:-1], rows.shape[-1]
        rows = rows.reshape(int(np.prod(shape)), width)
        values = np.append(self.numbers(), 0.0)
        constant = np.where(rows < 0, values[np.where(rows < 0, -1 - rows, -1)], 1.0)
        kept = (rows >= 0) | (constant != 0 if code == SUM else constant > PADDED)
        count = kept.sum(axis=1)
        out = np.empty(len(rows), dtype=np.int64)
        empty, single = count == 0, count == 1
        if empty.any():
            out[empty] = self.constant(0.0 if code == SUM else float(NOTHING))
        if single.any():
            out[single] = rows[single, np.argmax(kept[single], axis=1)]
        several = ~(empty | single)
        if several.any():
            ends = np.cumsum(count[several])
            out[several] = self.emit(code, ends - count[several], ends, rows[several][kept[several]])  # in row order
        return Rows(out.reshape(shape), self)


def _choose(condition: Values, x: Values, y: Values) -> Values:
    return np.where(condition != 0, x, y)
