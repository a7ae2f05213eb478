"""How a pile of boards turns into fractions: stripped + left + dust = received, portion by portion."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from gradeest.materials.boards import STRIPPED
from gradeest.records.domain import EXACT_KG, Bench
from gradeest.records.findings import Findings, is_number, suggest
from gradeest.records.lot_rules import KIND_HINT, check_mass, check_name
from gradeest.records.piles import Stripping
from gradeest.records.references import Context, began_by

OVER = 1.02  # two balances may disagree by so much


def portions_of(bench: Bench, address: str) -> dict[int, Stripping]:
    """The portions of the pile at LOT/PILE that were begun, by number."""
    masses: dict[int, float] = {}
    taken: dict[int, dict[str, float]] = {}
    for weighing in bench.weighings:
        if weighing.pile == address:
            masses.setdefault(weighing.portion, weighing.boards_kg)
            taken.setdefault(weighing.portion, {})[weighing.kind] = weighing.mass_kg
    return {n: Stripping(masses[n], taken[n], STRIPPED in taken[n]) for n in sorted(masses)}


def untouched_kg(bench: Bench, address: str) -> float | None:
    """Mass of a pile's boards of which nothing was taken off, sold or discarded; None where they were only counted."""
    pile = bench.pile(address)
    if pile.mass_kg is None:
        return None if not bench.takings(address) else 0.0
    gone = sum(portion.mass_kg for portion in portions_of(bench, address).values())
    gone += sum(taking.mass_kg or 0.0 for taking in bench.takings(address))
    left = pile.mass_kg - gone
    return left if left > EXACT_KG else 0.0


def pile_left_kg(bench: Bench, address: str) -> float:
    """What is left of a pile as boards, whole or begun, in kg; 0 where they were only counted."""
    begun = sum(portion.left_kg for portion in portions_of(bench, address).values() if not portion.is_ended)
    return (untouched_kg(bench, address) or 0.0) + begun


def dust_kg(bench: Bench, address: str) -> float:
    """What ended portions of a pile lost on the way."""
    return sum(portion.left_kg for portion in portions_of(bench, address).values() if portion.is_ended)


def find_portion(bench: Bench, address: str, kind: str, boards_kg: float | None, found: Findings) -> tuple[int, float]:
    """Which portion of a pile a weighing belongs to, and what its boards weighed whole; (0, 0.0) and an error if none.

    Parameters: boards_kg, the mass of the boards as typed, None where nothing was said. A portion begun takes each
    kind once; without a mass it must be clear which boards are meant.
    """
    portions, untouched = portions_of(bench, address), untouched_kg(bench, address)
    free = {n: p.mass_kg for n, p in portions.items() if kind not in p.taken_kg and not p.is_ended}
    new = max(portions, default=0) + 1
    if untouched is None:
        hint = "weigh them and write it down: `gradeest amend` the lot's event, e.g. NAME.mass=6kg"
        found.error("boards", f"the boards of {address} were counted, not weighed", hint)
        return 0, 0.0
    if untouched > 0:
        free[new] = untouched
    if boards_kg is not None:
        begun = [n for n, mass in free.items() if n in portions and abs(boards_kg / mass - 1) < OVER - 1]
        if begun:
            return begun[0], free[begun[0]]
        if untouched * OVER >= boards_kg:
            return new, min(boards_kg, untouched)
    elif len(free) == 1:
        return next(iter(free.items()))
    listed = " or ".join(f"{mass:.6g} kg" for mass in free.values())
    if not free:
        found.error("kind", f"{kind} was weighed off all boards of {address} already", "amend or undo that weighing")
    elif boards_kg is None:
        found.error("boards", f"off which boards of {address}? some were begun", f"--boards {listed}")
    else:
        message = f"there are no {boards_kg:.6g} kg of boards of {address} to take {kind} off"
        found.error("boards", message, f"there are {listed}")
    return 0, 0.0


