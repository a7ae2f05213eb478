"""What every instruction of a program does to a few draws (lanes) at once: values forward, derivatives backward."""

from __future__ import annotations

import math

import numpy as np

from gradeest.belief.elementary import exp_row, log1p_row, sigmoid_row, softplus_row
from gradeest.belief.holdup import NEWTON_STEPS
from gradeest.belief.listing import compiled, part_of_compiled
from gradeest.belief.recorder import (
    ADD,
    AFFINE,
    DIV,
    EXP,
    GT,
    HOLDUP,
    LOG,
    LOG1MEXP,
    LOG_NDTR,
    LOGSUMEXP,
    LT,
    MAX,
    MIN,
    MUL,
    SIGMOID,
    SOFTPLUS,
    SUB,
    SUM,
    WHERE,
)  # fmt: skip

HALF_LN_2PI = 0.9189385332046727
LN_2 = 0.6931471805599453
ROOT_HALF = 0.7071067811865476


@compiled
def _log_ndtr(x):  # type: ignore[no-untyped-def]
    if x > -1.0:
        return math.log1p(-0.5 * math.erfc(x * ROOT_HALF))
    if x > -36.0:
        return math.log(0.5 * math.erfc(-x * ROOT_HALF))
    q = 1.0 / (x * x)  # asymptotic series of Mills' ratio
    series = 1.0 - q * (1.0 - 3.0 * q * (1.0 - 5.0 * q * (1.0 - 7.0 * q)))
    return -0.5 * x * x - HALF_LN_2PI - math.log(-x) + math.log(series)


@part_of_compiled
def _log1mexp(x, out, power, bits, lanes):  # type: ignore[no-untyped-def]
    """out = ln(1 - e^x), x < 0."""
    for i in range(lanes):
        out[i] = min(x[i], -LN_2)
    exp_row(out, power, bits, lanes)
    for i in range(lanes):
        out[i] = -out[i]
    log1p_row(out, lanes)
    for i in range(lanes):
        if x[i] > -LN_2:
            out[i] = math.log(-math.expm1(x[i]))


@part_of_compiled
def _invert_holdup(ln_p, ln_a, out, work, bits, lanes, ln_full, exponent):  # type: ignore[no-untyped-def]
    """out = ln M from ln P and ln a (holdup.invert_holdup)."""
    power, hang, soft, at_full, rise = work[0], work[1], work[2], work[3], work[4]
    for i in range(lanes):
        hang[i] = ln_a[i] - exponent * ln_full
        out[i] = ln_p[i]
    softplus_row(hang, at_full, power, bits, lanes)
    for _ in range(NEWTON_STEPS):
        for i in range(lanes):
            hang[i] = ln_a[i] - exponent * out[i]
        softplus_row(hang, soft, power, bits, lanes)
        sigmoid_row(hang, rise, power, bits, lanes)
        largest = 0.0
        for i in range(lanes):
            change = (out[i] - soft[i] + at_full[i] - ln_p[i]) / (1.0 + exponent * rise[i])
            out[i] -= change
            largest = max(largest, abs(change))
        if largest < 1e-9:  # the next would be the square of it
            break
    for i in range(lanes):
        out[i] = out[i] if ln_p[i] < ln_full else ln_p[i]


@part_of_compiled
def forward(op, a, b, c, lists, constants, first, v, work, lanes, ln_full, exponent):  # type: ignore[no-untyped-def]
    """All instructions in order; results into the rows of v from `first` on."""
    bits = work[0].view(np.int64)
    for n in range(len(op)):
        code, p, q, out = op[n], a[n], b[n], v[first + n]
        if code < EXP or code in (AFFINE, WHERE):
            if code == HOLDUP:
                _invert_holdup(v[p], v[q], out, work, bits, lanes, ln_full, exponent)
            else:
                _combine(code, p, q, c[n], constants, v, out, lanes)
        elif code == SUM:
            for i in range(lanes):
                out[i] = 0.0
            for k in range(p, q):
                for i in range(lanes):
                    out[i] += v[lists[k], i]
        elif code == LOGSUMEXP:
            _logsumexp(lists, p, q, v, out, work, bits, lanes)
        else:
            _bend(code, v[p], out, work[0], bits, lanes)


