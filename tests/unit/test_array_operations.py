"""The operations the density is written in: numpy's, the tape's and PyMC's tensors give the same, far out as well."""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable
from decimal import Context, Decimal, localcontext
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from gradeest.belief.density import invert_holdup
from gradeest.belief.ops import NUMPY
from gradeest.belief.tape import Node, Scatter, TapeOps

Values = NDArray[np.float64]

POINTS_FAR_OUT = {
    "log_ndtr": (-18.0, -10.0, -1.0, 0.0, 1.0, 6.0),
    "log1mexp": (-700.0, -30.0, -0.7, -0.69, -0.1, -1e-9),
    "softplus": (-700.0, -20.0, 0.0, 0.5, 40.0),
}
DIGITS = 900


def exact(name: str, x: float) -> float:
    """ln Phi(x), ln(1 - e^x) or ln(1 + e^x) in decimal arithmetic of 900 digits; Phi by its power series."""
    with localcontext(Context(prec=DIGITS)):
        at = Decimal(x)
        if name == "softplus":
            return float((1 + at.exp()).ln())
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


CASES = [(name, x) for name, points in POINTS_FAR_OUT.items() for x in points]


@pytest.mark.parametrize(("name", "x"), CASES)
def test_operations_keep_their_digits(name: str, x: float) -> None:
    """The tape may lose what adds nothing to a log density: its last digits are those of one."""
    ops = TapeOps(1, Scatter())
    taped = getattr(ops, name)(ops.node(np.array([[x]]))).value[0, 0]
    assert float(getattr(NUMPY, name)(np.array([x]))[0]) == pytest.approx(exact(name, x), rel=1e-12, abs=0)
    assert taped == pytest.approx(exact(name, x), rel=1e-12, abs=2e-16)


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


@pytest.mark.parametrize("name", FUNCTIONS)
def test_the_tape_gives_numpys_value_and_its_slope(name: str) -> None:
    """Slope of a weighted sum of the results, against central differences of numpy's."""
    function = FUNCTIONS[name]
    ops = TapeOps(POINTS.shape[1], Scatter())
    leaf = ops.node(POINTS.copy())
    result = function(ops, leaf)
    value = np.asarray(function(NUMPY, POINTS.T))  # (draw, result)
    np.testing.assert_allclose(result.value.T, value, rtol=1e-9, atol=1e-12)
    weights = 1.0 + np.arange(value.shape[1])
    result.receive(np.broadcast_to(weights[:, None], result.value.shape).copy())
    for node in reversed(ops.tape):
        if node.grad is not None and node.back is not None:
            node.back(node.grad)
    step = 1e-6
    expected = np.empty_like(POINTS)
    for n in range(len(POINTS)):
        shift = np.zeros(len(POINTS))
        shift[n] = step
        sides = [np.asarray(function(NUMPY, POINTS.T + sign * shift)) @ weights for sign in (1, -1)]
        expected[n] = (sides[0] - sides[1]) / (2 * step)
    assert leaf.grad is not None
    np.testing.assert_allclose(leaf.grad, expected, rtol=1e-6, atol=1e-7)


def test_a_derivative_that_is_not_summed_back_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    """Twin: an entry gathered twice must get both derivatives."""

    def receive(self: Node, grad: Values) -> None:
        self.grad = grad

    monkeypatch.setattr(Node, "receive", receive)
    with pytest.raises(AssertionError):
        test_the_tape_gives_numpys_value_and_its_slope("take")


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
