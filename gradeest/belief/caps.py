"""A stream holds no more metal than its own mass: what went into a later batch, and what is set aside still.

    S < 1000 x mass, smoothed over a few per cent of S: ln Phi((ln most - ln S) / sd).

Of a stream that stands S = K odds, with K what a batch read backwards kept. Where a small part of rich stuff was set
aside, the row of shares would let it hold far more, and its unknown z, ln odds = centre + sd z, would stand against the
wall z < c = (ln most - ln K - centre) / sd. So it stands for

    z = c - softplus(c - raw):

raw itself far below c, and what comes close to c is spread out. K is that of an ordinary run: any c gives the same
density, this one a smooth one.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Mapping
from typing import TYPE_CHECKING, Any

from gradeest.belief.choices import pad_rows
from gradeest.belief.evidence import BatchMetal
from gradeest.belief.guess import rough_charge_g, rough_metal_g
from gradeest.belief.held import asides_of
from gradeest.belief.network import BACKWARD, SetAside, failed, floats, integers
from gradeest.belief.ops import Array
from gradeest.belief.streams import all_streams, charge_choices, charge_rows, is_share_of_rest

if TYPE_CHECKING:
    from gradeest.belief.assembly import Assembly

Outcome = tuple[int, ...]
NEVER_SO_MUCH = 4.0  # sd of a row of shares: a stream that would hold its own mass so far out is left alone


def list_bent(net: Assembly) -> None:
    """Arrays of unknown odds that a stream's mass bounds, of batches read backwards."""
    found = [one for one in net.set_aside if may_be_full(net, one) and _is_of_kept(net, one)]
    where = {one.unknown: len(net.arrays["aside_sd"]) + k for k, one in enumerate(found)}
    net.arrays |= {
        "bent_aside": integers(where), "bent_bm": integers(net.items.index(_item_of(net, one)) for one in found),
        "bent_ln_most": floats(math.log(one.most_g) - one.centre for one in found),
        "bent_of": integers(where.get(j, j) for j in range(len(net.arrays["aside_sd"]))),
    }  # fmt: skip


def bend(balance: Any, z: Array) -> Array:
    """The unknown odds in sd of their rows, where a stream's mass leaves them less; the change enters the total.

    Parameters: balance, the density's evaluation, metal in work done; z, as if there were no such bound.
    """
    ops, x = balance.ops, balance.x
    kept = ops.take(balance.ln_in_work[0], x["bent_bm"]) - ops.take(balance.ln_left, x["bent_bm"])
    most = (x["bent_ln_most"] - kept) / ops.take(x["aside_sd"], x["bent_aside"])
    raw = ops.take(z, x["bent_aside"])
    bound = most - ops.softplus(most - raw)
    balance.total = balance.total + ops.sum(0.5 * raw * raw - 0.5 * bound * bound - ops.softplus(raw - most))
    return ops.take(ops.concat([z, bound]), x["bent_of"])


def may_be_full(net: Assembly, one: SetAside) -> bool:
    """Whether a stream that stands may come near to its own mass, by a rough guess of what its batch kept."""
    is_charged = any(part.address == one.address for item in net.items for part in item.streams)
    if is_charged or one.unknown < 0:
        return False
    item = _item_of(net, one)
    grams = max(rough_metal_g(item, net), rough_charge_g(item, net) if item.role not in BACKWARD else 0.0)
    return (math.log(one.most_g) - math.log(max(grams, 1e-9)) - one.centre) / one.sd < NEVER_SO_MUCH


def _item_of(net: Assembly, one: SetAside) -> BatchMetal:
    return net.item_of[one.address.partition("/")[0], one.metal]


def _is_of_kept(net: Assembly, one: SetAside) -> bool:
    """Whether it is odds times what was kept, and not of what a product left over."""
    item = _item_of(net, one)
    return item.role in BACKWARD and not is_share_of_rest(net, item)


