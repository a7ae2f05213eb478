"""The density as a straight list of scalar instructions, recorded once per network and run by `machine.py`.

Of what was recorded (`recorder.py`), instructions that are alike are kept once, chains of what is linear are taken
together, and what the log density does not need is dropped.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gradeest.belief.density import State, evaluate
from gradeest.belief.network import Network
from gradeest.belief.recorder import ADD, AFFINE, SUB, SUM, WHERE, Recorder, Rows

Index = NDArray[np.int64]
Values = NDArray[np.float64]


@dataclass(frozen=True)
class Program:
    """Instructions in order. Rows: constants, then unknowns, then one row per instruction.

    `op`, `a`, `b`, `c` (instruction,): code and rows it works on. Of one that works on a list of rows, a:b is its part
    of `lists`; a linear one is `added` + the sum of `factors` x these. The log density is the sum of `weight` x the
    rows `terms`; `shown` are rows whose values are asked for beside them.
    """

    constants: Values
    unknowns: int
    op: NDArray[np.int8]
    a: NDArray[np.int32]
    b: NDArray[np.int32]
    c: NDArray[np.int32]
    lists: NDArray[np.int32]
    factors: Values
    added: Values
    terms: NDArray[np.int32]
    shown: NDArray[np.int32]
    weight: Values
    offset: float
    full_from_g: float
    exponent: float

    @property
    def first(self) -> int:
        """Row of the first instruction."""
        return len(self.constants) + self.unknowns


def record(network: Network) -> Program:
    """The program of a network's log density, the weighted sum of its terms; it shows the configurations' weights."""
    recorder, state = _trace(network)
    code = _code(recorder)
    terms, weight, offset = _linear_terms(int(code.renamed(state.log_density.index)), code)
    return _renumber(code, terms, code.renamed(recorder.index(state.configurations)), weight, offset, recorder)


def record_state(network: Network, names: Collection[str]) -> tuple[Program, dict[str, tuple[slice, tuple[int, ...]]]]:
    """The program of these fields of `State`; which of its terms are which field, and the field's shape."""
    recorder, state = _trace(network)
    rows = {name: recorder.index(getattr(state, name)) for name in names}
    where, start = {}, 0
    for name, index in rows.items():
        where[name] = (slice(start, start + index.size), index.shape)
        start += index.size
    return program_of(recorder, np.concatenate([index.ravel() for index in rows.values()])), where


def program_of(recorder: Recorder, rows: Index) -> Program:
    """The program whose terms are the given rows, each of weight one."""
    code = _code(recorder)
    return _renumber(code, code.renamed(rows), np.zeros(0, dtype=np.int64), np.ones(len(rows)), 0.0, recorder)


def _trace(network: Network) -> tuple[Recorder, State]:
    recorder = Recorder(network.size, network.full_from_g, network.exponent)
    theta = Rows(np.arange(network.size), recorder)
    return recorder, evaluate(theta, network, network.arrays, recorder)


@dataclass(frozen=True)
class _Code:
    """Instructions in the recorder's numbering."""

    op: Index
    a: Index
    b: Index
    c: Index
    lists: Index
    numbers: Values
    unknowns: int
    constant: Index  # the one of equal constants that stands for each, by its number
    same: Index  # the one of equal instructions

    def renamed(self, rows: Index) -> Index:
        """Rows of the recorder as rows here."""
        out = rows.copy()
        out[rows < 0] = -1 - self.constant[-1 - rows[rows < 0]]
        late = rows >= self.unknowns
        out[late] = self.unknowns + self.same[rows[late] - self.unknowns]
        return out


def _code(recorder: Recorder) -> _Code:
    """What was recorded, as one list; of constants and instructions that are alike one is kept."""
    from gradeest.belief.listing import merge_alike

    size, count = recorder.unknowns, recorder.size - recorder.unknowns
    op, a, b, c = (np.zeros(count, dtype=np.int64) for _ in range(4))
    pieces, length = [np.zeros(0, dtype=np.int64)], 0
    for code, start, operands in recorder.blocks:
        there = slice(start - size, start - size + len(operands[0]))
        op[there] = code
        if code >= SUM:
            a[there], b[there] = operands[0] + length, operands[1] + length
            pieces.append(operands[2])
            length += len(operands[2])
        elif code == WHERE:
            c[there], a[there], b[there] = operands
        elif code == AFFINE:
            a[there], b[there], c[there] = operands
        else:
            a[there], b[there] = operands[0], operands[-1]
    lists = np.concatenate(pieces)
    numbers, first = np.unique(recorder.numbers(), return_inverse=True)
    for column in (a, b, c, lists):
        column[column < 0] = -1 - first[-1 - column[column < 0]]
    same = merge_alike(op, a, b, c, lists, size)
    return _Code(op, a, b, c, lists, numbers, size, first, same)


