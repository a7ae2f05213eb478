"""Value of information against published and closed-form values, brute force, and the bounds it must keep."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from gradeest.decision.information import gained_by_signal, worth_of_perfect, worth_of_signal

N = 200_000


def wells(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Payoffs of (drill, leave), oil (0 dry, 1 wet, 2 soaking) and cost.

    The oil wildcatter of the SAS/OR manual, PROC DTREE "Getting Started": inputs and outputs both read there.
    """
    oil = rng.choice(3, N, p=[0.5, 0.3, 0.2])
    cost = rng.choice([150_000.0, 300_000.0, 500_000.0], N, p=[0.2, 0.6, 0.2])
    drill = np.array([0, 700_000, 1_200_000])[oil] - cost
    return np.stack([drill, np.zeros(N)], axis=1), oil, cost


def test_the_oil_wildcatter() -> None:
    rng = np.random.default_rng(1)
    payoffs, oil, cost = wells(rng)
    assert payoffs[:, 0].mean() == pytest.approx(140_000, rel=0.03)
    of_oil = worth_of_signal(payoffs, oil[:, None].astype(float))
    of_cost = worth_of_signal(payoffs, cost[:, None])
    assert of_oil.value == pytest.approx(155_000, abs=4 * of_oil.mcse)
    assert of_cost.value == pytest.approx(10_000, abs=4 * of_cost.mcse)
    table = np.array([[0.6, 0.3, 0.1], [0.3, 0.4, 0.3], [0.1, 0.4, 0.5]])[oil].cumsum(axis=1)
    seismic = (rng.random(N)[:, None] > table[:, :2]).sum(axis=1)
    of_test = worth_of_signal(payoffs, seismic[:, None].astype(float))
    assert of_test.value == pytest.approx(40_100, abs=4 * of_test.mcse)
    assert of_test.value < 60_000  # the fee of the test: not worth it


def test_go_or_not_on_a_lognormal_worth() -> None:
    # X ~ LN(ln 10, 0.8), cost 12: E[max(X - 12, 0)] - (E X - 12) = 3.175748 (closed form, checked by quadrature).
    worth = np.exp(np.log(10) + 0.8 * np.random.default_rng(2).standard_normal(N)) - 12
    found = worth_of_perfect(np.stack([worth, np.zeros(N)], axis=1))
    assert found.value == pytest.approx(3.175748, abs=4 * found.mcse)
    assert found.mcse < 0.02


def test_the_better_of_two_normals() -> None:
    # Clark: N(10, 4), N(8, 6) independent (sd): E max = 11.986757, so 1.986757 above the better mean.
    rng = np.random.default_rng(3)
    found = worth_of_perfect(np.stack([rng.normal(10, 4, N), rng.normal(8, 6, N)], axis=1))
    assert found.value == pytest.approx(1.986757, abs=4 * found.mcse)


UNIT_LOSS = {0.0: 0.398942, 0.25: 0.286345, 0.5: 0.197797, 1.0: 0.083315, 2.0: 0.008491}  # phi(u) - u(1 - Phi(u))


@pytest.mark.parametrize(("u", "loss"), UNIT_LOSS.items())
def test_a_noisy_reading_of_a_normal_gain_is_worth_the_unit_normal_loss(u: float, loss: float) -> None:
    # A ~ N(m, 1), y = A + N(0, 1): E[A | y] ~ N(m, 1/2), so EVSI = s L(m / s), s = sqrt(1/2).
    rng = np.random.default_rng(4)
    s = np.sqrt(0.5)
    gain = u * s + rng.standard_normal(N)
    reading = gain + rng.standard_normal(N)
    found = worth_of_signal(np.stack([gain, np.zeros(N)], axis=1), reading[:, None])
    assert found.value == pytest.approx(s * loss, abs=4 * found.mcse + 1e-4)
    perfect = worth_of_perfect(np.stack([gain, np.zeros(N)], axis=1))
    assert 0 <= found.value <= perfect.value + 2 * perfect.mcse


