"""What a batch is expected to give, kept before it is run; and results held against what was expected of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from gradeest.belief.outcome import Run
from gradeest.errors import GradeestError
from gradeest.materials.catalogue import Catalogue
from gradeest.records.domain import METALS, Assay, Batch, NonDetect, Product, ProductAssay, Settlement
from gradeest.records.ledger import Shown
from gradeest.workflow.believing import PRIOR_DRAWS, State, believe, run_pooled, stream
from gradeest.workflow.opening import Opened
from gradeest.workflow.outlook import ground, keep
from gradeest.workflow.telling import Report, say_nothing

if TYPE_CHECKING:
    from gradeest.belief.posterior import Posterior
    from gradeest.workflow.explaining import Cause

LEVELS = (0.01, 0.02, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.98, 0.99)
OUTER = 0.01  # a result in the outer 1 % of its forecast is announced
FAR_OUT = 0.05  # on either side: causes are weighed


@dataclass(frozen=True)
class Expected:
    """One metal of a batch: quantiles at `levels` of fine metal and of the weight on the balance, in g."""

    metal: str
    form: str
    p_trace: float  # chance that none of the fractions holds more than traces
    levels: tuple[float, ...]
    recovered_g: tuple[float, ...]
    weight_g: tuple[float, ...]

    def recovered_at(self, level: float) -> float:
        """A quantile of the fine metal."""
        return self.recovered_g[self.levels.index(level)]

    def weight_at(self, level: float) -> float:
        """A quantile of the weight on the balance."""
        return self.weight_g[self.levels.index(level)]


@dataclass(frozen=True)
class Judged:
    """A result against its forecast, before it was learned from. `expected` are the 5, 50 and 95 % points.

    Parameters: evidence, "weight", "none", "assay", "product assay" or "settlement"; value, fine metal in g, the limit
    in g, a grade in g/t, or a purity in %;
    share_below, how much of the forecast lies below the value (0-1; beyond 0.01-0.99 it is not told apart);
    surprise, it lies in the outer 1 %; kept, the forecast was made when the batch was started.
    """

    of: str  # the batch, or the fraction that was assayed
    metal: str
    evidence: str
    value: float
    unit: str
    expected: tuple[float, float, float]
    share_below: float
    surprise: bool
    kept: bool
    open: bool
    causes: tuple[Cause, ...]  # the likeliest first; none for what an ordinary run would give


def expect_batch(opened: Opened, state: State, batch: Batch, posterior: Posterior) -> tuple[Expected, ...]:
    """What a batch is expected to give, by the belief of a state in which it was not yet run."""
    from gradeest.workflow.holdings import metal_of_streams, sort_charges

    alone, streams = sort_charges(state.bench, posterior, batch)
    runs = [Run(c.address, c.mass_kg, batch.route) for c in alone]
    if len(runs) + len(streams) < len(batch.charges):
        return ()  # a fraction or stream that this state did not know
    recovered, weight = run_pooled(opened, posterior, batch.route, runs, metal_of_streams(opened, posterior, streams))
    refined = {state.bench.product(c.address).metal for c in batch.charges if state.bench.has_product(c.address)}
    roots = dict.fromkeys(root for c in batch.charges for root in state.bench.fractions_behind(c.address))
    rows = []
    for metal, form in opened.catalogue.routes[batch.route].usual_form.items():
        if refined and metal not in refined:
            continue  # none of the products is of it
        m = METALS.index(metal)
        trace = posterior.is_trace[:, [posterior.fractions.index(root) for root in roots], m].all(axis=1)
        trace = trace & (metal not in refined)  # it was weighed
        quantiles = [tuple(float(q) for q in np.quantile(draws[:, m], LEVELS)) for draws in (recovered, weight)]
        rows.append(Expected(metal, form, float(trace.mean()), LEVELS, *quantiles))
    return tuple(sorted(rows, key=lambda row: METALS.index(row.metal)))


def forecast_batch(
    opened: Opened, state: State, batch: Batch, report: Report = say_nothing
) -> tuple[tuple[Expected, ...], str]:
    """The forecast of a batch just started, kept in the ledger; else nothing and why.

    Parameters: state, the bench before the batch was started.
    """
    try:
        rows = expect_batch(opened, state, batch, believe(opened, state, report=report))
    except GradeestError as err:  # the batch is saved: it must not look as if it were not
        return (), err.message
    keep(opened, "batch", {**identify(batch), "expected": rows, **ground(opened)})
    return rows, ""


def identify(batch: Batch) -> dict[str, Any]:
    """What a kept forecast of a batch is known by: an amended charge or route makes it another batch."""
    return {
        "batch": batch.name,
        "route": batch.route,
        "charges": [[c.address, c.mass_kg] for c in batch.charges],
    }


def kept_forecast(opened: Opened, batch: Batch) -> tuple[Expected, ...]:
    """The forecast shown when a batch was started; empty where none was, or the batch was changed since.

    One made after the day of a result is no forecast of it: records entered after the fact have none.
    """
    shown = shown_forecast(opened, batch)
    if shown is None or is_late(shown, batch):
        return ()
    return tuple(restore(row) for row in shown.content["expected"])


def shown_forecast(opened: Opened, batch: Batch) -> Shown | None:
    """The last forecast shown of a batch as it is."""
    marks = identify(batch)
    for shown in reversed(opened.ledger.shown("batch")):
        if all(shown.content.get(name) == value for name, value in marks.items()):
            return shown
    return None


def is_late(shown: Shown, batch: Batch) -> bool:
    """Whether a forecast was made after the day of the batch's first result."""
    days = [p.date for p in batch.products] + [n.date for n in batch.nondetects]
    return bool(days) and shown.recorded_at.date() > min(days)


