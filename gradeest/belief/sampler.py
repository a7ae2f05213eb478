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

from gradeest.belief.idle import fit_idle_sides, likeliest, refresh_idle
from gradeest.belief.network import Network
from gradeest.belief.tape import Gradient

Values = NDArray[np.float64]
TARGET_ACCEPTANCE = 0.8  # first; a run that has not settled goes on with shorter steps
LONGEST = 48  # leapfrog steps of one trajectory
FROZEN_MOVES = 10  # rejected in a row while adapting
SD_RANGE = (1e-4, 10.0)  # of an unknown, while the shape is still being learned
FIRST_LONGEST = 10  # until a first shape is known
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

    def reshape(self, draws: Values) -> None:
        """Take the shape of the posterior, and of the idle sides, from draws (unknown, draw)."""
        self.network = fit_idle_sides(self.network, draws.T)
        self.gradient = Gradient(self.network)
        self.theta = refresh_idle(self.network, self.theta.T, self.rng).T.copy()
        self.ln_p, self.slope = self.gradient(self.theta)
        self.whiten = shrunk_cholesky(refresh_idle(self.network, draws.T, self.rng).T)

    def restart_frozen(self) -> None:
        """Put particles that have not moved for long where others of the same sides are.

        They started in a corner too narrow to leave; put anywhere, they would empty the narrower sides.
        """
        frozen = np.flatnonzero(self.idle >= FROZEN_MOVES)
        moving = np.flatnonzero(self.idle < FROZEN_MOVES)
        if not (frozen.size and moving.size):
            return
        sides = likeliest(self.network, self.theta.T)
        self.theta, self.slope, self.ln_p = self.theta.copy(), self.slope.copy(), self.ln_p.copy()
        for one in frozen:
            alike = moving[(sides[moving] == sides[one]).all(axis=1)]
            if alike.size:
                place = self.rng.choice(alike)
                self.theta[:, one], self.slope[:, one] = self.theta[:, place], self.slope[:, place]
                self.ln_p[one] = self.ln_p[place]
            self.idle[one] = 0

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
