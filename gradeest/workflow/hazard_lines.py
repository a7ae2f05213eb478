"""Hazards as they are printed: a mark in a table, all lines before a batch."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from gradeest.materials.catalogue import Catalogue, Hazard
from gradeest.materials.hazards import list_hazards

BESIDE = "practice"  # rows about what stands beside a route: said before a batch, not in every table


@dataclass(frozen=True)
class RouteCautions:
    """What to beware of on a route, in a word each; whom to ask; which law lines come with it."""

    route: str
    hazards: tuple[str, ...]
    ask: tuple[str, ...]
    laws: tuple[str, ...]


def hazards_of(catalogue: Catalogue, route: str, kinds: Sequence[str]) -> list[Hazard]:
    """The hazard rows that touch a route and the kinds in it: STOPs first, laws last."""
    heats = bool(route) and catalogue.routes[route].heats
    rows = {row.id: row for kind in kinds or ("",) for row in list_hazards(kind, route, catalogue)}
    kept = [row for row in rows.values() if row.applies != "with heat" or heats]
    return sorted(kept, key=lambda row: ("STOP", "gate", "law").index(row.level))


def cautions(catalogue: Catalogue, route: str, kinds: Sequence[str]) -> tuple[str, ...]:
    """All cautions, gates and law lines of a batch, each one line with its authority."""
    return tuple(
        f"{row.line} [read {row.dated}]" if row.level == "law" and row.dated else f"{row.line} [{row.authority}]"
        for row in hazards_of(catalogue, route, kinds)
    )


def hazard_mark(catalogue: Catalogue, kind: str, route: str) -> str:
    """`!` for gates, `!L` where a law line comes with the route as well, `STOP` for what is never processed."""
    if catalogue.kinds[kind].stop:
        return "STOP"
    levels = {row.level for row in hazards_of(catalogue, route, [kind])}
    return ("!" if levels - {"law"} else "") + ("L" if "law" in levels else "")


def explain_marks(marks: Iterable[str]) -> str:
    """What the marks of a table mean, those that are in it."""
    found = set(marks)
    letters = "".join(found - {"STOP"})
    meanings = {
        "!": "! see the cautions",
        "L": "L a law line comes with it",
        "G": "G its gate is closed",
        "N": "N it takes what this bench has no licence for",
    }
    words = [text for letter, text in meanings.items() if letter in letters]
    return ", ".join(words + (["STOP never to be processed"] if "STOP" in found else []))


def route_cautions(catalogue: Catalogue, route: str) -> RouteCautions:
    """All cautions of a route in a word each, with the authorities to ask and the law lines that come with it."""
    rows = [row for row in hazards_of(catalogue, route, []) if row.applies != BESIDE]
    hazards = tuple(row.short for row in rows if row.level != "law")
    # the house alone: its numbered pages stand in the lines printed before a batch
    names = [row.authority.split(",")[0].split()[0] for row in rows if row.level != "law" and row.authority]
    laws = tuple(row.short for row in rows if row.level == "law")
    return RouteCautions(route, hazards, tuple(dict.fromkeys(name for name in names if name != "common")), laws)


@dataclass(frozen=True)
class BoardCaution:
    """A caution of kinds of boards: one line with whom to ask."""

    kinds: tuple[str, ...]
    line: str


def board_cautions(catalogue: Catalogue, kinds: Iterable[str]) -> tuple[BoardCaution, ...]:
    """The cautions of kinds of boards, each once with the kinds it belongs to, refusals first."""
    found: dict[str, list[str]] = {}
    for kind in dict.fromkeys(kinds):
        board = catalogue.boards[kind]
        for key in dict.fromkeys((board.stop, *board.hazards)):
            if key:
                found.setdefault(key, []).append(kind)
    hazards = sorted((catalogue.hazards[key] for key in found), key=lambda hazard: hazard.level != "STOP")
    return tuple(
        BoardCaution(tuple(found[h.id]), f"{'STOP: ' if h.level == 'STOP' else ''}{h.line} [{h.authority}]")
        for h in hazards
    )
