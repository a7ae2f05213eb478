"""Unit factors against their definitions and against pint's own registry, traps included."""

from __future__ import annotations

import pint
import pytest

from gradeest.errors import InputError
from gradeest.units import parse_grade, parse_length, parse_mass, parse_purity

EXACT = 1e-12

# International yard and pound agreement (1959): 1 lb = 453.59237 g; troy ounce 480, pennyweight 24, pound 7000 grains.
MASSES = (
    ("1 ozt", 31.1034768),
    ("1 dwt", 1.55517384),
    ("1 oz", 28.349523125),
    ("1 lb", 453.59237),
    ("1 grain", 0.06479891),
    ("1 kg", 1000.0),
    ("1 mg", 0.001),
    ("1 t", 1e6),
    ("1 short ton", 907184.74),
    ("1 long ton", 1016046.9088),
)


@pytest.mark.parametrize(("text", "grams"), MASSES)
def test_mass(text: str, grams: float) -> None:
    assert parse_mass(text) == pytest.approx(grams, rel=EXACT)


def test_mass_against_the_registry_of_pint() -> None:
    registry = pint.UnitRegistry()
    names = {"ozt": "troy_ounce", "dwt": "pennyweight", "oz": "ounce", "lb": "pound", "grain": "grain"}
    for ours, theirs in names.items():
        assert parse_mass(f"1 {ours}") == pytest.approx(registry.Quantity(1, theirs).to("g").magnitude, rel=EXACT)


def test_ounces_of_a_kilogram() -> None:
    assert 1000 / parse_mass("1 ozt") == pytest.approx(32.1507465686, rel=1e-11)
    assert parse_mass("1 oz") / parse_mass("1 ozt") == pytest.approx(0.9114583333333, rel=EXACT)
    assert parse_mass("1 lb") / parse_mass("1 ozt") == pytest.approx(14.5833333333333, rel=EXACT)


def test_grades() -> None:
    assert parse_grade("1 ozt/short ton") == pytest.approx(240 / 7, rel=EXACT)
    assert parse_grade("1 ozt/ton") == pytest.approx(240 / 7, rel=EXACT)
    assert parse_grade("1 ozt/long ton") == pytest.approx(30.6122448979592, rel=EXACT)
    assert parse_grade("1 mg/kg") == pytest.approx(1.0, rel=EXACT)
    assert parse_grade("1 ppm") == 1.0
    assert parse_grade("1 %") == 10_000.0


# ERM-EZ505 "Electronic Scrap", certification report, BAM 2011: 292 mg/kg Au, 692 mg/kg Ag, 90.5 mg/kg Pd.
@pytest.mark.parametrize(
    ("grade", "ounces"), [("292 mg/kg", 0.0093880), ("692 mg/kg", 0.022248), ("90.5 mg/kg", 0.0029097)]
)
def test_certified_scrap_in_troy_ounces_per_kilogram(grade: str, ounces: float) -> None:
    assert parse_grade(grade) / 1000 / parse_mass("1 ozt") == pytest.approx(ounces, rel=3e-5)


@pytest.mark.parametrize(
    ("karat", "fineness"), [(24, 1000.0), (22, 916.667), (18, 750.0), (14, 583.333), (10, 416.667), (9, 375.0)]
)
def test_karat(karat: int, fineness: float) -> None:
    assert 1000 * parse_purity(f"{karat} kt") == pytest.approx(fineness, abs=5e-4)


# Thickness classes of MIL-DTL-45204 as quoted by platers: 30 micro-inches are 0.76 um, 50 are 1.27 um.
def test_thickness() -> None:
    assert parse_length("1 uin") == pytest.approx(0.0254, rel=EXACT)
    assert parse_length("30 uin") == pytest.approx(0.762, rel=EXACT)
    assert parse_length("50 microinches") == pytest.approx(1.27, rel=EXACT)
    assert parse_length("1 thou") == pytest.approx(25.4, rel=EXACT)


def test_traps_of_a_general_unit_list_are_not_ours() -> None:
    """A general list takes `mil` for an angle and `karat` for a mass; both must not pass here."""
    with pytest.raises(InputError):
        parse_length("1 mil")
    with pytest.raises(InputError):
        parse_mass("22 karat")
