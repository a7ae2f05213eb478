"""What the ledger holds, as rows to print: lots, fractions, batches, history."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass

from gradeest.errors import InputError
from gradeest.materials.catalogue import Catalogue, Kind
from gradeest.records.domain import Batch, Bench, Lot, Setting
from gradeest.records.sorting import dust_kg, pile_left_kg, portions_of, untouched_kg
from gradeest.units import format_mass_kg
from gradeest.workflow.expecting import Expected, kept_forecast, made_late
from gradeest.workflow.hazard_lines import cautions
from gradeest.workflow.opening import Opened, Place, lot_named, open_bench
from gradeest.workflow.recording import can_be_charged, whole_of
from gradeest.workflow.stocking import left_of


@dataclass(frozen=True)
class LotLine:
    """One lot in a list."""

    name: str
    date: dt.date
    fractions: int
    mass_kg: float
    left_kg: float
    invented: bool
    note: str


@dataclass(frozen=True)
class FractionLine:
    """One fraction: its kind, what is left, where it went; `stop` tells why it may not be processed.

    `layers_left_kg`: what stands of each of its sources; `heaps`: addresses of what it was split into.
    """

    address: str
    name: str
    kind: str
    mass_kg: float
    left_kg: float
    batches: tuple[str, ...]
    usual_route: str
    stop: str
    remark: str
    layers_left_kg: tuple[float, ...] = ()
    sold_kg: float = 0.0
    discarded_kg: float = 0.0
    heaps: tuple[str, ...] = ()


@dataclass(frozen=True)
class PileLine:
    """Boards of a lot: `whole_kg` untouched (None: counted only), what is on those begun, and what is dust, in kg."""

    address: str
    name: str
    kind: str
    mass_kg: float | None
    pieces: int | None
    whole_kg: float | None
    left_kg: float
    dust_kg: float
    taken_kg: Mapping[str, float]  # by kind
    remark: str


@dataclass(frozen=True)
class LotShown:
    """One lot with its fractions."""

    lot: Lot
    fractions: tuple[FractionLine, ...]
    boards: tuple[PileLine, ...]


@dataclass(frozen=True)
class BatchLine:
    """One batch in a list; `results` in a few words each."""

    name: str
    date: dt.date
    closed: dt.date | None
    route: str
    addresses: tuple[str, ...]
    mass_kg: float
    results: tuple[str, ...]
    trial: bool


@dataclass(frozen=True)
class BatchShown:
    """One batch with the line of its route, all its cautions and what was expected of it.

    `no_forecast`: why nothing counts as expected; `left`: what is still there of its products (g) and streams
    (kg, of a solution litres), by name.
    """

    batch: Batch
    route_line: str
    cautions: tuple[str, ...]
    expected: tuple[Expected, ...]
    no_forecast: str
    left: Mapping[str, float]
    said: Mapping[str, tuple[str, ...]]  # by product: its assays and settlements, in words


def list_lots(place: Place) -> tuple[LotLine, ...]:
    """All lots in the order they were recorded."""
    with open_bench(place) as opened:
        bench = opened.bench
        return tuple(
            LotLine(
                lot.name,
                lot.date,
                len(lot.fractions),
                bench.lot_mass_kg(lot.name),
                sum(bench.left_kg(f"{lot.name}/{f.name}") for f in lot.fractions)
                + sum(pile_left_kg(bench, f"{lot.name}/{pile.name}") for pile in lot.boards)
                + lot.unsorted_kg,
                lot.invented,
                lot.note,
            )
            for lot in bench.lots.values()
        )


def fraction_line(opened: Opened, address: str) -> FractionLine:
    """One fraction as a row."""
    fraction = opened.bench.fraction(address)
    kind = opened.catalogue.kinds[fraction.kind]
    batches = tuple(b.name for b in opened.bench.batches.values() if any(c.address == address for c in b.charges))
    stop = stop_line(opened.catalogue, kind)
    bench = opened.bench
    layers = bench.layers_left_kg(address)
    sold, discarded = (
        sum(t.mass_kg or 0.0 for t in ts if t.address == address) for ts in (bench.sales, bench.discards)
    )
    heaps = tuple(heap for split in bench.splits if split.address == address for heap in split.heaps)
    words = []
    standing = sum(layer > 0 for layer in layers)
    if standing > 1:
        words.append(f"{standing} sources")
    words += [f"{word} {format_mass_kg(kg)}" for word, kg in (("sold", sold), ("discarded", discarded)) if kg]
    if heaps:
        words.append(f"split into {', '.join(heaps)}")
    if fraction.pieces:
        words.append(f"{fraction.pieces} pieces")
    if fraction.wet:
        words.append("wet")
    if fraction.mixed:
        words.append("mixed")
    if stop:
        words.append("not to be processed")
    if fraction.note:
        words.append(fraction.note)
    return FractionLine(
        address,
        fraction.name,
        fraction.kind,
        fraction.mass_kg,
        opened.bench.left_kg(address),
        batches,
        kind.usual_route,
        stop,
        ", ".join(words),
        layers,
        sold,
        discarded,
        tuple(f"{address.partition('/')[0]}/{heap}" for heap in heaps),
    )


def stop_line(catalogue: Catalogue, kind: Kind) -> str:
    """Why a kind may not be processed, or ""."""
    return catalogue.hazards[kind.stop].line if kind.stop else ""


def list_fractions(place: Place) -> tuple[FractionLine, ...]:
    """All fractions of all lots."""
    with open_bench(place) as opened:
        return tuple(fraction_line(opened, address) for address in opened.bench.addresses())


@dataclass(frozen=True)
class Chargeable:
    """Something that a batch may take: what is left of it in kg, what it is, the usual routes of its kinds."""

    address: str
    left_kg: float
    what: str
    usual_routes: tuple[str, ...]


def list_chargeable(place: Place) -> list[Chargeable]:
    """Fractions and streams of which something is left and that may be processed; no stream goes in twice.

    Products that may be refined again come last.
    """
    found = []
    with open_bench(place) as opened:
        bench, kinds = opened.bench, opened.catalogue.kinds
        known = can_be_charged(bench)
        for address in (*bench.addresses(), *(s.address for b in bench.batches.values() for s in b.streams)):
            of_batch = bench.is_of_batch(address)
            if of_batch and (address not in known or bench.taken_by(address)):
                continue
            behind = [kinds[bench.fraction(root).kind] for root in bench.fractions_behind(address)]
            what = bench.stream(address).sort.replace("-", " ") if of_batch else behind[0].id
            left = whole_of(opened, address) or 0.0
            if left > 0 and not any(kind.stop for kind in behind):
                routes = tuple(dict.fromkeys(kind.usual_route for kind in behind))
                found.append(Chargeable(address, left, what, routes))
        return found + _refinable(bench, opened.catalogue)


def _refinable(bench: Bench, catalogue: Catalogue) -> list[Chargeable]:
    """Products that a route for products takes: not settled, not refined again yet, something left."""
    ways = [route for route in catalogue.routes.values() if route.takes == "products"]
    settled = {address for paper in bench.settlements for address in paper.products}
    found = []
    for batch in bench.batches.values():
        for product in batch.products:
            address, routes = f"{batch.name}/{product.name}", [r.id for r in ways if product.metal in r.recovery]
            left = bench.left_kg(address)
            if routes and left > 0 and address not in settled and not bench.taken_by(address):
                found.append(Chargeable(address, left, product.form, tuple(routes)))
    return found


@dataclass(frozen=True)
class StockLine:
    """Something that is still there: how much of it (kg, g of a product, L of a solution), and what it is."""

    address: str
    left: float
    unit: str
    what: str


def list_stock(place: Place) -> tuple[StockLine, ...]:
    """Everything that is still there: fractions, products, streams."""
    with open_bench(place) as opened:
        bench = opened.bench
        named = [(address, bench.fraction(address).kind) for address in bench.addresses()]
        named += [(address, bench.pile(address).kind) for address in bench.pile_addresses()]
        for batch in bench.batches.values():
            named += [(f"{batch.name}/{product.name}", product.form) for product in batch.products]
            named += [(stream.address, stream.sort) for stream in batch.streams]
        lines = [StockLine(address, *left_of(bench, address), what) for address, what in named]
        return tuple(line for line in lines if line.left > 0)


def list_products(place: Place) -> tuple[tuple[str, str], ...]:
    """All products: address, and weight and form in words."""
    with open_bench(place) as opened:
        return tuple(
            (f"{batch.name}/{p.name}", f"{p.weight_g:g} g {p.form}")
            for batch in opened.bench.batches.values()
            for p in batch.products
        )


def show_lot(place: Place, name: str) -> LotShown:
    """One lot and its fractions."""
    with open_bench(place) as opened:
        lot = lot_named(opened, name)
        fractions = tuple(fraction_line(opened, f"{lot.name}/{f.name}") for f in lot.fractions)
        return LotShown(lot, fractions, tuple(pile_line(opened, f"{lot.name}/{pile.name}") for pile in lot.boards))


def pile_line(opened: Opened, address: str) -> PileLine:
    """Boards as a row."""
    bench, pile = opened.bench, opened.bench.pile(address)
    taken: dict[str, float] = {}
    for portion in portions_of(bench, address).values():
        for kind, mass in portion.taken_kg.items():
            taken[kind] = taken.get(kind, 0.0) + mass
    sold = sum(t.mass_kg or 0.0 for t in bench.takings(address))
    words = [f"{pile.pieces} pieces"] if pile.pieces else []
    words += ["refused: nothing is taken off"] if opened.catalogue.boards[pile.kind].stop else []
    words += ["gone"] if pile.mass_kg is None and bench.takings(address) else []
    words += [f"sold or discarded {format_mass_kg(sold)}"] if sold else []
    words += [f"off: {kind} {format_mass_kg(kg)}" for kind, kg in taken.items()]
    dust = dust_kg(bench, address)
    words += [f"dust {format_mass_kg(dust)}"] if dust > 0 else []
    whole = untouched_kg(bench, address)
    left = pile_left_kg(bench, address)
    return PileLine(
        address, pile.name, pile.kind, pile.mass_kg, pile.pieces, whole, left, dust, taken, "; ".join(words)
    )


def results_of(batch: Batch) -> tuple[str, ...]:
    """What was weighed, in a few words each."""
    weighed = tuple(f"{p.name} {p.weight_g:g} g" for p in batch.products)
    lost = tuple(f"lost {100 * loss.low:.2g}-{100 * loss.high:.2g} %" for loss in batch.losses)
    spots = tuple(f"{t.metal} test {t.result}" for t in batch.spot_tests)
    return weighed + tuple(f"no {n.metal}" for n in batch.nondetects) + spots + lost


def list_batches(place: Place) -> tuple[BatchLine, ...]:
    """All batches in the order they were recorded."""
    with open_bench(place) as opened:
        return tuple(
            BatchLine(
                b.name,
                b.date,
                b.closed,
                b.route,
                tuple(c.address for c in b.charges),
                b.mass_kg,
                results_of(b),
                b.trial,
            )
            for b in opened.bench.batches.values()
        )


def show_batch(place: Place, name: str) -> BatchShown:
    """One batch: what went in and what was weighed."""
    with open_bench(place) as opened:
        batch = opened.bench.batches.get(name)
        if batch is None:
            known = ", ".join(opened.bench.batches) or "none yet"
            raise InputError(f"there is no batch '{name}'", f"batches: {known}")
        line = opened.catalogue.routes[batch.route].line
        kinds = opened.bench.kinds_in(batch)
        expected = kept_forecast(opened, batch)
        late = "" if expected else made_late(opened, batch)
        left = {p.name: opened.bench.product_left_g(f"{name}/{p.name}") for p in batch.products}
        left |= {s.name: left_of(opened.bench, s.address)[0] for s in batch.streams}
        said = {p.name: said_of(opened, f"{name}/{p.name}") for p in batch.products}
        return BatchShown(batch, line, cautions(opened.catalogue, batch.route, kinds), expected, late, left, said)


def said_of(opened: Opened, address: str) -> tuple[str, ...]:
    """Assays and settlements of a product, in words with the numbers of their events."""
    assays = [a for a in opened.bench.product_assays if a.address == address]
    texts = [f"{a.metal} {100 * a.share:g} % by {a.method} (event {a.event})" for a in assays]
    for paper in opened.bench.settlements:
        if address in paper.products:
            metals = ", ".join(f"{line.name} {100 * line.fineness:g} %" for line in paper.metals)
            texts.append(f"settled {paper.date}: {metals} (event {paper.event})")
    return tuple(texts)


def show_settings(place: Place) -> tuple[Setting, ...]:
    """What the bench has declared."""
    with open_bench(place) as opened:
        return tuple(opened.bench.settings.values())
