"""Runs a `Program` on many draws at once, a few of them (lanes) at a time, dealt out to the cores in threads.

The loops are compiled once per installation by numba and kept beside this file, whatever the bench looks like; so no
fit waits for a compiler.
"""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Collection
from concurrent.futures import ThreadPoolExecutor
from dataclasses import fields
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gradeest.belief.blocks import find_blocks
from gradeest.belief.density import State
from gradeest.belief.instructions import backward, forward
from gradeest.belief.listing import compiled, part_of_compiled
from gradeest.belief.network import Network
from gradeest.belief.program import Program, record_state
from gradeest.belief.shape import gather, stretch
from gradeest.belief.tape import cut

Values = NDArray[np.float64]
LANES = (32, 96)  # draws that go through the instructions together: the more, the less each instruction costs
AT_ONCE = 192  # draws that are looked at most often: as many as particles, dealt out evenly
MOST_ROOM = 64e6  # bytes of the rows of one thread; more does not pay
LINE, MOST_THREADS = 8, 8  # numbers of a line of memory
VALUES, SLOPES = -2, -1  # in place of a number of steps: look at theta itself
NONE = np.zeros(0, dtype=np.int64)
NO_VIEW = (np.zeros(0), NONE, np.zeros(1, dtype=np.int64), NONE, np.zeros(0), NONE, NONE, np.zeros(0))
STATE = tuple(field.name for field in fields(State) if field.name != "log_density")  # that has a row for every number
NO_TURNS = (np.zeros((1, 1)), np.zeros((1, 1)), np.zeros((1, 1)), np.zeros(0, dtype=np.int64))


@compiled
def _work(program, linear, turns, count, z, force, momentum, parts, start, lanes, v, g, work):  # type: ignore[no-untyped-def]
    """The draws start : start + lanes of z (unknown, draw): weighted terms into `parts`, and the force.

    `count` steps of rotation and kicks change z, force and momentum in place; with none they are looked at where they
    stand. VALUES and SLOPES take z for theta itself, and give no force, or the gradient for it. Blocks whose steps are
    0 for all draws stay; of those that come first in the view the force is worked out with the last step only.
    """
    tape, begins, asked, weight, by_stretch, asked_begins, scored, first, unknowns, ln_full, exponent = program
    common, bits = first + unknowns, work.view(np.int64)
    local = common + begins[1]  # row of the first result of each part of the tape but the first
    step, _, _, of_block = turns
    moved = 0
    while count > 1 and moved < unknowns - 1 and step[of_block[linear[1][moved]], start] == 0.0:
        moved += 1
    for n in range(max(count, 1)):
        if count > 0:
            _turn(turns, z, force, momentum, start, lanes)
        if count >= 0:
            stretch(linear, z, start, lanes, v, first)
        else:
            for j in range(unknowns):
                for i in range(lanes):
                    v[first + j, i] = z[j, start + i]
        forward(tape, 0, begins[1], common, v, work, bits, lanes, ln_full, exponent)
        if count != VALUES:
            for r in range(local):
                for i in range(lanes):
                    g[r, i] = 0.0
        for part in range(1, len(begins) - 1):
            begin, end = begins[part], begins[part + 1]
            forward(tape, begin, end, local, v, work, bits, lanes, ln_full, exponent)
            if count != VALUES:
                for r in range(local, local + end - begin):
                    for i in range(lanes):
                        g[r, i] = 0.0
            _answer(asked, weight, by_stretch, asked_begins, scored, part, count, parts, start, lanes, v, g)
            if count != VALUES:
                backward(tape, begin, end, local, v, g, work, bits, lanes, ln_full, exponent)
        _answer(asked, weight, by_stretch, asked_begins, scored, 0, count, parts, start, lanes, v, g)
        if count == VALUES:
            return
        backward(tape, 0, begins[1], common, v, g, work, bits, lanes, ln_full, exponent)
        if count >= 0:
            gather(linear, z, start, lanes, g, first, force, moved if n + 1 < count else 0)
        else:
            for j in range(unknowns):
                for i in range(lanes):
                    force[j, start + i] = g[first + j, i]
        if count > 0:
            _kick(turns, force, momentum, start, lanes)


