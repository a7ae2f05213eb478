"""The grades as believed now: of the fractions on the bench, and of the next lot of their kinds."""

from __future__ import annotations

from dataclasses import dataclass

from gradeest.errors import InputError
from gradeest.materials.catalogue import nearest
from gradeest.records.domain import METALS
from gradeest.workflow.believing import Say, believe, keep_quiet, run_forward
from gradeest.workflow.learning import Points, contained, points, recoverable, trace_chance, whole_runs
from gradeest.workflow.opening import Place, open_bench
from gradeest.workflow.outlook import Trust, trust_in


@dataclass(frozen=True)
class GradeRow:
    """One grade: of a fraction (`address`), or of the next lot of a kind (`address` None); g/t, 5/50/95 %."""

    kind: str
    address: str | None
    metal: str
    contained: Points
    recoverable: Points | None
    p_trace: float
    rests_on: str


@dataclass(frozen=True)
class GradesShown:
    """Grades, kind by kind."""

    rows: tuple[GradeRow, ...]
    trust: Trust
    catalogue_version: str


def show_grades(place: Place, kind: str | None = None, *, say: Say = keep_quiet) -> GradesShown:
    """The grades as believed now, of one kind or of all on the bench. Raises InputError for an unknown kind."""
    with open_bench(place) as opened:
        if kind is not None and kind not in opened.catalogue.kinds:
            near = nearest(kind, list(opened.catalogue.kinds))
            hint = f"did you mean {' or '.join(near)}?" if near else "`gradeest priors list` names them all"
            raise InputError(f"there is no kind '{kind}'", hint)
        posterior = believe(opened, say=say)
        bench = opened.bench
        runs = {run.address: run for run in whole_runs(opened, bench)}
        outcome = run_forward(opened, posterior, list(runs.values())) if runs else None
        order = list(runs)
        rows = []
        for address in sorted(bench.addresses(), key=lambda a: bench.fraction(a).kind):
            fraction = bench.fraction(address)
            if kind is not None and fraction.kind != kind:
                continue
            for metal in METALS:
                found = None
                if outcome is not None and address in runs:
                    if metal in opened.catalogue.routes[runs[address].route].recovery:
                        found = points(recoverable(posterior, outcome, order.index(address), metal))
                rows.append(
                    GradeRow(
                        fraction.kind,
                        address,
                        metal,
                        points(contained(posterior, address, metal)),
                        found,
                        trace_chance(posterior, address, metal),
                        posterior.rests_on.get((address, metal), "prior only"),
                    )
                )
        return GradesShown(tuple(rows), trust_in(posterior), opened.catalogue.version)
