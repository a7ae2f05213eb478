"""Recording a result and saying what it changed: grades before and after, and the next ranking."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from gradeest.belief.outcome import Outcome, Run
from gradeest.errors import InferenceError, InputError
from gradeest.records.domain import METALS, Bench
from gradeest.workflow.believing import Say, State, believe, keep_quiet, run_forward, run_pooled, state_of
from gradeest.workflow.opening import Opened, Place, open_bench
from gradeest.workflow.outlook import RankingShown, Trust, load_prices, make_ranking, trust_in
from gradeest.workflow.recording import Saved, append

if TYPE_CHECKING:
    from gradeest.belief.posterior import Posterior

Points = tuple[float, float, float]  # 5, 50 and 95 %

USUAL_CAUSES = (
    "a wrong unit, a damp weight, base metal in it, another metal, a spill, or gold still in the liquid or cemented "
    "on the residue: keep the liquid and test it"
)
MOVED = 0.1  # what moved or narrowed by less than a tenth is not shown: the draws alone move it by some per cent
LEAST_GRADE = 1e-3  # g/t: below this the medians are compared no further


@dataclass(frozen=True)
class GradeChange:
    """Grade of one fraction and metal before and after, in g/t of dry feed (5/50/95 %)."""

    address: str
    kind: str
    metal: str
    touched: bool  # it was in what the result came from
    contained_before: Points
    contained_after: Points
    recoverable_before: Points | None  # None where the usual route recovers none of the metal
    recoverable_after: Points | None
    p_trace_before: float
    p_trace_after: float
    rests_on: str


@dataclass(frozen=True)
class Surprise:
    """A result in the outer 1 % of its own forecast, found before it was learned from."""

    batch: str
    metal: str
    weighed_g: float
    expected_g: Points
    share_below: float  # of the forecast draws
    causes: str


@dataclass(frozen=True)
class Learned:
    """A saved result and what it changed. `changes` is empty with `later`; `ranking` is None without prices."""

    saved: tuple[Saved, ...]
    batch: str
    batch_open: bool
    surprises: tuple[Surprise, ...]
    changes: tuple[GradeChange, ...]
    ranking: RankingShown | None
    rank_before: Mapping[str, int | None]
    no_ranking: str  # why there is none
    trust: Trust | None
    later: bool


def record_product(
    place: Place,
    answers: Mapping[str, Any],
    *,
    date: dt.date,
    close: bool = False,
    sure: bool = False,
    later: bool = False,
    prices: Path | None = None,
    say: Say = keep_quiet,
) -> Learned:
    """Keep a weighed product and learn from it."""
    return record(place, "product", answers, date, close=close, sure=sure, later=later, prices=prices, say=say)


def record_none(
    place: Place,
    answers: Mapping[str, Any],
    *,
    date: dt.date,
    close: bool = False,
    sure: bool = False,
    later: bool = False,
    prices: Path | None = None,
    say: Say = keep_quiet,
) -> Learned:
    """Keep that nothing dropped, and learn from it."""
    return record(place, "nondetect", answers, date, close=close, sure=sure, later=later, prices=prices, say=say)


def record_assay(
    place: Place,
    answers: Mapping[str, Any],
    *,
    date: dt.date,
    sure: bool = False,
    later: bool = False,
    prices: Path | None = None,
    say: Say = keep_quiet,
) -> Learned:
    """Keep an assay of a fraction and learn from it."""
    return record(place, "assay", answers, date, sure=sure, later=later, prices=prices, say=say)


def close_batch(
    place: Place,
    batch: str,
    *,
    date: dt.date,
    later: bool = False,
    prices: Path | None = None,
    say: Say = keep_quiet,
) -> Learned:
    """Close a batch: its weights, until now lower bounds, count as all it gave."""
    return record(place, "close", {"batch": batch}, date, later=later, prices=prices, say=say)


def record(
    place: Place,
    kind: str,
    payload: Mapping[str, Any],
    date: dt.date,
    *,
    close: bool = False,
    sure: bool = False,
    later: bool = False,
    prices: Path | None = None,
    say: Say = keep_quiet,
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
        if later:
            return Learned(tuple(saved), batch, is_open(opened.bench, batch), (), (), None, {}, "", None, True)
        try:
            return learn(opened, before, tuple(saved), batch, prices=prices, say=say)
        except InferenceError as err:
            numbers = ", ".join(str(s.event) for s in saved)
            raise InferenceError(f"saved as event {numbers}, but: {err.message}", err.hint, err.unfinished) from err


def is_open(bench: Bench, batch: str) -> bool:
    """Whether there is such a batch and it is open."""
    return batch in bench.batches and bench.batches[batch].is_open


def learn(
    opened: Opened,
    before: State,
    saved: tuple[Saved, ...],
    batch: str,
    *,
    prices: Path | None = None,
    lot: str | None = None,
    say: Say = keep_quiet,
) -> Learned:
    """What the ledger says now against what it said at `before`; ranks one lot where `lot` names it."""
    after = state_of(opened)
    old = believe(opened, before, say=say)
    touched = touched_by(opened.bench, saved, batch)
    surprises = find_surprises(opened, before, old, batch)
    new = believe(opened, say=say)
    changes = compare(opened, before, after, old, new, touched)
    rank_before, ranking, why = rank_both(opened, before, old, new, prices, lot)
    return Learned(
        saved, batch, is_open(opened.bench, batch), surprises, changes, ranking, rank_before, why, trust_in(new), False
    )


def touched_by(bench: Bench, saved: Sequence[Saved], batch: str) -> set[str]:
    """The fractions that the result is about."""
    batches = {batch} if batch else {one.name for one in saved if one.kind == "batch"}
    charged = {charge.address for name in batches for charge in bench.batches[name].charges}
    return charged | {one.name for one in saved if one.kind == "assay"}


def weighed_metal(opened: Opened, batch: str) -> dict[str, float]:
    """Fine metal weighed from a batch so far, at the middle purity of each form, in g by metal."""
    found: dict[str, float] = {}
    for product in opened.bench.batches[batch].products:
        form = opened.catalogue.forms[product.form]
        dry = 1 - opened.catalogue.shares["moisture"].q50 if product.damp else 1.0
        found[product.metal] = found.get(product.metal, 0.0) + product.weight_g * dry * form.factor * form.purity.q50
    return found


def find_surprises(opened: Opened, before: State, old: Posterior, batch: str) -> tuple[Surprise, ...]:
    """Results of a batch in the outer 1 % of what was expected of it before."""
    if not batch or any(p.products or p.nondetects for p in [before.bench.batches.get(batch)] if p is not None):
        return ()  # its own earlier weights are in the forecast already
    now = opened.bench.batches[batch]
    charges = [c for c in now.charges if c.address in old.fractions]
    if len(charges) < len(now.charges):
        return ()
    total = run_pooled(opened, old, [Run(c.address, c.mass_kg, now.route) for c in charges])
    surprises = []
    for metal, grams in weighed_metal(opened, batch).items():
        draws = total[:, METALS.index(metal)]
        below = float(np.mean(draws < grams))
        # an open batch may still give more: only too much is a surprise
        if below > 0.99 or (below < 0.01 and not now.is_open):
            surprises.append(Surprise(batch, metal, grams, points(draws), below, USUAL_CAUSES))
    return tuple(surprises)


def points(draws: Any) -> Points:
    """The 5, 50 and 95 % points."""
    q5, q50, q95 = np.quantile(draws, (0.05, 0.5, 0.95))
    return float(q5), float(q50), float(q95)


def whole_runs(opened: Opened, bench: Bench) -> list[Run]:
    """Each fraction as a whole by its kind's usual route (that of its batch where it was processed)."""
    runs = []
    for address in bench.addresses():
        fraction = bench.fraction(address)
        routes = [b.route for b in bench.batches.values() if any(c.address == address for c in b.charges)]
        route = routes[-1] if routes else opened.catalogue.kinds[fraction.kind].usual_route
        if route:
            runs.append(Run(address, fraction.mass_kg, route))
    return runs