def list_caps(net: Assembly, rows: dict[str, int]) -> list[tuple[tuple[Hashable, ...], dict[Outcome, tuple[str, int]]]]:
    """Arrays of what a stream may hold at most, its own mass, one row per outcome of what decides it; the tables."""
    table = _Caps(net)
    for item in net.items:
        parts = [(part.address, part.share) for part in item.streams]
        for address, share in (*parts, *((stream, 1.0) for stream in dict.fromkeys(item.through.values()))):
            table.add_charged(item, address, share)
    for one in net.set_aside:
        if may_be_full(net, one):
            table.add_standing(_item_of(net, one), one)
    rows["cap"] = len(table.held)
    table.store()
    return table.pending


class _Caps:
    """The rows while they are listed; `held` point into values and, behind them, into what batches kept."""

    def __init__(self, net: Assembly) -> None:
        self.net, self.followed = net, all_streams(net)
        self.held: list[list[int]] = []
        self.odds: list[int] = []
        self.among: list[list[int]] = []
        self.ln_most: list[float] = []
        self.pending: list[tuple[tuple[Hashable, ...], dict[Outcome, tuple[str, int]]]] = []

    def add_charged(self, item: BatchMetal, address: str, share: float) -> None:
        """A stream of which a share went into a batch: it is one of the values."""
        net = self.net
        cells = [net.cell_of[a, item.metal] for a, stream in item.through.items() if stream == address]
        found = [self.followed[address, item.metal]] if not cells else []
        found += [(net.local(cell), net.values[cell, item.batch]) for cell in cells]
        choices = tuple(dict.fromkeys(key for keys, _ in found for key in keys))

        def held(chosen: Mapping[Hashable, int]) -> list[int]:
            return [one[tuple(chosen[key] for key in keys)] for keys, one in found]

        mass_kg = net.bench.stream(address).mass_kg
        if mass_kg is not None:
            self._add(1000 * mass_kg * share, choices, held, 0, [0])

    def add_standing(self, item: BatchMetal, one: SetAside) -> None:
        """A stream that is set aside still: odds times what was kept, or its share of what went in."""
        net, odds = self.net, 1 + one.unknown
        if item.batch_metal in net.kept_rows:
            choices, kept = net.kept_rows[item.batch_metal]
            behind = net.no_value + 1 + 2 * net.backward
            self._add(one.most_g, choices, lambda chosen: [behind + kept[tuple(chosen[k] for k in choices)]], odds, [0])
        elif item.role in BACKWARD:
            key, first = failed(item), net.no_value + 1 + net.items.index(item)
            self._add(one.most_g, (key,), lambda chosen: [first + chosen[key] * net.backward], odds, [0])
        else:
            among = [0, *asides_of(net, item)]
            self._add(one.most_g, charge_choices(net, item), lambda chosen: charge_rows(net, item, chosen), odds, among)

    def _add(
        self, most_g: float, choices: tuple[Hashable, ...],
        held: Callable[[Mapping[Hashable, int]], list[int]], odds: int, among: list[int],
    ) -> None:  # fmt: skip
        table: dict[Outcome, tuple[str, int]] = {}
        for outcome in self.net.graph.values(choices):
            table[outcome] = ("cap", len(self.held))
            self.held.append(held(dict(zip(choices, outcome, strict=True))))
            self.odds.append(odds)
            self.among.append(among)
            self.ln_most.append(math.log(most_g))
        self.pending.append((choices, table))

    def store(self) -> None:
        net = self.net
        net.arrays |= {
            "cap_held": pad_rows(self.held, net.no_value), "cap_odds": integers(self.odds),
            "cap_among": pad_rows(self.among, 1 + len(net.arrays["aside_sd"])), "cap_ln_most": floats(self.ln_most),
            "cap_sd": net.k["stream.cap_log_sd"],
        }  # fmt: skip


def cap_terms(balance: Any) -> Array:
    """ln of the chance that what a stream holds is not above its own mass, a limit smoothed in ln."""
    ops, x = balance.ops, balance.x
    known = ops.concat([balance.padded_values, balance.ln_unspilled, balance.kept])
    held = ops.logsumexp(ops.take(known, x["cap_held"]))
    held = held + ops.take(balance.ln_odds, x["cap_odds"]) - ops.logsumexp(ops.take(balance.ln_odds, x["cap_among"]))
    return ops.log_ndtr((x["cap_ln_most"] - held) / x["cap_sd"])
