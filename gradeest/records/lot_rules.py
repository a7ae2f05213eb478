"""What a lot must be to be recorded: names, kinds, masses."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Collection

from gradeest.materials.catalogue import Catalogue
from gradeest.records.domain import Fraction, Lot
from gradeest.records.findings import Findings, is_clean_text, is_number, suggest
from gradeest.records.piles import Pile

NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,39}")
BATCH_NAME = re.compile(r"[Bb][0-9]+")
MOST_KG = 1e6  # a thousand tonnes: beyond it a unit slipped

KIND_HINT = "an id from `gradeest priors list`, e.g. fingers-memory"
NAME_HINT = "letters, digits, - and _, at most 40, e.g. attic-2025"


def check_name(found: Findings, where: str, name: object) -> bool:
    """Whether a lot or fraction may be called so; otherwise an error is added."""
    if not isinstance(name, str) or not name:
        found.error(where, "the name is missing", NAME_HINT)
    elif not NAME.fullmatch(name):
        found.error(where, f"'{name}' cannot be a name", NAME_HINT)
    else:
        return True
    return False


def check_lot(
    lot: Lot, catalogue: Catalogue, found: Findings, *, taken: Collection[str] = (), today: dt.date | None = None
) -> None:
    """Add everything that speaks against a lot; `taken` are the names of lots already recorded."""
    if check_name(found, "name", lot.name):
        if BATCH_NAME.fullmatch(lot.name):
            found.error("name", f"'{lot.name}' is how batches are called", "another name, e.g. lot-" + lot.name)
        elif lot.name.lower() in {name.lower() for name in taken}:
            found.error("name", f"there is a lot '{lot.name}' already", f"another name, e.g. {lot.name}-2")
    check_date(found, lot.date, today)
    if not lot.fractions and not lot.unsorted_kg and not lot.boards:
        found.error("fraction", "the lot is empty", "give it at least one fraction, boards, or an unsorted mass")
    if lot.unsorted_kg:
        check_mass(found, "unsorted", lot.unsorted_kg)
    if lot.price_paid is not None and (not is_number(lot.price_paid) or lot.price_paid < 0):
        found.error("price_paid", f"{lot.price_paid} cannot be a price", "what the lot cost, e.g. 120; 0 for nothing")
    check_text(found, "owner", lot.owner)
    check_text(found, "note", lot.note)
    seen: set[str] = set()
    for fraction in lot.fractions:
        if fraction.name.lower() in seen:
            found.error(fraction.name, f"two fractions are called '{fraction.name}'", "give each its own name")
        seen.add(fraction.name.lower())
        check_fraction(fraction, catalogue, found)
    for pile in lot.boards:
        if pile.name.lower() in seen:
            found.error(pile.name, f"two parts of the lot are called '{pile.name}'", "give each its own name")
        seen.add(pile.name.lower())
        check_pile(pile, catalogue, found)


def check_fraction(fraction: Fraction, catalogue: Catalogue, found: Findings) -> None:
    """Add everything that speaks against one fraction."""
    check_name(found, fraction.name or "fraction", fraction.name)
    if fraction.kind:
        check_kind(found, f"{fraction.name}.kind", fraction.kind, catalogue)
    else:
        found.error(f"{fraction.name}.kind", "the kind is missing", KIND_HINT)
    check_mass(found, f"{fraction.name}.mass", fraction.mass_kg)
    pieces = fraction.pieces
    if pieces is not None and (not isinstance(pieces, int) or isinstance(pieces, bool) or pieces < 1):
        found.error(f"{fraction.name}.pieces", f"{pieces} cannot be a count", "a whole number from 1, or leave it out")
    check_text(found, f"{fraction.name}.note", fraction.note)


def check_pile(pile: Pile, catalogue: Catalogue, found: Findings) -> None:
    """Add everything that speaks against boards of one kind."""
    check_name(found, pile.name or "boards", pile.name)
    if pile.kind not in catalogue.boards:
        missing = not pile.kind
        message = "the kind is missing" if missing else f"there is no kind of boards '{pile.kind}'"
        known = suggest(pile.kind, catalogue.boards, "`gradeest priors list` names all")
        found.error(f"{pile.name}.kind", message, known)
    if pile.mass_kg is not None:
        check_mass(found, f"{pile.name}.mass", pile.mass_kg)
    elif pile.pieces is None:
        found.error(f"{pile.name}.mass", "neither mass nor count", 'mass = "6 kg", or pieces = 12')
    if pile.pieces is not None and (
        not isinstance(pile.pieces, int) or isinstance(pile.pieces, bool) or pile.pieces < 1
    ):
        found.error(f"{pile.name}.pieces", f"{pile.pieces} cannot be a count", "a whole number from 1")
    check_text(found, f"{pile.name}.note", pile.note)


def check_kind(found: Findings, where: str, kind: str, catalogue: Catalogue) -> bool:
    """Whether the catalogue has the kind; otherwise an error with the nearest ids is added."""
    if kind in catalogue.kinds:
        return True
    found.error(where, f"there is no kind '{kind}'", suggest(kind, catalogue.kinds, "`gradeest priors list` names all"))
    return False


def check_mass(found: Findings, where: str, mass_kg: object) -> bool:
    """Whether a mass of feed can be; otherwise an error is added."""
    if not is_number(mass_kg):
        found.error(where, f"{mass_kg} is no mass", "a mass with its unit, e.g. 2.45 kg")
    elif mass_kg <= 0:
        found.error(where, f"a mass of {mass_kg:g} kg cannot be", "a mass above zero, e.g. 2.45 kg")
    elif mass_kg > MOST_KG:
        found.error(where, f"{mass_kg:g} kg is more than any bench holds", "check the unit")
    else:
        return True
    return False


def check_text(found: Findings, where: str, text: object) -> None:
    """Add an error where a note or owner holds what cannot be printed."""
    if not is_clean_text(text):
        found.error(where, "it holds characters that cannot be printed", "plain text")


def check_date(found: Findings, date: dt.date, today: dt.date | None, where: str = "date") -> None:
    """Add an error for a date in the future, or before there was such scrap."""
    if today is not None and date > today:
        found.error(where, f"{date} lies in the future", f"a date up to today, {today}")
    elif date.year < 1950:
        found.error(where, f"{date} cannot be", "a date as YYYY-MM-DD")
