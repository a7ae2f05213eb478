"""Writing to the ledger: each function checks everything first, then appends one event, or nothing."""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from gradeest.errors import InputError, Issue, NeedsConfirmation
from gradeest.materials.hazards import DEFER, purchase_lines
from gradeest.materials.laws import JURISDICTION
from gradeest.records.amending import AMENDABLE
from gradeest.records.balance_rules import with_readability
from gradeest.records.domain import LEFT_OVER, Bench, Lot
from gradeest.records.findings import Findings
from gradeest.records.intake import read_lot
from gradeest.records.payloads import lot_payload
from gradeest.records.stock import check_event, name_products, next_batch_name
from gradeest.workflow.ash_clashes import AshClash, clashes_of
from gradeest.workflow.believing import state_of
from gradeest.workflow.expecting import Expected, forecast_batch
from gradeest.workflow.hazard_lines import board_cautions, cautions
from gradeest.workflow.linking import AshSaid, link_ash
from gradeest.workflow.opening import Opened, Place, open_bench
from gradeest.workflow.telling import Listener

NOBODY = Listener()
COMMANDS = {
    "nondetect": "record none",
    "product": "record product",
    "productassay": "record product-assay",
    "settlement": "settle",
    "spottest": "record spot-test",
    "assay": "record assay",
    "lot": "lot add",
    "batch": "batch add",
    "close": "batch close",
    "setting": "bench set",
    "more": "lot more",
    "split": "lot split",
    "weigh": "lot weigh",
    "sale": "sell",
    "discard": "discard",
    "setaside": "batch set-aside",
    "leave": "batch leave",
    "loss": "record loss",
    "hours": "record hours",
    "spending": "record cost",
    "waste": "record waste",
    "gate": "gate",
    "balance": "balance add",
    "check": "balance check",
}
ABOUT_THE_READING = ("readability", "balance", "date")  # asked back, but nothing that the belief must stretch for
SETTINGS = (
    ("fit-equipment", "burning with fume treatment, fit for the purpose"),
    ("permit", "the authority's permit for it"),
    ("licence", "a licence to hold restricted acids and peroxide"),
    ("storage-clock", "how long material may be kept here, such as 180 days"),
    (JURISDICTION, "where this bench stands: whose law lines are shown"),
)


@dataclass(frozen=True)
class Saved:
    """What was saved: the event's number, its address or name, and what should be noted."""

    event: int
    kind: str
    name: str
    happened_on: dt.date
    notes: tuple[str, ...] = ()
    law_lines: tuple[str, ...] = ()  # what a purchase touches


def sift(issues: Sequence[Issue], what: str, *, sure: bool) -> tuple[str, ...]:
    """Raise InputError for errors, NeedsConfirmation for hardly credible input unless `sure`; returns the notes."""
    errors = [issue for issue in issues if issue.severity == "error"]
    asks = [issue for issue in issues if issue.severity == "ask"]
    if errors:
        plural = "s" if len(errors) > 1 else ""
        raise InputError(f"{what}: {len(errors)} problem{plural}, nothing saved", issues=[*errors, *asks])
    if asks and not sure:
        raise NeedsConfirmation(
            f"{what}: hardly credible, nothing saved yet",
            "if it is right as typed, give it again with --sure",
            issues=asks,
        )
    return tuple(str(issue) for issue in issues if issue.severity != "error")


def append(opened: Opened, kind: str, payload: Mapping[str, Any], date: dt.date, *, sure: bool = False) -> Saved:
    """Check one event against the bench, append it and replay; nothing is written where a check fails."""
    place = opened.place
    with opened.ledger.atomic():  # nobody may change the bench between the check and the entry
        opened.read_again()
        events = opened.ledger.events()
        gaps = Findings()
        if kind == "product":
            payload = with_readability(opened.bench, payload, gaps)
        issues = gaps.issues + check_event(
            opened.bench, kind, payload, opened.catalogue, events=events, happened_on=date, today=place.today
        )
        if gaps.has_errors:
            issues = [issue for issue in issues if issue.field != "readability_g"]  # said better already
        is_plating = kind == "assay" and payload.get("method") == "plating"
        notes = sift(issues, "record plating" if is_plating else COMMANDS.get(kind, kind), sure=sure)
        kept = flag_sure(kind, payload, issues, sure=sure)
        event = opened.ledger.append(kind, kept, happened_on=date, recorded_at=place.now, uuid=str(uuid.uuid4()))
    opened.read_again()
    return Saved(event.number, kind, name_of(opened, kind, payload, event.number), date, notes)


