"""A year of the bench: kilos in, metal out, paid and spent, hours, money per hour, and the stock at today's prices."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from gradeest.errors import InputError
from gradeest.materials.catalogue import Catalogue
from gradeest.records.domain import METALS, Batch, Bench, Sale
from gradeest.records.references import sort_of_address
from gradeest.records.refined import share_standing
from gradeest.records.rules import kept_liquids
from gradeest.workflow.believing import believe
from gradeest.workflow.opening import Opened, Place, open_bench
from gradeest.workflow.outlook import Trust, say_invented, trust_in
from gradeest.workflow.telling import Report, say_nothing
from gradeest.workflow.unfinished import list_open, prices_or_why

if TYPE_CHECKING:
    from gradeest.decision.prices import NamedDraws, Prices
    from gradeest.decision.summary import Interval
    from gradeest.workflow.holdings import Holdings, Values, Worth

UNSORTED, BOARDS = "unsorted", "boards"
LEAST_HOURS = 1e-9


@dataclass(frozen=True)
class FeedIn:
    """Kilos that came in, of one class (`unsorted` for what was not sorted yet)."""

    cls: str
    class_name: str
    mass_kg: float


@dataclass(frozen=True)
class MetalOut:
    """One metal of the year: products weighed, their fine metal in g, and how much of it was sold in the year."""

    metal: str
    products: int
    weighed_g: Interval
    sales: int
    sold_g: Interval


@dataclass(frozen=True)
class Runs:
    """The batches begun in the year: all of them count, also those that gave nothing.

    `without_result`: nothing was recorded of them; `gave_nothing`: nothing dropped, and no liquid is kept.
    """

    begun: int
    still_open: int
    without_result: int
    gave_nothing: int
    mass_kg: float
    no_rows: tuple[str, ...]  # routes that no hours are known of


@dataclass(frozen=True)
class Told:
    """What was recorded of the year's batches: money and hours, and how many batches have none (estimated instead)."""

    spent: float
    hours: float
    without_spent: int
    without_hours: int


@dataclass(frozen=True)
class Money:
    """Money of the year. Sales and lots are as recorded; so are consumables, waste and hours of the batches of
    which they were, and estimated by rows of the others (`told`).

    `balance` is paid - spent - consumables; `per_hour` that by the hours of the year's batches (None without any);
    `per_hour_with_products` counts the year's products that are still there at today's prices (None without prices or
    without such products).
    """

    paid: float
    paid_by: dict[str, float]  # "products", "feed", "streams"
    sales: int
    spent: float
    lots: int
    lots_without_price: int
    consumables: Interval
    hours: Interval
    told: Told
    balance: Interval
    per_hour: Interval | None
    per_hour_with_products: Interval | None
    rows: str  # whose rows the estimates are


@dataclass(frozen=True)
class StockWorth:
    """What stands on the bench today, in money at today's prices: metal before fees, work and loss."""

    what: str  # "products", "in work and set aside", "feed"
    things: int
    metals: tuple[StockMetal, ...]
    value: Interval | None


@dataclass(frozen=True)
class StockMetal:
    """Metal in a part of the stock, g."""

    metal: str
    grams: Interval


@dataclass(frozen=True)
class YearShown:
    """A year of the bench; the stock is that of today, whatever the year."""

    year: int
    today: dt.date
    feed: tuple[FeedIn, ...]
    feed_kg: float
    metals: tuple[MetalOut, ...]
    runs: Runs
    money: Money
    stock: tuple[StockWorth, ...]
    stock_value: Interval | None
    currency: str
    no_prices: str
    invented: str
    trust: Trust
    catalogue_version: str


def show_year(
    place: Place, year: int | None = None, *, prices: Path | None = None, report: Report = say_nothing
) -> YearShown:
    """A year (this one by default). Raises InputError for a year in the future, or prices that cannot be used."""
    with open_bench(place) as opened:
        wanted = place.today.year if year is None else year
        if not 1900 <= wanted <= place.today.year:
            raise InputError(f"{wanted} is no year to look back on", f"a year up to {place.today.year}")
        found, why = prices_or_why(opened, prices)
        posterior = believe(opened, report=report)
        from gradeest.workflow.holdings import Holdings

        return make_year(Holdings(opened, posterior), wanted, found, why)


def make_year(holdings: Holdings, year: int, prices: Prices | None, why: str) -> YearShown:
    """The books of a year, of a belief and of prices (None: no money but what was recorded)."""
    from gradeest.decision.summary import Interval
    from gradeest.workflow.holdings import Worth

    opened = holdings.opened
    worth = Worth(opened, prices, holdings.draws) if prices is not None else None
    feed = feed_of(opened, year)
    stock, value = stock_now(holdings, worth)
    return YearShown(
        year, opened.place.today, feed, sum(row.mass_kg for row in feed), metal_of(holdings, year),
        runs_of(opened, year, prices), money_of(holdings, year, prices, worth), stock,
        None if value is None else Interval.of(value), prices.currency if prices is not None else "", why,
        say_invented(list(opened.bench.lots.values())), trust_in(holdings.posterior), opened.catalogue.version,
    )  # fmt: skip