def compare(
    opened: Opened, before: State, after: State, old: Posterior, new: Posterior, touched: set[str]
) -> tuple[GradeChange, ...]:
    """Contained and recoverable grades before and after: the fractions of the result first, then others that moved."""
    runs = [run for run in whole_runs(opened, after.bench) if run.address in set(before.bench.addresses())]
    was, now = (run_forward(opened, posterior, runs) for posterior in (old, new))
    changes = []
    for i, run in enumerate(runs):
        kind = after.bench.fraction(run.address).kind
        recovers = opened.catalogue.routes[run.route].recovery
        for metal in METALS:
            grades = [
                (contained(posterior, run.address, metal), recoverable(posterior, outcome, i, metal))
                for posterior, outcome in ((old, was), (new, now))
            ]
            changes.append(
                GradeChange(
                    run.address,
                    kind,
                    metal,
                    run.address in touched,
                    points(grades[0][0]),
                    points(grades[1][0]),
                    points(grades[0][1]) if metal in recovers else None,
                    points(grades[1][1]) if metal in recovers else None,
                    trace_chance(old, run.address, metal),
                    trace_chance(new, run.address, metal),
                    new.rests_on.get((run.address, metal), "prior only"),
                )
            )
    return tuple(sorted(changes, key=lambda change: not change.touched))


