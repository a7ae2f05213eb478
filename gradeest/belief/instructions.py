"""What every instruction of a program does to a few draws (lanes) at once: values forward, derivatives backward."""

from __future__ import annotations

from gradeest.belief.elementary import exp_row, log1mexp_row, log_ndtr_row, log_row, sigmoid_row, softplus_row
from gradeest.belief.holdup import NEWTON_STEPS
from gradeest.belief.listing import compiled, part_of_compiled
from gradeest.belief.recorder import (
    DIV,
    EXP,
    GT,
    HOLDUP,
    LINEAR,
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
    WHERE,
)  # fmt: skip

HALF_LN_2PI = 0.9189385332046727


@compiled
def forward(tape, begin, end, to, v, work, bits, lanes, ln_full, exponent):  # type: ignore[no-untyped-def]
    """The instructions begin : end in order; results into the rows of v from `to` on."""
    op, a, b, c, lists, factors, added = tape
    for n in range(begin, end):
        code, p, q = op[n], a[n], b[n]
        if code == LINEAR:
            _add_up(lists, factors, added[n], p, q, v, to, lanes)
        elif code < EXP or code == WHERE:
            if code == HOLDUP:
                _invert_holdup(v, p, q, to, work, bits, lanes, ln_full, exponent)
            else:
                _combine(code, p, q, c[n], v, to, lanes)
        elif code == LOGSUMEXP:
            _logsumexp(lists, p, q, v, to, work, bits, lanes)
        else:
            _bend(code, v, p, to, work, bits, lanes)
        to += 1


@part_of_compiled
def _add_up(lists, factors, added, start, end, v, to, lanes):  # type: ignore[no-untyped-def]
    """v[to] = added + factors x rows."""
    p, by = lists[start], factors[start]
    if end - start == 1:
        for i in range(lanes):
            v[to, i] = added + by * v[p, i]
        return
    q, times = lists[start + 1], factors[start + 1]
    for i in range(lanes):
        v[to, i] = added + by * v[p, i] + times * v[q, i]
    for k in range(start + 2, end):
        p, by = lists[k], factors[k]
        for i in range(lanes):
            v[to, i] += by * v[p, i]


@part_of_compiled
def _combine(code, p, q, r, v, to, lanes):  # type: ignore[no-untyped-def]
    """Of two rows or three."""
    if code == MUL:
        for i in range(lanes):
            v[to, i] = v[p, i] * v[q, i]
    elif code == DIV:
        for i in range(lanes):
            v[to, i] = v[p, i] / v[q, i]
    elif code == LT:
        for i in range(lanes):
            v[to, i] = 1.0 if v[p, i] < v[q, i] else 0.0
    elif code == GT:
        for i in range(lanes):
            v[to, i] = 1.0 if v[p, i] > v[q, i] else 0.0
    elif code == MIN:
        for i in range(lanes):
            v[to, i] = min(v[p, i], v[q, i])
    elif code == MAX:
        for i in range(lanes):
            v[to, i] = max(v[p, i], v[q, i])
    elif code == WHERE:
        for i in range(lanes):
            v[to, i] = v[p, i] if v[r, i] != 0.0 else v[q, i]


@part_of_compiled
def _bend(code, v, p, to, work, bits, lanes):  # type: ignore[no-untyped-def]
    """Of one row."""
    if code == EXP:
        for i in range(lanes):
            v[to, i] = v[p, i]
        exp_row(v, to, work, bits, lanes)
    elif code == LOG:
        log_row(v, p, v, to, work, bits, lanes)
    elif code == SOFTPLUS:
        softplus_row(v, p, v, to, work, bits, lanes)
    elif code == SIGMOID:
        sigmoid_row(v, p, v, to, work, bits, lanes)
    elif code == LOG1MEXP:
        log1mexp_row(v, p, v, to, work, bits, lanes)
    elif code == LOG_NDTR:
        log_ndtr_row(v, p, v, to, work, bits, lanes)


@part_of_compiled
def _logsumexp(lists, start, end, v, to, work, bits, lanes):  # type: ignore[no-untyped-def]
    p = lists[start]
    for i in range(lanes):
        work[1, i] = v[p, i]
        work[3, i] = 0.0
    for k in range(start + 1, end):
        p = lists[k]
        for i in range(lanes):
            work[1, i] = max(work[1, i], v[p, i])
    for k in range(start, end):
        p = lists[k]
        for i in range(lanes):
            work[2, i] = v[p, i] - work[1, i]
        exp_row(work, 2, work, bits, lanes)
        for i in range(lanes):
            work[3, i] += work[2, i]
    log_row(work, 3, v, to, work, bits, lanes)
    for i in range(lanes):
        v[to, i] += work[1, i]


