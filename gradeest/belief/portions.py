"""Portions of fractions: which amounts of metal the balance speaks of, and under which choices."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from gradeest.belief.choices import pad_rows
from gradeest.belief.evidence import BatchMetal, StreamPart
from gradeest.belief.guess import rough_stream_g, rough_x
from gradeest.belief.network import BACKWARD, AnchoredCell, failed, floats, integers, pad_floats, switch
from gradeest.belief.streams import adding, count_stream_values, read_off, row_of

if TYPE_CHECKING:
    from gradeest.belief.assembly import Assembly

ANCHORED_SPLIT = 0.3  # first spread of a log-ratio that another weight all but fixes
NOBODY, TRACES = -1, -2  # in place of the portion that another counts from
DEEPEST = 6  # level of a batch that another still counts from


def list_weighed(net: Assembly) -> None:
    """Portions of batches read backwards, and the log-ratios that split their metal.

    A pooled batch keeps a copy of its log-ratios for every outcome of the choices that move them: one copy for all
    would have to jump between a narrow and a wide place, which no trajectory does. Where another batch holds a portion
    of a member too, this one is expected to hold as much per kg: log-ratios count from there, so that they stay near
    zero wherever the other batch's unknowns go; one that holds only traces counts from those. Batches of one fraction
    come first, then pooled ones, each counting from those before it; the depth of that chain is the level (density.py).
    A batch whose streams a later one weighed comes after that one, and a level deeper: what left it is then known.
    """
    table = _Weighed(net)
    waiting = dict(enumerate(net.items[: net.backward]))
    after = {n: {later.batch_metal for later, _ in read_off(net, item)} for n, item in waiting.items()}
    known: dict[int, int] = {}  # urgencies that nothing has changed since
    taking: dict[tuple[str, str], list[int]] = {}
    for n, item in waiting.items():
        for address in item.portions:
            taking.setdefault((address, item.metal), []).append(n)
    while waiting:
        following, least = -1, math.inf
        for n, item in waiting.items():
            if not after[n] <= table.level.keys():
                continue
            if n not in known:
                known[n] = table.urgency(item)
            if known[n] < least:
                following, least = n, known[n]
                if not least:
                    break
        taken = waiting.pop(following)
        table.add(following, taken)
        for address in taken.portions:
            for n in taking[address, taken.metal]:
                known.pop(n, None)
    net.arrays |= {
        "wp_group": integers(table.group), "wp_side": integers(table.side), "wp_ratio": integers(table.ratio),
        "w_portions": pad_rows(table.rows, len(table.group)), "v_scale": floats(table.scale),
        "wp_base": floats(table.base), "wp_anchored": integers(a != NOBODY for a in table.anchor),
        "wp_anchor": integers(len(table.group) if a == TRACES else max(a, 0) for a in table.anchor),
        "v_copies": pad_rows(table.copy_rows, len(table.scale)),
        "v_ln_step": floats(sum(math.log(table.scale[v]) for v in row) for row in table.copy_rows),
        "v_siblings": pad_rows(table.siblings, len(table.copy_rows)),
        "wp_back": pad_rows(table.back, len(table.group)), "wp_ln_whole": pad_floats(table.ln_whole),
        "v_pm": np.zeros(len(table.scale)), "v_ps": np.ones(len(table.scale)),
    }  # fmt: skip
    net.unknowns["v"] = len(table.scale)
    net.levels = max(table.level.values(), default=0)
    net.n_weighed, net.n_copies = len(table.group), len(table.copy_rows)


class _Weighed:
    """The table of weighed portions while it grows, one group of rows per batch and outcome of its choices."""

    def __init__(self, net: Assembly) -> None:
        self.net = net
        self.group: list[int] = []
        self.side: list[int] = []
        self.ratio: list[int] = []
        self.base: list[float] = []
        self.anchor: list[int] = []
        self.rows: list[list[int]] = []
        self.back: list[list[int]] = []  # streams of the batch that later weights tell of, and what of each was taken
        self.ln_whole: list[list[float]] = []
        self.scale: list[float] = []  # of every log-ratio
        self.level: dict[tuple[str, str], int] = {}  # of every batch metal so far
        self.copy_rows: list[list[int]] = []
        self.siblings: list[list[int]] = []

    def urgency(self, item: BatchMetal) -> int:
        """Which batch is next (the lowest): where every member is told by others, the sum is told too, by no unknown.

        So a pooled batch is taken while one of its members is still open, the others told.
        """
        if item.members == 1:
            return 0
        told = len(self._anchors(item))
        return 3 if told == item.members else 1 if told else 2

    def add(self, n: int, item: BatchMetal) -> None:
        """The portions of batch metal number `n`."""
        choices = self.net.split_choices(item)
        first = len(self.copy_rows)
        self.anchors = {} if item.members == 1 else self._anchors(item)
        counted_from = [*self.anchors.values(), *(later for later, _ in adding(self.net, item))]
        depth = 1 + max((self.level[one.batch_metal] for one in counted_from), default=-1)
        self.level[item.batch_metal] = max(depth, int(item.members > 1))
        for outcome in self.net.graph.values(choices):
            copies = self._outcome(n, item, choices, outcome)
            if copies:
                self.net.v_rows.setdefault(item.batch_metal, {})[outcome] = len(self.copy_rows)
                self.copy_rows.append(copies)
        self.siblings += [list(range(first, len(self.copy_rows)))] * (len(self.copy_rows) - first)

    def _anchors(self, item: BatchMetal) -> dict[int, BatchMetal]:
        """The batch that a pooled one's portion of a cell counts from, by cell: one run alone, or the shallowest."""
        found = {}
        for address in item.portions:
            cell = self.net.cell_of[address, item.metal]
            others = [one for one in self.net.weights_of[cell] if one.batch_metal in self.level]
            others = [one for one in others if self.level[one.batch_metal] < DEEPEST]
            if others:
                found[cell] = min(others, key=lambda one: self.level[one.batch_metal])
        return found

    def _expected(self, item: BatchMetal, cell: int, chosen: Mapping[Hashable, int]) -> tuple[int, float]:
        """The portion that this one counts from under an outcome, and ln of the ratio of their masses.

        TRACES: a fixed amount, and its ln [g]; NOBODY: nothing tells, and ln of what the rows say, by any measure.
        """
        net, address, key = self.net, self.net.cells[cell].address, switch(self.net.cells[cell])
        other = self.anchors.get(cell)
        if other is None and item.members > 1 and chosen.get(key, net.graph.fixed.get(key, 0)):
            return TRACES, math.log(item.portions[address] / 1000) + net.ln_trace(cell)
        if other is None:
            return NOBODY, math.log(item.portions[address]) + net.scales[cell].ln_median
        outcome = tuple(chosen.get(key, net.graph.fixed.get(key, 0)) for key in net.split_choices(other))
        return net.wp[other.batch, cell][outcome], math.log(item.portions[address] / other.portions[address])

    def _outcome(self, n: int, item: BatchMetal, choices: tuple[Hashable, ...], outcome: tuple[int, ...]) -> list[int]:
        net = self.net
        members: list[int | StreamPart] = [net.cell_of[address, item.metal] for address in item.portions]
        chosen = dict(zip(choices, outcome, strict=True))
        expected = [self._expected(item, c, chosen) for c in members if isinstance(c, int)]
        members += item.streams
        expected += [(NOBODY, math.log(1000 * rough_stream_g(part, item.metal, net))) for part in item.streams]
        untold = _ln_sum([value for told, value in expected if told == NOBODY])
        group, later = len(self.rows), adding(net, item)
        back = [net.ws[part.address, item.metal][_of(net.split_choices(one), chosen)] for one, part in later]
        self.rows.append(list(range(len(self.group), len(self.group) + len(members))))
        copies = []
        for j, (member, (told, value)) in enumerate(zip(members, expected, strict=True)):
            if isinstance(member, int):
                net.wp.setdefault((item.batch, member), {})[outcome] = len(self.group)
            else:
                net.ws.setdefault((member.address, item.metal), {})[outcome] = len(self.group)
            self.group.append(group)
            self.side.append(n + chosen[failed(item)] * net.backward)
            self.anchor.append(told)
            self.base.append(value - untold if told == NOBODY else value)
            self.back.append(back)
            self.ln_whole.append([-math.log(part.share) for _, part in later])
            self.ratio.append(0 if j == 0 else 1 + len(self.scale))
            if j:
                copies.append(len(self.scale))
                net.copies.append(("v", len(self.scale), choices, outcome))
                self.scale.append(self._spread(item, [(members[i], expected[i][0]) for i in (0, j)]))
        return copies

    def _spread(self, item: BatchMetal, pair: list[tuple[int | StreamPart, int]]) -> float:
        """First spread of a log-ratio: of two untold members what their rows say, else what is left open."""
        told = [who for _, who in pair]
        if told == [NOBODY, NOBODY]:
            sds = [
                self.net.scales[one].sd if isinstance(one, int) else row_of(self.net, one.address, item.metal)[1]
                for one, _ in pair
            ]
            return min(math.hypot(*sds), 1.5)
        traces = [self.net.k["grade.trace_log_sd"]] * told.count(TRACES)
        return math.hypot(ANCHORED_SPLIT, *traces)