def _linear_terms(root: int, code: _Code) -> tuple[Index, Values, float]:
    """Rows and weights whose sum is the row `root`, sums taken apart as far as they go; and a constant."""
    rows, weight, offset = np.array([root]), np.ones(1), 0.0
    done_rows, done_weight = [np.zeros(0, dtype=np.int64)], [np.zeros(0)]
    while len(rows):
        fixed = rows < 0
        offset += float(weight[fixed] @ code.numbers[-1 - rows[fixed]])
        rows, weight = rows[~fixed], weight[~fixed]
        n = np.maximum(rows - code.unknowns, 0)
        what = np.where(rows >= code.unknowns, code.op[n] if len(code.op) else -1, -1)
        scaled = what == AFFINE
        split = (what == ADD) | (what == SUB) | (what == SUM) | scaled
        done_rows.append(rows[~split])
        done_weight.append(weight[~split])
        two = (what == ADD) | (what == SUB)
        offset += float(weight[scaled] @ code.numbers[-1 - code.c[n[scaled]]])
        more_rows = [code.a[n[two]], code.b[n[two]], code.a[n[scaled]]]
        more_weight = [
            weight[two], np.where(what[two] == SUB, -weight[two], weight[two]),
            weight[scaled] * code.numbers[-1 - code.b[n[scaled]]],
        ]  # fmt: skip
        for one, its in zip(n[what == SUM], weight[what == SUM], strict=True):
            more_rows.append(code.lists[code.a[one] : code.b[one]])
            more_weight.append(np.full(code.b[one] - code.a[one], its))
        rows, weight = np.concatenate(more_rows), np.concatenate(more_weight)
    rows, back = np.unique(np.concatenate(done_rows), return_inverse=True)
    return rows.astype(np.int64), np.bincount(back, np.concatenate(done_weight), len(rows)).astype(float), offset


def _renumber(code: _Code, terms: Index, shown: Index, weight: Values, offset: float, recorder: Recorder) -> Program:
    """Only what the terms need, in the order of `Program`: constants, then unknowns, then instructions."""
    from gradeest.belief.listing import depth_first, gather_linear

    needed = np.concatenate([terms, shown])
    op, a, b, c, lists, factors, added = gather_linear(
        code.op, code.a, code.b, code.c, code.lists, code.numbers, code.unknowns, needed
    )
    kept = depth_first(op, a, b, c, lists, needed, code.unknowns)
    op, a, b, c = op[kept], a[kept], b[kept], np.where(op[kept] == WHERE, c[kept], 0)
    listed = op >= SUM
    lengths = np.where(listed, b - a, 0)
    ends = np.cumsum(lengths)
    positions = np.repeat(a - (ends - lengths), lengths) + np.arange(int(lengths.sum()))
    lists = lists[positions]
    rows = np.concatenate([a[~listed], b[~listed], c, lists, needed])
    used = np.unique(-1 - rows[rows < 0])
    first = len(used) + code.unknowns
    place = np.full(code.unknowns + len(code.op), -1, dtype=np.int64)
    place[: code.unknowns] = len(used) + np.arange(code.unknowns)
    place[code.unknowns + kept] = first + np.arange(len(kept))

    def new(rows: Index) -> NDArray[np.int32]:
        return np.where(rows < 0, np.searchsorted(used, -1 - rows), place[np.maximum(rows, 0)]).astype(np.int32)

    a = np.where(listed, ends - lengths, new(np.where(listed, 0, a)))
    b = np.where(listed, ends, new(np.where(listed, 0, b)))
    return Program(
        code.numbers[used], code.unknowns, op.astype(np.int8), a.astype(np.int32), b.astype(np.int32), new(c),
        new(lists), factors[positions], added[kept], new(terms), new(shown), weight, offset,
        recorder.full_from_g, recorder.exponent,
    )  # fmt: skip
