"""The fast engine: many particles moved side by side by Hamiltonian trajectories, no compiling.

All particles share one step size and one diagonal scale, both adapted from all of them while they warm up and frozen
before the draws that count. Read backwards, nearly every unknown stays close to its prior (density.py), so short
trajectories of random length are enough (Neal 2011, Handbook of MCMC ch. 5; cross-chain adaptation as in Hoffman &
Sountsov 2022, AISTATS).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from gradeest.belief.density import NEVER
from gradeest.belief.idle import fit_idle_sides, refresh_idle
from gradeest.belief.network import Network
from gradeest.belief.tape import Gradient

Values = NDArray[np.float64]
TARGET_ACCEPTANCE = 0.8  # first; a run that has not settled goes on with shorter steps
LONGEST = 48  # leapfrog steps of one trajectory
FROZEN_MOVES = 10  # rejected in a row while adapting
SD_RANGE = (1e-4, 10.0)  # of an unknown, while the shape is still being learned
FIRST_LONGEST = 10  # until a first shape is known
SCOUTING = 30  # moves of particles that are held on given sides
Report = Callable[[float, str], None]


class _Mover:
    """State of all particles: positions (unknown, particle), density, gradient, and the shared tuning."""

    def __init__(self, network: Network, particles: int, rng: np.random.Generator) -> None:
        self.network, self.gradient, self.rng = network, Gradient(network), rng
        self.theta = 0.3 * rng.normal(size=(network.size, particles))
        self.ln_p, self.slope = self.gradient(self.theta)
        self.whiten = np.eye(network.size)  # L of the posterior covariance L L'
        self.step = 0.1
        self.length = 1.4  # mean trajectory length, in units of the scaled posterior sd
        self.divergences = 0
        self.idle = np.zeros(particles, dtype=int)  # moves since a particle last moved

    def hold(self) -> None:
        """Hold every particle on sides of its own, so that each side is seen before it is known which are likely."""
        configurations = self.network.configurations
        bias = np.full((len(configurations.terms), self.theta.shape[1]), NEVER)
        for rows in configurations.of_group:
            rows = rows[rows < len(bias)]
            places = self.rng.permutation(self.theta.shape[1]) % rows.size
            bias[rows[places], np.arange(bias.shape[1])] = 0.0
        self.gradient.arrays = {**self.gradient.arrays, "cfg_bias": bias}
        self.ln_p, self.slope = self.gradient(self.theta)

    def release(self, draws: Values) -> None:
        """Let all particles choose their sides; what they do not use starts where it was used by those held there.

        Parameters: draws (move, unknown, particle) while they were held.
        """
        bias = self.gradient.arrays["cfg_bias"]
        flat = draws.transpose(0, 2, 1).reshape(-1, self.network.size)
        self.network = fit_idle_sides(self.network, flat, np.tile(bias.T, (len(draws), 1)))
        position = {key: n for n, key in enumerate(self.network.configurations.choices)}
        theta = self.theta.copy()
        for name, index, choices, outcome in self.network.copies:
            values = self.network.configurations.values[:, [position[key] for key in choices]]
            used = (bias[(values == np.array(outcome)).all(axis=1)] == 0).any(axis=0)
            place = self.network.layout[name].start + index
            rest = self.network.arrays[f"{name}_ps"][index] * self.rng.normal(size=int((~used).sum()))
            theta[place, ~used] = self.network.arrays[f"{name}_pm"][index] + rest
        self.theta, self.gradient = theta, Gradient(self.network)
        self.ln_p, self.slope = self.gradient(self.theta)

    def reshape(self, draws: Values) -> None:
        """Take the shape of the posterior, and of the idle sides, from draws (unknown, draw)."""
        self.network = fit_idle_sides(self.network, draws.T)
        self.gradient = Gradient(self.network)
        self.theta = refresh_idle(self.network, self.theta.T, self.rng).T.copy()
        self.ln_p, self.slope = self.gradient(self.theta)
        self.whiten = shrunk_cholesky(refresh_idle(self.network, draws.T, self.rng).T)

    def restart_frozen(self) -> None:
        """Put particles that have not moved for long where others are: they started in a corner too narrow to leave."""
        frozen = np.flatnonzero(self.idle >= FROZEN_MOVES)
        moving = np.flatnonzero(self.idle < FROZEN_MOVES)
        if frozen.size and moving.size:
            places = self.rng.choice(moving, size=frozen.size)
            self.theta, self.slope, self.ln_p = self.theta.copy(), self.slope.copy(), self.ln_p.copy()
            self.theta[:, frozen], self.slope[:, frozen] = self.theta[:, places], self.slope[:, places]
            self.ln_p[frozen] = self.ln_p[places]
            self.idle[frozen] = 0

    def move(self, longest: int = LONGEST) -> float:
        """One trajectory of all particles, of at most `longest` steps; returns their mean acceptance."""
        rng, whiten = self.rng, self.whiten
        momentum = rng.normal(size=self.theta.shape)
        steps = int(np.clip(np.ceil(self.length * rng.uniform(0.4, 1.6) / self.step), 1, longest))
        step = self.step * rng.uniform(0.8, 1.2, size=(1, self.theta.shape[1]))
        start = self.ln_p - 0.5 * np.sum(momentum**2, axis=0)
        theta, slope = self.theta, self.slope
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            for _ in range(steps):
                momentum = momentum + 0.5 * step * (whiten.T @ slope)
                theta = theta + step * (whiten @ momentum)
                ln_p, slope = self.gradient(theta)
                momentum = momentum + 0.5 * step * (whiten.T @ slope)
            gain = ln_p - 0.5 * np.sum(momentum**2, axis=0) - start
        gain = np.where(np.isfinite(gain), gain, -np.inf)
        chance = np.exp(np.minimum(gain, 0.0))
        taken = rng.uniform(size=chance.shape) < chance
        self.idle = np.where(taken, 0, self.idle + 1)
        self.theta = np.where(taken, theta, self.theta)
        self.slope = np.where(taken, slope, self.slope)
        self.ln_p = np.where(taken, ln_p, self.ln_p)
        self.divergences += int(np.sum(gain < -1000))
        return float(chance.mean())


def shrunk_cholesky(draws: Values) -> Values:
    """Cholesky factor of the covariance of draws (unknown, draw), shrunk a little towards its diagonal."""
    unknowns, count = draws.shape
    sd = np.maximum(draws.std(axis=1), 1e-6)
    z = (draws - draws.mean(axis=1, keepdims=True)) / sd[:, None]
    weight = 0.5 * unknowns / (unknowns + count)
    correlation = (1 - weight) * (z @ z.T) / count
    correlation[np.diag_indices(unknowns)] = 1.0
    return np.clip(sd, *SD_RANGE)[:, None] * np.linalg.cholesky(correlation)


class Sampler:
    """Particles on a network's density: adapt, then draw; both may be called again to go on from there."""

    def __init__(self, network: Network, rng: np.random.Generator, particles: int = 192) -> None:
        self._mover = _Mover(network, particles, rng)
        self._shaped = False

    def adapt(self, moves: int, report: Report | None = None, *, target: float = TARGET_ACCEPTANCE) -> None:
        """Move while learning shape and step size (for a mean acceptance of `target`); nothing is kept."""
        mover, history = self._mover, []
        starts = {int(moves * share) for share in ((0.5,) if self._shaped else (0.2, 0.4, 0.65))}
        ln_step = averaged = float(np.log(mover.step))
        since = 0
        with threadpool_limits(1):  # small matrices: threads would only wait for each other
            if not self._shaped:
                self._scout()
            for n in range(moves):
                acceptance = mover.move(LONGEST if self._shaped else FIRST_LONGEST)
                mover.restart_frozen()
                since += 1
                ln_step = float(np.clip(ln_step + 0.5 * since**-0.5 * (acceptance - target), -7.0, 0.0))
                averaged = ln_step if since == 1 else averaged + 0.2 * (ln_step - averaged)
                mover.step = float(np.exp(ln_step))
                history.append(mover.theta)
                if n + 1 in starts:
                    mover.reshape(np.concatenate(history[len(history) // 3 :], axis=1))
                    history, since, self._shaped = [], 0, True
                if report is not None:
                    report((n + 1) / moves, "learning the shape")
        mover.step = float(np.exp(averaged))

    def _scout(self) -> None:
        """See every side of every choice once, from particles held there."""
        mover = self._mover
        mover.hold()
        ln_step = float(np.log(mover.step))
        held = []
        for n in range(SCOUTING):
            acceptance = mover.move(FIRST_LONGEST)
            ln_step = float(np.clip(ln_step + 0.5 * (n + 1) ** -0.5 * (acceptance - TARGET_ACCEPTANCE), -7.0, 0.0))
            mover.step = float(np.exp(ln_step))
            held.append(mover.theta)
        mover.release(np.array(held[len(held) // 2 :]))

    def draw(self, moves: int, report: Report | None = None) -> tuple[Values, int, Network]:
        """Draws (particle, move, unknown), how many trajectories diverged, and the network they are draws of."""
        mover = self._mover
        mover.divergences = 0
        kept = np.empty((moves, *mover.theta.shape))
        with threadpool_limits(1):
            for n in range(moves):
                mover.move()
                kept[n] = mover.theta
                if report is not None:
                    report((n + 1) / moves, "drawing")
        return np.transpose(kept, (2, 0, 1)), mover.divergences, mover.network
