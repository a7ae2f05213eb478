"""Runs a `Program` on many draws at once, a few of them (lanes) at a time, dealt out to the cores in threads.

The loops are compiled once per installation by numba and kept beside this file, whatever the bench looks like; so no
fit waits for a compiler.
"""

from __future__ import annotations

import math
import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gradeest.belief.density import State
from gradeest.belief.instructions import backward, forward
from gradeest.belief.listing import compiled, part_of_compiled
from gradeest.belief.network import Network
from gradeest.belief.program import Program, record_state

Values = NDArray[np.float64]
LANES = (32, 96)  # draws that go through the instructions together: the more, the less each instruction costs
AT_ONCE = 192  # draws that are looked at most often: as many as particles, dealt out evenly
MOST_ROOM = 64e6  # bytes of the rows of one thread; more does not pay
VALUES, SLOPES = -2, -1  # in place of a number of steps: look at theta itself
NO_VIEW = (
    np.zeros(0),
    np.zeros(0, dtype=np.int64),
    np.zeros(1, dtype=np.int64),
    np.zeros(0),
    np.zeros(1, dtype=np.int64),
    np.zeros(0, dtype=np.int64),
    np.zeros(0, dtype=np.int64),
    np.zeros(0),
)
NO_TURNS = (np.zeros((1, 1)), np.zeros((1, 1)), np.zeros((1, 1)), np.zeros(0, dtype=np.int64))


@compiled
def _work(program, linear, turns, count, z, force, momentum, parts, start, lanes, v, g, work):  # type: ignore[no-untyped-def]
    """The draws start : start + lanes of z (unknown, draw): weighted terms into `parts`, and the force.

    `count` steps of rotation and kicks change z, force and momentum in place; with none they are looked at where they
    stand. VALUES and SLOPES take z for theta itself, and give no force, or the gradient for it.
    """
    op, a, b, c, lists, constants, unknowns, terms, shown, weight, ln_full, exponent = program
    first, rows = len(constants), len(constants) + unknowns
    step, cosine, sine, of_block = turns
    for _ in range(max(count, 1)):
        if count > 0:
            for j in range(unknowns):
                k = of_block[j]
                for i in range(start, start + lanes):
                    m, x = momentum[j, i] + 0.5 * step[k, i] * force[j, i], z[j, i]
                    z[j, i] = x * cosine[k, i] + m * sine[k, i]
                    momentum[j, i] = m * cosine[k, i] - x * sine[k, i]
        if count >= 0:
            _stretch(linear, z, start, lanes, v, g, first)
        else:
            for j in range(unknowns):
                for i in range(lanes):
                    v[first + j, i] = z[j, start + i]
        forward(op, a, b, c, lists, constants, rows, v, work, lanes, ln_full, exponent)
        for k in range(len(terms)):
            for i in range(lanes):
                parts[k, start + i] = weight[k] * v[terms[k], i]
        for k in range(len(shown)):
            for i in range(lanes):
                parts[len(terms) + k, start + i] = v[shown[k], i]
        if count == VALUES:
            return
        for r in range(len(g)):
            for i in range(lanes):
                g[r, i] = 0.0
        for k in range(len(terms)):
            for i in range(lanes):
                g[terms[k], i] += weight[k]
        backward(op, a, b, c, lists, constants, rows, v, g, work, lanes, ln_full, exponent)
        if count >= 0:
            _gather(linear, z, force, start, lanes, v, g, first)
        else:
            for j in range(unknowns):
                for i in range(lanes):
                    force[j, start + i] = g[first + j, i]
        if count > 0:
            for j in range(unknowns):
                k = of_block[j]
                for i in range(start, start + lanes):
                    momentum[j, i] += 0.5 * step[k, i] * force[j, i]


@part_of_compiled
def _stretch(linear, z, start, lanes, v, g, first):  # type: ignore[no-untyped-def]
    """theta of z in the view (shape.py) into the rows of the unknowns in v; those of g are used on the way."""
    centre, members, begins, weights, offsets, followers, leaders, slopes = linear
    for j in range(len(centre)):
        for i in range(lanes):
            g[first + j, i] = z[j, start + i]
            v[first + j, i] = centre[j]
    for part in range(len(begins) - 1):
        begin, size, place = begins[part], begins[part + 1] - begins[part], offsets[part]
        for r in range(size):
            out = v[first + members[begin + r]]
            for k in range(size):
                w, x = weights[place + r * size + k], g[first + members[begin + k]]
                for i in range(lanes):
                    out[i] += w * x[i]
    for n in range(len(followers)):
        out, x, middle = v[first + followers[n]], v[first + leaders[n]], centre[leaders[n]]
        for i in range(lanes):
            out[i] += slopes[n] * (x[i] - middle)


