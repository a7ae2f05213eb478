"""Builds what a batch uses up: base metal by kind, items as they are bought, and what takes how much of them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import cast, get_args

from gradeest.materials.chemistry import count_atoms, molar_mass
from gradeest.materials.reactions import FAMILIES, SODA, read_equation
from gradeest.materials.rows import Item, Kind, Quantiles, Status, Use
from gradeest.materials.tables import Row

BASE_METALS: tuple[str, ...] = ("Cu", "Ni", "Zn", "Fe", "Sn")
AMOUNT_BY: tuple[str, ...] = ("batch", "kg", "acidity", "liquids")
TABLES: Mapping[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "base_metals.csv": (("of", "metal", "q5", "q50", "q95", "source", "status", "note"), ("of", "metal")),
    "items.csv": (
        (
            "id",
            "name",
            "unit",
            "formula",
            "mol_per_unit",
            "law",
            "pack",
            "q5",
            "q50",
            "q95",
            "source",
            "status",
            "note",
        ),
        ("id",),
    ),
    "uses.csv": (("route", "item", "by", "q5", "q50", "q95", "source", "status", "note"), ("route", "item", "by")),
}


def build_base_metals(
    table: Mapping[str, Row], classes: Mapping[str, Row], kinds: Mapping[str, Kind], sources: Sequence[str]
) -> dict[str, dict[str, Quantiles]]:
    """Share of the feed that is a base metal, by kind or class. A class that kinds belong to must say it."""
    found: dict[str, dict[str, Quantiles]] = {}
    for row in table.values():
        of = row.choice("of", [*classes, *kinds])
        metal = row.choice("metal", BASE_METALS)
        found.setdefault(of, {})[metal] = _quantiles(row, 1.0, "a share between 0 and 1", sources, "share of the feed")
    for cls in dict.fromkeys(kind.cls for kind in kinds.values()):
        if cls not in found and cls in classes:
            classes[cls].complain("id", f"base_metals.csv does not say what {cls!r} holds of base metal", "a row of it")
    return found


def build_items(table: Mapping[str, Row], sources: Sequence[str], hazards: Mapping[str, Row]) -> dict[str, Item]:
    """What is bought, by id; its law line is a row of hazards.csv."""
    laws = [key for key, row in hazards.items() if row.cells.get("level") == "law"]
    return {key: _build_item(key, row, sources, laws) for key, row in table.items()}


def _build_item(key: str, row: Row, sources: Sequence[str], laws: Sequence[str]) -> Item:
    formula = row.text("formula", required=False)
    mol = 0.0
    if formula:
        mol = _mol_per_unit(row, formula)
    price = None
    if any(row.text(q, required=False) for q in ("q5", "q50", "q95")):
        price = _quantiles(row, math.inf, "money above 0", sources, "currency units per unit")
    else:
        row.choice("source", sources)
    pack = row.number("pack", 0.0, math.inf, "a number of units above 0")
    law = row.choice("law", laws) if row.text("law", required=False) else ""
    return Item(key, row.text("name"), row.text("unit"), formula, mol, pack, price, law)


def _mol_per_unit(row: Row, formula: str) -> float:
    """Amount of substance in a unit: as typed for a liquid, by molar mass for a kg of the pure thing."""
    try:
        count_atoms(formula)
    except ValueError as error:
        row.complain("formula", str(error), "type a formula such as HNO3, or leave it empty")
        return 0.0
    if row.text("mol_per_unit", required=False):
        return row.number("mol_per_unit", 0.0, 1000.0, "mol in a unit as sold")
    if row.text("unit") != "kg":
        row.complain("mol_per_unit", "is empty", "only what is bought by the kg can do without")
        return 0.0
    return 1000 / molar_mass(formula)


def build_uses(
    table: Mapping[str, Row], routes: Sequence[str], items: Mapping[str, Item], sources: Sequence[str]
) -> tuple[Use, ...]:
    """What takes how much; a use by a family must be of something that its equations take."""
    found = []
    for row in table.values():
        route, item, by = row.choice("route", routes), row.choice("item", list(items)), row.cells["by"]
        family, _, metal = by.partition(":")
        if by not in AMOUNT_BY:
            row_family = FAMILIES.get(family)
            if row_family is None or (metal and metal not in row_family):
                row.complain("by", f"{by!r} is not known", "one of: " + ", ".join((*AMOUNT_BY, *FAMILIES)))
            elif item in items and not _takes(family, items[item].formula):
                row.complain("item", f"no equation of {family!r} takes {item!r}", "another item, or another family")
        elif by == "acidity" and item in items and items[item].formula != SODA:
            row.complain("item", f"{item!r} does not neutralise acid here", f"an item with the formula {SODA}")
        amount = _quantiles(row, math.inf, "a number above 0", sources, f"by {by}")
        found.append(Use(route, item, by, amount))
    return tuple(found)


def _takes(family: str, formula: str) -> bool:
    texts = [text for equations in FAMILIES[family].values() for text in equations]
    return bool(formula) and any(formula in read_equation(text).left for text in texts)


def _quantiles(row: Row, high: float, what: str, sources: Sequence[str], unit: str) -> Quantiles:
    q5, q50, q95 = row.quantiles(0.0, high, what)
    status = cast(Status, row.choice("status", get_args(Status)))
    return Quantiles(q5, q50, q95, row.choice("source", sources), status, unit, row.text("note", required=False))
