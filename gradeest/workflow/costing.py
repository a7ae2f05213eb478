"""What a batch costs: the bill of one to come or of one that was run, for the budget; and what it brought."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from gradeest.belief.outcome import Run
from gradeest.decision.costs import Bill, Costing, Line, metal_of_run
from gradeest.decision.days import draw_days
from gradeest.decision.prices import NamedDraws, Prices
from gradeest.decision.summary import Interval
from gradeest.errors import InputError
from gradeest.materials.hazards import DEFER, SELL_OR_HAND_OVER, stop_reason
from gradeest.records.domain import METALS, Batch, Bench
from gradeest.records.findings import Findings
from gradeest.records.references import batches_hint, is_fraction
from gradeest.records.refined import takes_products
from gradeest.workflow.believing import believe, run_forward, state_of, stream
from gradeest.workflow.gates import say_before
from gradeest.workflow.hands_on import all_hours, days_told, hours_of_batch, hours_of_run, steps_of
from gradeest.workflow.opening import Opened, Place, open_bench
from gradeest.workflow.outlook import LEAST_KG, Trust, trust_in
from gradeest.workflow.telling import Report, say_nothing
from gradeest.workflow.unfinished import prices_or_why

if TYPE_CHECKING:
    from gradeest.decision.costs import Array
    from gradeest.decision.hours import Hours
    from gradeest.workflow.holdings import Holdings

BUDGET = "for the budget, not for dosing"
ALMOST_WHOLE = 1e-9  # a pack that is full but for rounding is one pack


@dataclass(frozen=True)
class BillRow:
    """One item of a bill: what to buy, in whole packs, in the middle and in the dear case; and its money.

    `money` is that of what is used up, None where nobody gave a price or where a row of the user's own replaces it.
    """

    item: str
    name: str
    unit: str
    buy: float
    buy_most: float
    money: Interval | None


@dataclass(frozen=True)
class Recovered:
    """Fine metal weighed of a batch, g, and what it is worth at the user's prices before fees (None without prices)."""

    metal: str
    fine_g: Interval
    value: Interval | None


@dataclass(frozen=True)
class CostShown:
    """The bill of a batch. Money in `currency` ("" without prices: in units of the user's own).

    `own`: rows of the price file that replace lines; `spent` and `worked`: money and all hours recorded of the batch
    (by step in `steps`; of a step without a record what is expected, `by_step`), which count in `labour` (hours at the
    user's rate) and `together` instead of the estimates;
    `recovered` and `over_cost` (their value less `together`) only for a batch that has products.
    """

    address: str
    route: str
    route_line: str
    mass_kg: float
    is_done: bool
    headed: str
    rows: tuple[BillRow, ...]
    own: Mapping[str, Interval]
    unpriced: tuple[str, ...]
    cost: Interval
    hours: Interval
    by_step: Mapping[str, Interval]
    labour: Interval | None
    together: Interval
    days: Interval | None
    spent: float | None
    worked: float | None
    steps: Mapping[str, float]
    recovered: tuple[Recovered, ...]
    over_cost: Interval | None
    currency: str
    no_prices: str
    notes: tuple[str, ...]
    defer: str
    trust: Trust
    catalogue_version: str
    seed: int
    engine: str


@dataclass(frozen=True)
class Charged:
    """What a bill is made for: kilos by kind, contained metal (draw,) by symbol, and the batch if there is one."""

    route: str
    kilos: Mapping[str, float]
    metal_g: Mapping[str, Array]
    batch: Batch | None

    @property
    def mass_kg(self) -> float:
        """All that went in: of a batch its products too, which are of no kind."""
        return sum(self.kilos.values()) if self.batch is None else self.batch.mass_kg


