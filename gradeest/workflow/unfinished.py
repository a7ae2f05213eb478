"""What is unfinished: jars begun, open batches, liquids kept, streams, solutions that wait, products not sold."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np

from gradeest.errors import InputError
from gradeest.records.domain import LEFT_OVER, METALS, Batch, Bench, Product, Stream
from gradeest.records.rules import kept_liquids
from gradeest.records.sorting import pile_left_kg, untouched_kg
from gradeest.records.storage import storage_days
from gradeest.workflow.believing import believe
from gradeest.workflow.opening import Opened, Place, open_bench
from gradeest.workflow.outlook import Trust, load_prices, say_invented, trust_in
from gradeest.workflow.telling import Report, say_nothing

if TYPE_CHECKING:
    from gradeest.decision.prices import Prices
    from gradeest.decision.summary import Interval
    from gradeest.workflow.holdings import Holdings, MetalHeld, Values, Worth

LEAST_KG = 1e-6  # less than this is nothing left
Sort = Literal["jar", "open batch", "liquid kept", "set aside", "residue", "wiped up", "solution", "product"]
SORTS: Mapping[str, Sort] = {
    "set-aside": "set aside", "residue": "residue", "wiped-up": "wiped up", "solution": "solution",
}  # fmt: skip
ASK_AUTHORITY = "local rules limit how long such material may be kept: ask your authority"
ROUGH = "rough"


@dataclass(frozen=True)
class Item:
    """One unfinished thing, before any estimate. `left` in `unit` (kg, g of a product, L of a solution; None: none).

    `since` is the day from which it is there: of a jar that of its lot, of a batch its beginning.
    """

    sort: Sort
    address: str
    left: float | None
    unit: str
    what: str  # kind, route, form
    since: dt.date
    metal: str = ""  # of a liquid or product: the one metal it is kept for


@dataclass(frozen=True)
class OpenItem:
    """One unfinished thing as shown: age in days, whether it is over the storage clock, metal in g, worth.

    `value` is None without prices, and where a thing must not be processed; it counts the metals that the usual route
    brings out. `counted_in` names the thing that its metal is already counted in.
    """

    sort: Sort
    address: str
    left: float | None
    unit: str
    what: str
    since: dt.date
    age_days: int
    is_over: bool
    metals: tuple[MetalHeld, ...]
    value: Interval | None
    remark: str
    counted_in: str = ""


@dataclass(frozen=True)
class OpenShown:
    """Everything unfinished. `total_value` counts no metal twice; `untouched_over` are fractions that nobody began
    and that are over the storage clock too."""

    items: tuple[OpenItem, ...]
    total_value: Interval | None
    currency: str
    no_prices: str  # why there is no value
    clock_days: int | None
    untouched_over: tuple[str, ...]
    caution: str
    today: dt.date
    invented: str
    trust: Trust | None  # None where there is nothing to estimate
    catalogue_version: str


def list_open(bench: Bench) -> tuple[Item, ...]:
    """Everything unfinished, in the order of the bench: jars, batches with what they left, products."""
    return (*_jars(bench), *(item for batch in bench.batches.values() for item in _of_batch(bench, batch)))


def _jars(bench: Bench) -> Iterator[Item]:
    for address in bench.addresses():
        left = bench.left_kg(address)
        if left >= LEAST_KG and bench.last_taken(address) is not None:
            yield Item("jar", address, left, "kg", bench.fraction(address).kind, bench.since(address))


def _of_batch(bench: Bench, batch: Batch) -> Iterator[Item]:
    if batch.is_open:
        what = f"{batch.route}, a trial" if batch.trial else batch.route
        yield Item("open batch", batch.name, batch.mass_kg, "kg", what, batch.date)
        for metal in kept_liquids(batch):
            since = max(none.date for none in batch.nondetects if none.metal == metal)
            yield Item("liquid kept", batch.name, None, "", f"{metal} not found in it yet", since, metal)
    for stream in batch.streams:
        if stream.mass_kg is None:
            left, unit = bench.solution_left_l(stream.address), "L"
        else:
            left, unit = bench.left_kg(stream.address), "kg"
        if left > 0:
            yield Item(SORTS[stream.sort], stream.address, left, unit, f"from {batch.name}", stream.date)
    for product in batch.products:
        address = f"{batch.name}/{product.name}"
        grams = bench.product_left_g(address)
        if grams > 0:
            yield Item("product", address, grams, "g", product.form, product.date, product.metal)


def untouched_since(bench: Bench) -> dict[str, dt.date]:
    """Fractions that nothing was taken of, and boards not done with, with the day from which they are there."""
    kept = [a for a in bench.addresses() if bench.left_kg(a) >= LEAST_KG and not bench.last_taken(a)]
    for address in bench.pile_addresses():
        if untouched_kg(bench, address) is None or pile_left_kg(bench, address) >= LEAST_KG:
            kept.append(address)
    return {address: bench.since(address) for address in kept}


def is_over(since: dt.date, today: dt.date, days: int | None) -> bool:
    """Whether something is kept longer than the storage clock allows."""
    return days is not None and (today - since).days > days


def show_open(place: Place, *, prices: Path | None = None, report: Report = say_nothing) -> OpenShown:
    """Everything unfinished with its estimated metal and worth. Raises InputError where `prices` cannot be used."""
    with open_bench(place) as opened:
        found, why = prices_or_why(opened, prices)
        bench, days = opened.bench, storage_days(opened.bench)
        items = list_open(bench)
        untouched = tuple(a for a, since in untouched_since(bench).items() if is_over(since, place.today, days))
        caution = ASK_AUTHORITY if untouched or any(is_over(i.since, place.today, days) for i in items) else ""
        invented = say_invented(list(bench.lots.values()))
        version, currency = opened.catalogue.version, found.currency if found is not None else ""
        if not items:
            return OpenShown(
                (), None, currency, why, days, untouched, caution, place.today, invented, None, version
            )  # fmt: skip
        posterior = believe(opened, report=report)
        from gradeest.workflow.holdings import Holdings, Worth

        holdings = Holdings(opened, posterior)
        worth = Worth(opened, found, posterior.draws) if found is not None else None
        shown, total = estimate(holdings, worth, items, days)
        return OpenShown(
            shown, total, currency, why, days, untouched, caution, place.today, invented, trust_in(posterior), version
        )


def prices_or_why(opened: Opened, path: Path | None) -> tuple[Prices | None, str]:
    """The user's prices, or why there are none; what was named on purpose must be usable. Raises InputError."""
    try:
        return load_prices(opened, path)[0], ""
    except InputError as err:
        if path is not None:
            raise
        hint = err.hint or "; ".join(str(issue) for issue in err.issues[:2])
        return None, " - ".join(part for part in (err.message, hint) if part)


