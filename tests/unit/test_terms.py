"""Buyers' terms by hand, the buyer of each run against all assignments there are, and the tables of a price file."""

from __future__ import annotations

import datetime as dt
import itertools
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from gradeest.decision.buyer_file import EXAMPLE
from gradeest.decision.economics import value_runs, value_unprocessed
from gradeest.decision.price_file import read_prices
from gradeest.decision.prices import Basis, NamedDraws, Prices
from gradeest.decision.ranking import rank_runs
from gradeest.decision.settlement import Market
from gradeest.decision.terms import Band, Terms
from gradeest.errors import InputError
from gradeest.materials.catalogue import METALS, Catalogue, load_catalogue
from tests.decision_cases import costs, one, outcome, prices, runs

OZT_G = 31.1034768  # exact


@cache
def catalogue() -> Catalogue:
    return load_catalogue()


def paid(share: float) -> tuple[Band, ...]:
    return (Band(0.0, one(share)),)


def terms(name: str = "north", **changes: object) -> Terms:
    return replace(Terms(name, {metal: paid(1.0) for metal in METALS}), **changes)  # type: ignore[arg-type]


def value(gold: np.ndarray, *buyers: Terms, metal: str = "Au", **changes: object):
    batch, kinds = runs(gold.shape[1])
    held = prices({run.route: costs() for run in batch}, buyers=buyers, **changes)
    named = NamedDraws(np.random.default_rng(1), gold.shape[0])
    return value_runs(outcome(gold, batch, metal), kinds, Basis(held, catalogue(), named))


def test_contacts_with_cadmium_sold_as_they_are_at_published_terms() -> None:
    """1.9 kg of contacts of 87 % silver, invented round prices: 1,653 g x 95 % less the larger of 300 and 1.00 a troy
    ounce received (61.1): 1,270. The structure is that of several refiners' published terms; worked by hand."""
    buyer = terms(
        payable={"Ag": paid(0.95)}, fee=one(300), fee_per_g_received=1.0 / OZT_G, takes_as_is=("contacts-agcdo",)
    )
    held = prices({}, buyers=(buyer,))
    kind = catalogue().kinds["contacts-agcdo"]
    silver = np.tile([0.0, 1653.0, 0.0], (4, 1))
    found = value_unprocessed(kind, 1.9, Basis(held, catalogue(), NamedDraws(np.random.default_rng(1), 4)), silver)
    assert (found.name, found.to) == ("sell", "north")
    assert found.values == pytest.approx(np.full(4, 0.95 * 1653 - 300))
    assert round(float(found.values[0]), -1) == 1270
    dearer = replace(buyer, fee_per_g_received=10.0 / OZT_G)  # 611 for the weight received: more than the least fee
    found = value_unprocessed(kind, 1.9, Basis(replace(held, buyers=(dearer,)), catalogue(), named(4)), silver)
    assert found.values == pytest.approx(np.full(4, 0.95 * 1653 - 19000 / OZT_G))
    other = value_unprocessed(catalogue().kinds["contacts-agni"], 1.9, Basis(held, catalogue(), named(4)), silver)
    assert other.to == ""  # they say nothing of these


def named(draws: int) -> NamedDraws:
    return NamedDraws(np.random.default_rng(1), draws)


def revenue(buyer: Terms, gold_g: float, metal: str = "Au") -> float:
    return float(value(np.full((3, 1), gold_g), buyer, metal=metal).revenue[0, 0])