def show_cost(
    place: Place,
    address: str,
    *,
    route: str | None = None,
    mass_kg: float | None = None,
    prices: Path | None = None,
    report: Report = say_nothing,
) -> CostShown:
    """The bill of what is left of a fraction (or `mass_kg` of it) by a route (its usual one), or of a batch.

    Raises InputError for what is not there, is used up, or must not be processed.
    """
    with open_bench(place) as opened:
        found, why = prices_or_why(opened, prices)
        batch = opened.bench.batches.get(address)
        if batch is not None and (route is not None or mass_kg is not None):
            raise InputError(f"{address} has its route and its charges", "leave --route and --mass out")
        run = None if batch is not None else _run_of(opened, address, route, mass_kg)
        posterior = believe(opened, state_of(opened), report=report)
        from gradeest.workflow.holdings import Holdings

        holdings = Holdings(opened, posterior)
        if batch is not None:
            charged = Charged(batch.route, kilos_by_kind(opened.bench, batch), metal_in(holdings, batch), batch)
        else:
            assert run is not None
            kind = opened.bench.fraction(address).kind
            outcome = run_forward(opened, posterior, [run])
            charged = Charged(run.route, {kind: run.mass_kg}, metal_of_run(outcome, 0), None)
        return _make(holdings, address, charged, found, why)


def _run_of(opened: Opened, address: str, route: str | None, mass_kg: float | None) -> Run:
    bench, catalogue, found = opened.bench, opened.catalogue, Findings()
    if "/" not in address and address not in bench.lots:
        found.error("address", f"there is no batch '{address}'", batches_hint(bench))
    elif is_fraction(address, bench, found, "address"):
        kind = catalogue.kinds[bench.fraction(address).kind]
        left = bench.left_kg(address)
        way = route if route is not None else kind.usual_route
        if left < LEAST_KG:
            found.error("address", f"nothing is left of {address}", "name the batch it went into")
        elif mass_kg is not None and not 0 < mass_kg <= left * 1.02:
            found.error("mass", f"{mass_kg:g} kg of {address} cannot be", f"more than nothing, at most {left:.6g} kg")
        if way and way not in catalogue.routes:
            found.error("route", f"there is no route '{way}'", f"one of: {', '.join(catalogue.routes)}")
        elif way and catalogue.routes[way].takes == "products":
            found.error("route", f"{way} takes what was weighed before, {address} is none", "another route")
        else:
            stop = stop_reason(kind.id, way, catalogue)
            if stop is not None:
                found.error("route", f"refused (STOP): {stop.line} [{stop.authority}]", SELL_OR_HAND_OVER)
            elif not way:
                found.error("route", f"no route is offered for {kind.id}", "sell it as it is, or name one: --route")
        if not found.has_errors:
            return Run(address, left if mass_kg is None else min(mass_kg, left), way)
    raise InputError(f"cost {address}: there is nothing to be counted", issues=found.issues)


def _make(holdings: Holdings, address: str, charged: Charged, prices: Prices | None, why: str) -> CostShown:
    opened = holdings.opened
    draws = next(iter(charged.metal_g.values())).shape[0]
    named = NamedDraws(stream(opened.place, "prices"), draws)
    bill = Costing.of(prices, opened.catalogue, named).bill(charged.route, charged.kilos, charged.metal_g)
    hours = hours_of_run(opened, prices, charged.route, charged.mass_kg, named)
    batch = charged.batch
    spent = None if batch is None else opened.bench.spent_on(batch.name)
    worked = all_hours(opened.bench, batch, opened.catalogue)
    rate = prices.hours_rate if prices is not None else 0.0
    counted_hours = hours.total if batch is None else hours_of_batch(opened, batch, hours)
    together = (bill.money if spent is None else np.full(draws, spent)) + rate * counted_hours
    recovered, over = _recovered(holdings, batch, prices, together)
    days = draw_days(charged.route, days_told(opened.bench, opened.catalogue), opened.catalogue, named)
    return CostShown(
        address, charged.route, opened.catalogue.routes[charged.route].line, charged.mass_kg,
        batch is not None and not batch.is_open, BUDGET,
        tuple(_row(line, bill) for line in bill.lines), {name: Interval.of(v) for name, v in bill.own.items()},
        bill.unpriced, Interval.of(bill.money), Interval.of(hours.total), by_step(hours),
        Interval.of(rate * counted_hours) if rate else None,
        Interval.of(together), None if days is None else Interval.of(days),
        spent, worked, steps_of(opened.bench, batch),
        recovered, over, prices.currency if prices is not None else "", why,
        (*_notes(bill, prices, batch), *say_before(opened, () if batch is not None else (charged.route,))), DEFER,
        trust_in(holdings.posterior), opened.catalogue.version, opened.place.seed, opened.place.engine,
    )  # fmt: skip


