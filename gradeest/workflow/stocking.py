"""What comes into the stock and leaves it beside the batches: more in a jar, heaps, sales, discards, solutions."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

from gradeest.errors import InputError
from gradeest.materials.hazards import DEFER, purchase_lines
from gradeest.records.domain import Bench
from gradeest.records.references import sort_of_address
from gradeest.records.sorting import untouched_kg
from gradeest.units import parse_share_range
from gradeest.workflow.opening import Opened, Place, open_bench
from gradeest.workflow.recording import Saved, append

LOSS_WORDS = ("a little", "a third", "most")


@dataclass(frozen=True)
class MoreAdded:
    """More in a fraction's jar. `sources`: of how many sources what stands in it is made, as the model treats them."""

    saved: Saved
    address: str
    added_kg: float
    left_kg: float
    sources: int


@dataclass(frozen=True)
class Heap:
    """One heap of a split: a new fraction."""

    address: str
    kind: str
    mass_kg: float


@dataclass(frozen=True)
class SplitDone:
    """What was left of a fraction, now in heaps."""

    saved: Saved
    address: str
    mass_kg: float
    heaps: tuple[Heap, ...]


@dataclass(frozen=True)
class Taken:
    """Something sold or discarded: how much, and how much of it is left (kg, or g of a product; litres: all or none).

    `amount` is what was paid, None for a discard; `earned` the sum of all sales on the bench.
    """

    saved: Saved
    address: str
    mass_kg: float | None
    weight_g: float | None
    volume_l: float | None
    left: float
    unit: str
    amount: float | None
    to: str
    earned: float
    defer: str


@dataclass(frozen=True)
class LeftOver:
    """A solution that waits, or a residue."""

    saved: Saved
    address: str
    volume_l: float | None
    mass_kg: float | None = None


def add_more(
    place: Place, address: str, mass_kg: float, *, date: dt.date, note: str = "", sure: bool = False
) -> MoreAdded:
    """Put more of the same kind into a fraction's jar."""
    with open_bench(place) as opened:
        payload = {"address": address, "mass_kg": mass_kg, "note": note}
        saved = append(opened, "more", payload, date, sure=sure)
        left = opened.bench.layers_left_kg(address)
        return MoreAdded(saved, address, mass_kg, sum(left), sum(mass > 0 for mass in left))


def split(
    place: Place,
    address: str,
    heaps: Sequence[tuple[str, float, str]],
    *,
    date: dt.date,
    sure: bool = False,
) -> SplitDone:
    """Sort all that is left of a fraction into heaps (name, kg, kind or ""), new fractions of the same lot."""
    with open_bench(place) as opened:
        listed = [{"name": name, "mass_kg": kg} | ({"kind": kind} if kind else {}) for name, kg, kind in heaps]
        saved = append(opened, "split", {"address": address, "heaps": listed}, date, sure=sure)
        done = opened.bench.splits[-1]
        lot = address.partition("/")[0]
        made = [(f"{lot}/{name}", opened.bench.fraction(f"{lot}/{name}")) for name in done.heaps]
        return SplitDone(saved, address, done.mass_kg, tuple(Heap(a, f.kind, f.mass_kg) for a, f in made))


def sell(
    place: Place, address: str, taken: float | None, amount: float, *, to: str = "", date: dt.date, sure: bool = False
) -> Taken:
    """Sell some (kg, or g of a product) or all of a fraction, product or stream for an amount of money."""
    with open_bench(place) as opened:
        payload = {"address": address, **amounts(address, taken), "amount": amount, "to": to}
        saved = append(opened, "sale", payload, date, sure=sure)
        saved = Saved(saved.event, saved.kind, saved.name, date, saved.notes, purchase_lines(opened.catalogue))
        return tell_taken(opened, saved, address)