def contained(posterior: Posterior, address: str, metal: str) -> Any:
    """Draws of the contained grade, g/t."""
    return posterior.grade_g_per_t[:, posterior.fractions.index(address), posterior.metals.index(metal)]


def recoverable(posterior: Posterior, outcome: Outcome, run: int, metal: str) -> Any:
    """Draws of the recoverable grade, g/t: what was weighed per kg processed, else what a run of all of it will give."""
    address, m = outcome.runs[run].address, METALS.index(metal)
    weighed = posterior.recoverable_g_per_t[:, posterior.fractions.index(address), m]
    if not np.isnan(weighed).any():
        return weighed
    return 1000 / outcome.runs[run].mass_kg * outcome.recovered_g[:, run, m]


def trace_chance(posterior: Posterior, address: str, metal: str) -> float:
    """Chance that the metal is there only as traces."""
    return float(posterior.is_trace[:, posterior.fractions.index(address), posterior.metals.index(metal)].mean())


def has_moved(change: GradeChange) -> bool:
    """Whether a grade moved, or narrowed, enough to be worth a line."""
    if abs(change.p_trace_after - change.p_trace_before) > MOVED:
        return True
    if change.p_trace_after > 0.5:
        return False  # where it is hardly there its middle is only noise
    low, mid, high = np.log(np.maximum(change.contained_before, LEAST_GRADE))
    new_low, new_mid, new_high = np.log(np.maximum(change.contained_after, LEAST_GRADE))
    return bool(abs(new_mid - mid) > MOVED or (high - low) - (new_high - new_low) > MOVED * (high - low))


def rank_both(
    opened: Opened, before: State, old: Posterior, new: Posterior, path: Path | None, lot: str | None
) -> tuple[dict[str, int | None], RankingShown | None, str]:
    """Ranks before, the ranking now, and why there is none."""
    try:
        prices, file = load_prices(opened, path)
    except InputError as err:
        return {}, None, " - ".join(part for part in (err.message, err.hint) if part)
    ranking = make_ranking(opened, state_of(opened), new, lot, prices, file)
    earlier = make_ranking(opened, before, old, lot, prices, file, kept=False)
    return {row.address: row.rank for row in earlier.ranking.rows}, ranking, ""
