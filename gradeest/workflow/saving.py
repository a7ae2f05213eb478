"""How long to save up material of a kind that comes in month by month. Only reads."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from gradeest.belief.outcome import Run
from gradeest.errors import InputError
from gradeest.materials.catalogue import nearest
from gradeest.materials.hazards import DEFER, check_batch
from gradeest.records.storage import storage_days
from gradeest.workflow.believing import believe, next_address, run_forward, state_of
from gradeest.workflow.gates import closed_of
from gradeest.workflow.hazard_lines import RouteCautions, route_cautions
from gradeest.workflow.licences import why_unlicensed
from gradeest.workflow.opening import Opened, Place, open_bench
from gradeest.workflow.outlook import Trust, basis_of, load_prices, trust_in
from gradeest.workflow.telling import Report, say_nothing

if TYPE_CHECKING:
    from gradeest.decision.saving import Saved

MONTHS = tuple(range(1, 13))
DAYS_A_MONTH = 30  # as the storage clock counts them


@dataclass(frozen=True)
class SavingShown:
    """Net per month against months saved up. `knee`: the fewest months that bring nearly all; None where none gain.

    `clock_months`: how many months the bench's storage clock allows, None without one; the knee keeps to it.
    """

    kind: str
    route: str
    monthly_kg: float
    currency: str
    rows: tuple[Saved, ...]
    knee: int | None
    clock_months: int | None
    hours_rate: float
    cautions: tuple[RouteCautions, ...]
    gates_closed: tuple[str, ...]  # the route, where its gate has to be passed before a batch is begun
    defer: str
    prices_file: str
    changes: tuple[str, ...]
    trust: Trust
    catalogue_version: str
    seed: int
    engine: str


def save_up(
    place: Place,
    kind: str,
    monthly_kg: float,
    *,
    volatility: float | None = None,
    prices: Path | None = None,
    changes: tuple[str, ...] = (),
    report: Report = say_nothing,
) -> SavingShown:
    """Net per month of a batch every 1-12 months, of `monthly_kg` kg of a kind a month, by its usual route.

    Raises InputError without prices, for an unknown kind, and for one that must not be processed.
    """
    from gradeest.decision.saving import find_knee, weigh_saving

    with open_bench(place, create=True) as opened:
        route = _route_of(opened, kind)
        found, file = load_prices(opened, prices, changes)
        posterior = believe(opened, state_of(opened), also=(kind,), report=report)
        outcome = run_forward(
            opened, posterior, [Run(next_address(kind), count * monthly_kg, route) for count in MONTHS]
        )
        basis = basis_of(opened, found, outcome.recovered_g.shape[0])
        rows = weigh_saving(outcome, MONTHS, kind, basis, volatility)
        days = storage_days(opened.bench)
        allowed = [row for row in rows if days is None or row.months * DAYS_A_MONTH <= days]
        return SavingShown(
            kind,
            route,
            monthly_kg,
            found.currency,
            rows,
            find_knee(allowed) if allowed else None,
            None if days is None else days // DAYS_A_MONTH,
            found.hours_rate,
            (route_cautions(opened.catalogue, route),),
            closed_of(opened, [route]),
            DEFER,
            str(file),
            found.changes,
            trust_in(posterior),
            opened.catalogue.version,
            place.seed,
            place.engine,
        )


def _route_of(opened: Opened, kind: str) -> str:
    """The kind's usual route, if the bench may run it."""
    row = opened.catalogue.kinds.get(kind)
    if row is None:
        near = nearest(kind, list(opened.catalogue.kinds))
        raise InputError(
            f"there is no kind '{kind}'", f"did you mean {' or '.join(near)}?" if near else "see `priors list`"
        )
    settings = {s.name: s.value for s in opened.bench.settings.values()}
    refusals = [issue.message for issue in check_batch([kind], row.usual_route, settings, opened.catalogue)]
    refusals += [text for text in [why_unlicensed(opened, row.usual_route)] if text]
    if refusals or not row.usual_route:
        raise InputError(
            f"{kind} is not to be processed: {refusals[0] if refusals else 'no route is offered'}",
            "if unsure, sell it as it is",
        )
    return row.usual_route
