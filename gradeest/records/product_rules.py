"""What lets in what others say of products: an assay of one, a refiner's settlement of some."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from gradeest.records.domain import Product
from gradeest.records.findings import Findings, is_number, suggest
from gradeest.records.references import Context, began_by, is_in_stock, is_metal, sort_of_address

METHODS = ("fire", "wet", "xrf")
MONEY = ("charges", "paid", "due")


def check_product_assay(payload: Mapping[str, Any], context: Context, found: Findings) -> None:
    """Add what speaks against an assay of a product: it is a share of the weight, and all metals add up to one."""
    address, metal, share, u = (payload[name] for name in ("address", "metal", "share", "u"))
    is_known = is_metal(metal, found)
    if payload["method"] not in METHODS:
        found.error(
            "method", f"'{payload['method']}' is no method", suggest(str(payload["method"]), METHODS, "fire, wet, xrf")
        )
    if not is_number(u) or not 0 < u < 0.5:
        found.error(
            "u", f"{u} cannot be its uncertainty", "one standard deviation in percent of the weight, e.g. 0.2 %"
        )
    if not is_number(share) or share <= 0:
        found.error("value", f"{share} cannot be an assay", "a share of the weight, e.g. 97.6 % or .9761")
        share = None
    elif share > 1:
        found.error("value", f"{100 * share:g} % is more metal than product", "at most 100 %: check the decimal point")
        share = None
    product = find_product(address, context, found)
    if product is None or share is None or not is_known:
        return
    form = context.catalogue.forms.get(product.form)
    if form is not None and metal == product.metal and share > form.largest_share + 3 * u:
        found.error(
            "value",
            f"{100 * share:g} % {metal} is more than {form.name} can hold ({100 * form.largest_share:.4g} %)",
            "check form and metal; the share is of what was weighed",
        )
    others = {a.metal: a.share for a in context.bench.product_assays if a.address == address and a.metal != metal}
    if share + sum(others.values()) > 1:
        listed = ", ".join(f"{name} {100 * value:g} %" for name, value in others.items())
        found.error(
            "value", f"with {listed} all metals of {address} are more than 100 %", "correct one with `gradeest amend`"
        )
    elif metal != product.metal:
        found.warn("value", _say_carried(metal, share * product.weight_g, [product], context))


def find_product(address: Any, context: Context, found: Findings) -> Product | None:
    """The product at BATCH/PRODUCT, weighed by the event's date; otherwise an error is added."""
    if sort_of_address(str(address)) != "product":
        products = [f"{b.name}/{p.name}" for b in context.bench.batches.values() for p in b.products]
        hint = suggest(str(address), products, ", ".join(products) or "weigh one first: `gradeest record product`")
        found.error("product", f"'{address}' is no product", hint)
        return None
    if not is_in_stock(address, context.bench, found):
        return None
    product = context.bench.product(address)
    began_by(found, context, product.date, address)
    return product


def check_settlement(payload: Mapping[str, Any], context: Context, found: Findings) -> None:
    """Add what speaks against a refiner's paper: its sum is repeated, and asked back where what was paid disagrees."""
    products = [find_product(address, context, found) for address in payload["products"]]
    _check_taken(payload, context, found)
    usable = _check_weights(payload, found)
    usable &= _check_metals(payload["metals"], found)
    for name in MONEY:
        amount = payload.get(name) or 0.0
        if not is_number(amount) or amount < 0:
            found.error(name, f"{amount} cannot be an amount", "money of 0 or more, e.g. 75.50")
            usable = False
    if not usable:
        return
    _check_sum(payload, context, found)
    weighed = [product for product in products if product is not None]
    if len(weighed) == len(products):
        _check_against_own(payload, weighed, context, found)


def _check_taken(payload: Mapping[str, Any], context: Context, found: Findings) -> None:
    """That each product is named once, and settled by no other paper than the one that this replaces."""
    addresses, replaced = payload["products"], payload.get("replaces")
    for address in dict.fromkeys(addresses):
        if addresses.count(address) > 1:
            found.error("product", f"{address} is named twice", "each product once")
        for name in context.bench.taken_by(address):
            hint = f"settle what came of it: {name}/PRODUCT (`gradeest batch show {name}` lists them)"
            found.error("product", f"{address} went into {name}, no refiner can have it", hint)
    standing = {s.event: s for s in context.bench.settlements}
    if replaced is not None and replaced not in standing:
        known = ", ".join(str(number) for number in standing) or "there is none"
        found.error("replaces", f"event {replaced} is no settlement that stands", f"settlements: {known}")
    for number, other in standing.items():
        shared = [address for address in addresses if address in other.products]
        if shared and number != replaced:
            found.error("product", f"{', '.join(shared)} was settled in event {number}", f"--replaces {number}")


def _check_weights(payload: Mapping[str, Any], found: Findings) -> bool:
    received, melted = payload["received_g"], payload["melted_g"]
    usable = True
    for name, grams in (("received", received), ("melted", melted)):
        if not is_number(grams) or grams <= 0:
            found.error(name, f"{grams} cannot be a weight", "with its unit, e.g. 31.38 g or 1.009 ozt")
            usable = False
    if usable and melted > received * 1.001:
        found.ask(
            "melted", f"{melted:g} g melted are more than the {received:g} g received", "check both and their units"
        )
    return usable


