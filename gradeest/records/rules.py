"""What lets an event into the ledger, sort by sort, given the bench before it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Mapping
from typing import Any

from gradeest.errors import InputError, Issue
from gradeest.materials.catalogue import Catalogue
from gradeest.materials.hazards import check_batch
from gradeest.materials.laws import JURISDICTION, read_jurisdiction
from gradeest.records import payloads
from gradeest.records.ash_rules import check_links
from gradeest.records.balance_rules import check_balance, check_check
from gradeest.records.domain import EXACT_KG, STORAGE_CLOCK, Batch, Bench
from gradeest.records.findings import Findings, is_clean_text, suggest
from gradeest.records.lot_rules import (
    BATCH_NAME,
    check_date,
    check_lot,
    check_mass,
    check_name,
)
from gradeest.records.product_rules import check_product_assay, check_settlement
from gradeest.records.references import Context, batches_hint, began_by, is_fraction, sort_of_address
from gradeest.records.rerefine_rules import check_product_charge, check_products_alone
from gradeest.records.result_rules import check_assay, check_nondetect, check_product
from gradeest.records.sorting import check_weigh
from gradeest.records.spot_rules import check_spot_test
from gradeest.records.stock_rules import (
    OVER,
    ask_about_order,
    check_discard,
    check_more,
    check_sale,
    check_split,
    where_it_went,
)
from gradeest.records.storage import read_storage_days
from gradeest.records.stream_rules import check_leave, check_loss, check_set_aside, check_stream_charge
from gradeest.records.work_rules import check_gate, check_hours, check_spending, check_waste

SETTINGS = ("fit-equipment", "permit", "licence", STORAGE_CLOCK, JURISDICTION)


def check_payload(
    bench: Bench,
    kind: str,
    payload: Mapping[str, Any],
    catalogue: Catalogue,
    *,
    happened_on: dt.date | None = None,
    today: dt.date | None = None,
) -> list[Issue]:
    """All that speaks against an event that is no correction; `bench` is the state before it."""
    found = Findings()
    rule = RULES.get(kind)
    if rule is None:
        found.error("kind", f"there are no events of the sort '{kind}'")
        return found.issues
    missing = [name for name in REQUIRED[kind] if payload.get(name) in (None, "")]
    for name in missing:
        found.error(name, f"{name} is missing")
    check_flags(found, payload, FLAGS.get(kind, ()))
    for name in TEXTS.get(kind, ()):
        if payload.get(name) is not None and not is_clean_text(payload[name]):
            found.error(name, f"{payload[name]!r} is no text that can be printed", "plain text")
    if not found.has_errors:
        date = read_date(found, payload, happened_on)
        if not found.has_errors:
            if date is not None and kind != "lot":
                check_date(found, date, today)
            rule(payload, Context(bench, catalogue, date, today), found)
    return found.issues


def check_flags(found: Findings, payload: Mapping[str, Any], names: Iterable[str], where: str = "") -> None:
    """Add an error for a yes-or-no field that holds something else."""
    for name in names:
        if payload.get(name) not in (None, True, False):
            found.error(where + name, f"'{payload[name]}' is neither yes nor no", "yes or no")


def read_date(found: Findings, payload: Mapping[str, Any], happened_on: dt.date | None) -> dt.date | None:
    """The event's date, its own before `happened_on`; an error is added for what is no date."""
    text = payload.get("date")
    if not text:
        return happened_on
    try:
        return dt.date.fromisoformat(text)
    except (TypeError, ValueError):
        found.error("date", f"'{text}' is no date", "YYYY-MM-DD")
        return None


def _lot(payload: Mapping[str, Any], context: Context, found: Findings) -> None:
    try:
        lot = payloads.lot_from(payload, context.happened_on or dt.date(2000, 1, 1))
    except (KeyError, TypeError, ValueError, AttributeError) as err:
        found.error("lot", f"this is not how a lot is stored: {err!r}")
        return
    for item in payload.get("fractions", ()):
        check_flags(found, item, ("wet", "mixed"), f"{item['name']}.")
    check_lot(lot, context.catalogue, found, taken=context.bench.lots, today=context.today)
    for fraction in lot.fractions:
        kind = context.catalogue.kinds.get(fraction.kind)
        if kind is not None and kind.stop:
            found.warn(
                f"{fraction.name}.kind",
                f"{kind.name}: kept on the list, never to be processed here",
                "sell it as it is or hand it to a licensed handler",
            )
    for pile in lot.boards:
        board = context.catalogue.boards.get(pile.kind)
        if board is not None and board.stop:
            hint = "hand them over whole to a licensed handler"
            found.warn(f"{pile.name}.kind", f"{board.name}: kept on the list, nothing is to be taken off", hint)


