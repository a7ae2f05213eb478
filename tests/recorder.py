"""A ledger in memory: checks and appends events the way a bench would, for tests that need no file."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import Any

from gradeest.errors import Issue
from gradeest.materials.catalogue import Catalogue
from gradeest.records.domain import Bench
from gradeest.records.ledger import Event
from gradeest.records.stock import check_event, replay

TODAY = dt.date(2025, 6, 30)
NOW = dt.datetime(2025, 6, 30, 12, tzinfo=dt.UTC)
DAY = dt.date(2025, 3, 1)


def lot(name: str = "shed", **masses: float) -> dict[str, Any]:
    """Payload of a lot: fraction names are kinds with _ for -, values kg."""
    fractions = [
        {"name": kind.replace("_", "-"), "kind": kind.replace("_", "-"), "mass_kg": mass}
        for kind, mass in (masses or {"fingers_memory": 2.0}).items()
    ]
    return {"name": name, "date": DAY.isoformat(), "fractions": fractions}


def batch(name: str = "B1", route: str = "foils-peroxide", **masses: float) -> dict[str, Any]:
    """Payload of a batch: charge names are LOT__FRACTION with _ for -."""
    charges = [
        {"address": address.replace("__", "/").replace("_", "-"), "mass_kg": mass}
        for address, mass in (masses or {"shed__fingers_memory": 1.0}).items()
    ]
    return {"name": name, "route": route, "charges": charges}


def product(batch: str = "B1", weight_g: float = 2.51, **other: Any) -> dict[str, Any]:
    """Payload of a weighed product: washed gold powder unless said otherwise."""
    usual = {"metal": "Au", "form": "gold-powder", "readability_g": 0.01}
    return {"batch": batch, "weight_g": weight_g, **usual, **other}


def nothing(batch: str = "B1", metal: str = "Au", liquid: str = "tested-negative", **other: Any) -> dict[str, Any]:
    """Payload of "nothing dropped"."""
    return {"batch": batch, "metal": metal, "below_g": 0.02, "liquid": liquid, **other}


def assay(address: str = "shed/fingers-memory", value: float = 2500.0, **other: Any) -> dict[str, Any]:
    """Payload of a gold assay."""
    return {"address": address, "metal": "Au", "value_g_per_t": value, "u_rel": 0.05, **other}


@dataclass
class Recorder:
    """Events so far; `add` refuses what the rules refuse."""

    catalogue: Catalogue
    events: list[Event] = field(default_factory=list)

    @property
    def bench(self) -> Bench:
        return replay(self.events)

    def check(self, kind: str, payload: dict[str, Any], date: dt.date = DAY) -> list[Issue]:
        return check_event(self.bench, kind, payload, self.catalogue, events=self.events, happened_on=date, today=TODAY)

    def refusals(self, kind: str, payload: dict[str, Any], date: dt.date = DAY) -> list[str]:
        """What is refused, in words."""
        return [str(issue) for issue in self.check(kind, payload, date) if issue.severity == "error"]

    def asks(self, kind: str, payload: dict[str, Any], date: dt.date = DAY) -> list[str]:
        """What is asked back, in words; nothing may be refused."""
        assert not self.refusals(kind, payload, date)
        return [str(issue) for issue in self.check(kind, payload, date) if issue.severity == "ask"]

    def add(self, kind: str, payload: dict[str, Any], date: dt.date = DAY) -> int:
        """Check and append; returns the event's number."""
        refused = self.refusals(kind, payload, date)
        assert not refused, refused
        return self.force(kind, payload, date)

    def force(self, kind: str, payload: dict[str, Any], date: dt.date = DAY) -> int:
        """Append without checking."""
        number = len(self.events) + 1
        self.events.append(Event(number, f"u{number}", kind, payload, date, NOW, ""))
        return number
