"""A bench that grows by entries not yet in the ledger: each is checked against all before it, as if it were there."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import Any

from gradeest.errors import Issue
from gradeest.materials.catalogue import Catalogue
from gradeest.records.builder import Builder
from gradeest.records.domain import Bench
from gradeest.records.ledger import Event
from gradeest.records.rules import check_payload
from gradeest.records.stock import name_products, next_batch_name, resolve

NEVER = dt.datetime.min


class Growing:
    """Begins with the events of a ledger; `check` looks at an entry, `add` lets the bench grow by it."""

    def __init__(self, events: Sequence[Event], catalogue: Catalogue, today: dt.date) -> None:
        self.events = list(events)
        self._catalogue, self._today = catalogue, today
        self._builder = Builder()
        names = name_products(self.events)
        for event in resolve(self.events):
            self._builder.apply(event, names)

    @property
    def bench(self) -> Bench:
        """The bench as it is with everything added; it changes with the next entry."""
        return self._builder.bench

    def next_batch(self) -> str:
        """The name that the next batch gets."""
        return next_batch_name(self.events)

    def check(self, kind: str, payload: Mapping[str, Any], date: dt.date) -> list[Issue]:
        """Everything that speaks against an entry, as `stock.check_event` says it."""
        return check_payload(self.bench, kind, payload, self._catalogue, happened_on=date, today=self._today)

    def add(self, kind: str, payload: Mapping[str, Any], date: dt.date) -> int:
        """Add an entry that was checked; returns the number it will have in the ledger."""
        number = len(self.events) + 1
        event = Event(number, "", kind, dict(payload), date, NEVER, "")
        self.events.append(event)
        self._builder.apply(event, name_products(self.events) if kind == "product" else {})
        return number
