"""What a batch took, as it is recorded: hands-on hours, money, liquid waste; and the log of waste."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace
from pathlib import Path

from gradeest.decision.hours import Hours
from gradeest.decision.prices import HoursTold, NamedDraws
from gradeest.decision.summary import Interval
from gradeest.materials.hazards import DEFER
from gradeest.records.domain import Batch
from gradeest.records.work import Waste
from gradeest.report.waste_log import write_waste_log
from gradeest.workflow.believing import FORWARD_DRAWS, stream
from gradeest.workflow.hands_on import all_hours, hours_of_run, hours_rows, hours_told
from gradeest.workflow.hood import save_page
from gradeest.workflow.opening import Opened, Place, open_bench
from gradeest.workflow.recording import Saved, append
from gradeest.workflow.unfinished import prices_or_why

ASK = "what becomes of waste liquids is for your authority to say"


@dataclass(frozen=True)
class Worked:
    """Hours that were saved. `before` and `after`: hours of a batch like this one, without and with
    what was recorded of it; None where that teaches nothing yet. `step_before` and `step_after`: of that the step.

    Only a closed batch teaches: until then its hours are those so far.
    """

    saved: Saved
    batch: str
    hours: float
    step: str
    total_hours: float
    is_all: bool  # nothing of that batch is missing
    route: str
    mass_kg: float
    is_open: bool
    before: Interval | None
    after: Interval | None
    step_before: Interval | None
    step_after: Interval | None


@dataclass(frozen=True)
class Spent:
    """Money that was saved, and all of it on that batch."""

    saved: Saved
    batch: str
    amount: float
    total: float


@dataclass(frozen=True)
class WasteSaved:
    """Waste that was saved, and litres of that batch so far."""

    saved: Saved
    batch: str
    volume_l: float
    total_l: float


@dataclass(frozen=True)
class WasteLog:
    """The log: every entry in order of its day; `path` where it was written as a page, or None."""

    rows: tuple[Waste, ...]
    total_l: float
    year: int | None
    path: Path | None
    defer: str


def record_hours(
    place: Place, batch: str, hours: float, *, step: str = "", date: dt.date, sure: bool = False
) -> Worked:
    """Keep hands-on hours of a batch, or of a step of its work. Raises InputError with every problem."""
    step = step.strip().lower()
    with open_bench(place) as opened:
        saved = append(opened, "hours", {"batch": batch, "hours": hours, "step": step}, date, sure=sure)
        kept = opened.bench.batches[batch]
        total = opened.bench.hours_of(batch) or 0.0
        was = now = None
        if not kept.is_open:
            others = hours_told(opened.bench, opened.catalogue, leave_out=batch)
            was, now = (_hours_of(opened, kept, told) for told in (others, hours_told(opened.bench, opened.catalogue)))
        is_all = all_hours(opened.bench, kept, opened.catalogue) is not None
        return Worked(
            saved, batch, hours, step, total, is_all, kept.route, kept.mass_kg, kept.is_open,
            *(None if found is None else Interval.of(found.total) for found in (was, now)),
            *(Interval.of(found.steps[step]) if found and step in found.steps else None for found in (was, now)),
        )  # fmt: skip


def _hours_of(opened: Opened, batch: Batch, told: tuple[HoursTold, ...]) -> Hours | None:
    """Hours of a batch like this one to come."""
    prices, _ = prices_or_why(opened, None)
    if hours_rows(opened.catalogue, prices, batch.route) is None:
        return None
    named = NamedDraws(stream(opened.place, "prices"), FORWARD_DRAWS)
    return hours_of_run(opened, prices, batch.route, batch.mass_kg, named, told=told)


def record_cost(place: Place, batch: str, amount: float, *, what: str = "", date: dt.date) -> Spent:
    """Keep money spent on a batch."""
    with open_bench(place) as opened:
        saved = append(opened, "spending", {"batch": batch, "amount": amount, "what": what}, date)
        return Spent(saved, batch, amount, opened.bench.spent_on(batch) or 0.0)


def record_waste(place: Place, batch: str, volume_l: float, *, what: str, went: str, date: dt.date) -> WasteSaved:
    """Keep liquid waste of a batch: what it was and where it went."""
    with open_bench(place) as opened:
        payload = {"batch": batch, "volume_l": volume_l, "what": what, "went": went}
        saved = append(opened, "waste", payload, date)
        total = sum(one.volume_l for one in opened.bench.wastes if one.batch == batch)
        return WasteSaved(replace(saved, notes=(*saved.notes, ASK)), batch, volume_l, total)


def show_waste(
    place: Place, *, year: int | None = None, path: Path | None = None, replace_old: bool = False
) -> WasteLog:
    """The log of liquid waste (of one year, or all), written as a page to `path` if one is given."""
    with open_bench(place) as opened:
        found = [one for one in opened.bench.wastes if year in (None, one.date.year)]
        rows = tuple(sorted(found, key=lambda one: (one.date, one.event)))
        total = sum(one.volume_l for one in rows)
        if path is not None:
            title = "Liquid waste" if year is None else f"Liquid waste of {year}"
            lines = [(one.date.isoformat(), one.batch, f"{one.volume_l:g}", one.what, one.went) for one in rows]
            save_page(path, write_waste_log(title, lines, f"{total:g}", DEFER), replace_old=replace_old)
        return WasteLog(rows, total, year, path, DEFER)
