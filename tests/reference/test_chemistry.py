"""Atomic weights, gravimetric factors and balanced equations against periodictable and handbook values."""

from __future__ import annotations

import periodictable
import pytest

from gradeest.materials.catalogue import load_catalogue
from gradeest.materials.chemistry import ATOMIC_WEIGHTS, GRAVIMETRIC, count_atoms, gravimetric_factor, molar_mass


@pytest.mark.parametrize("element", sorted(ATOMIC_WEIGHTS))
def test_atomic_weight_is_that_of_periodictable(element: str) -> None:
    assert ATOMIC_WEIGHTS[element] == pytest.approx(periodictable.elements.symbol(element).mass, rel=1e-6)


# IUPAC abridged standard atomic weights 2021, four leading digits (from memory).
@pytest.mark.parametrize(("element", "weight"), [("Au", 196.97), ("Ag", 107.87), ("Pd", 106.42), ("Cl", 35.45)])
def test_atomic_weight_is_the_abridged_iupac_value(element: str, weight: float) -> None:
    assert ATOMIC_WEIGHTS[element] == pytest.approx(weight, abs=0.005)


# Molar mass in g/mol and metal share, computed with periodictable 2.1.0 (molmass differs by its own isotope table).
WEIGHED_FORMS = (
    ("AgCl", "Ag", 143.3182, 0.752648),
    ("Pd(C4H7N2O2)2", "Pd", 336.644, 0.316120),
    ("(NH4)2PdCl6", "Pd", 355.198, 0.299608),
    ("(NH4)2PtCl6", "Pt", 443.862, 0.439515),
    ("Pd(NH3)2Cl2", "Pd", 211.382, 0.503449),
    ("Ni(C4H7N2O2)2", "Ni", 288.9174, 0.203149),
    ("AgNO3", "Ag", 169.8722, 0.634996),
    ("HAuCl4", "Au", 339.77457, 0.579698),
)


@pytest.mark.parametrize(("formula", "metal", "mass", "factor"), WEIGHED_FORMS, ids=[f[0] for f in WEIGHED_FORMS])
def test_gravimetric_factor(formula: str, metal: str, mass: float, factor: float) -> None:
    by_periodictable = periodictable.formula(formula)
    assert molar_mass(formula) == pytest.approx(by_periodictable.mass, rel=1e-6)
    assert molar_mass(formula) == pytest.approx(mass, rel=1e-6)
    assert gravimetric_factor(formula, metal) == pytest.approx(factor, rel=1e-5)


# Handbook factors (from memory): silver chloride 0.7526, palladium dimethylglyoximate 0.3161.
def test_handbook_factors_stand_in_the_forms() -> None:
    forms = load_catalogue().forms
    assert forms["silver-chloride"].factor == pytest.approx(0.7526, abs=5e-5)
    assert forms["palladium-dmg"].factor == pytest.approx(0.3161, abs=5e-5)
    assert forms["palladium-salt"].factor == GRAVIMETRIC["(NH4)2PdCl6"]
    assert forms["gold-powder"].factor == 1.0


# Balanced by chempy 0.10.2 (balance_stoichiometry, exact whole numbers).
EQUATIONS = (
    "3 Cu + 8 HNO3 -> 3 Cu(NO3)2 + 2 NO + 4 H2O",
    "Cu + 4 HNO3 -> Cu(NO3)2 + 2 NO2 + 2 H2O",
    "3 Ag + 4 HNO3 -> 3 AgNO3 + NO + 2 H2O",
    "Fe + 6 HNO3 -> Fe(NO3)3 + 3 NO2 + 3 H2O",
    "3 Sn + 4 HNO3 -> 3 SnO2 + 4 NO + 2 H2O",
    "Au + 4 HCl + HNO3 -> HAuCl4 + NO + 2 H2O",
    "4 HAuCl4 + 3 Na2S2O5 + 9 H2O -> 4 Au + 6 NaHSO4 + 16 HCl",
    "2 HAuCl4 + 3 H2C2O4 -> 2 Au + 6 CO2 + 8 HCl",
    "2 AgNO3 + Cu -> 2 Ag + Cu(NO3)2",
    "PdCl2 + 2 C4H8N2O2 -> Pd(C4H7N2O2)2 + 2 HCl",
    "3 Pd + 12 HCl + 2 HNO3 -> 3 H2PdCl4 + 2 NO + 4 H2O",
)


def side(text: str) -> tuple[dict[str, int], float]:
    atoms: dict[str, int] = {}
    mass = 0.0
    for term in text.split("+"):
        *count, formula = term.split()
        times = int(count[0]) if count else 1
        mass += times * molar_mass(formula)
        for element, number in count_atoms(formula).items():
            atoms[element] = atoms.get(element, 0) + times * number
    return atoms, mass


@pytest.mark.parametrize("equation", EQUATIONS)
def test_balanced_equation_keeps_atoms_and_mass(equation: str) -> None:
    (left, left_mass), (right, right_mass) = (side(text) for text in equation.split("->"))
    assert left == right
    assert left_mass == pytest.approx(right_mass, rel=1e-12)


def test_an_unbalanced_equation_is_seen() -> None:
    assert side("Cu + 3 HNO3")[0] != side("Cu(NO3)2 + 2 NO2 + 2 H2O")[0]


@pytest.mark.parametrize("formula", ["", "Xx", "2Ag", "Ag)", "(AgCl", "AgCl2(", "Ag Cl", "()2", "Ag0"])
def test_what_is_no_formula_is_refused(formula: str) -> None:
    with pytest.raises(ValueError, match=r"formula|atomic weight"):
        count_atoms(formula)


def test_a_compound_without_the_metal_is_refused() -> None:
    with pytest.raises(ValueError, match="holds no Au"):
        gravimetric_factor("AgCl", "Au")
