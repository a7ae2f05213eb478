"""Recording a result and saying what it changed: grades before and after, and the next ranking."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor, wait
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from gradeest.errors import InferenceError, InputError
from gradeest.records.domain import Bench
from gradeest.workflow.ash_clashes import AshClash, clashes_of
from gradeest.workflow.believing import State, believe, state_of
from gradeest.workflow.comparing import GradeChange, compare
from gradeest.workflow.expecting import (
    Judged,
    judge_assay,
    judge_batch,
    judge_product_assay,
    judge_settlement,
)
from gradeest.workflow.opening import Opened, Place, open_bench
from gradeest.workflow.outlook import RankingShown, Trust, load_prices, make_ranking, ranks_of, trust_in
from gradeest.workflow.recording import Saved, append
from gradeest.workflow.telling import Listener

if TYPE_CHECKING:
    from gradeest.belief.posterior import Posterior

NOBODY = Listener()
MOST_BESIDE = 100  # fractions that are ranked as before and as now at once: each takes megabytes


@dataclass(frozen=True)
class Recorded:
    """What was saved, before anything is learned from it."""

    saved: tuple[Saved, ...]
    batch: str
    batch_open: bool


@dataclass(frozen=True)
class Learned:
    """A saved result and what it changed. `changes` is empty with `later`; `ranking` is None without prices."""

    saved: tuple[Saved, ...]
    batch: str
    batch_open: bool
    judged: tuple[Judged, ...]  # against what was forecast
    clashes: tuple[AshClash, ...]  # of ash that a result is of with what its filters say
    changes: tuple[GradeChange, ...]
    ranking: RankingShown | None
    rank_before: Mapping[str, int | None]
    no_ranking: str  # why there is none
    trust: Trust | None
    later: bool


def record_product(place: Place, answers: Mapping[str, Any], **how: Any) -> Learned:
    """Keep a weighed product and learn from it. `how` is what `record` takes."""
    return record(place, "product", answers, **how)


def record_none(place: Place, answers: Mapping[str, Any], **how: Any) -> Learned:
    """Keep that nothing dropped, and learn from it. `how` is what `record` takes."""
    return record(place, "nondetect", answers, **how)


def record_spot_test(place: Place, answers: Mapping[str, Any], **how: Any) -> Learned:
    """Keep what a spot test of a batch's liquid showed, and learn from it. `how` is what `record` takes."""
    return record(place, "spottest", answers, **how)


def set_aside(place: Place, batch: str, streams: Sequence[tuple[str, float]], **how: Any) -> Learned:
    """Keep parts (name, kg) of a batch's charge that were set aside unprocessed. `how` is what `record` takes."""
    parts = [{"name": name, "mass_kg": kg} for name, kg in streams]
    return record(place, "setaside", {"batch": batch, "streams": parts}, **how)


def record_loss(place: Place, answers: Mapping[str, Any], **how: Any) -> Learned:
    """Keep that a share of a batch was lost, and learn from it. `how` is what `record` takes."""
    return record(place, "loss", answers, **how)


def close_batch(place: Place, batch: str, **how: Any) -> Learned:
    """Close a batch: its weights, until now lower bounds, count as all it gave. `how` is what `record` takes."""
    return record(place, "close", {"batch": batch}, **how)


def record(
    place: Place,
    kind: str,
    payload: Mapping[str, Any],
    *,
    date: dt.date,
    close: bool = False,
    sure: bool = False,
    later: bool = False,
    prices: Path | None = None,
    listener: Listener = NOBODY,
) -> Learned:
    """Append one result (and the closing of its batch, together or not at all), then learn from it."""
    with open_bench(place) as opened:
        if prices is not None:
            load_prices(opened, prices)  # a wrong file is said before anything is saved
        before = state_of(opened)
        with opened.ledger.atomic():
            saved = [append(opened, kind, payload, date, sure=sure)]
            if close:
                saved.append(append(opened, "close", {"batch": payload["batch"]}, date))
        batch = str(payload.get("batch", ""))
        recorded = Recorded(tuple(saved), batch, is_open(opened.bench, batch))
        listener.saved(recorded)
        if later:
            return Learned(recorded.saved, batch, recorded.batch_open, (), (), (), None, {}, "", None, True)
        try:
            return learn(opened, before, recorded, prices=prices, listener=listener)
        except InferenceError as err:
            numbers = ", ".join(str(s.event) for s in saved)
            said = f"saved as event {numbers}, but: {err.message}"
            raise InferenceError(said, err.hint, err.unfinished, err.issues) from err


