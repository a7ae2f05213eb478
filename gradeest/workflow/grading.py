"""The grades as believed now: of the fractions on the bench, and of the next lot of their kinds."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from gradeest.belief.evidence import Evidence, gather
from gradeest.belief.outcome import Outcome, Run
from gradeest.errors import InputError
from gradeest.materials.catalogue import nearest
from gradeest.records.domain import METALS
from gradeest.workflow.believing import believe, next_address, run_forward
from gradeest.workflow.comparing import Points, contained, points, recoverable, trace_chance, whole_runs
from gradeest.workflow.opening import Opened, Place, open_bench
from gradeest.workflow.outlook import Trust, trust_in
from gradeest.workflow.telling import Report, say_nothing

if TYPE_CHECKING:
    from gradeest.belief.posterior import Posterior


CLEAR_OF_TRACES = 5.0  # times the trace level: a row that starts below cannot be told from absence


@dataclass(frozen=True)
class Level:
    """The middle of a kind's lots where they hold the metal, g/t, and the share of lots that hold next to none.

    `told_apart` is False where the row reaches down to traces: then the two are believed only together.
    """

    mean_g_per_t: Points
    absent: Points
    told_apart: bool


@dataclass(frozen=True)
class GradeRow:
    """One grade: of a fraction (`address`), or of the next lot of a kind (`address` None); g/t, 5/50/95 %."""

    kind: str
    address: str | None
    metal: str
    contained: Points
    recoverable: Points | None  # None where the usual route recovers none of the metal
    p_trace: float
    rests_on: str
    level: Level | None  # of the kind's row


@dataclass(frozen=True)
class GradesShown:
    """Grades, kind by kind: its next lot first, then its fractions."""

    kind: str  # "" for all
    rows: tuple[GradeRow, ...]
    trust: Trust
    catalogue_version: str


def show_grades(place: Place, kind: str | None = None, *, report: Report = say_nothing) -> GradesShown:
    """The grades as believed now, of one kind or of all on the bench. Raises InputError for an unknown kind."""
    with open_bench(place) as opened:
        if kind is not None and kind not in opened.catalogue.kinds:
            near = nearest(kind, list(opened.catalogue.kinds))
            hint = f"did you mean {' or '.join(near)}?" if near else "`gradeest priors list` names them all"
            raise InputError(f"there is no kind '{kind}'", hint)
        bench = opened.bench
        posterior = believe(opened, also=[kind] if kind else [], report=report)
        kinds = [kind] if kind else sorted({bench.fraction(address).kind for address in bench.addresses()})
        grader = Grader(opened, posterior, kinds)
        return GradesShown(kind or "", tuple(grader.rows()), trust_in(posterior), opened.catalogue.version)


class Grader:
    """Rows of a belief; fractions and next lots are run forward together."""

    def __init__(self, opened: Opened, posterior: Posterior, kinds: list[str]) -> None:
        self.opened, self.posterior, self.kinds = opened, posterior, kinds
        self.evidence = gather(opened.bench, opened.catalogue)
        routes = {kind: opened.catalogue.kinds[kind].usual_route for kind in kinds}
        runs = [run for run in whole_runs(opened, opened.bench) if opened.bench.fraction(run.address).kind in routes]
        runs += [Run(next_address(kind), 1.0, route) for kind, route in routes.items() if route]
        self.outcome: Outcome | None = run_forward(opened, posterior, runs) if runs else None
        self.order = {run.address: (i, run.route) for i, run in enumerate(runs)}

    def rows(self) -> Iterable[GradeRow]:
        """The next lot of every kind, and its fractions."""
        bench = self.opened.bench
        for kind in self.kinds:
            own = [address for address in bench.addresses() if bench.fraction(address).kind == kind]
            for metal in METALS:
                rests = rests_on(self.opened, self.evidence, kind, metal)
                yield self.row(kind, next_address(kind), None, metal, rests, self.level(kind, metal))
            for address in own:
                for metal in METALS:
                    rests = self.posterior.rests_on.get((address, metal), "prior only")
                    yield self.row(kind, address, address, metal, rests, None)

    def row(self, kind: str, at: str, address: str | None, metal: str, rests: str, level: Level | None) -> GradeRow:
        """The row of a real or imaginary fraction `at`."""
        brought = None
        if self.outcome is not None and at in self.order:
            run, route = self.order[at]
            if metal in self.opened.catalogue.routes[route].recovery:
                brought = points(recoverable(self.posterior, self.outcome, run, metal))
        grades = points(contained(self.posterior, at, metal))
        return GradeRow(kind, address, metal, grades, brought, trace_chance(self.posterior, at, metal), rests, level)

    def level(self, kind: str, metal: str) -> Level:
        """The kind's mean and chance of absence."""
        k, m = self.posterior.kinds.index(kind), METALS.index(metal)
        entry = self.opened.catalogue.kinds[kind]
        row, pair = entry.grades[metal], entry.correlation
        absent = self.posterior.kind_absent[:, k, m]
        if pair is not None and pair.second_needs_first and metal == pair.second:
            # it was the chance given that the first is there
            first = self.posterior.kind_absent[:, k, METALS.index(pair.first)]
            absent = 1 - (1 - absent) * (1 - first)
        return Level(
            points(self.posterior.kind_mean_g_per_t[:, k, m]),
            points(absent),
            row.q5 >= CLEAR_OF_TRACES * self.opened.catalogue.constants[f"grade.trace_g_per_t.{metal}"],
        )


def rests_on(opened: Opened, evidence: Evidence, kind: str, metal: str) -> str:
    """What the belief in the next lot of a kind rests on, in words."""
    bench, catalogue = opened.bench, opened.catalogue
    about = [(item.portions, f"{item.batch} {item.metal}") for item in evidence.batch_metals if item.metal == metal]
    about += [({a.address: 1.0}, f"assay {a.event}") for a in evidence.assays if a.metal == metal]
    own: dict[str, set[str]] = {"results": set(), "lots": set(), "class": set()}
    for addresses, name in about:
        for address in addresses:
            found = bench.fraction(address).kind
            if found == kind:
                own["results"].add(name)
                own["lots"].add(address.partition("/")[0])
            elif catalogue.kinds[found].cls == catalogue.kinds[kind].cls:
                own["class"].add(name)
    results, lots, others = (len(own[name]) for name in ("results", "lots", "class"))
    if results:
        return f"{results} result{'s' if results > 1 else ''} from {lots} lot{'s' if lots > 1 else ''}"
    if others:
        return f"{others} result{'s' if others > 1 else ''} of its class"
    return "prior only"