def feed_of(opened: Opened, year: int) -> tuple[FeedIn, ...]:
    """Kilos that came in during a year by class: lots of the year, and what was added to jars in it.

    Heaps, and what was taken off boards, are parts of what came in before and count no second time.
    """
    bench, catalogue = opened.bench, opened.catalogue
    kilos: dict[str, float] = {}

    def add(cls: str, mass_kg: float) -> None:
        kilos[cls] = kilos.get(cls, 0.0) + mass_kg

    heaps = {f"{s.address.partition('/')[0]}/{heap}" for s in bench.splits for heap in s.heaps}
    for lot in bench.lots.values():
        if lot.date.year != year:
            continue
        for fraction in lot.fractions:
            address = f"{lot.name}/{fraction.name}"
            if address not in heaps:
                later = sum(one.mass_kg for one in bench.additions if one.address == address)
                off_boards = sum(one.mass_kg for one in bench.weighings if one.address == address)
                add(catalogue.kinds[fraction.kind].cls, fraction.mass_kg - later - off_boards)
        for pile in lot.boards:
            add(BOARDS, pile.mass_kg or 0.0)
        if lot.unsorted_kg:
            add(UNSORTED, lot.unsorted_kg)
    for addition in bench.additions:
        if addition.date.year == year:
            add(catalogue.kinds[bench.fraction(addition.address).kind].cls, addition.mass_kg)
    order = [*catalogue.classes, BOARDS, UNSORTED]
    names = {**catalogue.classes, BOARDS: "boards, as they came", UNSORTED: "not sorted yet"}
    return tuple(FeedIn(cls, names[cls], kilos[cls]) for cls in order if kilos.get(cls, 0.0) > 0)


def metal_of(holdings: Holdings, year: int) -> tuple[MetalOut, ...]:
    """Metal weighed and metal sold in a year: fine, by weight and purity; what was refined again is in what it gave."""
    from gradeest.decision.summary import Interval

    bench = holdings.bench
    found = []
    for metal in METALS:
        weighed, sold = np.zeros(holdings.draws), np.zeros(holdings.draws)
        products = [p for b in bench.batches.values() for p in b.products if p.metal == metal and p.date.year == year]
        shares = [share_standing(bench, f"{product.batch}/{product.name}") for product in products]
        for product, share in zip(products, shares, strict=True):
            weighed += holdings.fine(product) * share
        sales = [s for s in sales_of(bench, year) if is_product_of(bench, s, metal)]
        for sale in sales:
            sold += holdings.fine(bench.product(sale.address), sale.weight_g)
        if products or sales:
            count = sum(share > 0 for share in shares)
            found.append(MetalOut(metal, count, Interval.of(weighed), len(sales), Interval.of(sold)))
    return tuple(found)


def sales_of(bench: Bench, year: int) -> list[Sale]:
    """The sales of a year."""
    return [sale for sale in bench.sales if sale.date.year == year]


def is_product_of(bench: Bench, sale: Sale, metal: str) -> bool:
    """Whether a product of this metal was sold."""
    return sort_of_address(sale.address) == "product" and bench.product(sale.address).metal == metal


def batches_of(bench: Bench, year: int) -> list[Batch]:
    """The batches begun in a year."""
    return [batch for batch in bench.batches.values() if batch.date.year == year]


def runs_of(opened: Opened, year: int, prices: Prices | None) -> Runs:
    """The batches of a year, counted."""
    from gradeest.workflow.hands_on import hours_rows

    batches = batches_of(opened.bench, year)
    routes = dict.fromkeys(batch.route for batch in batches)
    return Runs(
        len(batches),
        sum(batch.is_open for batch in batches),
        sum(not batch.products and not batch.nondetects for batch in batches),
        sum(bool(b.nondetects) and not b.products and not kept_liquids(b) for b in batches),
        sum(batch.mass_kg for batch in batches),
        tuple(route for route in routes if hours_rows(opened.catalogue, prices, route) is None),
    )


