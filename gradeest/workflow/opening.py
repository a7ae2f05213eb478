"""Where everything is, and the bench as the ledger adds up to it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from gradeest.errors import InputError, LedgerError
from gradeest.materials.catalogue import Catalogue, load_catalogue, nearest
from gradeest.materials.laws import JURISDICTION, in_jurisdiction
from gradeest.records.domain import Bench, Lot
from gradeest.records.ledger import Ledger
from gradeest.records.stock import replay


@dataclass(frozen=True)
class Place:
    """What one call works on: the ledger's path, the user's priors folder, the seed, the engine and the time.

    `now` is an aware datetime: the rooms below know no clock.
    """

    ledger: Path
    priors: Path | None
    seed: int
    engine: str
    now: dt.datetime

    @property
    def today(self) -> dt.date:
        return self.now.date()

    @property
    def prices(self) -> Path:
        """The user's price file: beside the ledger."""
        return self.ledger.parent / "prices.toml"

    @property
    def cache(self) -> Path:
        """The hidden folder beside the ledger that keeps fitted results."""
        return self.ledger.parent / ".gradeest-cache"


@dataclass
class Opened:
    """An open ledger with its catalogue and the bench it adds up to."""

    place: Place
    ledger: Ledger
    catalogue: Catalogue
    bench: Bench

    def read_again(self) -> None:
        """Replay the ledger after something was appended."""
        self.bench = replay(self.ledger.events())
        self.catalogue = catalogue_of(self.bench, self.catalogue)


def catalogue_of(bench: Bench, catalogue: Catalogue) -> Catalogue:
    """The catalogue with the law lines of where the bench stands, as it has said."""
    setting = bench.settings.get(JURISDICTION)
    return in_jurisdiction(catalogue, "" if setting is None else setting.value)


def catalogue_here(place: Place) -> Catalogue:
    """The catalogue with the law lines of where the bench stands; the general ones where there is no ledger yet."""
    if not place.ledger.exists():
        return load_catalogue(place.priors)
    with open_bench(place) as opened:
        return opened.catalogue


@contextmanager
def open_bench(place: Place, *, create: bool = False) -> Iterator[Opened]:
    """Open the ledger (made new only with `create`), load the catalogue and replay.

    Raises LedgerError where there is none or it cannot be used, InputError for faults in the priors folder.
    """
    if not create and not place.ledger.exists():
        raise LedgerError(
            f"there is no ledger at {place.ledger}",
            "record your first lot with `gradeest lot add`, name the right file with --ledger, or try `gradeest demo`",
        )
    catalogue = load_catalogue(place.priors)
    was_there = place.ledger.exists()
    ledger = Ledger.open(place.ledger, create=create)
    try:
        bench = replay(ledger.events())
        yield Opened(place, ledger, catalogue_of(bench, catalogue), bench)
    finally:
        unused = not was_there and not ledger.events()
        ledger.close()
        if unused:  # what was refused must not leave an empty ledger behind
            place.ledger.unlink()


def lot_named(opened: Opened, name: str) -> Lot:
    """The lot of that name. Raises InputError with the nearest names."""
    lot = opened.bench.lots.get(name)
    if lot is None:
        near = nearest(name, list(opened.bench.lots))
        hint = f"did you mean {' or '.join(near)}?" if near else "`gradeest lot list` names them all"
        raise InputError(f"there is no lot '{name}'", hint)
    return lot