def check_weigh(payload: Mapping[str, Any], context: Context, found: Findings) -> None:
    """Add what speaks against a weighing of parts off boards."""
    bench, address = context.bench, f"{payload['lot']}/{payload['boards']}"
    minutes = payload.get("minutes")
    if minutes is not None and (not is_number(minutes) or minutes <= 0):
        found.error("minutes", f"{minutes} minutes cannot be", "minutes above zero, e.g. 45")
    is_weighed = check_mass(found, "mass", payload["mass_kg"])
    check_name(found, "name", payload["name"])
    if address not in bench.pile_addresses():
        known = suggest(address, bench.pile_addresses(), "`gradeest lot show LOT` names the boards of a lot")
        found.error("boards", f"there are no boards '{address}'", known)
        return
    began_by(found, context, bench.lots[payload["lot"]].date, address)
    _check_kind(payload, address, context, found)
    portions, number = portions_of(bench, address), payload["portion"]
    boards_kg = payload["boards_kg"]
    if not check_mass(found, "boards", boards_kg) or not is_weighed:
        return
    if number not in portions:
        left = untouched_kg(bench, address) or 0.0
        if boards_kg > left * OVER:
            found.error(
                "boards", f"{left:.6g} kg of {address} are untouched, {boards_kg:.6g} kg is more", "less boards"
            )
        _check_balance(payload, {}, boards_kg, found)
        return
    portion = portions[number]
    if portion.is_ended or payload["kind"] in portion.taken_kg:
        found.error("kind", f"{payload['kind']} was weighed off these boards already", "amend or undo that weighing")
    _check_balance(payload, portion.taken_kg, portion.mass_kg, found)


def _check_kind(payload: Mapping[str, Any], address: str, context: Context, found: Findings) -> None:
    bench, kind, name = context.bench, payload["kind"], payload["name"]
    board = context.catalogue.boards.get(bench.pile(address).kind)
    if kind not in context.catalogue.kinds:
        found.error("kind", f"there is no kind '{kind}'", suggest(str(kind), context.catalogue.kinds, KIND_HINT))
    elif board is not None and board.stop:
        hazard = context.catalogue.hazards[board.stop]
        message = f"nothing is taken off {board.id} (STOP): {hazard.line} [{hazard.authority}]"
        found.error("boards", message, "hand them over whole to a licensed handler")
    elif board is not None and kind != STRIPPED and kind not in board.parts:
        found.warn("kind", f"{kind} is no part of {board.id} in the priors: weighed, but no share is learned from it")
    if kind in context.catalogue.kinds and context.catalogue.kinds[kind].stop:
        found.warn("kind", f"{context.catalogue.kinds[kind].name}: never to be processed here")
    there = {f.name.lower(): f for f in bench.lots[payload["lot"]].fractions}
    old = there.get(str(name).lower())
    if old is not None and (old.kind != kind or old.name != name):
        found.error("name", f"{payload['lot']} has a fraction '{old.name}' of {old.kind} already", "another --name")
    if str(name).lower() in {pile.name.lower() for pile in bench.lots[payload["lot"]].boards}:
        found.error("name", f"'{name}' is what the boards are called", "another --name")


def _check_balance(payload: Mapping[str, Any], taken: Mapping[str, float], boards_kg: float, found: Findings) -> None:
    """Stripped + left + dust = received: nothing may weigh more than the boards it came off."""
    came = sum(taken.values()) + payload["mass_kg"]
    allowed = boards_kg * (OVER if payload["kind"] == STRIPPED else 1.0)
    if came > allowed or (payload["kind"] != STRIPPED and came >= boards_kg):
        before = f" with the {sum(taken.values()):.6g} kg weighed before" if taken else ""
        found.error(
            "mass",
            f"{payload['mass_kg']:.6g} kg{before} is more than the {boards_kg:.6g} kg of boards it came off",
            "check the unit, or name the boards with --boards",
        )
