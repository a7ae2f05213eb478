"""Settlements by marginal cost, costs and hours, what a buyer pays, and the alternative chosen before the draw."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from gradeest.decision.economics import choose_alternative, usual_metal_value_per_kg, value_runs
from gradeest.decision.prices import Basis, NamedDraws, Prices
from gradeest.decision.ranking import rank_runs
from gradeest.errors import InputError
from gradeest.materials.catalogue import Catalogue, Quantiles, load_catalogue
from tests.decision_cases import costs, one, outcome, prices, runs


@pytest.fixture(scope="module")
def catalogue() -> Catalogue:
    return load_catalogue()


def value(gold: np.ndarray, terms: Prices, catalogue: Catalogue, mass_kg: float = 1.0):
    batch, kinds = runs(gold.shape[1], mass_kg)
    named = NamedDraws(np.random.default_rng(1), gold.shape[0])
    return value_runs(outcome(gold, batch), kinds, Basis(terms, catalogue, named))


def test_a_settlement_by_hand(catalogue: Catalogue) -> None:
    # Published kind of terms with invented round numbers: 1,653 g of silver, 95 % paid, the larger of 300 and
    # 1.00 x 61.1 troy ounces charged: 1,270 (worked by hand).
    batch, kinds = runs(1)
    terms = prices(
        {"r0": costs()},
        payable={"Au": one(1), "Ag": one(0.95), "Pd": one(1)},
        settlement_fee=one(300),
        fee_per_g={"Ag": 61.1 / 1900},
    )
    money = value_runs(
        outcome(np.full((4, 1), 1653.0), batch, "Ag"),
        kinds,
        Basis(terms, catalogue, NamedDraws(np.random.default_rng(1), 4)),
    )
    assert money.revenue[:, 0] == pytest.approx(np.full(4, 0.95 * 1653 - 300))
    assert round(float(money.revenue[0, 0]), -1) == 1270


def test_small_products_that_travel_together_do_not_each_pay_the_least_fee(catalogue: Catalogue) -> None:
    terms = prices({f"r{i}": costs() for i in range(3)}, settlement_fee=one(80))
    money = value(np.full((5, 3), 0.5), terms, catalogue)
    assert money.pool == (0, 1, 2)
    assert money.revenue == pytest.approx(np.full((5, 3), 50.0))
    assert money.shared_fee == pytest.approx(80.0)
    assert money.pool_advantage == pytest.approx(np.full(5, 70.0))
    each_pays = 50.0 - 80.0  # the broken twin: every one of them would look like a loss
    assert each_pays < 0


def test_a_fraction_alone_pays_the_whole_fee(catalogue: Catalogue) -> None:
    terms = prices({"r0": costs(), "r1": costs(cost_fixed=200)}, settlement_fee=one(80))
    money = value(np.tile([0.9, 0.5], (5, 1)), terms, catalogue)
    assert money.pool == (0,)  # the other is not worth its run, so it does not help to pay
    assert money.advantage[0, 0] == pytest.approx(10.0)
    assert money.shared_fee == pytest.approx(0.0)


def test_nothing_is_settled_where_no_fraction_is_worth_its_fee(catalogue: Catalogue) -> None:
    money = value(np.full((5, 1), 0.5), prices({"r0": costs()}, settlement_fee=one(80)), catalogue)
    assert money.pool == ()
    assert money.advantage[0, 0] == pytest.approx(-30.0)
    assert money.pool_advantage == pytest.approx(np.zeros(5))


def test_runs_that_together_do_not_earn_their_fee_are_not_processed(catalogue: Catalogue) -> None:
    """Each would gain if the other paid the fee: 50 + 50 < 200."""
    batch, kinds = runs(2)
    terms = prices({"r0": costs(), "r1": costs()}, settlement_fee=one(200))
    ranking = rank_runs(outcome(np.full((5, 2), 0.5), batch), kinds, terms, catalogue, np.random.default_rng(1))
    assert [row.verdict for row in ranking.rows] == ["keep", "keep"]
    assert [row.gain.mean for row in ranking.rows] == pytest.approx([-150.0, -150.0])
    assert ranking.total_gain.mean == pytest.approx(0.0)
    assert any("lack 100 " in note for note in ranking.notes)
    assert any("collect more" in note for note in ranking.notes)


def test_a_charge_by_weight_is_paid_by_whom_it_weighs(catalogue: Catalogue) -> None:
    terms = prices({"r0": costs(), "r1": costs()}, fee_per_g={"Au": 10.0})
    money = value(np.tile([3.0, 1.0], (5, 1)), terms, catalogue)
    assert money.revenue[0] == pytest.approx([270.0, 90.0])
    assert money.shared_fee == pytest.approx(0.0)


def test_metal_never_paid_is_taken_off_once_per_settlement(catalogue: Catalogue) -> None:
    terms = prices({"r0": costs(), "r1": costs()}, deduction_g={"Au": 2.0})
    money = value(np.tile([3.0, 1.0], (5, 1)), terms, catalogue)
    assert money.pool_advantage == pytest.approx(np.full(5, 200.0))
    alone = value(np.full((5, 1), 1.0), prices({"r0": costs()}, deduction_g={"Au": 2.0}), catalogue)
    assert alone.revenue[0, 0] == 0.0


def test_cost_and_hours_are_fixed_and_per_kg_and_hours_are_paid_at_the_users_rate(catalogue: Catalogue) -> None:
    terms = prices({"r0": costs(30, 6, 3, 1.2)}, hours_rate=15.0)
    money = value(np.full((5, 1), 5.0), terms, catalogue, mass_kg=2.4)
    assert money.cost[0, 0] == pytest.approx(30 + 6 * 2.4)
    assert money.hours[0, 0] == pytest.approx(3 + 1.2 * 2.4)
    assert money.advantage[0, 0] == pytest.approx(500 - 44.4 - 15 * 5.88)


def test_the_alternative_is_chosen_before_the_draw() -> None:
    rng = np.random.default_rng(2)
    values = {"sell": 1 + rng.standard_normal(10_000), "keep": np.full(10_000, 0.9)}
    name, chosen = choose_alternative(values)
    assert name == "sell"
    assert chosen.mean() == pytest.approx(1.0, abs=0.04)
    hindsight = np.maximum(values["sell"], values["keep"]).mean()  # the broken twin: the better one draw by draw
    assert hindsight > 1.2


def test_a_material_nobody_buys_is_kept() -> None:
    assert choose_alternative({"sell": np.zeros(5), "keep": np.zeros(5)})[0] == "keep"


def test_a_buyer_pays_a_share_of_what_the_kind_usually_holds_not_of_what_this_lot_holds(catalogue: Catalogue) -> None:
    terms = prices({"r0": costs()}, as_is_share={"fingers": one(0.6)})
    kind = catalogue.kinds["fingers-memory"]
    gold = kind.grades["Au"]
    recovery = catalogue.routes[kind.usual_route].recovery["Au"].q50
    usual = (1 - gold.p_absent) * gold.q50 * math.exp(math.log(gold.gsd_between) ** 2 / 2) / 1000 * recovery * 100
    assert usual_metal_value_per_kg(kind, terms, catalogue) == pytest.approx(usual)
    poor, rich = (value(np.full((5, 1), grams), terms, catalogue, mass_kg=2.0) for grams in (0.1, 30.0))
    assert np.array_equal(poor.alternative, rich.alternative)
    assert poor.alternative == pytest.approx(np.full((5, 1), 2 * 0.6 * usual))


def test_a_row_for_a_kind_comes_before_that_of_its_class_and_an_offer_before_both(catalogue: Catalogue) -> None:
    kind = "fingers-memory"
    by_class = prices({"r0": costs()}, as_is_share={"fingers": one(0.6)})
    by_kind = replace(by_class, as_is_share={"fingers": one(0.6), kind: one(0.3)})
    offered = replace(by_kind, as_is_per_kg={kind: one(41.0)})
    gold = np.full((5, 1), 1.0)
    first, second, third = (float(value(gold, t, catalogue).alternative[0, 0]) for t in (by_class, by_kind, offered))
    assert second == pytest.approx(first / 2)
    assert third == 41.0


def test_runs_of_one_route_share_their_hours(catalogue: Catalogue) -> None:
    batch, kinds = runs(2)
    batch = tuple(replace(run, route="r0") for run in batch)
    terms = prices({"r0": replace(costs(), hours_fixed=Quantiles(1, 3, 9))})
    named = NamedDraws(np.random.default_rng(1), 100)
    money = value_runs(outcome(np.full((100, 2), 1.0), batch), kinds, Basis(terms, catalogue, named))
    assert np.array_equal(money.hours[:, 0], money.hours[:, 1])
    assert money.hours[:, 0].std() > 0


def test_a_route_or_metal_without_prices_is_refused_with_all_that_is_missing(catalogue: Catalogue) -> None:
    terms = prices({}, metal_per_g={"Au": 100.0, "Ag": 1.0})
    with pytest.raises(InputError) as refused:
        value(np.full((5, 2), 1.0), terms, catalogue)
    assert {issue.field for issue in refused.value.issues} == {"routes.r0", "routes.r1", "metals.Pd"}


def test_a_fraction_given_twice_is_a_programming_error(catalogue: Catalogue) -> None:
    batch, kinds = runs(1)
    twice = (batch[0], batch[0])
    named = NamedDraws(np.random.default_rng(1), 5)
    with pytest.raises(ValueError, match="one run per fraction"):
        value_runs(outcome(np.full((5, 2), 1.0), twice), kinds, Basis(prices({"r0": costs()}), catalogue, named))


def test_the_price_paid_for_a_lot_is_sunk() -> None:
    """Nothing in the signature could let it in."""
    import inspect

    from gradeest.decision import economics, ranking

    for function in (economics.value_runs, ranking.rank_runs):
        assert not {"lot", "lots", "bench", "price_paid"} & set(inspect.signature(function).parameters)


def test_rows_are_drawn_through_their_three_points() -> None:
    named = NamedDraws(np.random.default_rng(3), 200_000)
    hours = named.amount("hours", Quantiles(1, 2.5, 12))
    assert np.quantile(hours, (0.05, 0.5, 0.95)) == pytest.approx([1, 2.5, 12], rel=0.02)
    share = named.share("payable", Quantiles(0.85, 0.93, 0.97))
    assert np.quantile(share, (0.05, 0.5)) == pytest.approx([0.85, 0.93], abs=0.002)
    assert share.max() < 1
    assert not np.array_equal(named.normals("a"), named.normals("b"))
    assert np.array_equal(named.normals("a"), named.normals("a"))
