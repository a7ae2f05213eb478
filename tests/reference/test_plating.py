"""Plated area times thickness against published classes and handbook figures."""

from __future__ import annotations

import pytest

from gradeest.errors import InputError
from gradeest.materials.catalogue import load_catalogue
from gradeest.materials.plating import MOST_UM, THICK_UM, UM_PER_UIN, mg_per_cm2, parse_area, plated_grade_g_per_t
from gradeest.units import parse_length

GOLD = 19.3  # g/cm3, read


@pytest.mark.parametrize(
    ("um", "mg"), [(0.05, 0.0965), (0.762, 1.4707), (0.76, 1.4668), (0.80, 1.5440), (1.25, 2.4125), (1.27, 2.4511)]
)
def test_mass_per_area(um: float, mg: float) -> None:
    """Density times thickness, computed; four digits."""
    assert mg_per_cm2(um, GOLD) == pytest.approx(mg, abs=6e-5)


def test_the_density_is_that_of_the_row() -> None:
    assert load_catalogue().constants["plating.density.Au"] == GOLD


@pytest.mark.parametrize(
    ("uin", "um"), [(20, 0.508), (30, 0.762), (50, 1.27), (100, 2.54), (200, 5.08), (300, 7.62), (1500, 38.1)]
)
def test_classes_in_micro_inches(uin: float, um: float) -> None:
    """MIL-DTL-45204 classes 00 to 6 (secondary, read); 1 uin = 0.0254 um exactly. All are a plate."""
    assert parse_length(f"{uin} uin") == pytest.approx(um, rel=1e-12)
    assert um <= MOST_UM


def test_no_class_of_connectors_is_thicker_than_what_is_asked_back() -> None:
    """ASTM B488 classes 0.25 to 5.0 um (secondary, read); edge contacts 0.7 to 1.3 um (IPC-2221, read on a list)."""
    assert max(0.25, 0.5, 0.75, 1.0, 1.25, 2.5, 5.0, 0.8, 1.3) <= THICK_UM
    assert THICK_UM < 30  # 30 micro-inches typed as um: a slip of 1/0.0254, about 40
    assert round(1 / UM_PER_UIN, 2) == 39.37


def test_a_grade_is_metal_per_tonne_of_pieces() -> None:
    """100 cm2 at 0.762 um are 147.07 mg; on 50 g that is 2941 g/t."""
    assert plated_grade_g_per_t(100, 0.762, GOLD, 50) == pytest.approx(2941.3, rel=1e-4)


@pytest.mark.parametrize(
    ("text", "cm2"), [("120 cm2", 120), ("0.5 dm2", 50), ("18 sq in", 116.1288), ("18 in²", 116.1288), ("1,5 cm2", 1.5)]
)
def test_areas(text: str, cm2: float) -> None:
    assert parse_area(text) == pytest.approx(cm2)


@pytest.mark.parametrize("text", ["120", "cm2", "120 cm", "0 cm2", "-3 cm2", ""])
def test_what_is_no_area(text: str) -> None:
    with pytest.raises(InputError):
        parse_area(text)
