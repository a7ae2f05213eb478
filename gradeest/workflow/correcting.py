"""The history of the ledger, and corrections: each is a new event, nothing is ever changed."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from gradeest.errors import InputError, Issue
from gradeest.records.amending import PARTS, amendable_fields, describe
from gradeest.records.ledger import Event
from gradeest.records.payloads import date_of
from gradeest.records.references import sort_of_address
from gradeest.records.stock import name_products, resolve, undone_by
from gradeest.units import (
    parse_hours,
    parse_mass,
    parse_mass_range,
    parse_money,
    parse_purity,
    parse_result,
    parse_share,
    parse_volume,
)
from gradeest.workflow.gates import refuse_closed
from gradeest.workflow.opening import Opened, Place, open_bench
from gradeest.workflow.recording import Saved, append, sift
from gradeest.workflow.settling import read_price


@dataclass(frozen=True)
class EventLine:
    """One event of the ledger in a few words. `undone_by`: the event that took it back; `amended_by`: corrections."""

    number: int
    kind: str
    happened_on: dt.date
    recorded_at: dt.datetime
    text: str
    undone_by: int | None
    amended_by: tuple[int, ...]


@dataclass(frozen=True)
class Corrected:
    """A correction: the new event and what the old one says now."""

    saved: Saved
    text: str


def list_events(place: Place) -> tuple[EventLine, ...]:
    """Everything recorded, in order, corrections marked; each text is what the event says now."""
    with open_bench(place) as opened:
        return lines_of(opened)


def lines_of(opened: Opened) -> tuple[EventLine, ...]:
    """The same of a ledger that is open."""
    events = opened.ledger.events()
    undone, names = undone_by(events), name_products(events)
    now = {event.number: event for event in resolve(events)}
    amended: dict[int, list[int]] = {}
    for event in events:
        if event.kind == "amend" and event.number not in undone:
            amended.setdefault(event.payload["event"], []).append(event.number)
    return tuple(
        EventLine(
            event.number,
            event.kind,
            event.happened_on,
            event.recorded_at,
            tell(now.get(event.number, event), names),
            undone.get(event.number),
            tuple(amended.get(event.number, ())),
        )
        for event in events
    )


def tell(event: Event, names: Mapping[int, str]) -> str:
    """An event with its numbers: `product B1/au-1: 1.84 g gold-powder`."""
    data = event.payload
    head = describe(event, names)
    if event.kind == "lot":
        boards = data.get("boards", ())
        total = sum(p["mass_kg"] or 0 for p in (*data["fractions"], *boards)) + (data.get("unsorted_kg") or 0)
        count = len(data["fractions"])
        tail = f"{count} fraction{'s' if count != 1 else ''}, {total:g} kg"
        tail += f", of it boards: {', '.join(p['name'] for p in boards)}" if boards else ""
    elif event.kind == "batch":
        tail = " + ".join(tell_charge(c) for c in data["charges"]) + f", {data['route']}"
        tail += ", a trial" if data.get("trial") else ""
    elif event.kind == "product":
        flags = f" (a range of {data['interval_g']:g} g)" if data.get("interval_g") else ""
        flags += (", damp" if data.get("damp") else "") + (", kept as sure" if data.get("sure") else "")
        tail = f"{data['weight_g']:g} g {data['form']}{flags}"
    elif event.kind == "nondetect":
        tail = f"below {data['below_g']:g} g, liquid {data['liquid']}"
    elif event.kind == "assay":
        tail = tell_assay(data)
    elif event.kind == "setting":
        tail = str(data["value"])
    elif event.kind in TAILS:
        tail = TAILS[event.kind](data)
    elif event.kind == "amend":
        tail = ", ".join(f"{name} = {value}" for name, value in data["changes"].items())
    else:
        return head
    return f"{head}: {tail}"


def tell_charge(data: Mapping[str, Any]) -> str:
    """What went in, and whose filters it is the ash of."""
    ash = f" (ash of the filters of {', '.join(data['from_batches'])})" if data.get("from_batches") else ""
    if sort_of_address(data["address"]) == "product":
        return str(data["address"])  # whole
    return f"{data['address']} {data['mass_kg']:g} kg{ash}"


def tell_amount(data: Mapping[str, Any]) -> str:
    """How much a sale or discard took."""
    if data.get("weight_g") is not None:
        return f"{data['weight_g']:g} g"
    return f"{data['mass_kg']:g} kg" if data.get("mass_kg") is not None else "all of it"


def tell_parts(parts: Sequence[Mapping[str, Any]]) -> str:
    """Heaps, or what was set aside."""
    return " + ".join(f"{p['name']} {p['mass_kg']:g} kg" + (f" {p['kind']}" if p.get("kind") else "") for p in parts)


def tell_loss(data: Mapping[str, Any]) -> str:
    """The share lost, and what was wiped up."""
    wiped = f", wiped up {tell_parts([data['wiped']])}" if data.get("wiped") else ""
    note = f", {data['note']}" if data.get("note") else ""
    return f"{100 * data['low']:.3g}-{100 * data['high']:.3g} %{wiped}{note}"


def tell_assay(data: Mapping[str, Any]) -> str:
    """The grade with its uncertainty, and how the sample came about."""
    sign = "below " if data.get("below_detection") else ""
    text = f"{sign}{data['value_g_per_t']:.6g} g/t, {100 * data['u_rel']:.4g} %"
    if data.get("method") == "plating":
        text += f", {data['area_cm2']:g} cm2 plated {data['thickness_um']:.3g} um on {data['plated_g']:g} g"
    parts = [f"{p['name']} {p['mass_g']:g} g of {p['value_g_per_t']:g} g/t" for p in data.get("parts") or ()]
    if parts:
        text += f", {' + '.join(parts)}"
    if data.get("sample_g") is not None:
        text += f", {data['sample_g']:g} g sampled below {data['top_um']:g} um"
    return text


def tell_settlement(data: Mapping[str, Any]) -> str:
    """Weights, fineness and money of a refiner's paper."""
    metals = ", ".join(f"{m['name']} {m['fineness']:g}" for m in data["metals"])
    due = f", due {data['due']:.2f}" if data.get("due") else ""
    replaced = f", replaces {data['replaces']}" if data.get("replaces") else ""
    to = f", {data['to']}" if data.get("to") else ""
    return f"melted {data['melted_g']:.4g} g, {metals}, paid {data['paid']:.2f}{due}{to}{replaced}"