def is_open(bench: Bench, batch: str) -> bool:
    """Whether there is such a batch and it is open."""
    return batch in bench.batches and bench.batches[batch].is_open


def learn(
    opened: Opened,
    before: State,
    recorded: Recorded,
    *,
    prices: Path | None = None,
    lot: str | None = None,
    listener: Listener = NOBODY,
) -> Learned:
    """What the ledger says now against what it said at `before`; ranks one lot where `lot` names it."""
    after = state_of(opened)
    old = believe(opened, before, report=listener.report)
    judged = judge(opened, before, old, recorded.saved)
    listener.judged(judged)
    about = {recorded.batch, *(one.name for one in recorded.saved if one.kind == "assay")}
    clashes = clashes_of(opened, about, listener.report)
    listener.clashed(clashes)
    new = believe(opened, report=listener.report)
    changes = compare(opened, before, after, old, new, touched_by(opened.bench, recorded))
    rank_before, ranking, why = rank_both(opened, before, old, new, prices, lot)
    return Learned(
        recorded.saved, recorded.batch, recorded.batch_open, judged, clashes, changes, ranking, rank_before, why,
        trust_in(new), False,
    )  # fmt: skip


def touched_by(bench: Bench, recorded: Recorded) -> set[str]:
    """The fractions that the result is about."""
    batches = {recorded.batch} if recorded.batch else batches_of(recorded.saved)
    charged = [charge.address for name in batches for charge in bench.batches[name].charges]
    roots = {root for address in charged for root in bench.fractions_behind(address)}
    return roots | {one.name for one in recorded.saved if one.kind == "assay"}


def batches_of(saved: Sequence[Saved]) -> set[str]:
    """The batches that entries speak of by their products, or start."""
    named = {one.name for one in saved if one.kind == "batch"}
    told = [one.name for one in saved if one.kind in ("productassay", "settlement")]
    return named | {address.partition("/")[0] for names in told for address in names.split(", ")}


def judge(opened: Opened, before: State, old: Posterior, saved: Sequence[Saved]) -> tuple[Judged, ...]:
    """Each new result against its own forecast; a closing makes all of its batch final."""
    numbers = {one.event for one in saved}
    closed = {one.name for one in saved if one.kind == "close"}
    found: list[Judged] = []
    for name, batch in opened.bench.batches.items():
        results = [(p.metal, p.event) for p in batch.products] + [(n.metal, n.event) for n in batch.nondetects]
        new = {metal for metal, event in results if event in numbers or name in closed}
        if new:
            found += [one for one in judge_batch(opened, before, old, name) if one.metal in new]
    assays = [assay for assay in opened.bench.assays if assay.event in numbers]
    found += [judge_assay(opened, old, assay) for assay in assays if assay.address in old.fractions]
    said = [judge_product_assay(opened, old, a) for a in opened.bench.product_assays if a.event in numbers]
    found += [one for one in said if one is not None]
    for paper in opened.bench.settlements:
        found += judge_settlement(opened, old, paper) if paper.event in numbers else ()
    return tuple(found)


def rank_both(
    opened: Opened, before: State, old: Posterior, new: Posterior, path: Path | None, lot: str | None
) -> tuple[dict[str, int | None], RankingShown | None, str]:
    """Ranks before, the ranking now, and why there is none."""
    try:
        prices, file = load_prices(opened, path)
    except InputError as err:
        return {}, None, " - ".join(part for part in (err.message, err.hint) if part)
    with ThreadPoolExecutor(1) as beside:
        ranks = beside.submit(ranks_of, opened, before, old, lot, prices)
        if len(new.fractions) > MOST_BESIDE:
            wait([ranks])
        ranking = make_ranking(opened, state_of(opened), new, lot, prices, file)
        return ranks.result(), ranking, ""
