"""Boards turned into fractions: what was taken off, weighed and timed, and what it says of such boards."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any

from gradeest.errors import InputError
from gradeest.materials.boards import STRIPPED
from gradeest.materials.catalogue import nearest
from gradeest.records.findings import Findings, suggest
from gradeest.records.lot_rules import KIND_HINT
from gradeest.records.sorting import find_portion, portions_of, untouched_kg
from gradeest.workflow.compositions import Learned, compare
from gradeest.workflow.hazard_lines import board_cautions
from gradeest.workflow.opening import Opened, Place, lot_named, open_bench
from gradeest.workflow.recording import Saved, append, sift


@dataclass(frozen=True)
class PartWeighed:
    """A kind of part weighed off boards. The boards it came off: `boards_kg` whole; of them `left_kg` is not weighed
    yet (once what was left of them is weighed, that is dust). `whole_kg`: boards of the pile still untouched."""

    saved: Saved
    address: str
    kind: str
    mass_kg: float
    fraction_kg: float
    boards: str
    boards_kg: float
    left_kg: float
    is_ended: bool
    whole_kg: float
    minutes: float | None
    learned: Learned | None
    cautions: tuple[str, ...]


def weigh_part(
    place: Place,
    lot: str,
    kind: str,
    mass_kg: float,
    *,
    boards: str | None = None,
    boards_kg: float | None = None,
    minutes: float | None = None,
    name: str | None = None,
    date: dt.date,
    sure: bool = False,
) -> PartWeighed:
    """Keep that a kind of part was taken off boards of a lot: a fraction, and what it says of the composition.

    Parameters: boards, the pile's name (needed where several of the lot's piles have the part); boards_kg, what the
    boards it came off weighed whole (all that still carry it by default); kind `boards-stripped`: what is left of them.
    """
    with open_bench(place) as opened:
        payload = weigh_payload(
            opened, lot, kind, mass_kg, boards=boards, boards_kg=boards_kg, minutes=minutes, name=name
        )
        address, portion, whole_kg = f"{lot}/{payload['boards']}", payload["portion"], payload["boards_kg"]
        before = opened.bench
        saved = append(opened, "weigh", payload, date, sure=sure)
        bench = opened.bench
        made, board = bench.weighings[-1], bench.pile(address).kind
        now = portions_of(bench, address)[portion]
        return PartWeighed(
            saved,
            made.address,
            kind,
            made.mass_kg,
            bench.fraction(made.address).mass_kg,
            address,
            whole_kg,
            now.left_kg,
            now.is_ended,
            untouched_kg(bench, address) or 0.0,
            minutes,
            compare(opened, before, board, kind),
            tuple(one.line for one in board_cautions(opened.catalogue, [board])),
        )


def weigh_payload(
    opened: Opened, lot: str, kind: str, mass_kg: float, *, boards: str | None = None, boards_kg: float | None = None,
    minutes: float | None = None, name: str | None = None,
) -> dict[str, Any]:  # fmt: skip
    """What is kept of a part weighed off boards, once it is clear which. Raises InputError where it is not."""
    pile = _pile_with(opened, lot_named(opened, lot).name, kind, boards)
    _refuse_stopped(opened, f"{lot}/{pile}")
    found = Findings()
    portion, whole_kg = find_portion(opened.bench, f"{lot}/{pile}", kind, boards_kg, found)
    if found.issues and kind not in opened.catalogue.kinds:
        found.error("kind", f"there is no kind '{kind}'", suggest(kind, opened.catalogue.kinds, KIND_HINT))
    sift(found.issues, "lot weigh", sure=False)
    return {
        "lot": lot,
        "boards": pile,
        "kind": kind,
        "name": name or kind,
        "mass_kg": mass_kg,
        "boards_kg": whole_kg,
        "portion": portion,
        "minutes": minutes,
    }


def _pile_with(opened: Opened, lot: str, kind: str, named: str | None) -> str:
    """The pile of a lot that a kind of part came off. Raises InputError where that is not clear."""
    piles = {pile.name: pile.kind for pile in opened.bench.lots[lot].boards}
    if not piles:
        hint = "boards are written down with `gradeest lot add`; a fraction is sorted on with `gradeest lot split`"
        raise InputError(f"lot {lot} has no boards to take anything off", hint)
    if named is not None:
        if named.removeprefix(f"{lot}/") in piles:
            return named.removeprefix(f"{lot}/")
        near = nearest(named, list(piles)) or list(piles)
        raise InputError(f"lot {lot} has no boards '{named}'", f"its boards: {', '.join(near)}")
    boards = opened.catalogue.boards
    open_ones = [name for name, board in piles.items() if not boards[board].stop] or list(piles)
    able = [name for name in open_ones if kind == STRIPPED or kind in boards[piles[name]].parts]
    candidates = able or open_ones
    if len(candidates) == 1:
        return candidates[0]
    raise InputError(f"off which boards of {lot} did {kind} come?", f"--from {' or '.join(candidates)}")


def _refuse_stopped(opened: Opened, address: str) -> None:
    """Raise InputError where nothing may be taken off boards of that kind."""
    board = opened.catalogue.boards[opened.bench.pile(address).kind]
    if board.stop:
        hazard = opened.catalogue.hazards[board.stop]
        message = f"nothing is taken off {address} (STOP): {hazard.line} [{hazard.authority}]"
        raise InputError(message, "hand the boards over whole to a licensed handler")