@part_of_compiled
def _turn(turns, z, force, momentum, start, lanes):  # type: ignore[no-untyped-def]
    """Half a kick, and the rotation."""
    step, cosine, sine, of_block = turns
    for j in range(len(of_block)):
        k = of_block[j]
        if step[k, start] == 0.0:
            continue
        for i in range(start, start + lanes):
            m, x = momentum[j, i] + 0.5 * step[k, i] * force[j, i], z[j, i]
            z[j, i] = x * cosine[k, i] + m * sine[k, i]
            momentum[j, i] = m * cosine[k, i] - x * sine[k, i]


@part_of_compiled
def _kick(turns, force, momentum, start, lanes):  # type: ignore[no-untyped-def]
    """The other half."""
    step, _, _, of_block = turns
    for j in range(len(of_block)):
        k = of_block[j]
        if step[k, start] == 0.0:
            continue
        for i in range(start, start + lanes):
            momentum[j, i] += 0.5 * step[k, i] * force[j, i]


@part_of_compiled
def _answer(asked, weight, by_stretch, begins, scored, part, count, parts, start, lanes, v, g):  # type: ignore[no-untyped-def]
    """What is asked for of one part into `parts`; the derivatives of what is scored begin here."""
    for k in range(begins[part], begins[part + 1]):
        j = by_stretch[k]
        r, by = asked[j], weight[j]
        for i in range(lanes):
            parts[j, start + i] = by * v[r, i]
        if count != VALUES and j < scored:
            for i in range(lanes):
                g[r, i] += by


@cache
def _pool(threads: int, process: int) -> ThreadPoolExecutor:
    """One pool for all machines of a process (a forked one needs its own)."""
    return ThreadPoolExecutor(threads)


def cores() -> int:
    """How many threads pay."""
    return min(os.cpu_count() or 1, MOST_THREADS)


def deal(draws: int, lanes: int, threads: int, one: Callable[[int, int], None]) -> None:
    """Call one(first draw, how many) for all draws, at most `lanes` at a time, on several cores."""
    starts = range(0, draws, lanes)
    if len(starts) > 1 and threads > 1:
        list(_pool(threads, os.getpid()).map(lambda start: one(start, min(lanes, draws - start)), starts))
    else:
        for start in starts:
            one(start, min(lanes, draws - start))


def _rows(count: int, lanes: int) -> Values:
    """Rows of zeros that begin where a line of the processor's memory does."""
    room = np.zeros(count * lanes + LINE)
    skip = -room.ctypes.data // room.itemsize % LINE
    return room[skip : skip + count * lanes].reshape(count, lanes)


