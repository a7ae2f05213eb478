"""Rough plug-in guesses: where to start, and which choices are nearly decided. No result rests on them alone."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from gradeest.belief.evidence import BatchMetal, StreamPart, least_weight_g
from gradeest.belief.layers import parts_of
from gradeest.belief.network import BACKWARD, logit, switch
from gradeest.belief.places import PLACES
from gradeest.belief.readings import handling_sd
from gradeest.belief.streams import is_share_of_rest, row_of

if TYPE_CHECKING:
    from gradeest.belief.assembly import Assembly
    from gradeest.belief.network import Cell, GradeScale

FAILED_GAP, FAILED_SD = -2.4, 2.2  # ln of a failed run's recovery against an ordinary one's, roughly
COARSE_SDS = 5.0  # of the handling: what a reading may be off
LINKED_SD = 0.7  # of the metal in linked ash
WIDER = 1.3  # the spread between lots is not known, and the row's level may be off


def rough_metal_g(item: BatchMetal, net: Assembly) -> float:
    """Metal weighed so far, by the rows' median purity."""
    forms = net.catalogue.forms
    return sum(p.weight_g * forms[p.form].factor * forms[p.form].purity.q50 for p in item.products)


def rough_charge_g(item: BatchMetal, net: Assembly) -> float:
    """Metal in the charge, by the rows' median grades."""
    total = 0.0
    for address, kg in item.portions.items():
        if (address, item.metal) in net.links:
            total += rough_ash_g(net.cell_of[address, item.metal], net)
            continue
        scale = net.scales[net.cell_of[address, item.metal]]
        total += kg * scale.limit / (1 + math.exp(-scale.mu0)) / 1000
    return total + sum(rough_stream_g(part, item.metal, net) for part in item.streams)


def rough_ash_g(cell: int, net: Assembly) -> float:
    """Metal in linked ash, by the rows' medians and the weights of the batches whose filters it is of."""
    one, k, shares = net.cells[cell], net.k, net.catalogue.shares
    link = net.links[one.address, one.metal]
    part = k["rest.filters"] / sum(k[f"rest.{place}"] for place in PLACES)
    total = 0.0
    for name in link.batches:
        item = net.item_of[name, one.metal]
        recovery = net.catalogue.routes[item.route].recovery[one.metal].q50
        total += rough_metal_g(item, net) * (1 - recovery) / recovery * part
    return total * shares[f"keep:{link.burning}"].q50 / (1 - shares["untracked"].q50)


def rough_stream_g(part: StreamPart, metal: str, net: Assembly) -> float:
    """Metal in what went in of a stream: the row's median share of what its batch weighed, or of what went into it."""
    earlier = net.item_of[part.left_by, metal]
    if part.sort != "set-aside":
        return part.share * _rough_other_g(part, earlier, net)
    odds = math.exp(row_of(net, part.address, metal)[0])
    seen = rough_metal_g(earlier, net)
    if earlier.role not in BACKWARD or seen <= 0:
        return part.share * rough_charge_g(earlier, net) * odds / (1 + odds)
    recovery = net.catalogue.routes[earlier.route].recovery[metal].q50
    if is_share_of_rest(net, earlier):
        return part.share * seen / recovery * (1 - recovery) * odds / (1 + odds)
    return part.share * seen / recovery * odds


def _rough_other_g(part: StreamPart, earlier: BatchMetal, net: Assembly) -> float:
    """Metal in a residue or solution, or in what was wiped up, by the rows' medians."""
    seen, row = rough_metal_g(earlier, net), net.catalogue.routes[earlier.route].recovery.get(earlier.metal)
    recovery = row.q50 if row is not None else 0.0
    whole = seen / recovery if earlier.role in BACKWARD and seen > 0 else rough_charge_g(earlier, net)
    if part.sort == "wiped-up":
        loss = next(
            one for one in net.bench.batches[earlier.batch].losses if one.event == net.bench.stream(part.address).event
        )
        return whole * (loss.low + loss.high) / 2 * net.catalogue.shares["wiped-up"].q50
    if row is None:
        return whole
    return whole * (1 - recovery) * net.k[f"rest.{part.sort}"] / sum(net.k[f"rest.{place}"] for place in PLACES)


def rough_log_odds(subject: BatchMetal | Cell, net: Assembly, what: str) -> float:
    """Log odds of "failed" or "trace" from a normal plug-in of the weights or assays at hand.

    Each leaves the other explanation of a poor weight open; a pooled weight decides nothing about a single member.
    """
    if isinstance(subject, BatchMetal):
        return _failed_odds(subject, net)
    scale = net.scale(subject.kind, subject.metal)
    prior = logit(min(max(scale.p_absent, 1e-6), 1 - 1e-6))
    heard = [prior + _evidence(n, net) for n in net.sharing.get(switch(subject), ())]
    heard = [odds for odds in heard if odds != prior]  # fractions that share the switch and say something
    if not heard or min(heard) < 0 < max(heard):
        return 0.0 if heard else prior  # they contradict each other: open
    return max(heard, key=abs)


def _evidence(cell: int, net: Assembly) -> float:
    """What one fraction adds to the log odds of "trace"; 0 where nothing is known of it."""
    seen = _seen_x(cell, net, net.scales[cell])
    if seen is None:
        return 0.0
    x, sd = seen
    weighed = any(item.role == "W" for item in net.weights_of[cell])
    trace, present = _sides(cell, net)
    return _ln_seen(x, *trace, sd, net, weighed) - _ln_seen(x, *present, sd, net, weighed)


