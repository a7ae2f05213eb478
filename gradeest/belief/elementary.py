"""Elementary functions of a row of numbers, written so that the compiler works on several of them at once.

exp by argument reduction and its power series (Cody & Waite); logarithms by the series of 2 artanh; ln Phi by Cody's
rational approximations of erfc (Cody 1969, Math. Comp. 23:631). Errors stay within 1e-15 of the value (tested). What is
not finite comes out as not a number, so a move there is refused. Rows are named by their array and number: a view of a
row would cost as much as an addition. `bits` is `work` seen as whole numbers; the first rows of `work` are used.
"""

from __future__ import annotations

import math

from gradeest.belief.listing import compiled

LOG2_E = 1.4426950408889634
LN2_HIGH, LN2_LOW = 6.93147180369123816490e-01, 1.90821492927058770002e-10  # ln 2 in two parts, the first short
SHIFT = 6755399441055744.0  # 1.5 x 2^52: adding it leaves the nearest whole number in the last bits
SMALLEST, LARGEST = -708.0, 709.0  # exponents that stay normal numbers
LEAST, MOST = 2.2250738585072014e-308, 1.7976931348623157e308  # normal numbers
BITS_OF_ROOT_HALF, BITS_OF_SHIFT = 0x3FE6A09E667F3BCD, 0x4338000000000000
LN_2 = 0.6931471805599453
ROOT_HALF = 0.7071067811865476
E2, E3, E4, E5, E6, E7, E8, E9, E10, E11, E12, E13, E14, E15, E16 = (1 / math.factorial(n) for n in range(2, 17))
A0, A1, A2, A3, A4, A5, A6, A7, A8, A9, A10, A11, A12, A13, A14, A15, A16 = (2 / (2 * n + 1) for n in range(17))

MIDDLE, FAR = 0.46875, 4.0  # of |x| / sqrt 2: where one approximation of erfc ends and the next begins
NEAR_ABOVE = (3.16112374387056560e00, 1.13864154151050156e02, 3.77485237685302021e02, 3.20937758913846947e03)
NEAR_BELOW = (2.36012909523441209e01, 2.44024637934444173e02, 1.28261652607737228e03, 2.84423683343917062e03)
NEAR_FIRST = 1.85777706184603153e-01
MIDDLE_ABOVE = (
    5.64188496988670089e-01, 8.88314979438837594e00, 6.61191906371416295e01, 2.98635138197400131e02,
    8.81952221241769090e02, 1.71204761263407058e03, 2.05107837782607147e03, 1.23033935479799725e03,
)  # fmt: skip
MIDDLE_BELOW = (
    1.57449261107098347e01, 1.17693950891312499e02, 5.37181101862009858e02, 1.62138957456669019e03,
    3.29079923573345963e03, 4.36261909014324716e03, 3.43936767414372164e03, 1.23033935480374942e03,
)  # fmt: skip
MIDDLE_FIRST = 2.15311535474403846e-08
FAR_ABOVE = (
    3.05326634961232344e-01, 3.60344899949804439e-01, 1.25781726111229246e-01, 1.60837851487422766e-02,
    6.58749161529837803e-04,
)  # fmt: skip
FAR_BELOW = (
    2.56852019228982242e00, 1.87295284992346725e00, 5.27905102951428412e-01, 6.05183413124413191e-02,
    2.33520497626869185e-03,
)  # fmt: skip
FAR_FIRST = 1.63153871373020978e-02
ONE_BY_ROOT_PI = 0.5641895835477563


@compiled
def exp_row(x, r, work, bits, lanes):  # type: ignore[no-untyped-def]
    """x[r] = e^x[r]."""
    for i in range(lanes):
        whole = x[r, i]
        y = whole if whole < LARGEST else LARGEST
        y = y if y > SMALLEST else SMALLEST
        shifted = y * LOG2_E + SHIFT
        work[0, i] = shifted
        n = shifted - SHIFT
        rest = (y - n * LN2_HIGH) - n * LN2_LOW
        p = E13
        p = p * rest + E12
        p = p * rest + E11
        p = p * rest + E10
        p = p * rest + E9
        p = p * rest + E8
        p = p * rest + E7
        p = p * rest + E6
        p = p * rest + E5
        p = p * rest + E4
        p = p * rest + E3
        p = p * rest + E2
        x[r, i] = (p * rest + 1.0) * rest + 1.0 + (whole - whole)
    for i in range(lanes):
        bits[0, i] = (bits[0, i] + 1023) << 52
    for i in range(lanes):
        x[r, i] *= work[0, i]


@compiled
def log1p_row(u, r, lanes):  # type: ignore[no-untyped-def]
    """u[r] = ln(1 + u[r]) for -1/2 <= u[r] <= 1."""
    for i in range(lanes):
        s = u[r, i] / (2.0 + u[r, i])
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
        u[r, i] = s * (p * z + A0)