def flag_sure(kind: str, payload: Mapping[str, Any], issues: Sequence[Issue], *, sure: bool) -> dict[str, Any]:
    """The payload as it is kept: flagged where it was hardly credible and the person insisted."""
    kept = dict(payload)
    if "sure" in AMENDABLE.get(kind, ()):
        asked = [issue for issue in issues if issue.severity == "ask" and issue.field not in ABOUT_THE_READING]
        kept["sure"] = sure and bool(asked)
    return kept


def name_of(opened: Opened, kind: str, payload: Mapping[str, Any], number: int) -> str:
    """The address or name that the event made or touched (`B3/au-1` for a product)."""
    if kind == "product":
        return f"{payload['batch']}/{name_products(opened.ledger.events())[number]}"
    if kind == "leave":
        return f"{payload['batch']}/{payload['name']}"
    if kind == "weigh":
        return f"{payload['lot']}/{payload['name']}"
    if kind == "setaside":
        return ", ".join(f"{payload['batch']}/{stream['name']}" for stream in payload["streams"])
    if kind == "settlement":
        return ", ".join(payload["products"])
    if kind == "check":
        return str(payload["balance"])
    return str(payload.get("name") or payload.get("batch") or payload.get("address") or payload.get("event") or "")


def add_lot(place: Place, lot: Lot, *, sure: bool = False) -> Saved:
    """Keep a lot that was typed in at the terminal."""
    with open_bench(place, create=True) as opened:
        saved = append(opened, "lot", lot_payload(lot), lot.date, sure=sure)
        return replace(saved, law_lines=purchase_lines(opened.catalogue)) if lot.price_paid else saved


def add_lot_file(place: Place, path: Path, *, date: dt.date | None = None, sure: bool = False) -> tuple[Lot, Saved]:
    """Keep the lot of a TOML or CSV file (of `date` where the file has none); all its problems are told at once."""
    from gradeest.materials.catalogue import load_catalogue

    # Read first: a faulty file must not leave a new, empty ledger behind.
    lot, issues = read_lot(path, load_catalogue(place.priors), today=place.today, date=date)
    notes = sift(issues, f"lot add {path}", sure=sure)
    saved = add_lot(place, lot, sure=sure)
    return lot, replace(saved, notes=tuple(dict.fromkeys((*notes, *saved.notes))))


def cautions_of_boards(place: Place, lot: Lot) -> tuple[str, ...]:
    """What to beware of before anything is taken off the boards of a lot; refusals first."""
    if not lot.boards:
        return ()
    from gradeest.materials.catalogue import load_catalogue

    found = board_cautions(load_catalogue(place.priors), [pile.kind for pile in lot.boards])
    return (*(f"{', '.join(one.kinds)}: {one.line}" for one in found), DEFER)


@dataclass(frozen=True)
class BatchStarted:
    """A new batch: its route (and whether it was chosen for the kind), its cautions and gates, what to expect."""

    saved: Saved
    route: str
    route_line: str
    route_was_usual: bool
    charges: tuple[tuple[str, float], ...]  # address, kg
    cautions: tuple[str, ...]
    usual_form: Mapping[str, str]  # metal -> form
    trial: bool
    expected: tuple[Expected, ...] = ()  # kept: the result is held against it
    no_forecast: str = ""  # why there is none
    clashes: tuple[AshClash, ...] = ()  # of ash that was assayed before with what its filters say


