"""What boards are made of, and how long it takes to take their parts off: learned from sorting, apart from grades.

Given the weights of sorted parts, shares and grades say nothing of each other: so metal of a board is draws of shares
times draws of grades, and the posterior of the grades is not touched.

Per kind of board, with y the log-odds of the parts against the rest (`materials.boards`):

    kind       nu   ~ N(centre, learned x sd^2)                         learned_share of [composition]
    lot        y    ~ N(nu, (1 - learned) x sd^2)                       a pile: boards of one kind in one lot
    portion    z    ~ N(y, board_log_sd^2 / boards)                     boards that are stripped together
    weighed    w_k  = c_k x softmax(z)_k x mass                         c_k the share that comes off, logit-normal

The weights are read backwards: c_k and the log-odds of parts not weighed are the unknowns, each drawn anew from its
prior (a step that keeps that prior; Cotter et al. 2013, from memory), the z of weighed parts follow and are judged by
N(m, v), y summed out, over q = 1 - sum of the weighed shares (the change of variables). nu is drawn given all z.
Minutes per kg are conjugate: ln t ~ N(mean, ..), the mean learned, both normal.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from gradeest.materials.boards import Z95, log_odds_of, shares_of
from gradeest.materials.catalogue import Board, Catalogue, Quantiles

Values = NDArray[np.float64]
SWEEPS: Final = 60  # rounds of every chain; each ends as one draw
BOLD, TIMID = 0.0, 0.8  # how much of itself an unknown keeps in a step


@dataclass(frozen=True)
class Portion:
    """Boards that were stripped together: what they weighed, and the parts weighed so far, all in kg."""

    mass_kg: float
    weighed_kg: Mapping[str, float]


@dataclass(frozen=True)
class Composition:
    """Draws of one kind of board. `nu` (draw, part) the kind's log-odds; by pile `y` and, per portion, its shares."""

    board: Board
    nu: Values
    y: Mapping[str, Values]
    shares: Mapping[str, tuple[Values, ...]]  # of each portion of a pile, (draw, part)
    lot_sd: Values  # (part,)
    board_log_sd: float

    def next_lot(self, rng: np.random.Generator) -> Values:
        """Log-odds of a lot nothing was weighed of, (draw, part)."""
        return self.nu + self.lot_sd * rng.standard_normal(self.nu.shape)

    def of_boards(self, y: Values, mass_kg: Values | float, rng: np.random.Generator) -> Values:
        """Shares (draw, part) of `mass_kg` of boards from a lot of log-odds `y`: few boards differ from their lot."""
        boards = count_boards(mass_kg, self.board)
        noise = self.board_log_sd / np.sqrt(np.reshape(boards, (-1, 1)))
        return shares_of(y + noise * rng.standard_normal(y.shape))


def count_boards(mass_kg: Values | float, board: Board) -> Values:
    """How many boards a mass is, at least one."""
    return np.maximum(np.asarray(mass_kg, dtype=float) * 1000 / board.piece_mass_g.q50, 1.0)


def stripped_row(catalogue: Catalogue) -> tuple[float, float]:
    """Centre and sd of the logit of the share of a part that comes off; the low side sets the spread."""
    row = catalogue.shares["stripped-share"]
    centre, low = (math.log(p / (1 - p)) for p in (row.q50, row.q5))
    return centre, (centre - low) / Z95


def draw_stripped(catalogue: Catalogue, shape: tuple[int, ...], rng: np.random.Generator) -> Values:
    """Draws of the share of parts that comes off when boards are stripped."""
    centre, sd = stripped_row(catalogue)
    return 1 / (1 + np.exp(-(centre + sd * rng.standard_normal(shape))))


def learn_composition(
    board: Board, piles: Mapping[str, Sequence[Portion]], catalogue: Catalogue, rng: np.random.Generator, draws: int
) -> Composition:
    """The composition of one kind of board after its sorted portions; each draw is the end of a chain of its own.

    Parameters: piles, portions by pile; every portion's parts must weigh less than its boards (ValueError).
    """
    return _Chains(board, piles, catalogue, rng, draws).run()


