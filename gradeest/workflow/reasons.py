"""`why`: what a grade rests on. Each piece of evidence is left out in turn, everything else is believed anew.

That says what a piece tells beside all others, whatever came first. Several pieces that say the same hold each other
up: none of them moves the belief much alone, all of them together do; the line of the prior shows it.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from gradeest.belief.evidence import gather
from gradeest.errors import InferenceError, InputError
from gradeest.records.domain import METALS, Bench
from gradeest.records.findings import Findings
from gradeest.records.references import is_fraction, is_metal
from gradeest.workflow.ash_clashes import AshClash, clashes_of
from gradeest.workflow.believing import believe, believe_without
from gradeest.workflow.comparing import Points, points
from gradeest.workflow.correcting import EventLine, lines_of
from gradeest.workflow.linking import say_link
from gradeest.workflow.opening import Opened, Place, open_bench
from gradeest.workflow.outlook import Trust, trust_in
from gradeest.workflow.telling import Report, say_nothing

if TYPE_CHECKING:
    from gradeest.belief.moves import Belief, Piece
    from gradeest.belief.posterior import Posterior

MOST_ALONE = 8  # pieces left out one by one; the others, of earlier entries, together
CLEAR = 2.0  # Monte Carlo errors: below, the draws alone may have moved it
HOLD_EACH_OTHER = 0.5  # of what all evidence tells: where the pieces one by one tell less, they say the same


@dataclass(frozen=True)
class Moved:
    """How far the belief moved: factor of the median, bits told, each with the Monte Carlo error (of ln factor).

    `is_clear`: by more than the draws alone explain.
    """

    factor: float
    ln_factor_mcse: float
    bits: float
    bits_mcse: float
    is_clear: bool


@dataclass(frozen=True)
class Reason:
    """Something the grade rests on, and the grade without it: g/t of dry feed (5/50/95 %), chance of traces.

    `sort`: weight, weight so far, non-detect, spot test, assay, plated area, product assay, settlement, loss,
    set aside, linked ash, earlier results (several that are left out together), other fractions (all results that are
    not of this one). Linked ash is what says whose filters it is of, its weight is a weight. `without` and `moved`
    are None where no fit settled.
    """

    sort: str
    about: str
    events: tuple[int, ...]
    date: dt.date | None  # of the last of the events
    text: str
    without: Points | None
    p_trace_without: float | None
    moved: Moved | None


@dataclass(frozen=True)
class Why:
    """One metal: the grade now, the prior, how far all evidence moved it, and the reasons, what moved it most first."""

    metal: str
    grade: Points
    p_trace: float
    rests_on: str
    prior: Points
    p_trace_prior: float
    moved: Moved
    reasons: tuple[Reason, ...]
    hold_each_other: bool  # the pieces say the same: one by one they tell much less than together


@dataclass(frozen=True)
class WhyShown:
    """What the grades of a fraction rest on. `fits`: how often it was believed anew; `together`: pieces not alone."""

    address: str
    kind: str
    metals: tuple[Why, ...]
    fits: int
    together: int
    trust: Trust
    catalogue_version: str
    clashes: tuple[AshClash, ...]  # where it is ash that its filters do not explain


@dataclass(frozen=True)
class Group:
    """Pieces that are left out together."""

    sort: str
    pieces: tuple[Piece, ...]

    @property
    def events(self) -> tuple[int, ...]:
        """Their event numbers."""
        return tuple(sorted({event for piece in self.pieces for event in piece.events}))


def show_why(
    place: Place, address: str, metal: str | None = None, *, everything: bool = False, report: Report = say_nothing
) -> WhyShown:
    """What the grades of a fraction rest on: of one metal, or of all that something was recorded of.

    Parameters: everything, leave out every piece alone (a fit for each), not only the newest.
    Raises InputError for an unknown fraction or metal, InferenceError where there is no belief to explain.
    """
    from gradeest.belief.moves import batches_behind, list_pieces

    with open_bench(place) as opened:
        check_question(opened.bench, address, metal)
        bench = opened.bench
        own = {*batches_behind(bench, address), address}
        pieces = list_pieces(gather(bench, opened.catalogue), bench)
        direct = [piece for piece in pieces if own.intersection(piece.about)]
        if metal is not None:
            direct = [piece for piece in direct if piece.metal in tied(opened, address, metal)]
        others = tuple(piece for piece in pieces if not own.intersection(piece.about))
        alone, together = part_pieces(direct, everything=everything)
        papers: dict[tuple[int, ...], list[Piece]] = {}  # a refiner's paper speaks of several metals at once
        for piece in alone:
            papers.setdefault(piece.events, []).append(piece)
        groups = [Group(same[0].sort, tuple(same)) for same in papers.values()]
        groups += [Group("earlier results", tuple(together))] if together else []
        groups += [Group("other fractions", others)] if others else []
        now = believe(opened, report=report)
        found = [without(opened, group, n, len(groups), report) for n, group in enumerate(groups)]
        before = believe_without(opened, everything_left_out(bench, pieces))
        touched = {piece.metal for piece in direct} or set(usual_metals(opened, address))
        metals = [one for one in METALS if (one == metal if metal is not None else one in touched)]
        lines = {line.number: line for line in lines_of(opened)}
        return WhyShown(
            address, bench.fraction(address).kind,
            tuple(explain(opened, address, one, now, before, groups, found, lines) for one in metals),
            len(groups), len(together), trust_in(now), opened.catalogue.version,
            clashes_of(opened, (address,), report),
        )  # fmt: skip


def check_question(bench: Bench, address: str, metal: str | None) -> None:
    """Raise InputError with everything that is wrong with what was asked."""
    found = Findings()
    is_fraction(address, bench, found, "LOT/FRACTION")
    if metal is not None:
        is_metal(metal, found)
    if found.has_errors:
        raise InputError("why: that cannot be answered", issues=found.issues)


def tied(opened: Opened, address: str, metal: str) -> set[str]:
    """A metal, and the one that goes with it in this kind."""
    pair = opened.catalogue.kinds[opened.bench.fraction(address).kind].correlation
    return {metal, pair.first, pair.second} if pair is not None and metal in (pair.first, pair.second) else {metal}


def usual_metals(opened: Opened, address: str) -> tuple[str, ...]:
    """What the kind's usual route brings out; all metals where none is offered."""
    route = opened.catalogue.kinds[opened.bench.fraction(address).kind].usual_route
    return tuple(opened.catalogue.routes[route].recovery) if route else METALS


