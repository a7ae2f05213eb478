"""Whose filters an ash is of: what the person typed, as the link that a charge is kept with."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from gradeest.errors import InputError
from gradeest.records.ash_rules import SWEEPINGS, ways_of_burning
from gradeest.records.domain import AshLink, Bench
from gradeest.records.findings import Findings
from gradeest.records.periods import parse_period
from gradeest.records.references import is_fraction, sort_of_address
from gradeest.workflow.opening import Opened

RANGE = re.compile(r"[Bb]([0-9]+)\.\.[Bb]([0-9]+)")
NEEDED = "--from-batches B1..B9 or --from-period 2025-07..2025-12"


@dataclass(frozen=True)
class AshSaid:
    """As typed: batches or a period, how the filters were burnt, the share from elsewhere (0-1; None: the row)."""

    batches: str | None = None
    period: str | None = None
    burning: str | None = None
    untracked: tuple[float, float] | None = None

    @property
    def is_anything(self) -> bool:
        """Whether any of it was typed."""
        return any(one is not None for one in (self.batches, self.period, self.burning, self.untracked))


def link_ash(opened: Opened, charges: Sequence[Mapping[str, Any]], said: AshSaid) -> list[dict[str, Any]]:
    """The charges with the ash among them linked. Raises InputError where it is not clear which or to what."""
    kept = [dict(charge) for charge in charges]
    if not said.is_anything:
        return kept
    bench, kinds = opened.bench, opened.catalogue.kinds
    ashes = [
        c for c in kept
        if c["address"] in bench.addresses() and kinds[bench.fraction(c["address"]).kind].cls == SWEEPINGS
    ]  # fmt: skip
    found, names = Findings(), list[str]()
    strange = [c["address"] for c in kept if sort_of_address(c["address"]) == "fraction"]
    strange = [address for address in strange if not is_fraction(address, bench, found, "charge")]
    if len(ashes) != 1 and not strange:
        which = "none of the charges is" if not ashes else "several of the charges are"
        found.error("charge", f"{which} of the class {SWEEPINGS}", "one charge of ash in a batch")
    if (said.batches is None) == (said.period is None):
        what = "whose filters were burnt is missing" if said.batches is None else "batches and a period: which?"
        found.error("from-batches", what, NEEDED)
    else:
        field = "from-batches" if said.period is None else "from-period"
        try:
            names = of_period(bench, said.period) if said.period is not None else named(bench, said.batches or "")
        except InputError as err:
            found.error(field, err.message, err.hint)
    if said.burning is None:
        ways = f"--burning {'|'.join(ways_of_burning(opened.catalogue))}"
        found.error("burning", "how the filters were burnt is missing", ways)
    if found.issues:
        raise InputError("batch add: the ash cannot be linked, nothing saved", issues=found.issues)
    ashes[0] |= {"from_batches": names, "burning": said.burning}
    if said.untracked is not None:
        ashes[0]["untracked"] = list(said.untracked)
    return kept


def named(bench: Bench, text: str) -> list[str]:
    """`B1..B9,B12` -> the batches there are among them; one that is named alone is kept for the rules to judge."""
    names: dict[str, None] = {}
    for part in (part.strip() for part in text.split(",")):
        match = RANGE.fullmatch(part)
        if match is None:
            names[part.upper()] = None
            continue
        low, high = (int(number) for number in match.groups())
        names.update({name: None for name in bench.batches if low <= int(name[1:]) <= high})
    if not any(names):
        raise InputError(f"'{text}' names no batch", NEEDED)
    return list(names)


def of_period(bench: Bench, text: str) -> list[str]:
    """The batches that began in a period, but those that ran ash themselves."""
    period = parse_period(text)
    names = [b.name for b in bench.batches.values() if period.holds(b.date) and not any(c.link for c in b.charges)]
    if not names:
        raise InputError(f"no batch began in {text}", NEEDED)
    return names


def say_link(link: AshLink) -> str:
    """A link in words: "ash of the filters of B1, B2, furnace"."""
    share = f", {100 * link.untracked[0]:g}-{100 * link.untracked[1]:g} % from elsewhere" if link.untracked else ""
    return f"ash of the filters of {', '.join(link.batches)}; {link.burning}{share}"