@part_of_compiled
def _combine(code, p, q, r, constants, v, out, lanes):  # type: ignore[no-untyped-def]
    """Of two rows or three."""
    if code == AFFINE:
        scale, offset = constants[q], constants[r]
        for i in range(lanes):
            out[i] = scale * v[p, i] + offset
    elif code == ADD:
        for i in range(lanes):
            out[i] = v[p, i] + v[q, i]
    elif code == SUB:
        for i in range(lanes):
            out[i] = v[p, i] - v[q, i]
    elif code == MUL:
        for i in range(lanes):
            out[i] = v[p, i] * v[q, i]
    elif code == DIV:
        for i in range(lanes):
            out[i] = v[p, i] / v[q, i]
    elif code == LT:
        for i in range(lanes):
            out[i] = 1.0 if v[p, i] < v[q, i] else 0.0
    elif code == GT:
        for i in range(lanes):
            out[i] = 1.0 if v[p, i] > v[q, i] else 0.0
    elif code == MIN:
        for i in range(lanes):
            out[i] = min(v[p, i], v[q, i])
    elif code == MAX:
        for i in range(lanes):
            out[i] = max(v[p, i], v[q, i])
    elif code == WHERE:
        for i in range(lanes):
            out[i] = v[p, i] if v[r, i] != 0.0 else v[q, i]


@part_of_compiled
def _bend(code, x, out, power, bits, lanes):  # type: ignore[no-untyped-def]
    """Of one row."""
    if code == EXP:
        for i in range(lanes):
            out[i] = x[i]
        exp_row(out, power, bits, lanes)
    elif code == LOG:
        for i in range(lanes):
            out[i] = math.log(x[i])
    elif code == SOFTPLUS:
        softplus_row(x, out, power, bits, lanes)
    elif code == SIGMOID:
        sigmoid_row(x, out, power, bits, lanes)
    elif code == LOG1MEXP:
        _log1mexp(x, out, power, bits, lanes)
    elif code == LOG_NDTR:
        for i in range(lanes):
            out[i] = _log_ndtr(x[i])


@part_of_compiled
def _logsumexp(lists, start, end, v, out, work, bits, lanes):  # type: ignore[no-untyped-def]
    power, top, part = work[0], work[1], work[2]
    for i in range(lanes):
        top[i] = v[lists[start], i]
    for k in range(start + 1, end):
        row = v[lists[k]]
        for i in range(lanes):
            top[i] = max(top[i], row[i])
    for i in range(lanes):
        out[i] = 0.0
    for k in range(start, end):
        row = v[lists[k]]
        for i in range(lanes):
            part[i] = row[i] - top[i]
        exp_row(part, power, bits, lanes)
        for i in range(lanes):
            out[i] += part[i]
    for i in range(lanes):
        out[i] = top[i] + math.log(out[i])


@part_of_compiled
def backward(op, a, b, c, lists, constants, first, v, g, work, lanes, ln_full, exponent):  # type: ignore[no-untyped-def]
    """All instructions from the last to the first: derivatives g of what they give to what they work on."""
    bits, part = work[0].view(np.int64), work[1]
    for n in range(len(op) - 1, -1, -1):
        code, p, q, mine, value = op[n], a[n], b[n], g[first + n], v[first + n]
        if code < EXP or code in (AFFINE, WHERE):
            if code == HOLDUP:
                _pass_holdup(v[p], v[q], g[p], g[q], mine, value, work, bits, lanes, ln_full, exponent)
            else:
                _pass_combined(code, p, q, c[n], constants, v, g, mine, value, lanes)
        elif code == SUM:
            for k in range(p, q):
                for i in range(lanes):
                    g[lists[k], i] += mine[i]
        elif code == LOGSUMEXP:
            for k in range(p, q):
                for i in range(lanes):
                    part[i] = v[lists[k], i] - value[i]
                exp_row(part, work[0], bits, lanes)
                for i in range(lanes):
                    g[lists[k], i] += mine[i] * part[i]
        else:
            _pass_bent(code, v[p], g[p], mine, value, part, work[0], bits, lanes)


