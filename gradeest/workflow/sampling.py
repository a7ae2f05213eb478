"""Assays as they are typed, with the error of the sample; powder and oversize together; a plated area as a grade."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from gradeest.materials.catalogue import Catalogue, load_catalogue
from gradeest.materials.plating import parse_area, plated_grade_g_per_t
from gradeest.materials.sampling_error import UM_PER_CM, mass_weighted, relative_sd, scrap_constant
from gradeest.records.sampling_rules import Part
from gradeest.workflow.learning import Learned, record
from gradeest.workflow.opening import Place, open_bench


def read_area(text: str) -> float:
    """An area in cm2, typed as "120 cm2"."""
    return parse_area(text)


def record_assay(place: Place, answers: Mapping[str, Any], **how: Any) -> Learned:
    """Keep an assay of a fraction and learn from it. `how` is what `learning.record` takes."""
    payload = assay_payload(answers, load_catalogue(place.priors), _mass_g(place, answers["address"]))
    return record(place, "assay", payload, **how)


def assay_payload(answers: Mapping[str, Any], catalogue: Catalogue, fraction_g: float) -> dict[str, Any]:
    """An assay as it is kept: the grade of all parts together, and the error of the sample in its uncertainty.

    `answers` may hold `powder` and `oversize` (instead of a value), `sample_g` and `top_um`: then `u_rel` is the
    laboratory's uncertainty, and that of the sample is added to it. `fraction_g`: all that was sampled, g.
    """
    kept = ("address", "metal", "value_g_per_t", "u_rel", "method")
    payload: dict[str, Any] = {name: answers.get(name) for name in kept}
    payload["below_detection"] = bool(answers.get("below_detection"))
    parts: dict[str, Part] = {name: answers[name] for name in ("powder", "oversize") if answers.get(name)}
    if parts:
        payload["parts"] = [{"name": n, "mass_g": g, "value_g_per_t": grade} for n, (g, grade) in parts.items()]
    lab, sample, top = payload["u_rel"], answers.get("sample_g"), answers.get("top_um")
    if sample is not None or top is not None:
        payload |= {"sample_g": sample, "top_um": top, "u_lab": lab}
    weighed = []
    for name, (grams, grade) in (parts or {"powder": (1.0, payload["value_g_per_t"])}).items():
        by_chance = 0.0
        if sample is not None and top is not None and name == "powder":
            by_chance = _by_chance(catalogue, payload, grade, grams if parts else fraction_g)
        weighed.append((grams, grade, math.hypot(lab, by_chance)))
    value, u_rel = mass_weighted(weighed)
    return {name: v for name, v in payload.items() if v is not None} | {"value_g_per_t": value, "u_rel": u_rel}


def _by_chance(catalogue: Catalogue, payload: Mapping[str, Any], grade: float, lot_g: float) -> float:
    """Relative sd of a sample by chance alone; 0 where mass or size cannot be (the rules say so)."""
    sample, top, metal = payload["sample_g"], payload["top_um"], payload["metal"]
    if not 0 < sample <= lot_g or not top > 0 or f"sampling.carrier_share.{metal}" not in catalogue.constants:
        return 0.0
    return relative_sd(scrap_constant(metal, grade, catalogue.constants), top / UM_PER_CM, sample, lot_g)


def _mass_g(place: Place, address: str) -> float:
    with open_bench(place) as opened:
        if address not in opened.bench.addresses():
            return math.inf
        return 1000 * opened.bench.fraction(address).mass_kg


def record_plating(place: Place, answers: Mapping[str, Any], **how: Any) -> Learned:
    """Keep a plated area and its thickness as what it says of the grade, and learn from it."""
    return record(place, "assay", plating_payload(answers, load_catalogue(place.priors)), **how)


def plating_payload(answers: Mapping[str, Any], catalogue: Catalogue) -> dict[str, Any]:
    """A plated area (cm2) x thickness (um) of a mass of pieces (g), as an assay of them."""
    constants = catalogue.constants
    area, thickness, mass = (answers[name] for name in ("area_cm2", "thickness_um", "plated_g"))
    density = constants[f"plating.density.{answers['metal']}"]
    return {
        "address": answers["address"],
        "metal": answers["metal"],
        "value_g_per_t": min(plated_grade_g_per_t(area, thickness, density, mass), 1e6),
        "u_rel": constants["plating.nominal_log_sd" if answers["nominal"] else "plating.measured_log_sd"],
        "method": "plating",
        "area_cm2": area,
        "thickness_um": thickness,
        "plated_g": mass,
        "nominal": answers["nominal"],
    }
