"""Gates: a route is begun only after a person at a terminal has read its cautions and typed the word asked for.

It is asked again after a time, and when the text has changed. A STOP has no gate. What was run on an earlier day is
recorded as it was: a gate is for what is begun. None of this clears anything: the authority named does.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from gradeest.errors import InputError, Issue
from gradeest.materials.catalogue import Catalogue
from gradeest.materials.hazards import (
    DECLARATION_TEXT,
    DEFER,
    SELL_OR_HAND_OVER,
    gates_for,
    missing_declarations,
    stop_reason,
)
from gradeest.materials.tables import suggest
from gradeest.records.domain import Bench
from gradeest.workflow.hazard_lines import cautions
from gradeest.workflow.licences import barred_items, why_unlicensed
from gradeest.workflow.opening import Opened, Place, open_bench
from gradeest.workflow.recording import Saved, append

AGAIN_AFTER = "gate.again_after_days"


@dataclass(frozen=True)
class Gate:
    """The gate of a route: its lines, the word to type, since when it is open (None: closed) and why it is closed.

    `stop`: the route is refused whatever is typed; `missing`: what the bench would have to declare as well.
    """

    route: str
    route_line: str
    lines: tuple[str, ...]
    word: str
    text: str
    open_since: dt.date | None
    closed_because: str
    stop: str
    missing: tuple[str, ...]
    defer: str = DEFER


def gate_of(bench: Bench, catalogue: Catalogue, route: str, today: dt.date) -> Gate:
    """The gate of a route as it stands today. Raises InputError for an unknown route."""
    if route not in catalogue.routes:
        raise InputError(f"there is no route '{route}'", suggest(route, catalogue.routes))
    lines = cautions(catalogue, route, [])
    text = hashlib.sha256("\n".join(lines).encode()).hexdigest()[:16]
    stop = stop_reason("", route, catalogue)
    settings = {setting.name: setting.value for setting in bench.settings.values()}
    since, why = _standing(bench, catalogue, route, text, today)
    return Gate(
        route, catalogue.routes[route].line, lines, word_of(catalogue, route, text), text, since, why,
        "" if stop is None else f"{stop.line} [{stop.authority}]",
        missing_declarations(route, settings, catalogue),
    )  # fmt: skip


def _standing(bench: Bench, catalogue: Catalogue, route: str, text: str, today: dt.date) -> tuple[dt.date | None, str]:
    """Since when a gate is open, or why it is closed."""
    passed = [one for one in bench.gates if one.route == route]
    if not passed:
        return None, "never passed"
    last = passed[-1]
    most = catalogue.constants[AGAIN_AFTER]
    if last.text != text:
        return None, f"its text has changed since it was passed on {last.date}"
    if (today - last.date).days > most:
        return None, f"passed on {last.date}, more than {most:.0f} days ago"
    return last.date, ""


def word_of(catalogue: Catalogue, route: str, text: str) -> str:
    """The word that is asked for: the last one of one of the route's gates, which of them depends on the text."""
    gates = gates_for("", route, catalogue)
    if not gates:
        return route
    return gates[int(text, 16) % len(gates)].short.split()[-1]


def list_gates(place: Place) -> tuple[Gate, ...]:
    """The gates of all routes."""
    with open_bench(place) as opened:
        routes = opened.catalogue.routes
        return tuple(gate_of(opened.bench, opened.catalogue, route, place.today) for route in routes)


def show_gate(place: Place, route: str) -> Gate:
    """The gate of one route. Raises InputError for an unknown route, or one that is refused whatever is typed."""
    with open_bench(place) as opened:
        gate = gate_of(opened.bench, opened.catalogue, route, place.today)
    if gate.stop:
        raise InputError(f"route '{route}' is refused (STOP) and has no gate: {gate.stop}", SELL_OR_HAND_OVER)
    return gate


def pass_gate(place: Place, route: str, typed: str) -> Saved:
    """Keep that a person typed the word asked for. Raises InputError for another word; then nothing is saved."""
    gate = show_gate(place, route)
    if typed.strip().lower() != gate.word.lower():
        raise InputError(
            f"'{typed.strip()}' is not the word asked for: the gate of {route} stays closed", "nothing was saved"
        )
    with open_bench(place) as opened:
        return append(opened, "gate", {"route": route, "text": gate.text}, place.today)


