"""Work on a program's list of instructions: which are alike, which are needed, which unknowns meet in them."""

from __future__ import annotations

from functools import cache
from hashlib import sha256
from pathlib import Path
from typing import Any

import numba as nb
import numpy as np
from numba.core.caching import FunctionCache, IndexDataCacheFile
from numba.core.runtime import rtsys

from gradeest.belief.recorder import ADD, AFFINE, EXP, LINEAR, LOGSUMEXP, SUB, SUM, WHERE

KERNELS = ("elementary", "holdup", "instructions", "jumps", "keeping", "listing", "machine", "recorder", "shape")
OPTIONS = {"nogil": True, "error_model": "numpy", "fastmath": {"contract"}}


class KeptCode(FunctionCache):
    """Numba's own files beside the source; what is there is loaded without the tables that only compiling needs.

    Importing and registering those takes as long as all else that loading does, at every start. A function that has to
    be compiled asks for them itself. Functions take parts from each other's files: all must be as they were.
    """

    def __init__(self, function: Any) -> None:
        super().__init__(function)
        self._cache_file = IndexDataCacheFile(self._cache_path, self._impl.filename_base, text_of_kernels())

    def load_overload(self, sig: Any, target_context: Any) -> Any:
        """The kept function for a signature, or None."""
        rtsys.initialize(target_context)  # memory of arrays that a compiled function makes
        with self._guard_against_spurious_io_errors():
            return self._load_overload(sig, target_context)


@cache
def text_of_kernels() -> str:
    """Stands for the text of all files with compiled functions (a date would not do: installed files may have one)."""
    folder = Path(__file__).parent
    return sha256(b"".join((folder / f"{name}.py").read_bytes() for name in KERNELS)).hexdigest()


def compiled(function):  # type: ignore[no-untyped-def]
    """Compile without the interpreter's lock; keep the result where a place can be written, else for this process."""
    made = nb.njit(**OPTIONS)(function)
    try:
        made._cache = KeptCode(function)
    except RuntimeError:  # no folder to keep it in
        return made
    return made


def part_of_compiled(function):  # type: ignore[no-untyped-def]
    """Becomes a part of the compiled functions that call it: compiled by itself as well it would take as long again."""
    return nb.njit(inline="always", **OPTIONS)(function)


@compiled
def merge_alike(op, a, b, c, lists, unknowns):  # type: ignore[no-untyped-def]
    """For every instruction the first that computes the same; operands are renamed in place to such firsts."""
    same = np.arange(len(op))
    size = 4
    while size < 2 * len(op):
        size *= 2
    table = np.full(size, -1, dtype=np.int64)
    for n in range(len(op)):
        code = np.uint64(op[n]) * np.uint64(0x9E3779B97F4A7C15)
        if op[n] >= SUM:
            for k in range(a[n], b[n]):
                if lists[k] >= unknowns:
                    lists[k] = unknowns + same[lists[k] - unknowns]
                code = (code ^ np.uint64(lists[k])) * np.uint64(0x100000001B3)
        else:
            for column in (a, b, c):
                if column[n] >= unknowns:
                    column[n] = unknowns + same[column[n] - unknowns]
                code = (code ^ np.uint64(column[n])) * np.uint64(0x100000001B3)
        place = np.int64(code & np.uint64(size - 1))
        while table[place] >= 0 and not _alike(op, a, b, c, lists, n, table[place]):
            place = (place + 1) & (size - 1)
        if table[place] >= 0:
            same[n] = table[place]
        else:
            table[place] = n
    return same


@compiled
def _alike(op, a, b, c, lists, m, n):  # type: ignore[no-untyped-def]
    if op[m] != op[n]:
        return False
    if op[m] < SUM:
        return a[m] == a[n] and b[m] == b[n] and c[m] == c[n]
    if b[m] - a[m] != b[n] - a[n]:
        return False
    for k in range(b[m] - a[m]):  # noqa: SIM110 (compiled)
        if lists[a[m] + k] != lists[a[n] + k]:
            return False
    return True


