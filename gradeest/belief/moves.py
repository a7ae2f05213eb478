"""What a grade rests on: pieces of evidence, the bench without one of them, and how far that piece moved the belief.

A piece is what one batch's results say of one metal, one spot test, one assay of a sample or a product, a refiner's
settlement, or what says how to read a result: a recorded loss, what was set aside (where it is still there: else the
later weight tells), whose filters an ash is of. A weight goes with the settlements that its product was melted for, and
with what was weighed of it when it was refined again: without it they mean nothing. A piece is judged by leaving it
out: the belief with it against the belief from all the others. How much it told is the divergence (Kullback and Leibler
1951) of the first from the second, of whether the metal is there and of ln grade; by the chain rule that of the two
chances of traces, and on either side that of two normals with the draws' means and spreads,

    ln(s0 / s1) + (s1^2 + (m1 - m0)^2) / (2 s0^2) - 1/2,        1 with the piece, 0 without it.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from gradeest.belief.evidence import BatchMetal, Evidence
from gradeest.belief.layers import jar_of, parts_of
from gradeest.records.domain import Bench, Charge

Values = NDArray[np.float64]  # (draw,)
Flags = NDArray[np.bool_]
Sort = Literal[
    "weight",
    "weight so far",
    "non-detect",
    "spot test",
    "assay",
    "plated area",
    "product assay",
    "settlement",
    "loss",
    "set aside",
    "linked ash",
]
SORTS: dict[str, Sort] = {"W": "weight", "S": "weight", "R": "weight", "O": "weight so far", "N": "non-detect"}
BENCH_RESULTS = ("assays", "product_assays", "settlements")  # fields of a bench that hold results, and those of a batch
BATCH_RESULTS = ("products", "nondetects", "spot_tests", "losses", "streams")
LEAST_SIDE = 30  # draws on a side below which its spread says nothing
BLOCKS = 20  # of draws, for the Monte Carlo error
NATS = math.log(2)  # of a bit


@dataclass(frozen=True)
class Piece:
    """What was recorded by `events`: `sort` of result, of batches or of a fraction (`about`), on one metal."""

    sort: Sort
    about: tuple[str, ...]
    metal: str
    events: tuple[int, ...]


@dataclass(frozen=True)
class Belief:
    """Draws of one grade: g/t, and whether it is only a trace; (draw,) each, in the order of the fit's particles."""

    grade_g_per_t: Values
    is_trace: Flags


@dataclass(frozen=True)
class Move:
    """How far a belief moved: by which factor its median did, and bits told; with their Monte Carlo errors."""

    factor: float
    ln_factor_mcse: float
    bits: float
    bits_mcse: float


def list_pieces(evidence: Evidence, bench: Bench) -> tuple[Piece, ...]:
    """All pieces of evidence of a bench, those of batches first."""
    return (*_pieces(evidence), *_ways_of_reading(evidence, bench))


def _ways_of_reading(evidence: Evidence, bench: Bench) -> Iterator[Piece]:
    """Losses, streams set aside and links of batches and metals with a result: it is read another way without them."""
    charges = [charge for batch in bench.batches.values() for charge in batch.charges]
    taken = {bench.stream(c.address).event for c in charges if bench.has_stream(c.address)}
    assayed = {(one.address, one.metal) for one in evidence.assays}
    for item in evidence.batch_metals:
        batch = bench.batches[item.batch]
        has_result = item.role in SORTS
        losses = dict.fromkeys(loss.event for loss in batch.losses if has_result)
        aside = dict.fromkeys(one.event for one in batch.streams if has_result and one.sort == "set-aside")
        yield from (Piece("loss", (batch.name,), item.metal, (event,)) for event in losses if event not in taken)
        yield from (Piece("set aside", (batch.name,), item.metal, (event,)) for event in aside if event not in taken)
        for charge in batch.charges:
            told = has_result or (charge.address, item.metal) in assayed
            if charge.link is not None and told and (charge.address, item.metal) in evidence.links:
                yield Piece("linked ash", (batch.name,), item.metal, (charge.link.event,))


