"""Atomic weights, molar masses and gravimetric factors."""

from __future__ import annotations

import re
from typing import Final

# IUPAC abridged standard atomic weights, g/mol (chlorine: the conventional value of its interval, from memory).
ATOMIC_WEIGHTS: Final[dict[str, float]] = {
    "H": 1.008,
    "C": 12.011,
    "N": 14.007,
    "O": 15.999,
    "Na": 22.98976928,
    "S": 32.06,
    "Cl": 35.45,
    "Fe": 55.845,
    "Ni": 58.6934,
    "Cu": 63.546,
    "Zn": 65.38,
    "Pd": 106.42,
    "Ag": 107.8682,
    "Sn": 118.710,
    "Pt": 195.084,
    "Au": 196.96657,
}

_TOKEN = re.compile(r"([A-Z][a-z]?)|(\()|(\))|(\d+)")


def count_atoms(formula: str) -> dict[str, int]:
    """Count the atoms of a formula with parentheses, such as `Pd(C4H7N2O2)2`.

    Parameters: formula, element symbols of `ATOMIC_WEIGHTS`, whole-number subscripts.
    Returns: symbol -> number of atoms. Raises ValueError where the text is no such formula.
    """
    stack: list[dict[str, int]] = [{}]
    last: dict[str, int] = {}
    position = 0
    while position < len(formula):
        token = _TOKEN.match(formula, position)
        if token is None:
            raise ValueError(f"not a formula: {formula!r} (at {formula[position:]!r})")
        element, opening, closing, digits = token.groups()
        if digits and (position == 0 or not last or int(digits) == 0):
            raise ValueError(f"not a formula: {formula!r} (a number without anything before it)")
        if element:
            if element not in ATOMIC_WEIGHTS:
                raise ValueError(f"no atomic weight for {element!r} in {formula!r}")
            last = {element: 1}
            _add(stack[-1], last, 1)
        elif opening:
            stack.append({})
            last = {}
        elif closing:
            if len(stack) == 1:
                raise ValueError(f"not a formula: {formula!r} (a bracket too many)")
            last = stack.pop()
            _add(stack[-1], last, 1)
        else:
            _add(stack[-1], last, int(digits) - 1)  # once is already counted
            last = {}
        position = token.end()
    if len(stack) != 1 or not stack[0]:
        raise ValueError(f"not a formula: {formula!r}")
    return stack[0]


def _add(total: dict[str, int], part: dict[str, int], times: int) -> None:
    for element, count in part.items():
        total[element] = total.get(element, 0) + times * count


def molar_mass(formula: str) -> float:
    """Molar mass of a formula, in g/mol: the sum of atom counts times IUPAC abridged atomic weights.

    Raises ValueError where the text is no formula of known elements.
    """
    return sum(ATOMIC_WEIGHTS[element] * count for element, count in count_atoms(formula).items())


def gravimetric_factor(formula: str, element: str) -> float:
    """Mass of `element` per mass of the weighed compound (0-1).

    Equation: count(element) x atomic weight / molar mass. Raises ValueError where the compound lacks the element.
    """
    count = count_atoms(formula).get(element, 0)
    if count == 0:
        raise ValueError(f"{formula!r} holds no {element}")
    return count * ATOMIC_WEIGHTS[element] / molar_mass(formula)


SILVER_CHLORIDE: Final = "AgCl"
PALLADIUM_DMG: Final = "Pd(C4H7N2O2)2"
AMMONIUM_HEXACHLOROPALLADATE: Final = "(NH4)2PdCl6"

# Metal mass / mass of the pure salt that is weighed.
GRAVIMETRIC: Final[dict[str, float]] = {
    SILVER_CHLORIDE: gravimetric_factor(SILVER_CHLORIDE, "Ag"),
    PALLADIUM_DMG: gravimetric_factor(PALLADIUM_DMG, "Pd"),
    AMMONIUM_HEXACHLOROPALLADATE: gravimetric_factor(AMMONIUM_HEXACHLOROPALLADATE, "Pd"),
}
