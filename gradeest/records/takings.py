"""How a jar grows and empties: additions make sources, what is taken comes from all that stands.

Everything is in kg, one number per source of a fraction, the oldest first.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from gradeest.records.domain import EXACT_KG, Fraction


def add_source(fraction: Fraction, mass_kg: float, *, joins: bool) -> Fraction:
    """A fraction after `mass_kg` were added to its jar.

    Parameters: joins, nothing was taken since the last addition: the new mass then belongs to the source that stands.
    A count of pieces no longer holds and is dropped.
    """
    layers = list(fraction.layers_kg or (fraction.mass_kg,))
    if joins:
        layers[-1] += mass_kg
    else:
        layers.append(mass_kg)
    kept = tuple(layers) if len(layers) > 1 else ()
    return replace(fraction, mass_kg=sum(layers), layers_kg=kept, pieces=None)


def take_from(left_kg: Sequence[float], mass_kg: float | None) -> tuple[float, tuple[float, ...]]:
    """What taking `mass_kg` (None: all) of a well mixed jar takes: in total, and of each source.

    Parameters: left_kg, what stands of each source. More than is left (balances differ) means all of it: stock never
    gets negative. The second part is empty for a jar of one source.
    """
    total = sum(left_kg)
    if mass_kg is None or total <= 0 or mass_kg > total - EXACT_KG:
        taken = tuple(left_kg)
        mass_kg = total
    else:
        taken = tuple(mass_kg * left / total for left in left_kg)
    return mass_kg, taken if len(taken) > 1 else ()


def take_whole(left: float, amount: float | None, exact: float) -> float:
    """The same for what has no sources: a product in g, a stream in kg."""
    return left if amount is None or amount > left - exact else amount


def close_heaps(heaps: Sequence[float], left_kg: float) -> list[float]:
    """Masses of heaps as weighed, scaled so that they add up to what was left, in kg."""
    factor = left_kg / sum(heaps)
    scaled = [mass * factor for mass in heaps]
    scaled[-1] = left_kg - sum(scaled[:-1])  # the last digit of the computer belongs somewhere
    return scaled