def find_closed(place: Place, charges: Sequence[str], route: str | None, date: dt.date) -> Gate | None:
    """The closed gate that a batch to be begun would meet; None where it is open, or the batch is refused anyway."""
    from gradeest.workflow.recording import can_be_charged, usual_route

    with open_bench(place) as opened:
        known = can_be_charged(opened.bench)
        if not charges or any(address not in known for address in charges):
            return None
        chosen = route if route is not None else usual_route(opened, charges)
        if chosen not in opened.catalogue.routes or not is_closed(opened, chosen, date):
            return None
        gate = gate_of(opened.bench, opened.catalogue, chosen, place.today)
        return None if gate.stop or gate.missing or barred_items(opened, chosen) else gate


def is_closed(opened: Opened, route: str, date: dt.date) -> bool:
    """Whether a batch of this day may not be begun by a route because its gate is closed."""
    if date < opened.place.today or route not in opened.catalogue.routes:
        return False
    return gate_of(opened.bench, opened.catalogue, route, opened.place.today).open_since is None


def closed_of(opened: Opened, routes: Iterable[str]) -> tuple[str, ...]:
    """Those of some routes whose gate has to be passed before a batch of today is begun."""
    return tuple(route for route in dict.fromkeys(routes) if is_closed(opened, route, opened.place.today))


def why_not_begun(opened: Opened, route: str, date: dt.date) -> Issue | None:
    """Why a batch of this day may not be begun: no licence, or the gate of its route is closed.

    None also where it is refused for a better reason (a STOP, what the bench has not declared), and for an earlier day:
    what was run is recorded as it was.
    """
    barred = why_unlicensed(opened, route)
    if date >= opened.place.today and barred:
        return Issue(
            "error",
            barred,
            f"another route, or once you have one: gradeest bench set licence; else {SELL_OR_HAND_OVER}",
            field="route",
        )
    if not is_closed(opened, route, date):
        return None
    gate = gate_of(opened.bench, opened.catalogue, route, opened.place.today)
    if gate.stop or gate.missing:
        return None
    return Issue(
        "error",
        f"the gate of {route} is closed: {gate.closed_because}",
        f"read its cautions and type the word it asks for, at a terminal: gradeest gate {route}",
        field="route",
    )


def refuse_closed(opened: Opened, route: str, date: dt.date) -> None:
    """Raise InputError where a batch of this day may not be begun."""
    issue = why_not_begun(opened, route, date)
    if issue is not None:
        raise InputError(f"{issue.message}; nothing was saved", issue.hint)


def say_of_the_past(opened: Opened, routes: Sequence[str], date: dt.date) -> tuple[str, ...]:
    """What is said of batches of an earlier day by routes that none of today may be begun by."""
    today = opened.place.today
    if date >= today:
        return ()
    found = [why_not_begun(opened, route, today) for route in dict.fromkeys(routes)]
    return tuple(f"recorded as it was run; for the next: {issue.message} -> {issue.hint}" for issue in found if issue)


def say_before(opened: Opened, routes: Iterable[str]) -> tuple[str, ...]:
    """What stands before a batch of today by each of some routes: where one is weighed or billed it is said."""
    settings = {setting.name: setting.value for setting in opened.bench.settings.values()}
    found = []
    for route in dict.fromkeys(route for route in routes if route in opened.catalogue.routes):
        issue = why_not_begun(opened, route, opened.place.today)
        if issue is not None:
            found.append(f"before a batch is begun: {issue.message} -> {issue.hint}")
        for name in missing_declarations(route, settings, opened.catalogue):
            found.append(f"before a batch is begun: {route} needs {DECLARATION_TEXT[name]}, which is not declared here")
    return tuple(found)


def gate_mark(opened: Opened, route: str) -> str:
    """`G` where the gate of a route is closed, `N` where the bench has no licence for what it takes."""
    closed = is_closed(opened, route, opened.place.today)
    return ("G" if closed else "") + ("N" if barred_items(opened, route) else "")
