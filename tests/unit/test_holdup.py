"""Hold-up of small batches and its inverse."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import brentq

from gradeest.belief.holdup import hold_up, invert_holdup

FULL, EXPONENT = 10.0, 2 / 3
LN_P = np.log(np.geomspace(1e-4, 100, 481))
CONSTANTS = [0.01, 0.0535, 0.107, 0.107 * 1.8**3, 2.0]  # g^(2/3): the usual one, half of it, and far out


def plain(m: float, a: float) -> float:
    """P of M as the text has it: M (1 + a M0^(-2/3)) / (1 + a M^(-2/3)) below M0 = 10 g, else M."""
    return m * (1 + a * FULL**-EXPONENT) / (1 + a * m**-EXPONENT) if m < FULL else m


@pytest.mark.parametrize("a", CONSTANTS)
def test_the_inverse_gives_the_metal_back(a: float) -> None:
    """To 1e-10 for products of 0.1 mg to 100 g."""
    ln_a = np.full_like(LN_P, math.log(a))
    ln_m = invert_holdup(LN_P, ln_a, FULL, EXPONENT)
    assert np.abs(hold_up(ln_m, ln_a, FULL, EXPONENT) - LN_P).max() < 1e-10
    assert (np.diff(ln_m) > 0).all()
    assert (ln_m >= LN_P - 1e-12).all()  # never less than what came out


@pytest.mark.parametrize("a", CONSTANTS)
def test_hold_up_is_the_formula(a: float) -> None:
    masses = np.geomspace(1e-5, 100, 60)
    found = np.exp(hold_up(np.log(masses), np.full(60, math.log(a)), FULL, EXPONENT))
    np.testing.assert_allclose(found, [plain(m, a) for m in masses], rtol=1e-12)


@pytest.mark.parametrize("a", CONSTANTS)
@pytest.mark.parametrize("p", [1e-4, 0.02, 0.7, 9.99, 10.0, 31.0])
def test_the_inverse_is_the_root_a_bracketing_solver_finds(a: float, p: float) -> None:
    root = brentq(lambda m: plain(m, a) - p, p * (1 - 1e-12) if p >= FULL else p * 0.999, 1e4 * p + 1, xtol=1e-15)
    found = float(np.exp(invert_holdup(np.array(math.log(p)), np.array(math.log(a)), FULL, EXPONENT)))
    assert found == pytest.approx(root, rel=1e-9)


def test_nothing_is_held_up_from_ten_grams() -> None:
    large = np.log([10.0, 10.5, 80.0])
    assert (hold_up(large, np.zeros(3), FULL, EXPONENT) == large).all()
    just_below = np.array([math.log(10.0) - 1e-9])
    assert hold_up(just_below, np.zeros(1), FULL, EXPONENT) == pytest.approx(just_below, abs=1e-8)  # no step there


def test_two_published_points_on_hold_up() -> None:
    """A hobby page: a third of a gram stays of one troy ounce, 1-2 g of a hundred (a = 0.107, exponent 2/3)."""
    for grams, stays in ((31.1, (0.32, 0.35)), (3110.0, (1.0, 2.0))):
        assert stays[0] < 0.107 * grams ** (1 - EXPONENT) < stays[1]


def test_two_newton_steps_are_too_few(monkeypatch: pytest.MonkeyPatch) -> None:
    """Twin: an inverse that stops early misses 1e-10."""
    monkeypatch.setattr("gradeest.belief.holdup.NEWTON_STEPS", 2)
    ln_a = np.full_like(LN_P, math.log(0.107))
    ln_m = invert_holdup(LN_P, ln_a, FULL, EXPONENT)
    assert np.abs(hold_up(ln_m, ln_a, FULL, EXPONENT) - LN_P).max() > 1e-10
