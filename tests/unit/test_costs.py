"""Bills: by hand, draw by draw, the user's own rows first, and what is bought in whole packs."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from gradeest.decision.costs import Costing, Line, default_prices, metal_of_run
from gradeest.decision.economics import value_runs
from gradeest.decision.needs import find_needs
from gradeest.decision.prices import Basis, NamedDraws, RouteCosts
from gradeest.decision.ranking import rank_runs
from gradeest.materials.catalogue import Catalogue, Item, Quantiles, Use, load_catalogue
from gradeest.workflow.costing import whole_packs
from tests.decision_cases import one, outcome, prices, runs

DRAWS = 4000
AW = {"Cu": 63.546, "Ag": 107.8682}  # g/mol, IUPAC abridged


@cache
def shipped() -> Catalogue:
    return load_catalogue()


@cache
def sure() -> Catalogue:
    """The shipped rows, one route, and every number of it certain: 40 % copper, times 1.5, half the dearer way."""
    rows = shipped()
    uses = (
        Use("silver-nitric", "nitric-acid", "nitric", one(1.5)), Use("silver-nitric", "soda", "acidity", one(1.0)),
        Use("silver-nitric", "waste", "liquids", one(3.0)), Use("silver-nitric", "filters", "batch", one(4.0)),
        Use("silver-nitric", "propane", "kg", one(0.5)),
        Use("silver-nitric", "copper-pieces", "silver-by-copper", one(1)),
    )  # fmt: skip
    shares = {**rows.shares, "nitrogen-dioxide-share": one(0.5)}
    return replace(rows, base_metals={"contacts-agni": {"Cu": one(0.4)}}, uses=uses, shares=shares)


def lines_of(catalogue: Catalogue, silver_g: float = 200.0, kg: float = 2.0) -> dict[str, Line]:
    costing = Costing(catalogue, NamedDraws(np.random.default_rng(1), 5), {})
    lines = costing.lines("silver-nitric", {"contacts-agni": kg}, {"Ag": np.full(5, silver_g)})
    return {line.item.id: line for line in lines}


def test_a_bill_by_hand() -> None:
    """2 kg with 800 g of copper and 200 g of silver. Acid: copper 8/3 and 4, silver 4/3 and 2 mol a mol, half each."""
    copper, silver = 800 / AW["Cu"], 200 / AW["Ag"]
    asked = copper * (8 / 3 + 4) / 2 + silver * (4 / 3 + 2) / 2
    gas = copper * (2 / 3 + 2) / 2 + silver * (1 / 3 + 1) / 2
    bought = 1.5 * asked
    found = {key: float(line.amount[0]) for key, line in lines_of(sure()).items()}
    assert found["nitric-acid"] == pytest.approx(bought / shipped().items["nitric-acid"].mol_per_unit)
    assert found["soda"] == pytest.approx((bought - gas) / 2 * 105.988 / 1000, rel=1e-4)  # Na2CO3, kg
    assert found["waste"] == pytest.approx(3 * found["nitric-acid"])
    assert found["copper-pieces"] == pytest.approx(0.29455 * 0.2, rel=1e-4)  # kg; grams per gram as computed outside
    assert (found["filters"], found["propane"]) == (4.0, 1.0)


def test_parts_of_a_batch_and_parts_of_a_kg_are_told_apart() -> None:
    small, large = lines_of(sure(), kg=1.0), lines_of(sure(), kg=2.0)
    assert large["filters"].amount[0] == small["filters"].amount[0]
    assert large["propane"].amount[0] == 2 * small["propane"].amount[0]
    assert not large["filters"].varying.any()
    assert not large["nitric-acid"].fixed.any()


def test_more_metal_asks_for_more_acid_draw_by_draw() -> None:
    poor, rich = lines_of(sure(), silver_g=0.0), lines_of(sure(), silver_g=500.0)
    assert (rich["nitric-acid"].amount > poor["nitric-acid"].amount).all()


def test_base_metal_is_never_more_than_the_feed() -> None:
    rows = {"contacts-agni": {"Cu": one(0.9), "Zn": one(0.9)}}
    costing = Costing(replace(sure(), base_metals=rows), NamedDraws(np.random.default_rng(1), 5), {})
    mol = costing._metal_mol({"contacts-agni": 1.0}, {})
    grams = mol["Cu"] * AW["Cu"] + mol["Zn"] * 65.38
    assert grams == pytest.approx(np.full(5, 990.0))


def test_money_is_what_is_used_up_at_its_price_and_what_has_none_is_said() -> None:
    terms = {"nitric-acid": one(30.0), "filters": one(0.25)}
    bill = Costing(sure(), NamedDraws(np.random.default_rng(1), 5), terms).bill(
        "silver-nitric", {"contacts-agni": 2.0}, {"Ag": np.full(5, 200.0)}
    )
    acid = bill.lines[0].amount[0]
    assert bill.money == pytest.approx(np.full(5, 30 * acid + 1.0))
    assert set(bill.unpriced) == {"washing soda", "liquid waste", "propane", "copper pieces"}


def test_the_users_own_rows_replace_what_is_counted_part_by_part() -> None:
    terms = {key: one(1.0) for key in shipped().items}
    named = NamedDraws(np.random.default_rng(1), 5)
    charge = ("silver-nitric", {"contacts-agni": 2.0}, {"Ag": np.full(5, 200.0)})

    def money(fixed: Quantiles | None, per_kg: Quantiles | None) -> float:
        rows = {"silver-nitric": RouteCosts(fixed, per_kg, one(1), one(1))}
        return float(Costing(sure(), named, terms, rows).bill(*charge).money[0])

    counted = money(None, None)
    assert money(one(70), None) == pytest.approx(counted - 4.0 + 70)  # four filters at one
    assert money(None, one(50)) == pytest.approx(4.0 + 100)
    assert money(one(70), one(50)) == pytest.approx(170)


def test_costs_enter_the_ranking_draw_by_draw() -> None:
    """Runs priced by their bills: the advantage is revenue less the same bill, in every draw."""
    batch, kinds = runs(1, 2.4)
    batch = (replace(batch[0], route="foils-peroxide"),)
    terms = prices({"foils-peroxide": RouteCosts(None, None, one(3), one(1))}, items=default_prices(shipped()))
    gold = np.random.default_rng(2).lognormal(1.5, 0.5, (DRAWS, 1))
    found = outcome(gold, batch)
    money = value_runs(found, kinds, Basis(terms, shipped(), NamedDraws(np.random.default_rng(1), DRAWS)))
    costing = Costing.of(terms, shipped(), NamedDraws(np.random.default_rng(1), DRAWS))
    bill = costing.bill("foils-peroxide", {"fingers-memory": 2.4}, metal_of_run(found, 0))
    assert np.array_equal(money.cost[:, 0], bill.money)
    assert money.cost.std() > 5
    assert money.unpriced == ("iron pieces",)
    ranking = rank_runs(found, kinds, terms, shipped(), np.random.default_rng(1))
    assert any("iron pieces" in note for note in ranking.notes)
    needs = find_needs(found, kinds, Basis(terms, shipped(), NamedDraws(np.random.default_rng(1), DRAWS)))
    acid = needs.items["hydrochloric-acid"]
    assert acid.shape == (DRAWS, 1)
    assert np.array_equal(acid[:, 0], next(ln.amount for ln in bill.lines if ln.item.id == "hydrochloric-acid"))


def test_two_runs_of_a_route_share_its_draws() -> None:
    costing = Costing(shipped(), NamedDraws(np.random.default_rng(1), DRAWS), default_prices(shipped()))
    one_kg, two_kg = (costing.bill("pins-nitric", {"pins-full": kg}, {}).money for kg in (1.0, 2.0))
    assert np.corrcoef(one_kg, two_kg)[0, 1] > 0.99
    assert (two_kg > one_kg).all()


@pytest.mark.parametrize(
    ("amount", "pack", "bought"), [(0.2, 1, 1), (1.0, 1, 1), (1.01, 1, 2), (51, 50, 100), (0, 1, 0)]
)
def test_amounts_are_rounded_up_to_what_one_buys(amount: float, pack: float, bought: float) -> None:
    assert whole_packs(amount, pack) == bought


def test_every_route_that_may_run_has_its_uses_and_every_kind_its_base_metal() -> None:
    rows = shipped()
    assert {use.route for use in rows.uses} == set(rows.routes)
    for kind in rows.kinds.values():
        assert kind.id in rows.base_metals or kind.cls in rows.base_metals
    for route in rows.routes:
        assert f"days:{route}" in rows.shares


def test_no_metal_for_cementing_has_a_price() -> None:
    assert all(isinstance(item, Item) for item in shipped().items.values())
    assert [i.id for i in shipped().items.values() if i.price is None] == ["copper-pieces", "iron-pieces"]


def test_a_stream_is_of_the_kinds_of_the_batch_that_left_it() -> None:
    """0.3 kg of a stream of a batch of 3 kg of fingers and 1 kg of pins: a quarter of it counts as pins."""
    import datetime as dt

    from gradeest.records.domain import Batch, Bench, Charge, Fraction, Lot, Stream
    from gradeest.workflow.costing import kilos_by_kind

    day = dt.date(2024, 1, 5)
    lot = Lot("shed", day, (Fraction("strips", "fingers-memory", 5.0), Fraction("pins", "pins-full", 5.0)))
    first = Batch(
        "B1", day, "mixed-chloride", (Charge("shed/strips", 3.0), Charge("shed/pins", 1.0)),
        streams=(Stream("oversize", "B1", "set-aside", 0.4, None, day),),
    )  # fmt: skip
    second = Batch("B2", day, "mixed-chloride", (Charge("B1/oversize", 0.3), Charge("shed/pins", 0.5)))
    bench = Bench({"shed": lot}, {"B1": first, "B2": second})
    assert kilos_by_kind(bench, second) == pytest.approx({"fingers-memory": 0.225, "pins-full": 0.575})
