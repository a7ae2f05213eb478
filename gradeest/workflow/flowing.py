"""Where the metal went: of a batch, of all batches of a lot or a period, or of the whole bench; summed draw by draw."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from gradeest.errors import InputError
from gradeest.materials.catalogue import Catalogue, nearest
from gradeest.records.ash_rules import SWEEPINGS, took_filters_of
from gradeest.records.domain import METALS, MINE, Batch, Bench
from gradeest.records.periods import looks_like_period, parse_period

if TYPE_CHECKING:
    from gradeest.belief.flows import Flow
    from gradeest.decision.summary import Interval
    from gradeest.workflow.holdings import Holdings, Values

Sort = Literal["batch", "lot", "period", "bench"]
PLACE_OF = {"set-aside": "set aside", "residue": "residue", "solution": "solution", "wiped-up": "spilled"}


@dataclass(frozen=True)
class Subject:
    """What `where` is asked about: the batches, and the lot whose part of them counts ("" for all)."""

    about: str
    sort: Sort
    batches: tuple[Batch, ...]
    lot: str = ""


@dataclass(frozen=True)
class Destination:
    """Metal that is in one place: g, and its expected share (0-1) of all that went in; shares add up to 1."""

    to: str
    grams: Interval
    share: float


@dataclass(frozen=True)
class MetalFlow:
    """Where one metal is. `is_recovered`: one of the routes brings it out; the parts add up to `contained_g`."""

    metal: str
    contained_g: Interval
    rests_on: str
    is_recovered: bool
    parts: tuple[Destination, ...]


def find_subject(bench: Bench, about: str | None) -> Subject:
    """The batches that a name or a period stands for. Raises InputError for none."""
    everything = tuple(bench.batches.values())
    if about is None:
        return Subject("", "bench", everything)
    if about in bench.batches:
        return Subject(about, "batch", (bench.batches[about],))
    if about in bench.lots:
        charged = tuple(b for b in everything if any(in_lot(root, about) for root in roots_of(bench, b)))
        return Subject(about, "lot", charged, about)
    if looks_like_period(about):
        period = parse_period(about)
        batches = tuple(batch for batch in everything if period.holds(batch.date))
        if not batches:
            days = sorted(batch.date for batch in everything)
            hint = f"they began between {days[0]} and {days[-1]}" if days else "there is no batch yet"
            raise InputError(f"no batch began in {about}", hint)
        return Subject(about, "period", batches)
    names = [*bench.batches, *bench.lots]
    near = nearest(about, names)
    listed = f"batches: {', '.join(bench.batches) or 'none yet'}; lots: {', '.join(bench.lots) or 'none yet'}"
    hint = f"did you mean {' or '.join(near)}? " if near else ""
    raise InputError(
        f"there is no batch '{about}', and no lot or period", f"{hint}{listed}; a period: 2025-07..2025-12"
    )


def roots_of(bench: Bench, batch: Batch) -> list[str]:
    """Fractions whose metal went into a batch, by itself or in a stream of an earlier one."""
    return [root for charge in batch.charges for root in bench.fractions_behind(charge.address)]


def in_lot(address: str, lot: str) -> bool:
    """Whether an address is a fraction of a lot."""
    return address.partition("/")[0] == lot


def gather_flow(holdings: Holdings, subject: Subject) -> Flow:
    """All flows of a subject together; of a lot or the whole bench with what is still in its jars.

    A stream, a product, or ash of filters, that went from one of its batches into another is counted there alone.
    """
    from gradeest.belief.flows import Flow, add_up, part_of

    flows = [Flow(np.zeros((holdings.draws, len(METALS))), {})]  # there may be nothing at all
    burnt, ash = follow_ash(holdings, subject)
    for batch in subject.batches:
        flow = holdings.flow(batch)
        flow = part_of(flow, lot_share(holdings, batch, subject.lot)) if subject.lot else flow
        passed = passed_on(holdings, subject, batch)
        passed["filters"] = burnt.get(batch.name, 0.0)
        flows.append(count_once(flow, passed, received(holdings, subject, batch) + ash.get(batch.name, 0.0)))
    for address in jars_of(holdings.bench, subject):
        grams = holdings.in_jar(address)
        flows.append(count_once(Flow(grams, {"in jars": grams}), {}, ash.get(address, 0.0)))
    return add_up(flows)


def jars_of(bench: Bench, subject: Subject) -> list[str]:
    """Fractions of a lot, or of the whole bench, of which something is left."""
    if subject.sort not in ("lot", "bench"):
        return []
    own = [address for address in bench.addresses() if not subject.lot or in_lot(address, subject.lot)]
    return [address for address in own if bench.left_kg(address) > 0]


def recovered_metals(holdings: Holdings, subject: Subject) -> set[str]:
    """Metals that the routes of the batches bring out, and the usual ones of what is in jars."""
    bench, catalogue = holdings.bench, holdings.catalogue
    routes = [batch.route for batch in subject.batches]
    routes += [catalogue.kinds[bench.fraction(address).kind].usual_route for address in jars_of(bench, subject)]
    return {metal for route in routes if route for metal in catalogue.routes[route].recovery}


def lot_share(holdings: Holdings, batch: Batch, lot: str) -> Values:
    """What share of the metal in a batch came from a lot, (draw, metal)."""
    bench, charged = holdings.bench, holdings.charged(batch)
    whole = np.sum(list(charged.values()), axis=0)
    if all(in_lot(root, lot) for root in roots_of(bench, batch)):
        return np.ones_like(whole)
    own = np.zeros_like(whole)
    for address, grams in charged.items():
        if bench.is_of_batch(address):
            own += grams * lot_share(holdings, bench.batches[address.partition("/")[0]], lot)
        elif in_lot(address, lot):
            own += grams
    mass = sum(c.mass_kg for c in batch.charges if in_lot(c.address, lot)) / batch.mass_kg
    return np.where(whole > 0, own / np.where(whole > 0, whole, 1.0), mass)


def passed_on(holdings: Holdings, subject: Subject, batch: Batch) -> dict[str, Values | float]:
    """Metal that went from a batch into others of the subject, of its lot, (draw, metal), by the place it was in."""
    taken = [(other, c.address) for other in subject.batches for c in other.charges if of_batch(c.address, batch.name)]
    share = lot_share(holdings, batch, subject.lot) if subject.lot and taken else 1.0
    found: dict[str, Values | float] = {}
    for other, address in taken:
        is_product = holdings.bench.has_product(address)
        place = "product" if is_product else PLACE_OF[holdings.bench.stream(address).sort]
        found[place] = found.get(place, 0.0) + holdings.charged(other)[address] * share
    return found


def received(holdings: Holdings, subject: Subject, batch: Batch) -> Values | float:
    """Metal that came into a batch from others of the subject, of its lot, (draw, metal)."""
    total: Values | float = 0.0
    for earlier in subject.batches:
        for charge in batch.charges:
            if of_batch(charge.address, earlier.name):
                share = lot_share(holdings, earlier, subject.lot) if subject.lot else 1.0
                total = total + holdings.charged(batch)[charge.address] * share
    return total


def of_batch(address: str, batch: str) -> bool:
    """Whether an address is something that a batch left."""
    return address.partition("/")[0] == batch


def follow_ash(holdings: Holdings, subject: Subject) -> tuple[dict[str, Values], dict[str, Values]]:
    """Metal of filters that is in the subject once more as ash, (draw, metal): out of which batch, into which batch
    or jar (by address).

    At most what the filters held is counted as theirs; what more an ash holds came from elsewhere, and what burning
    lost of it stays with the filters. Ash of one's own that is not linked counts as of all earlier filters that no
    other ash is of.
    """
    held = {batch.name: filters_of(holdings, subject, batch) for batch in subject.batches}
    burnt: dict[str, Values] = {}
    ash: dict[str, Values] = {}
    for one in list_ashes(holdings.bench, holdings.catalogue, subject):
        batch = holdings.bench.batches.get(one.taker)
        grams = holdings.charged(batch)[one.address] if batch is not None else holdings.in_jar(one.address)
        left = {name: held[name] - burnt.get(name, 0.0) for name in one.batches if name in held}
        whole = sum(left.values(), np.zeros((holdings.draws, len(METALS))))
        tracked = np.minimum(grams, whole)
        ash[one.taker] = ash.get(one.taker, 0.0) + tracked
        for name, part in left.items():
            burnt[name] = burnt.get(name, 0.0) + tracked * part / np.where(whole > 0, whole, 1.0)
    return burnt, ash


@dataclass(frozen=True)
class AshTaken:
    """Ash in a batch, or in its jar (then `taker` is its address), and the batches whose filters it counts as."""

    taker: str
    address: str
    batches: tuple[str, ...]
    is_linked: bool


def list_ashes(bench: Bench, catalogue: Catalogue, subject: Subject) -> list[AshTaken]:
    """All ash in the batches and jars of a subject, what is linked first."""
    own, found = own_ash(bench, catalogue, subject), []
    free = [batch for batch in subject.batches if not took_filters_of(bench, batch.name)]
    for batch in subject.batches:
        earlier = tuple(one.name for one in free if one.date <= batch.date and one.name != batch.name)
        for charge in {charge.address: charge for charge in batch.charges}.values():
            if charge.link is not None and (not subject.lot or in_lot(charge.address, subject.lot)):
                found.append(AshTaken(batch.name, charge.address, charge.link.batches, True))
            elif charge.link is None and charge.address in own and earlier:
                found.append(AshTaken(batch.name, charge.address, earlier, False))
    if free:
        names = tuple(one.name for one in free)
        found += [AshTaken(a, a, names, False) for a in jars_of(bench, subject) if a in own]
    return sorted(found, key=lambda one: not one.is_linked)


def own_ash(bench: Bench, catalogue: Catalogue, subject: Subject) -> set[str]:
    """Sweepings that were neither paid for nor brought by another owner: what filters gave, as far as anybody knows."""
    lots = [lot for name, lot in bench.lots.items() if subject.lot in ("", name)]
    return {
        f"{lot.name}/{fraction.name}"
        for lot in lots
        for fraction in lot.fractions
        if not lot.price_paid and lot.owner == MINE and catalogue.kinds[fraction.kind].cls == SWEEPINGS
    }


def filters_of(holdings: Holdings, subject: Subject, batch: Batch) -> Values:
    """Metal in the filters of a batch, of the lot asked about, where a weight tells what did not reach a product."""
    from gradeest.belief.sharing import REACHED

    held = holdings.flow(batch).parts_g.get("filters", np.zeros((holdings.draws, len(METALS))))
    told = [(batch.name, metal, REACHED) in holdings.posterior.shares for metal in METALS]
    return held * told * (lot_share(holdings, batch, subject.lot) if subject.lot else 1.0)


def count_once(flow: Flow, passed: Mapping[str, Values | float], came: Values | float) -> Flow:
    """A flow less what each of its places passed on to another one that is counted too, and less what came from one.

    Where a draw would pass on more than a place holds, all others give the rest in proportion: it closes.
    """
    from gradeest.belief.flows import Flow

    parts, zero = dict(flow.parts_g), np.zeros_like(flow.contained_g)
    for place, grams in passed.items():
        gone = zero + grams
        if not gone.any():
            continue
        short = np.maximum(gone - parts.get(place, zero), 0.0)
        others = np.sum([zero, *(part for to, part in parts.items() if to != place)], axis=0)
        left = 1 - np.minimum(short / np.where(others > 0, others, 1.0), 1.0)
        parts = {to: np.maximum(part - gone, 0.0) if to == place else part * left for to, part in parts.items()}
    return Flow(np.maximum(flow.contained_g - came, 0.0), parts)


def describe_flow(holdings: Holdings, subject: Subject) -> tuple[MetalFlow, ...]:
    """The flow of every metal, as intervals and expected shares."""
    from gradeest.decision.summary import Interval

    flow, recovered = gather_flow(holdings, subject), recovered_metals(holdings, subject)
    found = []
    for m, metal in enumerate(METALS):
        contained = flow.contained_g[:, m]
        whole = np.where(contained > 0, contained, 1.0)
        parts = tuple(
            Destination(to, Interval.of(grams[:, m]), float(np.mean(grams[:, m] / whole)))
            for to, grams in flow.parts_g.items()
            if grams[:, m].any()
        )
        found.append(
            MetalFlow(metal, Interval.of(contained), rests_on(holdings, subject, metal), metal in recovered, parts)
        )
    return tuple(found)


def rests_on(holdings: Holdings, subject: Subject, metal: str) -> str:
    """What the metal of all batches together rests on, in words."""
    texts = [holdings.rests_on(batch, metal) for batch in subject.batches]
    if len(texts) < 2:
        return texts[0] if texts else "prior only"
    told = sum(text == f"results of {batch.name}" for text, batch in zip(texts, subject.batches, strict=True))
    return "prior only" if not told else f"results of {told} of {len(texts)} batches"


def notes_on_flow(bench: Bench, catalogue: Catalogue, subject: Subject, flows: Sequence[MetalFlow]) -> list[str]:
    """What should be known with it."""
    from gradeest.belief.places import PLACES

    notes, places = [], {part.to for flow in flows for part in flow.parts if flow.is_recovered}
    if places & set(PLACES):
        notes.append(
            "what did not reach a product was weighed by nobody: how it is shared among equipment, residue, solution, "
            "filters and lost is a judgement of the priors"
        )
    waiting = [batch.name for batch in subject.batches if batch.is_open]
    if waiting:
        notes.append(
            f"{', '.join(waiting)} {'is' if len(waiting) == 1 else 'are'} open: what is in work may still come"
        )
    if "not weighed" in places:
        notes.append("not weighed is what closed batches would have given of a metal that nobody noted a result of")
    unlinked = dict.fromkeys(one.address for one in list_ashes(bench, catalogue, subject) if not one.is_linked)
    if unlinked:
        notes.append(
            f"{', '.join(unlinked)} is linked to no batch: so that no metal is counted twice it counts as what the "
            "filters of earlier batches held, and only what it holds beside that as gone in; `batch add "
            "--from-batches` says whose filters it is of"
        )
    wiped = [one.address for batch in subject.batches for one in batch.streams if one.sort == "wiped-up"]
    if wiped:
        notes.append(f"part of what was spilled was wiped up: {', '.join(wiped)}")
    if subject.lot and any(not in_lot(r, subject.lot) for batch in subject.batches for r in roots_of(bench, batch)):
        notes.append(
            f"batches that held other lots too count by the share of the metal that {subject.lot} brought; "
            "recovery is taken as the same for all that went in together"
        )
    if subject.sort in ("lot", "bench"):
        gone = [*(sale.address for sale in bench.sales), *(discard.address for discard in bench.discards)]
        lots = [address.partition("/")[0] for address in gone]
        if any(lot == subject.lot if subject.lot else lot in bench.lots for lot in lots):
            notes.append("what was sold or discarded unprocessed is not counted")
        counted = [lot for name, lot in bench.lots.items() if subject.lot in ("", name)]
        if any(lot.unsorted_kg or lot.boards for lot in counted):
            notes.append("what is unsorted, or on boards not taken apart, is not counted")
    return notes
