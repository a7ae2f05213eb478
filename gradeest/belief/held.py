"""What streams that went on are held against, row by row, and the streams that run forward (`streams.py`).

A row of what is held back belongs to a batch read backwards, one sort of stream and one outcome of the choices that
decide it. Of its base B,

    set aside    B = what was kept, or of some routes what was not reached;     K = B, or (B - sum S) / (1 + sum e^w)
    wiped up     B = the spill;                                                 K = B - S
    left over    B = what did not reach the product and was not set aside;      K = (B - sum S) / sum e^w

with S the streams that later weights tell and w the ln odds of those that they do not tell, every told stream adds
N(ln S - ln K; row) and, where it is a part of B, the change of variables 1 / (1 - sum S / B).
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from gradeest.belief.choices import pad_rows
from gradeest.belief.evidence import BatchMetal, StreamPart, recovers_of_all
from gradeest.belief.network import BACKWARD, Decided, failed, floats, integers, pad_floats
from gradeest.belief.ops import NOTHING, Array
from gradeest.belief.places import PLACES
from gradeest.belief.spots import bounded_logit, limit_row
from gradeest.belief.streams import (
    charge_rows,
    forward,
    goes_on,
    is_share_of_rest,
    kept_choices,
    read_off,
    row_of,
    stream_choices,
    takers,
    told_row,
)
from gradeest.records.domain import LEFT_OVER

if TYPE_CHECKING:
    from gradeest.belief.assembly import Assembly

Outcome = tuple[int, ...]
Told = Sequence[tuple[BatchMetal, StreamPart]]
NO_SPREAD = 1e30  # sd of a padded entry: it weighs nothing
LEAST_LEFT = 1e-3  # ln of what streams may hold of a base stays that far below 0: a steeper wall stops trajectories


def list_held(net: Assembly) -> None:
    """Rows of what batches read backwards held back, where a stream of theirs went on."""
    kept, placed = _Held(net), _Held(net)
    for n, item in enumerate(net.items[: net.backward]):
        batch, told = net.bench.batches[item.batch], read_off(net, item)
        taken = [part for _, part in takers(net, item)]
        if goes_on(net, item):
            rest = is_share_of_rest(net, item)
            own = asides_of(net, item) if rest else []
            sides = [(n + (2 * rest + side) * net.backward, 0) for side in (0, 1)]
            mine = [pair for pair in told if pair[1].sort == "set-aside"]
            net.kept_rows[item.batch_metal] = kept.add(item, sides, mine, [0, *own], is_part=rest)
        for stream in batch.streams:
            if stream.sort == "wiped-up" and any(part.address == stream.address for part in taken):
                spill = 1 + net.losses_of[item.batch][_loss_of(net, stream.address)]
                mine = [pair for pair in told if pair[1].address == stream.address]
                sides = [(n + side * net.backward, spill) for side in (0, 1)]
                net.wiped_rows[stream.address, item.metal] = kept.add(item, sides, mine, [0], is_part=True)
    for n, item in enumerate(net.items[: net.backward]):
        if item.leaves:
            net.place_rows[item.batch_metal] = _place_rows(net, n, item, placed)
    kept.store("kept")
    placed.store("place")
    net.n_kept, net.n_placed = len(kept.base), len(placed.base)


def _place_rows(net: Assembly, n: int, item: BatchMetal, placed: _Held) -> Decided:
    """Rows of what was left over: of the rest, or of what streams set aside of it left."""
    told = [pair for pair in read_off(net, item) if pair[1].sort in LEFT_OVER]
    own = {part.sort for _, part in told}
    start = net.rest_of[net.items.index(item)] * len(PLACES)
    odds = [start + k for k, place in enumerate(PLACES) if place not in own]
    within = net.kept_rows.get(item.batch_metal) if is_share_of_rest(net, item) else None
    if within is None:
        sides = [(n + side * net.backward, 0) for side in (0, 1)]
        return placed.add(item, sides, told, odds, is_part=True)
    bases = {outcome: 2 * net.backward + row for outcome, row in within[1].items()}
    return placed.add(item, [], told, odds, is_part=True, bases=bases)


def asides_of(net: Assembly, item: BatchMetal) -> list[int]:
    """Unknown odds of what a batch set aside."""
    streams = (one for one in net.bench.batches[item.batch].streams if one.sort == "set-aside")
    return [net.aside_of[s.address, item.metal] for s in streams if (s.address, item.metal) in net.aside_of]


def _loss_of(net: Assembly, address: str) -> int:
    """Number of the loss of its batch that a stream was wiped up of."""
    stream = net.bench.stream(address)
    return [loss.event for loss in net.bench.batches[stream.batch].losses].index(stream.event)


class _Held:
    """The rows while they are listed."""

    def __init__(self, net: Assembly) -> None:
        self.net = net
        self.base: list[int] = []
        self.plus: list[int] = []
        self.is_part: list[int] = []
        self.told: list[list[int]] = []
        self.ln_whole: list[list[float]] = []
        self.rows: list[list[tuple[float, float]]] = []
        self.odds: list[list[int]] = []

    def add(
        self, item: BatchMetal, sides: Sequence[tuple[int, int]], told: Told, odds: list[int], *, is_part: bool,
        bases: Mapping[Outcome, int] | None = None,
    ) -> Decided:  # fmt: skip
        """Rows of one batch metal; returns its choices and the row of each outcome.

        Parameters: sides, where the base stands of an ordinary and of a failed run, and the spill that is added to it;
        or bases, where it stands by outcome.
        """
        net, choices = self.net, kept_choices(self.net, item)
        table: dict[Outcome, int] = {}
        for outcome in net.graph.values(choices):
            chosen = dict(zip(choices, outcome, strict=True))
            table[outcome] = len(self.base)
            base, plus = (bases[outcome], 0) if bases is not None else sides[chosen[failed(item)]]
            self.base.append(base)
            self.plus.append(plus)
            self.is_part.append(int(is_part))
            self.told.append([told_row(net, other, part, chosen) for other, part in told])
            self.ln_whole.append([-math.log(part.share) for _, part in told])
            self.rows.append([row_of(net, part.address, item.metal) for _, part in told])
            self.odds.append(odds)
        return choices, table

    def store(self, name: str) -> None:
        net = self.net
        sd = pad_floats([[s for _, s in row] for row in self.rows])
        nothing = 1 + len(net.arrays["aside_sd"]) if name == "kept" else len(PLACES) * len(net.rest_of)
        net.arrays |= {
            f"{name}_base": integers(self.base), f"{name}_plus": integers(self.plus),
            f"{name}_part": integers(self.is_part), f"{name}_told": pad_rows(self.told, net.n_weighed),
            f"{name}_ln_whole": pad_floats(self.ln_whole),
            f"{name}_centre": pad_floats([[c for c, _ in row] for row in self.rows]),
            f"{name}_sd": np.where(sd > 0, sd, NO_SPREAD),
            f"{name}_ln_sd": floats(sum(math.log(s) for _, s in row) for row in self.rows),
            f"{name}_odds": pad_rows(self.odds, nothing),
        }  # fmt: skip


def list_forward(net: Assembly) -> None:
    """Streams that run forward: from what their batch held back, or from all that went into it."""
    table = _Forward(net)
    for item, part in forward(net):
        table.add(item, part)
    table.store()


class _Forward:
    """Their rows while they are listed; `ext` are the ln odds of streams set aside, and behind them those of places."""

    def __init__(self, net: Assembly) -> None:
        self.net = net
        self.asides = 2 + len(net.arrays["aside_sd"])  # with the zero of what is kept before, and nothing behind
        names = ("kept", "told", "odds", "share", "bm", "spill", "logit")
        self.cols: dict[str, list[Any]] = {name: [] for name in names}
        self.portions: list[list[int]] = []
        self.aside: list[list[int]] = []
        self.among: list[list[int]] = []
        self.bound: dict[str, list[Any]] = {name: [] for name in ("row", "bm", "gone", "centre", "sd", "e")}
        self.levels: dict[tuple[str, str], int] = {}

    def add(self, item: BatchMetal, part: StreamPart) -> None:
        net, choices = self.net, stream_choices(self.net, part, item.metal)
        is_told = item.role in BACKWARD
        before = [] if is_told else [self.levels[one.address, item.metal] for one in item.streams]
        self.levels[part.address, item.metal] = 1 + max(before, default=-1)
        values: dict[Outcome, int] = {}
        for outcome in net.graph.values(choices):
            chosen = dict(zip(choices, outcome, strict=True))
            values[outcome] = net.stream_base + len(self.portions)
            if is_told:
                self._of_held(item, part, chosen)
            else:
                self._of_charge(item, part, chosen)
            self.cols["told"].append(int(is_told))
            self.cols["share"].append(math.log(part.share))
        net.stream_values[part.address, item.metal] = choices, values

    def _odds(self, item: BatchMetal, part: StreamPart) -> int:
        if part.sort in LEFT_OVER:
            start = self.net.rest_of[self.net.items.index(item)] * len(PLACES)
            return self.asides + start + PLACES.index(part.sort)
        return self.net.aside_of[part.address, item.metal]

    def _of_held(self, item: BatchMetal, part: StreamPart, chosen: Mapping[Hashable, int]) -> None:
        """From the row of what a batch read backwards held back."""
        net = self.net
        if part.sort in LEFT_OVER:
            choices, table = net.place_rows[item.batch_metal]
        elif part.sort == "wiped-up":
            choices, table = net.wiped_rows[part.address, item.metal]
        else:
            choices, table = net.kept_rows[item.batch_metal]
        row = table[tuple(chosen[key] for key in choices)]
        self._row(row + (net.n_kept if part.sort in LEFT_OVER else 0), self._odds(item, part))
        self._base([], [0], [0], len(net.items), 0, -1)

    def _of_charge(self, item: BatchMetal, part: StreamPart, chosen: Mapping[Hashable, int]) -> None:
        """From all that went into a batch that is not read backwards."""
        net, n = self.net, self.net.items.index(item)
        portions, asides = charge_rows(net, item, chosen), [0, *asides_of(net, item)]
        none = net.n_kept + net.n_placed
        if part.sort == "set-aside":
            self._row(none, self._odds(item, part))
            self._base(portions, asides, [0], len(net.items), 0, -1)
        elif part.sort == "wiped-up":
            own = self._odds(item, part)
            asides = [0] if recovers_of_all(item.route, net.catalogue) else asides
            self._row(none, own)
            spill = 1 + net.losses_of[item.batch][_loss_of(net, part.address)]
            self._base(portions, asides, [0, own], len(net.items), spill, -1)
        elif item.role == "X":  # its route recovers none of the metal: all of it is there
            self._row(none, 0)
            self._base(portions, asides, [0], n, 0, -1)
        else:
            start = self.asides + net.rest_of[n] * len(PLACES)
            self._row(none, self._odds(item, part))
            side = chosen[failed(item)]
            e = net.e_index[failed(item)] + side * len(net.e_index)
            if item.role == "N":
                row = (len(self.portions), *limit_row(net, n, item, e, is_failed=bool(side)))
                for name, value in zip(self.bound, row, strict=True):
                    self.bound[name].append(value)
                e = 2 * len(net.e_index) + len(self.bound["row"]) - 1
            self._base(portions, asides, [start + k for k in range(len(PLACES))], n, 0, e)

    def _row(self, kept: int, odds: int) -> None:
        self.cols["kept"].append(kept)
        self.cols["odds"].append(odds)

    def _base(
        self, portions: list[int], aside: list[int], among: list[int], bm: int, spill: int, logit: int
    ) -> None:  # fmt: skip
        self.portions.append(portions)
        self.aside.append(aside)
        self.among.append(among)
        self.cols["bm"].append(bm)
        self.cols["spill"].append(spill)
        self.cols["logit"].append(logit)

    def store(self) -> None:
        net, cols, bound = self.net, self.cols, self.bound
        nothing = self.asides - 1
        no_logit = 2 * len(net.e_index) + len(bound["row"])
        net.arrays |= {
            "sv_kept": integers(cols["kept"]), "sv_told": integers(cols["told"]),
            "sv_portions": pad_rows(self.portions, net.no_value), "sv_aside": pad_rows(self.aside, nothing),
            "sv_among": pad_rows(self.among, nothing), "sv_odds": integers(cols["odds"]),
            "sv_ln_share": floats(cols["share"]), "sv_bm": integers(cols["bm"]), "sv_spill": integers(cols["spill"]),
            "sv_logit": integers(no_logit if e < 0 else e for e in cols["logit"]),
            "sb_row": integers(bound["row"]), "sb_bm": integers(bound["bm"]), "sb_gone": integers(bound["gone"]),
            "sb_centre": floats(bound["centre"]), "sb_sd": floats(bound["sd"]), "sb_e": integers(bound["e"]),
        }  # fmt: skip
        net.stream_levels = max(self.levels.values(), default=-1) + 1


def hold(balance: Any, name: str, bases: Sequence[Array], odds: Array, weighed: Array) -> tuple[Array, Array]:
    """ln K of every row, and the prior of the streams that later weights tell.

    Parameters: balance, the density's evaluation; bases, what `name`_base points into; odds, w and what ends a row.
    """
    ops, x = balance.ops, balance.x
    base = ops.take(ops.concat(bases), x[f"{name}_base"]) + ops.take(balance.spill, x[f"{name}_plus"])
    told = ops.take(balance.pad(weighed, NOTHING), x[f"{name}_told"]) + x[f"{name}_ln_whole"]
    gone = ops.logsumexp(told) - base
    left = ops.log1mexp(ops.minimum(gone, -LEAST_LEFT))
    wall = 1e2 * ops.minimum(-LEAST_LEFT - gone, 0.0)
    is_part = x[f"{name}_part"] > 0
    kept = base + ops.where(is_part, left - ops.logsumexp(ops.take(odds, x[f"{name}_odds"])), 0.0 * left)
    gap = (told - ops.column(kept) - x[f"{name}_centre"]) / x[f"{name}_sd"]
    terms = -0.5 * ops.sum(gap * gap) - x[f"{name}_ln_sd"]
    return kept, terms + ops.where(is_part, wall - left, 0.0 * left)


def run_on(balance: Any, values: Array) -> Array:
    """ln metal of the streams that run forward; each pass is right for one more of a chain of batches."""
    ops, x, count = balance.ops, balance.x, balance.n["stream_value"]
    held = balance.pad(ops.concat([balance.kept, balance.placed]), 0.0)
    ext = ops.concat([balance.ln_odds, balance.place_weights])
    left_in_work = balance.pad(ops.full(balance.theta, balance.n["item"], 0.0), 0.0)
    if balance.ln_left is not None:
        left_in_work = balance.pad(balance.ln_left, 0.0)
    shared = ops.take(left_in_work, x["sv_bm"]) + ops.take(balance.spill, x["sv_spill"])
    among = ops.logsumexp(ops.take(ext, x["sv_among"]))
    streams = ops.full(balance.theta, count, NOTHING)
    free = [-ops.softplus(logit) for logit in balance.recovery_logit]
    for _ in range(balance.n["stream_level"]):
        known = balance.pad(ops.concat([values, streams]), NOTHING)
        charged = ops.logsumexp(ops.take(known, x["sv_portions"])) - ops.logsumexp(ops.take(ext, x["sv_aside"]))
        base = charged + shared
        behind = free
        if balance.n["bound_stream"]:
            logit = bounded_logit(balance, "sb", ops.take(base, x["sb_row"]))[1]
            behind = [*free, -ops.softplus(logit)]
        rest = ops.take(balance.pad(ops.concat(behind), 0.0), x["sv_logit"])
        kept = ops.where(x["sv_told"] > 0, ops.take(held, x["sv_kept"]), base - among + rest)
        streams = kept + ops.take(ext, x["sv_odds"]) + x["sv_ln_share"]
    return streams