class Machine:
    """Log density and gradient of a program at many draws."""

    def __init__(
        self, program: Program, of_unknown: NDArray[np.int64] | None = None,
        lanes: int | None = None, threads: int | None = None,
    ) -> None:  # fmt: skip
        self.program, self.threads = program, threads or cores()
        p = program
        self.tape = t = cut(p, np.full(p.unknowns, -1) if of_unknown is None else of_unknown)
        room = int(MOST_ROOM / (8 * t.rows))
        self.lanes = lanes or max(LANES[0], min(LANES[1], -(-AT_ONCE // self.threads), room))
        self._code = (
            (t.op, t.a, t.b, t.c, t.lists, t.factors, t.added), t.begins, t.asked, t.weight, t.by_stretch,
            t.asked_begins, len(p.terms), len(p.constants), p.unknowns, math.log(p.full_from_g), p.exponent,
        )  # fmt: skip
        # memory of its rows and their derivatives, used again; what has no room for derivatives lies apart
        self._free: dict[bool, list[tuple[Values, Values, Values]]] = {True: [], False: []}

    def _buffers(self, gradients: bool) -> tuple[Values, Values, Values]:
        try:
            return self._free[gradients].pop()
        except IndexError:
            v = _rows(self.tape.rows, self.lanes)
            v[: len(self.program.constants)] = self.program.constants[:, None]
            return v, _rows(self.tape.rows if gradients else 0, self.lanes), _rows(5, self.lanes)

    def _deal(self, draws: int, gradients: bool, work_on: Callable[..., None]) -> None:
        """Call work_on(code, first draw, how many, memory ...) for all draws, some at a time on every core."""

        def one(start: int, lanes: int) -> None:
            memory = self._buffers(gradients)
            work_on(self._code, start, lanes, *memory)
            self._free[gradients].append(memory)

        deal(draws, self.lanes, self.threads, one)

    def values(self, theta: Values, into: Values | None = None) -> Values:
        """Weighted terms and below them what is shown, (term, draw), at theta (unknown, draw); into, an array of it."""
        theta = np.ascontiguousarray(theta)
        return self._run(NO_VIEW, NO_TURNS, VALUES, theta, theta, theta, into)

    def terms(self, theta: Values) -> tuple[Values, Values]:
        """Weighted terms of the log density (term, draw) and gradient (unknown, draw) at theta (unknown, draw)."""
        theta, slope = np.ascontiguousarray(theta), np.empty(theta.shape)
        return self._run(NO_VIEW, NO_TURNS, SLOPES, theta, slope, slope, None), slope

    def travel(
        self, linear: Any, of_block: NDArray[np.int64], step: Values, count: int,
        z: Values, force: Values, momentum: Values, into: Values | None = None,
    ) -> Values:  # fmt: skip
        """Move z (unknown, draw) along `count` steps (block, draw) in a straightened view; returns the terms there.

        Parameters: linear, the view (`Shape.flat`); of_block (unknown,), the row of `step` of every unknown; into, an
        array for the terms. z, force and momentum are changed in place; with count 0 only the force is (re)computed.
        Of a block whose steps are all 0 the momentum is not looked at.
        """
        return self._run(linear, (step, np.cos(step), np.sin(step), of_block), count, z, force, momentum, into)

    def _run(
        self, linear: Any, turns: Any, count: int, z: Values, force: Values, momentum: Values, into: Values | None
    ) -> Values:
        shape = len(self.program.terms) + len(self.program.shown), z.shape[1]
        parts = np.empty(shape) if into is None else into

        def work_on(code: Any, start: int, lanes: int, v: Values, g: Values, work: Values) -> None:
            _work(code, linear, turns, count, z, force, momentum, parts, start, lanes, v, g, work)

        self._deal(z.shape[1], count != VALUES, work_on)
        return parts

    def __call__(self, theta: Values) -> tuple[Values, Values]:
        """Log density (draw,) and gradient (unknown, draw) at theta (unknown, draw)."""
        parts, slope = self.terms(theta)
        return parts[: len(self.program.terms)].sum(axis=0) + self.program.offset, slope


class StateMachine:
    """What the density computes on its way, at draws; for several calls on one network."""

    def __init__(self, network: Network, names: Collection[str] = STATE) -> None:
        program, self._where = record_state(network, names)
        self._machine = Machine(program, find_blocks(network, program).of_unknown)
        self.rows = len(program.terms)  # numbers to a draw

    def __call__(self, theta: Values) -> dict[str, Values]:
        """The fields asked for of the state at draws theta (draw, unknown); arrays (draw, ...)."""
        parts = self._machine.values(theta.T)
        return {name: parts[rows].T.reshape(len(theta), *shape) for name, (rows, shape) in self._where.items()}

    def state(self, theta: Values) -> State:
        """The same of all fields, but no sum of the density."""
        return State(log_density=np.full(len(theta), np.nan), **self(theta))


def state_at(theta: Values, network: Network) -> State:
    """The state at draws theta (draw, unknown), but no sum of the density; arrays (draw, ...)."""
    return StateMachine(network).state(theta)
