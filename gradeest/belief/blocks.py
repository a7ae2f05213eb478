"""Which unknowns move together: blocks that meet in no term of the density but through the shared parameters.

Given those (means, spreads, route recoveries, purities of forms, hold-up, balances) the lots of a bench are
independent, but where a batch pools them. So each block may be moved, and its move taken or left, by itself, and the
cost of a fit grows with the number of lots.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gradeest.belief.listing import link_unknowns
from gradeest.belief.network import Network
from gradeest.belief.program import Program

Index = NDArray[np.int64]
Values = NDArray[np.float64]
SHARED = (  # unknowns of more than one lot
    *("zeta", "beta", "pi", "r_metal", "r", "ln_a", "form", "balance", "ln_tau", "spot"),
)


@dataclass(frozen=True)
class Blocks:
    """Blocks by number, in the order of `stacks`; -1 stands for the shared parameters."""

    shared: Index  # (unknown,)
    stacks: tuple[Index, ...]  # unknowns of blocks of one size, (block, unknown)
    of_unknown: Index
    of_term: Index

    @cached_property
    def count(self) -> int:
        """Number of blocks."""
        return sum(len(stack) for stack in self.stacks)

    @cached_property
    def _terms(self) -> tuple[Index, Index, Index]:
        """Terms of blocks in the order of these; where each block's begin; those blocks."""
        order = np.argsort(self.of_term, kind="stable")
        order = order[self.of_term[order] >= 0]
        numbers, begins = np.unique(self.of_term[order], return_index=True)
        return order, begins, numbers

    def per_block(self, parts: Values) -> Values:
        """Sums of terms (term, draw) by block, (block, draw); the shared ones are left out."""
        order, begins, numbers = self._terms
        out = np.zeros((self.count, parts.shape[1]))
        if len(order):
            out[numbers] = np.add.reduceat(parts[order], begins, axis=0)
        return out

    def at_unknowns(self, of_blocks: NDArray[Any]) -> NDArray[Any]:
        """Values of blocks (block, draw) at each of their unknowns, (unknown, draw); 0 at the shared ones."""
        return np.concatenate([of_blocks, np.zeros_like(of_blocks[:1])])[self.of_unknown]


def find_blocks(network: Network, program: Program, shared: tuple[str, ...] = SHARED) -> Blocks:
    """Blocks of a network's unknowns, those named `shared` left out."""
    is_shared = np.zeros(network.size, dtype=np.bool_)
    for name in shared:
        is_shared[network.layout[name]] = True
    p = program
    marks, met = link_unknowns(p.op, p.a, p.b, p.c, p.lists, len(p.constants), p.unknowns, is_shared, p.terms)
    by_mark: dict[int, list[int]] = {}
    for j, mark in enumerate(marks):
        if mark >= 0:
            by_mark.setdefault(int(mark), []).append(j)
    by_size: dict[int, list[int]] = {}
    for mark, members in by_mark.items():
        by_size.setdefault(len(members), []).append(mark)
    stacks = [np.array([by_mark[mark] for mark in by_size[size]]) for size in sorted(by_size)]
    number = {mark: n for n, mark in enumerate(mark for size in sorted(by_size) for mark in by_size[size])}
    of_unknown = np.array([number.get(int(mark), -1) for mark in marks], dtype=np.int64)
    of_term = np.array([number.get(int(mark), -1) for mark in met], dtype=np.int64)
    return Blocks(np.flatnonzero(is_shared), tuple(stacks), of_unknown, of_term)
