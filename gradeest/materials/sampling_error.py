"""The fundamental sampling error: what a sample of pieces cannot tell, however good the laboratory.

Gy's formula for a sample Ms of a lot Ml of pieces up to the size d (cm; masses in g),

    s^2 = (1/Ms - 1/Ml) C d^3,   C = f g m l,   m = (1 - a)/a ((1 - a) r + a t),   l = sqrt(L/d) where L < d, else 1:

f shape, g size range, a the share of the pieces that carry what is sought, r and t (g/cm3) their density and that of
the rest, L the size at which they come free (textbook form, read). In ground scrap the metal sits in carriers, such as
bits of plated copper: a = grade / grade of a carrier. Pure metal would be no carrier that published powders show.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

UM_PER_CM = 1e4
MOST_CARRIERS = 0.99  # of the pieces: beyond, nothing is left to chance


def composition(a: float, carrier: float, rest: float) -> float:
    """m, g/cm3, of the share `a` of carriers (0-1) and the densities of carriers and rest, g/cm3."""
    return (1 - a) / a * ((1 - a) * carrier + a * rest)


def liberation(size_cm: float, liberated_cm: float) -> float:
    """l: 1 where pieces are no larger than the size at which carriers come free."""
    return 1.0 if size_cm <= liberated_cm else math.sqrt(liberated_cm / size_cm)


def sampling_constant(m: float, liberated: float = 1.0, shape: float = 0.5, size_range: float = 0.25) -> float:
    """C, g/cm3, of m (g/cm3) and the factors l, f and g."""
    return shape * size_range * m * liberated


def relative_sd(constant: float, size_cm: float, sample_g: float, lot_g: float = math.inf) -> float:
    """Relative standard deviation of a sample's grade; 0 where all of the lot is the sample."""
    return math.sqrt(max(1 / sample_g - 1 / lot_g, 0.0) * constant * size_cm**3)


def sample_mass_g(constant: float, size_cm: float, sd: float, lot_g: float = math.inf) -> float:
    """Sample mass, g, with which the relative sd is `sd`: M = 1 / (sd^2 / (C d^3) + 1/Ml)."""
    return 1 / (sd**2 / (constant * size_cm**3) + 1 / lot_g)


def scrap_constant(metal: str, grade_g_per_t: float, constants: Mapping[str, float]) -> float:
    """C, g/cm3, of ground scrap of a grade (g/t), by the rows `sampling` of the model."""
    a = min(grade_g_per_t / 1e6 / constants[f"sampling.carrier_share.{metal}"], MOST_CARRIERS)
    m = composition(a, constants["sampling.carrier_density"], constants["sampling.rest_density"])
    return sampling_constant(m, 1.0, constants["sampling.shape"], constants["sampling.size_range"])


def counted(sd: float) -> float:
    """Of how many carriers such a relative sd is the counting error: n = 1 / sd^2."""
    return math.inf if sd <= 0 else 1 / sd**2


def chance_within(particles: float, share: float) -> float:
    """Chance that a Poisson count of mean `particles` lies within `share` of its mean (both ends included)."""
    low, high = math.ceil(particles * (1 - share)), math.floor(particles * (1 + share))
    return sum(math.exp(n * math.log(particles) - particles - math.lgamma(n + 1)) for n in range(low, high + 1))


def mass_weighted(parts: Sequence[tuple[float, float, float]]) -> tuple[float, float]:
    """Grade and relative sd of a whole from its parts: (mass, grade, relative sd) each, errors independent."""
    total = sum(mass for mass, _, _ in parts)
    metal = sum(mass * grade for mass, grade, _ in parts)
    return metal / total, math.hypot(*(mass * grade * sd for mass, grade, sd in parts)) / metal
