"""What is still on boards: draws of the parts by kind, of the time to take them off, and of what they would give.

Metal on boards is draws of shares times draws of grades: the parts are imaginary fractions of the lot, which nothing
was measured of and which share the lot's richness and all that was learned of their kinds.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from gradeest.belief.composition import Composition, count_boards, draw_stripped
from gradeest.belief.outcome import Run
from gradeest.decision.stripping import Heap, Parts
from gradeest.errors import InputError
from gradeest.materials.boards import Z95, minutes_row, shares_of
from gradeest.materials.catalogue import Catalogue
from gradeest.materials.hazards import check_batch
from gradeest.records.domain import Bench, Fraction
from gradeest.records.piles import Pile
from gradeest.records.sorting import portions_of, untouched_kg
from gradeest.workflow.believing import FORWARD_DRAWS, NEXT_LOT, State, believe, digest, forward_origin, stream
from gradeest.workflow.compositions import FEW_DRAWS, believe_boards, believe_minutes
from gradeest.workflow.licences import why_unlicensed
from gradeest.workflow.opening import Opened
from gradeest.workflow.telling import Report, say_nothing

if TYPE_CHECKING:
    from gradeest.belief.posterior import Posterior
    from gradeest.decision.summary import Interval

Array = NDArray[np.float64]
LEAST_KG = 1e-6
ONE_BOARD = 1.0  # that a trial strips


@dataclass(frozen=True)
class Ahead:
    """Parts still on the boards of a lot. `reasons`: why a kind of part may not be processed; `boards`: how many whole
    ones there are; `weights_seen`, `minutes_seen` (draw, part): logs of what one of them would show in a trial."""

    lot: str
    piles: tuple[str, ...]
    parts: Parts
    reasons: dict[str, str]
    refused: tuple[str, ...]  # piles of which nothing may be taken off
    weights_seen: Array
    minutes_seen: Array
    boards: float
    posterior: Posterior
    contained_g: dict[str, dict[str, Array]]  # of each kind and metal, (draw,)


def look_ahead(
    opened: Opened, state: State, lot: str, pile: str | None = None, *, report: Report = say_nothing
) -> Ahead | None:
    """What is still on the boards of a lot (or of one pile of it); None where there is nothing.

    Raises InputError for a pile that is not there.
    """
    bench, catalogue = state.bench, opened.catalogue
    piles = {f"{lot}/{one.name}": one for one in bench.lots[lot].boards}
    if pile is not None:
        address = f"{lot}/{pile.removeprefix(f'{lot}/')}"
        if address not in piles:
            raise InputError(f"lot {lot} has no boards '{pile}'", f"its boards: {', '.join(piles) or 'none'}")
        piles = {address: piles[address]}
    refused = tuple(address for address, one in piles.items() if catalogue.boards[one.kind].stop)
    heaps = _Heaps(opened, bench)
    for address, one in piles.items():
        if address not in refused:
            heaps.add(address, one)
    kinds = tuple(dict.fromkeys(kind for found in heaps.found for kind in found.on))
    if not kinds:
        return None
    made = tuple(
        Heap(f.board, f.kg, np.stack([f.on.get(kind, np.zeros(FORWARD_DRAWS)) for kind in kinds], axis=1), f.gone)
        for f in heaps.found
    )
    mass = np.sum([heap.on_kg for heap in made], axis=0)
    minutes, trial_minutes = _draw_minutes(opened, bench, kinds)
    posterior, outcome_runs, reasons = _imagine(opened, state, lot, kinds, mass.mean(axis=0), report)
    from gradeest.belief import predictive

    by_address = {_address(lot, kind): mass[:, k] for k, kind in enumerate(kinds)}
    rng, origin = stream(opened.place, "ahead"), forward_origin(opened, posterior)
    outcome = predictive.run_forward(
        posterior, outcome_runs, catalogue, rng, draws=FORWARD_DRAWS, mass_kg=by_address, origin=origin
    )
    named = tuple(dataclasses.replace(run, address=run.address.rpartition(NEXT_LOT)[2]) for run in outcome.runs)
    outcome = dataclasses.replace(outcome, runs=named)
    parts = Parts(kinds, made, mass * minutes / 60, outcome)
    contained = _contained(posterior, lot, kinds, mass, outcome.origin)
    seen = np.log(heaps.trial), np.log(trial_minutes)
    return Ahead(lot, tuple(piles), parts, reasons, refused, *seen, heaps.boards, posterior, contained)


@dataclass(frozen=True)
class OnBoards:
    """One kind of part still on the boards of a lot, if it all came off; grams by metal. `route` is "" where it may not
    be processed: nothing is then recovered here."""

    lot: str
    kind: str
    mass_kg: Interval
    route: str
    contained_g: Mapping[str, Interval]
    recovered_g: Mapping[str, Interval]  # by the kind's usual route, the metals that it recovers
    recoverable_g_per_t: Mapping[str, Interval]


def forecast_boards(opened: Opened, state: State, lot: str, *, report: Report = say_nothing) -> tuple[OnBoards, ...]:
    """What the boards of a lot still carry: shares and grades both as unsure as they are."""
    from gradeest.decision.summary import Interval

    ahead = look_ahead(opened, state, lot, report=report) if state.bench.lots[lot].boards else None
    if ahead is None:
        return ()
    rows, outcome, mass = [], ahead.parts.outcome, ahead.parts.mass_kg
    runs = {run.address: n for n, run in enumerate(outcome.runs)}
    for k, kind in enumerate(ahead.parts.kinds):
        recovered: dict[str, Array] = {}
        route = outcome.runs[runs[kind]].route if kind in runs else ""
        if route:
            usual = outcome.forms[runs[kind]]
            recovered = {m: outcome.recovered_g[:, runs[kind], i] for i, m in enumerate(outcome.metals) if m in usual}
        contained = {metal: Interval.of(grams) for metal, grams in ahead.contained_g[kind].items()}
        per_t = {metal: Interval.of(grams / mass[:, k] * 1000) for metal, grams in recovered.items()}
        grams = {metal: Interval.of(draws) for metal, draws in recovered.items()}
        rows.append(OnBoards(lot, kind, Interval.of(mass[:, k]), route, contained, grams, per_t))
    return tuple(rows)


def _address(lot: str, kind: str) -> str:
    """Where a belief holds the parts of a kind that are still on a lot's boards."""
    return f"{lot}/{NEXT_LOT}{kind}"