def _batch(payload: Mapping[str, Any], context: Context, found: Findings) -> None:
    bench = context.bench
    name, route = payload["name"], payload.get("route") or ""
    if not isinstance(name, str) or not BATCH_NAME.fullmatch(name):
        found.error("name", f"'{name}' is not how batches are called", "B and a number")
    elif name in bench.batches:
        found.error("name", f"there is a batch {name} already")
    charges = payload["charges"]
    if not charges:
        found.error("charge", "nothing went in", "--charge LOT/FRACTION or --charge LOT/FRACTION=MASS")
    seen: set[str] = set()
    kinds: list[str] = []
    for item in charges:
        address = item.get("address")
        if address in seen:
            found.error("charge", f"{address} is named twice", "one --charge for each, with the sum")
        elif sort_of_address(str(address)) == "product":
            check_product_charge(str(address), item.get("mass_kg"), str(name), context, found)
        elif sort_of_address(str(address)) != "fraction":
            if check_stream_charge(address, item.get("mass_kg"), str(name), context, found):
                kinds += [bench.fraction(root).kind for root in bench.fractions_behind(address)]
        elif _charge(address, item.get("mass_kg"), context, found):
            kinds.append(bench.fraction(address).kind)
        seen.add(address)
    check_products_alone([str(item.get("address")) for item in charges], route, context, found)
    check_links(charges, str(name), context, found)
    if payload.get("trial"):
        _trial(charges, context, found)
    settings = {setting.name: setting.value for setting in bench.settings.values()}
    found.issues.extend(check_batch(kinds, route, settings, context.catalogue))


def _trial(charges: Any, context: Context, found: Findings) -> None:
    """A trial is of a part of one fraction: something must be left that is decided on after it."""
    if len(charges) > 1 or (charges and context.bench.is_of_batch(str(charges[0].get("address")))):
        found.error("trial", "a trial is of one fraction", "one --charge, or leave --trial out")
    elif charges and is_fraction(charges[0].get("address"), context.bench, Findings(), "charge"):
        left, mass_kg = context.bench.left_kg(charges[0]["address"]), charges[0].get("mass_kg")
        if isinstance(mass_kg, int | float) and left > EXACT_KG and left / OVER <= mass_kg <= left * OVER:
            hint = f"name a mass below {left:.6g} kg, or leave --trial out"
            found.error("trial", "a trial takes a part, this is all that is left", hint)


def _charge(address: Any, mass_kg: Any, context: Context, found: Findings) -> bool:
    """Whether `address` is a fraction; what speaks against taking `mass_kg` of it is added."""
    bench = context.bench
    if not is_fraction(address, bench, found, "charge"):
        return False
    left = bench.left_kg(address)
    began_by(found, context, bench.since(address), address)
    ask_about_order(address, context, found)
    if left <= EXACT_KG:
        found.error("charge", f"nothing is left of {address}", where_it_went(bench, address))
    elif check_mass(found, "charge", mass_kg) and mass_kg > left * OVER:
        found.error(
            "charge",
            f"{address} has {left:.6g} kg left, {mass_kg:.6g} kg is more",
            f"at most {left:.6g} kg, or correct the fraction's mass with `gradeest amend`",
        )
    return True


def kept_liquids(batch: Batch) -> list[str]:
    """Metals of which nothing dropped, with the liquid kept and no answer since."""
    answers = sorted(
        [(n.event, n.metal, n.liquid == "kept") for n in batch.nondetects]
        + [(p.event, p.metal, False) for p in batch.products]
    )
    last = {metal: is_kept for _, metal, is_kept in answers}
    return [metal for metal, is_kept in last.items() if is_kept]


def _close(payload: Mapping[str, Any], context: Context, found: Findings) -> None:
    batch = context.bench.batches.get(payload["batch"])
    if batch is None:
        found.error("batch", f"there is no batch '{payload['batch']}'", batches_hint(context.bench))
        return
    if not batch.is_open:
        found.error("batch", f"{batch.name} is closed already, since {batch.closed}")
        return
    results = [batch.date, *(p.date for p in batch.products), *(n.date for n in batch.nondetects)]
    latest = max([*results, *(s.date for s in batch.streams), *(loss.date for loss in batch.losses)])
    if context.happened_on is not None and context.happened_on < latest:
        found.error("date", f"{batch.name} has an entry of {latest}, it cannot be closed before", "a later --date")
    for metal in kept_liquids(batch):
        found.error(
            "batch",
            f"the liquid of {batch.name} with its {metal} is kept: the batch stays open",
            f"first `gradeest record none {batch.name} --metal {metal} --liquid tested-negative` (or gone), "
            "or record what dropped",
        )
    if not batch.products and not batch.nondetects:
        found.warn("batch", f"nothing was recorded of {batch.name}: closed like this it tells nothing")