class _Chains:
    """All chains side by side; arrays are (draw, part)."""

    def __init__(
        self,
        board: Board,
        piles: Mapping[str, Sequence[Portion]],
        catalogue: Catalogue,
        rng: np.random.Generator,
        draws: int,
    ) -> None:
        self.board, self.piles, self.rng = board, piles, rng
        self.parts = list(board.parts)
        self.centre, sd = log_odds_of(board)
        learned = catalogue.constants["composition.learned_share"]
        self.kind_sd, self.lot_sd = math.sqrt(learned) * sd, math.sqrt(1 - learned) * sd
        self.board_log_sd = catalogue.constants["composition.board_log_sd"]
        self.strip = stripped_row(catalogue)
        self.shape = (draws, len(self.parts))
        self.nu = self.centre + self.kind_sd * rng.standard_normal(self.shape)
        self.portions = {
            pile: [_Weighed(portion, self, self.nu) for portion in portions] for pile, portions in piles.items()
        }

    def run(self) -> Composition:
        """Sweep, then draw what was summed out."""
        if any(self.portions.values()):
            for sweep in range(SWEEPS):
                for portions in self.portions.values():
                    for portion in portions:
                        mean, variance = self._lot_given([p for p in portions if p is not portion])
                        for keep in (BOLD, TIMID):
                            portion.step(mean, variance + portion.variance, keep, self.strip, self.rng)
                if sweep < SWEEPS - 1:  # nu, and the portions below it, belong to one state of the chain
                    self.nu = self._draw_kind()
            self.nu = self._draw_kind()
        y = {}
        for pile, portions in self.portions.items():
            mean, variance = self._lot_given(portions)
            y[pile] = mean + np.sqrt(variance) * self.rng.standard_normal(self.shape)
        shares = {pile: tuple(shares_of(p.z) for p in portions) for pile, portions in self.portions.items()}
        return Composition(self.board, self.nu, y, shares, self.lot_sd, self.board_log_sd)

    def _lot_given(self, portions: Sequence[_Weighed]) -> tuple[Values, Values]:
        """Mean and variance of a pile's y given nu and some of its portions."""
        precision = 1 / self.lot_sd**2
        total = self.nu * precision
        for portion in portions:
            precision = precision + 1 / portion.variance
            total = total + portion.z / portion.variance
        return total / precision, 1 / precision

    def _draw_kind(self) -> Values:
        """nu given every portion's z, the piles' y summed out."""
        precision = 1 / self.kind_sd**2
        total = np.broadcast_to(self.centre * precision, self.shape)
        for portions in self.portions.values():
            if portions:
                weights = [1 / p.variance for p in portions]
                mean = sum(p.z * w for p, w in zip(portions, weights, strict=True)) / sum(weights)
                own = 1 / (self.lot_sd**2 + 1 / sum(weights))
                precision, total = precision + own, total + mean * own
        return total / precision + self.rng.standard_normal(self.shape) / np.sqrt(precision)


