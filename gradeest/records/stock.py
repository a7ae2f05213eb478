"""What is where: the ledger's events replayed into the bench, corrections applied.

`undo` and `amend` are events like any other; an undone undo does not count. Names (`B3`, `au-1`) are never given
twice, not even after an undo, so what was printed or written on a jar keeps its meaning.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from gradeest.errors import Issue, LedgerError
from gradeest.materials.catalogue import Catalogue
from gradeest.records.amending import CORRECTIONS, amendable_fields, apply_changes, describe
from gradeest.records.builder import Builder, UnfitError
from gradeest.records.domain import Bench
from gradeest.records.ledger import Event
from gradeest.records.rules import Findings, check_payload
from gradeest.records.work_rules import WORK_KINDS


def replay(events: Sequence[Event]) -> Bench:
    """The bench that all events add up to, corrections applied. Raises LedgerError where an event does not fit."""
    builder, names = Builder(), name_products(events)
    for event in resolve(events):
        try:
            builder.apply(event, names)
        except (UnfitError, KeyError, TypeError, ValueError) as err:
            raise LedgerError(
                f"event {event.number} ({event.kind}) does not fit what comes before it: {err}",
                "the ledger was written by something else than gradeest; restore a copy",
            ) from err
    return builder.bench


def resolve(events: Sequence[Event]) -> list[Event]:
    """The events that stand, in order, with their amended payloads; undo and amend events themselves are left out."""
    undone = undone_by(events)
    changes: dict[int, list[Mapping[str, Any]]] = {}
    for event in events:
        if event.kind == "amend" and event.number not in undone:
            changes.setdefault(event.payload["event"], []).append(event.payload["changes"])
    standing = []
    for event in events:
        if event.number in undone or event.kind in CORRECTIONS:
            continue
        payload = event.payload
        for change in changes.get(event.number, ()):
            payload = apply_changes(event.kind, payload, change)
        standing.append(replace(event, payload=payload))
    return standing


def undone_by(events: Sequence[Event]) -> dict[int, int]:
    """Number of each undone event -> number of the undo that counts."""
    undone: dict[int, int] = {}
    # from the end: an undo counts unless a later one that counts takes it back
    for event in reversed(events):
        if event.kind == "undo" and event.number not in undone:
            undone.setdefault(event.payload["event"], event.number)
    return undone


def belief_head(events: Sequence[Event]) -> str:
    """Hash of the last event that says anything of what is on the bench: hours, money and waste do not."""
    by_number = {event.number: event for event in events}
    for event in reversed(events):
        root = event
        while root.kind in CORRECTIONS:
            root = by_number[root.payload["event"]]
        if root.kind not in WORK_KINDS:
            return event.hash
    return ""


def name_products(events: Iterable[Event]) -> dict[int, str]:
    """Number of each product event -> its name, counted per batch and metal over all events, undone ones too."""
    counts: dict[tuple[str, str], int] = {}
    names = {}
    for event in events:
        if event.kind == "product":
            key = (event.payload["batch"], event.payload["metal"])
            counts[key] = counts.get(key, 0) + 1
            names[event.number] = f"{key[1].lower()}-{counts[key]}"
    return names


def next_batch_name(events: Iterable[Event]) -> str:
    """The name of the next batch: B1, B2, ...; names of undone batches are not used again."""
    numbers = [int(event.payload["name"][1:]) for event in events if event.kind == "batch"]
    return f"B{max(numbers, default=0) + 1}"


# -- rules -------------------------------------------------------------------------------------------------------------


def check_event(
    bench: Bench,
    kind: str,
    payload: Mapping[str, Any],
    catalogue: Catalogue,
    *,
    events: Sequence[Event] = (),
    happened_on: dt.date | None = None,
    today: dt.date | None = None,
) -> list[Issue]:
    """Everything that speaks against an event before it is appended; an empty list lets it in.

    `bench` is what `events` add up to; `events` are needed for "undo" and "amend". `happened_on`: the event's date.
    With `today`, what lies in the future is refused. Severities: "error" (refused), "ask" (kept with `--sure`),
    "warning" (said).
    """
    if kind in CORRECTIONS:
        return _check_correction(kind, payload, catalogue, events, today)
    return check_payload(bench, kind, payload, catalogue, happened_on=happened_on, today=today)


def find_broken(events: Sequence[Event], catalogue: Catalogue, *, since: int = 1) -> dict[tuple[int, str], Issue]:
    """Standing events from number `since` on that the rules would not let in (any more), by event number and field."""
    builder, names = Builder(), name_products(events)
    broken: dict[tuple[int, str], Issue] = {}
    for event in resolve(events):
        bench = builder.bench
        issues = (
            check_payload(bench, event.kind, event.payload, catalogue, happened_on=event.happened_on)
            if event.number >= since
            else []
        )
        for issue in issues:
            if issue.severity == "error":
                broken.setdefault((event.number, issue.field), issue)
        try:
            builder.apply(event, names)
        except (UnfitError, KeyError, TypeError, ValueError) as err:
            broken.setdefault((event.number, "unfit"), Issue("error", str(err)))
    return broken


def _check_correction(
    kind: str, payload: Mapping[str, Any], catalogue: Catalogue, events: Sequence[Event], today: dt.date | None
) -> list[Issue]:
    found = Findings()
    number = payload.get("event")
    target = next((event for event in events if event.number == number), None)
    undone = undone_by(events)
    if target is None:
        found.error("event", f"there is no event {number}", "`gradeest history` numbers them")
    elif target.number in undone:
        found.error("event", f"event {number} is undone already, by event {undone[target.number]}", "nothing to do")
    elif kind == "amend":
        _check_changes(found, target, payload.get("changes"), events)
    if found.issues or target is None:
        return found.issues

    now = dt.datetime.min
    correction = Event(len(events) + 1, "", kind, dict(payload), target.happened_on, now, "")
    corrected = [*events, correction]
    # what came before the event that changes is as it was; taking back an undo changes the event that was undone
    since = _first_touched(target, events)
    before, after = (find_broken(history, catalogue, since=since) for history in (events, corrected))
    names = name_products(events)
    own = [issue for (n, where), issue in after.items() if n == target.number and (n, where) not in before]
    found.issues.extend(own)
    resting = sorted({n for n, where in after if n != target.number and (n, where) not in before})
    if resting and not own:
        described = {event.number: describe(event, names) for event in events}
        listed = ", ".join(f"{n} ({described[n]})" for n in resting)
        verb = "undone" if kind == "undo" else "changed so"
        last_first = " ".join(str(n) for n in reversed(resting))
        hint = (
            f"undo those first, the last one first: {last_first}" if kind == "undo" else "correct or undo those first"
        )
        found.error(
            "event", f"event {number} ({described[target.number]}) cannot be {verb}: these rest on it: {listed}", hint
        )
    if kind == "amend" and not found.issues:
        _ask_about_amended(found, target, corrected, catalogue, today)
    return found.issues


def _first_touched(target: Event, events: Sequence[Event]) -> int:
    """The earliest event whose standing or payload a correction of `target` can change."""
    by_number = {event.number: event for event in events}
    while target.kind in CORRECTIONS:
        target = by_number[target.payload["event"]]
    return target.number


def _check_changes(found: Findings, target: Event, changes: Any, events: Sequence[Event]) -> None:
    if target.kind in CORRECTIONS:
        found.error(
            "event", f"event {target.number} is itself a correction", f"undo it: `gradeest undo {target.number}`"
        )
        return
    if not isinstance(changes, Mapping) or not changes:
        found.error("changes", "nothing to change was named", "e.g. `gradeest amend 7 weight=1.84g`")
        return
    current = next(event for event in resolve(events) if event.number == target.number)
    allowed = amendable_fields(current.kind, current.payload)
    for name in changes:
        if name not in allowed:
            found.error(
                str(name),
                f"'{name}' of event {target.number} ({target.kind}) cannot be changed",
                f"changeable: {', '.join(allowed)}; for anything else undo it and record it anew",
            )


def _ask_about_amended(
    found: Findings, target: Event, corrected: Sequence[Event], catalogue: Catalogue, today: dt.date | None
) -> None:
    """What the rules would ask or say about the amended event if it were recorded now in its place."""
    builder, names = Builder(), name_products(corrected)
    for event in resolve(corrected):
        if event.number == target.number:
            found.issues.extend(
                check_payload(
                    builder.bench, event.kind, event.payload, catalogue, happened_on=event.happened_on, today=today
                )
            )
            return
        builder.apply(event, names)
