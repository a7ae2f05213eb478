"""The likelihood of a weight as a function of ln A against brute force: 2 million forward draws, a display that counts.

The forward draws share no code with the density: recovery, hold-up, purity and balance are typed in from the model's
statement. Readings from 2 to 200 digits: the lowest two run forward, the others are read backwards.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.statistical.likelihood import (
    Curve,
    Forward,
    by_counting,
    count_modes,
    disagreement,
    draw_forward,
    flat_catalogue,
    one_weight,
    through_density,
)

STEP_G = 0.01
DIGITS = (2, 5, 21, 50, 200)
COUNTED = 2_000_000
DRAWS = 20_000
MOST_SD = 4.0  # of about 150 points one is beyond it in a hundred runs


def grid(digits: int) -> np.ndarray:
    """ln A from where the weight is hardly possible to where only a failed run explains it."""
    near = np.log(digits * STEP_G)
    low, high = -max(0.06, min(4.5 / digits, 1.2)), 0.5 + 2 / digits
    return near + np.concatenate([np.linspace(low, high, 24), np.linspace(high + 0.2, 4.0, 7)])


@pytest.fixture(scope="module")
def forward() -> Forward:
    return draw_forward(np.random.default_rng(11), COUNTED)


@pytest.fixture(scope="module")
def curves() -> dict[int, Curve]:
    rng = np.random.default_rng(12)
    return {
        digits: through_density(one_weight(digits * STEP_G, STEP_G, flat_catalogue()), grid(digits), rng, DRAWS)
        for digits in DIGITS
    }


@pytest.mark.parametrize("digits", DIGITS)
def test_the_density_agrees_with_counting(forward: Forward, curves: dict[int, Curve], digits: int) -> None:
    counted = by_counting(forward, digits, STEP_G, grid(digits))
    best = np.argmax(counted.value)
    assert counted.error[best] < 0.02 * counted.value[best]
    assert curves[digits].error[best] < 0.05 * curves[digits].value[best]
    assert np.sum(counted.value > 0.02 * counted.value[best]) >= 8  # the grid sees the shape
    gap = disagreement(curves[digits], counted)
    assert len(gap) >= 15
    assert np.abs(gap).max() < MOST_SD


@pytest.mark.parametrize("digits", DIGITS)
def test_the_likelihood_has_one_mode(curves: dict[int, Curve], digits: int) -> None:
    assert count_modes(curves[digits]) == 1


def test_without_failed_runs_the_density_disagrees(curves: dict[int, Curve]) -> None:
    """The twin: draws in which no run ever fails."""
    wrong = draw_forward(np.random.default_rng(13), COUNTED, failed_share=0.0)
    for digits in (21, 50, 200):
        assert (
            np.abs(disagreement(curves[digits], by_counting(wrong, digits, STEP_G, grid(digits)))).max() > 2 * MOST_SD
        )


def test_without_handling_error_the_density_disagrees(curves: dict[int, Curve]) -> None:
    """The twin: a balance that only rounds."""
    wrong = draw_forward(np.random.default_rng(14), COUNTED, handled=False)
    assert np.abs(disagreement(curves[2], by_counting(wrong, 2, STEP_G, grid(2)))).max() > 2 * MOST_SD


def test_a_few_nodes_of_recovery_show_false_modes() -> None:
    """The twin: nine nodes instead of an integral over recovery turn the smooth curve into lumps."""
    full = draw_forward(np.random.default_rng(15), 1000)
    order = np.argsort(full.recovery)[np.linspace(20, 979, 9).astype(int)]
    node = Forward(full.recovery[order], np.full(9, 0.05), np.full(9, 1.0), np.zeros(9))
    ln_a = np.log(200 * STEP_G) + np.linspace(-0.2, 0.9, 400)
    lumps = by_counting(node, 200, STEP_G, ln_a)
    assert count_modes(Curve(ln_a, lumps.value, np.full(400, 1e-3))) > 1
