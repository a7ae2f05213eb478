"""The room that streams of a batch's rest leave to its recovery.

Streams that later weights tell are part of what a batch left over, S < rest = M exp(-(r + e)), so e < c = ln(M / S)
- r, a wall that trajectories run into where the streams hold most of the rest. The unknown stands for e by

    e = c - softplus(c - raw):

raw itself far below c; beside it ln(c - e), and with it ln(rest - S), is straight in raw. S is taken roughly, as if the
later run were an ordinary one: any c gives the same density, this one a smooth one.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from gradeest.belief.choices import pad_rows
from gradeest.belief.evidence import BatchMetal, StreamPart
from gradeest.belief.guess import rough_charge_g, rough_stream_g
from gradeest.belief.network import failed, floats, integers
from gradeest.belief.ops import NOTHING, Array
from gradeest.belief.streams import is_share_of_rest, read_off
from gradeest.records.domain import LEFT_OVER

if TYPE_CHECKING:
    from gradeest.belief.assembly import Assembly


def list_room(net: Assembly) -> None:
    """Batches whose rest holds streams that later weights tell: what that leaves of their recovery."""
    own: list[int] = []
    later: list[list[int]] = []
    ln_share: list[list[float]] = []
    for n, item in enumerate(net.items[: net.backward]):
        told = [pair for pair in read_off(net, item) if pair[1].sort in LEFT_OVER or is_share_of_rest(net, item)]
        told = [pair for pair in told if pair[1].sort != "wiped-up"]
        if told:
            own.append(n)
            later.append([net.items.index(other) for other, _ in told])
            ln_share.append([_rough_ln_share(net, other, part) for other, part in told])
    rows = {n: net.e_index[failed(net.items[n])] for n in own}
    noisy = len(net.e_index)
    where = {e: noisy + k for k, e in enumerate(rows.values())}
    flat = [n for row in later for n in row]
    starts = np.cumsum([0, *(len(row) for row in later)])
    net.arrays |= {
        "ro_bm": integers(own), "ro_e": integers(rows.values()),
        "ro_of": integers(where.get(e, e) for e in range(noisy)),
        "ro_later": integers(flat), "ro_later_e": integers(net.e_index[failed(net.items[n])] for n in flat),
        "ro_ln_share": floats(value for row in ln_share for value in row),
        "ro_told": pad_rows([list(range(a, b)) for a, b in itertools.pairwise(starts)], len(flat)),
    }  # fmt: skip


def _rough_ln_share(net: Assembly, other: BatchMetal, part: StreamPart) -> float:
    """ln of a stream over what went into the batch that took of it, roughly."""
    if other.members == 1:
        return -math.log(part.share)
    ratio = rough_stream_g(part, other.metal, net) / rough_charge_g(other, net)
    return math.log(min(max(ratio, 1e-6), 1.0) / part.share)


def room_for_noise(balance: Any, raw: Sequence[Array]) -> tuple[list[Array], list[Array]]:
    """The recovery noise e of every run, ordinary and failed, and what its change of variables adds to the density.

    Parameters: balance, the density's evaluation, metal before hold-up done; raw, the noise as if there were no wall.
    """
    ops, x = balance.ops, balance.x
    if not balance.n["room"]:
        return list(raw), [0.0 * side for side in raw]
    logit = ops.take(balance.r_batch, x["ro_later"]) + ops.take(raw[0], x["ro_later_e"])
    told = ops.take(balance.ln_m, x["ro_later"]) + ops.softplus(-logit) + x["ro_ln_share"]
    most = ops.take(balance.ln_m, x["ro_bm"]) - ops.logsumexp(ops.take(balance.pad(told, NOTHING), x["ro_told"]))
    most = most - ops.take(balance.r_batch, x["ro_bm"])
    noise, added = [], []
    for side, centre, sd in ((raw[0], 0.0, x["e_sd"]), (raw[1], x["failed_centre"], x["failed_sd"])):
        free = ops.take(side, x["ro_e"])
        bound = most - ops.softplus(most - free)
        noise.append(ops.take(ops.concat([side, bound]), x["ro_of"]))
        slope = ops.take(ops.concat([0.0 * side, -ops.softplus(free - most)]), x["ro_of"])
        bent, straight = (noise[-1] - centre) / sd, (side - centre) / sd
        added.append(slope - 0.5 * bent * bent + 0.5 * straight * straight)
    return noise, added
