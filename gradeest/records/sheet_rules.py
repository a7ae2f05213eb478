"""What a row of a sheet of notes can tell: per sort of row its columns, and the ledger's event that it becomes.

A further sort of event is one more entry in SORTS.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

Values = Mapping[str, Any]  # column -> what its cell says; empty cells are not in it
Payload = dict[str, Any]


@dataclass(frozen=True)
class Sort:
    """One sort of row.

    `kind`: the event in the ledger; `needed`: columns that must be filled ("a|b": one of them); `build`: values ->
    payload; `parts`: the column whose parts are named in what the rules say; `example`: an invented row.
    """

    kind: str
    says: str
    needed: tuple[str, ...]
    optional: tuple[str, ...]
    build: Callable[[Values], Payload]
    example: Mapping[str, str]
    parts: str = ""


ALWAYS = ("what", "date", "note")  # columns of every sort
BY_METAL = ("fineness", "payable", "prices")  # columns that say something of each metal
ASH = ("filters", "burning", "untracked")  # columns that say whose filters the ash in a batch is of


def address_of(values: Values) -> str:
    """LOT/FRACTION or what else stands under `of`."""
    return values["of"] if "of" in values else f"{values.get('lot', '')}/{values.get('fraction', '')}"


def _lot(values: Values) -> Payload:
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


def _batch(values: Values) -> Payload:
    charges = [{"address": address, "mass_kg": kg} for address, kg in values["charges"]]
    payload = {"name": values["batch"], "route": values.get("route"), "charges": charges}
    ash = {name: values[name] for name in ASH if name in values}
    return payload | {"note": values.get("note", "")} | ({"ash": ash} if ash else {})


def _product(values: Values) -> Payload:
    low, high = values["weight"]
    payload = {"batch": values["batch"], "metal": values["metal"], "form": values["form"], "weight_g": (low + high) / 2}
    if high > low:
        payload["interval_g"] = high - low
    payload |= {"readability_g": values.get("readability"), "damp": values.get("damp", False)}
    return payload | ({"balance": values["balance"]} if "balance" in values else {})


def _none(values: Values) -> Payload:
    return {"batch": values["batch"], "metal": values["metal"], "below_g": values["below"], "liquid": values["liquid"]}


def _assay(values: Values) -> Payload:
    value, is_limit = values["value"]
    found = {"value_g_per_t": value, "u_rel": values["u"], "below_detection": is_limit}
    method = {"method": values["method"]} if "method" in values else {}
    return {"address": address_of(values), "metal": values["metal"], **found, **method}


def _plating(values: Values) -> Payload:
    """As it was measured; what it says of the grade is worked out when it is entered."""
    sizes = {"area_cm2": values["area"], "thickness_um": values["thickness"], "plated_g": 1000 * values["mass"]}
    return {"address": address_of(values), "metal": values["metal"], **sizes, "nominal": values.get("nominal", False)}


def _spot_test(values: Values) -> Payload:
    said = {"result": values["colour"], "volume_l": values["volume"], "moment": values["moment"]}
    return {"batch": values["batch"], "metal": values["metal"], **said}


def _product_assay(values: Values) -> Payload:
    said = {"share": values["purity"], "method": values["method"], "u": values["u"]}
    return {"address": values["of"], "metal": values["metal"], **said}


def _waste(values: Values) -> Payload:
    said = {"volume_l": values["volume"], "what": values["waste"], "went": values["went"]}
    return {"batch": values["batch"], **said}


def _more(values: Values) -> Payload:
    return {"address": address_of(values), "mass_kg": values["mass"], "note": values.get("note", "")}


def _weigh(values: Values) -> Payload:
    """As it was noted; which boards it came off is found when it is entered."""
    name = values.get("fraction")
    said = {"lot": values["lot"], "kind": values["kind"], "mass_kg": values["mass"], "name": name}
    said |= {"boards": values.get("boards"), "boards_kg": values.get("whole"), "minutes": values.get("minutes")}
    return {"address": f"{values['lot']}/{name or values['kind']}", **said}


def _split(values: Values) -> Payload:
    heaps = [{"name": name, "mass_kg": kg, **({"kind": kind} if kind else {})} for name, kg, kind in values["heaps"]]
    return {"address": address_of(values), "heaps": heaps}


def _taken(values: Values) -> Payload:
    weight = values.get("weight")
    taken = {"mass_kg": values.get("mass"), "weight_g": None if weight is None else sum(weight) / 2}
    return {"address": address_of(values), **taken}


def _sale(values: Values) -> Payload:
    return {**_taken(values), "amount": values["amount"], "to": values.get("to", "")}


def _discard(values: Values) -> Payload:
    return {**_taken(values), "note": values.get("note", "")}


def _set_aside(values: Values) -> Payload:
    return {"batch": values["batch"], "streams": [{"name": name, "mass_kg": kg} for name, kg in values["streams"]]}


def _leave(values: Values) -> Payload:
    return {"batch": values["batch"], "name": values["stream"], "volume_l": values["volume"]}


def _loss(values: Values) -> Payload:
    low, high = values["share"]
    payload = {"batch": values["batch"], "low": low, "high": high, "note": values.get("note", "")}
    if "wiped" in values:
        name, kg = values["wiped"]
        payload["wiped"] = {"name": name, "mass_kg": kg}
    return payload


def _settlement(values: Values) -> Payload:
    """The paper as it was noted; what stands metal by metal is read when it is entered."""
    by_metal = {name: values.get(name, {}) for name in BY_METAL}
    money = {"charges": values.get("fees", 0.0), "paid": values["amount"], "due": values.get("due", 0.0)}
    grams = {"received_g": sum(values["weight"]) / 2, "melted_g": values["melted"]}
    return {"products": values["products"], **grams, **money, "to": values.get("to", ""), **by_metal}


FRACTION = ("of|lot", "of|fraction")
SORTS: dict[str, Sort] = {
    "lot": Sort(
        "lot",
        "a fraction of a lot that came in, or boards not taken apart; a row for each",
        ("lot", "fraction", "kind", "mass"),
        ("pieces", "wet", "mixed", "owner", "paid"),
        _lot,
        {"date": "2024-01-05", "lot": "attic", "fraction": "strips", "kind": "fingers-memory", "mass": "1.2 kg"},
    ),
    "batch": Sort(
        "batch",
        "a batch that was started, under a name of your own",
        ("batch", "charges"),
        ("route", *ASH),
        _batch,
        {"date": "2024-02-03", "batch": "run 7", "charges": "attic/strips=600 g", "route": "foils-peroxide"},
        "charges",
    ),
    "product": Sort(
        "product",
        "a weight that came of a batch; a range where that is all you know",
        ("batch", "metal", "form", "weight"),
        ("readability", "balance", "damp", "close"),
        _product,
        {
            "date": "2024-02-10",
            "batch": "run 7",
            "metal": "Au",
            "form": "gold-powder",
            "weight": "1.84 g",
            "readability": "0.01 g",
            "close": "yes",
        },
    ),
    "none": Sort(
        "nondetect",
        "nothing dropped of a metal, or nothing to be seen",
        ("batch", "metal", "below", "liquid"),
        ("close",),
        _none,
        {"date": "2024-02-10", "batch": "run 7", "metal": "Ag", "below": "0.02 g", "liquid": "tested-negative"},
    ),
    "assay": Sort(
        "assay",
        "an assay of a ground sample of a fraction",
        (*FRACTION, "metal", "value", "u"),
        ("method",),
        _assay,
        {"date": "2024-03-01", "of": "attic/strips", "metal": "Au", "value": "2500 g/t", "u": "10 %"},
    ),
    "plating": Sort(
        "assay",
        "a plated area and its thickness: a rough grade",
        (*FRACTION, "metal", "area", "thickness", "mass"),
        ("nominal",),
        _plating,
        {
            "date": "2024-03-02",
            "of": "attic/pins",
            "metal": "Au",
            "area": "120 cm2",
            "thickness": "0.76 um",
            "mass": "90 g",
        },
    ),
    "spot-test": Sort(
        "spottest",
        "what a spot test of a batch's liquid showed",
        ("batch", "metal", "colour", "volume", "moment"),
        (),
        _spot_test,
        {
            "date": "2024-02-09",
            "batch": "run 7",
            "metal": "Au",
            "colour": "faint",
            "volume": "4.2 L",
            "moment": "after-drop",
        },
    ),
    "product-assay": Sort(
        "productassay",
        "an assay of a product that was weighed",
        ("of", "metal", "purity", "u", "method"),
        (),
        _product_assay,
        {"date": "2024-03-03", "of": "run 7/au-1", "metal": "Au", "purity": "97.6 %", "u": "0.2 %", "method": "fire"},
    ),
    "hours": Sort(
        "hours",
        "hands-on hours of a batch, or of a step of its work",
        ("batch", "hours"),
        ("step",),
        lambda values: {"batch": values["batch"], "hours": values["hours"], "step": values.get("step", "").lower()},
        {"date": "2024-02-10", "batch": "run 7", "hours": "3.5 h"},
    ),
    "cost": Sort(
        "spending",
        "money spent on a batch",
        ("batch", "spent"),
        (),
        lambda values: {"batch": values["batch"], "amount": values["spent"], "what": values.get("note", "")},
        {"date": "2024-02-10", "batch": "run 7", "spent": "42.50"},
    ),
    "waste": Sort(
        "waste",
        "liquid waste of a batch, and where it went",
        ("batch", "volume", "waste", "went"),
        (),
        _waste,
        {"date": "2024-02-11", "batch": "run 7", "volume": "6 L", "waste": "spent liquor", "went": "collection point"},
    ),
    "close": Sort(
        "close",
        "nothing more came of a batch",
        ("batch",),
        (),
        lambda values: {"batch": values["batch"]},
        {"date": "2024-02-11", "batch": "run 7"},
    ),
    "more": Sort(
        "more",
        "more of the same put into a fraction's jar",
        (*FRACTION, "mass"),
        (),
        _more,
        {"date": "2024-02-20", "of": "attic/strips", "mass": "430 g"},
    ),
    "weigh": Sort(
        "weigh",
        "a kind of part taken off a lot's boards, and weighed",
        ("lot", "kind", "mass"),
        ("fraction", "boards", "whole", "minutes"),
        _weigh,
        {"date": "2024-01-20", "lot": "van", "kind": "fingers-heavy", "mass": "520 g", "minutes": "20"},
    ),
    "split": Sort(
        "split",
        "all that was left of a fraction, sorted into heaps",
        (*FRACTION, "heaps"),
        (),
        _split,
        {"date": "2024-04-01", "of": "attic/pins", "heaps": "strong=210 g; weak=1.1 kg"},
        "heaps",
    ),
    "sale": Sort(
        "sale",
        "something sold, whole or in part (mass of feed, weight of a product)",
        (*FRACTION, "amount"),
        ("mass", "weight", "to"),
        _sale,
        {"date": "2024-05-02", "of": "attic/strips", "mass": "200 g", "amount": "12", "to": "a neighbour"},
    ),
    "settlement": Sort(
        "settlement",
        "a refiner's paper of products melted together: weight received, melted, metal by metal, paid",
        ("products", "weight", "melted", "fineness", "amount"),
        ("payable", "prices", "fees", "due", "to"),
        _settlement,
        {
            "date": "2024-06-01",
            "products": "run 7/au-1",
            "weight": "1.83 g",
            "melted": "1.82 g",
            "fineness": "Au=.9761",
            "payable": "Au=98 %",
            "prices": "Au=50 / g",
            "fees": "20",
            "amount": "67.05",
        },
        "products",
    ),
    "discard": Sort(
        "discard",
        "something that left the stock without money",
        FRACTION,
        ("mass", "weight"),
        _discard,
        {"date": "2024-05-03", "of": "attic/caps"},
    ),
    "setaside": Sort(
        "setaside",
        "parts of a batch's charge set aside unprocessed",
        ("batch", "streams"),
        (),
        _set_aside,
        {"date": "2024-02-04", "batch": "run 7", "streams": "oversize=80 g"},
        "streams",
    ),
    "leave": Sort(
        "leave",
        "a solution of a batch that waits",
        ("batch", "stream", "volume"),
        (),
        _leave,
        {"date": "2024-02-10", "batch": "run 7", "stream": "liquor", "volume": "1.2 L"},
    ),
    "loss": Sort(
        "loss",
        "a spill: a share of what was in work",
        ("batch", "share"),
        ("wiped",),
        _loss,
        {"date": "2024-02-06", "batch": "run 7", "share": "20-50 %"},
        "wiped",
    ),
    "balance": Sort(
        "balance",
        "a balance, so that weights can name it instead of its step",
        ("balance", "readability"),
        (),
        lambda values: {"name": values["balance"], "readability_g": values["readability"]},
        {"date": "2024-01-01", "balance": "pocket", "readability": "0.01 g"},
    ),
}
ALSO_CALLED = {
    "weight": "product",
    "result": "product",
    "nothing": "none",
    "non-detect": "none",
    "nondetect": "none",
    "closed": "close",
    "run": "batch",
    "purchase": "lot",
    "sold": "sale",
    "sell": "sale",
    "discarded": "discard",
    "set-aside": "setaside",
    "spill": "loss",
    "solution": "leave",
    "spot": "spot-test",
    "spottest": "spot-test",
    "plated": "plating",
    "work": "hours",
    "settled": "settlement",
    "spending": "cost",
}
# what the rules call a field -> the column it stands in (the first that the sort has), where the names differ
FIELD_COLUMNS: dict[str, tuple[str, ...]] = {
    "charge": ("charges",),
    "weight_g": ("weight",),
    "interval_g": ("weight",),
    "readability_g": ("readability",),
    "below_g": ("below",),
    "value_g_per_t": ("value",),
    "u_rel": ("u",),
    "mass_kg": ("mass",),
    "address": ("of", "fraction", "lot"),
    "low": ("share",),
    "high": ("share",),
    "volume_l": ("volume",),
    "price_paid": ("paid",),
    "name": ("batch", "lot", "balance", "stream"),
    "result": ("colour",),
    "value": ("purity", "thickness"),
    "product": ("of", "products"),
    "amount": ("spent",),
    "assay": ("fineness",),
    "price": ("prices",),
    "charges": ("fees",),
    "paid": ("amount",),
    "received": ("weight",),
    "received_g": ("weight",),
    "melted_g": ("melted",),
    "from-batches": ("filters",),
    "boards_kg": ("whole",),
    "fractions": ("lot",),
    "balance": ("balance", "readability"),
}


def columns_of(sort: Sort) -> tuple[str, ...]:
    """Every column that a sort of row may fill."""
    needed = [name for names in sort.needed for name in names.split("|")]
    return tuple(dict.fromkeys((*ALWAYS, *needed, *sort.optional)))
