"""What an ash gave, or was assayed at, against what the filters it is linked to say of it beforehand.

Beforehand is the belief from everything but the ash's own results. A result beyond the 1-99 % of what it was to be by
that belief is a clash: the belief then holds both as well as it can, and it is said that one of them is doubtful.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from gradeest.errors import GradeestError
from gradeest.records.domain import METALS, Assay, Batch, Bench, Charge
from gradeest.workflow.believing import State, believe_without, state_of, stream
from gradeest.workflow.comparing import Points, points
from gradeest.workflow.expecting import (
    Judged,
    after_outflows,
    expect_batch,
    judge_none,
    judge_said,
    judge_weight,
    weighed_metal,
)
from gradeest.workflow.opening import Opened
from gradeest.workflow.telling import Report, say_nothing

if TYPE_CHECKING:
    from gradeest.belief.posterior import Posterior


@dataclass(frozen=True)
class AshClash:
    """A result of linked ash that its filters do not explain.

    Parameters: address, the ash; batch, that ran it; linked, the batches whose filters were burnt; in_ash_g, what was
    to be in the ash by them (5/50/95 %); evidence, "weight", "none" or "assay"; value and expected (5/50/95 %), what
    it gave in g or was assayed at in g/t, and was to; share_below, how much of that lies below the value (0-1).
    """

    address: str
    batch: str
    linked: tuple[str, ...]
    metal: str
    in_ash_g: Points
    evidence: str
    value: float
    unit: str
    expected: Points
    share_below: float


def linked_charge(batch: Batch) -> Charge | None:
    """The ash of filters among the charges of a batch."""
    return next((charge for charge in batch.charges if charge.link is not None), None)


def clashes_of(opened: Opened, names: Iterable[str], report: Report = say_nothing) -> tuple[AshClash, ...]:
    """The clashes of all batches that ran linked ash among those named; a name of ash stands for its batch."""
    wanted = set(names)
    found: list[AshClash] = []
    for batch in opened.bench.batches.values():
        charge = linked_charge(batch)
        if charge is not None and {batch.name, charge.address} & wanted:
            found += find_clashes(opened, batch, charge, report)
    return tuple(found)


def find_clashes(opened: Opened, batch: Batch, charge: Charge, report: Report = say_nothing) -> list[AshClash]:
    """What is beyond the 1-99 % of what the filters say; nothing where the belief without the ash does not settle."""
    from gradeest.belief.moves import leave_out
    from gradeest.workflow.holdings import Holdings

    assays = [one for one in opened.bench.assays if one.address == charge.address]
    events = results_of(batch) | {one.event for one in assays}
    if not events or charge.link is None:
        return []
    bench = leave_out(opened.bench, events)
    try:
        posterior = believe_without(opened, bench, report)
    except GradeestError:  # what is asked beside must not stop the answer
        return []
    holdings = Holdings(opened, posterior)
    metals = [metal for metal in METALS if holdings.tracked(charge.link, metal) is not None]
    grams = holdings.of_charge(charge)
    judged = [judge_ash_assay(opened, one, charge, grams, posterior) for one in assays if one.metal in metals]
    if len(batch.charges) == 1:  # else the weight is of more than the ash
        judged += judge_results(opened, bench, batch, posterior, metals)
    return [
        AshClash(
            charge.address, batch.name, charge.link.batches, one.metal, points(grams[:, METALS.index(one.metal)]),
            one.evidence, one.value, one.unit, one.expected, one.share_below,
        )
        for one in judged
        if one.surprise
    ]  # fmt: skip


def results_of(batch: Batch) -> set[int]:
    """The events of what was weighed, not found or tested of a batch."""
    weighed = {one.event for one in batch.products} | {one.event for one in batch.nondetects}
    return weighed | {one.event for one in batch.spot_tests}


def judge_ash_assay(
    opened: Opened, assay: Assay, charge: Charge, grams: NDArray[np.float64], posterior: Posterior
) -> Judged:
    """An assay of the ash against the grade that it was to have."""
    dry_kg = charge.mass_kg * float(posterior.dry_share[posterior.fractions.index(charge.address)])
    grade = grams[:, METALS.index(assay.metal)] / dry_kg * 1000
    error = assay.u_rel * stream(opened.place, "assay").standard_normal(grade.size)
    one = judge_said(assay.address, assay.metal, "assay", assay.value_g_per_t, "g/t", grade * np.exp(error))
    is_high_limit = assay.below_detection and one.share_below > 0.5
    return replace(one, surprise=False) if is_high_limit else one


def judge_results(
    opened: Opened, bench: Bench, batch: Batch, posterior: Posterior, metals: Iterable[str]
) -> list[Judged]:
    """What was weighed or not found of the ash against what it was to give."""
    before = State(bench, state_of(opened).head)
    expected = expect_batch(opened, before, batch, posterior)
    rows = {row.metal: after_outflows(row, batch, opened) for row in expected if row.metal in metals}
    weighed = weighed_metal(batch, opened.catalogue)
    found = [judge_weight(batch, rows[metal], grams, False) for metal, grams in weighed.items() if metal in rows]
    none = [one for one in batch.nondetects if one.metal in rows and one.metal not in weighed]
    return found + [judge_none(one, batch, rows[one.metal], False) for one in none]