class _Weighed:
    """One portion: which parts were weighed, as shares of its boards, and the unknowns behind them."""

    def __init__(self, portion: Portion, chains: _Chains, y: Values) -> None:
        self.at = np.array([part in portion.weighed_kg for part in chains.parts])
        names = [part for part in chains.parts if part in portion.weighed_kg]
        self.came = np.array([portion.weighed_kg[part] / portion.mass_kg for part in names])
        if not (self.came > 0).all() or not self.came.sum() < 1 or len(names) < len(portion.weighed_kg):
            raise ValueError("parts of a portion must be parts of the board and weigh less than it")
        self.variance = chains.board_log_sd**2 / float(count_boards(portion.mass_kg, chains.board))
        rng, draws = chains.rng, chains.shape[0]
        self.g = rng.standard_normal((draws, len(names)))
        self.u = rng.standard_normal((draws, chains.shape[1] - len(names)))
        sd = np.sqrt(chains.lot_sd**2 + self.variance)
        sd = np.broadcast_to(sd, chains.shape)
        self.z, self.ln_q, is_possible = self._follow(self.g, self.u, y, sd, chains.strip)
        while not is_possible.all():  # more came off than there was: start where nearly all of it did
            self.g = np.where(is_possible[:, None], self.g, np.abs(self.g) + 1.0)
            self.z, self.ln_q, is_possible = self._follow(self.g, self.u, y, sd, chains.strip)

    def _follow(
        self, g: Values, u: Values, mean: Values, sd: Values, strip: tuple[float, float]
    ) -> tuple[Values, Values, NDArray[np.bool_]]:
        """z of all parts from the unknowns, ln q (the share of all that was not weighed), and where that can be."""
        shares = self.came * (1 + np.exp(-(strip[0] + strip[1] * g)))  # over the share that came off
        q = 1 - shares.sum(axis=1)
        ln_q = np.log(np.where(q > 0, q, 1.0))
        z = np.empty(mean.shape)
        z[:, ~self.at] = mean[:, ~self.at] + sd[:, ~self.at] * u
        ln_rest = ln_q - np.log1p(np.exp(z[:, ~self.at]).sum(axis=1))
        z[:, self.at] = np.log(shares) - ln_rest[:, None]
        return z, ln_q, q > 0

    def step(
        self, mean: Values, variance: Values, keep: float, strip: tuple[float, float], rng: np.random.Generator
    ) -> None:
        """Move the unknowns and take or leave the move, draw by draw, given the mean and variance of z."""
        sd = np.broadcast_to(np.sqrt(variance), mean.shape)
        self.u = (self.z - mean)[:, ~self.at] / sd[:, ~self.at]  # the same z, seen from the mean of now
        move = math.sqrt(1 - keep**2)
        g = keep * self.g + move * rng.standard_normal(self.g.shape)
        u = keep * self.u + move * rng.standard_normal(self.u.shape)
        z, ln_q, is_possible = self._follow(g, u, mean, sd, strip)
        change = self._density(z, mean, sd) - ln_q - self._density(self.z, mean, sd) + self.ln_q
        taken = is_possible & (np.log(rng.uniform(size=len(change))) < change)
        self.g, self.u, self.z = (
            np.where(taken[:, None], new, old) for new, old in ((g, self.g), (u, self.u), (z, self.z))
        )
        self.ln_q = np.where(taken, ln_q, self.ln_q)

    def _density(self, z: Values, mean: Values, sd: Values) -> Values:
        """Log density of the weighed parts' z; that of the others is their own step's."""
        return -0.5 * (((z - mean) / sd)[:, self.at] ** 2).sum(axis=1)


# -- minutes -----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Timing:
    """A sorting that was timed: hands-on minutes, and the kg of parts that came off."""

    minutes: float
    mass_kg: float


@dataclass(frozen=True)
class Minutes:
    """ln of minutes per kg: the bench's own mean, normal, and the spread of a single sorting around it."""

    mean: float
    mean_sd: float
    sorting_sd: float

    def draw(self, draws: int, rng: np.random.Generator) -> Values:
        """Minutes per kg of a sorting to come, (draw,)."""
        return self.draw_several(draws, 1, rng)[:, 0]

    def draw_several(self, draws: int, sortings: int, rng: np.random.Generator) -> Values:
        """Minutes per kg of several sortings by the same hands, (draw, sorting)."""
        mean = self.mean + self.mean_sd * rng.standard_normal((draws, 1))
        return np.exp(mean + self.sorting_sd * rng.standard_normal((draws, sortings)))


def learn_minutes(row: Quantiles, timings: Sequence[Timing], learned_share: float) -> Minutes:
    """Normal mean with known variance (conjugate): the row before, the timings' ln minutes per kg as data."""
    sd = math.log(row.q95 / row.q5) / (2 * Z95)
    mean_variance, sorting_variance = learned_share * sd**2, (1 - learned_share) * sd**2
    precision, total = 1 / mean_variance, math.log(row.q50) / mean_variance
    for timing in timings:
        precision += 1 / sorting_variance
        total += math.log(timing.minutes / timing.mass_kg) / sorting_variance
    return Minutes(total / precision, math.sqrt(1 / precision), math.sqrt(sorting_variance))
