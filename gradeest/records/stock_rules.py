"""What lets a change of the stock in: more in a jar, heaps, a sale, a discard. Nothing ever gets negative."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from gradeest.records.domain import EXACT_G, EXACT_KG, Bench
from gradeest.records.findings import Findings, is_number
from gradeest.records.lot_rules import check_kind, check_mass, check_name
from gradeest.records.references import Context, began_by, is_fraction, is_in_stock, sort_of_address
from gradeest.records.sorting import pile_left_kg, untouched_kg

OVER = 1.02  # more than is left by up to 2 % (two balances disagree) is all of it
LEAST_HEAPS = 2
CENT = 1e-4  # of a share: smaller differences between heaps and the whole are not worth a word


def check_more(payload: Mapping[str, Any], context: Context, found: Findings) -> None:
    """Add what speaks against more in a fraction's jar."""
    bench, address = context.bench, payload["address"]
    check_mass(found, "mass", payload["mass_kg"])
    if not is_fraction(address, bench, found, "address"):
        return
    began_by(found, context, bench.since(address), address)
    taken = bench.last_taken(address)
    if taken is not None and context.happened_on is not None and context.happened_on < taken:
        found.ask(
            "date",
            f"something was taken of {address} on {taken}: entered now, the addition counts as made after that",
            "undo what was taken and enter it again after the addition, or keep it so",
        )
    pieces = bench.fraction(address).pieces
    if pieces:
        found.warn("mass", f"{address} was counted as {pieces} pieces: with more in it the count no longer holds")


def check_split(payload: Mapping[str, Any], context: Context, found: Findings) -> None:
    """Add what speaks against sorting what is left of a fraction into heaps."""
    bench, address, heaps = context.bench, payload["address"], payload["heaps"]
    if not isinstance(heaps, list | tuple) or not all(isinstance(heap, Mapping) for heap in heaps):
        found.error("heaps", "these are no heaps", "NAME=MASS for each")
        return
    if len(heaps) < LEAST_HEAPS:
        found.error("heaps", "a split needs two heaps or more", "NAME=MASS for each, e.g. magnetic=210g rest=1.1kg")
    is_known = is_fraction(address, bench, found, "address")
    lot = bench.lots[address.partition("/")[0]] if is_known else None
    taken = {fraction.name.lower() for fraction in lot.fractions} if lot is not None else set()
    seen: set[str] = set()
    weighed = True
    for heap in heaps:
        name, kind = heap.get("name"), str(heap.get("kind") or "")
        where = str(name or "heap")
        if check_name(found, where, name):
            if str(name).lower() in taken:
                found.error(where, f"{address.partition('/')[0]} has a fraction '{name}' already", "another name")
            elif str(name).lower() in seen:
                found.error(where, f"two heaps are called '{name}'", "give each its own name")
            seen.add(str(name).lower())
        weighed &= check_mass(found, f"{where}.mass", heap.get("mass_kg"))
        if kind and check_kind(found, f"{where}.kind", kind, context.catalogue):
            stop = context.catalogue.kinds[kind].stop
            if stop:
                found.warn(f"{where}.kind", f"{context.catalogue.kinds[kind].name}: never to be processed here")
    if is_known:
        _check_taking(address, context, found)
        if weighed and heaps and bench.left_kg(address) > 0:
            _check_sum(address, sum(heap["mass_kg"] for heap in heaps), bench.left_kg(address), found)


def _check_sum(address: str, total_kg: float, left_kg: float, found: Findings) -> None:
    off = total_kg / left_kg - 1
    if abs(off) > OVER - 1:
        found.error(
            "heaps",
            f"the heaps add up to {total_kg:.6g} kg, of {address} are left {left_kg:.6g} kg ({off:+.1%})",
            "weigh again, name the missing heap, or first record what went (`gradeest discard`, `gradeest lot more`)",
        )
    elif abs(off) > CENT:
        found.warn("heaps", f"the heaps add up to {total_kg:.6g} kg: scaled to the {left_kg:.6g} kg that are left")


def check_sale(payload: Mapping[str, Any], context: Context, found: Findings) -> None:
    """Add what speaks against a sale."""
    amount = payload["amount"]
    if not is_number(amount) or amount < 0:
        found.error("amount", f"{amount} cannot be an amount", "what was paid for it, e.g. 75.50; 0 for nothing")
    check_discard(payload, context, found)


