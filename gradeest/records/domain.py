"""What a bench records: frozen records, and the state of the bench that they add up to.

Units stand in the names: feed mass in kg, product weight in g, grade in g/t of dry feed. Addresses are text:
`LOT/FRACTION`, `BATCH/PRODUCT` (`B3/au-1`), `BATCH/STREAM` (`B3/oversize`).

A fraction may grow: what is added to its jar before anything was taken joins the source that stands in it, what is
added later is a source of its own. The jar is well mixed at each addition, so whatever is taken comes from all sources
in proportion to what stands of each (`layers_kg`, kg per source in the order they came).
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Literal, TypeVar

from gradeest.materials.rows import METALS as METALS
from gradeest.records.piles import Pile, Weighing
from gradeest.records.results import Moment as Moment
from gradeest.records.results import ProductAssay as ProductAssay
from gradeest.records.results import SettledMetal as SettledMetal
from gradeest.records.results import Settlement as Settlement
from gradeest.records.results import SpotResult as SpotResult
from gradeest.records.results import SpotTest as SpotTest
from gradeest.records.work import Balance as Balance
from gradeest.records.work import BalanceCheck as BalanceCheck
from gradeest.records.work import GatePassed, Spending, Waste, WorkHours

Liquid = Literal["tested-negative", "kept", "gone"]
StreamSort = Literal["set-aside", "residue", "solution", "wiped-up"]
LEFT_OVER: tuple[StreamSort, ...] = ("residue", "solution")  # of what did not reach the product
MINE = "mine"  # the owner of a lot that is nobody else's
STORAGE_CLOCK = "storage-clock"  # the setting that says how long material may be kept
EXACT_KG = 1e-9  # below what any balance shows: smaller differences are rounding of the computer
EXACT_G = 1e-9


@dataclass(frozen=True)
class Fraction:
    """A physically sorted part of a lot, of one kind. `mass_kg` is as received (dry mass when `wet` is False).

    It is all that was ever put in; `layers_kg` says how much by each of its sources (empty: one source).
    """

    name: str
    kind: str
    mass_kg: float
    pieces: int | None = None
    wet: bool = False
    mixed: bool = False  # it holds other kinds too: its spread is widened
    note: str = ""
    layers_kg: tuple[float, ...] = ()


@dataclass(frozen=True)
class Lot:
    """Material bought or collected together. `unsorted_kg` is kept and not yet forecast."""

    name: str
    date: dt.date
    fractions: tuple[Fraction, ...]
    price_paid: float | None = None  # in the user's currency
    owner: str = MINE
    unsorted_kg: float = 0.0
    note: str = ""
    invented: bool = False  # a demo lot
    boards: tuple[Pile, ...] = ()  # not taken apart when they came


@dataclass(frozen=True)
class AshLink:
    """Whose filters an ash is of: batches, how it was burnt (a row `keep:` of the shares), and which share of its metal
    comes from elsewhere (0-1, lower and upper end; None: the row `untracked`)."""

    batches: tuple[str, ...]
    burning: str
    untracked: tuple[float, float] | None = None
    event: int = 0  # that said so


@dataclass(frozen=True)
class Charge:
    """A portion of a fraction, of a stream that an earlier batch left, or of a product that is refined again.

    `layers_kg`: of each source of a fraction (empty: all from the first).
    """

    address: str  # LOT/FRACTION, BATCH/STREAM or BATCH/PRODUCT
    mass_kg: float
    layers_kg: tuple[float, ...] = ()
    link: AshLink | None = None  # of the ash of filters


@dataclass(frozen=True)
class Product:
    """A metal body weighed after a batch. `weight_g` is the net reading, `readability_g` the balance's step d.

    `interval_g`: an old note gave a range ("2-3 g") of this full width; `weight_g` is then its middle.
    """

    name: str  # au-1, counted per batch and metal
    batch: str
    metal: str
    form: str  # id of a row in priors/forms
    weight_g: float
    readability_g: float
    date: dt.date
    damp: bool = False
    balance: str = "bench"
    sure: bool = False  # hardly credible, kept because the person insisted
    event: int = 0  # number in the ledger
    interval_g: float = 0.0


@dataclass(frozen=True)
class NonDetect:
    """Nothing dropped, or nothing visible: the metal weighs less than `below_g` (left-censored, never zero)."""

    batch: str
    metal: str
    below_g: float
    liquid: Liquid
    date: dt.date
    event: int = 0


@dataclass(frozen=True)
class Assay:
    """An assay of a ground sample of a fraction. `below_detection`: the value is a detection limit (left-censored)."""

    address: str  # LOT/FRACTION
    metal: str
    value_g_per_t: float
    u_rel: float  # relative standard uncertainty, lab and sampling together (1 sd)
    date: dt.date
    below_detection: bool = False
    sure: bool = False
    event: int = 0
    layers_kg: tuple[float, ...] = ()  # what stood in the jar of each source when it was sampled (empty: one source)
    method: str = ""  # as noted


@dataclass(frozen=True)
class Stream:
    """What a batch left for later: a part set aside unprocessed, residue, a solution that waits, what was wiped up."""

    name: str
    batch: str
    sort: StreamSort
    mass_kg: float | None  # None for a solution
    volume_l: float | None  # litres, of a solution
    date: dt.date
    event: int = 0

    @property
    def address(self) -> str:
        return f"{self.batch}/{self.name}"


@dataclass(frozen=True)
class Loss:
    """A spill: between the shares `low` and `high` (0-1) of what was in work are gone from the batch."""

    batch: str
    low: float
    high: float
    note: str
    date: dt.date
    event: int = 0


@dataclass(frozen=True)
class Batch:
    """One processing run: what went in, by which route, what was weighed. Open until closed."""

    name: str  # B1, B2, ...
    date: dt.date
    route: str
    charges: tuple[Charge, ...]
    closed: dt.date | None = None
    products: tuple[Product, ...] = ()
    nondetects: tuple[NonDetect, ...] = ()
    note: str = ""
    streams: tuple[Stream, ...] = ()
    losses: tuple[Loss, ...] = ()
    spot_tests: tuple[SpotTest, ...] = ()
    trial: bool = False  # a part of one fraction, run before the rest of it is decided on

    @property
    def is_open(self) -> bool:
        return self.closed is None

    @property
    def mass_kg(self) -> float:
        return sum(charge.mass_kg for charge in self.charges)


@dataclass(frozen=True)
class Setting:
    """Something the bench has declared, with the date it holds from (`fit-equipment`, `permit`, `licence:nitric`).

    `storage-clock` is one of them too: how long the bench may keep material.
    """

    name: str
    value: str
    date: dt.date


@dataclass(frozen=True)
class Sale:
    """Something sold: `mass_kg` of a fraction or stream, `weight_g` of a product (both None: a whole solution)."""

    address: str
    amount: float  # what was paid for it, in the user's currency
    date: dt.date
    mass_kg: float | None = None
    weight_g: float | None = None
    layers_kg: tuple[float, ...] = ()  # of a fraction with several sources
    to: str = ""
    event: int = 0


@dataclass(frozen=True)
class Discard:
    """Something given away or disposed of, as `Sale` without money."""

    address: str
    date: dt.date
    mass_kg: float | None = None
    weight_g: float | None = None
    layers_kg: tuple[float, ...] = ()
    note: str = ""
    event: int = 0


@dataclass(frozen=True)
class Addition:
    """More of the same kind put into a fraction's jar. `source`: which of its sources it belongs to, from 0."""

    address: str
    mass_kg: float
    source: int
    date: dt.date
    note: str = ""
    event: int = 0


