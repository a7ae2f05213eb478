"""The books of a year against books kept by hand, and what is unfinished against a list by hand. All invented."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from gradeest.belief.posterior import draw_prior
from gradeest.decision.prices import Prices, RouteCosts
from gradeest.decision.summary import Interval
from gradeest.materials.catalogue import Quantiles, load_catalogue
from gradeest.records.domain import (
    METALS,
    Addition,
    Batch,
    Bench,
    Charge,
    Discard,
    Fraction,
    Loss,
    Lot,
    NonDetect,
    Product,
    Sale,
    Split,
    Stream,
)
from gradeest.workflow.holdings import Holdings, Worth
from gradeest.workflow.opening import Opened, Place
from gradeest.workflow.unfinished import estimate, estimate_item, list_open, untouched_since
from gradeest.workflow.yearly import YearShown, make_year

CATALOGUE = load_catalogue()
OLD, DAY, LATER = dt.date(2023, 11, 1), dt.date(2024, 2, 1), dt.date(2024, 5, 1)
TODAY = dt.datetime(2024, 6, 1, tzinfo=dt.UTC)
DRAWS = 2000


def sure(value: float) -> Quantiles:
    return Quantiles(value, value, value)


COSTS = RouteCosts(sure(30.0), sure(10.0), sure(5.0), sure(2.0))  # per batch, per kg; hours per batch, per kg
PRICES = Prices(
    "EUR", {"Au": 80.0, "Ag": 1.0, "Pd": 30.0}, 0.0, {"foils-peroxide": COSTS, "pins-nitric": COSTS},
    {metal: sure(0.9) for metal in METALS}, sure(0.0), {}, {}, {}, {},
)  # fmt: skip
LOTS = {
    "past": Lot("past", OLD, (Fraction("strips", "fingers-memory", 3.0),), price_paid=90.0),
    "shed": Lot(
        "shed", DAY,
        (
            Fraction("strips", "fingers-memory", 2.5, layers_kg=(2.0, 0.5)), Fraction("pins", "pins-full", 1.0),
            Fraction("tilt", "relays-mercury", 0.2), Fraction("coarse", "pins-full", 0.4),
            Fraction("fine", "pins-full", 0.6),
        ),
        price_paid=40.0, unsorted_kg=1.5,
    ),
    "gift": Lot("gift", LATER, (Fraction("cards", "fingers-cards", 0.7),)),
}  # fmt: skip


def gold(name: str, batch: str, weight: float, date: dt.date, metal: str = "Au") -> Product:
    return Product(name, batch, metal, "gold-powder", weight, 0.01, date)


BATCHES = {
    "B1": Batch(
        "B1", OLD, "foils-peroxide", (Charge("past/strips", 3.0),), closed=OLD, products=(gold("au-1", "B1", 6.0, OLD),)
    ),
    "B2": Batch(  # a part set aside, a solution that waits, weighed and closed
        "B2", DAY, "foils-peroxide", (Charge("shed/strips", 1.0, (0.8, 0.2)),), closed=LATER,
        products=(gold("au-1", "B2", 2.0, LATER),),
        streams=(
            Stream("oversize", "B2", "set-aside", 0.1, None, DAY, 5),
            Stream("liquor", "B2", "solution", None, 1.2, DAY, 6),
        ),
    ),
    "B3": Batch(  # it gave nothing
        "B3", DAY, "pins-nitric", (Charge("shed/coarse", 0.4),), closed=LATER,
        nondetects=(NonDetect("B3", "Au", 0.02, "tested-negative", LATER, 8),),
    ),
    "B4": Batch(  # its liquid is kept; part of it was spilled and wiped up
        "B4", LATER, "pins-nitric", (Charge("shed/fine", 0.3),),
        nondetects=(NonDetect("B4", "Au", 0.02, "kept", LATER, 10),),
        losses=(Loss("B4", 0.2, 0.4, "", LATER, 11),),
        streams=(Stream("wiped", "B4", "wiped-up", 0.01, None, LATER, 11),),
    ),
    "B5": Batch("B5", LATER, "foils-peroxide", (Charge("gift/cards", 0.7),)),  # nothing recorded yet
}  # fmt: skip
BENCH = Bench(
    LOTS,
    BATCHES,
    sales=(
        Sale("B1/au-1", 330.0, DAY, weight_g=5.0), Sale("B2/au-1", 60.0, LATER, weight_g=0.8),
        Sale("shed/strips", 12.0, LATER, mass_kg=0.5, layers_kg=(0.4, 0.1)), Sale("B1/au-1", 10.0, OLD, weight_g=0.25),
    ),
    discards=(Discard("B2/oversize", LATER, mass_kg=0.04),),
    splits=(Split("shed/pins", ("coarse", "fine"), 1.0, DAY),),
    additions=(Addition("shed/strips", 0.5, 1, LATER),),
)  # fmt: skip


@pytest.fixture
def holdings(tmp_path: Path) -> Holdings:
    return make_holdings(tmp_path, BENCH)


def make_holdings(tmp_path: Path, bench: Bench) -> Holdings:
    ledger: Any = None
    opened = Opened(Place(tmp_path / "x.ledger", None, 1, "fast", TODAY), ledger, CATALOGUE, bench)
    return Holdings(opened, draw_prior(bench, CATALOGUE, np.random.default_rng(3), DRAWS))


@pytest.fixture
def year(holdings: Holdings) -> YearShown:
    return make_year(holdings, 2024, PRICES, "")


def test_kilos_come_in_once_by_class(year: YearShown) -> None:
    """By hand: strips 2.0 + 0.5 added + cards 0.7; pins 1.0, heaps no second time; relays 0.2; unsorted 1.5."""
    by_class = {row.cls: row.mass_kg for row in year.feed}
    fingers, pins, relays = (CATALOGUE.kinds[kind].cls for kind in ("fingers-memory", "pins-full", "relays-mercury"))
    assert by_class == {
        fingers: pytest.approx(3.2), pins: pytest.approx(1.0), relays: pytest.approx(0.2), "unsorted": 1.5,
    }  # fmt: skip
    assert year.feed_kg == pytest.approx(5.9)


def test_the_money_is_that_of_the_books(year: YearShown) -> None:
    """By hand: sales 330 + 60 + 12, lots 40; four batches of 1.0, 0.4, 0.3, 0.7 kg."""
    money = year.money
    assert (money.paid, money.sales, money.spent) == (402.0, 3, 40.0)
    assert money.paid_by == {"products": 390.0, "feed": 12.0, "streams": 0.0}
    assert (money.lots, money.lots_without_price) == (2, 1)
    assert money.consumables.q50 == pytest.approx(4 * 30 + 2.4 * 10)
    assert money.hours.q50 == pytest.approx(4 * 5 + 2.4 * 2)
    assert money.balance.q50 == pytest.approx(402 - 40 - 144)
    assert money.per_hour is not None
    assert money.per_hour.q50 == pytest.approx(218 / 24.8)


def test_runs_that_gave_nothing_count_in_money_per_hour(holdings: Holdings, year: YearShown) -> None:
    assert (year.runs.begun, year.runs.still_open) == (4, 2)
    assert (year.runs.gave_nothing, year.runs.without_result) == (1, 1)
    assert year.runs.mass_kg == pytest.approx(2.4)
    holdings.opened.bench = replace(BENCH, batches={n: b for n, b in BATCHES.items() if n != "B3"})
    fewer = Holdings(holdings.opened, holdings.posterior)
    flattered = make_year(fewer, 2024, PRICES, "").money.per_hour
    assert flattered is not None and year.money.per_hour is not None  # noqa: PT018
    assert flattered.q50 > year.money.per_hour.q50 + 1


def test_metal_is_weighed_and_sold_in_its_year(year: YearShown) -> None:
    (row,) = year.metals
    share = CATALOGUE.forms["gold-powder"].purity
    assert (row.metal, row.products, row.sales) == ("Au", 1, 2)
    assert row.weighed_g.q50 == pytest.approx(2.0 * share.q50, rel=0.01)
    assert row.sold_g.q50 == pytest.approx(5.8 * share.q50, rel=0.01)
    assert row.weighed_g.q5 < row.weighed_g.q50 < row.weighed_g.q95


def test_products_unsold_count_at_todays_prices_only_where_it_is_said(holdings: Holdings, year: YearShown) -> None:
    without, with_products = year.money.per_hour, year.money.per_hour_with_products
    assert without is not None and with_products is not None  # noqa: PT018
    left = 1.2 * CATALOGUE.forms["gold-powder"].purity.q50 * 80 * 0.9  # of B2/au-1 alone: B1's is of another year
    assert with_products.q50 - without.q50 == pytest.approx(left / 24.8, rel=0.02)
    no_prices = make_year(holdings, 2024, None, "no prices")
    assert (no_prices.money.per_hour_with_products, no_prices.stock_value) == (None, None)
    assert no_prices.money.hours.q5 < no_prices.money.hours.q95  # the rows of the priors
    assert no_prices.money.paid == 402.0


def test_the_stock_is_counted_once(holdings: Holdings, year: YearShown) -> None:
    stock = {row.what: row for row in year.stock}
    assert {what: row.things for what, row in stock.items()} == {
        "products": 2, "in work and set aside": 6, "feed": 3,
    }  # fmt: skip
    gold_in_stock = next(m.grams for m in stock["products"].metals if m.metal == "Au")
    assert gold_in_stock.q50 == pytest.approx((0.75 + 1.2) * CATALOGUE.forms["gold-powder"].purity.q50, rel=0.01)
    total = sum(row.value.mean for row in stock.values() if row.value is not None)
    assert year.stock_value is not None
    assert year.stock_value.mean == pytest.approx(total)
    feed = sum(holdings.in_jar(address) for address in ("shed/strips", "shed/fine"))  # never the relays
    assert next(m.grams.mean for m in stock["feed"].metals if m.metal == "Au") == pytest.approx(feed[:, 0].mean())


def test_a_year_without_anything_is_empty(holdings: Holdings) -> None:
    empty = make_year(holdings, 2022, PRICES, "")
    assert (empty.feed, empty.metals, empty.runs.begun) == ((), (), 0)
    assert (empty.money.paid, empty.money.spent, empty.money.per_hour) == (0, 0, None)


# --- what is unfinished


def test_what_is_unfinished_is_listed_by_hand() -> None:
    listed = [(item.sort, item.address, item.left) for item in list_open(BENCH)]
    assert listed == [
        ("jar", "shed/strips", pytest.approx(1.0)),
        ("jar", "shed/fine", pytest.approx(0.3)),
        ("product", "B1/au-1", pytest.approx(0.75)),
        ("set aside", "B2/oversize", pytest.approx(0.06)),
        ("solution", "B2/liquor", 1.2),
        ("product", "B2/au-1", pytest.approx(1.2)),
        ("open batch", "B4", pytest.approx(0.3)),
        ("liquid kept", "B4", None),
        ("wiped up", "B4/wiped", 0.01),
        ("open batch", "B5", pytest.approx(0.7)),
    ]
    assert set(untouched_since(BENCH)) == {"shed/tilt"}


def test_what_is_gone_is_not_unfinished() -> None:
    gone = (*BENCH.discards, Discard("B2/liquor", LATER), Discard("B1/au-1", LATER, weight_g=0.75))
    addresses = {item.address for item in list_open(replace(BENCH, discards=gone))}
    assert not addresses & {"B2/liquor", "B1/au-1"}


def test_a_stream_is_its_row_of_shares_times_what_went_in(tmp_path: Path) -> None:
    """One stream alone, the batch still open: share row x contained metal, by quantiles of the row itself."""
    open_one = replace(BATCHES["B2"], closed=None, products=(), streams=BATCHES["B2"].streams[:1])
    holdings = make_holdings(tmp_path, replace(BENCH, batches={**BATCHES, "B2": open_one}))
    share = holdings.streams(open_one)["oversize"] / holdings.contained(open_one)
    row = CATALOGUE.shares["set-aside"]
    error = 3 * np.sqrt(0.05 * 0.95 / DRAWS)
    assert np.mean(share[:, 0] < row.q5) == pytest.approx(0.05, abs=error)
    assert np.quantile(share[:, 0], 0.5) == pytest.approx(row.q50, rel=0.15)
    in_work = holdings.at_work(open_one)[:, 0]
    assert in_work + holdings.streams(open_one)["oversize"][:, 0] == pytest.approx(holdings.contained(open_one)[:, 0])


def test_streams_of_a_weighed_batch_hold_no_more_than_its_product_leaves_over(holdings: Holdings) -> None:
    batch = BATCHES["B2"]
    together = sum(holdings.streams(batch).values())
    over = np.maximum(holdings.contained(batch) - holdings.weighed(batch), 0)
    assert (together <= over * (1 + 1e-9)).all()
    assert (together[:, 0] < over[:, 0] * 0.999).any()


def test_what_was_discarded_of_a_stream_is_not_in_it(holdings: Holdings) -> None:
    item = next(item for item in list_open(BENCH) if item.address == "B2/oversize")
    whole = holdings.streams(BATCHES["B2"])["oversize"]
    assert estimate_item(holdings, item).grams == pytest.approx(0.6 * whole)


def test_a_kept_liquid_holds_its_metal_and_the_batch_the_others(holdings: Holdings) -> None:
    found = {item.sort: estimate_item(holdings, item) for item in list_open(BENCH) if item.address == "B4"}
    gold_at = METALS.index("Au")
    assert "Au" not in found["open batch"].rests_on
    assert set(found["liquid kept"].rests_on) == {"Au"}
    assert not found["open batch"].grams[:, gold_at].any()
    assert found["liquid kept"].grams[:, gold_at] == pytest.approx(holdings.at_work(BATCHES["B4"])[:, gold_at])
    spilled = holdings.flow(BATCHES["B4"]).parts_g["spilled"][:, gold_at]
    in_work = found["liquid kept"].grams[:, gold_at]
    assert spilled + in_work == pytest.approx(holdings.contained(BATCHES["B4"])[:, gold_at])
    lost = spilled / holdings.contained(BATCHES["B4"])[:, gold_at]
    assert np.quantile(lost, [0.05, 0.95]) == pytest.approx([0.2, 0.4], rel=0.05)
    wiped, row = holdings.streams(BATCHES["B4"])["wiped"][:, gold_at] / spilled, CATALOGUE.shares["wiped-up"]
    assert np.mean(wiped < row.q5) == pytest.approx(0.05, abs=3 * np.sqrt(0.05 * 0.95 / DRAWS))
    assert wiped.max() < 1


def test_a_damp_product_holds_less(holdings: Holdings) -> None:
    dry = gold("au-9", "B2", 2.0, LATER)
    assert holdings.fine(replace(dry, damp=True)).mean() < 0.95 * holdings.fine(dry).mean()


def test_the_sum_counts_no_metal_twice(tmp_path: Path) -> None:
    """A solution of an open batch is part of the batch: without that the sum would be larger."""
    opened_again = replace(BATCHES["B2"], closed=None, products=())
    holdings = make_holdings(tmp_path, replace(BENCH, batches={**BATCHES, "B2": opened_again}))
    worth = Worth(holdings.opened, PRICES, holdings.draws)
    items, total = estimate(holdings, worth, list_open(holdings.bench), 30)
    assert total is not None
    values = [(item.counted_in, item.value) for item in items if item.value is not None]
    once = sum(value.mean for within, value in values if not within)
    assert total.mean == pytest.approx(once)
    assert once < sum(value.mean for _, value in values)
    assert [item.address for item in items if item.counted_in] == ["B2/liquor"]
    assert {item.address for item in items if item.is_over} >= {"shed/strips", "B2/oversize"}


def test_worth_is_price_times_the_share_that_is_paid(holdings: Holdings) -> None:
    worth = Worth(holdings.opened, PRICES, holdings.draws)
    grams = np.tile([2.0, 10.0, 0.5], (holdings.draws, 1))
    assert Interval.of(worth.of(grams)).q50 == pytest.approx(0.9 * (2 * 80 + 10 * 1 + 0.5 * 30))


def test_what_is_in_work_and_set_aside_is_in_the_stock_once(tmp_path: Path) -> None:
    """Gold by hand: what is left of the part set aside, both open batches, what was wiped up; never the solution of a
    batch that is open, which is part of it."""
    opened_again = replace(BATCHES["B2"], closed=None, products=())
    sales = tuple(sale for sale in BENCH.sales if sale.address != "B2/au-1")
    holdings = make_holdings(tmp_path, replace(BENCH, batches={**BATCHES, "B2": opened_again}, sales=sales))
    streams = holdings.streams(opened_again)
    by_hand = 0.6 * streams["oversize"] + holdings.at_work(opened_again)
    by_hand += (
        holdings.at_work(BATCHES["B4"]) + holdings.streams(BATCHES["B4"])["wiped"] + holdings.at_work(BATCHES["B5"])
    )
    row = next(r for r in make_year(holdings, 2024, PRICES, "").stock if r.what == "in work and set aside")
    found = next(m.grams for m in row.metals if m.metal == "Au")
    assert found.mean == pytest.approx(by_hand[:, 0].mean())
    assert streams["liquor"][:, 0].mean() > 0.01 * found.mean