def check_discard(payload: Mapping[str, Any], context: Context, found: Findings) -> None:
    """Add what speaks against taking something out of the stock for good."""
    bench, address = context.bench, payload["address"]
    mass, weight = payload.get("mass_kg"), payload.get("weight_g")
    if mass is not None:
        check_mass(found, "mass", mass)
    if weight is not None and (not is_number(weight) or weight <= 0):
        found.error("weight", f"{weight} cannot be a weight", "a weight above zero, e.g. 1.84 g")
    if address in bench.pile_addresses():
        _check_boards(address, mass, context, found)
        _refuse_other(weight, "weight", "of boards a mass is taken", found)
        return
    if not is_in_stock(address, bench, found):
        return
    sort = sort_of_address(address)
    if sort == "fraction":
        _check_taking(address, context, found)
        _check_amount(address, mass, bench.left_kg(address), "kg", found)
        _refuse_other(weight, "weight", "of a fraction a mass is taken", found)
    elif sort == "product":
        began_by(found, context, bench.product(address).date, address)
        left = bench.product_left_g(address)
        if left <= EXACT_G:
            found.error("address", f"nothing is left of {address}", where_it_went(bench, address))
        _check_amount(address, weight, left, "g", found)
        _refuse_other(mass, "mass", "of a product a weight is taken", found)
    else:
        _check_stream(address, mass, context, found)
        _refuse_other(weight, "weight", "of a stream a mass is taken", found)


def _check_boards(address: str, mass: Any, context: Context, found: Findings) -> None:
    """Whole boards leave a pile; what parts were taken off is weighed and leaves as a fraction."""
    bench = context.bench
    began_by(found, context, bench.lots[address.partition("/")[0]].date, address)
    left = untouched_kg(bench, address)
    if left is None:
        if mass is not None:
            found.error("mass", f"the boards of {address} were counted, not weighed", "leave the mass out for all")
        return
    if left <= EXACT_KG:
        begun = pile_left_kg(bench, address) > 0
        hint = "weigh what is left of those begun: `gradeest lot weigh LOT boards-stripped MASS`" if begun else ""
        found.error("address", f"no whole boards are left of {address}", hint)
    _check_amount(address, mass, left, "kg", found)


def _check_stream(address: str, mass: Any, context: Context, found: Findings) -> None:
    bench = context.bench
    stream = bench.stream(address)
    began_by(found, context, stream.date, address)
    left = bench.solution_left_l(address) if stream.mass_kg is None else bench.left_kg(address)
    if left <= 0:
        found.error("address", f"nothing is left of {address}", where_it_went(bench, address))
    elif stream.mass_kg is None:
        _refuse_other(mass, "mass", f"{address} is a solution: it goes as a whole", found)
    else:
        _check_amount(address, mass, left, "kg", found)


def _refuse_other(amount: Any, where: str, message: str, found: Findings) -> None:
    if amount is not None:
        found.error(where, message, "leave it out for all of it")


def _check_amount(address: str, amount: Any, left: float, unit: str, found: Findings) -> None:
    if is_number(amount) and left > 0 and amount > left * OVER:
        found.error(
            "mass" if unit == "kg" else "weight",
            f"{address} has {left:.6g} {unit} left, {amount:.6g} {unit} is more",
            f"at most {left:.6g} {unit}; left out it is all of it",
        )


def _check_taking(address: str, context: Context, found: Findings) -> None:
    """That there is something to take of a fraction on that day, and nothing came in later."""
    bench = context.bench
    began_by(found, context, bench.since(address), address)
    if bench.left_kg(address) <= EXACT_KG:
        found.error("address", f"nothing is left of {address}", where_it_went(bench, address))
    ask_about_order(address, context, found)


def ask_about_order(address: str, context: Context, found: Findings) -> None:
    """Ask back where more came into the jar after the day of a taking: in the order of entry it is mixed in."""
    date = context.happened_on
    later = [a.date for a in context.bench.additions if a.address == address and date is not None and date < a.date]
    if later:
        found.ask(
            "date",
            f"more was put into {address} on {max(later)}: entered now, this counts as taken after that",
            "undo the addition and enter it again after this, or keep it so",
        )


def where_it_went(bench: Bench, address: str) -> str:
    """In words: "it went into B1, B2; sold; split into magnetic, rest"."""
    batches = [b.name for b in bench.batches.values() if any(c.address == address for c in b.charges)]
    words = [f"into {', '.join(batches)}"] if batches else []
    words += ["to a buyer"] if any(sale.address == address for sale in bench.sales) else []
    words += ["to waste"] if any(discard.address == address for discard in bench.discards) else []
    words += [f"into the heaps {', '.join(split.heaps)}" for split in bench.splits if split.address == address]
    return f"it went {'; '.join(words)}" if words else ""