def _of(choices: tuple[Hashable, ...], chosen: Mapping[Hashable, int]) -> tuple[int, ...]:
    """The values of some choices among those of more."""
    return tuple(chosen[key] for key in choices)


def list_anchored(net: Assembly) -> None:
    """Cells that weights fix: their portions under every outcome of their local choices."""
    count = net.n_weighed
    anchor: list[int] = []
    ln_ratio: list[float] = []
    which: list[int] = []
    spread: list[float] = []
    portions: list[list[int]] = []
    alphas: list[list[float]] = []
    owner: list[int] = []
    for c, cell in enumerate(net.cells):
        weights = net.weights_of[c]
        if not weights:
            continue
        first = weights[0]
        first_kg = first.portions[cell.address]
        others = [(i.batch, i.portions[cell.address]) for i in net.items_of[c] if i.role not in BACKWARD]
        if net.rest_kg(c):
            others.append(("rest", net.rest_kg(c)))
        start = len(spread)
        spread += [min(math.sqrt(1 / net.alpha(cell, kg) + 1 / net.alpha(cell, first_kg)), 1.0) for _, kg in others]
        rows: dict[tuple[int, ...], int] = {}
        for side in net.graph.values(net.local(c)):
            chosen = dict(zip(net.local(c), side, strict=True))
            weighed = [net.wp[i.batch, c][tuple(chosen[k] for k in net.split_choices(i))] for i in weights]
            beside = []
            for j, (name, kg) in enumerate(others):
                beside.append(count + len(anchor))
                net.values.setdefault((c, name), {})[side] = beside[-1]
                anchor.append(weighed[0])
                ln_ratio.append(math.log(kg / first_kg))
                which.append(start + j)
            for i, value in zip(weights, weighed, strict=True):
                net.values.setdefault((c, i.batch), {})[side] = value
            rows[side] = len(portions)
            portions.append(weighed + beside)
            masses = [i.portions[cell.address] for i in weights] + [kg for _, kg in others]
            alphas.append([net.alpha(cell, kg) for kg in masses] if len(masses) > 1 else [0.0])
            owner.append(c)
        net.anchored[c] = AnchoredCell(net.local(c), rows)
    net.cc_portions, net.cc_alphas, net.cc_owner = portions, alphas, owner
    net.free_base = count + len(anchor)
    scales = [net.scales[c] for c in owner]
    net.arrays |= {
        "an_anchor": integers(anchor), "an_ln_ratio": floats(ln_ratio), "an_beside": integers(which),
        "beside_scale": floats(spread), "cc_cell": integers(owner),
        "cc_ln_mass": floats(math.log(net.cells[c].dry_kg) for c in owner),
        "cc_ln_l": floats(math.log(s.limit) for s in scales),
        "cc_trace": floats(net.trace_x(c) for c in owner),
    }  # fmt: skip
    net.unknowns["beside"] = len(spread)