def test_each_term_by_hand() -> None:
    """One run of 5 g of gold at 100 a g; what is received weighs 5 / 0.98 g."""
    assert revenue(terms(), 5.0) == pytest.approx(500)
    assert revenue(terms(payable={"Au": paid(0.9)}), 5.0) == pytest.approx(450)
    assert revenue(terms(payable={"Ag": paid(0.9)}), 5.0) == pytest.approx(0)  # gold is not paid here
    assert revenue(terms(fee=one(75)), 5.0) == pytest.approx(425)
    assert revenue(terms(fee=one(75), fee_per_g={"Au": 20}), 5.0) == pytest.approx(400)  # the larger of the two
    assert revenue(terms(fee_per_g_received=10), 5.0) == pytest.approx(500 - 50 / 0.98)
    assert revenue(terms(shipping=one(40), fee=one(75)), 5.0) == pytest.approx(385)
    assert revenue(terms(assay_fee={"Au": 25, "Pd": 60}), 5.0) == pytest.approx(475)  # there is no palladium in it
    assert revenue(terms(deduction_g={"Au": 2}), 5.0) == pytest.approx(300)
    assert revenue(terms(threshold_g={"Au": 5}), 5.0) == pytest.approx(0)
    assert revenue(terms(threshold_g={"Au": 4.9}), 5.0) == pytest.approx(500)


def test_the_share_paid_follows_the_purity_of_what_is_received() -> None:
    bands = (Band(0.0, one(0.9)), Band(0.95, one(0.97)), Band(0.995, one(0.99)))
    assert revenue(terms(payable={"Au": bands}), 5.0) == pytest.approx(0.97 * 500)  # 98 % pure
    assert revenue(terms(payable={"Au": bands[:1] + bands[2:]}), 5.0) == pytest.approx(0.9 * 500)


def test_a_surcharge_is_paid_once_and_by_whom_brings_it() -> None:
    buyer = terms(surcharge={"pins": 30.0})
    money = value(np.full((3, 4), 5.0), buyer)  # two of them are pins
    assert money.pool == (0, 1, 2, 3)
    assert money.pool_advantage[0] == pytest.approx(2000 - 30)
    assert money.revenue[0] == pytest.approx([500, 500, 500, 500])  # neither of the pins causes it alone
    assert money.shared_fee == pytest.approx(30)


def test_what_no_buyer_takes_brings_nothing_and_it_is_said() -> None:
    batch, kinds = runs(2)
    held = prices(
        {run.route: costs() for run in batch},
        buyers=(terms(rejects=("fingers",)), terms("south", rejects=(kinds["L/f0"],))),
    )
    found = outcome(np.full((3, 2), 5.0), batch)
    money = value_runs(found, kinds, Basis(held, catalogue(), named(3)))
    assert (money.pool, money.buyers[1]) == ((1,), "south")
    ranking = rank_runs(found, kinds, held, catalogue(), np.random.default_rng(1))
    assert any("no buyer takes what comes of L/f0" in note for note in ranking.notes)
    assert any("settled with south: L/f1" in note for note in ranking.notes)


def test_cadmium_is_told_by_the_hazards_of_a_kind_and_unknown_counts_as_the_worse_case() -> None:
    from gradeest.decision.terms import rejects

    buyer = terms(rejects=("cadmium",))
    taken = {
        kind: not rejects(buyer, catalogue().kinds[kind], catalogue())
        for kind in ("contacts-agcdo", "contacts-unknown", "contacts-agni")
    }
    assert taken == {"contacts-agcdo": False, "contacts-unknown": False, "contacts-agni": True}


def test_products_travel_together_unless_a_second_parcel_pays() -> None:
    """Gold is paid better in the north, silver in the south; a parcel costs 40."""
    north = terms("north", payable={"Au": paid(0.99), "Ag": paid(0.5)}, shipping=one(40))
    south = terms("south", payable={"Au": paid(0.97), "Ag": paid(0.9)}, shipping=one(40))
    batch, kinds = runs(2)

    def settled(gold_g: float, silver_g: float) -> tuple[str, ...]:
        grams = np.zeros((3, 2, 3))
        grams[:, 0, METALS.index("Au")], grams[:, 1, METALS.index("Ag")] = gold_g, silver_g
        found = replace(outcome(np.zeros((3, 2)), batch), recovered_g=grams, weight_g=grams)
        held = prices({run.route: costs() for run in batch}, buyers=(north, south))
        return value_runs(found, kinds, Basis(held, catalogue(), named(3))).buyers

    assert settled(5.0, 400.0) == ("south", "south")  # 2 % of 500 is no second parcel
    assert settled(50.0, 400.0) == ("north", "south")  # 2 % of 5,000 is 100
    assert settled(50.0, 20.0) == ("north", "north")  # and 40 % of 20 is 8


