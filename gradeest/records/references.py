"""What an entry names must be there: fractions, batches, metals. Says what is there when it is not."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass
from typing import Any, Literal

from gradeest.materials.catalogue import Catalogue
from gradeest.records.domain import METALS, Batch, Bench
from gradeest.records.findings import Findings, suggest
from gradeest.records.lot_rules import BATCH_NAME

PRODUCT_NAME = re.compile(rf"(?:{'|'.join(metal.lower() for metal in METALS)})-[0-9]+")  # au-1
METAL_WORDS = {"gold": "Au", "silver": "Ag", "palladium": "Pd"}


@dataclass(frozen=True)
class Context:
    """What a rule may look at; `bench` is the state before the event."""

    bench: Bench
    catalogue: Catalogue
    happened_on: dt.date | None
    today: dt.date | None


def is_fraction(address: Any, bench: Bench, found: Findings, where: str) -> bool:
    """Whether `address` is LOT/FRACTION on this bench; otherwise an error says what is there."""
    addresses = bench.addresses()
    if address in addresses:
        return True
    if address in bench.pile_addresses():
        hint = f"first take parts off and weigh them: `gradeest lot weigh {str(address).partition('/')[0]} KIND MASS`"
        found.error(where, f"'{address}' are boards, not taken apart", hint)
    elif address in bench.lots:
        parts = [a for a in addresses if a.startswith(f"{address}/")]
        hint = f"one of its fractions: {', '.join(parts)}" if parts else "it is unsorted: add it sorted first"
        found.error(where, f"'{address}' is a whole lot", hint)
    elif sort_of_address(str(address)) != "fraction":
        found.error(where, f"'{address}' is a batch or its product, not a fraction of a lot", "LOT/FRACTION")
    else:
        otherwise = "LOT/FRACTION; `gradeest lot show LOT` lists them"
        found.error(where, f"there is no fraction '{address}'", suggest(str(address), addresses, otherwise))
    return False


def sort_of_address(address: str) -> Literal["fraction", "product", "stream"]:
    """What an address names, by the way it is written: LOT/FRACTION, BATCH/PRODUCT or BATCH/STREAM."""
    head, _, name = address.partition("/")
    if not BATCH_NAME.fullmatch(head):
        return "fraction"
    return "product" if PRODUCT_NAME.fullmatch(name) else "stream"


def is_in_stock(address: Any, bench: Bench, found: Findings) -> bool:
    """Whether `address` is a fraction, product or stream; otherwise an error says what is there."""
    head, _, name = str(address).partition("/")
    if sort_of_address(str(address)) == "fraction":
        return is_fraction(address, bench, found, "address")
    batch = bench.batches.get(head)
    if batch is None:
        found.error("address", f"there is no batch '{head}'", batches_hint(bench))
        return False
    names = [product.name for product in batch.products] + [stream.name for stream in batch.streams]
    there = [f"{head}/{name}" for name in names]
    if address in there:
        return True
    hint = ", ".join(there) if there else "nothing was weighed or set aside of it yet"
    what = f"{head} has nothing called '{name}'" if name else f"'{head}' is a whole batch"
    found.error("address", what, hint)
    return False


def began_by(found: Findings, context: Context, since: dt.date, what: str) -> None:
    """Add an error where the event's date lies before the day from which `what` was there."""
    date = context.happened_on
    if date is not None and date < since:
        found.error("date", f"{what} is there since {since}, {date} is before that", "a later --date")


def find_earlier(address: str, name: str, does: str, context: Context, found: Findings) -> Batch | None:
    """The batch before `name` that something (BATCH/...) is of; an error where it is that one itself, or there is none.

    Parameters: does, what a batch does with such a thing, `leaves` or `gives`.
    """
    bench, (head, _, _) = context.bench, address.partition("/")
    if head == name:
        circle = f"{name} cannot take what it {does} itself: {name} -> {address} -> {name}"
        found.error("charge", circle, f"what an earlier batch {does}")
        return None
    if head not in bench.batches:
        found.error("charge", f"there is no batch '{head}'", batches_hint(bench))
    return bench.batches.get(head)


def find_batch(name: Any, context: Context, found: Findings) -> Batch | None:
    """The batch of that name, open or closed, begun by the event's date; otherwise an error is added."""
    batch = context.bench.batches.get(name)
    if batch is None:
        found.error("batch", f"there is no batch '{name}'", batches_hint(context.bench))
        return None
    began_by(found, context, batch.date, batch.name)
    return batch


def find_open_batch(name: Any, context: Context, found: Findings) -> Batch | None:
    """The open batch of that name; otherwise an error says which there are, or that it is closed."""
    bench = context.bench
    batch = bench.batches.get(name)
    if batch is None:
        if name in bench.lots or name in bench.addresses():
            takers = [b.name for b in bench.batches.values() if any(c.address.startswith(f"{name}") for c in b.charges)]
            found.error(
                "batch",
                f"'{name}' is no batch: a weight belongs to the batch that gave it, not to what went in",
                f"its batches: {', '.join(takers)}" if takers else "start one with `gradeest batch add`",
            )
        else:
            found.error("batch", f"there is no batch '{name}'", batches_hint(bench))
        return None
    if not batch.is_open:
        found.error(
            "batch", f"{batch.name} is closed since {batch.closed}", "undo its closing first (`gradeest history`)"
        )
        return None
    date = context.happened_on
    if date is not None and date < batch.date:
        found.error("date", f"{batch.name} began on {batch.date}, {date} is before that", "the day it was weighed")
    return batch


def batches_hint(bench: Bench) -> str:
    """All batch names, as a hint."""
    return f"batches: {', '.join(bench.batches)}" if bench.batches else "start one with `gradeest batch add`"


def is_metal(metal: Any, found: Findings) -> bool:
    """Whether `metal` is one we follow; otherwise an error is added."""
    if metal in METALS:
        return True
    meant = METAL_WORDS.get(str(metal).lower()) or next((m for m in METALS if m.lower() == str(metal).lower()), None)
    found.error("metal", f"'{metal}' is none of the metals", f"type {meant}" if meant else ", ".join(METALS))
    return False