@dataclass(frozen=True)
class Split:
    """All that was left of a fraction, sorted into heaps: new fractions of the same lot, named in `heaps`."""

    address: str
    heaps: tuple[str, ...]
    mass_kg: float
    date: dt.date
    layers_kg: tuple[float, ...] = ()
    event: int = 0


Taking = Charge | Sale | Discard | Split


Named = TypeVar("Named", Fraction, Pile, Product, Stream)


def _named(records: Sequence[Named], address: str) -> Named:
    """The record that an address names in what is before its slash; KeyError where there is none."""
    for record in records:
        if record.name == address.partition("/")[2]:
            return record
    raise KeyError(address)


@dataclass(frozen=True)
class Bench:
    """Everything recorded, replayed from the ledger: the input of belief and decision. Order is that of the ledger."""

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
    weighings: tuple[Weighing, ...] = ()  # of parts taken off boards
    product_assays: tuple[ProductAssay, ...] = ()
    settlements: tuple[Settlement, ...] = ()

    def fraction(self, address: str) -> Fraction:
        """The fraction at `LOT/FRACTION`; KeyError where there is none."""
        return _named(self.lots[address.partition("/")[0]].fractions, address)

    def pile(self, address: str) -> Pile:
        """The boards at `LOT/PILE`; KeyError where there are none."""
        lot = address.partition("/")[0]
        return _named(self.lots[lot].boards if lot in self.lots else (), address)

    def pile_addresses(self) -> tuple[str, ...]:
        """All LOT/PILE addresses in ledger order."""
        return tuple(f"{lot.name}/{pile.name}" for lot in self.lots.values() for pile in lot.boards)

    def product(self, address: str) -> Product:
        """The product at `BATCH/PRODUCT`; KeyError where there is none."""
        return _named(self.batches[address.partition("/")[0]].products, address)

    def stream(self, address: str) -> Stream:
        """The stream at `BATCH/STREAM`; KeyError where there is none."""
        return _named(self.batches[address.partition("/")[0]].streams, address)

    def is_of_batch(self, address: str) -> bool:
        """Whether an address names something that a batch left: BATCH/STREAM or BATCH/PRODUCT."""
        return address.partition("/")[0] in self.batches

    def has_stream(self, address: str) -> bool:
        """Whether a batch of this bench left a stream of this address."""
        head, _, name = address.partition("/")
        return head in self.batches and any(stream.name == name for stream in self.batches[head].streams)

    def has_product(self, address: str) -> bool:
        """Whether a batch of this bench gave a product of this address."""
        head, _, name = address.partition("/")
        return head in self.batches and any(product.name == name for product in self.batches[head].products)

    def fractions_behind(self, address: str) -> tuple[str, ...]:
        """The fractions whose metal is in something: itself, or those that went into the batch it came of."""
        if not self.is_of_batch(address):
            return (address,)
        charges = self.batches[address.partition("/")[0]].charges
        return tuple(dict.fromkeys(root for charge in charges for root in self.fractions_behind(charge.address)))

    def kinds_in(self, batch: Batch) -> list[str]:
        """Kinds of all that went into a batch, by itself or in a stream of an earlier one, sorted; of products none."""
        taken = [charge.address for charge in batch.charges if not self.has_product(charge.address)]
        roots = [root for address in taken for root in self.fractions_behind(address)]
        return sorted({self.fraction(root).kind for root in roots})

    @cached_property
    def insisted(self) -> frozenset[tuple[str, str]]:
        """Kinds and metals of which a weight was recorded that could hardly be."""
        sure = [(batch, product.metal) for batch in self.batches.values() for product in batch.products if product.sure]
        return frozenset((kind, metal) for batch, metal in sure for kind in self.kinds_in(batch))

    def addresses(self) -> tuple[str, ...]:
        """All LOT/FRACTION addresses in ledger order."""
        return tuple(f"{lot.name}/{f.name}" for lot in self.lots.values() for f in lot.fractions)

    def since(self, address: str) -> dt.date:
        """The day from which a fraction was there: that of its lot, or of the split that made it."""
        lot, _, name = address.partition("/")
        born = [s.date for s in self.splits if s.address.startswith(f"{lot}/") and name in s.heaps]
        return born[0] if born else self.lots[lot].date

    def hours_of(self, batch: str) -> float | None:
        """Hands-on hours recorded of a batch; None where none are."""
        found = [one.hours for one in self.hours if one.batch == batch]
        return sum(found) if found else None

    def spent_on(self, batch: str) -> float | None:
        """Money recorded as spent on a batch, in the user's currency; None where none is."""
        found = [one.amount for one in self.spendings if one.batch == batch]
        return sum(found) if found else None

    def takings(self, address: str) -> tuple[Taking, ...]:
        """Everything that took of a fraction, product or stream: charges, sales, discards, a split."""
        charges = [charge for _, charge in self.charges_of.get(address, ())]
        others: tuple[Taking, ...] = (*self.sales, *self.discards, *self.splits)
        return (*charges, *(taking for taking in others if taking.address == address))

    @cached_property
    def charges_of(self) -> dict[str, list[tuple[str, Charge]]]:
        """Charges of every fraction, product or stream, with their batches' names, in order."""
        found: dict[str, list[tuple[str, Charge]]] = {}
        for batch in self.batches.values():
            for charge in batch.charges:
                found.setdefault(charge.address, []).append((batch.name, charge))
        return found

    def taken_by(self, address: str) -> tuple[str, ...]:
        """Names of the batches that took of a fraction or stream."""
        return tuple(dict.fromkeys(batch for batch, _ in self.charges_of.get(address, ())))

    def charged_kg(self, address: str) -> float:
        """Mass of a fraction, stream or product that batches have taken, in kg."""
        return sum(charge.mass_kg for _, charge in self.charges_of.get(address, ()))

    def layers_left_kg(self, address: str) -> tuple[float, ...]:
        """What stands in the jar of each source of a fraction, in kg, oldest source first (never negative)."""
        fraction = self.fraction(address)
        left = list(fraction.layers_kg or (fraction.mass_kg,))
        for taking in self.takings(address):
            for source, mass in enumerate(taking.layers_kg or (taking.mass_kg or 0.0,)):
                left[source] -= mass
        return tuple(mass if mass > EXACT_KG else 0.0 for mass in left)

    def left_kg(self, address: str) -> float:
        """Mass of a fraction, product, or stream that has a mass, that is still there, in kg (never negative)."""
        if self.has_product(address):
            return self.product_left_g(address) / 1000
        if address.partition("/")[0] in self.batches:
            gone = sum(taking.mass_kg or 0.0 for taking in self.takings(address))
            left = (self.stream(address).mass_kg or 0.0) - gone
            return left if left > EXACT_KG else 0.0
        return sum(self.layers_left_kg(address))

    def product_left_g(self, address: str) -> float:
        """Weight of a product that was not sold, discarded or refined again, in g (never negative)."""
        gone: tuple[Sale | Discard, ...] = (*self.sales, *self.discards)
        taken = sum(taking.weight_g or 0.0 for taking in gone if taking.address == address)
        taken += 1000 * self.charged_kg(address)
        left = self.product(address).weight_g - taken
        return left if left > EXACT_G else 0.0

    def lot_mass_kg(self, name: str) -> float:
        """All that ever came into a lot, in kg: heaps are parts of a fraction, what was taken off boards of them."""
        made = {
            f"{name}/{heap}" for split in self.splits if split.address.startswith(f"{name}/") for heap in split.heaps
        }
        grown = sum(addition.mass_kg for addition in self.additions if addition.address in made)
        came = sum(f.mass_kg for f in self.lots[name].fractions if f"{name}/{f.name}" not in made)
        boards = sum(pile.mass_kg or 0.0 for pile in self.lots[name].boards)
        off_boards = sum(w.mass_kg for w in self.weighings if w.pile.startswith(f"{name}/"))
        return self.lots[name].unsorted_kg + grown + came + boards - off_boards

    def last_taken(self, address: str) -> dt.date | None:
        """The latest day on which something was taken of a fraction, product or stream; None where nothing was."""
        charged = [b.date for b in self.batches.values() if any(c.address == address for c in b.charges)]
        others: tuple[Sale | Discard | Split, ...] = (*self.sales, *self.discards, *self.splits)
        return max([*charged, *(t.date for t in others if t.address == address)], default=None)

    def solution_left_l(self, address: str) -> float:
        """Volume of a solution that waits, in litres; a sale or discard takes all of it."""
        return 0.0 if self.takings(address) else self.stream(address).volume_l or 0.0
