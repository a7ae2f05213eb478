"""What lets in the ash of filters as a charge that is linked to the batches whose filters were burnt."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from gradeest.materials.catalogue import Catalogue
from gradeest.records.domain import Bench
from gradeest.records.findings import Findings, is_number, suggest
from gradeest.records.references import Context, batches_hint
from gradeest.records.stock_rules import OVER

SWEEPINGS = "sweepings"  # the class whose kinds may be the ash of filters
KEEP = "keep:"  # rows of shares: what a way of burning keeps


def ways_of_burning(catalogue: Catalogue) -> tuple[str, ...]:
    """How filters may have been brought to ash: the rows of shares that say what it keeps."""
    return tuple(name.removeprefix(KEEP) for name in catalogue.shares if name.startswith(KEEP))


def check_links(charges: Sequence[Mapping[str, Any]], name: str, context: Context, found: Findings) -> None:
    """Add what speaks against charges of batch `name` being the ash of other batches' filters."""
    for item in charges:
        if item.get("from_batches"):
            _check_ash(item, context, found)
            _check_batches(item["from_batches"], name, context, found)
            _check_shares(item, context.catalogue, found)


def _check_ash(item: Mapping[str, Any], context: Context, found: Findings) -> None:
    bench, address = context.bench, item.get("address")
    if address not in bench.addresses():
        return  # said already
    fraction = bench.fraction(str(address))
    kind = context.catalogue.kinds.get(fraction.kind)
    if kind is not None and kind.cls != SWEEPINGS:
        found.error("charge", f"{address} is {kind.name}: no ash of filters", "link a fraction of the class sweepings")
    left, mass_kg = bench.left_kg(str(address)), item.get("mass_kg")
    is_part = bench.last_taken(str(address)) is not None or (is_number(mass_kg) and mass_kg < left / OVER)
    if is_part or fraction.layers_kg:
        hint = "leave the mass out; what is not of these filters is a fraction of its own"
        found.error("charge", f"linked ash goes in whole and at once: {address}", hint)


def _check_batches(names: Any, name: str, context: Context, found: Findings) -> None:
    bench = context.bench
    if not isinstance(names, list | tuple) or not all(isinstance(one, str) for one in names):
        found.error("from-batches", "these are no batches", "such as B1..B9")
        return
    for one in dict.fromkeys(names):
        batch = bench.batches.get(one)
        if one == name:
            circle = f"{name} -> its filters -> {name}"
            found.error("from-batches", f"{name} cannot take the ash of its own filters: {circle}", "earlier batches")
        elif batch is None:
            found.error("from-batches", f"there is no batch '{one}'", batches_hint(bench))
        elif context.happened_on is not None and context.happened_on < batch.date:
            found.error("from-batches", f"{one} began on {batch.date}, after this ash was run", "earlier batches only")
        elif other := took_filters_of(bench, one):
            found.error("from-batches", f"the filters of {one} went into {other} already", "leave it out here")


def took_filters_of(bench: Bench, name: str) -> str:
    """The batch that ran the ash of a batch's filters; "" where none did."""
    links = [(b.name, c.link) for b in bench.batches.values() for c in b.charges]
    return next((taker for taker, link in links if link is not None and name in link.batches), "")


def _check_shares(item: Mapping[str, Any], catalogue: Catalogue, found: Findings) -> None:
    ways = ways_of_burning(catalogue)
    burning = item.get("burning")
    if burning not in ways:
        said = f"'{burning}' is no way of burning" if burning else "how the filters were burnt is missing"
        found.error("burning", said, suggest(str(burning), ways, f"one of: {', '.join(ways)}"))
    untracked = item.get("untracked")
    if untracked is None:
        return
    if (
        not isinstance(untracked, list | tuple) or len(untracked) != 2 or not all(is_number(end) for end in untracked)
        or not 0 <= untracked[0] < untracked[1] < 1
    ):  # fmt: skip
        found.error("untracked", f"{untracked} cannot be a share from elsewhere", "a range below 100 %, e.g. 2-40 %")
