"""What this bench has declared to have no licence for: what takes it may not be begun, and no advice rests on it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from gradeest.materials.hazards import is_denied
from gradeest.workflow.opening import Opened

if TYPE_CHECKING:
    from gradeest.belief.outcome import Run
    from gradeest.decision.ranking import Blocked
    from gradeest.workflow.believing import State


def barred_items(opened: Opened, route: str) -> tuple[str, ...]:
    """What a route takes that this bench has declared to have no licence for, by name."""
    settings = {setting.name: setting.value for setting in opened.bench.settings.values()}
    if not is_denied("licence", settings):
        return ()
    items = [opened.catalogue.items[use.item] for use in opened.catalogue.uses if use.route == route]
    return tuple(dict.fromkeys(item.name for item in items if item.law))


def unlicensed_of(opened: Opened, routes: Iterable[str]) -> tuple[str, ...]:
    """Those of some routes that take what this bench has declared to have no licence for."""
    return tuple(route for route in dict.fromkeys(routes) if barred_items(opened, route))


def why_unlicensed(opened: Opened, route: str) -> str:
    """Why no batch may be begun by a route for want of a licence; "" where it may."""
    barred = barred_items(opened, route)
    text = f"{route} takes {', '.join(barred)}, for which this bench has declared to have no licence"
    return text if barred else ""


def without_licence(
    opened: Opened, state: State, runs: Sequence[Run], blocked: Sequence[Blocked]
) -> tuple[tuple[Run, ...], tuple[Blocked, ...]]:
    """Runs without what is blocked, nor what the bench has no licence for, which is blocked then too."""
    from gradeest.decision.ranking import Blocked

    known = {item.address for item in blocked}
    reasons = {run.address: why_unlicensed(opened, run.route) for run in runs if run.address not in known}
    barred = [
        Blocked(run.address, state.bench.fraction(run.address).kind, run.mass_kg, run.route, reasons[run.address])
        for run in runs
        if reasons.get(run.address)
    ]
    return tuple(run for run in runs if reasons.get(run.address) == ""), (*blocked, *barred)
