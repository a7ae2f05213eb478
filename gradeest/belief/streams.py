"""Streams that one batch left and a later one took: how the metal of both hangs together.

A batch that is read backwards gives the metal of its own members; where one of them is a stream S that a batch before
it set aside, S is known, and it is held against the row of shares by what that batch's own weight says was kept:

    ln S = ln K + ln odds,   ln odds ~ N(row);   all that went into the earlier batch is then C = K + sum of its S.

K is what it kept. Where the recovery row of its route is stated for all that was charged (a row of its own says so), S
is part of what the product left over, rest = (1 - R) A, and shares it: ln S = ln(rest - sum of all S) + ln odds, with
the change of variables 1 / (1 - sum of S / rest). The earlier batch is read after the later one, a level deeper.

Where either of the two is not read backwards, the stream runs forward: S = K odds, or C softmax(ln odds).
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping
from typing import TYPE_CHECKING

import numpy as np

from gradeest.belief.choices import pad_rows
from gradeest.belief.evidence import BatchMetal, StreamPart
from gradeest.belief.network import BACKWARD, Decided, failed, floats, integers, logit_normal, pad_floats
from gradeest.materials.catalogue import Catalogue

if TYPE_CHECKING:
    from gradeest.belief.assembly import Assembly

Outcome = tuple[int, ...]
NO_SPREAD = 1e30  # sd of a padded entry: it weighs nothing


def recovers_of_all(route: str, catalogue: Catalogue) -> bool:
    """Whether a route's recovery is a share of all that was charged, what is set aside included."""
    return f"set-aside:{route}" in catalogue.shares


def is_share_of_rest(net: Assembly, item: BatchMetal) -> bool:
    """Whether what a batch set aside is held against what its product left over."""
    return item.role in BACKWARD and recovers_of_all(item.route, net.catalogue)


def row_of(net: Assembly, address: str, metal: str) -> tuple[float, float]:
    """Centre and sd of the ln odds of a stream set aside."""
    item = net.item_of[address.partition("/")[0], metal]
    name = "set-aside"
    if recovers_of_all(item.route, net.catalogue):
        name = f"set-aside-of-rest:{item.route}" if item.role in BACKWARD else f"set-aside:{item.route}"
    return logit_normal(net.catalogue.shares[name])


def takers(net: Assembly, item: BatchMetal) -> list[tuple[BatchMetal, StreamPart]]:
    """Batches with a result that took streams of this one, in order of entry."""
    return [
        (other, part) for other in net.items if other.metal == item.metal
        for part in other.streams if part.left_by == item.batch
    ]  # fmt: skip


def goes_on(net: Assembly, item: BatchMetal) -> bool:
    """Whether what a batch set aside bears on anything beside itself: on later batches, or on what its filters hold."""
    if takers(net, item):
        return True
    streams = any(stream.sort == "set-aside" for stream in net.bench.batches[item.batch].streams)
    return item.batch_metal in net.in_ash and is_share_of_rest(net, item) and streams


def read_off(net: Assembly, item: BatchMetal) -> list[tuple[BatchMetal, StreamPart]]:
    """Of these, the ones read backwards: they tell what the streams held."""
    if item.role not in BACKWARD:
        return []
    return [(other, part) for other, part in takers(net, item) if other.role in BACKWARD]


def adding(net: Assembly, item: BatchMetal) -> list[tuple[BatchMetal, StreamPart]]:
    """Of those, the ones whose stream comes on top of what this batch kept."""
    return [] if is_share_of_rest(net, item) else read_off(net, item)


def kept_choices(net: Assembly, item: BatchMetal) -> tuple[Hashable, ...]:
    """Choices that decide what a batch read backwards kept, and what of it went on."""
    keys: dict[Hashable, None] = {failed(item): None}
    for other, _ in read_off(net, item):
        keys.update(dict.fromkeys(net.split_choices(other)))
    return tuple(keys)


def stream_choices(net: Assembly, part: StreamPart, metal: str) -> tuple[Hashable, ...]:
    """Choices that decide the metal of a stream which runs forward."""
    item = net.item_of[part.left_by, metal]
    return kept_choices(net, item) if item.role in BACKWARD else charge_choices(net, item)


def charge_choices(net: Assembly, item: BatchMetal) -> tuple[Hashable, ...]:
    """Choices that decide what went into a batch that is not read backwards."""
    keys: dict[Hashable, None] = {}
    for address in item.portions:
        keys.update(dict.fromkeys(net.local(net.cell_of[address, item.metal])))
    for part in item.streams:
        keys.update(dict.fromkeys(stream_choices(net, part, item.metal)))
    return tuple(keys)


def forward(net: Assembly) -> list[tuple[BatchMetal, StreamPart]]:
    """Streams that run forward, with the batch that left each; those of earlier batches first."""
    order = {name: n for n, name in enumerate(net.bench.batches)}
    found = []
    for item in net.items:
        for other, part in takers(net, item):
            if (other, part) not in read_off(net, item):
                found.append((item, part))
    return sorted(found, key=lambda pair: order[pair[0].batch])


def count_stream_values(net: Assembly) -> int:
    """Values that streams running forward take, one per outcome of the choices that decide each."""
    return sum(len(net.graph.values(stream_choices(net, part, item.metal))) for item, part in forward(net))