def _check_metals(metals: Any, found: Findings) -> bool:
    if not isinstance(metals, Sequence) or not metals:
        found.error("assay", "the paper names no metal", "--assay Au=.9761 for each")
        return False
    usable = True
    for line in metals:
        name = line.get("name")
        if not is_metal(name, found):
            usable = False
        for what, most in (("fineness", 1.0), ("payable", 1.0)):
            value = line.get(what) or 0.0
            if not is_number(value) or not 0 <= value <= most:
                found.error(f"{name} {what}", f"{value} cannot be a share", "between 0 and 100 %")
                usable = False
        if line.get("payable") and not line.get("price_per_g"):
            found.error(f"{name} price", "paid for, but at no price", f'--price {name}="100 / g", as the paper says')
            usable = False
    shares = [line.get("fineness") for line in metals]
    if sum(share for share in shares if is_number(share) and 0 < share <= 1) > 1:
        found.error("assay", "all metals together are more than 100 %", "check the decimal points: .9761 or 97.61 %")
        usable = False
    return usable


def sum_of(payload: Mapping[str, Any]) -> float:
    """What a refiner's paper adds up to: melted x fineness x payable x price of each metal, less the charges."""
    brought = sum(
        payload["melted_g"] * m["fineness"] * (m.get("payable") or 0.0) * (m.get("price_per_g") or 0.0)
        for m in payload["metals"]
    )
    return float(brought - (payload.get("charges") or 0.0))


def _check_sum(payload: Mapping[str, Any], context: Context, found: Findings) -> None:
    paid, due, charges = payload["paid"], payload.get("due") or 0.0, payload.get("charges") or 0.0
    total = sum_of(payload)
    parts = []
    for m in payload["metals"]:
        grams = payload["melted_g"] * m["fineness"]
        if m.get("payable"):
            money = grams * m["payable"] * m["price_per_g"]
            parts.append(f"{m['name']} {grams:.3f} g x {100 * m['payable']:g} % at {m['price_per_g']:g} = {money:.2f}")
    words = f"{'; '.join(parts) or 'nothing is paid for'}; less charges {charges:.2f}: {total:.2f}"
    came = f"paid {paid:.2f}" + (f", still due {due:.2f}" if due else "")
    within = context.catalogue.constants["settlement.sum_within"] * (total + charges) + 0.5
    if abs(paid + due - total) > within:
        found.ask(
            "paid",
            f"the paper adds up to something else: {words}, but {came}: {paid + due - total:+.2f}",
            "look for a charge that is missing, or a part payment: --due AMOUNT is what is still to come",
        )
    else:
        found.warn("paid", f"the sum: {words}; {came}")
    unpaid = [m for m in payload["metals"] if m["fineness"] > 0 and not m.get("payable")]
    if unpaid:
        listed = ", ".join(f"{m['name']} {payload['melted_g'] * m['fineness']:.2f} g" for m in unpaid)
        own = {context.bench.product(a).metal for a in payload["products"] if context.bench.has_product(a)}
        came_over = any(m["name"] not in own for m in unpaid)
        question = " Did it come over from another batch?" if came_over else ""
        found.warn("payable", f"not paid for: {listed}.{question}")


def _check_against_own(
    payload: Mapping[str, Any], products: Sequence[Product], context: Context, found: Findings
) -> None:
    """What the paper says against one's own weights: a unit or a product that is missing shows here."""
    forms, off = context.catalogue.forms, context.catalogue.constants["settlement.absurd"]
    own = sum(product.weight_g for product in products)
    if not 1 - off < payload["received_g"] / own < 1 + off and not any(p.damp or p.interval_g for p in products):
        found.ask(
            "received",
            f"{payload['received_g']:g} g were received, by your own weights it was {own:g} g",
            "check the unit, and that all products of this paper are named",
        )
    named = {line["name"] for line in payload["metals"] if line["fineness"] > 0}
    missing = ", ".join(sorted({product.metal for product in products} - named))
    if missing:
        found.ask("assay", f"the paper names no {missing}, and that is what was sent", "--assay METAL=.9761 for each")
    for line in payload["metals"]:
        of_metal = [p for p in products if p.metal == line["name"]]
        most = sum(p.weight_g * forms[p.form].largest_share for p in of_metal if p.form in forms)
        least = sum(p.weight_g * forms[p.form].factor * forms[p.form].purity.q5 for p in of_metal if p.form in forms)
        grams = payload["melted_g"] * line["fineness"]
        if of_metal and not least * (1 - off) ** 2 < grams < most * (1 + off):
            found.ask(
                f"{line['name']} assay",
                f"{grams:.4g} g {line['name']} from products that should hold {least:.4g} to {most:.4g} g",
                "check fineness and units; was something else melted in?",
            )
        elif of_metal and len(of_metal) < len(products) and grams > 0:
            theirs = ", ".join(f"{p.batch}/{p.name}" for p in of_metal)
            others = ", ".join(f"{p.batch}/{p.name}" for p in products if p not in of_metal)
            said = f"all {grams:.3g} g {line['name']} count as of {theirs}, though {others} may hold some of it"
            found.warn("assay", said)
        elif not of_metal and grams > 0:
            found.warn("assay", _say_carried(line["name"], grams, products, context))


def _say_carried(metal: str, grams: float, products: Sequence[Product], context: Context) -> str:
    """What becomes of a metal that was found in products of other ones."""
    batches = [context.bench.batches[name] for name in dict.fromkeys(product.batch for product in products)]
    into = [b.name for b in batches if not b.is_open and any(p.metal == metal for p in b.products)]
    said = f"{grams:.3g} g {metal} came over into {', '.join(f'{p.batch}/{p.name}' for p in products)}"
    if into:
        return f"{said}: what of it is of {', '.join(into)} counts as dropped there"
    return f"{said}: no weight of {metal} of {', '.join(b.name for b in batches)} is there that it could add to"
