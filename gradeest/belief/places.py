"""Places where metal goes that does not reach the product, and the weight of each in the share-out of the rest.

The weights w = ln row + sd z are drawn, but for a place whose stream a later weight tells: that one's w follows from
it, S = K e^w (`held.py`), under every outcome of the choices that decide it.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping
from typing import TYPE_CHECKING

from gradeest.belief.evidence import BatchMetal
from gradeest.belief.network import failed, floats, integers
from gradeest.belief.streams import kept_choices, read_off, told_row
from gradeest.records.domain import LEFT_OVER

if TYPE_CHECKING:
    from gradeest.belief.assembly import Assembly

PLACES = ("equipment", "residue", "solution", "filters", "lost")
RESIDUE, SOLUTION, FILTERS = (PLACES.index(place) for place in ("residue", "solution", "filters"))


def list_told_places(net: Assembly) -> None:
    """Of places that a later weight tells of: where their weight w stands, by outcome; behind those that are drawn."""
    told: list[int] = []
    ln_whole: list[float] = []
    row: list[int] = []
    start = len(PLACES) * len(net.rest_of)
    for item in net.items[: net.backward]:
        if not item.leaves:
            continue
        choices, table = net.place_rows[item.batch_metal]
        for other, part in read_off(net, item):
            if part.sort not in LEFT_OVER:
                continue
            found: dict[tuple[int, ...], int] = {}
            for outcome, number in table.items():
                found[outcome] = start + len(told)
                told.append(told_row(net, other, part, dict(zip(choices, outcome, strict=True))))
                ln_whole.append(-math.log(part.share))
                row.append(number)
            net.told_places[item.batch_metal, part.sort] = choices, found
    net.arrays |= {"tp_told": integers(told), "tp_ln_whole": floats(ln_whole), "tp_row": integers(row)}


def told_by_place(net: Assembly) -> dict[tuple[str, str], dict[str, str]]:
    """Of batch metals, the places that a later weight tells of, and the stream it tells of."""
    found: dict[tuple[str, str], dict[str, str]] = {}
    for item in net.items[: net.backward]:
        for _, part in read_off(net, item):
            if part.sort in LEFT_OVER:
                found.setdefault(item.batch_metal, {})[part.sort] = part.address
    return found


def rest_choices(net: Assembly, item: BatchMetal) -> tuple[Hashable, ...]:
    """Choices that decide how what a weighed batch left over was shared among the places."""
    is_told = any(part.sort in LEFT_OVER for _, part in read_off(net, item))
    return kept_choices(net, item) if is_told else (failed(item),)


def place_indices(net: Assembly, item: BatchMetal, chosen: Mapping[Hashable, int]) -> list[int]:
    """Where the weights of all places of a batch's rest stand under an outcome."""
    start = net.rest_of[net.items.index(item)] * len(PLACES)
    found = [start + k for k in range(len(PLACES))]
    for k, place in enumerate(PLACES):
        if (item.batch_metal, place) in net.told_places:
            choices, rows = net.told_places[item.batch_metal, place]
            found[k] = rows[tuple(chosen[key] for key in choices)]
    return found
