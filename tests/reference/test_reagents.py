"""What reagents are asked for, against balances of atoms, periodictable, and an independent library's coefficients."""

from __future__ import annotations

import periodictable
import pytest

from gradeest.materials.catalogue import load_catalogue
from gradeest.materials.chemistry import count_atoms, molar_mass
from gradeest.materials.reactions import ACIDITY, FAMILIES, SODA, Equation, demand_g, demand_mol, gas_mol, read_equation

EQUATIONS = [text for family in FAMILIES.values() for texts in family.values() for text in texts]


def atoms(side: dict[str, int]) -> dict[str, int]:
    found: dict[str, int] = {}
    for formula, times in side.items():
        for element, count in count_atoms(formula).items():
            found[element] = found.get(element, 0) + times * count
    return found


def is_balanced(equation: Equation) -> bool:
    return atoms(dict(equation.left)) == atoms(dict(equation.right))


@pytest.mark.parametrize("text", EQUATIONS)
def test_every_equation_of_the_budget_is_balanced(text: str) -> None:
    assert is_balanced(read_equation(text))


def test_an_equation_that_lost_an_atom_is_seen() -> None:
    """The broken twin: one atom of oxygen missing."""
    assert not is_balanced(read_equation("3 Cu + 8 HNO3 -> 3 Cu(NO3)2 + 2 NO + 3 H2O"))


# Grams of reagent per gram of metal, no excess: computed with periodictable 2.1.0 from equations that chempy 0.10.2
# balanced (that library draws in a hundred packages, so its coefficients are frozen here).
PRECIPITANTS = (
    ("gold-by-ferrous-sulphate", "Au", "FeSO4(H2O)7", 4.2343),
    ("gold-by-metabisulphite", "Au", "Na2S2O5", 0.72383),
    ("gold-by-sulphur-dioxide", "Au", "SO2", 0.4879),
    ("gold-by-oxalic-acid", "Au", "H2C2O4", 0.68565),
    ("gold-by-sulphite", "Au", "Na2SO3", 0.9599),
    ("palladium-by-dmg", "Pd", "C4H8N2O2", 2.18230),
    ("palladium-by-ammonium-chloride", "Pd", "NH4Cl", 1.0053),
    ("silver-by-salt", "Ag", "NaCl", 0.541770),
    ("silver-by-hydrochloric-acid", "Ag", "HCl", 0.337987),
    ("silver-by-copper", "Ag", "Cu", 0.29455),
    ("precious-by-zinc", "Au", "Zn", 0.4979),
    ("precious-by-zinc", "Pd", "Zn", 0.61436),
)


@pytest.mark.parametrize(("family", "metal", "reagent", "grams"), PRECIPITANTS, ids=[p[0] for p in PRECIPITANTS])
def test_precipitant_per_gram_of_metal(family: str, metal: str, reagent: str, grams: float) -> None:
    tolerance = 2e-4 if reagent in ("SO2", "NH4Cl") else 1e-4  # these two by molmass, which averages its own isotopes
    assert demand_g(family, metal, reagent) == pytest.approx(grams, rel=tolerance)
    by_periodictable = periodictable.formula(reagent).mass / periodictable.elements.symbol(metal).mass
    assert demand_mol(family, metal, reagent) * by_periodictable == pytest.approx(grams, rel=tolerance)


# mL of the usual strong nitric acid (15.8 mol in a litre) per gram of metal, by the equation that gives NO and the one
# that gives NO2: computed from the same equations with periodictable 2.1.0.
NITRIC = (
    ("Cu", 2.656, 3.984),
    ("Ag", 0.7823, 1.1735),
    ("Pd", 1.5859, 2.3789),
    ("Ni", 2.8756, 4.3133),
    ("Fe", 4.5333, 6.8000),
    ("Zn", 2.581, 3.872),
)


@pytest.mark.parametrize(("metal", "less", "more"), NITRIC, ids=[n[0] for n in NITRIC])
def test_nitric_acid_per_gram_of_metal(metal: str, less: float, more: float) -> None:
    for share, millilitres in ((0.0, less), (1.0, more)):
        mol = demand_mol("nitric", metal, "HNO3", share) / periodictable.elements.symbol(metal).mass
        assert 1000 * mol / 15.8 == pytest.approx(millilitres, rel=1e-3)
    assert more / less == pytest.approx(1.5, rel=1e-3)
    ratio = demand_mol("nitric", metal, "HNO3", 1.0) / demand_mol("nitric", metal, "HNO3")
    assert ratio == pytest.approx(1.5, rel=1e-12)


def test_tin_asks_three_times_as_much_by_the_other_equation() -> None:
    assert demand_mol("nitric", "Sn", "HNO3", 1.0) / demand_mol("nitric", "Sn", "HNO3") == pytest.approx(3.0)


def test_gold_in_mixed_acids() -> None:
    """Per gram of gold 1.678 mL at 12.1 and 0.321 mL at 15.8 mol in a litre, computed as above."""
    per_g = 1000 / periodictable.elements.symbol("Au").mass
    assert demand_mol("nitric-hydrochloric", "Au", "HCl") * per_g / 12.1 == pytest.approx(1.678, rel=1e-3)
    assert demand_mol("nitric-hydrochloric", "Au", "HNO3") * per_g / 15.8 == pytest.approx(0.321, rel=2e-3)


# Amount of substance in a litre = 1000 x density x mass share / molar mass; the usual strengths and densities of what
# is sold are from memory. A nominal strength is good to a tenth.
SOLD = (("nitric-acid", "HNO3", 1.413, 0.70), ("hydrochloric-acid", "HCl", 1.19, 0.37))


@pytest.mark.parametrize(("item", "formula", "density", "share"), SOLD, ids=[s[0] for s in SOLD])
def test_an_acid_as_sold_holds_what_its_strength_says(item: str, formula: str, density: float, share: float) -> None:
    row = load_catalogue().items[item]
    assert row.formula == formula
    assert row.mol_per_unit == pytest.approx(1000 * density * share / periodictable.formula(formula).mass, abs=0.1)


def test_what_is_bought_by_the_kg_is_counted_by_molar_mass() -> None:
    items = load_catalogue().items
    assert items["soda"].mol_per_unit == pytest.approx(1000 / periodictable.formula("Na2CO3").mass, rel=1e-6)
    assert molar_mass(SODA) == pytest.approx(105.988, abs=0.01)  # handbook value, from memory


def test_acid_that_left_as_gas_needs_no_base() -> None:
    """Copper in nitric acid: 8 go in, 2 leave as gas, 6 stay as nitrate of three coppers: two each."""
    for share in (0.0, 0.5, 1.0):
        stays = demand_mol("nitric", "Cu", "HNO3", share) - gas_mol("nitric", "Cu", share)
        assert stays == pytest.approx(2.0)
    assert ACIDITY["HNO3"] == 1


def test_published_use_of_nitric_acid_per_kg_of_pins_lies_in_the_interval() -> None:
    """A community handbook and a hobby page say 3.5 of nitric acid, in litres, for a kilogram of base-metal pins."""
    import numpy as np

    from gradeest.decision.costs import Costing
    from gradeest.decision.prices import NamedDraws

    catalogue = load_catalogue()
    named = NamedDraws(np.random.default_rng(5), 4000)
    lines = Costing(catalogue, named, {}).lines("pins-nitric", {"pins-mixed": 1.0}, {})
    (acid,) = [line.amount for line in lines if line.item.id == "nitric-acid"]
    low, high = np.quantile(acid, (0.05, 0.95))
    assert low < 3.5 < high
