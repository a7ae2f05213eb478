"""Kinds of circuit boards: what may be taken off them, as shares of their mass, and how long that takes.

A board's composition is softmax-normal: with y_k ~ N(ln(q50_k / q50_rest), sd_k), the share of part k is
s_k = exp(y_k) / (1 + sum_j exp(y_j)), that of the rest 1 / (1 + sum_j exp(y_j));
sd_k = (logit q95_k - logit q5_k) / (2 x 1.645).
So the shares of a board add up to it in every draw.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, cast, get_args

import numpy as np
from numpy.typing import NDArray

from gradeest.materials.prior_check import FAILS_BEYOND, NAMED_BEYOND, Verdict
from gradeest.materials.rows import Board, Catalogue, Hazard, Kind, Quantiles, Status
from gradeest.materials.tables import Row

Values = NDArray[np.float64]
Z95: Final = 1.6448536269514722  # standard normal 95 % point
STRIPPED: Final = "boards-stripped"  # the kind of what is left of a board
CHECK_DRAWS: Final = 40_000  # of the prior predictive of a composition
MOST: Final = 0.95  # of a board may be parts, by the middle of its rows (judgement: there is always a rest)

BOARD_TABLES: Mapping[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "boards.csv": (
        ("id", "name", "how_to_tell", "q5", "q50", "q95", "stop", "hazards", "source", "status", "note"),
        ("id",),
    ),
    "composition.csv": (("board", "part", "q5", "q50", "q95", "source", "status", "why"), ("board", "part")),
}


def build_boards(
    tables: Mapping[str, dict[str, Row]],
    kinds: Mapping[str, Kind],
    shares: Mapping[str, Quantiles],
    hazards: Mapping[str, Hazard],
    sources: Mapping[str, str],
) -> dict[str, Board]:
    """The kinds of boards with their parts; every cell and reference is checked, faults are collected by the rows."""
    parts: dict[str, dict[str, Quantiles]] = {}
    for row in tables["composition.csv"].values():
        board = row.choice("board", list(tables["boards.csv"]))
        part = row.choice("part", list(kinds))
        if part in kinds and (kinds[part].stop or minutes_row(kinds[part], shares) is None):
            row.complain("part", f"{part!r} is not taken off boards here", "a kind with a row strip-minutes:KIND")
        what = "a share of the board's mass, between 0 and 1"
        parts.setdefault(board, {})[part] = _quantiles(row, 1.0, what, sources, "why", "share of the board")
    boards = {}
    stops = [hazard.id for hazard in hazards.values() if hazard.level == "STOP"]
    for key, row in tables["boards.csv"].items():
        if key in kinds:
            row.complain("id", f"{key!r} is a kind of fraction too", "another id")
        found, stop = parts.get(key, {}), row.choice("stop", stops, required=False)
        if bool(found) == bool(stop):
            row.complain("id", f"composition.csv and the stop of {key!r} do not fit", "parts, or a stop, not both")
        if sum(part.q50 for part in found.values()) > MOST:
            row.complain("id", f"the parts of {key!r} leave no rest", "shares that add up to less than the board")
        mass = _quantiles(row, math.inf, "grams, above 0", sources, "note", "g")
        name, how_to_tell = row.text("name"), row.text("how_to_tell")
        boards[key] = Board(key, name, how_to_tell, mass, stop, row.words("hazards", hazards), found)
    return boards


def _quantiles(row: Row, high: float, what: str, sources: Mapping[str, str], note: str, unit: str) -> Quantiles:
    q5, q50, q95 = row.quantiles(0.0, high, what)
    status = cast(Status, row.choice("status", get_args(Status)))
    return Quantiles(q5, q50, q95, row.choice("source", list(sources)), status, unit, row.text(note))


def minutes_row(kind: Kind, shares: Mapping[str, Quantiles]) -> str | None:
    """The id of the row that says how long it takes to take a kind off boards: its own, else its class's."""
    names = (f"strip-minutes:{kind.id}", f"strip-minutes:{kind.cls}")
    return next((name for name in names if name in shares), None)


def log_odds_of(board: Board) -> tuple[Values, Values]:
    """Centre and sd of y, ln of a part's share over that of the rest, in the order of the board's parts."""
    middle = np.array([part.q50 for part in board.parts.values()])
    spread = [(_logit(part.q95) - _logit(part.q5)) / (2 * Z95) for part in board.parts.values()]
    return np.log(middle / (1 - middle.sum())), np.array(spread)


def _logit(share: float) -> float:
    return math.log(share / (1 - share))


def shares_of(log_odds: Values) -> Values:
    """Shares of the parts (..., part) from their log-odds against the rest; what they leave to 1 is the rest."""
    top = np.maximum(log_odds.max(axis=-1, keepdims=True), 0.0)
    odds = np.exp(log_odds - top)
    shares: Values = odds / (np.exp(-top) + odds.sum(axis=-1, keepdims=True))
    return shares


@dataclass(frozen=True)
class ShareCheck:
    """One row of a composition beside its own prior predictive; `factor` is the worst of three, of the odds s/(1-s)."""

    board: str
    part: str
    row: tuple[float, float, float]  # q5, q50, q95
    predictive: tuple[float, float, float]
    factor: float
    verdict: Verdict


def check_boards(catalogue: Catalogue, rng: np.random.Generator) -> list[ShareCheck]:
    """Every row of a composition against what the softmax-normal form makes of it; verdicts as for grade rows."""
    found = []
    for board in catalogue.boards.values():
        if not board.parts:
            continue
        centre, sd = log_odds_of(board)
        shares = shares_of(centre + sd * rng.standard_normal((CHECK_DRAWS, len(sd))))
        predicted = np.quantile(shares, (0.05, 0.5, 0.95), axis=0)
        for n, (part, row) in enumerate(board.parts.items()):
            stated = np.array([row.q5, row.q50, row.q95])
            shift = np.log(predicted[:, n] / (1 - predicted[:, n])) - np.log(stated / (1 - stated))
            factor = float(np.exp(np.abs(shift).max()))
            verdict: Verdict = "fails" if factor > FAILS_BEYOND else "named" if factor > NAMED_BEYOND else "ok"
            q5, q50, q95 = (float(q) for q in predicted[:, n])
            found.append(ShareCheck(board.id, part, (row.q5, row.q50, row.q95), (q5, q50, q95), factor, verdict))
    return found