TAILS: dict[str, Callable[[Mapping[str, Any]], str]] = {
    "more": lambda d: f"{d['mass_kg']:g} kg" + (f", {d['note']}" if d.get("note") else ""),
    "split": lambda d: tell_parts(d["heaps"]),
    "weigh": lambda d: f"{d['mass_kg']:g} kg" + (f" in {d['minutes']:g} minutes" if d.get("minutes") else ""),
    "sale": lambda d: f"{tell_amount(d)} for {d['amount']:g}" + (f" to {d['to']}" if d.get("to") else ""),
    "discard": lambda d: tell_amount(d) + (f", {d['note']}" if d.get("note") else ""),
    "setaside": lambda d: tell_parts(d["streams"]),
    "hours": lambda d: f"{d['hours']:g} h" + (f", {d['step']}" if d.get("step") else ""),
    "spending": lambda d: f"{d['amount']:g}" + (f", {d['what']}" if d.get("what") else ""),
    "gate": lambda d: "its cautions read, the word typed",
    "waste": lambda d: f"{d['volume_l']:g} L {d['what']}, went {d['went']}",
    "leave": lambda d: f"{d['mass_kg']:g} kg" if d.get("mass_kg") is not None else f"{d['volume_l']:g} L wait",
    "loss": tell_loss,
    "productassay": lambda d: f"{100 * d['share']:g} %, give or take {100 * d['u']:g} %, {d['method']}",
    "settlement": lambda d: tell_settlement(d),
    "spottest": lambda d: f"{d['result']} in {d['volume_l']:g} L, {d['moment'].replace('-', ' the ')}",
    "balance": lambda d: f"steps of {d['readability_g']:g} g",
    "check": lambda d: f"{d['weight_g']:g} g reads {d['reads_g']:g} g",
}