@part_of_compiled
def _gather(linear, z, force, start, lanes, v, g, first):  # type: ignore[no-untyped-def]
    """force = z + gradient in the view: what is left beside that of a standard normal; v and g are used on the way."""
    centre, members, begins, weights, offsets, followers, leaders, slopes = linear
    for n in range(len(followers)):
        out, x = g[first + leaders[n]], g[first + followers[n]]
        for i in range(lanes):
            out[i] += slopes[n] * x[i]
    for j in range(len(centre)):
        for i in range(lanes):
            v[first + j, i] = z[j, start + i]
    for part in range(len(begins) - 1):
        begin, size, place = begins[part], begins[part + 1] - begins[part], offsets[part]
        for k in range(size):
            out = v[first + members[begin + k]]
            for r in range(size):
                w, slope = weights[place + r * size + k], g[first + members[begin + r]]
                for i in range(lanes):
                    out[i] += w * slope[i]
    for j in range(len(centre)):
        for i in range(lanes):
            force[j, start + i] = v[first + j, i]


@cache
def _pool(threads: int, process: int) -> ThreadPoolExecutor:
    """One pool for all machines of a process (a forked one needs its own)."""
    return ThreadPoolExecutor(threads)


class Machine:
    """Log density and gradient of a program at many draws."""

    def __init__(self, program: Program, lanes: int | None = None, threads: int | None = None) -> None:
        self.program, self.threads = program, threads or min(os.cpu_count() or 1, 8)
        room = int(MOST_ROOM / (8 * (program.first + len(program.op))))
        self.lanes = lanes or max(LANES[0], min(LANES[1], -(-AT_ONCE // self.threads), room))
        # memory of its rows and their derivatives, used again; what has no room for derivatives lies apart
        self._free: dict[bool, list[tuple[Values, Values, Values]]] = {True: [], False: []}

    def _buffers(self, gradients: bool) -> tuple[Values, Values, Values]:
        try:
            return self._free[gradients].pop()
        except IndexError:
            p = self.program
            v = np.zeros((p.first + len(p.op), self.lanes))
            v[: len(p.constants)] = p.constants[:, None]
            return v, np.zeros(v.shape if gradients else (0, self.lanes)), np.zeros((5, self.lanes))

    def _deal(self, draws: int, gradients: bool, work_on: Callable[..., None]) -> None:
        """Call work_on(program, first draw, how many, memory ...) for all draws, some at a time on every core."""
        p = self.program
        code = (
            p.op, p.a, p.b, p.c, p.lists, p.constants, p.unknowns, p.terms, p.shown, p.weight,
            math.log(p.full_from_g), p.exponent,
        )  # fmt: skip

        def one(start: int) -> None:
            memory = self._buffers(gradients)
            work_on(code, start, min(self.lanes, draws - start), *memory)
            self._free[gradients].append(memory)

        starts = range(0, draws, self.lanes)
        if len(starts) > 1 and self.threads > 1:
            list(_pool(self.threads, os.getpid()).map(one, starts))
        else:
            for start in starts:
                one(start)

    def values(self, theta: Values) -> Values:
        """Weighted terms, and below them what is shown, (term, draw) at theta (unknown, draw)."""
        theta = np.ascontiguousarray(theta)
        return self._run(NO_VIEW, NO_TURNS, VALUES, theta, theta, theta)

    def terms(self, theta: Values) -> tuple[Values, Values]:
        """Weighted terms of the log density (term, draw) and gradient (unknown, draw) at theta (unknown, draw)."""
        theta, slope = np.ascontiguousarray(theta), np.empty(theta.shape)
        return self._run(NO_VIEW, NO_TURNS, SLOPES, theta, slope, slope), slope

    def travel(
        self, linear: Any, of_block: NDArray[np.int64], step: Values, count: int,
        z: Values, force: Values, momentum: Values,
    ) -> Values:  # fmt: skip
        """Move z (unknown, draw) along `count` steps (block, draw) in a straightened view; returns the terms there.

        Parameters: linear, the view (`Shape.flat`); of_block (unknown,), the row of `step` of every unknown. z, force
        and momentum are changed in place; with count 0 only the force is (re)computed.
        """
        return self._run(linear, (step, np.cos(step), np.sin(step), of_block), count, z, force, momentum)

    def _run(self, linear: Any, turns: Any, count: int, z: Values, force: Values, momentum: Values) -> Values:
        parts = np.empty((len(self.program.terms) + len(self.program.shown), z.shape[1]))

        def work_on(code: Any, start: int, lanes: int, v: Values, g: Values, work: Values) -> None:
            _work(code, linear, turns, count, z, force, momentum, parts, start, lanes, v, g, work)

        self._deal(z.shape[1], count != VALUES, work_on)
        return parts

    def __call__(self, theta: Values) -> tuple[Values, Values]:
        """Log density (draw,) and gradient (unknown, draw) at theta (unknown, draw)."""
        parts, slope = self.terms(theta)
        return parts[: len(self.program.terms)].sum(axis=0) + self.program.offset, slope


def state_at(theta: Values, network: Network) -> State:
    """All that the density computes on its way, at draws theta (draw, unknown); arrays (draw, ...)."""
    program, where = record_state(network)
    parts = Machine(program).values(theta.T)
    return State(**{name: parts[rows].T.reshape(len(theta), *shape) for name, (rows, shape) in where.items()})
