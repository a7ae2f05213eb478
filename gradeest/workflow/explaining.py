"""Why a result was hardly expected: the model's own probabilities of the usual causes, and what to do about each."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from gradeest.belief.causes import Forward, Likely, Seen, causes_of_assay, causes_of_weight, weigh_causes
from gradeest.belief.network import logit_normal
from gradeest.belief.outcome import Run
from gradeest.belief.outflows import draw_ln_kept
from gradeest.records.domain import METALS, Assay, Batch, NonDetect
from gradeest.workflow.believing import FORWARD_DRAWS, State, run_pooled, stream
from gradeest.workflow.opening import Opened

if TYPE_CHECKING:
    from gradeest.belief.posterior import Posterior
    from gradeest.workflow.expecting import Expected

Values = NDArray[np.float64]
METAL_WORDS = {"Au": "gold", "Ag": "silver", "Pd": "palladium"}
WORDS = {
    "failed": ("a failed run", "keep liquid and residue; test both before anything is thrown away"),
    "spill": ("a spill", "look where it went, and write it down: gradeest record loss"),
    "undropped": (
        "{metal} still in the liquid or cemented on the residue",
        "look at the residue too; what comes of it later is a product of the same batch",
    ),
    "foreign": (
        "{metal} from something else in it",
        "if something else went in, undo the batch and charge it as a fraction of its own",
    ),
    "wet": ("weighed damp", "weigh it again dry, and amend the weight"),
    "impure": (
        "base metal or salts in it",
        "have its purity tested before you count on it; amend the form if it is another",
    ),
    "unit": ("a wrong unit or a slipped decimal point", "read the balance and your note again, and amend the record"),
    "sample": ("a sample that was not like the rest", "take another sample of all of it"),
    "kind": ("a fraction of another kind than noted", "look at the fraction again"),
    "other": ("none of the usual causes", "note what was unusual about it, while you remember"),
}
NOTHING_WRONG = {
    True: ("nothing went wrong and it holds more than thought", "nothing to do, it is learned from"),
    False: ("nothing went wrong and it holds less than thought", "nothing to do, it is learned from"),
}


@dataclass(frozen=True)
class Cause:
    """A likely cause of a result: which, in words, how probable (0-1, with its Monte Carlo error), what to do."""

    cause: str
    text: str
    probability: float
    mcse: float
    to_do: str


def put_in_words(found: Sequence[Likely], metal: str, *, too_much: bool) -> tuple[Cause, ...]:
    """Causes as they are told, in their order."""
    told = []
    for one in found:
        text, to_do = WORDS[one.cause] if one.cause in WORDS else NOTHING_WRONG[too_much]
        told.append(Cause(one.cause, text.format(metal=METAL_WORDS[metal]), one.probability, one.mcse, to_do))
    return tuple(told)


def explain_weight(
    opened: Opened, before: State, old: Posterior, batch: Batch, row: Expected, grams: float, *, too_much: bool
) -> tuple[Cause, ...]:
    """Causes of the fine metal (g, at the middle purity) weighed from a batch; of an open one it is a lower bound."""
    products = [p for p in batch.products if p.metal == row.metal]
    largest = max(products, key=lambda p: p.weight_g)
    form = opened.catalogue.forms[largest.form]
    forward = look_forward(opened, before, old, batch, row)
    share = form.factor * form.purity.q50
    if largest.form == row.form:
        forward = scale(forward, share)
    else:  # the purity drawn for the usual form says nothing of another
        forward = scale(forward, other_form(opened, row, largest.form, forward.ordinary.size) * share)
    if all(p.damp for p in products):
        forward = scale(forward, damp_factor(opened, forward.ordinary.size))
    step = math.hypot(*(p.interval_g or p.readability_g for p in products)) * share
    seen = Seen(grams, "at least" if batch.is_open else "exactly", step)
    can_be_wet = not all(p.damp for p in products)
    found = weigh_causes(
        seen, forward, causes_of_weight(opened.catalogue, row.metal, forward, seen, can_be_wet=can_be_wet)
    )
    return put_in_words(found, row.metal, too_much=too_much)


def explain_none(
    opened: Opened, before: State, old: Posterior, batch: Batch, row: Expected, none: NonDetect
) -> tuple[Cause, ...]:
    """Causes of nothing seen from a batch."""
    forward = look_forward(opened, before, old, batch, row)
    seen = Seen(none.below_g, "below")
    found = weigh_causes(seen, forward, causes_of_weight(opened.catalogue, row.metal, forward, seen, weighed=False))
    return put_in_words(found, row.metal, too_much=False)


def explain_assay(
    opened: Opened, old: Posterior, assay: Assay, expected: Values, *, too_much: bool
) -> tuple[Cause, ...]:
    """Causes of what an assay said, given draws (draw,) of what it was to say, g/t."""
    forward = Forward(expected, np.zeros(0), old.draws)
    seen = Seen(assay.value_g_per_t, "below" if assay.below_detection else "exactly")
    found = weigh_causes(seen, forward, causes_of_assay(opened.catalogue, assay.metal, forward))
    return put_in_words(found, assay.metal, too_much=too_much)


def look_forward(opened: Opened, before: State, old: Posterior, batch: Batch, row: Expected) -> Forward:
    """Draws of the weight in the usual form, g, of an ordinary and of a failed run, after recorded losses.

    From the belief of the state before, or, where that has learned from this batch already, from the quantiles that
    were kept when it was started: then a failed run is an ordinary one at the recovery of a failed one.
    """
    from gradeest.workflow.holdings import metal_of_streams, sort_charges

    known = before.bench.batches.get(batch.name)
    has_learned = known is not None and bool(known.products or known.nondetects)
    alone, streams = sort_charges(before.bench, old, batch)
    runs = [Run(c.address, c.mass_kg, batch.route) for c in alone]
    if has_learned or len(runs) + len(streams) < len(batch.charges):
        forward = draw_from_quantiles(opened, batch, row)
    else:
        m, also = METALS.index(row.metal), metal_of_streams(opened, old, streams)
        ordinary, failed = (
            run_pooled(with_failed_share(opened, share), old, batch.route, runs, also)[1][:, m] for share in (0.0, 1.0)
        )
        forward = Forward(ordinary, failed, old.draws)
    rng = stream(opened.place, "kept")
    return scale(forward, np.exp(draw_ln_kept(batch, opened.catalogue, rng, forward.ordinary.size)))


def with_failed_share(opened: Opened, share: float) -> Opened:
    """The same with another chance of a failed run (0: none fails, 1: each does)."""
    constants = {**opened.catalogue.constants, "recovery.failed_share": share}
    return replace(opened, catalogue=replace(opened.catalogue, constants=constants))


def draw_from_quantiles(opened: Opened, batch: Batch, row: Expected) -> Forward:
    """Draws through the kept quantiles: ln g goes straight between them against the normal deviate, and on beyond."""
    from scipy.special import ndtri

    rng = stream(opened.place, "quantiles")
    z, points = ndtri(np.array(row.levels)), np.log(np.maximum(row.weight_g, 1e-9))
    drawn = rng.standard_normal(FORWARD_DRAWS)
    ln_g = np.interp(drawn, z, points)
    for end, beside, outside in ((0, 1, drawn < z[0]), (-1, -2, drawn > z[-1])):
        slope = (points[end] - points[beside]) / (z[end] - z[beside])
        ln_g = np.where(outside, points[end] + slope * (drawn - z[end]), ln_g)
    k = opened.catalogue.constants
    usual = logit_normal(opened.catalogue.routes[batch.route].recovery[row.metal])[0]
    worse = usual + k["recovery.failed_centre"] + k["recovery.failed_sd"] * rng.standard_normal(FORWARD_DRAWS)
    return Forward(np.exp(ln_g), np.exp(ln_g - np.logaddexp(0, -worse) + np.logaddexp(0, -usual)), FORWARD_DRAWS)


def other_form(opened: Opened, row: Expected, form: str, draws: int) -> Values:
    """Weight in another form over the weight in the usual one: their purities, each drawn from its row."""
    rng = stream(opened.place, "form")
    shares = []
    for each in (row.form, form):
        centre, sd = logit_normal(opened.catalogue.forms[each].purity)
        noise = 0.0 if each == row.form else sd * rng.standard_normal(draws)
        shares.append(opened.catalogue.forms[each].factor / (1 + np.exp(-(centre + noise))))
    ratio: Values = shares[0] / shares[1]
    return ratio


def damp_factor(opened: Opened, draws: int) -> Values:
    """A damp weight, taken as dry at the middle moisture, over the dry weight."""
    row = opened.catalogue.shares["moisture"]
    centre, sd = logit_normal(row)
    water = 1 / (1 + np.exp(-(centre + sd * stream(opened.place, "damp").standard_normal(draws))))
    factor: Values = (1 - row.q50) / (1 - water)
    return factor


def scale(forward: Forward, factor: Values | float) -> Forward:
    """All draws times a factor, of its own for each draw."""
    return Forward(forward.ordinary * factor, forward.failed * factor, forward.period)