@part_of_compiled
def _invert_holdup(v, p, q, to, work, bits, lanes, ln_full, exponent):  # type: ignore[no-untyped-def]
    """ln M from ln P and ln a (holdup.invert_holdup)."""
    for i in range(lanes):
        work[1, i] = v[q, i] - exponent * ln_full
        v[to, i] = v[p, i]
    softplus_row(work, 1, work, 3, work, bits, lanes)
    for _ in range(NEWTON_STEPS):
        for i in range(lanes):
            work[1, i] = v[q, i] - exponent * v[to, i]
        softplus_row(work, 1, work, 2, work, bits, lanes)
        sigmoid_row(work, 1, work, 4, work, bits, lanes)
        far = 0
        for i in range(lanes):
            change = (v[to, i] - work[2, i] + work[3, i] - v[p, i]) / (1.0 + exponent * work[4, i])
            v[to, i] -= change
            far += 1 if abs(change) > 1e-9 else 0
        if far == 0:  # the next change would be the square of it
            break
    for i in range(lanes):
        v[to, i] = v[to, i] if v[p, i] < ln_full else v[p, i]


@compiled
def backward(tape, begin, end, of, v, g, work, bits, lanes, ln_full, exponent):  # type: ignore[no-untyped-def]
    """The same from the last to the first: derivatives g of what they give, rows from `of` on, to what they work on."""
    op, a, b, c, lists, factors, _ = tape
    of += end - begin
    for n in range(end - 1, begin - 1, -1):
        code, p, q = op[n], a[n], b[n]
        of -= 1
        if code == LINEAR:
            for k in range(p, q):
                row, by = lists[k], factors[k]
                for i in range(lanes):
                    g[row, i] += by * g[of, i]
        elif code < EXP or code == WHERE:
            if code == HOLDUP:
                _pass_holdup(v, g, p, q, of, work, bits, lanes, ln_full, exponent)
            else:
                _pass_combined(code, p, q, c[n], v, g, of, lanes)
        elif code == LOGSUMEXP:
            for k in range(p, q):
                row = lists[k]
                for i in range(lanes):
                    work[1, i] = v[row, i] - v[of, i]
                exp_row(work, 1, work, bits, lanes)
                for i in range(lanes):
                    g[row, i] += g[of, i] * work[1, i]
        else:
            _pass_bent(code, v, g, p, of, work, bits, lanes)


@part_of_compiled
def _pass_combined(code, p, q, r, v, g, of, lanes):  # type: ignore[no-untyped-def]
    if code == MUL:
        for i in range(lanes):
            left = g[of, i] * v[q, i]
            g[q, i] += g[of, i] * v[p, i]
            g[p, i] += left
    elif code == DIV:
        for i in range(lanes):
            slope = g[of, i] / v[q, i]
            g[p, i] += slope
            g[q, i] -= slope * v[of, i]
    elif code == MIN:
        for i in range(lanes):
            slope = g[of, i] if v[p, i] < v[q, i] else 0.0
            g[p, i] += slope
            g[q, i] += g[of, i] - slope
    elif code == MAX:
        for i in range(lanes):
            slope = g[of, i] if v[p, i] >= v[q, i] else 0.0
            g[p, i] += slope
            g[q, i] += g[of, i] - slope
    elif code == WHERE:
        for i in range(lanes):
            slope = g[of, i] if v[r, i] != 0.0 else 0.0
            g[p, i] += slope
            g[q, i] += g[of, i] - slope


@part_of_compiled
def _pass_bent(code, v, g, p, of, work, bits, lanes):  # type: ignore[no-untyped-def]
    if code == EXP:
        for i in range(lanes):
            g[p, i] += g[of, i] * v[of, i]
    elif code == LOG:
        for i in range(lanes):
            g[p, i] += g[of, i] / v[p, i]
    elif code == SIGMOID:
        for i in range(lanes):
            g[p, i] += g[of, i] * v[of, i] * (1.0 - v[of, i])
    else:
        if code == LOG_NDTR:
            for i in range(lanes):
                work[1, i] = -0.5 * v[p, i] * v[p, i] - HALF_LN_2PI - v[of, i]
        else:
            for i in range(lanes):
                work[1, i] = v[p, i] - v[of, i]
        exp_row(work, 1, work, bits, lanes)
        sign = -1.0 if code == LOG1MEXP else 1.0
        for i in range(lanes):
            g[p, i] += sign * g[of, i] * work[1, i]


@part_of_compiled
def _pass_holdup(v, g, p, q, of, work, bits, lanes, ln_full, exponent):  # type: ignore[no-untyped-def]
    for i in range(lanes):
        work[1, i] = v[q, i] - exponent * v[of, i]
        work[2, i] = v[q, i] - exponent * ln_full
    sigmoid_row(work, 1, work, 3, work, bits, lanes)
    sigmoid_row(work, 2, work, 4, work, bits, lanes)
    for i in range(lanes):
        small = v[p, i] < ln_full
        slope = g[of, i] / (1.0 + exponent * work[3, i]) if small else g[of, i]
        g[p, i] += slope
        g[q, i] += slope * (work[3, i] - work[4, i] if small else 0.0)