@compiled
def gather_linear(op, a, b, c, lists, numbers, unknowns, needed):  # type: ignore[no-untyped-def]
    """The instructions with all that is linear as LINEAR ones, taken together where that leaves no more to do.

    Rows are in the recorder's numbering; `needed` are rows that must stay. Returns op, a, b, c, lists, and the factors
    beside these and the number added of every instruction. Those that were taken into others are needed by none.
    """
    count = len(op)
    linear, within, room = _join_linear(op, a, b, c, lists, unknowns, needed)
    new, begins, ends = op.copy(), a.copy(), b.copy()
    joined, factors, added = np.empty(room, dtype=np.int64), np.ones(room), np.zeros(count)
    stack, scales = np.empty(room + count + 1, dtype=np.int64), np.empty(room + count + 1)
    length = 0
    for n in range(count):
        if op[n] == LOGSUMEXP:
            begins[n] = length
            for k in range(a[n], b[n]):
                joined[length] = lists[k]
                length += 1
            ends[n] = length
        if not linear[n] or within[n]:
            continue
        new[n], begins[n] = LINEAR, length
        stack[0], scales[0], height = unknowns + n, 1.0, 1
        while height:
            height -= 1
            row, scale = stack[height], scales[height]
            m = row - unknowns
            if row < 0:
                added[n] += scale * numbers[-1 - row]
            elif m < 0 or (m != n and not within[m]):
                joined[length], factors[length] = row, scale
                length += 1
            else:
                if op[m] == AFFINE:
                    added[n] += scale * numbers[-1 - c[m]]
                many = _operands(op[m], a[m], b[m])
                for k in range(many):  # the first on top
                    stack[height] = _operand(op[m], a[m], b[m], c[m], lists, many - 1 - k)
                    scales[height] = scale
                    if op[m] == AFFINE:
                        scales[height] = scale * numbers[-1 - b[m]]
                    elif op[m] == SUB and k == 0:
                        scales[height] = -scale
                    height += 1
        ends[n] = length
    return new, begins, ends, c, joined[:length], factors[:length], added


@compiled
def _join_linear(op, a, b, c, lists, unknowns, needed):  # type: ignore[no-untyped-def]
    """Which instructions are linear, which are taken into the others, and how many rows all work on then, at most."""
    count = len(op)
    linear, within = np.zeros(count, dtype=np.bool_), np.zeros(count, dtype=np.bool_)
    bent, uses = np.zeros(count, dtype=np.int64), np.zeros(count, dtype=np.int64)  # uses in what is not linear, and is
    for row in needed:
        if row >= unknowns:
            bent[row - unknowns] += 1
    for n in range(count - 1, -1, -1):
        linear[n] = op[n] in (ADD, SUB, AFFINE, SUM)
        if bent[n] + uses[n] == 0:
            continue
        counted = uses if linear[n] else bent
        for k in range(_operands(op[n], a[n], b[n])):
            row = _operand(op[n], a[n], b[n], c[n], lists, k)
            if row >= unknowns:
                counted[row - unknowns] += 1
    terms, room = np.ones(count, dtype=np.int64), 1
    for n in range(count):
        operands = _operands(op[n], a[n], b[n])
        if linear[n]:
            terms[n] = 0
            for k in range(operands):
                row = _operand(op[n], a[n], b[n], c[n], lists, k)
                terms[n] += terms[row - unknowns] if row >= unknowns and within[row - unknowns] else 1
            within[n] = bent[n] == 0 and (uses[n] == 1 or terms[n] == 1)
        room += 0 if within[n] else terms[n] if linear[n] else operands
    return linear, within, room + len(lists)


@compiled
def _operands(op, a, b):  # type: ignore[no-untyped-def]
    """How many rows an instruction works on."""
    if op >= SUM:
        return b - a
    if op == WHERE:
        return 3
    return 1 if op == AFFINE or EXP <= op < AFFINE else 2


@compiled
def _operand(op, a, b, c, lists, k):  # type: ignore[no-untyped-def]
    """The k-th of them."""
    if op >= SUM:
        return lists[a + k]
    return a if k == 0 else b if k == 1 else c


