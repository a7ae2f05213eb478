"""Turns the text rows of `priors/` into frozen rows, checking every cell and every reference; faults are collected."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any, cast, get_args

from gradeest.materials import laws, purchases, work_steps
from gradeest.materials.boards import BOARD_TABLES, build_boards
from gradeest.materials.chemistry import gravimetric_factor
from gradeest.materials.rows import (
    METALS,
    TAKES,
    Applies,
    Catalogue,
    Constant,
    Form,
    Founded,
    GradeRow,
    Hazard,
    Kind,
    Level,
    MetalCorrelation,
    Quantiles,
    Route,
    Status,
)
from gradeest.materials.tables import Entry, Faults, Row, suggest

DECLARATIONS: tuple[str, ...] = ("fit-equipment", "permit", "licence")
STATUSES: tuple[str, ...] = get_args(Status)
FOUNDED: tuple[str, ...] = get_args(Founded)
PLACES: tuple[str, ...] = ("residue", "solution", "bar")

# File -> (columns, the columns that name a row).
TABLES: Mapping[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "sources.csv": (("id", "kind", "text"), ("id",)),
    "classes.csv": (("id", "name"), ("id",)),
    "hazards.csv": (("id", "level", "applies", "short", "line", "authority", "status", "dated"), ("id",)),
    "forms.csv": (
        ("id", "metal", "name", "q5", "q50", "q95", "compound", "holdup_factor", "source", "status", "note"),
        ("id",),
    ),
    "routes.csv": (("id", "line", "heats", "needs", "hazards", "takes"), ("id",)),
    "recovery.csv": (
        ("route", "metal", "q5", "q50", "q95", "usual_form", "stays_in", "source", "status", "note"),
        ("route", "metal"),
    ),
    "kinds.csv": (
        ("id", "cls", "name", "how_to_tell", "piece_mass_g", "piece_cv", "usual_route", "stop", "hazards", "ask_wet"),
        ("id",),
    ),
    "grades.csv": (
        (
            *("kind", "metal", "basis", "q5", "q50", "q95", "p_absent", "gsd_between", "gsd_class_mean"),
            *("max_g_per_t", "founded", "source", "status", "why"),
        ),
        ("kind", "metal"),
    ),
    "correlations.csv": (
        ("kind", "first", "second", "correlation", "second_needs_first", "source", "status", "why"),
        ("kind",),
    ),
    "shares.csv": (("id", "q5", "q50", "q95", "unit", "source", "status", "note"), ("id",)),
    **BOARD_TABLES,
    **purchases.TABLES,
    **work_steps.TABLES,
    **laws.TABLES,
}


def build_catalogue(tables: Mapping[str, dict[str, Row]], entries: Mapping[str, Entry], faults: Faults) -> Catalogue:
    """Build the catalogue from rows by file name and constants by dotted key; problems go to `faults`.

    Returns: Catalogue, to be used only when `faults` stayed empty.
    """
    sources = {key: row.text("text") for key, row in tables["sources.csv"].items()}
    classes = {key: row.text("name") for key, row in tables["classes.csv"].items()}
    constants = _build_constants(entries, sources, faults)
    _check_causes(constants, entries, faults)
    hazards = {key: _build_hazard(key, row) for key, row in tables["hazards.csv"].items()}
    forms = {key: _build_form(key, row, sources) for key, row in tables["forms.csv"].items()}
    routes = _build_routes(tables, hazards, forms, sources)
    grades = _build_grades(tables["grades.csv"], list(tables["kinds.csv"]), constants, sources)
    correlations = _build_correlations(tables["correlations.csv"], list(tables["kinds.csv"]), sources)
    kinds = {}
    for key, row in tables["kinds.csv"].items():
        for metal in METALS:
            if f"{key} {metal}" not in tables["grades.csv"]:
                row.complain("id", f"grades.csv does not say what {key!r} holds of {metal}", "own, as KIND or unlikely")
        kind = _build_kind(key, row, list(classes), routes, hazards)
        kinds[key] = replace(kind, grades=grades.get(key, {}), correlation=correlations.get(key))
    shares = {
        key: _build_quantiles(row, 0.0, math.inf, "a number above 0", sources, row.text("unit"))
        for key, row in tables["shares.csv"].items()
    }
    _check_shares(shares, tables["shares.csv"], routes)
    boards = build_boards(tables, kinds, shares, hazards, sources)
    names = list(sources)
    base_metals = purchases.build_base_metals(tables["base_metals.csv"], tables["classes.csv"], kinds, names)
    items = purchases.build_items(tables["items.csv"], names, tables["hazards.csv"])
    uses = purchases.build_uses(tables["uses.csv"], list(routes), items, names)
    values = {key: constant.value for key, constant in constants.items()}
    steps = work_steps.build_steps(tables["steps.csv"], list(routes), names)
    held = laws.build_laws(tables["laws.csv"], hazards)
    parts = (classes, kinds, routes, forms, values, shares, hazards, constants, boards, base_metals, items, uses, steps)
    version = hashlib.sha256(repr(parts).encode()).hexdigest()[:16]
    return Catalogue(
        classes, kinds, routes, forms, values, shares, sources, version, hazards, constants, boards, base_metals, items,
        uses, steps, held,
    )  # fmt: skip


def _status(row: Row) -> Status:
    return cast(Status, row.choice("status", STATUSES))


def _build_quantiles(
    row: Row, low: float, high: float, what: str, sources: Mapping[str, str], unit: str = ""
) -> Quantiles:
    q5, q50, q95 = row.quantiles(low, high, what)
    source = row.choice("source", list(sources))
    return Quantiles(q5, q50, q95, source, _status(row), unit, row.text("note", required=False))


def _build_constants(entries: Mapping[str, Entry], sources: Mapping[str, str], faults: Faults) -> dict[str, Constant]:
    constants = {}
    for key, entry in entries.items():
        content: Mapping[str, Any] = entry.content
        value = content.get("value")
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            faults.add(entry.file, entry.line, key, f"{value!r} is not a number", "type value = 0.3 or the like")
            continue
        unit, source = str(content.get("unit", "")), str(content.get("source", ""))
        status, why = str(content.get("status", "")), str(content.get("why", ""))
        if unit.startswith(("share", "probability")) and not 0 < value < 1:
            faults.add(entry.file, entry.line, key, f"{value:g} is out of range", "type a number between 0 and 1")
        elif unit != "logit" and value <= 0:
            faults.add(entry.file, entry.line, key, f"{value:g} is out of range", "type a number above 0")
        if source not in sources:
            faults.add(entry.file, entry.line, key, f"source {source!r} is not known", suggest(source, sources))
        if status not in STATUSES:
            faults.add(entry.file, entry.line, key, f"status {status!r} is not known", "one of: " + ", ".join(STATUSES))
        constants[key] = Constant(float(value), unit, source, cast(Status, status), why)
    return constants


def _check_causes(constants: Mapping[str, Constant], entries: Mapping[str, Entry], faults: Faults) -> None:
    """Causes of a surprise exclude each other: their chances must leave most runs ordinary."""
    keys = [key for key, c in constants.items() if key.startswith("cause.") and c.unit == "probability"]
    total = sum(constants[key].value for key in keys)
    if total >= 0.5:
        worst = max(keys, key=lambda key: constants[key].value)
        entry = entries[worst]
        message = f"the chances of all causes sum to {total:.2g}: most runs would not be ordinary"
        faults.add(entry.file, entry.line, worst, message, "type smaller chances, below 0.5 together")


def _build_hazard(key: str, row: Row) -> Hazard:
    level = cast(Level, row.choice("level", get_args(Level)))
    applies = cast(Applies, row.choice("applies", get_args(Applies)))
    line = row.text("line")
    if level == "law" and not line.endswith("ask your authority."):
        row.complain("line", "a law line ends differently", 'end it with "ask your authority."')
    dated = row.text("dated", required=level == "law")
    return Hazard(key, level, applies, row.text("short"), line, row.text("authority"), _status(row), dated)


def _build_form(key: str, row: Row, sources: Mapping[str, str]) -> Form:
    metal = row.choice("metal", METALS)
    compound = row.text("compound", required=False)
    factor = 1.0
    if compound:
        try:
            factor = gravimetric_factor(compound, metal)
        except ValueError as error:
            row.complain("compound", str(error), "type a formula such as AgCl, or leave it empty for metal")
    purity = _build_quantiles(row, 0.0, 1.0, "a share between 0 and 1", sources, "share")
    holdup = row.number("holdup_factor", 0.0, 10.0, "a number above 0, 1 for a melt")
    return Form(key, metal, row.text("name"), purity, factor, holdup, compound)


def _build_routes(
    tables: Mapping[str, dict[str, Row]],
    hazards: Mapping[str, Hazard],
    forms: Mapping[str, Form],
    sources: Mapping[str, str],
) -> dict[str, Route]:
    recovery: dict[str, dict[str, Quantiles]] = {}
    stays_in: dict[str, dict[str, str]] = {}
    usual_form: dict[str, dict[str, str]] = {}
    for row in tables["recovery.csv"].values():
        route = row.choice("route", list(tables["routes.csv"]))
        metal = row.choice("metal", METALS)
        if row.text("q50", required=False):
            recovery.setdefault(route, {})[metal] = _build_quantiles(
                row, 0.0, 1.0, "a share between 0 and 1", sources, "share"
            )
            usual_form.setdefault(route, {})[metal] = row.choice(
                "usual_form", [form.id for form in forms.values() if form.metal == metal]
            )
        else:
            stays_in.setdefault(route, {})[metal] = row.choice("stays_in", PLACES)
            row.choice("source", list(sources))
            _status(row)
    routes = {}
    for key, row in tables["routes.csv"].items():
        for metal in METALS:
            if f"{key} {metal}" not in tables["recovery.csv"]:
                row.complain("id", f"recovery.csv does not say what {key!r} does with {metal}", "a row or stays_in")
        routes[key] = Route(
            id=key,
            line=row.text("line"),
            recovery=recovery.get(key, {}),
            stays_in=stays_in.get(key, {}),
            usual_form=usual_form.get(key, {}),
            hazards=row.words("hazards", hazards),
            needs=row.words("needs", DECLARATIONS),
            heats=row.flag("heats"),
            takes=row.choice("takes", TAKES),
        )
    return routes


def _build_kind(
    key: str, row: Row, classes: Sequence[str], routes: Mapping[str, Route], hazards: Mapping[str, Hazard]
) -> Kind:
    if not all(part.isalnum() for part in key.split("-")):
        row.complain("id", f"{key!r} is no id", "letters, digits and hyphens")
    stops = [hazard.id for hazard in hazards.values() if hazard.level == "STOP"]
    stop = row.choice("stop", stops, required=False)
    route = row.choice("usual_route", list(routes), required=False)
    if stop and route:
        row.complain("usual_route", f"{key!r} is refused and yet has a route", "leave it empty")
    return Kind(
        id=key,
        cls=row.choice("cls", classes),
        name=row.text("name"),
        how_to_tell=row.text("how_to_tell"),
        piece_mass_g=row.number("piece_mass_g", 0.0, math.inf, "grams, above 0"),
        piece_cv=row.number("piece_cv", 0.0, 10.0, "a spread such as 0.3"),
        usual_route=route,
        stop=stop,
        hazards=row.words("hazards", hazards),
        ask_wet=row.flag("ask_wet"),
        grades={},
    )


def _build_grades(
    table: Mapping[str, Row], kinds: Sequence[str], constants: Mapping[str, Constant], sources: Mapping[str, str]
) -> dict[str, dict[str, GradeRow]]:
    """Grade rows by kind and metal; `as KIND` may only point to an own row, so nothing is inherited twice."""
    own = {key: row for key, row in table.items() if row.cells["basis"] == "own"}
    built = {key: _build_own_grade(row, constants, sources) for key, row in own.items()}
    grades: dict[str, dict[str, GradeRow]] = {}
    for key, row in table.items():
        kind, metal = row.choice("kind", kinds), row.choice("metal", METALS)
        basis = row.text("basis")
        if key in built:
            grade = built[key]
        elif basis == "unlikely":
            grade = _build_unlikely(row, constants)
        elif basis.startswith("as ") and f"{basis[3:]} {metal}" in built:
            grade = replace(built[f"{basis[3:]} {metal}"], basis=basis)
        elif basis.startswith("as "):
            hint = suggest(basis[3:], [k.split()[0] for k in built if k.endswith(metal)])
            row.complain("basis", f"{basis[3:]!r} has no own row for {metal}", hint)
            continue
        elif basis:
            row.complain("basis", f"{basis!r} is not known", "own, as KIND or unlikely")
            continue
        else:
            continue
        if basis != "own":
            for field in ("q5", "q50", "q95", "p_absent", "gsd_between", "gsd_class_mean", "max_g_per_t"):
                if row.text(field, required=False):
                    row.complain(field, f"has a number although the row is {basis!r}", "leave it empty or say own")
            grade = replace(grade, kind=kind, metal=metal, why=row.text("why"))
        grades.setdefault(kind, {})[metal] = grade
    return grades


def _build_own_grade(row: Row, constants: Mapping[str, Constant], sources: Mapping[str, str]) -> GradeRow:
    limit = constants["grade.max_g_per_t"].value if "grade.max_g_per_t" in constants else 1e6
    if row.text("max_g_per_t", required=False):
        limit = row.number("max_g_per_t", 0.0, 1e6 * (1 + 1e-9), "g/t, at most 1000000")
    q5, q50, q95 = row.quantiles(0.0, limit if math.isfinite(limit) else 1e6, f"g/t below {limit:g}")
    return GradeRow(
        kind=row.cells["kind"],
        metal=row.cells["metal"],
        q5=q5,
        q50=q50,
        q95=q95,
        p_absent=row.number("p_absent", 0.0, 1.0, "a probability between 0 and 1, neither included"),
        gsd_between=row.number("gsd_between", 1.0, 100.0, "a factor above 1"),
        gsd_class_mean=row.number("gsd_class_mean", 1.0, 100.0, "a factor above 1"),
        max_g_per_t=limit,
        founded=cast(Founded, row.choice("founded", FOUNDED)),
        source=row.choice("source", list(sources)),
        status=_status(row),
        why=row.text("why"),
        basis="own row",
    )


def _build_unlikely(row: Row, constants: Mapping[str, Constant]) -> GradeRow:
    def value(name: str) -> float:
        return constants[name].value if name in constants else math.nan

    return GradeRow(
        kind=row.cells["kind"],
        metal=row.cells["metal"],
        q5=value("unlikely.q5"),
        q50=value("unlikely.q50"),
        q95=value("unlikely.q95"),
        p_absent=value("unlikely.p_absent"),
        gsd_between=value("unlikely.gsd_between"),
        gsd_class_mean=value("unlikely.gsd_class_mean"),
        max_g_per_t=value("grade.max_g_per_t"),
        founded="judgement",
        source="judgement",
        status="judgement",
        why=row.text("why"),
        basis="unlikely",
    )


def _build_correlations(
    table: Mapping[str, Row], kinds: Sequence[str], sources: Mapping[str, str]
) -> dict[str, MetalCorrelation]:
    correlations = {}
    for row in table.values():
        kind = row.choice("kind", kinds)
        first, second = row.choice("first", METALS), row.choice("second", METALS)
        if first == second:
            row.complain("second", "is the same metal as the first", "name two metals")
        correlations[kind] = MetalCorrelation(
            first=first,
            second=second,
            correlation=row.number("correlation", -1.0, 1.0, "a number between -1 and 1"),
            second_needs_first=row.flag("second_needs_first"),
            source=row.choice("source", list(sources)),
            status=_status(row),
            why=row.text("why"),
        )
    return correlations


def _check_shares(shares: Mapping[str, Quantiles], table: Mapping[str, Row], routes: Mapping[str, Route]) -> None:
    for key, row in table.items():
        head, _, tail = key.partition(":")
        if head in ("hours-fixed", "hours-per-kg", "days") and tail not in routes:
            row.complain("id", f"{tail!r} is no route", suggest(tail, routes))
        if shares[key].unit.startswith("share") and not shares[key].q95 < 1:
            row.complain("q95", f"{shares[key].q95:g} is out of range", "type a share between 0 and 1")