def costs_and_hours(
    holdings: Holdings, prices: Prices | None, batches: Sequence[Batch], named: NamedDraws
) -> tuple[Values, Values]:
    """Money for what batches use up, and their hands-on hours, (draw,) each: as recorded, else estimated.

    A row is drawn once: all batches of a route share it, as in the ranking.
    """
    from gradeest.decision.costs import Costing
    from gradeest.workflow.costing import bill_batch
    from gradeest.workflow.hands_on import all_hours, hours_of_batch, hours_of_run

    cost, hours = np.zeros(named.draws), np.zeros(named.draws)
    costing = Costing.of(prices, holdings.catalogue, named)
    for batch in batches:
        spent = holdings.bench.spent_on(batch.name)
        cost += bill_batch(holdings, batch, costing).money if spent is None else spent
        worked = all_hours(holdings.bench, batch, holdings.catalogue)
        if worked is None:
            expected = hours_of_run(holdings.opened, prices, batch.route, batch.mass_kg, named)
            hours += hours_of_batch(holdings.opened, batch, expected)
        else:
            hours += worked
    return cost, hours


def money_of(holdings: Holdings, year: int, prices: Prices | None, worth: Worth | None) -> Money:
    """Paid, spent, hours, and money per hour of a year, failed runs and waste included."""
    from gradeest.decision.prices import NamedDraws
    from gradeest.decision.summary import Interval
    from gradeest.workflow.believing import stream

    bench = holdings.bench
    sales = sales_of(bench, year)
    lots = [lot for lot in bench.lots.values() if lot.date.year == year]
    paid, spent = sum(sale.amount for sale in sales), sum(lot.price_paid or 0.0 for lot in lots)
    paid_by = {"products": 0.0, "feed": 0.0, "streams": 0.0}
    for sale in sales:
        paid_by[{"product": "products", "fraction": "feed", "stream": "streams"}[sort_of_address(sale.address)]] += (
            sale.amount
        )
    named = NamedDraws(stream(holdings.opened.place, "prices"), holdings.draws)
    cost, hours = costs_and_hours(holdings, prices, batches_of(bench, year), named)
    balance = paid - spent - cost
    per_hour = Interval.of(balance / hours) if hours.min() > LEAST_HOURS else None
    with_products = None
    left = products_left(holdings, year)
    if per_hour is not None and worth is not None and left.any():
        with_products = Interval.of((balance + worth.of(left)) / hours)
    return Money(
        paid, paid_by, len(sales), spent, len(lots), sum(lot.price_paid is None for lot in lots), Interval.of(cost),
        Interval.of(hours), told_in(bench, year, holdings.catalogue), Interval.of(balance), per_hour, with_products,
        "your prices" if prices is not None else "priors, in units of your currency",
    )  # fmt: skip


def told_in(bench: Bench, year: int, catalogue: Catalogue) -> Told:
    """Money and hours recorded of the batches of a year, where all hours of a batch are told."""
    from gradeest.workflow.hands_on import all_hours

    batches = batches_of(bench, year)
    spent = [bench.spent_on(batch.name) for batch in batches]
    hours = [all_hours(bench, batch, catalogue) for batch in batches]
    return Told(sum(s or 0.0 for s in spent), sum(h or 0.0 for h in hours), spent.count(None), hours.count(None))


def products_left(holdings: Holdings, year: int | None = None) -> Values:
    """Fine metal in products (of one year, or all) that were not sold or discarded."""
    found = np.zeros((holdings.draws, len(METALS)))
    for batch in holdings.bench.batches.values():
        for product in batch.products:
            left = holdings.bench.product_left_g(f"{batch.name}/{product.name}")
            if left > 0 and year in (None, product.date.year):
                found[:, METALS.index(product.metal)] += holdings.fine(product, left)
    return found


def stock_now(holdings: Holdings, worth: Worth | None) -> tuple[tuple[StockWorth, ...], Values | None]:
    """What stands on the bench today, in three parts, and its worth together; nothing is counted twice."""
    from gradeest.decision.summary import Interval
    from gradeest.workflow.unfinished import estimate_feed, estimate_item

    bench, zero = holdings.bench, np.zeros((holdings.draws, len(METALS)))
    grams = {"products": products_left(holdings), "in work and set aside": zero.copy(), "feed": zero.copy()}
    things = dict.fromkeys(grams, 0)
    for item in list_open(bench):
        if item.sort == "product":
            things["products"] += 1
        elif item.sort != "jar":
            found = estimate_item(holdings, item)
            things["in work and set aside"] += 1
            if found.rests_on and not found.counted_in:
                grams["in work and set aside"] += found.comes_out
    for address in bench.addresses():
        if bench.left_kg(address) > 0:
            things["feed"] += 1
            grams["feed"] += estimate_feed(holdings, address).comes_out
    rows, total = [], None
    for what, held in grams.items():
        value = worth.of(held) if worth is not None else None
        if value is not None:
            total = value if total is None else total + value
        metals = tuple(StockMetal(metal, Interval.of(held[:, m])) for m, metal in enumerate(METALS))
        rows.append(StockWorth(what, things[what], metals, None if value is None else Interval.of(value)))
    return tuple(rows), total
