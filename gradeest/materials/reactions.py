"""Balanced equations of what acids and precipitants do, and what they ask of a reagent: for a budget, never for dosing.

A family ("nitric", "chloride" ...) holds one equation per metal, or two where the gas may be one of two: then a share
between 0 and 1 says how much goes the dearer way. Whole numbers; that they balance is tested, atom by atom.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from gradeest.materials.chemistry import ATOMIC_WEIGHTS, count_atoms, molar_mass

# Family -> metal -> equations, the one that asks for less acid first.
FAMILIES: Final[Mapping[str, Mapping[str, tuple[str, ...]]]] = {
    "nitric": {
        "Cu": ("3 Cu + 8 HNO3 -> 3 Cu(NO3)2 + 2 NO + 4 H2O", "Cu + 4 HNO3 -> Cu(NO3)2 + 2 NO2 + 2 H2O"),
        "Ni": ("3 Ni + 8 HNO3 -> 3 Ni(NO3)2 + 2 NO + 4 H2O", "Ni + 4 HNO3 -> Ni(NO3)2 + 2 NO2 + 2 H2O"),
        "Zn": ("3 Zn + 8 HNO3 -> 3 Zn(NO3)2 + 2 NO + 4 H2O", "Zn + 4 HNO3 -> Zn(NO3)2 + 2 NO2 + 2 H2O"),
        "Fe": ("Fe + 4 HNO3 -> Fe(NO3)3 + NO + 2 H2O", "Fe + 6 HNO3 -> Fe(NO3)3 + 3 NO2 + 3 H2O"),
        "Sn": ("3 Sn + 4 HNO3 -> 3 SnO2 + 4 NO + 2 H2O", "Sn + 4 HNO3 -> SnO2 + 4 NO2 + 2 H2O"),
        "Ag": ("3 Ag + 4 HNO3 -> 3 AgNO3 + NO + 2 H2O", "Ag + 2 HNO3 -> AgNO3 + NO2 + H2O"),
        "Pd": ("3 Pd + 8 HNO3 -> 3 Pd(NO3)2 + 2 NO + 4 H2O", "Pd + 4 HNO3 -> Pd(NO3)2 + 2 NO2 + 2 H2O"),
    },
    "chloride": {
        "Cu": ("Cu + H2O2 + 2 HCl -> CuCl2 + 2 H2O",),
        "Ni": ("Ni + H2O2 + 2 HCl -> NiCl2 + 2 H2O",),
        "Zn": ("Zn + 2 HCl -> ZnCl2 + H2",),
        "Fe": ("Fe + 2 HCl -> FeCl2 + H2",),
        "Sn": ("Sn + 2 HCl -> SnCl2 + H2",),
    },
    "nitric-hydrochloric": {
        "Cu": ("3 Cu + 2 HNO3 + 6 HCl -> 3 CuCl2 + 2 NO + 4 H2O", "Cu + 2 HNO3 + 2 HCl -> CuCl2 + 2 NO2 + 2 H2O"),
        "Ni": ("3 Ni + 2 HNO3 + 6 HCl -> 3 NiCl2 + 2 NO + 4 H2O", "Ni + 2 HNO3 + 2 HCl -> NiCl2 + 2 NO2 + 2 H2O"),
        "Zn": ("3 Zn + 2 HNO3 + 6 HCl -> 3 ZnCl2 + 2 NO + 4 H2O", "Zn + 2 HNO3 + 2 HCl -> ZnCl2 + 2 NO2 + 2 H2O"),
        "Fe": ("Fe + HNO3 + 3 HCl -> FeCl3 + NO + 2 H2O", "Fe + 3 HNO3 + 3 HCl -> FeCl3 + 3 NO2 + 3 H2O"),
        "Sn": ("3 Sn + 4 HNO3 + 12 HCl -> 3 SnCl4 + 4 NO + 8 H2O", "Sn + 4 HNO3 + 4 HCl -> SnCl4 + 4 NO2 + 4 H2O"),
        "Au": ("Au + HNO3 + 4 HCl -> HAuCl4 + NO + 2 H2O", "Au + 3 HNO3 + 4 HCl -> HAuCl4 + 3 NO2 + 3 H2O"),
        "Pd": (
            "3 Pd + 2 HNO3 + 12 HCl -> 3 H2PdCl4 + 2 NO + 4 H2O",
            "Pd + 2 HNO3 + 4 HCl -> H2PdCl4 + 2 NO2 + 2 H2O",
        ),
        "Ag": ("3 Ag + HNO3 + 3 HCl -> 3 AgCl + NO + 2 H2O", "Ag + HNO3 + HCl -> AgCl + NO2 + H2O"),
    },
    "hydrochloric-hypochlorite": {
        "Au": ("2 Au + 3 NaClO + 8 HCl -> 2 HAuCl4 + 3 NaCl + 3 H2O",),
    },
    "gold-by-metabisulphite": {"Au": ("4 HAuCl4 + 3 Na2S2O5 + 9 H2O -> 4 Au + 6 NaHSO4 + 16 HCl",)},
    "gold-by-sulphite": {"Au": ("2 HAuCl4 + 3 Na2SO3 + 3 H2O -> 2 Au + 3 Na2SO4 + 8 HCl",)},
    "gold-by-sulphur-dioxide": {"Au": ("2 HAuCl4 + 3 SO2 + 6 H2O -> 2 Au + 3 H2SO4 + 8 HCl",)},
    "gold-by-ferrous-sulphate": {"Au": ("HAuCl4 + 3 FeSO4(H2O)7 -> Au + Fe2(SO4)3 + FeCl3 + HCl + 21 H2O",)},
    "gold-by-oxalic-acid": {"Au": ("2 HAuCl4 + 3 H2C2O4 -> 2 Au + 6 CO2 + 8 HCl",)},
    "silver-by-salt": {"Ag": ("AgNO3 + NaCl -> AgCl + NaNO3",)},
    "silver-by-hydrochloric-acid": {"Ag": ("AgNO3 + HCl -> AgCl + HNO3",)},
    "silver-by-copper": {"Ag": ("2 AgNO3 + Cu -> 2 Ag + Cu(NO3)2",)},
    "palladium-by-dmg": {"Pd": ("PdCl2 + 2 C4H8N2O2 -> Pd(C4H7N2O2)2 + 2 HCl",)},
    "palladium-by-ammonium-chloride": {"Pd": ("H2PdCl4 + 2 NH4Cl + Cl2 -> (NH4)2PdCl6 + 2 HCl",)},
    "precious-by-zinc": {
        "Au": ("2 HAuCl4 + 3 Zn -> 2 Au + 3 ZnCl2 + 2 HCl",),
        "Pd": ("PdCl2 + Zn -> Pd + ZnCl2",),
    },
    "copper-by-iron": {"Cu": ("CuCl2 + Fe -> Cu + FeCl2",)},
}
ACIDITY: Final[Mapping[str, int]] = {"HNO3": 1, "HCl": 1, "H2SO4": 2}  # mol of base that a mol of acid asks for
SODA: Final = "Na2CO3"  # takes two: Na2CO3 + 2 HX -> 2 NaX + CO2 + H2O
Share = float | NDArray[np.float64]
_TERM = re.compile(r"^(?:(\d+) )?(\S+)$")


@dataclass(frozen=True)
class Equation:
    """A balanced equation: formula -> count on each side."""

    left: Mapping[str, int]
    right: Mapping[str, int]


@cache
def read_equation(text: str) -> Equation:
    """An equation such as "AgNO3 + NaCl -> AgCl + NaNO3". Raises ValueError for what is none."""
    sides = text.split(" -> ")
    if len(sides) != 2:
        raise ValueError(f"not an equation: {text!r}")
    return Equation(*(_read_side(side) for side in sides))


def _read_side(text: str) -> dict[str, int]:
    found: dict[str, int] = {}
    for part in text.split(" + "):
        term = _TERM.match(part.strip())
        if term is None:
            raise ValueError(f"not a side of an equation: {text!r}")
        found[term[2]] = found.get(term[2], 0) + int(term[1] or 1)
    return found


@cache
def _atoms_of_metal(equation: str, metal: str) -> int:
    """How many atoms of the metal an equation turns over."""
    left = read_equation(equation).left
    return sum(count * count_atoms(formula).get(metal, 0) for formula, count in left.items())


def demand_mol(family: str, metal: str, reagent: str, dearer_share: Share = 0.0) -> Share:
    """Mol of `reagent` (a formula) that one mol of `metal` asks for in a family; 0 where it takes none.

    Parameters: dearer_share, 0-1, a number or draws: how much goes by the family's second equation where it has two.
    Raises KeyError for an unknown family. Equation: count(reagent) / count(metal).
    """
    return _per_metal(family, metal, dearer_share, lambda equation: equation.left.get(reagent, 0))


def demand_g(family: str, metal: str, reagent: str, dearer_share: Share = 0.0) -> Share:
    """Grams of the pure reagent that one gram of the metal asks for; as `demand_mol`."""
    return demand_mol(family, metal, reagent, dearer_share) * molar_mass(reagent) / ATOMIC_WEIGHTS[metal]


def gas_mol(family: str, metal: str, dearer_share: Share = 0.0) -> Share:
    """Mol of acid that leave as nitrogen oxides per mol of metal: they need no base any more."""
    return _per_metal(family, metal, dearer_share, lambda e: e.right.get("NO", 0) + e.right.get("NO2", 0))


def _per_metal(family: str, metal: str, dearer_share: Share, count: Callable[[Equation], int]) -> Share:
    """A count per atom of the metal, mixed over the family's equations."""
    equations = FAMILIES[family].get(metal, ())
    found = [count(read_equation(text)) / _atoms_of_metal(text, metal) for text in equations]
    if len(found) < 2:
        return found[0] if found else 0.0
    return (1 - dearer_share) * found[0] + dearer_share * found[1]