def usual_route(opened: Opened, addresses: Sequence[str]) -> str:
    """The route that the kinds of all charges are usually run by. Raises InputError where there is no single one.

    Products have none: whether they are melted or refined is for the person to say.
    """
    if any(opened.bench.has_product(address) for address in addresses):
        return ""  # asked back by the rules
    roots = dict.fromkeys(root for a in addresses for root in opened.bench.fractions_behind(a))
    kinds = [opened.catalogue.kinds[opened.bench.fraction(root).kind] for root in roots]
    routes = {kind.usual_route for kind in kinds}
    if len(routes) == 1 and "" not in routes:
        return routes.pop()
    if "" in routes:
        return ""  # check_event refuses it with the reason
    lines = ", ".join(f"{kind.id}: {kind.usual_route}" for kind in kinds)
    raise InputError(f"these kinds are usually run by different routes ({lines})", "name one with --route")


def can_be_charged(bench: Bench) -> set[str]:
    """Addresses of all that a batch may take: fractions, products, streams; what was left over, of a closed batch."""
    streams = [
        stream.address for batch in bench.batches.values() for stream in batch.streams
        if stream.sort not in LEFT_OVER or not batch.is_open
    ]  # fmt: skip
    products = [f"{batch.name}/{product.name}" for batch in bench.batches.values() for product in batch.products]
    return {*bench.addresses(), *products, *streams}


def whole_of(opened: Opened, address: str) -> float | None:
    """All that is left of what may be charged, kg, of a solution by a common density; None of a product: it goes in
    whole, whatever it weighs."""
    bench = opened.bench
    if bench.has_product(address):
        return None
    if bench.has_stream(address) and bench.stream(address).mass_kg is None:
        return bench.solution_left_l(address) * opened.catalogue.constants["stream.solution_kg_per_l"]
    return bench.left_kg(address)


def add_batch(
    place: Place,
    charges: Sequence[tuple[str, float | None]],
    *,
    route: str | None,
    date: dt.date,
    note: str = "",
    trial: bool = False,
    ash: AshSaid | None = None,
    sure: bool = False,
    later: bool = False,
    listener: Listener = NOBODY,
) -> BatchStarted:
    """Start a batch of portions of fractions, and of what earlier batches left, or of products of these, by `route`, or
    the kinds' usual one (mass None: all that is left).

    `ash`: whose filters the ash among the charges is of. `trial`: it is a part of one fraction, run before the rest of
    it is decided on. What it is expected to give is kept beside it, unless `later`.
    """
    from gradeest.workflow.gates import refuse_closed, say_of_the_past

    with open_bench(place) as opened:
        before = state_of(opened)
        known = can_be_charged(opened.bench)
        masses = [
            {"address": a, "mass_kg": m if m is not None else whole_of(opened, a) if a in known else 0.0}
            for a, m in charges
        ]
        there = [a for a, _ in charges if a in known]
        chosen = route if route is not None else usual_route(opened, there) if there else ""
        payload: dict[str, Any] = {
            "name": next_batch_name(opened.ledger.events()),
            "route": chosen,
            "charges": link_ash(opened, masses, ash) if ash is not None else masses,
            "note": note,
        }
        if trial:
            payload["trial"] = True
        if len(there) == len(charges):  # else it is refused for another reason first
            refuse_closed(opened, chosen, date)
        saved = append(opened, "batch", payload, date, sure=sure)
        saved = replace(saved, notes=(*saved.notes, *say_of_the_past(opened, [chosen], date)))
        batch = opened.bench.batches[saved.name]
        kinds = opened.bench.kinds_in(batch)
        started = BatchStarted(
            saved,
            batch.route,
            opened.catalogue.routes[batch.route].line,
            route is None,
            tuple((c.address, c.mass_kg) for c in batch.charges),
            (*cautions(opened.catalogue, batch.route, kinds), DEFER),
            dict(opened.catalogue.routes[batch.route].usual_form),
            batch.trial,
        )
        listener.saved(started)
        if later:
            return started
        expected, why = forecast_batch(opened, before, batch, report=listener.report)
        return replace(started, expected=expected, no_forecast=why, clashes=clashes_of(opened, (batch.name,)))


def set_bench(place: Place, name: str, value: str, *, date: dt.date) -> Saved:
    """Keep a dated declaration about the bench (fit equipment, permit, licence, jurisdiction), or its clock."""
    with open_bench(place, create=True) as opened:
        return append(opened, "setting", {"name": name, "value": value}, date)
