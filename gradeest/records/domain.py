"""What a bench records: frozen records, and the state of the bench that they add up to.

Units stand in the names: feed mass in kg, product weight in g, grade in g/t of dry feed. Addresses are text:
`LOT/FRACTION`, `BATCH/PRODUCT` (`B3/au-1`).
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import Literal

from gradeest.materials.rows import METALS as METALS

Liquid = Literal["tested-negative", "kept", "gone"]


@dataclass(frozen=True)
class Fraction:
    """A physically sorted part of a lot, of one kind. `mass_kg` is as received (dry mass when `wet` is False)."""

    name: str
    kind: str
    mass_kg: float
    pieces: int | None = None
    wet: bool = False
    mixed: bool = False  # it holds other kinds too: its spread is widened
    note: str = ""


@dataclass(frozen=True)
class Lot:
    """Material bought or collected together. `unsorted_kg` is kept and not yet forecast."""

    name: str
    date: dt.date
    fractions: tuple[Fraction, ...]
    price_paid: float | None = None  # in the user's currency
    owner: str = "mine"
    unsorted_kg: float = 0.0
    note: str = ""
    invented: bool = False  # a demo lot


@dataclass(frozen=True)
class Charge:
    """A portion of a fraction that went into a batch."""

    address: str  # LOT/FRACTION
    mass_kg: float


@dataclass(frozen=True)
class Product:
    """A metal body weighed after a batch. `weight_g` is the net reading, `readability_g` the balance's step d."""

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

    @property
    def is_open(self) -> bool:
        return self.closed is None

    @property
    def mass_kg(self) -> float:
        return sum(charge.mass_kg for charge in self.charges)


@dataclass(frozen=True)
class Setting:
    """Something the bench has declared, with the date it holds from (`fit-equipment`, `permit`, `licence:nitric`)."""

    name: str
    value: str
    date: dt.date


@dataclass(frozen=True)
class Bench:
    """Everything recorded, replayed from the ledger: the input of belief and decision. Order is that of the ledger."""

    lots: dict[str, Lot] = field(default_factory=dict)
    batches: dict[str, Batch] = field(default_factory=dict)
    assays: tuple[Assay, ...] = ()
    settings: dict[str, Setting] = field(default_factory=dict)

    def fraction(self, address: str) -> Fraction:
        """The fraction at `LOT/FRACTION`; KeyError where there is none."""
        lot, _, name = address.partition("/")
        for fraction in self.lots[lot].fractions:
            if fraction.name == name:
                return fraction
        raise KeyError(address)

    def addresses(self) -> tuple[str, ...]:
        """All LOT/FRACTION addresses in ledger order."""
        return tuple(f"{lot.name}/{f.name}" for lot in self.lots.values() for f in lot.fractions)

    def charged_kg(self, address: str) -> float:
        """Mass of a fraction that batches have taken, in kg."""
        return sum(c.mass_kg for b in self.batches.values() for c in b.charges if c.address == address)

    def left_kg(self, address: str) -> float:
        """Mass of a fraction that no batch has taken, in kg (never negative)."""
        return max(self.fraction(address).mass_kg - self.charged_kg(address), 0.0)
