"""Saving up, against a table from a separate Monte Carlo of 400,000 draws (invented inputs).

0.35 kg of fingers a month, 1.3/2.4/4.4 g/kg; recovery 80/93/98 %; half of the hold-up 0.107 M^0.33 g, x/÷ e^0.5. A
batch costs 35 and 6 a kg, takes 3 h and 1.2 h a kg, an hour costs 15; 97 % is paid; gold at 100. (The costs per
kg are those of close-cut fingers in the table of eight fractions, test_ranking_eight_fractions.py.)
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from gradeest.belief.outcome import Run
from gradeest.decision.prices import Basis, NamedDraws
from gradeest.decision.saving import Saved, find_knee, weigh_saving
from gradeest.materials.catalogue import load_catalogue
from tests.decision_cases import costs, one, outcome, prices

Z95 = 1.6448536269514722
DRAWS = 60_000
TABLE = {1: -14, 2: 28, 3: 42, 4: 49, 6: 56, 9: 61, 12: 64}
MONTHS = tuple(range(1, 13))


@pytest.fixture(scope="module")
def rows() -> tuple[Saved, ...]:
    rng = np.random.default_rng(40)
    low, mid, high = np.log((1.3, 2.4, 4.4))
    r5, r50 = np.log(0.80 / 0.20), np.log(0.93 / 0.07)
    gold = np.zeros((DRAWS, 12))
    for i, months in enumerate(MONTHS):
        grade = np.exp(mid + (high - low) / 2 / Z95 * rng.standard_normal(DRAWS))
        recovery = 1 / (1 + np.exp(-(r50 + (r50 - r5) / Z95 * rng.standard_normal(DRAWS))))
        dropped = 0.35 * months * grade * recovery
        gold[:, i] = dropped - 0.5 * 0.107 * dropped**0.33 * np.exp(0.5 * rng.standard_normal(DRAWS))
    terms = prices({"r": costs(35, 6, 3, 1.2)}, hours_rate=15.0, payable={m: one(0.97) for m in ("Au", "Ag", "Pd")})
    given = outcome(gold, tuple(Run("next/x", 0.35 * months, "r") for months in MONTHS))
    named = NamedDraws(np.random.default_rng(41), DRAWS)
    return weigh_saving(given, MONTHS, "fingers-memory", Basis(terms, load_catalogue(), named), volatility=0.16)


@pytest.mark.parametrize(("months", "net"), TABLE.items())
def test_net_per_month(rows: tuple[Saved, ...], months: int, net: float) -> None:
    row = rows[months - 1]
    assert row.net_per_month == pytest.approx(net, abs=max(0.05 * abs(net), 2 * row.net_per_month_mcse) + 0.5)
    assert row.hours_per_month == pytest.approx(3 / months + 1.2 * 0.35)


def test_the_knee_lies_where_the_table_has_it(rows: tuple[Saved, ...]) -> None:
    knee = find_knee(rows)
    assert knee is not None
    assert 4 <= knee <= 6
    assert find_knee(rows[:1]) is None  # a month alone does not pay


def test_the_price_risk_of_half_a_year(rows: tuple[Saved, ...]) -> None:
    price_sd = rows[5].price_sd
    assert price_sd == pytest.approx(0.16 * math.sqrt(0.5))
    assert round(100 * (price_sd or 0)) == 11
