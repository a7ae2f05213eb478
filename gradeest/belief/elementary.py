"""Elementary functions of a row of numbers, written so that the compiler works on several of them at once.

exp by argument reduction and its power series (Cody & Waite); ln(1 + u) by the series of 2 artanh(u / (2 + u)). Errors
stay within 1e-15 of the value (tested). Rows are changed in place: with two rows the compiler would have to expect that
they overlap. What is not finite comes out as not a number, so a move there is refused.
"""

from __future__ import annotations

import math

from gradeest.belief.listing import compiled

LOG2_E = 1.4426950408889634
LN2_HIGH, LN2_LOW = 6.93147180369123816490e-01, 1.90821492927058770002e-10  # ln 2 in two parts, the first short
SHIFT = 6755399441055744.0  # 1.5 x 2^52: adding it leaves the nearest whole number in the last bits
SMALLEST, LARGEST = -708.0, 709.0  # exponents that stay normal numbers
E2, E3, E4, E5, E6, E7, E8, E9, E10, E11, E12, E13 = (1 / math.factorial(n) for n in range(2, 14))
A0, A1, A2, A3, A4, A5, A6, A7, A8, A9, A10, A11, A12, A13, A14, A15, A16 = (2 / (2 * n + 1) for n in range(17))


@compiled
def exp_row(x, power, bits, lanes):  # type: ignore[no-untyped-def]
    """x = e^x; `bits` is `power` seen as whole numbers."""
    for i in range(lanes):
        whole = x[i]
        y = whole if whole < LARGEST else LARGEST
        y = y if y > SMALLEST else SMALLEST
        shifted = y * LOG2_E + SHIFT
        power[i] = shifted
        n = shifted - SHIFT
        r = (y - n * LN2_HIGH) - n * LN2_LOW
        p = E13
        p = p * r + E12
        p = p * r + E11
        p = p * r + E10
        p = p * r + E9
        p = p * r + E8
        p = p * r + E7
        p = p * r + E6
        p = p * r + E5
        p = p * r + E4
        p = p * r + E3
        p = p * r + E2
        x[i] = (p * r + 1.0) * r + 1.0 + (whole - whole)
    for i in range(lanes):
        bits[i] = (bits[i] + 1023) << 52
    for i in range(lanes):
        x[i] *= power[i]


@compiled
def log1p_row(u, lanes):  # type: ignore[no-untyped-def]
    """u = ln(1 + u) for -1/2 <= u <= 1."""
    for i in range(lanes):
        s = u[i] / (2.0 + u[i])
        z = s * s
        p = A16
        p = p * z + A15
        p = p * z + A14
        p = p * z + A13
        p = p * z + A12
        p = p * z + A11
        p = p * z + A10
        p = p * z + A9
        p = p * z + A8
        p = p * z + A7
        p = p * z + A6
        p = p * z + A5
        p = p * z + A4
        p = p * z + A3
        p = p * z + A2
        p = p * z + A1
        u[i] = s * (p * z + A0)


@compiled
def softplus_row(x, out, power, bits, lanes):  # type: ignore[no-untyped-def]
    """out = ln(1 + e^x)."""
    for i in range(lanes):
        out[i] = -abs(x[i])
    exp_row(out, power, bits, lanes)
    log1p_row(out, lanes)
    for i in range(lanes):
        out[i] += max(x[i], 0.0)


@compiled
def sigmoid_row(x, out, power, bits, lanes):  # type: ignore[no-untyped-def]
    """out = 1 / (1 + e^-x)."""
    for i in range(lanes):
        out[i] = -x[i]
    exp_row(out, power, bits, lanes)
    for i in range(lanes):
        out[i] = 1.0 / (1.0 + out[i])