def made_late(opened: Opened, batch: Batch) -> str:
    """Why a batch's forecast does not count, or ""."""
    shown = shown_forecast(opened, batch)
    if shown is None or not is_late(shown, batch):
        return ""
    return f"it was made on {shown.recorded_at.date()}, after the first result: it counts as none"


def restore(row: dict[str, Any]) -> Expected:
    """A forecast as it was kept."""
    levels, recovered, weight = (tuple(row[name]) for name in ("levels", "recovered_g", "weight_g"))
    return Expected(row["metal"], row["form"], row["p_trace"], levels, recovered, weight)


def judge_batch(opened: Opened, before: State, old: Posterior, name: str) -> tuple[Judged, ...]:
    """Everything weighed or not found of a batch so far, against the forecast made before any of it."""
    from gradeest.workflow.explaining import explain_none, explain_weight

    batch = opened.bench.batches[name]
    earlier = before.bench.batches.get(name)
    rows = kept_forecast(opened, batch)
    kept = bool(rows)
    if not kept:
        if earlier is not None and (earlier.products or earlier.nondetects):
            return ()  # what was learned from it is in the belief already
        rows = expect_batch(opened, before, batch, old)
    known = {row.metal: after_outflows(row, batch, opened) for row in rows}
    told = {row.metal: row for row in rows}
    found = []
    for metal, grams in weighed_metal(batch, opened.catalogue).items():
        if metal in known:
            one = judge_weight(batch, known[metal], grams, kept)
            if one.surprise or (is_far_out(one) and not batch.is_open):
                high = one.share_below > 0.5
                one = because(one, explain_weight(opened, before, old, batch, told[metal], grams, too_much=high))
            found.append(one)
    for none in batch.nondetects:
        if none.metal in known and not any(p.metal == none.metal for p in batch.products):
            one = judge_none(none, batch, known[none.metal], kept)
            if one.surprise or (is_far_out(one) and one.share_below < 0.5 and none.liquid != "kept"):
                one = because(one, explain_none(opened, before, old, batch, told[none.metal], none))
            found.append(one)
    return tuple(found)


def is_far_out(one: Judged) -> bool:
    """Whether a result lies where it is worth asking why, surprise or not: a forecast allows for failed runs."""
    return not FAR_OUT < one.share_below < 1 - FAR_OUT


def because(one: Judged, causes: tuple[Cause, ...]) -> Judged:
    """The result with its causes; one that is no surprise has them only where an ordinary run is the less likely."""
    ordinary = sum(cause.probability for cause in causes if cause.cause == "ordinary")
    return replace(one, causes=causes) if one.surprise or ordinary < 0.5 else one


def after_outflows(row: Expected, batch: Batch, opened: Opened) -> Expected:
    """A forecast of what is left in work: what was spilled or set aside, and written down, is no surprise."""
    from gradeest.belief.outflows import draw_ln_kept

    if not batch.losses and not batch.streams:
        return row
    ln_kept = draw_ln_kept(batch, opened.catalogue, stream(opened.place, "kept"), PRIOR_DRAWS)
    kept = float(np.exp(np.median(ln_kept)))
    fine, weight = (tuple(g * kept for g in grams) for grams in (row.recovered_g, row.weight_g))
    return replace(row, recovered_g=fine, weight_g=weight)


def weighed_metal(batch: Batch, catalogue: Catalogue) -> dict[str, float]:
    """Fine metal weighed from a batch so far, at the middle purity of each form, in g by metal."""
    found: dict[str, float] = {}
    for product in batch.products:
        found[product.metal] = found.get(product.metal, 0.0) + fine_metal(product, catalogue)
    return found


def fine_metal(product: Product, catalogue: Catalogue) -> float:
    """Fine metal in a product, at the middle purity of its form and the middle moisture where it was damp, g."""
    form = catalogue.forms[product.form]
    dry = 1 - catalogue.shares["moisture"].q50 if product.damp else 1.0
    return product.weight_g * dry * form.factor * form.purity.q50


def judge_weight(batch: Batch, row: Expected, grams: float, kept: bool) -> Judged:
    """Fine metal weighed so far against the forecast; of an open batch only too much is surprising."""
    share = share_below(row.recovered_g, row.levels, grams)
    odd = share >= 1 - OUTER or (share <= OUTER and not batch.is_open)
    points = (row.recovered_at(0.05), row.recovered_at(0.5), row.recovered_at(0.95))
    return Judged(batch.name, row.metal, "weight", grams, "g", points, share, odd, kept, batch.is_open, ())


