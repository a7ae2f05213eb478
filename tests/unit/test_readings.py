"""What was read off the balances, as the network holds it."""

from __future__ import annotations

import math

import pytest

from gradeest.belief.assembly import build_network
from gradeest.belief.evidence import gather
from gradeest.belief.readings import balance_scale, handling_sd
from gradeest.materials.catalogue import load_catalogue
from gradeest.records.domain import BalanceCheck, Bench, Fraction
from tests.engine_bench import DAY, batch, bench, lot, product

CATALOGUE = load_catalogue()


def test_a_check_weight_moves_the_balance_as_a_normal_observation_does() -> None:
    """5 g read as 4.98: h = -0.4 % with sd sqrt(1/6 + 1/12) 0.01/5, against N(0, 0.5 %) (conjugate normal)."""
    checked = bench([], checks=[BalanceCheck("pocket", 5.0, 4.98, DAY)])
    centre, sd = balance_scale("pocket", checked, CATALOGUE.constants)
    prior, seen = 1 / 0.005**2, 1 / (0.01 * math.sqrt(1 / 6 + 1 / 12) / 5) ** 2
    assert centre == pytest.approx(-0.004 * seen / (prior + seen))
    assert sd == pytest.approx((prior + seen) ** -0.5)
    assert balance_scale("other", checked, CATALOGUE.constants) == (0.0, 0.005)


def test_an_unchecked_balance_counts_with_a_whole_digit_and_a_checked_one_with_less() -> None:
    checked = bench([], checks=[BalanceCheck("pocket", 5.0, 4.98, DAY)])
    weighed = product("au-1", "B1", "Au", "gold-powder", 1.0, balance="pocket")
    assert handling_sd(weighed, checked, CATALOGUE.constants) == pytest.approx(0.01 / math.sqrt(6))
    assert handling_sd(weighed, Bench(), CATALOGUE.constants) == pytest.approx(0.01)


def so_far(grams: float, interval_g: float) -> Bench:
    """An open batch with one weight so far."""
    powder = product("au-1", "B1", "Au", "gold-powder", grams, interval_g=interval_g)
    run = batch("B1", "foils-peroxide", [("L/a", 1.0)], powder, closed=False)
    return bench([lot("L", Fraction("a", "fingers-memory", 1.0))], [run])


def test_of_an_interval_so_far_the_lower_end_is_certain() -> None:
    network = build_network(so_far(2.5, 1.0), CATALOGUE)
    assert network.arrays["open_ln_y"] == pytest.approx([math.log(2.0)])


def test_an_interval_from_zero_so_far_says_nothing() -> None:
    assert gather(so_far(0.5, 1.0), CATALOGUE).batch_metals == ()
    assert len(gather(so_far(0.5, 0.9), CATALOGUE).batch_metals) == 1