@compiled
def depth_first(op, a, b, c, lists, terms, unknowns):  # type: ignore[no-untyped-def]
    """The instructions that the rows `terms` need, each close behind what it works on (memory is near then).

    Rows are in the recorder's numbering, constants below 0; instructions that are no unknowns' count from `unknowns`.
    """
    done, stack = np.zeros(len(op), dtype=np.bool_), np.empty(3 * len(op) + len(lists) + 1, dtype=np.int64)
    order, count = np.empty(len(op), dtype=np.int64), 0
    for root in terms:
        if root < unknowns:
            continue
        stack[0], height = root - unknowns, 1
        while height:
            n = stack[height - 1]
            if done[n]:
                height -= 1
                continue
            below = height
            if op[n] >= SUM:
                for k in range(a[n], b[n]):
                    if lists[k] >= unknowns and not done[lists[k] - unknowns]:
                        stack[height] = lists[k] - unknowns
                        height += 1
            else:
                for row in (a[n], b[n], c[n] if op[n] == WHERE else -1):
                    if row >= unknowns and not done[row - unknowns]:
                        stack[height] = row - unknowns
                        height += 1
            if height == below:  # all it needs is there
                done[n], order[count] = True, n
                count += 1
                height -= 1
    return order[:count]


@compiled
def _root(parent, j):  # type: ignore[no-untyped-def]
    while parent[j] != j:
        parent[j] = parent[parent[j]]
        j = parent[j]
    return j


@compiled
def link_unknowns(op, a, b, c, lists, constants, unknowns, is_shared, terms):  # type: ignore[no-untyped-def]
    """Blocks of unknowns that meet in a term, those shared by all left out: an unknown of each block, -1 for shared.

    Returns the mark of every unknown and of every term.
    """
    parent, first = np.arange(unknowns), constants + unknowns
    mark = np.full(first + len(op), -1, dtype=np.int64)
    for j in range(unknowns):
        if not is_shared[j]:
            mark[constants + j] = j
    for n in range(len(op)):
        found = -1
        if op[n] >= SUM:
            for k in range(a[n], b[n]):
                found = _join(parent, found, mark[lists[k]])
        else:
            found = _join(parent, mark[a[n]], mark[b[n]])
            if op[n] == WHERE:
                found = _join(parent, found, mark[c[n]])
        mark[first + n] = found
    of_unknowns, of_terms = np.empty(unknowns, dtype=np.int64), np.empty(len(terms), dtype=np.int64)
    for j in range(unknowns):
        of_unknowns[j] = -1 if is_shared[j] else _root(parent, j)
    for k in range(len(terms)):
        of_terms[k] = -1 if mark[terms[k]] < 0 else _root(parent, mark[terms[k]])
    return of_unknowns, of_terms


@compiled
def find_stretches(op, a, b, c, lists, constants, unknowns, of_unknown):  # type: ignore[no-untyped-def]
    """The block that every row follows from, -1 where only shared unknowns or none tell it."""
    first = constants + unknowns
    found = np.full(first + len(op), -1, dtype=np.int64)
    found[constants:first] = of_unknown
    for n in range(len(op)):
        block = -1
        for k in range(_operands(op[n], a[n], b[n])):
            block = max(block, found[_operand(op[n], a[n], b[n], c[n], lists, k)])
        found[first + n] = block
    return found


@compiled
def _join(parent, x, y):  # type: ignore[no-untyped-def]
    if x < 0 or y < 0:
        return max(x, y)
    x, y = _root(parent, x), _root(parent, y)
    parent[max(x, y)] = min(x, y)
    return min(x, y)


@compiled
def touched_by(op, a, b, c, lists, constants, unknowns, terms, of_term, parts):  # type: ignore[no-untyped-def]
    """Which unknowns the terms of each part depend on, (part, unknown); `of_term` gives each term's part or -1."""
    first = constants + unknowns
    found = np.zeros((parts, unknowns), dtype=np.bool_)
    seen, stack = np.full(first + len(op), -1, dtype=np.int64), np.empty(3 * len(op) + len(lists) + 1, dtype=np.int64)
    order = np.argsort(of_term)
    for k in order:
        part = of_term[k]
        if part < 0:
            continue
        stack[0], height = terms[k], 1
        while height:
            height -= 1
            row = stack[height]
            if row < constants or seen[row] == part:
                continue
            seen[row] = part
            if row < first:
                found[part, row - constants] = True
                continue
            n = row - first
            if op[n] >= SUM:
                for j in range(a[n], b[n]):
                    stack[height] = lists[j]
                    height += 1
            else:
                stack[height], stack[height + 1] = a[n], b[n]
                height += 2
                if op[n] == WHERE:
                    stack[height] = c[n]
                    height += 1
    return found