def judge_none(none: NonDetect, batch: Batch, row: Expected, kept: bool) -> Judged:
    """Nothing dropped: the chance that so little was to come. A liquid that was kept may still hold it."""
    share = share_below(row.weight_g, row.levels, none.below_g)
    odd = share <= OUTER and none.liquid != "kept"
    points = (row.weight_at(0.05), row.weight_at(0.5), row.weight_at(0.95))
    return Judged(batch.name, row.metal, "none", none.below_g, "g", points, share, odd, kept, batch.is_open, ())


def judge_assay(opened: Opened, old: Posterior, assay: Assay) -> Judged:
    """An assay against what it was expected to say: the grade, and the assay's own error."""
    from gradeest.workflow.explaining import explain_assay

    grades = expected_grade(opened, old, assay)
    error = assay.u_rel * stream(opened.place, "assay").standard_normal(grades.size)
    expected = grades * np.exp(error)
    quantiles = np.quantile(expected, LEVELS)
    share = share_below([float(q) for q in quantiles], LEVELS, assay.value_g_per_t)
    odd = share <= OUTER or (share >= 1 - OUTER and not assay.below_detection)
    at = [LEVELS.index(level) for level in (0.05, 0.5, 0.95)]
    low, mid, high = (float(quantiles[i]) for i in at)
    causes = explain_assay(opened, old, assay, expected, too_much=share > 0.5) if odd else ()
    return Judged(
        assay.address, assay.metal, "assay", assay.value_g_per_t, "g/t", (low, mid, high), share, odd, False, False,
        causes,
    )  # fmt: skip


def expected_grade(opened: Opened, old: Posterior, assay: Assay) -> NDArray[np.float64]:
    """Draws of a grade before an assay of it, (draw,): of linked ash that nothing told of yet by its filters."""
    from gradeest.workflow.holdings import Holdings

    f, m = old.fractions.index(assay.address), METALS.index(assay.metal)
    charges = [c for batch in opened.bench.batches.values() for c in batch.charges]
    for charge in (c for c in charges if c.link is not None and c.address == assay.address):
        return Holdings(opened, old).of_charge(charge)[:, m] / (charge.mass_kg * float(old.dry_share[f]) / 1000)
    return old.grade_g_per_t[:, f, m]


def judge_product_assay(opened: Opened, old: Posterior, assay: ProductAssay) -> Judged | None:
    """An assay of a product against the purity it was thought to have; None where nothing was known of it dry."""
    product = opened.bench.product(assay.address)
    fine = old.product_g.get((product.batch, product.name))
    if fine is None or product.damp or product.metal != assay.metal or product.interval_g:
        return None
    error = assay.u * stream(opened.place, "product assay").standard_normal(fine.size)
    expected = 100 * np.minimum(fine / product.weight_g + error, 1.0)
    return judge_said(assay.address, assay.metal, "product assay", 100 * assay.share, "%", expected)


def judge_settlement(opened: Opened, old: Posterior, paper: Settlement) -> tuple[Judged, ...]:
    """What a refiner found, metal by metal, against what the products were thought to hold, less the melt loss."""
    found = []
    products = [opened.bench.product(address) for address in paper.products]
    rng = stream(opened.place, "settlement")
    for line in paper.metals:
        fine = [old.product_g.get((p.batch, p.name)) for p in products if p.metal == line.name]
        known = [grams for grams in fine if grams is not None]
        if not known or len(known) < len(fine) or line.fineness <= 0:
            continue
        error = opened.catalogue.constants["settlement.log_sd"] * rng.standard_normal(known[0].size)
        expected = np.sum(known, axis=0) * (1 - opened.catalogue.shares["melt-loss"].q50) * np.exp(error)
        told = paper.melted_g * line.fineness
        found.append(judge_said(", ".join(paper.products), line.name, "settlement", told, "g", expected))
    return tuple(found)


def judge_said(of: str, metal: str, evidence: str, value: float, unit: str, expected: NDArray[np.float64]) -> Judged:
    """What others said of products against draws (draw,) of what they were expected to say."""
    quantiles = [float(q) for q in np.quantile(expected, LEVELS)]
    share = share_below(quantiles, LEVELS, value)
    low, mid, high = (quantiles[LEVELS.index(level)] for level in (0.05, 0.5, 0.95))
    odd = share <= OUTER or share >= 1 - OUTER
    return Judged(of, metal, evidence, value, unit, (low, mid, high), share, odd, False, False, ())


def share_below(quantiles: Sequence[float], levels: Sequence[float], value: float) -> float:
    """How much of a forecast lies below a value, from its quantiles; the first or last level beyond them."""
    floor = 1e-9  # g: only to take logarithms of nothing
    points = np.log(np.maximum(quantiles, floor))
    return float(np.interp(np.log(max(value, floor)), points, levels))
