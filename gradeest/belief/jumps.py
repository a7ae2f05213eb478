"""Jumps: all unknowns of a fraction, or of what was pooled, are proposed anew at once, whatever the choices were.

Given what all share and the richness of the lots, a bench falls into small parts. Of each part and each configuration
of its choices the draws so far give a regression on what it shares; a mixture of Student's t about these is proposed,
and taken by Metropolis and Hastings' rule, each part by itself (normals would be too light: what is far out could not
leave). So a particle need not find its way from one side of a choice to the other, and on the same side it forgets
where it was (an independence sampler: Tierney 1994, Ann. Stat. 22:1701).
Unknowns that a configuration leaves idle are drawn from their idle density, which is known exactly.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise, product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gradeest.belief.blocks import Blocks
from gradeest.belief.elementary import exp_row, log_row
from gradeest.belief.listing import compiled, part_of_compiled
from gradeest.belief.machine import cores, deal
from gradeest.belief.network import Network
from gradeest.belief.picking import configuration_weights, members

Index = NDArray[np.int64]
Values = NDArray[np.float64]
LEAST_DRAWS = 1.0  # in a configuration, before it is proposed: from one all particles may have to go there
MOST_CONFIGURATIONS = 32  # of one part that are proposed: the likeliest
RIDGE = 5.0  # draws' worth of a prior that nothing depends on what is shared
TYPICAL = 0.5  # draws' worth, for each unknown, of a prior that a configuration is as wide as the likeliest
UNTOLD = 3.0  # draws' worth of a prior that an unknown is as wide as a standard normal
MOST_DRAWS = 2_000  # that regressions are made from
FREEDOM = 8.0  # degrees, of Student's t
SOME_DRAWS = 96  # that one thread proposes together


@dataclass(frozen=True)
class Jumps:
    """Proposals of all parts, flat: begins of every part's or configuration's stretch, and what stands there."""

    parts: Blocks
    members: tuple[Index, Index]  # begins by part, unknowns
    shared: tuple[Index, Index]  # begins by part, unknowns that the regressions are on
    configurations: Index  # begins by part
    ln_share: Values  # (configuration,), the densities' constants in it
    share: Values  # (configuration,) cumulative within a part
    used: tuple[Index, Index]  # begins by configuration, places among the part's members
    idle: tuple[Index, Index, Values, Values]  # begins, places, centres, standard deviations
    regression: tuple[Index, Values]  # begins, coefficients (1 + shared, used)
    root: tuple[Index, Values]  # begins, lower Cholesky factors (used, used)

    def propose(self, theta: Values, new: Values, rng: np.random.Generator) -> Values:
        """New draws into `new` (unknown, draw); ln q(old) - ln q(new) of every part, (part, draw)."""
        gain = np.zeros((self.parts.count, theta.shape[1]))
        np.copyto(new, theta)
        normals = rng.normal(size=(len(self.members[1]), theta.shape[1]))
        stretch = np.sqrt(FREEDOM / rng.chisquare(FREEDOM, size=gain.shape))
        learned = (
            self.members, self.shared, self.configurations, self.ln_share, self.share, self.used, self.idle,
            self.regression, self.root,
        )  # fmt: skip
        chance = (normals, stretch, rng.uniform(size=gain.shape))

        def some(start: int, lanes: int) -> None:
            _propose(learned, theta, chance, new, gain, start, lanes)

        deal(theta.shape[1], SOME_DRAWS, cores(), some)
        return gain


@compiled
def _propose(learned, theta, chance, new, gain, begin, lanes):  # type: ignore[no-untyped-def]
    """So many draws from `begin` on, a row of them at a time."""
    of, shared, cfgs, ln_share, share, used, idle, regression, root = learned
    most, widest = 1, 1
    for p in range(len(cfgs) - 1):
        most = max(most, used[0][cfgs[p + 1]] - used[0][cfgs[p]])
        widest = max(widest, of[0][p + 1] - of[0][p])
    means, gap = np.empty((most, lanes)), np.empty((widest, lanes))
    ln_q, work = np.empty((MOST_CONFIGURATIONS, lanes)), np.zeros((4, lanes))
    bits = work.view(np.int64)
    for p in range(len(cfgs) - 1):
        if cfgs[p] == cfgs[p + 1]:
            continue
        own, start, low = of[0][p], used[0][cfgs[p]], -1.0
        for c in range(cfgs[p], cfgs[p + 1]):
            high = share[c] if c + 1 < cfgs[p + 1] else 2.0
            mean = used[0][c] - start
            _expect(shared, p, c, used, regression, theta, begin, lanes, means, mean)
            _draw(learned, chance, p, c, means, mean, low, high, new, begin, lanes, gap)
            low = high
        for sign in range(2):
            where, count = new if sign else theta, cfgs[p + 1] - cfgs[p]
            for c in range(cfgs[p], cfgs[p + 1]):
                _score(of, own, c, used, idle, root, where, begin, lanes, means, used[0][c] - start, gap, work, bits)
                for i in range(lanes):
                    ln_q[c - cfgs[p], i] = ln_share[c] - work[1, i]
            _mix(ln_q, count, lanes, work, bits)
            for i in range(lanes):
                gain[p, begin + i] += -work[1, i] if sign else work[1, i]


@part_of_compiled
def _draw(learned, chance, p, c, means, mean, low, high, new, begin, lanes, gap):  # type: ignore[no-untyped-def]
    """New unknowns of part p for the draws whose uniform number says configuration c."""
    of, _, _, _, _, used, idle, _, root = learned
    normals, stretch, uniform = chance
    own, count, w = of[0][p], used[0][c + 1] - used[0][c], root[0][c]
    for r in range(count):
        to = of[1][own + used[1][used[0][c] + r]]
        for i in range(lanes):
            gap[0, i] = 0.0
        for s in range(r + 1):
            by = root[1][w + r * count + s]
            for i in range(lanes):
                gap[0, i] += by * normals[own + s, begin + i]
        for i in range(lanes):
            value, u = means[mean + r, i] + stretch[p, begin + i] * gap[0, i], uniform[p, begin + i]
            new[to, begin + i] = value if low < u and u <= high else new[to, begin + i]
    for k in range(idle[0][c], idle[0][c + 1]):
        to, centre, sd = of[1][own + idle[1][k]], idle[2][k], idle[3][k]
        row = own + count + k - idle[0][c]
        for i in range(lanes):
            value, u = centre + sd * normals[row, begin + i], uniform[p, begin + i]
            new[to, begin + i] = value if low < u and u <= high else new[to, begin + i]


@part_of_compiled
def _mix(ln_q, count, lanes, work, bits):  # type: ignore[no-untyped-def]
    """work[1] = ln of the sum of so many densities; their rows are used up."""
    for i in range(lanes):
        work[1, i], work[2, i] = ln_q[0, i], 0.0
    if count == 1:
        return
    for c in range(1, count):
        for i in range(lanes):
            work[1, i] = max(work[1, i], ln_q[c, i])
    for c in range(count):
        for i in range(lanes):
            ln_q[c, i] -= work[1, i]
        exp_row(ln_q, c, work, bits, lanes)
        for i in range(lanes):
            work[2, i] += ln_q[c, i]
    log_row(work, 2, work, 3, work, bits, lanes)
    for i in range(lanes):
        work[1, i] += work[3, i]


@part_of_compiled
def _expect(shared, p, c, used, regression, theta, begin, lanes, means, mean):  # type: ignore[no-untyped-def]
    """Means of the unknowns that configuration c of part p uses, into the rows of `means` from `mean` on."""
    first, on = shared[0][p], shared[0][p + 1] - shared[0][p]
    count, rows = used[0][c + 1] - used[0][c], regression[0][c]
    for r in range(count):
        by = regression[1][rows + r]
        for i in range(lanes):
            means[mean + r, i] = by
        for k in range(on):
            by, x = regression[1][rows + (k + 1) * count + r], shared[1][first + k]
            for i in range(lanes):
                means[mean + r, i] += by * theta[x, begin + i]


@part_of_compiled
def _score(of, own, c, used, idle, root, where, begin, lanes, means, mean, gap, work, bits):  # type: ignore[no-untyped-def]
    """work[1] = -ln of the density of configuration c where the draws are, up to its constant."""
    count, w = used[0][c + 1] - used[0][c], root[0][c]
    for i in range(lanes):
        work[2, i] = 1.0
    for r in range(count):
        x = of[1][own + used[1][used[0][c] + r]]
        for i in range(lanes):
            gap[r, i] = where[x, begin + i] - means[mean + r, i]
        for s in range(r):
            by = root[1][w + r * count + s]
            for i in range(lanes):
                gap[r, i] -= by * gap[s, i]
        by = 1.0 / root[1][w + r * count + r]
        for i in range(lanes):
            gap[r, i] *= by
            work[2, i] += gap[r, i] * gap[r, i] / FREEDOM
    log_row(work, 2, work, 1, work, bits, lanes)
    by = 0.5 * (FREEDOM + count)
    for i in range(lanes):
        work[1, i] *= by
    for k in range(idle[0][c], idle[0][c + 1]):
        x, centre, by = of[1][own + idle[1][k]], idle[2][k], 1.0 / idle[3][k]
        for i in range(lanes):
            value = (where[x, begin + i] - centre) * by
            work[1, i] += 0.5 * value * value


def fit_jumps(network: Network, parts: Blocks, touched: NDArray[np.bool_], theta: Values, log_weights: Values) -> Jumps:
    """Proposals learned from draws.

    Parameters: touched (part, unknown), what each part's terms depend on; theta (unknown, draw); log_weights (draw,
    configuration) of the network's configurations.
    """
    if theta.shape[1] > MOST_DRAWS:
        some = np.linspace(0, theta.shape[1] - 1, MOST_DRAWS).astype(int)
        theta, log_weights = theta[:, some], log_weights[some]
    weights = configuration_weights(network.configurations, log_weights)
    choices_of = _Sides(network, parts, weights)
    flat = _Flat()
    number = -1
    for stack in parts.stacks:
        for unknowns in stack:
            number += 1
            on = np.flatnonzero(touched[number] & (parts.of_unknown < 0))
            x = np.concatenate([np.ones((theta.shape[1], 1)), theta[on].T], axis=1)
            flat.add_part(unknowns, on)
            for share, idle in choices_of.configurations(number):
                flat.add_configuration(unknowns, x, theta[unknowns].T, share, idle)
            flat.end_part()
    return flat.jumps(parts)


class _Sides:
    """The joint configurations of every part's choices, and which unknowns each leaves idle."""

    def __init__(self, network: Network, parts: Blocks, weights: Values) -> None:
        self.network, self.weights, self.parts = network, weights, parts
        self.groups_of: dict[int, set[int]] = {}
        self.copies_of: dict[int, list[tuple[int, float, float, tuple[int, ...], tuple[int, ...]]]] = {}
        conf = network.configurations
        position = {key: i for i, key in enumerate(conf.choices)}
        self.rows = members(conf)
        group_of = {}
        for g, rows in enumerate(self.rows):
            for choice in np.flatnonzero(conf.values[rows[0]] >= 0):
                group_of[int(choice)] = g
        for name, index, choices, outcome in network.copies:
            unknown = network.layout[name].start + int(index)
            part = int(parts.of_unknown[unknown])
            where = tuple(position[key] for key in choices)
            centre, sd = (float(network.arrays[f"{name}_{s}"][index]) for s in ("pm", "ps"))
            self.copies_of.setdefault(part, []).append((unknown, centre, sd, where, tuple(outcome)))
            self.groups_of.setdefault(part, set()).update(group_of[c] for c in where if c in group_of)

    def configurations(self, part: int) -> list[tuple[Values, dict[int, tuple[float, float]]]]:
        """Of each joint configuration: its probability at every draw, and its idle unknowns' centre and sd."""
        groups = sorted(self.groups_of.get(part, ()))
        likely = [
            [row for row in self.rows[g] if self.weights[:, row].sum() >= LEAST_DRAWS] or list(self.rows[g])[:1]
            for g in groups
        ]
        found = []
        for rows in product(*likely):
            share = np.ones(len(self.weights))
            values = np.full(len(self.network.configurations.choices), -1)
            for row in rows:
                share = share * self.weights[:, row]
                own = self.network.configurations.values[row]
                values = np.where(own >= 0, own, values)
            if share.sum() >= LEAST_DRAWS or len(groups) == 0:
                idle = {
                    unknown: (centre, sd) for unknown, centre, sd, where, outcome in self.copies_of.get(part, ())
                    if any(values[c] != o for c, o in zip(where, outcome, strict=True))
                }  # fmt: skip
                found.append((share, idle))
        return sorted(found, key=lambda each: -float(each[0].sum()))[:MOST_CONFIGURATIONS]


