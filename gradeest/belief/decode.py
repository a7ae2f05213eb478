"""From draws of the unknowns to draws of the grades, metal and runs that evidence touches."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from gradeest.belief.density import LN_1000, State
from gradeest.belief.evidence import BatchMetal, StreamPart
from gradeest.belief.network import Cell, Network
from gradeest.belief.picking import pick
from gradeest.records.domain import LEFT_OVER

Values = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Fitted:
    """Draws of the cells that evidence touches, choices made; arrays (draw,)."""

    ln_grade: dict[tuple[str, str], Values]
    ln_rest_grade: dict[tuple[str, str], Values]
    recovered_g: dict[tuple[str, str], Values]  # fine metal already in weighed products, by fraction and metal
    processed_kg: dict[tuple[str, str], float]
    z: dict[tuple[str, str], Values]  # standardised x where it is known under "present", else nan
    switches: dict[tuple[str, str, str], Flags]  # (lot, kind, metal): traces only
    failed: dict[tuple[str, str], Flags]  # (batch, metal)
    charge_g: dict[tuple[str, str, str], Values]  # (batch, address, metal): metal that went in, where a result tells
    stream_g: dict[tuple[str, str], Values]  # (stream, metal): metal set aside, of batches that evidence speaks of
    product_g: dict[tuple[str, str], Values] = field(default_factory=dict)  # (batch, product): fine metal in it


def choose(network: Network, log_weights: Values, rng: np.random.Generator) -> dict[Hashable, NDArray[np.int64]]:
    """Draw every undecided choice from its probability, by log weights of the configurations at every draw."""
    configurations = network.configurations
    chosen = {key: np.full(len(log_weights), value) for key, value in network.fixed.items()}
    values = pick(configurations, log_weights, rng)
    for position in np.flatnonzero((configurations.values >= 0).any(axis=0)):
        chosen[configurations.choices[position]] = values[:, position]
    return chosen


def decode(
    theta: Values, network: Network, rng: np.random.Generator, state: State | None = None
) -> tuple[State, Fitted]:
    """Everything that evidence touches at draws of theta (draw, unknown); `state` is that there, if it is known."""
    if state is None:
        from gradeest.belief.machine import state_at  # the compiler takes half a second to import

        state = state_at(theta, network)
    chosen = choose(network, state.configurations, rng)
    found = Fitted({}, {}, {}, {}, {}, {}, {}, {}, {})
    for key, side in chosen.items():
        assert isinstance(key, tuple)
        if key[0] == "trace":
            found.switches[key[1:]] = side.astype(bool)
        else:
            found.failed[key[1:]] = side.astype(bool)
    taking = taking_of(network)
    for c, cell in enumerate(network.cells):
        key = (cell.address, cell.metal)
        found.ln_grade[key] = _ln_grade(c, network, state.anchored_ln_grade, state.free_ln_grade, chosen)
        local: tuple[Hashable, ...] = (_switch(cell),)
        if c in network.anchored:
            local = network.anchored[c].choices
            z = _pick(state.anchored_z, _lookup(network.anchored[c].rows, local, chosen))
        else:
            z = state.free_z[:, network.free[c]]
        found.z[key] = np.where(chosen[_switch(cell)] == 0, z, np.nan)
        taken = taking.get(key, ())
        rest = network.values.get((c, "rest"))
        if rest is None:
            found.ln_rest_grade[key] = found.ln_grade[key]
        else:
            kg = cell.dry_kg - sum(item.portions[cell.address] for item in taken)
            amount = _pick(state.values, _lookup(rest, local, chosen))
            found.ln_rest_grade[key] = amount - math.log(kg) + LN_1000
        for item in taken:
            row = _lookup(network.values[c, item.batch], local, chosen)
            found.charge_g[item.batch, cell.address, cell.metal] = np.exp(_pick(state.values, row))
    _streams(network, state, chosen, found)
    _set_aside(theta, network, state, chosen, found, rng)
    _recovered(network, state, chosen, found)
    _refined(network, state, found, rng)
    _came_through(network, found)
    return state, found


OF_GRADES = ("configurations", "anchored_ln_grade", "free_ln_grade")  # fields of a state that tell them


def ln_grades(state: Mapping[str, Values], network: Network, rng: np.random.Generator) -> Values:
    """ln grade of all cells, (draw, cell), choices made; `state` has the fields `OF_GRADES`."""
    log_weights, anchored, free = (state[name] for name in OF_GRADES)
    chosen = choose(network, log_weights, rng)
    return np.stack([_ln_grade(c, network, anchored, free, chosen) for c in range(len(network.cells))], axis=-1)


def _ln_grade(
    c: int, network: Network, anchored: Values, free: Values, chosen: dict[Hashable, NDArray[np.int64]]
) -> Values:
    if c in network.anchored:
        of = network.anchored[c]
        return _pick(anchored, _lookup(of.rows, of.choices, chosen))
    return _pick(free, network.free[c] + chosen[_switch(network.cells[c])] * len(network.free))


def _switch(cell: Cell) -> tuple[str, str, str, str]:
    return ("trace", cell.lot, cell.kind, cell.metal)


def taking_of(network: Network) -> dict[tuple[str, str], list[BatchMetal]]:
    """The batches that took of every fraction and metal, as far as evidence speaks of them."""
    found: dict[tuple[str, str], list[BatchMetal]] = {}
    for item in network.evidence.batch_metals:
        for address in item.portions:
            found.setdefault((address, item.metal), []).append(item)
    return found


def _streams(network: Network, state: State, chosen: dict[Hashable, NDArray[np.int64]], found: Fitted) -> None:
    """Metal of the streams that went into later batches."""
    for item in network.evidence.batch_metals:
        for part in item.streams:
            choices, rows = network.streams[part.address, item.metal]
            grams = np.exp(_pick(state.values, _lookup(rows, choices, chosen)))
            found.charge_g[item.batch, part.address, item.metal] = grams
            found.stream_g[part.address, item.metal] = grams / part.share


def _set_aside(
    theta: Values, network: Network, state: State, chosen: dict[Hashable, NDArray[np.int64]], found: Fitted,
    rng: np.random.Generator,
) -> None:  # fmt: skip
    """Metal of the streams that no result tells of: shares of what the others left of the charge, or of the rest."""
    parts = (part for item in network.evidence.batch_metals for part in item.streams)
    aside = {part.address for part in parts if part.sort == "set-aside"}
    by_batch: dict[tuple[str, str], dict[tuple[str, str], Values]] = {}
    most_g = {(one.address, one.metal): one.most_g for one in network.set_aside}
    charges = charges_of(found)
    for one in network.set_aside:
        drawn = one.unknown < 0
        ln_odds = one.centre + one.sd * rng.normal(size=len(theta)) if drawn else state.ln_odds[:, 1 + one.unknown]
        odds = by_batch.setdefault((one.address.partition("/")[0], one.metal), {})
        odds[one.address, one.metal] = np.exp(ln_odds)
    for n, item in enumerate(network.evidence.batch_metals):
        own = {k: o for k, o in by_batch.get(item.batch_metal, {}).items() if k not in found.stream_g}
        if not own:
            continue
        whole = charges[item.batch_metal]
        if item.batch_metal in network.stated_for_all:
            ln_work = _pick(state.ln_in_work, n + chosen["failed", item.batch, item.metal] * network.sizes["backward"])
            whole = np.exp(ln_work) * -np.expm1(np.minimum(state.ln_m[:, n] - ln_work, 0.0))
        for key, grams in found.stream_g.items():
            if (key[0].partition("/")[0], key[1]) == item.batch_metal and key[0] in aside:
                whole = whole - grams
        shares = 1 + np.sum(list(own.values()), axis=0)
        whole = np.maximum(whole, 0.0)
        found.stream_g.update({key: np.minimum(whole * odds / shares, most_g[key]) for key, odds in own.items()})


def charges_of(found: Fitted) -> dict[tuple[str, str], Values]:
    """All metal that went into every batch, (draw,)."""
    total: dict[tuple[str, str], Values] = {}
    for (batch, _, metal), grams in found.charge_g.items():
        total[batch, metal] = total[batch, metal] + grams if (batch, metal) in total else grams
    return total


def _recovered(network: Network, state: State, chosen: dict[Hashable, NDArray[np.int64]], found: Fitted) -> None:
    """Share what batches gave among their fractions by the metal each brought.

    What was spilled, or set aside and not run since, was not processed: it counts as if it had given as much as the
    rest. Of a stream that was run since, what that run gave counts instead. What was left over gave nothing but through
    the stream; so did what was set aside where the recovery row of the route is stated for all that was charged.
    """
    backward = network.sizes["backward"]
    row = 0
    for item in network.evidence.batch_metals[: network.sizes["W"]]:
        for product in item.products:
            found.product_g[item.batch, product.name] = np.exp(state.ln_in_product[:, row])
            row += 1
    given: dict[tuple[str, str], Values] = {}  # product over charge, of weighed batches
    weighed = network.evidence.batch_metals[: network.sizes["W"]]
    charges = charges_of(found)
    later_of: dict[tuple[str, str], list[tuple[BatchMetal, StreamPart]]] = {}
    for later in weighed:
        for part in later.streams:
            later_of.setdefault((part.left_by, later.metal), []).append((later, part))
    for n, item in reversed(list(enumerate(weighed))):  # later batches first: their streams come from earlier ones
        side = chosen["failed", item.batch, item.metal]
        own = np.exp(state.ln_p[:, n] - _pick(state.ln_in_work, n + side * backward))
        charge, ratio = charges[item.batch_metal], own
        for later, part in later_of.get(item.batch_metal, ()):
            share = found.charge_g[later.batch, part.address, item.metal] / charge
            gave = given[later.batch_metal]
            of_rest = part.sort in LEFT_OVER or (
                part.sort == "set-aside" and item.batch_metal in network.stated_for_all
            )
            ratio = ratio + share * (gave if of_rest else gave - own)
        given[item.batch_metal] = ratio
        for address, kg in item.portions.items():
            key = (address, item.metal)
            grams = found.charge_g[item.batch, address, item.metal] * ratio
            found.recovered_g[key] = found.recovered_g.get(key, 0.0) + grams
            found.processed_kg[key] = found.processed_kg.get(key, 0.0) + kg


def _refined(network: Network, state: State, found: Fitted, rng: np.random.Generator) -> None:
    """Metal of products of products, of the products that went into their batches, and whether such a run failed."""
    x = network.arrays
    rows, parts = iter(x["again_at"].tolist()), iter(x["part_product"].tolist())
    for n, item in enumerate(i for i in network.evidence.batch_metals if i.role == "R"):
        for product in item.products:
            found.product_g[item.batch, product.name] = np.exp(state.ln_in_product[:, next(rows)])
        for part in item.refined:
            grams = np.exp(state.ln_in_product[:, next(parts)])
            found.charge_g[item.batch, part.address, item.metal] = grams * part.share
        e = state.again_logit[:, n] - state.recovery_logit[:, x["bm_rm"][x["again_bm"][n]]]
        sides = ((x["ln_ok"], 0.0, x["again_e_sd"][n]), (x["ln_failed"], x["failed_centre"], x["failed_sd"]))
        ok, failed = (ln - 0.5 * ((e - centre) / sd) ** 2 - np.log(sd) for ln, centre, sd in sides)
        found.failed[item.batch_metal] = np.log(rng.uniform(size=len(e))) < failed - np.logaddexp(ok, failed)


def _came_through(network: Network, found: Fitted) -> None:
    """What fractions brought through a batch that recovers none of it, by the stream too that took it on."""
    for item in network.evidence.batch_metals:
        for address, stream in item.through.items():
            grams = found.charge_g.pop((item.batch, address, item.metal))
            found.charge_g[stream.partition("/")[0], address, item.metal] = grams
            for known, key in (
                (found.charge_g, (item.batch, stream, item.metal)), (found.stream_g, (stream, item.metal)),
            ):  # fmt: skip
                known[key] = known[key] + grams if key in known else grams  # type: ignore[index]


def _lookup(rows, choices, chosen) -> NDArray[np.int64]:  # type: ignore[no-untyped-def]
    """Row of every draw, by the values its local choices took."""
    out = np.zeros(len(next(iter(chosen.values()))), dtype=np.int64)
    for side, row in rows.items():
        match = np.ones(out.shape, dtype=bool)
        for key, value in zip(choices, side, strict=True):
            match &= chosen[key] == value
        out[match] = row
    return out


def _pick(values: Values, row) -> Values:  # type: ignore[no-untyped-def]
    return values[np.arange(values.shape[0]), row]