def list_kept(net: Assembly) -> None:
    """What batches read backwards kept, where a stream of theirs went on, and the streams that later weights tell."""
    base: list[int] = []
    is_rest: list[int] = []
    ln_sd: list[float] = []
    told: list[list[int]] = []
    ln_whole: list[list[float]] = []
    centre: list[list[float]] = []
    sd: list[list[float]] = []
    odds: list[list[int]] = []
    for n, item in enumerate(net.items[: net.backward]):
        if not goes_on(net, item):
            continue
        rest = is_share_of_rest(net, item)
        later = read_off(net, item)
        rows = [row_of(net, part.address, item.metal) for _, part in later]
        own = [net.aside_of.get((s.address, item.metal)) for s in net.bench.batches[item.batch].streams]
        choices = kept_choices(net, item)
        table: dict[Outcome, int] = {}
        for outcome in net.graph.values(choices):
            chosen = dict(zip(choices, outcome, strict=True))
            table[outcome] = len(base)
            base.append(n + (chosen[failed(item)] + 2 * rest) * net.backward)
            is_rest.append(int(rest))
            told.append([_stream_row(net, other, part, chosen) for other, part in later])
            ln_whole.append([-math.log(part.share) for _, part in later])
            centre.append([c for c, _ in rows])
            sd.append([s for _, s in rows])
            ln_sd.append(sum(math.log(s) for _, s in rows))
            odds.append([0, *(o for o in own if o is not None)] if rest else [0])
        net.kept_rows[item.batch_metal] = choices, table
    net.arrays |= {
        "kept_base": integers(base), "kept_rest": integers(is_rest), "kept_told": pad_rows(told, net.n_weighed),
        "kept_ln_whole": pad_floats(ln_whole), "kept_centre": pad_floats(centre),
        "kept_sd": np.where((wide := pad_floats(sd)) > 0, wide, NO_SPREAD), "kept_ln_sd": floats(ln_sd),
        "kept_odds": pad_rows(odds, 1 + len(net.arrays["aside_sd"])),
    }  # fmt: skip
    net.n_kept = len(base)


def _stream_row(net: Assembly, other: BatchMetal, part: StreamPart, chosen: Mapping[Hashable, int]) -> int:
    return net.ws[part.address, other.metal][tuple(chosen[key] for key in net.split_choices(other))]


def list_stream_values(net: Assembly) -> None:
    """Streams that run forward: from what their batch kept, or from all that went into it."""
    kept: list[int] = []
    portions: list[list[int]] = []
    aside: list[list[int]] = []
    odds: list[int] = []
    share: list[float] = []
    nothing = 1 + len(net.arrays["aside_sd"])
    levels: dict[tuple[str, str], int] = {}
    count = 0
    for item, part in forward(net):
        choices = stream_choices(net, part, item.metal)
        own = net.aside_of[part.address, item.metal]
        told = item.role in BACKWARD
        beside = [levels[before.address, item.metal] for before in item.streams] if not told else []
        levels[part.address, item.metal] = 1 + max(beside, default=-1)
        values: dict[Outcome, int] = {}
        for outcome in net.graph.values(choices):
            chosen = dict(zip(choices, outcome, strict=True))
            values[outcome] = net.stream_base + count
            count += 1
            if told:
                keys, table = net.kept_rows[item.batch_metal]
                kept.append(table[tuple(chosen[key] for key in keys)])
                portions.append([])
                aside.append([0])
            else:
                all_of_it = [net.aside_of.get((s.address, item.metal)) for s in net.bench.batches[item.batch].streams]
                kept.append(-1)
                portions.append(charge_rows(net, item, chosen))
                aside.append([0, *(o for o in all_of_it if o is not None)])
            odds.append(own)
            share.append(math.log(part.share))
        net.stream_values[part.address, item.metal] = choices, values
    net.arrays |= {
        "sv_kept": integers(net.n_kept if row < 0 else row for row in kept),
        "sv_told": integers(row >= 0 for row in kept),
        "sv_portions": pad_rows(portions, net.no_value), "sv_aside": pad_rows(aside, nothing),
        "sv_odds": integers(odds), "sv_ln_share": floats(share),
    }  # fmt: skip
    net.stream_levels = max(levels.values(), default=-1) + 1


def all_streams(net: Assembly) -> dict[tuple[str, str], Decided]:
    """Values of the streams that went into later batches: those that run forward, and those that weights tell."""
    return net.stream_values | {
        (part.address, item.metal): (net.split_choices(item), net.ws[part.address, item.metal])
        for item in net.items[: net.backward] for part in item.streams
    }  # fmt: skip


def charge_rows(net: Assembly, item: BatchMetal, chosen: Mapping[Hashable, int]) -> list[int]:
    """Values of all that went into a batch that is not read backwards, under an outcome."""
    rows = []
    for address in item.portions:
        cell = net.cell_of[address, item.metal]
        rows.append(net.values[cell, item.batch][tuple(chosen[key] for key in net.local(cell))])
    for part in item.streams:
        choices, values = net.stream_values[part.address, item.metal]
        rows.append(values[tuple(chosen[key] for key in choices)])
    return rows