def _failed_odds(item: BatchMetal, net: Assembly) -> float:
    prior = math.log(max(net.k["recovery.failed_share"], 1e-12))
    seen, expected = rough_metal_g(item, net), rough_charge_g(item, net)
    if any((address, item.metal) in net.links for address in item.portions):
        return prior
    if item.role == "O" or seen <= 0 or expected <= 0 or not _one_switch(item, net):
        return prior
    if not is_sharp(item, net):
        return prior
    gap = math.log(seen / net.catalogue.routes[item.route].recovery[item.metal].q50 / expected)
    cell = net.cell_of[next(iter(item.portions)), item.metal]
    absent = min(max(net.scales[cell].p_absent, 1e-6), 1 - 1e-6)
    (trace, trace_sd), (present, sd) = _sides(cell, net)
    odds = prior
    for sign, centre, spread in ((1, FAILED_GAP, FAILED_SD), (-1, 0.0, 0.0)):
        parts = (
            math.log(absent) + _ln_normal(gap, trace - present + centre, math.hypot(trace_sd, spread)),
            math.log1p(-absent) + _ln_normal(gap, centre, math.hypot(sd, spread)),
        )
        odds += sign * _ln_sum(*parts)
    return odds


def _one_switch(item: BatchMetal, net: Assembly) -> bool:
    """Whether all that went into a batch is present or a trace together, and no stream of another batch is in it."""
    cells = [net.cell_of[address, item.metal] for address in item.portions]
    return not item.streams and len({switch(net.cells[cell]) for cell in cells}) == 1


def _sides(cell: int, net: Assembly) -> tuple[tuple[float, float], tuple[float, float]]:
    """Centre and sd of x as a trace and as present."""
    scale = net.scales[cell]
    return (net.trace_x(cell), net.k["grade.trace_log_sd"]), (scale.mu0, WIDER * scale.sd)


def _ln_seen(x: float, centre: float, spread: float, sd: float, net: Assembly, weighed: bool) -> float:
    """ln density of an x that a weight or an assay suggests; behind a weight there may be a failed run."""
    plain = _ln_normal(x, centre, math.hypot(spread, sd))
    if not weighed:
        return plain
    lost = min(max(net.k["recovery.failed_share"], 1e-12), 1 - 1e-12)
    poor = _ln_normal(x, centre + FAILED_GAP, math.hypot(spread, FAILED_SD))
    return _ln_sum(math.log1p(-lost) + plain, math.log(lost) + poor)


def _ln_sum(a: float, b: float) -> float:
    top = max(a, b)
    return top + math.log(math.exp(a - top) + math.exp(b - top))


def is_sharp(item: BatchMetal, net: Assembly) -> bool:
    """Whether the least that a batch may have weighed is most of what it showed: a coarse weight rules nothing out."""
    least = sum(least_weight_g(p) - COARSE_SDS * handling_sd(p, net.bench, net.k) for p in item.products)
    return least > 0.5 * sum(p.weight_g for p in item.products)


def _seen_x(cell: int, net: Assembly, scale: GradeScale) -> tuple[float, float] | None:
    """x that the first weight of its own or the assays suggest, with a rough sd."""
    weights = [
        item for item in net.weights_of[cell] if item.role == "W" and _one_switch(item, net) and is_sharp(item, net)
    ]
    if weights:
        item = weights[0]
        recovery = net.catalogue.routes[item.route].recovery[item.metal].q50
        ratio = rough_metal_g(item, net) / recovery / rough_charge_g(item, net)
        return min(scale.mu0 + math.log(ratio), 6.0), 0.3
    subject = net.cells[cell]
    assays = [
        a for a in net.evidence.assays
        if (parts_of(a)[0], a.metal) == ((subject.address, 1.0), subject.metal) and not a.below_detection
    ]  # fmt: skip
    if not assays:
        return None
    weight = sum(1 / a.u_rel**2 for a in assays)
    ln_grade = sum(math.log(a.value_g_per_t) / a.u_rel**2 for a in assays) / weight
    return logit(min(math.exp(ln_grade) / scale.limit, 0.98)), weight**-0.5


def rough_x(cell: int, net: Assembly) -> tuple[float, float]:
    """Reference and step of a free cell's present side."""
    scale = net.scales[cell]
    if net.is_linked(cell):
        grade = rough_ash_g(cell, net) / net.cells[cell].dry_kg * 1000
        return logit(min(max(grade / scale.limit, 1e-9), 0.9)), LINKED_SD
    seen = _seen_x(cell, net, scale)
    if seen is not None and net.graph.log_odds[switch(net.cells[cell])] < 0:  # else its present side is idle
        x, sd = seen
        precision = 1 / scale.sd**2 + 1 / sd**2
        return (scale.mu0 / scale.sd**2 + x / sd**2) / precision, precision**-0.5
    return scale.mu0, scale.sd


def rough_extra(item: BatchMetal, net: Assembly) -> tuple[float, float]:
    """Where to start with what an open batch may still give, and ln of what its charge holds at most (inf: of streams).

    The first is the unknown u of ln(final / so far) = softplus(u), or b sigmoid(u) where that leaves room for b.
    """
    recovery = net.catalogue.routes[item.route].recovery[item.metal].q50
    so_far = rough_metal_g(item, net)
    ratio = max(rough_charge_g(item, net) * recovery / so_far, 1.3)
    limits = [kg * net.scales[net.cell_of[address, item.metal]].limit / 1000 for address, kg in item.portions.items()]
    room = math.log(max(sum(limits) * recovery / so_far, 1.01))
    if item.streams:
        return math.log(ratio - 1), math.inf
    return logit(min(max(math.log(ratio) / room, 0.01), 0.9)), math.log(sum(limits))


def _ln_normal(x: float, mean: float, sd: float) -> float:
    return -0.5 * ((x - mean) / sd) ** 2 - math.log(sd)
