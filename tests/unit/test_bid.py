"""A bid on an invented lot; reference numbers from a separate Monte Carlo of 400,000 draws (invented inputs).

5 kg of trimmed fingers, 1.0/2.2/4.8 g/kg; recovery 80/93/98 %; half of the hold-up 0.107 M^0.33 g, x/÷ e^0.5, comes
back; a batch costs 35 and 6 a kg, takes 3 h and 1.3 h a kg, an hour costs 15; 97 % is paid; gold at 100.
"""

from __future__ import annotations

import numpy as np
import pytest

from gradeest.belief.outcome import Outcome, Run
from gradeest.decision.bid import Bid, Unprocessed, _root, value_bid
from gradeest.decision.prices import Prices
from gradeest.materials.catalogue import Catalogue, load_catalogue
from tests.decision_cases import costs, one, outcome, prices

Z95 = 1.6448536269514722
DRAWS = 100_000
MASS = 5.0


@pytest.fixture(scope="module")
def catalogue() -> Catalogue:
    return load_catalogue()


def lay_out() -> tuple[Outcome, dict[str, str], Prices]:
    rng = np.random.default_rng(30)
    low, mid, high = np.log((1.0, 2.2, 4.8))
    grade = np.exp(mid + (high - low) / 2 / Z95 * rng.standard_normal(DRAWS))
    r5, r50 = np.log(0.80 / 0.20), np.log(0.93 / 0.07)
    recovery = 1 / (1 + np.exp(-(r50 + (r50 - r5) / Z95 * rng.standard_normal(DRAWS))))
    dropped = grade * MASS * recovery
    held_up = 0.5 * 0.107 * dropped**0.33 * np.exp(0.5 * rng.standard_normal(DRAWS))
    given = outcome((dropped - held_up)[:, None], (Run("x/f", MASS, "r"),))
    terms = prices({"r": costs(35, 6, 3, 1.3)}, hours_rate=15.0, payable={m: one(0.97) for m in ("Au", "Ag", "Pd")})
    return given, {"x/f": "fingers-memory"}, terms


def bid(catalogue: Catalogue, chance: float = 0.75, asked: float | None = None, **more) -> Bid:
    given, kinds, terms = lay_out()
    return value_bid(given, kinds, terms, catalogue, np.random.default_rng(31), chance=chance, asked=asked, **more)


@pytest.mark.parametrize(("per_kg", "chance"), [(75, 0.85), (100, 0.74), (125, 0.62), (150, 0.50)])
def test_the_chance_of_gain_at_a_price(catalogue: Catalogue, per_kg: float, chance: float) -> None:
    found = bid(catalogue, asked=per_kg * MASS)
    assert found.asked is not None
    assert found.asked.chance_of_gain == pytest.approx(chance, abs=0.012)


def test_the_gain_at_75_a_kilo(catalogue: Catalogue) -> None:
    asked = bid(catalogue, asked=75 * MASS).asked
    assert asked is not None
    assert asked.gain.mean == pytest.approx(500, rel=0.03)
    assert asked.gain.q5 == pytest.approx(-150, abs=8)


def test_the_highest_bid_at_three_in_four_is_just_under_100_a_kilo(catalogue: Catalogue) -> None:
    found = bid(catalogue)
    assert 95 < found.highest.per_kg < 100
    assert found.highest.chance_of_gain == pytest.approx(0.75, abs=0.001)
    assert found.highest.gain.q5 == pytest.approx(found.worth.q5 - found.highest.price)
    assert found.highest_mcse < 0.01 * found.highest.price
    assert bid(catalogue, chance=0.9).highest.price < found.highest.price


def test_at_the_break_even_metal_and_price_the_lot_brings_just_its_price(catalogue: Catalogue) -> None:
    given = lay_out()[0]
    found = bid(catalogue)
    (gold,) = found.break_even_prices
    per_gram = 0.97 * given.recovered_g.sum(axis=(1, 2)).mean()
    spent = 35 + 6 * MASS + 15 * (3 + 1.3 * MASS)
    by_hand = (found.highest.price + spent) / (per_gram * 100)
    assert found.break_even_metal == pytest.approx(by_hand, rel=0.005)
    assert (gold.metal, gold.share) == ("Au", pytest.approx(by_hand, rel=0.005))  # nothing is bought as it is here
    assert gold.per_g == pytest.approx(100 * gold.share)


@pytest.mark.parametrize(
    ("short", "root"),
    [(lambda x: x - 0.3, 0.3), (lambda x: max(x, 0.5) ** 3 - 0.4, 0.4 ** (1 / 3)),
     (lambda x: np.exp(5 * x) - 40, np.log(40) / 5), (lambda x: x**9 - 0.001, 0.001 ** (1 / 9))],
)  # fmt: skip
def test_where_a_rising_curve_crosses_nothing_is_found_to_a_thousandth(short, root: float) -> None:
    steps = []
    assert _root(lambda x: steps.append(x) or short(x)) == pytest.approx(root, abs=1e-3)
    assert len(steps) < 25
    assert _root(lambda x: x + 0.1) is None
    assert _root(lambda x: x - 1.1) is None


def test_what_must_not_be_processed_counts_as_sold_or_not_at_all(catalogue: Catalogue) -> None:
    given, kinds, terms = lay_out()
    kind = "contacts-agni"
    terms = prices(terms.routes, hours_rate=15.0, payable=terms.payable, as_is_per_kg={kind: one(400.0)})
    rows = [Unprocessed("x/c", kind, 0.5, "no permit", True), Unprocessed("x/m", "relays-mercury", 0.2, "STOP", False)]
    found = value_bid(given, kinds, terms, catalogue, np.random.default_rng(31), chance=0.75, unprocessed=rows)
    assert found.worth.mean - bid(catalogue).worth.mean == pytest.approx(200)
    assert [(part.use, part.worth) for part in found.parts[1:]] == [("sell", pytest.approx(200)), ("not counted", 0.0)]
    assert found.mass_kg == pytest.approx(5.7)


def test_what_brings_more_as_it_is_is_sold_and_takes_no_hours(catalogue: Catalogue) -> None:
    given, kinds, terms = lay_out()
    terms = prices(terms.routes, as_is_per_kg={"fingers-memory": one(300.0)}, hours_rate=15.0)
    found = value_bid(given, kinds, terms, catalogue, np.random.default_rng(31), chance=0.75)
    assert (found.parts[0].use, found.hours.mean, found.break_even_metal) == ("sell", 0.0, None)
    assert found.highest.price == pytest.approx(1500)