@dataclass(frozen=True)
class Estimate:
    """Metal in an item, draws (draw, metal) in g; `rests_on` by metal, empty where it must not be processed.

    `recovered`: the metals that the usual route brings out; `counted_in`: the thing that the metal is counted in.
    """

    grams: Values
    rests_on: Mapping[str, str]
    recovered: Collection[str] = METALS
    remark: str = ""
    counted_in: str = ""

    @property
    def comes_out(self) -> Values:
        """The same without the metals that the usual route leaves behind: what has a worth."""
        return self.grams * [metal in self.recovered and metal in self.rests_on for metal in METALS]


def estimate(
    holdings: Holdings, worth: Worth | None, items: tuple[Item, ...], days: int | None
) -> tuple[tuple[OpenItem, ...], Interval | None]:
    """The items with their metal and worth, and what all are worth together (None without prices)."""
    from gradeest.decision.summary import Interval
    from gradeest.workflow.holdings import summarise

    today = holdings.opened.place.today
    shown, total = [], None
    for item in items:
        found = estimate_item(holdings, item)
        value = None
        if worth is not None and found.rests_on:
            money = worth.of(found.comes_out)
            value = Interval.of(money)
            if not found.counted_in:
                total = money if total is None else total + money
        metals = summarise(found.grams, found.rests_on, found.recovered)
        age, over = (today - item.since).days, is_over(item.since, today, days)
        row = OpenItem(
            item.sort, item.address, item.left, item.unit, item.what, item.since, age, over, metals, value,
            found.remark, found.counted_in,
        )  # fmt: skip
        shown.append(row)
    return tuple(shown), None if total is None else Interval.of(total)


def estimate_item(holdings: Holdings, item: Item) -> Estimate:
    """Metal in an unfinished thing."""
    bench, catalogue = holdings.bench, holdings.catalogue
    if item.sort == "jar":
        return estimate_feed(holdings, item.address)
    batch = bench.batches[item.address.partition("/")[0]]
    recovered = tuple(metal for metal in METALS if metal in catalogue.routes[batch.route].recovery)
    told = {metal: holdings.rests_on(batch, metal) for metal in METALS}
    if item.sort == "product":
        product: Product = bench.product(item.address)
        grams = np.zeros((holdings.draws, len(METALS)))
        grams[:, METALS.index(product.metal)] = holdings.fine(product, item.left)
        remark = "damp" if product.damp else ""
        return Estimate(grams, {product.metal: "its weight"}, remark=remark)
    if item.sort in ("open batch", "liquid kept"):
        kept = set(kept_liquids(batch))
        wanted = {item.metal} if item.metal else set(recovered) - kept
        grams = holdings.at_work(batch) * [metal in wanted for metal in METALS]
        remark = "test it first" if item.metal else ("its liquid: see below" if kept else "")
        if batch.trial and not item.metal:
            remark = "; ".join(filter(None, (remark, f"a trial of {batch.charges[0].address}")))
        return Estimate(grams, {metal: text for metal, text in told.items() if metal in wanted}, recovered, remark)
    stream: Stream = bench.stream(item.address)
    grams = holdings.left_of_stream(stream, holdings.streams(batch)[stream.name])
    if stream.sort == "wiped-up":
        return Estimate(grams, told, recovered, f"{ROUGH}: a share of what was lost")
    if stream.sort in LEFT_OVER and batch.is_open:
        return Estimate(grams, told, recovered, f"{ROUGH}; counted in {batch.name}", batch.name)
    return Estimate(grams, told, recovered, ROUGH)


def estimate_feed(holdings: Holdings, address: str) -> Estimate:
    """Metal in what is left of a fraction."""
    catalogue, told = holdings.catalogue, holdings.posterior.rests_on
    grams, kind = holdings.in_jar(address), catalogue.kinds[holdings.bench.fraction(address).kind]
    if kind.stop:
        return Estimate(grams, {}, remark="not to be processed")
    recovered = catalogue.routes[kind.usual_route].recovery if kind.usual_route else METALS
    return Estimate(grams, {m: told.get((address, m), "prior only") for m in METALS}, tuple(recovered))
