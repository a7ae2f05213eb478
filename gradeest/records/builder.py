"""The bench while it grows, event by event: what each sort of event does to it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields, replace
from typing import TypeVar

from gradeest.errors import LedgerError
from gradeest.records import payloads, work_rules
from gradeest.records.domain import (
    EXACT_G,
    EXACT_KG,
    Addition,
    Assay,
    Balance,
    BalanceCheck,
    Batch,
    Bench,
    Discard,
    Fraction,
    Lot,
    ProductAssay,
    Sale,
    Setting,
    Settlement,
    Split,
    Stream,
)
from gradeest.records.ledger import Event
from gradeest.records.piles import Weighing
from gradeest.records.sorting import portions_of, untouched_kg
from gradeest.records.takings import add_source, close_heaps, take_from, take_whole
from gradeest.records.work import GatePassed, Spending, Waste, WorkHours

Left = TypeVar("Left", Sale, Discard)


class UnfitError(Exception):
    """An event names something that is not there; only `find_broken` and `replay` see it."""


@dataclass
class Builder:
    """Grows a bench; `bench` shares its dictionaries, so it is cheap to look at after every event."""

    lots: dict[str, Lot] = field(default_factory=dict)
    batches: dict[str, Batch] = field(default_factory=dict)
    assays: tuple[Assay, ...] = ()
    settings: dict[str, Setting] = field(default_factory=dict)
    sales: tuple[Sale, ...] = ()
    discards: tuple[Discard, ...] = ()
    splits: tuple[Split, ...] = ()
    balances: dict[str, Balance] = field(default_factory=dict)
    checks: tuple[BalanceCheck, ...] = ()
    additions: tuple[Addition, ...] = ()
    hours: tuple[WorkHours, ...] = ()
    spendings: tuple[Spending, ...] = ()
    wastes: tuple[Waste, ...] = ()
    gates: tuple[GatePassed, ...] = ()
    weighings: tuple[Weighing, ...] = ()
    product_assays: tuple[ProductAssay, ...] = ()
    settlements: tuple[Settlement, ...] = ()
    touched: set[str] = field(default_factory=set)  # fractions from which something was taken since they last grew

    @property
    def bench(self) -> Bench:
        return Bench(**{each.name: getattr(self, each.name) for each in fields(Bench)})

    def apply(self, event: Event, product_names: Mapping[int, str]) -> None:
        """Add one event that stands. Raises UnfitError where it names what is not there."""
        if event.kind == "product":
            product = payloads.product_from(event.payload, event.happened_on, product_names[event.number], event.number)
            batch = self._batch(product.batch)
            self.batches[batch.name] = replace(batch, products=(*batch.products, product))
            return
        step = STEPS.get(event.kind)
        if step is None:
            raise LedgerError(
                f"event {event.number} is of a sort this gradeest does not know: {event.kind}", "upgrade gradeest"
            )
        step(self, event)

    # -- what came -------------------------------------------------------------------------------------------------

    def _lot(self, event: Event) -> None:
        lot = payloads.lot_from(event.payload, event.happened_on)
        if lot.name in self.lots:
            raise UnfitError(f"lot {lot.name} exists")
        self.lots[lot.name] = lot

    def _more(self, event: Event) -> None:
        address = event.payload["address"]
        fraction = self._fraction(address)
        joins = address not in self.touched
        grown = add_source(fraction, float(event.payload["mass_kg"]), joins=joins)
        self._put_fraction(address, grown)
        self.touched.discard(address)
        source = max(len(grown.layers_kg) - 1, 0)
        addition = payloads.addition_from(event.payload, event.happened_on, event.number, source)
        self.additions = (*self.additions, addition)

    def _weigh(self, event: Event) -> None:
        weighing = payloads.weighing_from(event.payload, event.happened_on, event.number)
        if weighing.pile not in self.bench.pile_addresses():
            raise UnfitError(f"there are no boards {weighing.pile}")
        begun = portions_of(self.bench, weighing.pile)
        portion = begun.get(weighing.portion)
        kept = min(weighing.mass_kg, weighing.boards_kg if portion is None else portion.left_kg)
        weighing = replace(weighing, mass_kg=kept)
        lot = self.lots[weighing.pile.partition("/")[0]]
        name = weighing.address.partition("/")[2]
        if name in {fraction.name for fraction in lot.fractions}:
            joins = weighing.address not in self.touched
            self._put_fraction(weighing.address, add_source(self._fraction(weighing.address), kept, joins=joins))
            self.touched.discard(weighing.address)
        else:
            made = Fraction(name, weighing.kind, kept, note=f"off {weighing.pile.partition('/')[2]}")
            self.lots[lot.name] = replace(lot, fractions=(*lot.fractions, made))
        self.weighings = (*self.weighings, weighing)

    def _assay(self, event: Event) -> None:
        assay = payloads.assay_from(event.payload, event.happened_on, event.number)
        sources = self._fraction(assay.address).layers_kg
        if sources:  # the sample was of what stood in the jar that day
            left = self.bench.layers_left_kg(assay.address)
            assay = replace(assay, layers_kg=left if sum(left) > 0 else sources)
        self.assays = (*self.assays, assay)

    def _setting(self, event: Event) -> None:
        setting = payloads.setting_from(event.payload, event.happened_on)
        self.settings[setting.name] = setting

    def _balance(self, event: Event) -> None:
        balance = payloads.balance_from(event.payload, event.happened_on)
        if balance.name in self.balances:
            raise UnfitError(f"balance {balance.name} exists")
        self.balances[balance.name] = balance

    def _check(self, event: Event) -> None:
        check = payloads.check_from(event.payload, event.happened_on, event.number)
        if check.balance not in self.balances:
            raise UnfitError(f"there is no balance {check.balance}")
        self.checks = (*self.checks, check)

    # -- what went -------------------------------------------------------------------------------------------------

    def _start(self, event: Event) -> None:
        batch = payloads.batch_from(event.payload, event.happened_on, event.number)
        if batch.name in self.batches:
            raise UnfitError(f"batch {batch.name} exists")
        charges = []
        for charge in batch.charges:
            is_product = self.bench.has_product(charge.address)  # it goes in whole, whatever its weight is amended to
            mass, layers = self._take(charge.address, None if is_product else charge.mass_kg)
            charges.append(replace(charge, mass_kg=mass, layers_kg=layers))
        self.batches[batch.name] = replace(batch, charges=tuple(charges))

    def _split(self, event: Event) -> None:
        address = event.payload["address"]
        parent, heaps = self._fraction(address), payloads.heaps_from(event.payload)
        mass, layers = self._take(address, None)
        lot = self.lots[address.partition("/")[0]]
        if {name for name, _, _ in heaps} & {f.name for f in lot.fractions}:
            raise UnfitError(f"a heap is called like a fraction of {lot.name}")
        if not sum(kg for _, kg, _ in heaps) > 0:
            raise UnfitError("the heaps weigh nothing")
        weights = close_heaps([kg for _, kg, _ in heaps], mass)
        made = tuple(
            Fraction(name, kind or parent.kind, kg, wet=parent.wet, mixed=parent.mixed, note=f"from {parent.name}")
            for (name, _, kind), kg in zip(heaps, weights, strict=True)
        )
        self.lots[lot.name] = replace(lot, fractions=(*lot.fractions, *made))
        date = payloads.date_of(event.payload, event.happened_on)
        split = Split(address, tuple(f.name for f in made), mass, date, layers, event.number)
        self.splits = (*self.splits, split)

    def _sale(self, event: Event) -> None:
        sale = self._take_any(payloads.sale_from(event.payload, event.happened_on, event.number))
        self.sales = (*self.sales, sale)

    def _discard(self, event: Event) -> None:
        discard = self._take_any(payloads.discard_from(event.payload, event.happened_on, event.number))
        self.discards = (*self.discards, discard)

    def _take_any(self, taking: Left) -> Left:
        """A sale or discard with the amount that it really took."""
        bench, address = self.bench, taking.address
        head, _, name = address.partition("/")
        if address in self.bench.pile_addresses():
            left = untouched_kg(self.bench, address)
            mass = None if left is None else take_whole(left, taking.mass_kg, EXACT_KG)
            return replace(taking, mass_kg=mass)
        if head not in self.batches:
            mass, layers = self._take(address, taking.mass_kg)
            return replace(taking, mass_kg=mass, layers_kg=layers)
        batch = self.batches[head]
        if any(product.name == name for product in batch.products):
            return replace(taking, weight_g=take_whole(bench.product_left_g(address), taking.weight_g, EXACT_G))
        stream = next((s for s in batch.streams if s.name == name), None)
        if stream is None:
            raise UnfitError(f"there is no product or stream {address}")
        if stream.mass_kg is None:
            return taking
        return replace(taking, mass_kg=take_whole(bench.left_kg(address), taking.mass_kg, EXACT_KG))

    # -- what a batch gave -----------------------------------------------------------------------------------------

    def _close(self, event: Event) -> None:
        batch = self._batch(event.payload["batch"])
        self.batches[batch.name] = replace(batch, closed=payloads.date_of(event.payload, event.happened_on))

    def _nondetect(self, event: Event) -> None:
        batch = self._batch(event.payload["batch"])
        none = payloads.nondetect_from(event.payload, event.happened_on, event.number)
        self.batches[batch.name] = replace(batch, nondetects=(*batch.nondetects, none))

    def _spot_test(self, event: Event) -> None:
        batch = self._batch(event.payload["batch"])
        test = payloads.spot_test_from(event.payload, event.happened_on, event.number)
        self.batches[batch.name] = replace(batch, spot_tests=(*batch.spot_tests, test))

    def _product_assay(self, event: Event) -> None:
        assay = payloads.product_assay_from(event.payload, event.happened_on, event.number)
        self._product(assay.address)
        self.product_assays = (*self.product_assays, assay)

    def _settlement(self, event: Event) -> None:
        """The refiner has the products: what is left of each is sold, the money shared out by weight."""
        replaced = event.payload.get("replaces")
        if replaced is not None:
            if replaced not in {s.event for s in self.settlements}:
                raise UnfitError(f"there is no settlement {replaced}")
            self.settlements = tuple(s for s in self.settlements if s.event != replaced)
            self.sales = tuple(s for s in self.sales if s.event != replaced)
        settlement = payloads.settlement_from(event.payload, event.happened_on, event.number)
        for address in settlement.products:
            self._product(address)
        self.settlements = (*self.settlements, settlement)
        left = {address: self.bench.product_left_g(address) for address in settlement.products}
        total = sum(left.values())
        for address, grams in left.items():
            if grams > 0:
                paid = settlement.paid * grams / total
                sale = Sale(address, paid, settlement.date, weight_g=grams, to=settlement.to, event=event.number)
                self.sales = (*self.sales, sale)

    def _product(self, address: str) -> None:
        try:
            self.bench.product(address)
        except KeyError:
            raise UnfitError(f"there is no product {address}") from None

    def _set_aside(self, event: Event) -> None:
        self._add_streams(payloads.set_aside_from(event.payload, event.happened_on, event.number))

    def _leave(self, event: Event) -> None:
        self._add_streams((payloads.left_over_from(event.payload, event.happened_on, event.number),))

    def _loss(self, event: Event) -> None:
        loss, wiped = payloads.loss_from(event.payload, event.happened_on, event.number)
        batch = self._batch(loss.batch)
        self.batches[batch.name] = replace(batch, losses=(*batch.losses, loss))
        self._add_streams(wiped)

    def _add_streams(self, streams: tuple[Stream, ...]) -> None:
        for stream in streams:
            batch = self._batch(stream.batch)
            if stream.name in {s.name for s in batch.streams}:
                raise UnfitError(f"stream {stream.address} exists")
            self.batches[batch.name] = replace(batch, streams=(*batch.streams, stream))

    # -- what it took ----------------------------------------------------------------------------------------------

    def _hours(self, event: Event) -> None:
        hours = work_rules.hours_from(event.payload, event.happened_on, event.number)
        self._batch(hours.batch)
        self.hours = (*self.hours, hours)

    def _spending(self, event: Event) -> None:
        spending = work_rules.spending_from(event.payload, event.happened_on, event.number)
        self._batch(spending.batch)
        self.spendings = (*self.spendings, spending)

    def _waste(self, event: Event) -> None:
        waste = work_rules.waste_from(event.payload, event.happened_on, event.number)
        self._batch(waste.batch)
        self.wastes = (*self.wastes, waste)

    def _gate(self, event: Event) -> None:
        self.gates = (*self.gates, work_rules.gate_from(event.payload, event.happened_on, event.number))

    # -- inside ----------------------------------------------------------------------------------------------------

    def _batch(self, name: str) -> Batch:
        batch = self.batches.get(name)
        if batch is None:
            raise UnfitError(f"there is no batch {name}")
        return batch

    def _fraction(self, address: str) -> Fraction:
        try:
            return self.bench.fraction(address)
        except KeyError:
            raise UnfitError(f"there is no fraction {address}") from None

    def _put_fraction(self, address: str, changed: Fraction) -> None:
        lot = self.lots[address.partition("/")[0]]
        fractions = tuple(changed if f.name == changed.name else f for f in lot.fractions)
        self.lots[lot.name] = replace(lot, fractions=fractions)

    def _take(self, address: str, mass_kg: float | None) -> tuple[float, tuple[float, ...]]:
        """Take of a fraction's jar or of a stream: the mass in kg, and that of each source of a jar."""
        if self.bench.is_of_batch(address):
            if not self.bench.has_stream(address) and not self.bench.has_product(address):
                raise UnfitError(f"there is no stream or product {address}")
            if self.bench.has_stream(address) and self.bench.stream(address).mass_kg is None and mass_kg is not None:
                return mass_kg, ()  # a solution goes as a whole
            return take_whole(self.bench.left_kg(address), mass_kg, EXACT_KG), ()
        self._fraction(address)
        self.touched.add(address)
        return take_from(self.bench.layers_left_kg(address), mass_kg)


STEPS: dict[str, Callable[[Builder, Event], None]] = {
    "lot": Builder._lot,
    "more": Builder._more,
    "weigh": Builder._weigh,
    "assay": Builder._assay,
    "setting": Builder._setting,
    "balance": Builder._balance,
    "check": Builder._check,
    "batch": Builder._start,
    "split": Builder._split,
    "sale": Builder._sale,
    "discard": Builder._discard,
    "close": Builder._close,
    "nondetect": Builder._nondetect,
    "spottest": Builder._spot_test,
    "productassay": Builder._product_assay,
    "settlement": Builder._settlement,
    "setaside": Builder._set_aside,
    "leave": Builder._leave,
    "loss": Builder._loss,
    "hours": Builder._hours,
    "spending": Builder._spending,
    "waste": Builder._waste,
    "gate": Builder._gate,
}
