"""What lets in what a batch leaves: a part set aside, residue, a solution, a loss and what was wiped up of it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from gradeest.records.domain import EXACT_KG, LEFT_OVER, Batch, Stream
from gradeest.records.findings import Findings, is_number
from gradeest.records.lot_rules import check_mass, check_name
from gradeest.records.references import (
    PRODUCT_NAME,
    Context,
    began_by,
    find_batch,
    find_earlier,
    find_open_batch,
)
from gradeest.records.refined import takes_products
from gradeest.records.stock_rules import OVER, where_it_went

MOST_L = 1e5  # beyond it a unit slipped


def check_set_aside(payload: Mapping[str, Any], context: Context, found: Findings) -> None:
    """Add what speaks against parts of a charge that were set aside unprocessed."""
    streams = payload["streams"]
    if not isinstance(streams, list | tuple) or not all(isinstance(one, Mapping) for one in streams):
        found.error("streams", "this is nothing that can be set aside", "NAME=MASS for each, e.g. oversize=80g")
        return
    batch = find_open_batch(payload["batch"], context, found)
    if batch is not None and takes_products(batch):
        hint = "what was not refined was not in it: weigh it as a product of its own batch first"
        found.error("streams", f"{batch.name} refines products: nothing of it is set aside", hint)
    masses = [one["mass_kg"] for one in streams if check_mass(found, f"{one.get('name')}.mass", one.get("mass_kg"))]
    _check_names([one.get("name") for one in streams], batch, found)
    if batch is not None:
        _check_sum(sum(masses), batch, found)
        aside = sum(s.mass_kg or 0.0 for s in batch.streams if s.sort == "set-aside") + sum(masses)
        if batch.mass_kg - EXACT_KG <= aside <= batch.mass_kg:
            found.error("streams", f"all of {batch.name} would be set aside", "undo the batch if nothing was processed")


def check_leave(payload: Mapping[str, Any], context: Context, found: Findings) -> None:
    """Add what speaks against a solution that waits, or a residue: a batch has one of these, or it is not known which
    of them holds how much."""
    batch = find_batch(payload["batch"], context, found)
    _check_names([payload["name"]], batch, found)
    volume, mass = payload.get("volume_l"), payload.get("mass_kg")
    if volume is not None and mass is not None:
        found.error("volume", "a solution has a volume, a residue a mass", "--volume or --residue, one of them")
    elif mass is not None:
        _check_residue(mass, batch, found)
    elif not is_number(volume) or volume <= 0:
        found.error("volume", f"{volume} cannot be a volume", "with its unit, e.g. 1.2 L")
    elif volume > MOST_L:
        found.error("volume", f"{volume:g} L is more than any bench holds", "check the unit")
    if mass is None and batch is not None:
        solutions = [one for one in batch.streams if one.sort == "solution"]
        gone = [(one, context.bench.taken_by(one.address)) for one in solutions]
        for one, taken in gone:
            if taken:
                found.error("batch", f"{one.address} went into {taken[0]} as all there was of it", "undo that first")


def _check_residue(mass: Any, batch: Batch | None, found: Findings) -> None:
    if not check_mass(found, "residue", mass) or batch is None:
        return
    there = [one.address for one in batch.streams if one.sort == "residue"]
    if there:
        found.error("residue", f"{batch.name} has its residue already: {there[0]}", "amend its mass, with all of it")
    if mass > batch.mass_kg + EXACT_KG:
        found.ask(
            "residue", f"{mass:.6g} kg of residue, and {batch.mass_kg:.6g} kg went into {batch.name}",
            "check the unit; what is wet or has become a salt may weigh more",
        )  # fmt: skip


def check_loss(payload: Mapping[str, Any], context: Context, found: Findings) -> None:
    """Add what speaks against a loss: it is a share of what was in work, and a range, for nobody weighs a spill."""
    low, high = payload["low"], payload["high"]
    if not is_number(low) or not is_number(high) or not 0 <= low < high < 1:
        shares = f"{low:.4g} to {high:.4g}" if is_number(low) and is_number(high) else f"{low} to {high}"
        message = f"{shares} cannot be the share that was lost"
        found.error("share", message, "a range below 100 %, e.g. 20-50 %")
    batch = find_batch(payload["batch"], context, found)
    date = context.happened_on
    if batch is not None and batch.closed is not None and date is not None and date > batch.closed:
        found.error(
            "date",
            f"{batch.name} was closed on {batch.closed}: what was lost on {date} did not touch its weights",
            "the day of the spill with --date; what is lost of a product or jar later is `gradeest discard`",
        )
    wiped = payload.get("wiped")
    if not wiped:
        return
    if not isinstance(wiped, Mapping):
        found.error("wiped", "this is nothing that was wiped up", "NAME=MASS, e.g. floor=60g")
        return
    is_mass = check_mass(found, f"{wiped.get('name')}.mass", wiped.get("mass_kg"))
    _check_names([wiped.get("name")], batch, found)
    if batch is not None and is_mass:
        _check_sum(wiped["mass_kg"], batch, found)


def check_stream_charge(address: str, mass_kg: Any, name: str, context: Context, found: Findings) -> bool:
    """Whether `address` is a stream that batch `name` may take; what speaks against it is added.

    A batch takes only of what is there before it, so metal never runs in a circle.
    """
    bench, (head, _, called) = context.bench, address.partition("/")
    earlier = find_earlier(address, name, "leaves", context, found)
    if earlier is None:
        return False
    stream = next((one for one in earlier.streams if one.name == called), None)
    if stream is None:
        there = ", ".join(one.address for one in earlier.streams)
        found.error("charge", f"{head} has nothing called '{called}'", there or f"nothing was left of {head}")
        return False
    if takes_products(earlier):
        what = f"{address} was left by a batch of products: what it holds is not followed"
        found.error("charge", what, f"what came of it belongs to {head}")
        return False
    _check_left_over(stream, earlier, found)
    began_by(found, context, stream.date, address)
    taken, left = bench.taken_by(address), bench.left_kg(address)
    if taken:
        found.error("charge", f"{address} went into {taken[0]} already", "a stream goes into one batch")
    elif (left <= 0 and stream.mass_kg is not None) or (bench.takings(address) and stream.mass_kg is None):
        found.error("charge", f"nothing is left of {address}", where_it_went(bench, address))
    elif stream.mass_kg is None:
        check_mass(found, "charge", mass_kg)
    elif check_mass(found, "charge", mass_kg) and mass_kg > left * OVER:
        hint = f"at most {left:.6g} kg; left out it is all of it"
        found.error("charge", f"{address} has {left:.6g} kg left, {mass_kg:.6g} kg is more", hint)
    return True


def _check_left_over(stream: Stream, batch: Batch, found: Findings) -> None:
    """What a batch left over goes on when it is closed: until then it may still be dropped there."""
    if stream.sort not in LEFT_OVER:
        return
    if batch.is_open:
        what = "a solution" if stream.sort == "solution" else "the residue"
        found.error(
            "charge", f"{stream.address} is {what} of {batch.name}, which is open: it stays with it until then",
            f"gradeest batch close {batch.name}; what comes of it before is weighed as a product of {batch.name}",
        )  # fmt: skip
    if stream.sort == "residue":
        return
    nothing = sorted({one.metal for one in batch.nondetects} - {one.metal for one in batch.products})
    if nothing:
        found.error(
            "charge", f"nothing of {', '.join(nothing)} was found in {batch.name}: its liquid stays with it",
            f"what comes of it is weighed as a product of {batch.name}: undo its closing first (`gradeest history`)",
        )  # fmt: skip
    others = [one.address for one in batch.streams if one.sort == "solution" and one != stream]
    if others:
        found.error(
            "charge", f"{batch.name} left another solution too ({', '.join(others)}): what each holds is not known",
            "undo them and record what there is together as one",
        )  # fmt: skip


def _check_names(names: list[Any], batch: Batch | None, found: Findings) -> None:
    taken = {stream.name.lower() for stream in batch.streams} if batch is not None else set()
    if not names:
        found.error("streams", "nothing was set aside", "NAME=MASS for each, e.g. oversize=80g")
    for name in names:
        where = str(name or "name")
        if not check_name(found, where, name):
            continue
        if PRODUCT_NAME.fullmatch(name.lower()):
            found.error(where, f"'{name}' is how products are called", "another name, e.g. oversize")
        elif name.lower() in taken and batch is not None:
            found.error(where, f"{batch.name} has a stream '{name}' already", f"another name, e.g. {name}-2")
        taken.add(name.lower())


def _check_sum(more_kg: float, batch: Batch, found: Findings) -> None:
    total = more_kg + sum(stream.mass_kg or 0.0 for stream in batch.streams if stream.sort != "residue")
    if total > batch.mass_kg + EXACT_KG:
        found.error(
            "mass",
            f"{total:.6g} kg would have come out of {batch.name}, {batch.mass_kg:.6g} kg went in",
            "check the unit; what comes from elsewhere is a fraction of a lot",
        )