def event_now(opened: Opened, number: int) -> Event:
    """An event as it stands, amended. Raises InputError where there is none or it was taken back."""
    events = opened.ledger.events()
    for event in resolve(events):
        if event.number == number:
            return event
    undone = undone_by(events)
    if number in undone:
        raise InputError(f"event {number} was taken back by event {undone[number]}", "`gradeest history` shows both")
    if 1 <= number <= len(events):
        raise InputError(f"event {number} is itself a correction", f"take it back with `gradeest undo {number}`")
    raise InputError(f"there is no event {number}", "`gradeest history` numbers them")


def undo(place: Place, number: int) -> Corrected:
    """Take an event back. Refused with the list where others rest on it."""
    with open_bench(place) as opened:
        events = opened.ledger.events()
        text = next((tell(e, name_products(events)) for e in events if e.number == number), "")
        return Corrected(append(opened, "undo", {"event": number}, place.today), text)


def changeable(place: Place, number: int) -> list[tuple[str, str]]:
    """What `amend` may change of an event: (name as typed, value now)."""
    with open_bench(place) as opened:
        event = event_now(opened, number)
        fields = [name for name in amendable_fields(event.kind, event.payload) if name != "sure"]  # that is --sure
        return [(shorten(name), str(value_of(event, name))) for name in fields]


def value_of(event: Event, name: str) -> Any:
    """The value of a field, of a fraction's field or of a charge."""
    data = event.payload
    if event.kind == "batch" and "/" in name:
        return next(f"{c['mass_kg']:g} kg" for c in data["charges"] if c["address"] == name)
    part, dot, key = name.rpartition(".")
    if dot:
        parts = [data["wiped"]] if event.kind == "loss" else [*data[PARTS[event.kind]], *data.get("boards", ())]
        value = next(one.get(key) for one in parts if one["name"] == part)
    else:
        key, value = name, data.get(name)
    if key == "date":
        return value or event.happened_on
    if value is None or value == "":
        return "-"
    if key == "price_per_g":
        return f"{value:g} / g"
    unit = {"mass_kg": " kg", "unsorted_kg": " kg", "value_g_per_t": " g/t", "volume_l": " L"}.get(
        key, " g" if key.endswith("_g") else ""
    )
    return f"{value:g}{unit}" if unit else value


SUFFIXES = ("_per_g", "_g_per_t", "_g", "_kg", "_rel", "_paid", "_l")


def shorten(name: str) -> str:
    """A field's name as people type it: without the unit (`weight`, `fingers.mass`)."""
    for suffix in SUFFIXES:
        if name.endswith(suffix):
            return name.removesuffix(suffix)
    return name


def amend(place: Place, number: int, typed: Sequence[str], *, sure: bool = False) -> Corrected:
    """Correct fields of an event, each typed as FIELD=VALUE. Raises InputError with all problems at once."""
    with open_bench(place) as opened:
        event = event_now(opened, number)
        changes, issues = parse_changes(event, typed)
        sift(issues, f"amend {number}", sure=True)
        if sure and "sure" in amendable_fields(event.kind, event.payload):
            changes["sure"] = True
        if event.kind == "batch" and {"route", "date"} & set(changes):
            now = {**event.payload, **changes}
            refuse_closed(opened, now["route"], date_of(now, event.happened_on))
        saved = append(opened, "amend", {"event": number, "changes": changes}, place.today, sure=sure)
        return Corrected(saved, tell(event_now(opened, number), name_products(opened.ledger.events())))


