"""What a row of a sheet of notes can tell: per sort of row its columns, and the ledger's event that it becomes.

A further sort of event is one more entry in SORTS.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from gradeest.records import sheet_payloads as to
from gradeest.records.sheet_payloads import ASH, Payload, Values


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


FRACTION = ("of|lot", "of|fraction")
SORTS: dict[str, Sort] = {
    "lot": Sort(
        "lot",
        "a fraction of a lot that came in, or boards not taken apart; a row for each",
        ("lot", "fraction", "kind", "mass"),
        ("pieces", "wet", "mixed", "owner", "paid"),
        to.lot,
        {"date": "2024-01-05", "lot": "attic", "fraction": "strips", "kind": "fingers-memory", "mass": "1.2 kg"},
    ),
    "batch": Sort(
        "batch",
        "a batch that was started, under a name of your own",
        ("batch", "charges"),
        ("route", *ASH),
        to.batch,
        {"date": "2024-02-03", "batch": "run 7", "charges": "attic/strips=600 g", "route": "foils-peroxide"},
        "charges",
    ),
    "product": Sort(
        "product",
        "a weight that came of a batch; a range where that is all you know",
        ("batch", "metal", "form", "weight"),
        ("readability", "balance", "damp", "close"),
        to.product,
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
        to.none,
        {"date": "2024-02-10", "batch": "run 7", "metal": "Ag", "below": "0.02 g", "liquid": "tested-negative"},
    ),
    "assay": Sort(
        "assay",
        "an assay of a ground sample of a fraction",
        (*FRACTION, "metal", "value", "u"),
        ("method", "sample", "top"),
        to.assay,
        {"date": "2024-03-01", "of": "attic/strips", "metal": "Au", "value": "2500 g/t", "u": "10 %"},
    ),
    "ground": Sort(
        "assay",
        "an assay of a ground sample, what ground and what did not by themselves",
        (*FRACTION, "metal", "powder", "oversize", "u"),
        ("method", "sample", "top"),
        to.ground,
        {
            "date": "2024-03-02",
            "of": "attic/boards",
            "metal": "Au",
            "powder": "930 g 250 g/t",
            "oversize": "70 g 4200 g/t",
            "u": "5 %",
            "sample": "5 g",
            "top": "0.2 mm",
        },
    ),
    "plating": Sort(
        "assay",
        "a plated area and its thickness: a rough grade",
        (*FRACTION, "metal", "area", "thickness", "mass"),
        ("nominal",),
        to.plating,
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
        to.spot_test,
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
        to.product_assay,
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
        to.waste,
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
        to.more,
        {"date": "2024-02-20", "of": "attic/strips", "mass": "430 g"},
    ),
    "weigh": Sort(
        "weigh",
        "a kind of part taken off a lot's boards, and weighed",
        ("lot", "kind", "mass"),
        ("fraction", "boards", "whole", "minutes"),
        to.weigh,
        {"date": "2024-01-20", "lot": "van", "kind": "fingers-heavy", "mass": "520 g", "minutes": "20"},
    ),
    "split": Sort(
        "split",
        "all that was left of a fraction, sorted into heaps",
        (*FRACTION, "heaps"),
        (),
        to.split,
        {"date": "2024-04-01", "of": "attic/pins", "heaps": "strong=210 g; weak=1.1 kg"},
        "heaps",
    ),
    "sale": Sort(
        "sale",
        "something sold, whole or in part (mass of feed, weight of a product)",
        (*FRACTION, "amount"),
        ("mass", "weight", "to"),
        to.sale,
        {"date": "2024-05-02", "of": "attic/strips", "mass": "200 g", "amount": "12", "to": "a neighbour"},
    ),
    "settlement": Sort(
        "settlement",
        "a refiner's paper of products melted together: weight received, melted, metal by metal, paid",
        ("products", "weight", "melted", "fineness", "amount"),
        ("payable", "prices", "fees", "due", "to"),
        to.settlement,
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
        to.discard,
        {"date": "2024-05-03", "of": "attic/caps"},
    ),
    "setaside": Sort(
        "setaside",
        "parts of a batch's charge set aside unprocessed",
        ("batch", "streams"),
        (),
        to.set_aside,
        {"date": "2024-02-04", "batch": "run 7", "streams": "oversize=80 g"},
        "streams",
    ),
    "leave": Sort(
        "leave",
        "a solution of a batch that waits",
        ("batch", "stream", "volume"),
        (),
        to.leave,
        {"date": "2024-02-10", "batch": "run 7", "stream": "liquor", "volume": "1.2 L"},
    ),
    "residue": Sort(
        "leave",
        "what was left undissolved of a batch, dried and weighed for a later one",
        ("batch", "stream", "mass"),
        (),
        to.residue,
        {"date": "2024-02-10", "batch": "run 7", "stream": "cake", "mass": "35 g"},
    ),
    "loss": Sort(
        "loss",
        "a spill: a share of what was in work",
        ("batch", "share"),
        ("wiped",),
        to.loss,
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
    "check": Sort(
        "check",
        "a known weight laid on a balance, and what it read",
        ("balance", "weight", "reads"),
        (),
        to.check,
        {"date": "2024-01-02", "balance": "pocket", "weight": "5 g", "reads": "4.99 g"},
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
    "value_g_per_t": ("value", "powder"),
    "u_rel": ("u",),
    "mass_kg": ("mass",),
    "address": ("of", "fraction", "lot"),
    "low": ("share",),
    "high": ("share",),
    "volume_l": ("volume",),
    "price_paid": ("paid",),
    "name": ("batch", "lot", "balance", "stream"),
    "result": ("colour",),
    "value": ("purity", "thickness", "powder"),
    "product": ("of", "products"),
    "amount": ("spent",),
    "assay": ("fineness",),
    "price": ("prices",),
    "charges": ("fees",),
    "paid": ("amount",),
    "received": ("weight",),
    "received_g": ("weight",),
    "melted_g": ("melted",),
    "reads_g": ("reads",),
    "top-size": ("top",),
    "residue": ("mass",),
    "from-batches": ("filters",),
    "boards_kg": ("whole",),
    "fractions": ("lot",),
    "balance": ("balance", "readability"),
}


def columns_of(sort: Sort) -> tuple[str, ...]:
    """Every column that a sort of row may fill."""
    needed = [name for names in sort.needed for name in names.split("|")]
    return tuple(dict.fromkeys((*ALWAYS, *needed, *sort.optional)))
