"""Records as JSON payloads of events, and back: the only place that knows how a record is stored."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any

from gradeest.records.domain import (
    MINE,
    Addition,
    AshLink,
    Assay,
    Balance,
    BalanceCheck,
    Batch,
    Charge,
    Discard,
    Fraction,
    Loss,
    Lot,
    NonDetect,
    Product,
    ProductAssay,
    Sale,
    Setting,
    SettledMetal,
    Settlement,
    SpotTest,
    Stream,
)
from gradeest.records.piles import Pile, Weighing

Payload = Mapping[str, Any]


def lot_payload(lot: Lot) -> dict[str, Any]:
    """The payload of a "lot" event."""
    boards = {"boards": [pile_payload(pile) for pile in lot.boards]} if lot.boards else {}
    return boards | {
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


def pile_payload(pile: Pile) -> dict[str, Any]:
    """One entry of a lot's "boards"."""
    return {
        "name": pile.name,
        "kind": pile.kind,
        "mass_kg": pile.mass_kg,
        "pieces": pile.pieces,
        "note": pile.note,
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
        owner=payload.get("owner") or MINE,
        unsorted_kg=float(payload.get("unsorted_kg") or 0.0),
        note=payload.get("note") or "",
        invented=bool(payload.get("invented", False)),
        boards=tuple(pile_from(item) for item in payload.get("boards", ())),
    )


def pile_from(item: Payload) -> Pile:
    """Boards from their entry in a lot's "boards"."""
    pieces = item.get("pieces")
    mass = _number_or_none(item.get("mass_kg"))
    count = None if pieces is None else int(pieces)
    return Pile(str(item["name"]), str(item["kind"]), mass, count, item.get("note") or "")


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


def batch_from(payload: Payload, happened_on: dt.date, number: int) -> Batch:
    """The batch of a "batch" event, masses as typed."""
    charges = tuple(  # a product goes in whole, whatever it weighs
        Charge(item["address"], float(item["mass_kg"] or 0.0), (), link_from(item, number))
        for item in payload["charges"]
    )
    return Batch(
        payload["name"],
        date_of(payload, happened_on),
        str(payload["route"]),
        charges,
        note=payload.get("note") or "",
        trial=bool(payload.get("trial", False)),
    )


def link_from(item: Payload, number: int) -> AshLink | None:
    """Whose filters the ash of a charge is of; None where that was not said."""
    if not item.get("from_batches"):
        return None
    said = item.get("untracked")
    untracked = (float(said[0]), float(said[1])) if said else None
    return AshLink(tuple(str(name) for name in item["from_batches"]), str(item["burning"]), untracked, number)


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
        interval_g=float(payload.get("interval_g") or 0.0),
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
        method=payload.get("method") or "",
    )


def product_assay_from(payload: Payload, happened_on: dt.date, number: int) -> ProductAssay:
    """The assay of a "productassay" event."""
    share, u, date = float(payload["share"]), float(payload["u"]), date_of(payload, happened_on)
    return ProductAssay(payload["address"], payload["metal"], share, u, payload["method"], date, number)


def settlement_from(payload: Payload, happened_on: dt.date, number: int) -> Settlement:
    """The refiner's paper of a "settlement" event."""
    metals = tuple(
        SettledMetal(
            m["name"], float(m["fineness"]), float(m.get("payable") or 0.0), float(m.get("price_per_g") or 0.0)
        )
        for m in payload["metals"]
    )
    return Settlement(
        tuple(payload["products"]),
        float(payload["received_g"]),
        float(payload["melted_g"]),
        metals,
        float(payload.get("charges") or 0.0),
        float(payload["paid"]),
        float(payload.get("due") or 0.0),
        date_of(payload, happened_on),
        payload.get("to") or "",
        number,
    )


def spot_test_from(payload: Payload, happened_on: dt.date, number: int) -> SpotTest:
    """The spot test of a "spottest" event."""
    return SpotTest(
        payload["batch"],
        payload["metal"],
        payload["result"],
        float(payload["volume_l"]),
        payload["moment"],
        date_of(payload, happened_on),
        number,
    )


def setting_from(payload: Payload, happened_on: dt.date) -> Setting:
    """The declaration of a "setting" event."""
    return Setting(payload["name"], str(payload["value"]), date_of(payload, happened_on))