@compiled
def log_row(x, r, out, to, work, bits, lanes):  # type: ignore[no-untyped-def]
    """out[to] = ln x[r]."""
    for i in range(lanes):
        work[0, i] = x[r, i]
    for i in range(lanes):
        bits[0, i] -= ((bits[0, i] - BITS_OF_ROOT_HALF) >> 52) << 52
    for i in range(lanes):
        out[to, i] = work[0, i]  # between the roots of 1/2 and 2
        work[0, i] = x[r, i]
    for i in range(lanes):
        bits[0, i] = ((bits[0, i] - BITS_OF_ROOT_HALF) >> 52) + BITS_OF_SHIFT
    for i in range(lanes):
        n = work[0, i] - SHIFT
        s = (out[to, i] - 1.0) / (out[to, i] + 1.0)
        z = s * s
        p = A10
        p = p * z + A9
        p = p * z + A8
        p = p * z + A7
        p = p * z + A6
        p = p * z + A5
        p = p * z + A4
        p = p * z + A3
        p = p * z + A2
        p = p * z + A1
        value = n * LN2_HIGH + (n * LN2_LOW + s * (p * z + A0))
        value = value if x[r, i] >= LEAST and x[r, i] <= MOST else math.nan
        out[to, i] = -math.inf if x[r, i] >= 0.0 and x[r, i] < LEAST else value


@compiled
def log1mexp_row(x, r, out, to, work, bits, lanes):  # type: ignore[no-untyped-def]
    """out[to] = ln(1 - e^x[r]), x[r] < 0."""
    for i in range(lanes):
        y = max(x[r, i], -LN_2)
        p = E16
        p = p * y + E15
        p = p * y + E14
        p = p * y + E13
        p = p * y + E12
        p = p * y + E11
        p = p * y + E10
        p = p * y + E9
        p = p * y + E8
        p = p * y + E7
        p = p * y + E6
        p = p * y + E5
        p = p * y + E4
        p = p * y + E3
        p = p * y + E2
        work[1, i] = -y * (p * y + 1.0)
    log_row(work, 1, work, 2, work, bits, lanes)
    for i in range(lanes):
        out[to, i] = min(x[r, i], -LN_2)
    exp_row(out, to, work, bits, lanes)
    for i in range(lanes):
        out[to, i] = -out[to, i]
    log1p_row(out, to, lanes)
    for i in range(lanes):
        out[to, i] = work[2, i] if x[r, i] > -LN_2 else out[to, i]


@compiled
def log_ndtr_row(x, r, out, to, work, bits, lanes):  # type: ignore[no-untyped-def]
    """out[to] = ln Phi(x[r])."""
    for i in range(lanes):
        work[1, i] = -0.5 * x[r, i] * x[r, i]
    exp_row(work, 1, work, bits, lanes)
    for i in range(lanes):
        signed = x[r, i] * ROOT_HALF
        y = abs(signed)
        z = y * y
        p = ((NEAR_FIRST * z + NEAR_ABOVE[0]) * z + NEAR_ABOVE[1]) * z + NEAR_ABOVE[2]
        q = ((z + NEAR_BELOW[0]) * z + NEAR_BELOW[1]) * z + NEAR_BELOW[2]
        centre = 0.5 + 0.5 * signed * (p * z + NEAR_ABOVE[3]) / (q * z + NEAR_BELOW[3])
        u = min(y, FAR)
        p = ((MIDDLE_FIRST * u + MIDDLE_ABOVE[0]) * u + MIDDLE_ABOVE[1]) * u + MIDDLE_ABOVE[2]
        p = (((p * u + MIDDLE_ABOVE[3]) * u + MIDDLE_ABOVE[4]) * u + MIDDLE_ABOVE[5]) * u + MIDDLE_ABOVE[6]
        q = ((u + MIDDLE_BELOW[0]) * u + MIDDLE_BELOW[1]) * u + MIDDLE_BELOW[2]
        q = (((q * u + MIDDLE_BELOW[3]) * u + MIDDLE_BELOW[4]) * u + MIDDLE_BELOW[5]) * u + MIDDLE_BELOW[6]
        tail = (p * u + MIDDLE_ABOVE[7]) / (q * u + MIDDLE_BELOW[7])
        u = max(y, FAR)
        z = 1.0 / (u * u)
        p = (((FAR_FIRST * z + FAR_ABOVE[0]) * z + FAR_ABOVE[1]) * z + FAR_ABOVE[2]) * z + FAR_ABOVE[3]
        q = (((z + FAR_BELOW[0]) * z + FAR_BELOW[1]) * z + FAR_BELOW[2]) * z + FAR_BELOW[3]
        far = (ONE_BY_ROOT_PI - z * (p * z + FAR_ABOVE[4]) / (q * z + FAR_BELOW[4])) / u
        tail = 0.5 * (tail if y <= FAR else far)
        work[2, i] = centre if y <= MIDDLE else tail
        work[1, i] *= -tail if signed > MIDDLE else 0.0
    log_row(work, 2, out, to, work, bits, lanes)
    log1p_row(work, 1, lanes)
    for i in range(lanes):
        lower = out[to, i] - 0.5 * x[r, i] * x[r, i] if x[r, i] * ROOT_HALF < -MIDDLE else out[to, i]
        out[to, i] = work[1, i] if x[r, i] * ROOT_HALF > MIDDLE else lower


@compiled
def softplus_row(x, r, out, to, work, bits, lanes):  # type: ignore[no-untyped-def]
    """out[to] = ln(1 + e^x[r])."""
    for i in range(lanes):
        out[to, i] = -abs(x[r, i])
    exp_row(out, to, work, bits, lanes)
    log1p_row(out, to, lanes)
    for i in range(lanes):
        out[to, i] += max(x[r, i], 0.0)


@compiled
def sigmoid_row(x, r, out, to, work, bits, lanes):  # type: ignore[no-untyped-def]
    """out[to] = 1 / (1 + e^-x[r])."""
    for i in range(lanes):
        out[to, i] = -x[r, i]
    exp_row(out, to, work, bits, lanes)
    for i in range(lanes):
        out[to, i] = 1.0 / (1.0 + out[to, i])