def discard(
    place: Place, address: str, taken: float | None, *, note: str = "", date: dt.date, sure: bool = False
) -> Taken:
    """Take some or all of a fraction, product or stream out of the stock for good."""
    with open_bench(place) as opened:
        payload = {"address": address, **amounts(address, taken), "note": note}
        return tell_taken(opened, append(opened, "discard", payload, date, sure=sure), address)


def amounts(address: str, taken: float | None) -> dict[str, float]:
    """The amount as the payload has it: nothing for all that is left."""
    if taken is None:
        return {}
    return {"weight_g" if sort_of_address(address) == "product" else "mass_kg": taken}


def tell_taken(opened: Opened, saved: Saved, address: str) -> Taken:
    """What the last sale or discard took, and what is left."""
    bench = opened.bench
    last = bench.sales[-1] if saved.kind == "sale" else bench.discards[-1]
    left, unit = left_of(bench, address)
    volume = bench.stream(address).volume_l if sort_of_address(address) == "stream" else None
    amount = bench.sales[-1].amount if saved.kind == "sale" else None
    to = bench.sales[-1].to if saved.kind == "sale" else ""
    earned = sum(sale.amount for sale in bench.sales)
    return Taken(saved, address, last.mass_kg, last.weight_g, volume, left, unit, amount, to, earned, DEFER)


def left_of(bench: Bench, address: str) -> tuple[float, str]:
    """What is left of a fraction, product or stream, and its unit; of boards the whole ones."""
    if address in bench.pile_addresses():
        return untouched_kg(bench, address) or 0.0, "kg"
    if sort_of_address(address) == "product":
        return bench.product_left_g(address), "g"
    if sort_of_address(address) == "stream" and bench.stream(address).mass_kg is None:
        return bench.solution_left_l(address), "L"
    return bench.left_kg(address), "kg"


def leave(
    place: Place, batch: str, name: str, volume_l: float | None = None, mass_kg: float | None = None, *,
    date: dt.date, sure: bool = False,
) -> LeftOver:  # fmt: skip
    """Keep that a solution (litres) or the residue (kg) of a batch waits."""
    with open_bench(place) as opened:
        amount = {"volume_l": volume_l, "mass_kg": mass_kg}
        payload = {"batch": batch, "name": name} | {key: one for key, one in amount.items() if one is not None}
        saved = append(opened, "leave", payload, date, sure=sure)
        return LeftOver(saved, saved.name, volume_l, mass_kg)


def read_loss(place: Place, text: str) -> tuple[float, float]:
    """The share lost as people say it: "20-50 %", "30 %" (give or take), "a little", "a third", "most".

    Returns: its lower and upper end, 0 to 1. Raises InputError.
    """
    from gradeest.materials.catalogue import load_catalogue

    catalogue = load_catalogue(place.priors)
    word = " ".join(text.lower().replace("-", " ").split())
    known = {name: catalogue.shares[f"loss:{name.replace(' ', '-')}"] for name in LOSS_WORDS}
    known |= {name.removeprefix("a "): row for name, row in known.items()}
    if word in known:
        return known[word].q5, known[word].q95
    try:
        low, high = parse_share_range(text)
    except InputError as err:
        hint = f'a range such as "20-50 %", or one of: {", ".join(LOSS_WORDS)}'
        raise InputError(f"{err.message}", hint) from err
    if low < high:
        return low, high
    give = catalogue.constants["loss.give_or_take"]
    return low * (1 - give), min(low * (1 + give), (1 + low) / 2)  # never everything


def loss_choices(place: Place) -> tuple[tuple[str, str], ...]:
    """The words for a loss with what they mean."""
    from gradeest.materials.catalogue import load_catalogue

    shares = load_catalogue(place.priors).shares
    rows = [(word, shares[f"loss:{word.replace(' ', '-')}"]) for word in LOSS_WORDS]
    return tuple((word, f"{100 * row.q5:.3g}-{100 * row.q95:.3g} %") for word, row in rows)