def with_parts(bench: Bench, lot: str, kinds: Sequence[str], mass_kg: Sequence[float]) -> Bench:
    """A bench on which a lot holds the parts of its boards as fractions that nothing was measured of."""
    there = bench.lots[lot]
    made = tuple(
        Fraction(f"{NEXT_LOT}{kind}", kind, max(kg, LEAST_KG)) for kind, kg in zip(kinds, mass_kg, strict=True)
    )
    changed = dataclasses.replace(there, fractions=(*there.fractions, *made))
    return dataclasses.replace(bench, lots={**bench.lots, lot: changed})


def _imagine(
    opened: Opened, state: State, lot: str, kinds: Sequence[str], mean_kg: Array, report: Report
) -> tuple[Posterior, list[Run], dict[str, str]]:
    """The belief with the parts in the lot, the runs of those that may be processed, and why others may not."""
    masses = [float(kg) for kg in mean_kg]
    bench = with_parts(state.bench, lot, kinds, masses)
    posterior = believe(opened, State(bench, digest([state.head, lot, list(kinds), masses])), report=report)
    settings = {s.name: s.value for s in bench.settings.values()}
    runs, reasons = [], {}
    for kind, kg in zip(kinds, masses, strict=True):
        route = opened.catalogue.kinds[kind].usual_route
        refusals = [issue.message for issue in check_batch([kind], route, settings, opened.catalogue)]
        refusals += [text for text in [why_unlicensed(opened, route)] if text]
        if refusals or not route:
            reasons[kind] = refusals[0] if refusals else "no route is offered for this kind"
        else:
            runs.append(Run(_address(lot, kind), max(kg, LEAST_KG), route))
    return posterior, runs, reasons


def _contained(
    posterior: Posterior, lot: str, kinds: Sequence[str], mass_kg: Array, origin: NDArray[np.int64] | None
) -> dict[str, dict[str, Array]]:
    """Metal in the parts of each kind, g: mass times grade, draw by draw; also of those that are not processed."""
    assert origin is not None
    found = {}
    for k, kind in enumerate(kinds):
        grade = posterior.grade_g_per_t[origin, posterior.fractions.index(_address(lot, kind))]
        found[kind] = {m: grade[:, i] * mass_kg[:, k] / 1000 for i, m in enumerate(posterior.metals)}
    return found


