"""Kinds of boards before anything is sorted: what may be taken off them, how long it takes, what it all holds."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gradeest.materials.boards import STRIPPED, minutes_row
from gradeest.materials.catalogue import METALS, Board, Catalogue, Quantiles, load_catalogue
from gradeest.records.domain import Bench, Fraction, Lot
from gradeest.workflow.believing import NEXT_LOT, stream
from gradeest.workflow.opening import Place

DRAWS = 20_000
MANY_KG = 1000.0  # of boards: their own spread no longer shows

Triple = tuple[float, float, float]


@dataclass(frozen=True)
class BoardLine:
    """One kind of board in a list. `shares`: part -> 5/50/95 % of its mass; `stop`: why it is refused, or ""."""

    id: str
    name: str
    how_to_tell: str
    stop: str
    piece_mass_g: Triple
    shares: dict[str, Triple]


@dataclass(frozen=True)
class PartRow:
    """One part of a kind of board, as the priors state it, with the minutes that taking a kilogram of it off takes."""

    part: str
    share: Quantiles
    why: str
    minutes_per_kg: Triple
    minutes_why: str


@dataclass(frozen=True)
class BoardShown:
    """One kind of board; `whole_g_per_t`: 5/50/95 % of the next lot's grade, shares times grades, by metal."""

    board: BoardLine
    parts: tuple[PartRow, ...]
    sources: dict[str, str]
    whole_g_per_t: dict[str, Triple]
    cautions: tuple[str, ...]


def board_line(board: Board, catalogue: Catalogue) -> BoardLine:
    """A kind of board as a row."""
    mass = board.piece_mass_g
    stop = catalogue.hazards[board.stop].line if board.stop else ""
    shares = {part: (row.q5, row.q50, row.q95) for part, row in board.parts.items()}
    return BoardLine(board.id, board.name, board.how_to_tell, stop, (mass.q5, mass.q50, mass.q95), shares)


def list_boards(place: Place) -> list[BoardLine]:
    """All kinds of boards, in the order of the priors."""
    catalogue = load_catalogue(place.priors)
    return [board_line(board, catalogue) for board in catalogue.boards.values()]


def is_board(place: Place, name: str) -> bool:
    """Whether a name is that of a kind of board."""
    return name in load_catalogue(place.priors).boards


def show_board(place: Place, name: str) -> BoardShown:
    """One kind of board: its parts with their sources, and what the next lot of it is believed to hold."""
    catalogue = load_catalogue(place.priors)
    board = catalogue.boards[name]
    rows = []
    for part, share in board.parts.items():
        found = minutes_row(catalogue.kinds[part], catalogue.shares)
        assert found is not None, "checked when the priors are read"
        row = catalogue.shares[found]
        rows.append(PartRow(part, share, share.note, (row.q5, row.q50, row.q95), row.note))
    used = {row.share.source for row in rows} | {board.piece_mass_g.source}
    whole = {}
    if board.parts:
        for metal, draws in draw_whole(board, catalogue, stream(place, "board")).items():
            q5, q50, q95 = np.quantile(draws, (0.05, 0.5, 0.95))
            whole[metal] = (float(q5), float(q50), float(q95))
    hazards = [catalogue.hazards[key] for key in dict.fromkeys((*board.hazards, board.stop)) if key]
    lines = tuple(f"{hazard.line} [{hazard.authority}]" for hazard in hazards)
    sources = {key: catalogue.sources[key] for key in sorted(used) if key in catalogue.sources}
    return BoardShown(board_line(board, catalogue), tuple(rows), sources, whole, lines)


def draw_whole(
    board: Board, catalogue: Catalogue, rng: np.random.Generator, draws: int = DRAWS
) -> dict[str, NDArray[np.float64]]:
    """Grades of whole boards of one lot before any evidence, g/t by metal, (draw,): shares times grades of its parts.

    What is left beside the parts has the grade of the kind `boards-stripped`.
    """
    from gradeest.belief.composition import learn_composition
    from gradeest.belief.posterior import draw_prior

    kinds = (*board.parts, STRIPPED)
    lot = Lot(NEXT_LOT, dt.date.min, tuple(Fraction(kind, kind, 1.0) for kind in kinds))
    posterior = draw_prior(Bench(lots={NEXT_LOT: lot}), catalogue, rng, draws)
    composition = learn_composition(board, {}, catalogue, rng, draws)
    shares = composition.of_boards(composition.next_lot(rng), MANY_KG, rng)
    shares = np.concatenate([shares, 1 - shares.sum(axis=1, keepdims=True)], axis=1)
    at = [posterior.fractions.index(f"{NEXT_LOT}/{kind}") for kind in kinds]
    grades = np.einsum("dp,dpm->dm", shares, posterior.grade_g_per_t[:, at])
    return {metal: grades[:, posterior.metals.index(metal)] for metal in METALS}
