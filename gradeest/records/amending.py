"""What a correction may change in an event, and events in a few words."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from gradeest.records.ledger import Event
from gradeest.records.references import sort_of_address

CORRECTIONS = ("undo", "amend")
WORDS = {
    "nondetect": "no {metal} in {batch}",
    "assay": "assay of {address}, {metal}",
    "spottest": "spot test of {batch}, {metal}",
    "productassay": "assay of {address}, {metal}",
    "close": "closing {batch}",
    "more": "more of {address}",
    "split": "split of {address}",
    "weigh": "{kind} off {lot}/{boards}",
    "sale": "sale of {address}",
    "discard": "discard of {address}",
    "setaside": "set aside from {batch}",
    "leave": "solution {batch}/{name}",
    "loss": "loss in {batch}",
    "hours": "hours of {batch}",
    "spending": "cost of {batch}",
    "waste": "waste of {batch}",
    "gate": "gate of {route}",
    "check": "check of balance {balance}",
}
AMENDABLE: dict[str, tuple[str, ...]] = {
    "lot": ("date", "price_paid", "owner", "unsorted_kg", "note"),
    "batch": ("date", "route", "note", "trial"),
    "close": ("date",),
    "product": ("date", "form", "weight_g", "readability_g", "interval_g", "damp", "balance", "sure"),
    "nondetect": ("date", "below_g", "liquid"),
    "spottest": ("date", "result", "volume_l", "moment"),
    "productassay": ("date", "share", "u", "method"),
    "settlement": ("date", "received_g", "melted_g", "charges", "paid", "due", "to"),
    "assay": ("date", "value_g_per_t", "u_rel", "below_detection", "sure"),
    "setting": ("date", "value"),
    "more": ("date", "mass_kg", "note"),
    "split": ("date",),
    "weigh": ("date", "mass_kg", "minutes"),
    "sale": ("date", "mass_kg", "weight_g", "amount", "to"),
    "discard": ("date", "mass_kg", "weight_g", "note"),
    "setaside": ("date",),
    "leave": ("date", "volume_l"),
    "loss": ("date", "low", "high", "note"),
    "hours": ("date", "hours", "step"),
    "spending": ("date", "amount", "what"),
    "waste": ("date", "volume_l", "what", "went"),
    "balance": ("date", "readability_g"),
    "check": ("date", "weight_g", "reads_g"),
}
PILE_FIELDS = ("kind", "mass_kg", "pieces", "note")
FRACTION_FIELDS = ("kind", "mass_kg", "pieces", "wet", "mixed", "note")
PARTS = {
    "lot": "fractions",
    "split": "heaps",
    "setaside": "streams",
    "settlement": "metals",
}  # where an event's named parts stand
PART_FIELDS = {
    "lot": FRACTION_FIELDS,
    "split": ("mass_kg", "kind"),
    "setaside": ("mass_kg",),
    "settlement": ("fineness", "payable", "price_per_g"),
}


def amendable_fields(kind: str, payload: Mapping[str, Any]) -> list[str]:
    """The field names that `amend` may change in an event.

    A lot's fraction is `FRACTION.mass_kg` and the like (so are a split's heaps and what was set aside), a batch's
    charge is the address of its fraction. What decides whom an event belongs to (names, batch, metal) is undone and
    recorded anew instead.
    """
    fields = list(AMENDABLE.get(kind, ()))
    if kind == "leave" and payload.get("mass_kg") is not None:
        fields = ["date", "mass_kg"]
    if kind in PARTS:
        fields += [f"{item['name']}.{name}" for item in payload[PARTS[kind]] for name in PART_FIELDS[kind]]
    if kind == "lot":
        fields += [f"{item['name']}.{name}" for item in payload.get("boards", ()) for name in PILE_FIELDS]
    if kind == "batch":
        addresses = [item["address"] for item in payload["charges"]]
        fields += [address for address in addresses if sort_of_address(address) != "product"]  # those go in whole
    if kind == "loss" and payload.get("wiped"):
        fields.append(f"{payload['wiped']['name']}.mass_kg")
    return fields


def apply_changes(kind: str, payload: Mapping[str, Any], changes: Mapping[str, Any]) -> dict[str, Any]:
    """A payload with `changes` (names as in `amendable_fields`) made. Raises KeyError for a field it does not have."""
    changed = dict(payload)
    for name, value in changes.items():
        if name not in amendable_fields(kind, payload):
            raise KeyError(name)
        part, dot, key = name.rpartition(".")
        if kind == "lot" and dot and part in {item["name"] for item in changed.get("boards", ())}:
            changed["boards"] = [{**i, key: value} if i["name"] == part else i for i in changed["boards"]]
        elif kind in PARTS and dot:
            changed[PARTS[kind]] = [{**i, key: value} if i["name"] == part else i for i in changed[PARTS[kind]]]
        elif kind == "loss" and dot:
            changed["wiped"] = {**changed["wiped"], key: value}
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
    if event.kind == "settlement":
        return f"settlement of {', '.join(data['products'])}"
    if event.kind == "leave" and data.get("mass_kg") is not None:
        return f"residue {data['batch']}/{data['name']}"
    words = WORDS.get(event.kind)
    if words is not None:
        return words.format_map(data)
    return f"{event.kind} {data.get('name') or data.get('batch')}"