def _pieces(evidence: Evidence) -> Iterator[Piece]:
    weighed: dict[tuple[str, str], str] = {}  # product and metal -> its batch
    for item in evidence.batch_metals:
        names = {f"{item.batch}/{product.name}" for product in item.products}
        weighed |= {(name, item.metal): item.batch for name in names}
        events = _weights_and_papers(evidence, item)
        if item.role == "N" and item.nondetect is not None:
            events = {item.nondetect.event}
        if item.role in SORTS:
            yield Piece(SORTS[item.role], (item.batch,), item.metal, tuple(sorted(events)))
        for test in item.tests:
            yield Piece("spot test", (item.batch,), item.metal, (test.event,))
        assays, lines = evidence.carried_into(item)
        yield from (Piece("product assay", (item.batch,), item.metal, (said.event,)) for said in assays)
        yield from (Piece("settlement", (item.batch,), item.metal, (said.event,)) for said in lines)
    for (address, metal), batch in weighed.items():  # what is another metal is not the product's own
        for said in evidence.product_assays:
            if said.address == address:
                yield Piece("product assay", (batch,), metal, (said.event,))
    for paper in evidence.settlements:
        for line in paper.metals:
            melted = dict.fromkeys(weighed[a, line.name] for a in paper.products if (a, line.name) in weighed)
            if melted and line.fineness > 0:
                yield Piece("settlement", tuple(melted), line.name, (paper.event,))
    for assay in evidence.assays:
        sort: Sort = "plated area" if assay.method == "plating" else "assay"
        yield Piece(sort, (jar_of(parts_of(assay)[0][0]),), assay.metal, (assay.event,))


def _weights_and_papers(evidence: Evidence, item: BatchMetal) -> set[int]:
    """Events of a batch's weights, of settlements of its products, and of both of what these were refined into."""
    names = {f"{item.batch}/{product.name}" for product in item.products}
    events = {product.event for product in item.products}
    events |= {paper.event for paper in evidence.settlements if names.intersection(paper.products)}
    for later in evidence.batch_metals:
        if any(part.address in names for part in later.refined):
            events |= _weights_and_papers(evidence, later)
    return events


def batches_behind(bench: Bench, address: str) -> tuple[str, ...]:
    """Batches that took of a fraction, and those that took what such batches had left, streams or ash, in order."""
    found: dict[str, None] = {}
    for batch in bench.batches.values():  # what a batch left is only charged to later ones
        for charge in batch.charges:
            left_by = charge.link.batches if charge.link is not None else (charge.address.partition("/")[0],)
            if charge.address == address or found.keys() & set(left_by):
                found[batch.name] = None
    return tuple(found)


def leave_out(bench: Bench, events: Collection[int]) -> Bench:
    """The bench as if these results had not been recorded."""

    def others(record: Any, fields: tuple[str, ...]) -> dict[str, Any]:
        return {name: tuple(one for one in getattr(record, name) if one.event not in events) for name in fields}

    batches = {
        name: replace(
            batch, charges=tuple(unlinked(one, events) for one in batch.charges), **others(batch, BATCH_RESULTS)
        )
        for name, batch in bench.batches.items()
    }
    return replace(bench, batches=batches, **others(bench, BENCH_RESULTS))


def unlinked(charge: Charge, events: Collection[int]) -> Charge:
    """A charge as if one of these entries had not said whose filters it is of."""
    return replace(charge, link=None) if charge.link is not None and charge.link.event in events else charge


def measure_move(now: Belief, without: Belief) -> Move:
    """How far the belief is from the one without a piece. Errors by leaving out a block of draws at a time."""
    whole = np.array(_compare(now, without))
    ours = [_compare(_less(now, n), without) for n in range(BLOCKS)]
    theirs = [_compare(now, _less(without, n)) for n in range(BLOCKS)]
    parts = np.array([ours, theirs])
    error = np.sqrt((BLOCKS - 1) * parts.var(axis=1).sum(axis=0))
    return Move(math.exp(whole[0]), float(error[0]), max(float(whole[1]), 0.0), float(error[1]))


def _less(belief: Belief, block: int) -> Belief:
    """A belief without one block of its draws."""
    kept = np.arange(len(belief.is_trace)) * BLOCKS // len(belief.is_trace) != block
    return Belief(belief.grade_g_per_t[kept], belief.is_trace[kept])


def _compare(now: Belief, without: Belief) -> tuple[float, float]:
    """ln of the ratio of the medians, and bits."""
    ln_now, ln_without = np.log(now.grade_g_per_t), np.log(without.grade_g_per_t)
    return float(np.median(ln_now) - np.median(ln_without)), told_nats(ln_now, now, ln_without, without) / NATS


def told_nats(ln_now: Values, now: Belief, ln_without: Values, without: Belief) -> float:
    """The divergence, in nats. A side that hardly holds draws counts by its chance alone."""
    total = 0.0
    for side in (False, True):
        one, other = ln_now[now.is_trace == side], ln_without[without.is_trace == side]
        p, q = ((len(part) + 0.5) / (len(all_of) + 1) for part, all_of in ((one, ln_now), (other, ln_without)))
        total += p * math.log(p / q)
        if min(len(one), len(other)) >= LEAST_SIDE:
            m1, m0, s1, s0 = float(one.mean()), float(other.mean()), float(one.std()), float(other.std())
            total += p * (math.log(s0 / s1) + (s1**2 + (m1 - m0) ** 2) / (2 * s0**2) - 0.5)
    return total