@pytest.mark.parametrize("seed", range(12))
def test_buyers_are_those_of_the_best_of_all_assignments(seed: int) -> None:
    """Five runs, two buyers or none: all 243 assignments counted, with certain amounts: the search is all there is."""
    rng = np.random.default_rng(seed)
    batch, kinds = runs(5)
    grams = np.zeros((2, 5, 3))
    grams[:, np.arange(5), rng.integers(0, 2, 5)] = rng.uniform(0.5, 5, 5) * [1, 1, 1, 1, 1]
    grams[:, :, 1] *= 90
    found = replace(outcome(np.zeros((2, 5)), batch), recovered_g=grams, weight_g=grams)
    buyers = tuple(
        terms(
            name,
            payable={"Au": paid(rng.uniform(0.8, 1)), "Ag": paid(rng.uniform(0.5, 1))},
            fee=one(rng.uniform(0, 90)),
            shipping=one(20),
        )
        for name in ("north", "south")
    )
    held = prices({run.route: costs() for run in batch}, buyers=buyers)
    spent = np.tile(rng.uniform(0, 300, 5), (2, 1))
    market = Market(found, kinds, Basis(held, catalogue(), named(2)))
    chosen = market.assign(spent)
    total = market.settle(chosen.buyer_of, chosen.pool).mean() - spent.mean(axis=0)[list(chosen.pool)].sum()

    def worth(buyer_of: tuple[int, ...]) -> float:
        sold = [run for run in range(5) if buyer_of[run] >= 0]
        return float(market.settle(buyer_of, sold).mean() - spent.mean(axis=0)[sold].sum())

    best = max(worth(trial) for trial in itertools.product((-1, 0, 1), repeat=5))
    assert total <= best + 1e-9
    assert total >= best - 0.02 * abs(best) - 1e-9  # moves of one run or one metal: nearly always the best itself


def test_the_buyer_is_chosen_before_the_draw() -> None:
    """Two buyers, each the better in half of the draws: choosing draw by draw would credit what nobody knows."""
    rng = np.random.default_rng(3)
    gold = rng.uniform(0.5, 9.5, (4000, 1))
    north, south = terms("north", fee=one(250)), terms("south", fee_per_g={"Au": 50.0})
    money = value(gold, north, south)
    each = [float(value(gold, buyer).revenue.mean()) for buyer in (north, south)]
    assert float(money.revenue.mean()) == pytest.approx(max(each))
    hindsight = np.maximum(value(gold, north).revenue, value(gold, south).revenue).mean()  # the broken twin
    assert hindsight > max(each) + 20


# --- the price file

HEAD = 'currency = "EUR"\n[metals]\nAu = "90 / g"\nAg = "1 / g"\nPd = "30 / g"\n'  # invented
NORTH = """[buyers.north]
payable.Au = { "0" = 0.95, "90 %" = [0.97, 0.98, 0.985] }
payable.Ag = 0.9
fee = 75
shipping = [30, 40, 60]
fee_per_g_received = 0.03
assay_fee.Au = 25
deduction_g.Pd = 7.8
threshold_g.Ag = 62
surcharge.cadmium = 100
rejects = ["mercury"]
takes_as_is = ["switches"]
"""


def read(tmp_path: Path, text: str, today: dt.date | None = None) -> Prices:
    path = tmp_path / "prices.toml"
    path.write_text(text, encoding="utf-8")
    return read_prices(path, catalogue(), today=today)