def _draw_minutes(opened: Opened, bench: Bench, kinds: Sequence[str]) -> tuple[Array, Array]:
    """Minutes per kg of each kind, and as a trial would show them, (draw, kind); kinds of one row share its mean."""
    rows: dict[str | None, list[int]] = {}
    for k, kind in enumerate(kinds):
        rows.setdefault(minutes_row(opened.catalogue.kinds[kind], opened.catalogue.shares), []).append(k)
    ahead, trial = np.empty((FORWARD_DRAWS, len(kinds))), np.empty((FORWARD_DRAWS, len(kinds)))
    for row, members in rows.items():
        minutes = believe_minutes(opened, bench, kinds[members[0]])
        drawn = minutes.draw_several(FORWARD_DRAWS, 2 * len(members), stream(opened.place, f"minutes {row}"))
        ahead[:, members], trial[:, members] = drawn[:, : len(members)], drawn[:, len(members) :]
    return ahead, trial


@dataclass(frozen=True)
class _Found:
    """One heap of boards before the kinds of all are known."""

    board: str
    kg: Array
    on: dict[str, Array]
    gone: frozenset[str]


class _Heaps:
    """Draws of what stands of each pile: whole boards, and each portion that was begun."""

    def __init__(self, opened: Opened, bench: Bench) -> None:
        self.opened, self.bench = opened, bench
        self.found: list[_Found] = []
        self.boards = 0.0  # whole ones
        self.trial: Array = np.zeros((FORWARD_DRAWS, 0))  # what one board of the largest pile would give, kg by part
        self._largest = 0.0
        self._learned: dict[str, Composition] = {}

    def add(self, address: str, pile: Pile) -> None:
        """Take a pile in."""
        rng = stream(self.opened.place, f"pile {address}")
        if pile.kind not in self._learned:
            self._learned[pile.kind] = believe_boards(self.opened, self.bench, pile.kind, FEW_DRAWS)
        composition, catalogue = self._learned[pile.kind], self.opened.catalogue
        names = list(composition.board.parts)
        portions = list(portions_of(self.bench, address).values())
        for portion, few in zip(portions, composition.shares.get(address, ()), strict=True):
            shares = np.resize(few, (FORWARD_DRAWS, len(names)))  # draws in turn, as those of the grades
            waiting = [part for part in names if part not in portion.taken_kg]
            if portion.is_ended or not waiting:
                continue
            came = draw_stripped(catalogue, shares.shape, rng) * shares * portion.mass_kg
            on = {part: came[:, names.index(part)] for part in waiting}
            gone = frozenset(portion.taken_kg)
            self.found.append(_Found(pile.kind, np.full(FORWARD_DRAWS, portion.left_kg), on, gone))
        whole = draw_whole_kg(self.bench, address, catalogue, rng)
        if whole.max() <= LEAST_KG:
            return
        y = np.resize(composition.y[address], (FORWARD_DRAWS, len(names)))
        came = draw_stripped(catalogue, y.shape, rng) * composition.of_boards(y, whole, rng) * whole[:, None]
        self.found.append(_Found(pile.kind, whole, dict(zip(names, came.T, strict=True)), frozenset()))
        boards = float(count_boards(whole, composition.board).mean())
        self.boards += boards
        if boards > self._largest:
            one = composition.board.piece_mass_g.q50 / 1000 * ONE_BOARD
            shares = shares_of(y + composition.board_log_sd * rng.standard_normal(y.shape))
            self._largest, self.trial = boards, draw_stripped(catalogue, y.shape, rng) * shares * one


def draw_whole_kg(bench: Bench, address: str, catalogue: Catalogue, rng: np.random.Generator) -> Array:
    """Mass of a pile's untouched boards, (draw,), kg: as weighed, or the count times the mass of one."""
    left, pile = untouched_kg(bench, address), bench.pile(address)
    if left is not None:
        return np.full(FORWARD_DRAWS, left)
    row = catalogue.boards[pile.kind].piece_mass_g
    low, middle, high = np.log((row.q5, row.q50, row.q95))
    z = rng.standard_normal(FORWARD_DRAWS)  # boards of one lot are alike: the mean mass is as unsure as one board's
    return np.exp(middle + z / Z95 * np.where(z < 0, middle - low, high - middle)) * float(pile.pieces or 0) / 1000
