"""The operations the density is written in: numpy, the machine and PyMC's tensors give the same, far out as well."""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable
from dataclasses import replace
from decimal import Context, Decimal, localcontext
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import log_ndtr

from gradeest.belief.holdup import invert_holdup
from gradeest.belief.machine import Machine
from gradeest.belief.ops import NUMPY
from gradeest.belief.program import Program, program_of
from gradeest.belief.recorder import EXP, LINEAR, SIGMOID, Recorder, Rows

Values = NDArray[np.float64]

POINTS_FAR_OUT = {
    "log_ndtr": (-18.0, -10.0, -1.0, 0.0, 1.0, 6.0),
    "log1mexp": (-700.0, -30.0, -0.7, -0.69, -0.1, -1e-9),
    "softplus": (-700.0, -20.0, 0.0, 0.5, 40.0),
    "log": (1e-300, 0.3, 0.70711, 1 - 1e-9, 1.0, 1 + 1e-9, 1.41421, 7.0, 1e300),
}
DIGITS = 900


def exact(name: str, x: float) -> float:
    """ln Phi(x), ln(1 - e^x), ln(1 + e^x) or ln x in decimal arithmetic of 900 digits; Phi by its power series."""
    with localcontext(Context(prec=DIGITS)):
        at = Decimal(x)
        if name == "softplus":
            return float((1 + at.exp()).ln())
        if name == "log":
            return float(at.ln())
        if name == "log1mexp":
            return float((1 - at.exp()).ln())
        square, term, total, n = at * at, at, at, 1
        while abs(term) > Decimal(10) ** -DIGITS:  # Phi = 1/2 + phi(x) (x + x^3/3 + x^5/15 + ...)
            term *= square / (2 * n + 1)
            total += term
            n += 1
            if term == 0:
                break
        two_pi = Decimal(
            "6.283185307179586476925286766559005768394338798750211641949889184615632812572417997256069650684234136"
        )
        return float((Decimal("0.5") + total * (-square / 2).exp() / two_pi.sqrt()).ln())


def recorded(function: Callable[[Any, Any], Any], unknowns: int) -> Program:
    """The program of a function of as many unknowns; its results are the terms."""
    recorder = Recorder(unknowns, 10.0, 2 / 3)
    result = function(recorder, Rows(np.arange(unknowns), recorder))
    return program_of(recorder, recorder.index(result).ravel())


CASES = [(name, x) for name, points in POINTS_FAR_OUT.items() for x in points]


@pytest.mark.parametrize(("name", "x"), CASES)
def test_operations_keep_their_digits(name: str, x: float) -> None:
    """The machine may lose what adds nothing to a log density: its last digits are those of one."""
    machine = Machine(recorded(lambda ops, rows: getattr(ops, name)(rows), 1))
    run = machine.terms(np.array([[x]]))[0][0, 0]
    assert float(getattr(NUMPY, name)(np.array([x]))[0]) == pytest.approx(exact(name, x), rel=1e-12, abs=0)
    assert run == pytest.approx(exact(name, x), rel=1e-12, abs=2e-16)


def test_the_plain_formula_loses_them() -> None:
    """Twin: ln(1 - e^x) typed as it stands."""
    with np.errstate(divide="ignore"):
        assert math.isinf(float(np.log(1 - np.exp(np.array(-1e-17)))))
        assert float(np.log(1 - np.exp(np.array(-30.0)))) != pytest.approx(exact("log1mexp", -30.0), rel=1e-5, abs=0)


INDEX = np.array([[0, 2], [2, 2], [1, 3]])
FUNCTIONS: dict[str, Callable[[Any, Any], Any]] = {
    "exp": lambda ops, x: ops.exp(x),
    "log": lambda ops, x: ops.log(ops.exp(x) + 1.5),
    "softplus": lambda ops, x: ops.softplus(x),
    "sigmoid": lambda ops, x: ops.sigmoid(x),
    "log1mexp": lambda ops, x: ops.log1mexp(-ops.exp(x)),
    "log_ndtr": lambda ops, x: ops.log_ndtr(3 * x),
    "divide": lambda ops, x: x / (2.0 + x * x),
    "subtract": lambda ops, x: 1.0 - x - 2 * x,
    "part": lambda ops, x: ops.part(x, slice(1, 3)) * 2.0,
    "take": lambda ops, x: ops.take(x, INDEX[:, 0]) * ops.take(x, INDEX[:, 1]),
    "logsumexp": lambda ops, x: ops.logsumexp(ops.take(x, INDEX)),
    "sum": lambda ops, x: ops.sum(ops.take(x, INDEX) * ops.take(x, INDEX)),
    "column": lambda ops, x: ops.sum(ops.take(x, INDEX) * ops.column(ops.take(x, INDEX[:, 0]))),
    "concat": lambda ops, x: ops.concat([x, ops.full(x, 2, 0.7), x * x]),
    "minimum": lambda ops, x: ops.minimum(x, 0.2) * x,
    "maximum": lambda ops, x: ops.maximum(x, -x * 0.5),
    "where": lambda ops, x: ops.where(x > 0.1, x * x, 3.0 * x),
    "hold-up": lambda ops, x: (
        ops.invert_holdup(x, -2.0 + 0.3 * x, 10.0, 2 / 3)
        if hasattr(ops, "invert_holdup")
        else invert_holdup(x, -2.0 + 0.3 * x, 10.0, 2 / 3, ops)
    ),
}
POINTS = np.array([[-1.3, 0.4, 2.7], [0.21, -0.6, 1.1], [0.9, 0.05, -2.2], [-0.35, 1.7, 0.33]])  # (entry, draw)