def part_pieces(pieces: Sequence[Piece], *, everything: bool) -> tuple[list[Piece], list[Piece]]:
    """The pieces to leave out alone, the newest, and those to leave out together."""
    newest = sorted(pieces, key=lambda piece: max(piece.events, default=0), reverse=True)
    if everything or len(newest) <= MOST_ALONE:
        return newest, []
    return newest[: MOST_ALONE - 1], newest[MOST_ALONE - 1 :]


def everything_left_out(bench: Bench, pieces: Sequence[Piece]) -> Bench:
    """The bench without any result."""
    from gradeest.belief.moves import leave_out

    return leave_out(bench, {event for piece in pieces for event in piece.events})


def without(opened: Opened, group: Group, number: int, count: int, report: Report) -> Posterior | None:
    """The belief without a group of pieces; None where the fit does not settle."""
    from gradeest.belief.moves import leave_out

    def tell(share: float, what: str) -> None:
        report((number + share) / count, f"without event {group.events[-1]} ({number + 1} of {count})")

    tell(0.0, "")
    try:
        return believe_without(opened, leave_out(opened.bench, set(group.events)), tell)
    except InferenceError:
        return None


def belief_in(posterior: Posterior, address: str, metal: str) -> Belief:
    """Draws of one grade."""
    from gradeest.belief.moves import Belief

    f, m = posterior.fractions.index(address), METALS.index(metal)
    return Belief(posterior.grade_g_per_t[:, f, m], posterior.is_trace[:, f, m])