def list_free(net: Assembly) -> None:
    """Cells that no weight fixes: two sides each, and the split of their portions."""
    free = [c for c in range(len(net.cells)) if not net.weights_of[c]]
    net.free_index = {c: f for f, c in enumerate(free)}
    owner: list[int] = []
    ln_mass: list[float] = []
    split: list[int] = []
    alphas: list[float] = []
    spread: list[float] = []
    rows: list[list[int]] = []
    names: list[tuple[int, str]] = []
    for f, c in enumerate(free):
        cell = net.cells[c]
        parts = [(i.batch, i.portions[cell.address]) for i in net.items_of[c]]
        if parts and net.rest_kg(c):
            parts.append(("rest", net.rest_kg(c)))
        rows.append(list(range(len(owner), len(owner) + len(parts))))
        first = net.alpha(cell, parts[0][1]) if parts else 1.0
        for j, (name, kg) in enumerate(parts):
            names.append((c, name))
            owner.append(f)
            ln_mass.append(math.log(kg))
            alphas.append(net.alpha(cell, kg) if len(parts) > 1 else 0.0)
            split.append(0 if j == 0 else 1 + len(spread))
            if j:
                spread.append(min(math.sqrt(1 / first + 1 / net.alpha(cell, kg)), 1.0))
    for n, (c, name) in enumerate(names):
        allowed = net.graph.values(net.local(c))
        net.values[c, name] = {side: net.free_base + n + side[0] * len(names) for side in allowed}
    net.stream_base = net.free_base + 2 * len(names)
    net.no_value = net.stream_base + count_stream_values(net)
    guesses = [rough_x(c, net) for c in free]
    for f, c in enumerate(free):
        net.copies += [("x1", f, (switch(net.cells[c]),), (0,)), ("x0", f, (switch(net.cells[c]),), (1,))]
    net.arrays |= {
        "fp_free": integers(owner), "fp_ln_mass": floats(ln_mass), "fp_split": integers(split),
        "fp_alpha": floats(alphas),
        "split_scale": floats(spread), "free_portions": pad_rows(rows, len(owner)),
        "free_cell": integers(free), "free_ln_l": floats(math.log(net.scales[c].limit) for c in free),
        "free_ln_mass": floats(math.log(net.cells[c].dry_kg) for c in free),
        "free_trace": floats(net.trace_x(c) for c in free),
        "x1_pm": np.zeros(len(free)), "x1_ps": np.ones(len(free)),
        "x0_pm": np.zeros(len(free)), "x0_ps": np.ones(len(free)),
        "x1_ref": floats(x for x, _ in guesses), "x1_scale": floats(s for _, s in guesses),
        "cc_portions": pad_rows(net.cc_portions, net.no_value),
        "cc_alpha": pad_floats(net.cc_alphas),
        "cc_best": floats(_ln_dirichlet_top(row) for row in net.cc_alphas),
        "fp_best": sum(_ln_dirichlet_top([alphas[i] for i in row]) for row in rows),
    }  # fmt: skip
    net.unknowns |= {"split": len(spread), "x1": len(free), "x0": len(free)}


def _ln_sum(values: Sequence[float]) -> float:
    top = max(values, default=0.0)
    return top + math.log(sum(math.exp(v - top) for v in values)) if values else 0.0


def _ln_dirichlet_top(alphas: Sequence[float]) -> float:
    """sum a ln(a / sum a): the largest value of the portions' term, taken off so that numbers stay small."""
    total = sum(alphas)
    return sum(a * math.log(a / total) for a in alphas if a > 0)