def compare(function: Callable[[Any, Any], Any], change: Callable[[Program], Program] = lambda p: p) -> None:
    """Values against numpy's; slope of a weighted sum of the results against central differences of numpy's."""
    value = np.asarray(function(NUMPY, POINTS.T)).reshape(POINTS.shape[1], -1)  # (draw, result)
    weights = 1.0 + np.arange(value.shape[1])
    terms, slope = Machine(change(replace(recorded(function, len(POINTS)), weight=weights))).terms(POINTS)
    np.testing.assert_allclose(terms.T / weights, value, rtol=1e-9, atol=1e-12)
    step = 1e-6
    expected = np.empty_like(POINTS)
    for n in range(len(POINTS)):
        shift = np.zeros(len(POINTS))
        shift[n] = step
        sides = [np.asarray(function(NUMPY, POINTS.T + sign * shift)).reshape(value.shape) for sign in (1, -1)]
        expected[n] = (sides[0] - sides[1]) @ weights / (2 * step)
    np.testing.assert_allclose(slope, expected, rtol=1e-6, atol=1e-7)


@pytest.mark.parametrize("name", FUNCTIONS)
def test_the_machine_gives_numpys_value_and_its_slope(name: str) -> None:
    compare(FUNCTIONS[name])


def test_what_has_no_logarithm_has_none_in_the_machine() -> None:
    """A move to where a number is not finite must be refused, so it may not turn into one that is."""
    machine = Machine(recorded(lambda ops, rows: ops.log(rows), 1))
    found = machine.values(np.array([[0.0, -1.0, math.nan, math.inf, -math.inf, 1.0]]))[0]
    np.testing.assert_array_equal(found, [-math.inf, math.nan, math.nan, math.nan, math.nan, 0.0])


def test_ln_phi_is_that_of_a_reference_library_wherever_its_approximations_meet() -> None:
    """scipy.special.log_ndtr; the program's are Cody's, in three pieces."""
    x = np.concatenate([np.linspace(-40, 8, 4001), np.array([-4.0, -0.46875, 0.46875, 4.0])[:, None].ravel() * 2**0.5])
    found = Machine(recorded(lambda ops, rows: ops.log_ndtr(rows), 1)).values(x[None])[0]
    np.testing.assert_allclose(found, log_ndtr(x), rtol=2e-13, atol=3e-16)


def test_what_is_linear_is_one_instruction() -> None:
    def chain(ops: Any, x: Any) -> Any:
        a, b, c = (ops.part(x, slice(n, n + 1)) for n in range(3))
        once = 2.0 * (a - b) + 1.0
        return ops.concat([ops.exp(once - 3.0 * c + 0.5 * (once + b)), ops.log(ops.exp(once))])

    program = recorded(chain, 4)
    assert np.count_nonzero(program.op == LINEAR) == 2  # `once` is used twice, so it is kept
    compare(chain)
    with pytest.raises(AssertionError):  # twin: the factors forgotten
        compare(chain, lambda p: replace(p, factors=np.ones(len(p.factors))))


def test_equal_instructions_are_kept_once_and_unneeded_ones_not_at_all() -> None:
    program = recorded(lambda ops, x: [ops.log(ops.sigmoid(x)), ops.exp(ops.sigmoid(x))][1], 3)
    assert sorted(program.op) == 3 * [EXP] + 3 * [SIGMOID]


def test_a_wrong_operand_is_found() -> None:
    """Twin: every product is of its first operand twice."""
    with pytest.raises(AssertionError):
        compare(FUNCTIONS["take"], lambda program: replace(program, b=program.a))


@pytest.fixture(scope="module")
def tensors() -> dict[str, Values]:
    """Every function by PyMC's tensors, without compiled code."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of a missing linear algebra library, which nothing here needs
        import pytensor
        import pytensor.tensor as pt

        from gradeest.belief.nuts import TensorOps

        with pytensor.config.change_flags(cxx=""):
            x = pt.vector("x")
            function = pytensor.function(
                [x],
                [each(TensorOps(), x) for each in FUNCTIONS.values()],
                mode="FAST_COMPILE",
                on_unused_input="ignore",
            )
            found = [function(point) for point in POINTS.T]
    return {name: np.array([each[n] for each in found]) for n, name in enumerate(FUNCTIONS)}


@pytest.mark.parametrize("name", FUNCTIONS)
def test_tensors_give_numpys_value(name: str, tensors: dict[str, Values]) -> None:
    np.testing.assert_allclose(tensors[name], FUNCTIONS[name](NUMPY, POINTS.T), rtol=1e-10, atol=1e-13)