def moved_by(now: Belief, before: Belief) -> Moved:
    """How far a belief is from another."""
    from gradeest.belief.moves import measure_move

    move = measure_move(now, before)
    is_clear = move.bits > CLEAR * move.bits_mcse
    return Moved(move.factor, move.ln_factor_mcse, move.bits, move.bits_mcse, is_clear)


def explain(
    opened: Opened, address: str, metal: str, now: Posterior, before: Posterior, groups: Sequence[Group],
    found: Sequence[Posterior | None], lines: Mapping[int, EventLine],
) -> Why:  # fmt: skip
    """One metal: every group that may speak of it, what moved the belief most first."""
    belief, prior = (belief_in(posterior, address, metal) for posterior in (now, before))
    metals = tied(opened, address, metal)
    reasons = []
    for group, posterior in zip(groups, found, strict=True):
        pieces = tuple(piece for piece in group.pieces if piece.metal in metals)
        if pieces:
            reasons.append(reason_of(Group(group.sort, pieces), address, metal, belief, posterior, lines, opened.bench))
    reasons.sort(key=lambda reason: -(reason.moved.bits if reason.moved is not None else 0.0))
    told = moved_by(belief, prior)
    alone = sum(reason.moved.bits for reason in reasons if reason.moved is not None)
    return Why(
        metal, points(belief.grade_g_per_t), float(belief.is_trace.mean()),
        now.rests_on.get((address, metal), "prior only"), points(prior.grade_g_per_t), float(prior.is_trace.mean()),
        told, tuple(reasons), len(reasons) > 1 and told.is_clear and alone < HOLD_EACH_OTHER * told.bits,
    )  # fmt: skip


def reason_of(
    group: Group, address: str, metal: str, belief: Belief, posterior: Posterior | None,
    lines: Mapping[int, EventLine], bench: Bench,
) -> Reason:  # fmt: skip
    """A group of pieces in words, and the grade without it."""
    entries = [lines[event] for event in group.events if event in lines]
    date = max((entry.happened_on for entry in entries), default=None)
    about = ", ".join(group.pieces[0].about) if len(group.pieces) == 1 else ""
    text = "; ".join(entry.text for entry in entries)
    if len(group.pieces) > 1 and group.sort in ("earlier results", "other fractions"):
        count = len(group.pieces)
        of = "of it, left out together" if group.sort == "earlier results" else "of other fractions and lots"
        text = f"{count} result{'s' if count > 1 else ''} {of}"
    elif group.sort == "other fractions":
        text = f"{text} (another fraction)"
    elif group.sort == "linked ash":
        text = f"{about} ran {', '.join(links_of(bench, about))}"
    elif streams := came_through(bench, group.pieces[0].about, address):
        text = f"{text} (through {', '.join(streams)})"
    if posterior is None:
        return Reason(group.sort, about, group.events, date, text, None, None, None)
    other = belief_in(posterior, address, metal)
    return Reason(
        group.sort, about, group.events, date, text, points(other.grade_g_per_t), float(other.is_trace.mean()),
        moved_by(belief, other),
    )  # fmt: skip


def links_of(bench: Bench, batch: str) -> list[str]:
    """Whose filters the ash in a batch is said to be of, in words."""
    return [say_link(charge.link) for charge in bench.batches[batch].charges if charge.link is not None]


def came_through(bench: Bench, about: Sequence[str], address: str) -> list[str]:
    """What of earlier batches, streams or ash, went into batches that did not take of the fraction itself."""
    charges = [charge for name in about if name in bench.batches for charge in bench.batches[name].charges]
    if any(charge.address == address for charge in charges):
        return []
    return [c.address for c in charges if c.link is not None or bench.is_of_batch(c.address)]
