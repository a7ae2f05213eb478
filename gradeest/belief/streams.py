"""Streams that one batch left and a later one took: how the metal of both hangs together.

A batch that is read backwards gives the metal of its own members; where one of them is a stream S that a batch before
it set aside, S is known, and it is held against the row of shares by what that batch's own weight says was kept:

    ln S = ln K + ln odds,   ln odds ~ N(row);   all that went into the earlier batch is then C = K + sum of its S.

K is what it kept. Where the recovery row of its route is stated for all that was charged (a row of its own says so), S
is part of what the product left over, rest = (1 - R) A, and shares it: ln S = ln(rest - sum of all S) + ln odds, with
the change of variables 1 / (1 - sum of S / rest). The earlier batch is read after the later one, a level deeper.

What was wiped up of a spill is a share of it in the same way: ln S = ln(spill - S) + ln odds. What did not reach the
product and was not set aside is shared among places by softmax(ln rows + sd z) (`places.py`); a residue or a
solution that went on is all of its place, so K = (rest - sum of S) / sum of e^w over the other places (`held.py`).

Where either of the two is not read backwards, the stream runs forward: S = K odds, or C softmax(ln odds), or a place's
share of (1 - R) A.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping, Sequence
from typing import TYPE_CHECKING

from gradeest.belief.evidence import BatchMetal, StreamPart, recovers_of_all
from gradeest.belief.network import BACKWARD, Decided, failed, logit_normal
from gradeest.records.domain import LEFT_OVER

if TYPE_CHECKING:
    from gradeest.belief.assembly import Assembly


def is_share_of_rest(net: Assembly, item: BatchMetal) -> bool:
    """Whether what a batch set aside is held against what its product left over."""
    return item.role in BACKWARD and recovers_of_all(item.route, net.catalogue)


def row_of(net: Assembly, address: str, metal: str) -> tuple[float, float]:
    """Centre and sd of the ln odds of a stream; of what was left over, of the weight of its place."""
    item, sort = net.item_of[address.partition("/")[0], metal], net.bench.stream(address).sort
    if sort in LEFT_OVER:
        return math.log(net.k[f"rest.{sort}"]), net.k["rest.log_sd"]
    name: str = sort
    if sort == "set-aside" and recovers_of_all(item.route, net.catalogue):
        name = f"set-aside-of-rest:{item.route}" if item.role in BACKWARD else f"set-aside:{item.route}"
    return logit_normal(net.catalogue.shares[name])


def list_takers(items: Sequence[BatchMetal]) -> dict[tuple[str, str], list[tuple[BatchMetal, StreamPart]]]:
    """Batches with a result that took streams of another one, by that batch and metal; in order of entry."""
    found: dict[tuple[str, str], list[tuple[BatchMetal, StreamPart]]] = {}
    for item in items:
        for part in item.streams:
            found.setdefault((part.left_by, item.metal), []).append((item, part))
    return found


def takers(net: Assembly, item: BatchMetal) -> list[tuple[BatchMetal, StreamPart]]:
    """Batches with a result that took streams of this one, in order of entry."""
    return net.takers_of.get(item.batch_metal, [])


def goes_on(net: Assembly, item: BatchMetal) -> bool:
    """Whether what a batch set aside bears on anything beside itself: on later batches, or on what its filters hold."""
    if any(part.sort == "set-aside" for _, part in takers(net, item)):
        return True
    streams = any(stream.sort == "set-aside" for stream in net.bench.batches[item.batch].streams)
    goes_with_rest = item.batch_metal in net.in_ash or item.leaves
    return goes_with_rest and is_share_of_rest(net, item) and streams


def read_off(net: Assembly, item: BatchMetal) -> list[tuple[BatchMetal, StreamPart]]:
    """Of these, the ones read backwards: they tell what the streams held."""
    if item.role not in BACKWARD:
        return []
    return [(other, part) for other, part in takers(net, item) if other.role in BACKWARD]


def adding(net: Assembly, item: BatchMetal) -> list[tuple[BatchMetal, StreamPart]]:
    """Of those, the ones whose stream comes on top of what this batch kept."""
    if is_share_of_rest(net, item):
        return []
    return [(other, part) for other, part in read_off(net, item) if part.sort == "set-aside"]


def kept_choices(net: Assembly, item: BatchMetal) -> tuple[Hashable, ...]:
    """Choices that decide what a batch read backwards kept, and what of it went on."""
    keys: dict[Hashable, None] = {failed(item): None}
    for other, _ in read_off(net, item):
        keys.update(dict.fromkeys(net.split_choices(other)))
    return tuple(keys)


def stream_choices(net: Assembly, part: StreamPart, metal: str) -> tuple[Hashable, ...]:
    """Choices that decide the metal of a stream which runs forward."""
    item = net.item_of[part.left_by, metal]
    if item.role in BACKWARD:
        return kept_choices(net, item)
    return net.item_choices(item) if part.sort in LEFT_OVER else charge_choices(net, item)


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


def told_row(net: Assembly, other: BatchMetal, part: StreamPart, chosen: Mapping[Hashable, int]) -> int:
    """Weighed portion that a stream is in a later batch, under an outcome."""
    return net.ws[part.address, other.metal][tuple(chosen[key] for key in net.split_choices(other))]