def parse_changes(event: Event, typed: Sequence[str]) -> tuple[dict[str, Any], list[Issue]]:
    """FIELD=VALUE words as changes of the payload, with every problem found."""
    fields = amendable_fields(event.kind, event.payload)
    names = {shorten(name): name for name in fields} | {name: name for name in fields}
    changes: dict[str, Any] = {}
    issues: list[Issue] = []
    for text in typed:
        word, equals, value = (part.strip() for part in text.partition("="))
        if not equals:
            issues.append(Issue("error", f"'{text}' is no FIELD=VALUE", 'such as weight="1.48 g"'))
        elif word not in names:
            known = ", ".join(shorten(name) for name in fields)
            hint = f"it has: {known}; for anything else undo it and record it anew"
            issues.append(
                Issue("error", f"event {event.number} ({event.kind}) has no '{word}' to change", hint, field=word)
            )
        else:
            try:
                changes |= read_change(event, names[word], value)
            except InputError as err:
                issues.append(Issue("error", err.message, err.hint, field=word))
    return changes, issues


def read_change(event: Event, name: str, value: str) -> dict[str, Any]:
    """One typed change. A weight may be a range, and a plain one takes an earlier one back; a grade may be a limit."""
    if name == "value_g_per_t":
        grade, is_limit = parse_result(value)
        return {name: grade, "below_detection": True} if is_limit else {name: grade}
    if event.kind != "product" or name != "weight_g":
        return {name: parser_of(event.kind, name)(value)}
    low, high = parse_mass_range(value, metal=True)
    change: dict[str, Any] = {name: (low + high) / 2}
    if high > low or event.payload.get("interval_g"):
        change["interval_g"] = high - low
    return change


def parser_of(kind: str, name: str) -> Callable[[str], Any]:
    """How the value of a field is read."""
    if "/" in name:
        return parse_kg
    key = name.rpartition(".")[2]
    parsers: dict[str, Callable[[str], Any]] = {
        "date": parse_day,
        "price_paid": parse_money,
        "mass_kg": parse_kg,
        "unsorted_kg": parse_kg,
        "pieces": parse_pieces,
        "minutes": parse_minutes,
        "u_rel": parse_share,
        "low": parse_share,
        "high": parse_share,
        "amount": parse_money,
        "volume_l": parse_volume,
        "hours": parse_hours,
        "share": parse_purity,
        "u": parse_share,
        "fineness": parse_purity,
        "payable": parse_share,
        "price_per_g": read_price,
        "charges": parse_money,
        "paid": parse_money,
        "due": parse_money,
    }
    if key in parsers:
        return parsers[key]
    if key.endswith("_g"):
        return lambda text: parse_mass(text, metal=True)
    if key in ("damp", "sure", "below_detection", "wet", "mixed", "trial"):
        return parse_flag
    return str.strip


def parse_kg(text: str) -> float:
    """A feed mass in kg."""
    return parse_mass(text) / 1000


def parse_day(text: str) -> str:
    """A date, kept as text."""
    try:
        return dt.date.fromisoformat(text).isoformat()
    except ValueError as err:
        raise InputError(f"'{text}' is not a date", "type it as YYYY-MM-DD") from err


def parse_pieces(text: str) -> int:
    """A number of pieces."""
    if not text.isdigit() or int(text) < 1:
        raise InputError(f"'{text}' is no number of pieces", "type a whole number")
    return int(text)


def parse_minutes(text: str) -> float:
    """Minutes above zero."""
    from gradeest.units import parse_number

    minutes = parse_number(text.lower().removesuffix("min").strip())
    if minutes <= 0:
        raise InputError(f"'{text}' is no time", "minutes above zero, e.g. 45")
    return minutes


def parse_flag(text: str) -> bool:
    """Yes or no."""
    if text.lower() in ("y", "yes", "true"):
        return True
    if text.lower() in ("n", "no", "false"):
        return False
    raise InputError(f"'{text}' is neither yes nor no", "type yes or no")