def _setting(payload: Mapping[str, Any], context: Context, found: Findings) -> None:
    name = payload["name"]
    base, colon, detail = str(name).partition(":")
    if base not in SETTINGS or (colon and not detail):
        found.error(
            "name", f"there is nothing called '{name}' to declare", suggest(base, SETTINGS, ", ".join(SETTINGS))
        )
    elif base == STORAGE_CLOCK:
        if colon:
            found.error("name", "there is one storage clock for the whole bench", STORAGE_CLOCK)
        try:
            read_storage_days(str(payload["value"]))
        except InputError as err:
            found.error("value", err.message, f"{err.hint}; `no` takes the clock away")
    elif base == JURISDICTION:
        if colon:
            found.error("name", "a bench stands in one jurisdiction", JURISDICTION)
        try:
            read_jurisdiction(str(payload["value"]), context.catalogue.laws)
        except InputError as err:
            found.error("value", err.message, err.hint)
    elif colon:
        check_name(found, "name", detail)


RULES: dict[str, Callable[[Mapping[str, Any], Context, Findings], None]] = {
    "lot": _lot,
    "batch": _batch,
    "close": _close,
    "setting": _setting,
    "product": check_product,
    "nondetect": check_nondetect,
    "spottest": check_spot_test,
    "weigh": check_weigh,
    "productassay": check_product_assay,
    "settlement": check_settlement,
    "assay": check_assay,
    "more": check_more,
    "split": check_split,
    "sale": check_sale,
    "discard": check_discard,
    "setaside": check_set_aside,
    "leave": check_leave,
    "loss": check_loss,
    "hours": check_hours,
    "spending": check_spending,
    "waste": check_waste,
    "gate": check_gate,
    "balance": check_balance,
    "check": check_check,
}
TEXTS: dict[str, tuple[str, ...]] = {
    "batch": ("name", "route", "note"),
    "close": ("batch",),
    "product": ("batch", "metal", "form", "balance"),
    "nondetect": ("batch", "metal", "liquid"),
    "spottest": ("batch", "metal", "result", "moment"),
    "weigh": ("lot", "boards", "kind", "name"),
    "productassay": ("address", "metal", "method"),
    "settlement": ("to",),
    "assay": ("address", "metal", "method"),
    "setting": ("name", "value"),
    "more": ("address", "note"),
    "split": ("address",),
    "sale": ("address", "to"),
    "discard": ("address", "note"),
    "setaside": ("batch",),
    "leave": ("batch", "name"),
    "loss": ("batch", "note"),
    "hours": ("batch", "step"),
    "spending": ("batch", "what"),
    "waste": ("batch", "what", "went"),
    "gate": ("route", "text"),
    "balance": ("name",),
    "check": ("balance",),
}
FLAGS: dict[str, tuple[str, ...]] = {
    "lot": ("invented",),
    "batch": ("trial",),
    "product": ("damp", "sure"),
    "assay": ("below_detection", "sure"),
}
REQUIRED: dict[str, tuple[str, ...]] = {
    "lot": ("name",),
    "weigh": ("lot", "boards", "kind", "name", "mass_kg", "boards_kg", "portion"),
    "batch": ("name", "charges"),
    "close": ("batch",),
    "setting": ("name", "value"),
    "product": ("batch", "metal", "form", "weight_g", "readability_g"),
    "nondetect": ("batch", "metal", "below_g", "liquid"),
    "spottest": ("batch", "metal", "result", "volume_l", "moment"),
    "productassay": ("address", "metal", "share", "u", "method"),
    "settlement": ("products", "received_g", "melted_g", "metals", "paid"),
    "assay": ("address", "metal", "value_g_per_t", "u_rel"),
    "more": ("address", "mass_kg"),
    "split": ("address", "heaps"),
    "sale": ("address", "amount"),
    "discard": ("address",),
    "setaside": ("batch", "streams"),
    "leave": ("batch", "name"),
    "loss": ("batch", "low", "high"),
    "hours": ("batch", "hours"),
    "spending": ("batch", "amount"),
    "waste": ("batch", "volume_l", "what", "went"),
    "gate": ("route", "text"),
    "balance": ("name", "readability_g"),
    "check": ("balance", "weight_g", "reads_g"),
}