def test_a_buyer_is_read_and_takes_the_place_of_the_settlement_table(tmp_path: Path) -> None:
    (buyer,) = read(tmp_path, HEAD + NORTH).buyers
    assert [band.from_purity for band in buyer.payable["Au"]] == [0.0, 0.9]
    assert (buyer.payable["Au"][1].share.q50, buyer.shipping.q95, buyer.fee.q50) == (0.98, 60.0, 75.0)
    assert (buyer.assay_fee, buyer.deduction_g, buyer.threshold_g) == ({"Au": 25.0}, {"Pd": 7.8}, {"Ag": 62.0})
    assert (buyer.surcharge, buyer.rejects, buyer.takes_as_is) == ({"cadmium": 100.0}, ("mercury",), ("switches",))
    found = read(tmp_path, HEAD + NORTH + "[settlement]\nfee = 12\n")
    assert found.terms() == found.buyers
    assert not any(row.startswith("settlement.") for row in found.assumed)
    assert any("not used" in warning.message for warning in found.warnings)
    assert read(tmp_path, HEAD).terms()[0].name == ""
    assert found.as_dict()["buyers"][0]["payable"]["Ag"][0]["share"] == [0.9, 0.9, 0.9]


def test_the_example_in_a_new_file_is_one_that_can_be_used(tmp_path: Path) -> None:
    text = "\n".join(line.removeprefix("# ") for line in EXAMPLE.splitlines()[2:])
    (buyer,) = read(tmp_path, HEAD + text).buyers
    assert buyer.payable["Au"][0].share.q50 == 0.98


def test_a_buyer_without_terms_is_told_what_to_type(tmp_path: Path) -> None:
    with pytest.raises(InputError) as refused:
        read(tmp_path, HEAD + "[buyers.north]\nfee = 75\n[buyers.south]\n")
    told = refused.value.issues
    assert [issue.field for issue in told] == ["buyers.north", "buyers.south"]
    assert all("no terms" in issue.message and "payable.Au" in issue.hint for issue in told)


def test_every_fault_of_a_buyer_is_said_at_once_with_its_line(tmp_path: Path) -> None:
    text = HEAD + NORTH
    for old, new in (
        ("fee = 75", "fee = -75"), ('"90 %" =', '"nine" ='), ("payable.Ag = 0.9", "payable.Ag = 90"),
        ("assay_fee.Au = 25", "assay_fee.Rh = 25"), ("shipping =", "shiping ="), ('["mercury"]', '["mercuri"]'),
        ("fee_per_g_received = 0.03", "fee_per_g_received = -0.03"), ('["switches"]', '"switches"'),
    ):  # fmt: skip
        assert old in text
        text = text.replace(old, new)
    with pytest.raises(InputError) as refused:
        read(tmp_path, text)
    told = {issue.field.removeprefix("buyers.north."): issue for issue in refused.value.issues}
    assert set(told) == {
        *("fee", "payable.Au", "payable.Ag", "assay_fee.Rh", "shiping", "rejects", "fee_per_g_received", "takes_as_is"),
    }
    assert "negative" in told["fee_per_g_received"].message
    lines = text.splitlines()
    for field, issue in told.items():
        assert issue.hint
        assert issue.line is not None
        assert lines[issue.line - 1].startswith(field), field


def test_old_prices_are_warned_of_and_a_future_day_is_refused(tmp_path: Path) -> None:
    today = dt.date(2024, 6, 1)
    age = int(catalogue().constants["money.old_after_days"])
    for days, is_old in ((age, False), (age + 1, True)):
        found = read(tmp_path, f"dated = {today - dt.timedelta(days)}\n{HEAD}", today)
        assert any("days old" in warning.message for warning in found.warnings) == is_old
    for bad, told in (("2024-06-02", "future"), ('"soon"', "no date"), ("3", "no date")):
        with pytest.raises(InputError) as refused:
            read(tmp_path, f"dated = {bad}\n{HEAD}", today)
        assert told in refused.value.issues[0].message