def _row(line: Line, bill: Bill) -> BillRow:
    item, money = line.item, bill.line_money.get(line.item.id)
    middle, dear = np.quantile(line.amount, (0.5, 0.95))
    return BillRow(
        item.id, item.name, item.unit, whole_packs(float(middle), item.pack), whole_packs(float(dear), item.pack),
        None if money is None else Interval.of(money),
    )  # fmt: skip


def by_step(hours: Hours) -> dict[str, Interval]:
    """Hours of every step of the work, the longest first."""
    found = {step: Interval.of(draws) for step, draws in hours.steps.items()}
    return dict(sorted(found.items(), key=lambda item: -item[1].mean))


def whole_packs(amount: float, pack: float) -> float:
    """An amount rounded up to whole packs, in the same unit: what one buys."""
    return math.ceil(amount / pack - ALMOST_WHOLE) * pack


def _recovered(
    holdings: Holdings, batch: Batch | None, prices: Prices | None, spent: Array
) -> tuple[tuple[Recovered, ...], Interval | None]:
    """What a batch brought so far, metal by metal, and what that is worth over its cost.

    The worth of what products were refined into is counted with the batches that gave these.
    """
    if batch is None or not batch.products:
        return (), None
    if takes_products(batch):
        prices = None
    from gradeest.workflow.holdings import Worth

    fine = holdings.weighed(batch)
    worth = Worth(holdings.opened, prices, holdings.draws) if prices is not None else None
    rows, total = [], np.zeros(holdings.draws)
    for m, metal in enumerate(METALS):
        if not fine[:, m].any():
            continue
        only = np.zeros_like(fine)
        only[:, m] = fine[:, m]
        value = None if worth is None else worth.of(only)
        total = total if value is None else total + value
        rows.append(Recovered(metal, Interval.of(fine[:, m]), None if value is None else Interval.of(value)))
    return tuple(rows), None if worth is None else Interval.of(total - spent)


def _notes(bill: Bill, prices: Prices | None, batch: Batch | None) -> tuple[str, ...]:
    notes = []
    if batch is not None and takes_products(batch):
        notes.append("what it gave is worth no more than the products that went in: that counts with their batches")
    if bill.unpriced:
        notes.append(f"without a price, left out of the money: {', '.join(bill.unpriced)}")
    if bill.own:
        notes.append(f"your own {' and '.join(bill.own)} of the price file replaces what its lines would come to")
    if bill.line_money and (prices is None or any(row.startswith("items.") for row in prices.assumed)):
        notes.append(
            "prices of items are guesses of the priors until you type your own under [items] in the price file"
        )
    return tuple(notes)


def bill_batch(holdings: Holdings, batch: Batch, costing: Costing) -> Bill:
    """The bill of a batch that was begun."""
    return costing.bill(batch.route, kilos_by_kind(holdings.bench, batch), metal_in(holdings, batch))


def kilos_by_kind(bench: Bench, batch: Batch) -> dict[str, float]:
    """What went into a batch, kg by kind; a stream is of the kinds of the batch that left it, a product of none."""
    found: dict[str, float] = {}
    for charge in batch.charges:
        if bench.has_product(charge.address):
            continue
        origin = bench.batches.get(charge.address.partition("/")[0])
        if origin is None:
            parts = {bench.fraction(charge.address).kind: 1.0}
        else:
            before = kilos_by_kind(bench, origin)
            parts = {kind: kg / sum(before.values()) for kind, kg in before.items()}
        for kind, share in parts.items():
            found[kind] = found.get(kind, 0.0) + share * charge.mass_kg
    return found


def metal_in(holdings: Holdings, batch: Batch) -> dict[str, Array]:
    """Metal that went into a batch, g by symbol, (draw,)."""
    contained = holdings.contained(batch)
    return {metal: contained[:, m] for m, metal in enumerate(METALS)}
