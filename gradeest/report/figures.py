"""Numbers as people read them, on a screen and on paper: to two or three digits, each with its interval and unit."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence


def number(value: float, digits: int = 2) -> str:
    """A number to so many significant digits, never in exponent form, without thousands separators.

    Below 0.001 it says `<0.001`: at a bench that is none.
    """
    if math.isnan(value):
        return "-"
    size = abs(value)
    if size == 0:
        return "0"
    if size < 0.001:
        return "<0.001" if value > 0 else "-0.000"
    rounded = float(f"{value:.{digits}g}")  # first, or 0.996 would keep a digit too many
    places = max(digits - 1 - math.floor(math.log10(abs(rounded))), 0)
    return f"{rounded:.{places}f}"


def interval(points: Iterable[float], digits: int = 2) -> str:
    """Median with its 5 and 95 % points: `9.9 (4.5-22)`."""
    q5, q50, q95 = points
    return f"{number(q50, digits)} ({number(q5, digits)}-{number(q95, digits)})"


def grade(points: Iterable[float], beside: Sequence[float] = ()) -> str:
    """A grade with its 5 and 95 % points in g/t; from 10000 g/t on in kg/t, and it says so.

    Parameters: beside, another grade that it is compared with: both are then in the unit of the larger.
    """
    q5, q50, q95 = points
    if max([q50, *beside[1:2]]) < 10_000:
        return interval((q5, q50, q95))
    return interval((q5 / 1000, q50 / 1000, q95 / 1000)) + " kg/t"


def grade_pair(before: Sequence[float], after: Sequence[float]) -> tuple[str, str]:
    """A grade before and after, in one unit."""
    return grade(before, after), grade(after, before)


def with_unit(points: Iterable[float]) -> str:
    """A grade with its unit written behind it in either case."""
    text = grade(points)
    return text if text.endswith("kg/t") else f"{text} g/t"


def money(value: float) -> str:
    """Money to three digits: without cents from 10 on, and never finer than a cent."""
    if math.isnan(value):
        return "-"
    if value == 0:
        return "0"
    return f"{round(value, 2) + 0.0:.2f}" if abs(value) < 10 else f"{float(f'{value:.3g}'):.0f}"


def percent(share: float) -> str:
    """A share as per cent; never a plain 0 or 100."""
    if math.isnan(share):
        return "-"
    if 0 <= share < 0.01:
        return "<1 %"
    if 0.99 < share <= 1:
        return ">99 %"
    return f"{100 * share:.0f} %"


def mass(kg: float) -> str:
    """A feed mass: kg, or g below 100 g."""
    return f"{number(kg, 3)} kg" if abs(kg) >= 0.1 or kg == 0 else f"{number(1000 * kg, 3)} g"
