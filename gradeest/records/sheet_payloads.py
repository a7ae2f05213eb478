"""What a row of a sheet of notes becomes: its values, column by column, as the payload of a ledger's event."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

Values = Mapping[str, Any]  # column -> what its cell says; empty cells are not in it
Payload = dict[str, Any]
BY_METAL = ("fineness", "payable", "prices")  # columns that say something of each metal
ASH = ("filters", "burning", "untracked")  # columns that say whose filters the ash in a batch is of


def address_of(values: Values) -> str:
    """LOT/FRACTION or what else stands under `of`."""
    return values["of"] if "of" in values else f"{values.get('lot', '')}/{values.get('fraction', '')}"


def lot(values: Values) -> Payload:
    """One fraction; the rows of a lot are put together when all are read."""
    fraction = {
        "name": values["fraction"],
        "kind": values["kind"],
        "mass_kg": values["mass"],
        "pieces": values.get("pieces"),
        "wet": values.get("wet", False),
        "mixed": values.get("mixed", False),
        "note": values.get("note", ""),
    }
    return {"name": values["lot"], "owner": values.get("owner"), "paid": values.get("paid"), "fraction": fraction}


def batch(values: Values) -> Payload:
    """A batch under its own name; the ash in it is linked when it is entered."""
    charges = [{"address": address, "mass_kg": kg} for address, kg in values["charges"]]
    payload = {"name": values["batch"], "route": values.get("route"), "charges": charges}
    ash = {name: values[name] for name in ASH if name in values}
    return payload | {"note": values.get("note", "")} | ({"ash": ash} if ash else {})


def product(values: Values) -> Payload:
    """A weight; a range is an interval about its middle."""
    low, high = values["weight"]
    payload = {"batch": values["batch"], "metal": values["metal"], "form": values["form"], "weight_g": (low + high) / 2}
    if high > low:
        payload["interval_g"] = high - low
    payload |= {"readability_g": values.get("readability"), "damp": values.get("damp", False)}
    return payload | ({"balance": values["balance"]} if "balance" in values else {})


def none(values: Values) -> Payload:
    """Nothing dropped, or nothing to be seen."""
    return {"batch": values["batch"], "metal": values["metal"], "below_g": values["below"], "liquid": values["liquid"]}


def assay(values: Values) -> Payload:
    """An assay of a ground sample as it was noted; the error of the sample is worked out when it is entered."""
    value, is_limit = values["value"]
    return {**_sample(values), "value_g_per_t": value, "below_detection": is_limit}


def ground(values: Values) -> Payload:
    """The same of what ground and what did not, each with its mass."""
    return {**_sample(values), "powder": values["powder"], "oversize": values["oversize"]}


def _sample(values: Values) -> Payload:
    found = {"address": address_of(values), "metal": values["metal"], "u_rel": values["u"]}
    found |= {"sample_g": values.get("sample"), "top_um": values.get("top")}
    return found | ({"method": values["method"]} if "method" in values else {})


def plating(values: Values) -> Payload:
    """As it was measured; what it says of the grade is worked out when it is entered."""
    sizes = {"area_cm2": values["area"], "thickness_um": values["thickness"], "plated_g": 1000 * values["mass"]}
    return {"address": address_of(values), "metal": values["metal"], **sizes, "nominal": values.get("nominal", False)}


def spot_test(values: Values) -> Payload:
    """A colour in so much liquid."""
    said = {"result": values["colour"], "volume_l": values["volume"], "moment": values["moment"]}
    return {"batch": values["batch"], "metal": values["metal"], **said}


def product_assay(values: Values) -> Payload:
    """A share of what was weighed."""
    said = {"share": values["purity"], "method": values["method"], "u": values["u"]}
    return {"address": values["of"], "metal": values["metal"], **said}


def waste(values: Values) -> Payload:
    """Liquid waste."""
    said = {"volume_l": values["volume"], "what": values["waste"], "went": values["went"]}
    return {"batch": values["batch"], **said}


def more(values: Values) -> Payload:
    """More in a jar."""
    return {"address": address_of(values), "mass_kg": values["mass"], "note": values.get("note", "")}


def weigh(values: Values) -> Payload:
    """As it was noted; which boards it came off is found when it is entered."""
    name = values.get("fraction")
    said = {"lot": values["lot"], "kind": values["kind"], "mass_kg": values["mass"], "name": name}
    said |= {"boards": values.get("boards"), "boards_kg": values.get("whole"), "minutes": values.get("minutes")}
    return {"address": f"{values['lot']}/{name or values['kind']}", **said}


def split(values: Values) -> Payload:
    """Heaps, each with its mass."""
    heaps = [{"name": name, "mass_kg": kg, **({"kind": kind} if kind else {})} for name, kg, kind in values["heaps"]]
    return {"address": address_of(values), "heaps": heaps}


def taken(values: Values) -> Payload:
    """What of something was taken: feed by mass, a product by weight."""
    weight = values.get("weight")
    taken = {"mass_kg": values.get("mass"), "weight_g": None if weight is None else sum(weight) / 2}
    return {"address": address_of(values), **taken}


def sale(values: Values) -> Payload:
    """Something sold."""
    return {**taken(values), "amount": values["amount"], "to": values.get("to", "")}


def discard(values: Values) -> Payload:
    """Something that left without money."""
    return {**taken(values), "note": values.get("note", "")}


def set_aside(values: Values) -> Payload:
    """Parts of a charge that were not processed."""
    return {"batch": values["batch"], "streams": [{"name": name, "mass_kg": kg} for name, kg in values["streams"]]}


def leave(values: Values) -> Payload:
    """A solution that waits."""
    return {"batch": values["batch"], "name": values["stream"], "volume_l": values["volume"]}


def residue(values: Values) -> Payload:
    """What did not dissolve."""
    return {"batch": values["batch"], "name": values["stream"], "mass_kg": values["mass"]}


def check(values: Values) -> Payload:
    """A known weight and its reading."""
    low, high = values["weight"]
    return {"balance": values["balance"], "weight_g": (low + high) / 2, "reads_g": values["reads"]}


def loss(values: Values) -> Payload:
    """A spill, and what was wiped up of it."""
    low, high = values["share"]
    payload = {"batch": values["batch"], "low": low, "high": high, "note": values.get("note", "")}
    if "wiped" in values:
        name, kg = values["wiped"]
        payload["wiped"] = {"name": name, "mass_kg": kg}
    return payload


def settlement(values: Values) -> Payload:
    """The paper as it was noted; what stands metal by metal is read when it is entered."""
    by_metal = {name: values.get(name, {}) for name in BY_METAL}
    money = {"charges": values.get("fees", 0.0), "paid": values["amount"], "due": values.get("due", 0.0)}
    grams = {"received_g": sum(values["weight"]) / 2, "melted_g": values["melted"]}
    return {"products": values["products"], **grams, **money, "to": values.get("to", ""), **by_metal}
