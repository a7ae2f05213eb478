"""What boards are believed to be made of after everything sorted, and how long taking them apart takes here."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from gradeest.belief.composition import Composition, Minutes, Portion, Timing, learn_composition, learn_minutes
from gradeest.materials.boards import STRIPPED, minutes_row
from gradeest.records.domain import Bench
from gradeest.records.sorting import portions_of
from gradeest.workflow.believing import stream
from gradeest.workflow.opening import Opened

if TYPE_CHECKING:
    from gradeest.decision.summary import Interval

FEW_DRAWS = 4_000  # where only an interval is shown


@dataclass(frozen=True)
class Learned:
    """What one more sorting changed: the share of a part in such boards, and minutes per kg of it."""

    part: str
    share_before: Interval  # of the next lot of such boards
    share_after: Interval
    minutes_before: Interval
    minutes_after: Interval


def weighed_portions(bench: Bench, kind: str, parts: tuple[str, ...]) -> dict[str, list[Portion]]:
    """What was weighed off boards of a kind, by pile; parts that have no row say nothing of the others."""
    piles: dict[str, list[Portion]] = {}
    for address in bench.pile_addresses():
        if bench.pile(address).kind == kind:
            found = portions_of(bench, address).values()
            weighed = [Portion(p.mass_kg, {k: w for k, w in p.taken_kg.items() if k in parts}) for p in found]
            piles[address] = weighed
    return piles


def believe_boards(opened: Opened, bench: Bench, kind: str, draws: int) -> Composition:
    """The composition of a kind of board after everything sorted on a bench; the same draws whenever it is asked."""
    board = opened.catalogue.boards[kind]
    piles = weighed_portions(bench, kind, tuple(board.parts))
    return learn_composition(board, piles, opened.catalogue, stream(opened.place, f"boards {kind}"), draws)


def believe_minutes(opened: Opened, bench: Bench, part: str) -> Minutes:
    """Minutes per kg of a part: its row of the priors, and every sorting timed that goes by the same row."""
    catalogue = opened.catalogue
    name = minutes_row(catalogue.kinds[part], catalogue.shares)
    assert name is not None, "checked when the priors are read"
    timings = [
        Timing(w.minutes, w.mass_kg)
        for w in bench.weighings
        if w.minutes is not None
        and w.kind != STRIPPED
        and minutes_row(catalogue.kinds[w.kind], catalogue.shares) == name
    ]
    return learn_minutes(catalogue.shares[name], timings, catalogue.constants["minutes.learned_share"])


def compare(opened: Opened, before: Bench, kind: str, part: str) -> Learned | None:
    """What the last sorting of a part off a kind of board changed; None where the priors have no row for it."""
    from gradeest.decision.summary import Interval
    from gradeest.materials.boards import shares_of

    board = opened.catalogue.boards[kind]
    if part not in board.parts:
        return None
    at = list(board.parts).index(part)
    shares, minutes = [], []
    for bench in (before, opened.bench):
        rng = stream(opened.place, "sorted")
        found = believe_boards(opened, bench, kind, FEW_DRAWS)
        shares.append(Interval.of(shares_of(found.next_lot(rng))[:, at]))
        minutes.append(Interval.of(believe_minutes(opened, bench, part).draw(FEW_DRAWS, rng)))
    return Learned(part, shares[0], shares[1], minutes[0], minutes[1])