class _Flat:
    """Collects `Jumps`' stretches."""

    def __init__(self) -> None:
        self.lists: dict[str, list[NDArray[Any]]] = {}
        self.begins: dict[str, list[int]] = {}
        self.weights: list[float] = []
        self.constants: list[float] = []
        self.first = 0
        self.typical: dict[int, float] = {}  # variance of an unknown in the likeliest configuration that uses it

    def add(self, name: str, *values: NDArray[Any]) -> None:
        self.begins.setdefault(name, [0])
        self.begins[name].append(self.begins[name][-1] + len(values[0]))
        for n, each in enumerate(values):
            self.lists.setdefault(f"{name}{n}", []).append(each)

    def add_part(self, unknowns: Index, on: Index) -> None:
        self.add("members", unknowns)
        self.add("shared", on)

    def add_configuration(
        self, unknowns: Index, x: Values, y: Values, share: Values, idle: dict[int, tuple[float, float]]
    ) -> None:
        is_idle = np.array([int(u) in idle for u in unknowns])
        used = np.flatnonzero(~is_idle)
        total = share.sum()
        heavy = x * share[:, None]
        ridge = np.full(x.shape[1], RIDGE)
        ridge[0] = 1e-6 * total
        coefficients = np.linalg.solve(heavy.T @ x + np.diag(ridge), heavy.T @ y[:, used])
        rest = y[:, used] - x @ coefficients
        cover = (rest * share[:, None]).T @ rest / total
        own = ((total * np.diag(cover) + UNTOLD) / (total + UNTOLD)).clip(1e-8)
        typical = np.array([self.typical.setdefault(int(u), v) for u, v in zip(unknowns[used], own, strict=True)])
        prior = TYPICAL * len(used)
        cover = (total * cover + prior * np.diag(typical)) / (total + prior)
        root = np.linalg.cholesky(cover)
        centres = np.array([idle[int(u)] for u in unknowns[is_idle]]).reshape(-1, 2)
        self.add("used", used)
        self.add("idle", np.flatnonzero(is_idle), centres[:, 0], centres[:, 1])
        self.add("regression", coefficients.ravel())
        self.add("root", root.ravel())
        self.weights.append(float(total) / len(y))
        half = 0.5 * len(used)
        of_t = math.lgamma(0.5 * FREEDOM + half) - math.lgamma(0.5 * FREEDOM) + half * math.log(2 / FREEDOM)
        self.constants.append(of_t - float(np.log(np.diag(root)).sum() + np.log(centres[:, 1]).sum()))

    def end_part(self) -> None:
        own = np.sqrt(np.array(self.weights[self.first :]))  # a side that few have found yet must be found soon
        self.weights[self.first :] = list(own / own.sum())
        self.first = len(self.weights)
        self.add("configurations", np.arange(len(own)))

    def _stretches(self, name: str, width: int = 1) -> tuple[Index, tuple[NDArray[Any], ...]]:
        """Begins, and the values of every kind, joined."""
        joined = (np.concatenate([np.zeros(0), *self.lists.get(f"{name}{n}", [])]) for n in range(width))
        return np.array(self.begins.get(name, [0]), dtype=np.int64), tuple(joined)

    def _places(self, name: str) -> tuple[Index, Index]:
        begins, (places,) = self._stretches(name)
        return begins, places.astype(np.int64)

    def _numbers(self, name: str) -> tuple[Index, Values]:
        begins, (numbers,) = self._stretches(name)
        return begins, numbers

    def jumps(self, parts: Blocks) -> Jumps:
        """All that was added."""
        configurations, _ = self._stretches("configurations")
        shares = np.array(self.weights)
        sums = [np.cumsum(shares[a:b]) for a, b in pairwise(configurations)]
        idle, (places, centres, sds) = self._stretches("idle", 3)
        return Jumps(
            parts, self._places("members"), self._places("shared"), configurations,
            np.log(shares) + np.array(self.constants), np.concatenate([np.zeros(0), *sums]), self._places("used"),
            (idle, places.astype(np.int64), centres, sds), self._numbers("regression"), self._numbers("root"),
        )  # fmt: skip
