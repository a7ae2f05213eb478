"""Plated area x thickness -> grade. Beta and XRF gauges measure mass per area; a thickness stands for it by density."""

from __future__ import annotations

import re
from typing import Final

from gradeest.errors import InputError
from gradeest.units import parse_number

AREA_WORDS: Final = {"mm2": 0.01, "cm2": 1.0, "dm2": 100.0, "m2": 1e4, "in2": 6.4516, "sqin": 6.4516}  # cm2
UM_PER_UIN = 0.0254  # exact: an inch is 25.4 mm
LEAST_UM, MOST_UM = 0.01, 50.0  # what a plate can be (flash gold to the thickest class of MIL-DTL-45204, 38 um)
THICK_UM = 5.0  # the thickest class of ASTM B488: above it micro-inches were probably meant
CM2_UM = 1e-4  # cm3 in one cm2 of one um


def mg_per_cm2(thickness_um: float, density_g_per_cm3: float) -> float:
    """Mass per area: density x thickness."""
    return 1000 * density_g_per_cm3 * thickness_um * CM2_UM


def plated_grade_g_per_t(area_cm2: float, thickness_um: float, density_g_per_cm3: float, mass_g: float) -> float:
    """Grade, g/t, of pieces of `mass_g` with so much plated area."""
    return mg_per_cm2(thickness_um, density_g_per_cm3) * area_cm2 / 1000 / mass_g * 1e6


def meant_um(thickness_um: float) -> float:
    """What the same number would be in micro-inches, um."""
    return thickness_um * UM_PER_UIN


def parse_area(text: str) -> float:
    """Read an area.

    Parameters: text such as "120 cm2", "0.5 dm2", "18 sq in".
    Returns: cm2, above 0. Raises InputError without a unit, or for one that is none of area.
    """
    parts = re.fullmatch(r"\s*([^a-zA-Z]+?)\s*([a-zA-Z].*)?", text)
    if parts is None or parts[2] is None:
        raise InputError(f"{text!r} is no area with its unit", 'type it like "120 cm2"')
    word = parts[2].lower().replace("²", "2").replace("^", "").replace(" ", "")
    if word not in AREA_WORDS:
        raise InputError(f"{text!r}: {parts[2]!r} is not a unit of area", "use mm2, cm2, dm2, m2 or in2")
    area = parse_number(parts[1]) * AREA_WORDS[word]
    if not area > 0:
        raise InputError(f"{text!r} is not above 0", "type an area above 0")
    return area
