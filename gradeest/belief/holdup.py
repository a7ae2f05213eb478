"""The hold-up of small products: what stays in the equipment of the metal that reached a product, and its inverse."""

from __future__ import annotations

import math

from gradeest.belief.ops import NUMPY, Array, Ops

NEWTON_STEPS = 5  # the inverse is exact to 1e-12 after five, from M = P (tested)


def invert_holdup(ln_p: Array, ln_a: Array, full_from_g: float, exponent: float, ops: Ops = NUMPY) -> Array:
    """ln M from ln P = ln M - softplus(ln a - k ln M) + softplus(ln a - k ln M0) for P < M0, else ln P.

    Newton's method on a concave increasing function, started at its left: it approaches the root from below.
    """
    at_full = ops.softplus(ln_a - exponent * math.log(full_from_g))
    ln_m = ln_p
    for _ in range(NEWTON_STEPS):
        hang = ln_a - exponent * ln_m
        gap = ln_m - ops.softplus(hang) + at_full - ln_p
        ln_m = ln_m - gap / (1 + exponent * ops.sigmoid(hang))
    return ops.where(ln_p < math.log(full_from_g), ln_m, ln_p)


def hold_up(ln_m: Array, ln_a: Array, full_from_g: float, exponent: float, ops: Ops = NUMPY) -> Array:
    """ln P of the product from ln M of the metal that reached it (both g)."""
    small = ln_m - ops.softplus(ln_a - exponent * ln_m) + ops.softplus(ln_a - exponent * math.log(full_from_g))
    return ops.where(ln_m < math.log(full_from_g), small, ln_m)


def solve_holdup(ln_p: Array, ln_a: Array, full_from_g: float, exponent: float, ops: Ops) -> Array:
    """The same; an engine may know the derivatives of the inverse."""
    solve = getattr(ops, "invert_holdup", None)
    if solve is None:
        return invert_holdup(ln_p, ln_a, full_from_g, exponent, ops)
    return solve(ln_p, ln_a, full_from_g, exponent)
