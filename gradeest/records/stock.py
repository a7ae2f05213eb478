"""What is where: the ledger's events replayed into the bench, corrections applied.

`undo` and `amend` are events like any other; an undone undo does not count. Names (`B3`, `au-1`) are never given
twice, not even after an undo, so what was printed or written on a jar keeps its meaning.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from gradeest.errors import Issue, LedgerError
from gradeest.materials.catalogue import Catalogue
from gradeest.records import payloads
from gradeest.records.domain import Assay, Batch, Bench, Charge, Lot, Setting
from gradeest.records.ledger import Event
from gradeest.records.rules import Findings, check_payload

CORRECTIONS = ("undo", "amend")
EXACT_KG = 1e-9  # below what any balance shows: smaller differences are rounding of the computer


class UnfitError(Exception):
    """An event names something that is not there; only `find_broken` and `replay` see it."""


@dataclass
class _Builder:
    """The bench while it grows; `bench` shares its dictionaries, so it is cheap to look at after every event."""

    lots: dict[str, Lot] = field(default_factory=dict)
    batches: dict[str, Batch] = field(default_factory=dict)
    assays: tuple[Assay, ...] = ()
    settings: dict[str, Setting] = field(default_factory=dict)

    @property
    def bench(self) -> Bench:
        return Bench(self.lots, self.batches, self.assays, self.settings)

    def apply(self, event: Event, product_names: Mapping[int, str]) -> None:
        """Add one event that stands. Raises UnfitError where it names what is not there."""
        data, date = event.payload, event.happened_on
        if event.kind == "lot":
            lot = payloads.lot_from(data, date)
            if lot.name in self.lots:
                raise UnfitError(f"lot {lot.name} exists")
            self.lots[lot.name] = lot
        elif event.kind == "batch":
            self._add_batch(payloads.batch_from(data, date))
        elif event.kind == "assay":
            assay = payloads.assay_from(data, date, event.number)
            self._left(assay.address)
            self.assays = (*self.assays, assay)
        elif event.kind == "setting":
            setting = payloads.setting_from(data, date)
            self.settings[setting.name] = setting
        elif event.kind in ("close", "product", "nondetect"):
            self._change_batch(event, product_names)
        else:
            raise LedgerError(
                f"event {event.number} is of a sort this gradeest does not know: {event.kind}", "upgrade gradeest"
            )

    def _left(self, address: str) -> float:
        try:
            return self.bench.left_kg(address)
        except KeyError:
            raise UnfitError(f"there is no fraction {address}") from None

    def _add_batch(self, batch: Batch) -> None:
        if batch.name in self.batches:
            raise UnfitError(f"batch {batch.name} exists")
        # what is a little more than is left (balances differ) means "all of it": stock never gets negative
        charges = []
        for charge in batch.charges:
            left = self._left(charge.address)
            all_of_it = charge.mass_kg > left - EXACT_KG
            charges.append(Charge(charge.address, left if all_of_it else charge.mass_kg))
        self.batches[batch.name] = replace(batch, charges=tuple(charges))

    def _change_batch(self, event: Event, product_names: Mapping[int, str]) -> None:
        data, date = event.payload, event.happened_on
        batch = self.batches.get(data["batch"])
        if batch is None:
            raise UnfitError(f"there is no batch {data['batch']}")
        if event.kind == "close":
            batch = replace(batch, closed=payloads.date_of(data, date))
        elif event.kind == "product":
            product = payloads.product_from(data, date, product_names[event.number], event.number)
            batch = replace(batch, products=(*batch.products, product))
        else:
            nondetect = payloads.nondetect_from(data, date, event.number)
            batch = replace(batch, nondetects=(*batch.nondetects, nondetect))
        self.batches[batch.name] = batch


def replay(events: Sequence[Event]) -> Bench:
    """The bench that all events add up to, corrections applied. Raises LedgerError where an event does not fit."""
    builder, names = _Builder(), name_products(events)
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


# -- corrections -------------------------------------------------------------------------------------------------------

AMENDABLE: dict[str, tuple[str, ...]] = {
    "lot": ("date", "price_paid", "owner", "unsorted_kg", "note"),
    "batch": ("date", "route", "note"),
    "close": ("date",),
    "product": ("date", "form", "weight_g", "readability_g", "damp", "balance", "sure"),
    "nondetect": ("date", "below_g", "liquid"),
    "assay": ("date", "value_g_per_t", "u_rel", "below_detection", "sure"),
    "setting": ("date", "value"),
}
FRACTION_FIELDS = ("kind", "mass_kg", "pieces", "wet", "mixed", "note")


def amendable_fields(kind: str, payload: Mapping[str, Any]) -> list[str]:
    """The field names that `amend` may change in an event.

    A lot's fraction is `FRACTION.mass_kg` and the like, a batch's charge is the address of its fraction. What decides
    whom an event belongs to (names, batch, metal) is undone and recorded anew instead.
    """
    fields = list(AMENDABLE.get(kind, ()))
    if kind == "lot":
        fields += [f"{item['name']}.{name}" for item in payload["fractions"] for name in FRACTION_FIELDS]
    if kind == "batch":
        fields += [item["address"] for item in payload["charges"]]
    return fields


def apply_changes(kind: str, payload: Mapping[str, Any], changes: Mapping[str, Any]) -> dict[str, Any]:
    """A payload with `changes` (names as in `amendable_fields`) made. Raises KeyError for a field it does not have."""
    changed = dict(payload)
    for name, value in changes.items():
        if name not in amendable_fields(kind, payload):
            raise KeyError(name)
        if kind == "lot" and "." in name:
            fraction, _, key = name.rpartition(".")
            changed["fractions"] = [
                {**item, key: value} if item["name"] == fraction else item for item in changed["fractions"]
            ]
        elif kind == "batch" and "/" in name:
            changed["charges"] = [
                {**item, "mass_kg": value} if item["address"] == name else item for item in changed["charges"]
            ]
        else:
            changed[name] = value
    return changed


def describe(event: Event, product_names: Mapping[int, str]) -> str:
    """An event in a few words, for lists: "product B3/au-1"."""
    data = event.payload
    if event.kind == "product":
        return f"product {data['batch']}/{product_names[event.number]}"
    if event.kind in CORRECTIONS:
        return f"{event.kind} {data['event']}"
    what = {"nondetect": "nothing of", "close": "closing"}.get(event.kind, event.kind)
    if event.kind == "nondetect":
        return f"no {data['metal']} in {data['batch']}"
    if event.kind == "assay":
        return f"assay of {data['address']}, {data['metal']}"
    return f"{what} {data.get('name') or data.get('batch')}"


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
    builder, names = _Builder(), name_products(events)
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
    builder, names = _Builder(), name_products(corrected)
    for event in resolve(corrected):
        if event.number == target.number:
            found.issues.extend(
                check_payload(
                    builder.bench, event.kind, event.payload, catalogue, happened_on=event.happened_on, today=today
                )
            )
            return
        builder.apply(event, names)