@part_of_compiled
def _pass_combined(code, p, q, r, constants, v, g, mine, value, lanes):  # type: ignore[no-untyped-def]
    if code == AFFINE:
        scale = constants[q]
        for i in range(lanes):
            g[p, i] += scale * mine[i]
    elif code == ADD:
        for i in range(lanes):
            g[p, i] += mine[i]
        for i in range(lanes):
            g[q, i] += mine[i]
    elif code == SUB:
        for i in range(lanes):
            g[p, i] += mine[i]
        for i in range(lanes):
            g[q, i] -= mine[i]
    elif code == MUL:
        for i in range(lanes):
            left = mine[i] * v[q, i]
            g[q, i] += mine[i] * v[p, i]
            g[p, i] += left
    elif code == DIV:
        for i in range(lanes):
            slope = mine[i] / v[q, i]
            g[p, i] += slope
            g[q, i] -= slope * value[i]
    elif code == MIN:
        for i in range(lanes):
            if v[p, i] < v[q, i]:
                g[p, i] += mine[i]
            else:
                g[q, i] += mine[i]
    elif code == MAX:
        for i in range(lanes):
            if v[p, i] >= v[q, i]:
                g[p, i] += mine[i]
            else:
                g[q, i] += mine[i]
    elif code == WHERE:
        for i in range(lanes):
            if v[r, i] != 0.0:
                g[p, i] += mine[i]
            else:
                g[q, i] += mine[i]


@part_of_compiled
def _pass_bent(code, x, gx, mine, value, part, power, bits, lanes):  # type: ignore[no-untyped-def]
    if code == EXP:
        for i in range(lanes):
            gx[i] += mine[i] * value[i]
    elif code == LOG:
        for i in range(lanes):
            gx[i] += mine[i] / x[i]
    elif code == SOFTPLUS:
        for i in range(lanes):
            part[i] = x[i] - value[i]
        exp_row(part, power, bits, lanes)
        for i in range(lanes):
            gx[i] += mine[i] * part[i]
    elif code == SIGMOID:
        for i in range(lanes):
            gx[i] += mine[i] * value[i] * (1.0 - value[i])
    elif code == LOG1MEXP:
        for i in range(lanes):
            part[i] = x[i] - value[i]
        exp_row(part, power, bits, lanes)
        for i in range(lanes):
            gx[i] -= mine[i] * part[i]
    elif code == LOG_NDTR:
        for i in range(lanes):
            part[i] = -0.5 * x[i] * x[i] - HALF_LN_2PI - value[i]
        exp_row(part, power, bits, lanes)
        for i in range(lanes):
            gx[i] += mine[i] * part[i]


@part_of_compiled
def _pass_holdup(ln_p, ln_a, g_p, g_a, mine, value, work, bits, lanes, ln_full, exponent):  # type: ignore[no-untyped-def]
    power, part = work[0], work[1]
    hang, at_full = work[2], work[3]
    for i in range(lanes):
        part[i] = ln_a[i] - exponent * value[i]
    sigmoid_row(part, hang, power, bits, lanes)
    for i in range(lanes):
        part[i] = ln_a[i] - exponent * ln_full
    sigmoid_row(part, at_full, power, bits, lanes)
    for i in range(lanes):
        small = ln_p[i] < ln_full
        slope = mine[i] / (1.0 + exponent * hang[i]) if small else mine[i]
        g_p[i] += slope
        g_a[i] += slope * (hang[i] - at_full[i]) if small else 0.0
