"""Records as JSON payloads of events, and back: the only place that knows how a record is stored."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any

from gradeest.records.domain import Assay, Batch, Charge, Fraction, Lot, NonDetect, Product, Setting

Payload = Mapping[str, Any]


def lot_payload(lot: Lot) -> dict[str, Any]:
    """The payload of a "lot" event."""
    return {
        "name": lot.name,
        "date": lot.date.isoformat(),
        "fractions": [fraction_payload(fraction) for fraction in lot.fractions],
        "price_paid": lot.price_paid,
        "owner": lot.owner,
        "unsorted_kg": lot.unsorted_kg,
        "note": lot.note,
        "invented": lot.invented,
    }


def fraction_payload(fraction: Fraction) -> dict[str, Any]:
    """One entry of a lot's "fractions"."""
    return {
        "name": fraction.name,
        "kind": fraction.kind,
        "mass_kg": fraction.mass_kg,
        "pieces": fraction.pieces,
        "wet": fraction.wet,
        "mixed": fraction.mixed,
        "note": fraction.note,
    }


def date_of(payload: Payload, happened_on: dt.date) -> dt.date:
    """When it happened: the payload's own (or amended) date before that of the event."""
    text = payload.get("date")
    return dt.date.fromisoformat(text) if text else happened_on


def lot_from(payload: Payload, happened_on: dt.date) -> Lot:
    """The lot of a "lot" event."""
    price = payload.get("price_paid")
    return Lot(
        name=payload["name"],
        date=date_of(payload, happened_on),
        fractions=tuple(fraction_from(item) for item in payload.get("fractions", ())),
        price_paid=None if price is None else float(price),
        owner=payload.get("owner") or "mine",
        unsorted_kg=float(payload.get("unsorted_kg") or 0.0),
        note=payload.get("note") or "",
        invented=bool(payload.get("invented", False)),
    )


def fraction_from(item: Payload) -> Fraction:
    """A fraction from its entry in a lot's "fractions"."""
    pieces = item.get("pieces")
    return Fraction(
        name=str(item["name"]),
        kind=str(item["kind"]),
        mass_kg=float(item["mass_kg"]),
        pieces=None if pieces is None else int(pieces),
        wet=bool(item.get("wet", False)),
        mixed=bool(item.get("mixed", False)),
        note=item.get("note") or "",
    )


def batch_from(payload: Payload, happened_on: dt.date) -> Batch:
    """The batch of a "batch" event, masses as typed."""
    charges = tuple(Charge(item["address"], float(item["mass_kg"])) for item in payload["charges"])
    return Batch(
        payload["name"], date_of(payload, happened_on), str(payload["route"]), charges, note=payload.get("note") or ""
    )


def product_from(payload: Payload, happened_on: dt.date, name: str, number: int) -> Product:
    """The product of a "product" event; `name` counts per batch and metal."""
    return Product(
        name=name,
        batch=payload["batch"],
        metal=payload["metal"],
        form=payload["form"],
        weight_g=float(payload["weight_g"]),
        readability_g=float(payload["readability_g"]),
        date=date_of(payload, happened_on),
        damp=bool(payload.get("damp", False)),
        balance=payload.get("balance") or "bench",
        sure=bool(payload.get("sure", False)),
        event=number,
    )


def nondetect_from(payload: Payload, happened_on: dt.date, number: int) -> NonDetect:
    """The non-detect of a "nondetect" event."""
    return NonDetect(
        payload["batch"],
        payload["metal"],
        float(payload["below_g"]),
        payload["liquid"],
        date_of(payload, happened_on),
        number,
    )


def assay_from(payload: Payload, happened_on: dt.date, number: int) -> Assay:
    """The assay of an "assay" event."""
    return Assay(
        address=payload["address"],
        metal=payload["metal"],
        value_g_per_t=float(payload["value_g_per_t"]),
        u_rel=float(payload["u_rel"]),
        date=date_of(payload, happened_on),
        below_detection=bool(payload.get("below_detection", False)),
        sure=bool(payload.get("sure", False)),
        event=number,
    )


def setting_from(payload: Payload, happened_on: dt.date) -> Setting:
    """The declaration of a "setting" event."""
    return Setting(payload["name"], str(payload["value"]), date_of(payload, happened_on))
