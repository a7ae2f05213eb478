"""A program cut into stretches, one for each block of unknowns, that work on the same rows one after the other.

Given what all blocks share they do not touch, so a block's values are used up, and its derivatives passed on, before
the next begins: however long the program, what is worked on stays in the processor's nearest memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gradeest.belief.program import Program
from gradeest.belief.recorder import SUM

Index = NDArray[np.int64]
Values = NDArray[np.float64]


@dataclass(frozen=True)
class Tape:
    """Stretches in order: what only shared unknowns tell, then a stretch to every block.

    Rows: constants, unknowns, the results of the first stretch, and room for those of the longest of the others.
    `op` to `added` as in `Program`. What is asked for are its terms and then what it shows: `asked` rows, each times
    `weight`, in the order `by_stretch`.
    """

    op: NDArray[np.int8]
    a: NDArray[np.int32]
    b: NDArray[np.int32]
    c: NDArray[np.int32]
    lists: NDArray[np.int32]
    factors: Values
    added: Values
    begins: Index  # of every stretch's instructions
    asked: NDArray[np.int32]
    weight: Values
    by_stretch: Index
    asked_begins: Index  # of every stretch's in that order
    rows: int


def cut(program: Program, of_unknown: Index) -> Tape:
    """The tape of a program whose unknowns belong to these blocks (unknown,), -1 for shared ones."""
    from gradeest.belief.listing import find_stretches

    p, first = program, program.first
    edges = np.arange(int(of_unknown.max(initial=-1)) + 3)
    of_row = find_stretches(p.op, p.a, p.b, p.c, p.lists, len(p.constants), p.unknowns, of_unknown) + 1
    of_row[:first] = 0
    order = np.argsort(of_row[first:], kind="stable")
    stretch = of_row[first + order]
    begins = np.searchsorted(stretch, edges)
    place = np.arange(len(of_row))
    place[first + order] = first + np.arange(len(order)) - np.where(stretch > 0, begins[stretch] - begins[1], 0)
    a, b, c = p.a[order], p.b[order], place[p.c[order]]
    ends = p.op[order] >= SUM  # of a list are not rows
    a, b = (np.where(ends, x, place[np.where(ends, 0, x)]) for x in (a, b))
    asked = np.concatenate([p.terms, p.shown])
    by_stretch = np.argsort(of_row[asked], kind="stable")
    small = np.int32
    return Tape(
        p.op[order], a.astype(small), b.astype(small), c.astype(small), place[p.lists].astype(small), p.factors,
        p.added[order], begins, place[asked].astype(small),
        np.append(p.weight, np.ones(len(p.shown))), by_stretch,
        np.searchsorted(of_row[asked[by_stretch]], edges), first + int(begins[1] + np.diff(begins[1:]).max(initial=0)),
    )  # fmt: skip
