"""The state of the bench in a few lines, and what to type next. Fast: estimates only where the cache holds them."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from gradeest.materials.catalogue import Catalogue
from gradeest.materials.hazards import check_batch
from gradeest.records.domain import METALS, Batch, Bench
from gradeest.records.refined import share_standing
from gradeest.records.rules import kept_liquids
from gradeest.records.sorting import pile_left_kg, untouched_kg
from gradeest.records.storage import storage_days
from gradeest.workflow.believing import recall
from gradeest.workflow.contradicting import is_contradicted
from gradeest.workflow.opening import Opened, Place, open_bench
from gradeest.workflow.outlook import say_invented
from gradeest.workflow.unfinished import Item, estimate_feed, is_over, list_open, untouched_since

if TYPE_CHECKING:
    from gradeest.decision.summary import Interval


@dataclass(frozen=True)
class Step:
    """A command to type next, and why."""

    command: str
    why: str


@dataclass(frozen=True)
class Weighed:
    """One metal: products on record, g as the balance showed them, and how much of that was not sold or discarded."""

    metal: str
    products: int
    weight_g: float
    left_g: float


@dataclass(frozen=True)
class Standing:
    """The bench at a glance. `estimated_g`: metal in what is left, None where no estimate is at hand; it counts the
    metals that the usual routes bring out."""

    ledger: str
    is_there: bool
    lots: int
    fractions_left: int
    left_kg: float
    unsorted_kg: float
    boards_kg: float
    batches: int
    open_batches: tuple[str, ...]
    weighed: tuple[Weighed, ...]
    waiting: dict[str, int]  # sort of unfinished thing -> how many
    clock_days: int | None
    over: tuple[str, ...]  # addresses over the storage clock
    estimated_g: dict[str, Interval] | None
    earned: float
    invented: str
    next: tuple[Step, ...]


BEGIN = (
    Step("gradeest lot add", "to write down your first lot"),
    Step("gradeest demo", "to see the whole loop on an invented lot"),
)
CONTRADICTED = Step("gradeest forecast", "entries contradict each other: it names them")


def show_standing(place: Place) -> Standing:
    """The bench at a glance. Where there is no ledger it says how to begin."""
    if not place.ledger.exists():
        return Standing(
            str(place.ledger), False, 0, 0, 0.0, 0.0, 0.0, 0, (), (), {}, None, (), None, 0.0, "", BEGIN
        )  # fmt: skip
    with open_bench(place) as opened:
        return make_standing(opened)


def make_standing(opened: Opened) -> Standing:
    """The bench at a glance."""
    bench, today = opened.bench, opened.place.today
    days, items = storage_days(bench), list_open(bench)
    left = [address for address in bench.addresses() if bench.left_kg(address) > 0]
    there = [(item.address, item.since) for item in items] + list(untouched_since(bench).items())
    over = tuple(dict.fromkeys(address for address, since in there if is_over(since, today, days)))
    waiting: dict[str, int] = {}
    for item in items:
        waiting[item.sort] = waiting.get(item.sort, 0) + 1
    estimate = estimate_left(opened, left)
    # a fit that is kept was made of entries that hold together
    urgent = [CONTRADICTED] if estimate is None and is_contradicted(bench, opened.catalogue) else []
    return Standing(
        str(opened.place.ledger), True, len(bench.lots), len(left), sum(bench.left_kg(a) for a in left),
        sum(lot.unsorted_kg for lot in bench.lots.values()),
        sum(pile_left_kg(bench, a) for a in bench.pile_addresses()),
        len(bench.batches),
        tuple(batch.name for batch in bench.batches.values() if batch.is_open), tuple(weighed_of(bench)), waiting,
        days, over, estimate, sum(sale.amount for sale in bench.sales),
        say_invented(list(bench.lots.values())), (*urgent, *steps(opened, items, left, over)),
    )  # fmt: skip


def weighed_of(bench: Bench) -> Iterator[Weighed]:
    """What was weighed, metal by metal."""
    for metal in METALS:
        products = [p for batch in bench.batches.values() for p in batch.products if p.metal == metal]
        if products:
            addresses = [f"{p.batch}/{p.name}" for p in products]
            standing = {a: share_standing(bench, a) for a in addresses}  # what was refined again is in what it gave
            grams = sum(p.weight_g * standing[a] for a, p in zip(addresses, products, strict=True))
            left = sum(bench.product_left_g(a) for a in addresses)
            yield Weighed(metal, sum(share > 0 for share in standing.values()), grams, left)


def estimate_left(opened: Opened, left: list[str]) -> dict[str, Interval] | None:
    """Metal in what is left of all fractions that may be processed, in g; None where no fit is kept."""
    posterior = recall(opened) if left else None
    if posterior is None:
        return None
    from gradeest.decision.summary import Interval
    from gradeest.workflow.holdings import Holdings

    holdings = Holdings(opened, posterior)
    total = np.sum([estimate_feed(holdings, address).comes_out for address in left], axis=0)
    return {metal: Interval.of(total[:, m]) for m, metal in enumerate(METALS)}


def steps(opened: Opened, items: tuple[Item, ...], left: list[str], over: tuple[str, ...]) -> Iterator[Step]:
    """What to type next, the most urgent first; there is always one."""
    bench = opened.bench
    if not bench.lots:
        yield from BEGIN
        return
    for batch in bench.batches.values():
        for metal in kept_liquids(batch):
            why = f"once the liquid of {batch.name} is tested; or gone"
            yield Step(f"gradeest record none {batch.name} --metal {metal} --liquid tested-negative", why)
    if over:
        yield Step("gradeest open", f"{len(over)} over the storage clock")
    yield from (weigh_step(opened.catalogue, batch) for batch in bench.batches.values() if waits_for_a_weight(batch))
    unsorted = [lot.name for lot in bench.lots.values() if lot.unsorted_kg]
    whole = [a.partition("/")[0] for a in bench.pile_addresses() if untouched_kg(bench, a) != 0]
    if any(may_be_run(opened, address) for address in left):
        yield from price_step(opened.place.prices)
        yield Step("gradeest rank" if has_metal_prices(opened.place.prices) else "gradeest forecast", "what is left")
    elif whole:
        yield from price_step(opened.place.prices)
        yield Step(f"gradeest strip-order {whole[0]}", "what to take off its boards first")
    elif unsorted:
        yield Step("gradeest lot add", f"only what is unsorted is left ({unsorted[0]}): sort it and write it down")
    elif any(item.sort == "product" for item in items):
        yield Step("gradeest open", "nothing is left to process; products are not sold yet")
    else:
        yield Step("gradeest lot add", "nothing is left to process")


def waits_for_a_weight(batch: Batch) -> bool:
    """Whether a batch is open and not only because its liquid is kept."""
    return batch.is_open and not kept_liquids(batch)


def weigh_step(catalogue: Catalogue, batch: Batch) -> Step:
    """The record that an open batch waits for, or its closing."""
    if batch.products or batch.nondetects:
        return Step(f"gradeest batch close {batch.name}", f"{batch.name} is open: close it if nothing more will come")
    usual = catalogue.routes[batch.route].usual_form
    metal = next(iter(usual), METALS[0])
    return Step(f"gradeest record product {batch.name} --metal {metal}", f"{batch.name} is open, nothing weighed yet")


def price_step(path: Path) -> Iterator[Step]:
    """What is missing for a ranking: the price file, or its metal prices."""
    if not path.exists():
        yield Step("gradeest prices new", "without your prices nothing can be ranked")
    elif not has_metal_prices(path):
        yield Step("gradeest rank", f"type your metal prices into {path.name} first: some are empty")


def has_metal_prices(path: Path) -> bool:
    """Whether a price file has something for every metal; whether it can be used is for `rank` to say."""
    try:
        metals = tomllib.loads(path.read_text(encoding="utf-8-sig")).get("metals", {})
    except (OSError, ValueError):
        return False
    return isinstance(metals, dict) and all(metals.get(metal) not in (None, "") for metal in METALS)


def may_be_run(opened: Opened, address: str) -> bool:
    """Whether a fraction may be processed by its usual route on this bench."""
    kind = opened.catalogue.kinds[opened.bench.fraction(address).kind]
    settings = {s.name: s.value for s in opened.bench.settings.values()}
    return bool(kind.usual_route) and not check_batch([kind.id], kind.usual_route, settings, opened.catalogue)