def grades(rng: np.random.Generator, n: int) -> tuple[np.ndarray, np.ndarray]:
    """ln grade and gain of an invented fraction: a run costs 60, metal brings 40 a gram, recovery varies."""
    ln_grade = 0.3 + 0.7 * rng.standard_normal(n)
    return ln_grade, 40 * np.exp(ln_grade) / (1 + np.exp(-2 - 0.5 * rng.standard_normal(n))) - 60


def test_a_sample_agrees_with_a_nested_simulation() -> None:
    rng = np.random.default_rng(5)
    noise = 0.4
    ln_grade, gain = grades(rng, N)
    found = worth_of_signal(np.stack([gain, np.zeros(N)], axis=1), (ln_grade + noise * rng.standard_normal(N))[:, None])
    # Brute force: for each of many readings the gain is averaged over grades drawn anew given the reading (normal).
    outer, inner = 4_000, 2_000
    reading = 0.3 + np.hypot(0.7, noise) * rng.standard_normal(outer)
    weight = 0.7**2 / (0.7**2 + noise**2)
    centre, spread = 0.3 + weight * (reading - 0.3), 0.7 * np.sqrt(1 - weight)
    again = centre[:, None] + spread * rng.standard_normal((outer, inner))
    recovery = 1 / (1 + np.exp(-2 - 0.5 * rng.standard_normal((outer, inner))))
    expected = (40 * np.exp(again) * recovery - 60).mean(axis=1)
    nested = np.maximum(expected, 0) - (expected if gain.mean() > 0 else 0)
    error = np.hypot(found.mcse, nested.std() / np.sqrt(outer))
    assert found.value == pytest.approx(nested.mean(), abs=3 * error)
    assert found.value > 10 * found.mcse


def test_larger_samples_are_worth_no_less_and_never_more_than_knowing() -> None:
    rng = np.random.default_rng(6)
    ln_grade, gain = grades(rng, N)
    payoffs = np.stack([gain, np.zeros(N)], axis=1)
    readings = np.cumsum(ln_grade[:, None] + 1.5 * rng.standard_normal((N, 16)), axis=1)  # nested: 1, 2, ... 16
    worths = [worth_of_signal(payoffs, readings[:, [n - 1]] / n) for n in (1, 2, 4, 8, 16)]
    for small, large in pairwise(worths):
        assert large.value >= small.value - 2 * np.hypot(small.mcse, large.mcse)
    perfect = worth_of_perfect(payoffs)
    assert all(0 <= w.value <= perfect.value + 2 * perfect.mcse for w in worths)
    assert worths[-1].value > worths[0].value


def test_what_can_change_no_choice_is_worth_nothing() -> None:
    rng = np.random.default_rng(7)
    gain = 100 + rng.standard_normal(20_000)
    payoffs = np.stack([gain, np.zeros(20_000)], axis=1)
    assert worth_of_signal(payoffs, gain[:, None]).value == 0.0
    assert worth_of_perfect(payoffs).value == 0.0


def test_a_rule_is_not_paid_for_the_noise_it_was_fitted_to() -> None:
    rng = np.random.default_rng(8)
    n, honest, own = 400, [], []
    for _ in range(60):
        gain, noise = rng.standard_normal(n), rng.standard_normal((n, 4))
        honest.append(gained_by_signal(np.stack([gain, np.zeros(n)], axis=1), noise).mean())
        flat = np.column_stack([np.ones(n), noise, noise**2])
        fitted = flat @ np.linalg.lstsq(flat, gain, rcond=None)[0]
        own.append(np.where(fitted > 0, gain, 0).mean() - max(gain.mean(), 0))
    error = np.std(honest) / np.sqrt(60)
    assert np.mean(honest) <= 3 * error  # the signal tells nothing
    assert np.mean(own) > 3 * np.std(own) / np.sqrt(60)  # the broken twin: fitted and acted upon in the same draws