def addition_from(payload: Payload, happened_on: dt.date, number: int, source: int) -> Addition:
    """The addition of a "more" event; `source` is which of the fraction's sources it joins or starts."""
    date, note = date_of(payload, happened_on), payload.get("note") or ""
    return Addition(payload["address"], float(payload["mass_kg"]), source, date, note, number)


def heaps_from(payload: Payload) -> tuple[tuple[str, float, str], ...]:
    """The heaps of a "split" event: (name, kg as typed, kind or "" for that of the fraction)."""
    return tuple((str(h["name"]), float(h["mass_kg"]), str(h.get("kind") or "")) for h in payload["heaps"])


def weighing_from(payload: Payload, happened_on: dt.date, number: int) -> Weighing:
    """The weighing of a "weigh" event; what was left of boards never weighs more than they did."""
    lot, date = payload["lot"], date_of(payload, happened_on)
    return Weighing(
        f"{lot}/{payload['boards']}",
        int(payload["portion"]),
        float(payload["boards_kg"]),
        str(payload["kind"]),
        float(payload["mass_kg"]),
        f"{lot}/{payload['name']}",
        date,
        _number_or_none(payload.get("minutes")),
        number,
    )


def sale_from(payload: Payload, happened_on: dt.date, number: int) -> Sale:
    """The sale of a "sale" event, amounts as typed (None: all of it)."""
    return Sale(
        address=payload["address"],
        amount=float(payload["amount"]),
        date=date_of(payload, happened_on),
        mass_kg=_number_or_none(payload.get("mass_kg")),
        weight_g=_number_or_none(payload.get("weight_g")),
        to=payload.get("to") or "",
        event=number,
    )


def discard_from(payload: Payload, happened_on: dt.date, number: int) -> Discard:
    """The discard of a "discard" event, amounts as typed (None: all of it)."""
    return Discard(
        address=payload["address"],
        date=date_of(payload, happened_on),
        mass_kg=_number_or_none(payload.get("mass_kg")),
        weight_g=_number_or_none(payload.get("weight_g")),
        note=payload.get("note") or "",
        event=number,
    )


def set_aside_from(payload: Payload, happened_on: dt.date, number: int) -> tuple[Stream, ...]:
    """The streams of a "setaside" event."""
    date = date_of(payload, happened_on)
    return tuple(
        Stream(str(s["name"]), payload["batch"], "set-aside", float(s["mass_kg"]), None, date, number)
        for s in payload["streams"]
    )


def left_over_from(payload: Payload, happened_on: dt.date, number: int) -> Stream:
    """The solution, or the residue, of a "leave" event."""
    name, batch, date = payload["name"], payload["batch"], date_of(payload, happened_on)
    if payload.get("mass_kg") is not None:
        return Stream(name, batch, "residue", float(payload["mass_kg"]), None, date, number)
    return Stream(name, batch, "solution", None, float(payload["volume_l"]), date, number)


def loss_from(payload: Payload, happened_on: dt.date, number: int) -> tuple[Loss, tuple[Stream, ...]]:
    """The loss of a "loss" event, and what was wiped up of it (a stream, or none)."""
    date, batch = date_of(payload, happened_on), payload["batch"]
    loss = Loss(batch, float(payload["low"]), float(payload["high"]), payload.get("note") or "", date, number)
    wiped = payload.get("wiped")
    if not wiped:
        return loss, ()
    return loss, (Stream(str(wiped["name"]), batch, "wiped-up", float(wiped["mass_kg"]), None, date, number),)


def balance_from(payload: Payload, happened_on: dt.date) -> Balance:
    """The instrument of a "balance" event."""
    return Balance(payload["name"], float(payload["readability_g"]), date_of(payload, happened_on))


def check_from(payload: Payload, happened_on: dt.date, number: int) -> BalanceCheck:
    """The comparison of a "check" event."""
    return BalanceCheck(
        payload["balance"],
        float(payload["weight_g"]),
        float(payload["reads_g"]),
        date_of(payload, happened_on),
        number,
    )


def _number_or_none(value: Any) -> float | None:
    return None if value is None else float(value)
