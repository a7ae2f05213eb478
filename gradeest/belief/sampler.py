"""The fast engine: many particles moved side by side by Hamiltonian trajectories, no compiling.

All particles share one straightened view of the unknowns (`Shape`) and step sizes, learned from them while they warm up
and frozen before the draws that count. Read backwards the posterior is nearly normal in that view, so a trajectory is
split into the exact rotation of a standard normal and kicks of what is left of the force (Shahbaba et al. 2014,
Stat. Comput. 24:339). Blocks of unknowns and the parameters that all share are moved in turn; given those the blocks
are independent, so each takes or leaves its own move, and steps need not shorten with the size of the bench. Between
trajectories every part of a block jumps (jumps.py).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from gradeest.belief.blocks import SHARED, find_blocks
from gradeest.belief.idle import fit_idle_sides, refresh_idle
from gradeest.belief.jumps import Jumps, fit_jumps
from gradeest.belief.keeping import add_gains, add_squares, take_over
from gradeest.belief.listing import touched_by
from gradeest.belief.machine import Machine
from gradeest.belief.network import Network
from gradeest.belief.program import record
from gradeest.belief.shape import Shape, balanced_root, curvature_shape, drawn_in, steps_uphill

Index = NDArray[np.int64]
Values = NDArray[np.float64]
TARGET_ACCEPTANCE = 0.8  # first; a run that has not settled goes on with shorter steps
STEPS = (0.01, 1.6)  # radians of one step
QUARTER = 1.6  # radians of one trajectory, at most: half a turn would only mirror what is there
TURN = 0.8  # radians that the slowest block is to go in one trajectory
CAREFUL, SHORTEST = 0.15, 0.01  # share of trajectories of shorter steps, for particles in a narrow place; down to
LONGEST = (3, 8)  # steps of one trajectory; of a run that has not settled
TRAJECTORIES = 3  # to a draw: of the blocks, and two of the shared parameters
JUMPS, LEARNING_JUMPS = 2, 4  # to a draw; while the shape is learned
OF_A_PART = (*SHARED, "rho")  # unknowns that belong to no part of a block
SHARED_TURN, SHARED_STEPS = 1.0, (2, 8)  # radians that the shared parameters are to go, and steps for that
DIVERGED = -1000.0  # gain in log density of a trajectory that went wrong
NARROW = 0.05  # width of all shared parameters, at first
PLACES = 8  # draws that the curvature is averaged over
SEEKING, FARTHEST = 8, 1.0  # steps to a first place of the shared parameters, each no longer than this
NEWTON_STEPS, NEAR_ENOUGH = 30, 0.5  # of the search for a first place; a gain in log density that ends it
DAMPINGS = np.append(0.0, 10.0 ** np.arange(-1, 7))  # curvature added, so that steps become shorter
Report = Callable[[float, str], None]


class _Mover:
    """State of all particles: positions z (unknown, particle), values of the density, force, and the tuning.

    Values are its terms and below them the log weights of configurations; a force is what is left of it beside that of
    a standard normal. Moves are tried in `room`, and what is taken of them is taken over.
    """

    def __init__(self, network: Network, particles: int, rng: np.random.Generator) -> None:
        self.rng, self.longest = rng, LONGEST[0]
        self.z = rng.normal(size=(network.size, particles))
        self.force = np.empty_like(self.z)
        self.room = [np.empty_like(self.z) for _ in range(3)]
        self._use(network)
        self.step = np.full((self.blocks.count, 1), 0.5)
        self.shared_step = 0.7
        self.jumps: Jumps | None = None
        self.past: list[tuple[Values, Values]] = []  # draws to learn from, and their choices' log weights
        start = self._first_place()
        self.shape = self._curvature(start[:, None], start, NARROW * np.eye(len(self.blocks.shared)))
        self._look()

    def seek_shared(self) -> None:
        """Bring the shared parameters near their likeliest place whatever the blocks are.

        The mean force on them over draws of the blocks is the slope of their marginal density (Fisher's identity), and
        in the view a step of Newton's method goes as far as that. They are scattered about, to see how they are tied.
        """
        shared = self.blocks.shared
        for n in range(SEEKING):
            self.tune(self.move_blocks(), TARGET_ACCEPTANCE, TARGET_ACCEPTANCE, 1.5 / (n + 1) ** 0.5)
            self._look()
            self.balance()
            middle = self.z[shared].mean(axis=1)
            towards = drawn_in(self.force[shared]).mean(axis=1) - middle
            far = np.abs(self.shape.shared @ towards).max()
            middle += towards * min(1.0, FARTHEST / max(far, 1e-9))
            self.z[shared] = middle[:, None] + self.rng.normal(size=self.z[shared].shape)
            self._look()
            if n in (SEEKING // 2, SEEKING - 1):
                self.reshape()

    def _use(self, network: Network) -> None:
        self.network = network
        program = record(network)
        self.blocks = find_blocks(network, program)
        self.machine = Machine(program, self.blocks.of_unknown)
        self.count, self.jumps, self.past = len(program.terms), None, []
        rows = self.count + len(program.shown)
        self.values, self.new_values = (np.empty((rows, self.z.shape[1])) for _ in range(2))
        blocks = self.blocks
        self.is_shared = np.where(blocks.of_unknown < 0, 0, -1)  # of unknowns, for `take_over`
        self.every_term = np.zeros(self.count, np.int64)
        self.of_block = blocks.of_unknown % (blocks.count + 1)
        self.count_anew()

    def count_anew(self) -> None:
        """Forget what diverged."""
        self.diverged, self.shared_diverged = np.zeros(self.blocks.count, np.int64), 0

    @property
    def divergences(self) -> int:
        """How many trajectories of the worst block, and of the shared parameters, diverged.

        A block takes or leaves its moves by itself, so how far to trust it does not hang on how many others there are.
        """
        return int(self.diverged.max(initial=0)) + self.shared_diverged

    def _first_place(self) -> Values:
        """The likeliest place of the blocks where the shared parameters are at the middle of their prior.

        By damped steps of Newton's method; each block takes the one that serves it best.
        """
        blocks, place = self.blocks, np.zeros(self.network.size)
        for _ in range(NEWTON_STEPS):
            steps = steps_uphill(self._gradient, place, blocks, DAMPINGS)
            tried = np.concatenate([np.zeros((len(place), 1)), steps], axis=1) + place[:, None]
            height = blocks.per_block(self.machine.values(tried)[: self.count])
            gain = np.where(np.isfinite(height), height, -np.inf) - height[:, [0]]
            best = blocks.at_unknowns(np.argmax(gain, axis=1)[:, None])
            place = np.take_along_axis(tried, best, axis=1)[:, 0]
            if gain.max(initial=0.0) < NEAR_ENOUGH:
                break
        return place

    def _gradient(self, theta: Values) -> Values:
        return self.machine(theta)[1]

    def _curvature(self, places: Values, centre: Values, of_shared: Values) -> Shape:
        return curvature_shape(self._gradient, places, centre, self.blocks, of_shared)

    @property
    def theta(self) -> Values:
        """Positions, (unknown, particle)."""
        return self.shape.theta(self.z)

    def place(self, theta: Values) -> None:
        """Put the particles at theta (unknown, particle)."""
        self.shape.z(theta, self.z)
        self._look()

    @property
    def log_weights(self) -> Values:
        """Log weights of the choices' configurations, (configuration, particle), as of the last look or shared move."""
        return self.values[self.count :]

    def _look(self) -> None:
        """Values and force where the particles are."""
        still = np.zeros((self.blocks.count + 1, self.z.shape[1]))
        self._travel(still, 0, self.z, self.force, self.force, self.values)

    def _travel(self, step: Values, count: int, z: Values, force: Values, momentum: Values, values: Values) -> None:
        self.machine.travel(self.shape.flat, self.of_block, step, count, z, force, momentum, values)

    def reshape(self) -> None:
        """Learn the shape from where the particles are."""
        theta = self.theta
        places = theta[:, self.rng.choice(theta.shape[1], min(PLACES, theta.shape[1]), replace=False)]
        self._learn_view(theta, places)

    def _learn_view(self, theta: Values, places: Values) -> None:
        """Learn the view from particles at theta, the curvature at some of them, (unknown, particle or place)."""
        self.shape = self._curvature(places, theta.mean(axis=1), self.shape.shared).widened(theta)
        self.place(theta)
        self.balance()

    def balance(self) -> None:
        """Straighten the view of the shared parameters, so that particles and forces are equally wide in it."""
        shared, theta = self.blocks.shared, self.theta
        z = self.z[shared]
        root = balanced_root(z, self.force[shared] - z)
        self.shape = replace(self.shape, shared=self.shape.shared @ root)
        self.place(theta)

    def refresh_idle(self) -> None:
        """Fit the idle sides' densities to the particles, draw those sides anew, and learn the shape from that."""
        theta, size = self.theta, self.blocks.count
        if not self.network.copies:
            self.reshape()
            return
        self._use(fit_idle_sides(self.network, theta.T, self.machine.values(theta)[self.count :].T))
        log_weights = self.machine.values(theta)[self.count :].T
        theta = refresh_idle(self.network, theta.T, log_weights, self.rng).T.copy()
        if self.blocks.count != size:
            self.step = np.full((self.blocks.count, 1), 0.5)
        self._learn_view(theta, theta[:, :PLACES])

    def _try(self, step: Values, count: int, of_unknown: Index, of_term: Index) -> Values:
        """Tries a trajectory, into `room` and `new_values`, of the unknowns that `of_unknown` gives a number to.

        Parameters: step (block and last the shared, 1), 0 of what stays; of_unknown, of_term, what is taken or not
        together. Returns what each of that gains in log density and loses in motion, (what, particle).
        """
        rng, (z, force, momentum), moved = self.rng, self.room, np.flatnonzero(of_unknown >= 0)
        particles = z.shape[1]
        careful = np.where(rng.uniform(size=particles) < CAREFUL, SHORTEST ** rng.uniform(size=particles), 1.0)
        momentum[moved] = rng.normal(size=(len(moved), particles))
        gain = np.zeros((of_unknown.max() + 1, particles))
        add_squares(momentum, 0.5, of_unknown, gain)
        np.copyto(z, self.z)
        np.copyto(force, self.force)
        turn = step * careful * rng.uniform(0.8, 1.2, size=particles)
        self._travel(turn, count, z, force, momentum, self.new_values)
        add_squares(momentum, -0.5, of_unknown, gain)
        add_gains(self.new_values, self.values, of_term, gain)
        return gain

    def move_blocks(self) -> Values:
        """One trajectory of all blocks given the shared parameters; returns each block's mean acceptance, (block,).

        Terms and force of every block are then those of its side; the force on the shared parameters and the log
        weights are out of date.
        """
        blocks = self.blocks
        if not blocks.count:
            return np.ones(0)
        count = int(np.clip(np.ceil(TURN / self.step.min()), 1, self.longest))
        step = np.minimum(np.concatenate([self.step, [[0.0]]]), QUARTER / count)
        gain = self._try(step, count, blocks.of_unknown, blocks.of_term)
        chance, taken = self._decide(gain)
        self.diverged += (gain < DIVERGED).sum(axis=1)
        for new, old in zip(self.room[:2], (self.z, self.force), strict=True):
            take_over(taken, blocks.of_unknown, new, old)
        take_over(taken, blocks.of_term, self.new_values, self.values)
        return chance.mean(axis=1)

    def move_shared(self) -> float:
        """One trajectory of the shared parameters given the blocks; returns the mean acceptance."""
        self._look()
        count = int(np.clip(np.ceil(SHARED_TURN / self.shared_step), *SHARED_STEPS))
        step = np.append(np.zeros(self.blocks.count), min(self.shared_step, QUARTER / count))[:, None]
        gain = self._try(step, count, self.is_shared, self.every_term)
        chance, taken = self._decide(gain)
        self.shared_diverged += int((gain < DIVERGED).sum())
        take_over(taken, self.is_shared, self.room[0], self.z)
        np.copyto(self.force, self.room[1], where=taken)
        np.copyto(self.values, self.new_values, where=taken)
        return float(chance.mean())

    def wander(self) -> None:
        """Some shared parameters of every particle turn as their prior does, by any angle, and are taken or not.

        Where a choice leaves a parameter untold (all of a kind may be traces) its place is as wide as the prior, and
        the steps of the view, made for where most particles are, would be ages on the way (Cotter et al. 2013, Stat.
        Sci. 28:424). The force is out of date then.
        """
        rng, shared, theta = self.rng, self.blocks.shared, self.shape.theta(self.z, self.room[0])
        old = theta[shared]
        turning = rng.uniform(size=old.shape) < len(shared) ** -rng.uniform(size=old.shape[1])
        angle = np.where(turning, np.pi / 2 * rng.uniform(size=old.shape[1]), 0.0)
        new = np.cos(angle) * old + np.sin(angle) * rng.normal(size=old.shape)
        theta[shared] = new
        self.machine.values(theta, self.new_values)
        gain = 0.5 * (new**2 - old**2).sum(axis=0, keepdims=True)
        add_gains(self.new_values, self.values, self.every_term, gain)
        _, taken = self._decide(gain)
        theta[shared] = np.where(taken, new, old)
        self.shape.z(theta, self.z)
        np.copyto(self.values, self.new_values, where=taken)

    def _decide(self, gain: Values) -> tuple[Values, NDArray[np.bool_]]:
        gain = np.where(np.isfinite(gain), gain, -np.inf)
        chance = np.exp(np.minimum(gain, 0.0))
        return chance, self.rng.uniform(size=gain.shape) < chance

    def learn_jumps(self) -> None:
        """Fit the proposals of jumps to the draws since the unknowns were last told apart anew."""
        p = self.machine.program
        if self.jumps is None:
            parts = find_blocks(self.network, p, OF_A_PART)
            self.touched = touched_by(
                p.op, p.a, p.b, p.c, p.lists, len(p.constants), p.unknowns, p.terms, parts.of_term, parts.count
            )
        else:
            parts = self.jumps.parts
        self.past = self.past[len(self.past) // 3 :]  # what was long ago counts no more
        theta, log_weights = (np.concatenate(each, axis=1) for each in zip(*self.past, strict=True))
        self.jumps = fit_jumps(self.network, parts, self.touched, theta, log_weights.T)

    def jump(self) -> Values:
        """Every part jumps, given the rest; returns each part's mean acceptance.

        The force and the log weights are out of date then.
        """
        assert self.jumps is not None
        (theta, new, _), parts = self.room, self.jumps.parts
        self.shape.theta(self.z, theta)
        gain = self.jumps.propose(theta, new, self.rng)
        self.machine.values(new, self.new_values)
        add_gains(self.new_values, self.values, parts.of_term, gain)
        chance, taken = self._decide(gain)
        take_over(taken, parts.of_unknown, new, theta)
        self.shape.z(theta, self.z)
        take_over(taken, parts.of_term, self.new_values, self.values)
        return chance.mean(axis=1)

    def move(self, jumps: int) -> tuple[Values, float]:
        """A trajectory of the blocks, jumps of their parts, and between these all moves of the shared parameters."""
        of_blocks, of_shared = self.move_blocks(), []
        self.wander()
        for half in range(2):
            for _ in range((jumps + half) // 2 if self.jumps is not None else 0):
                self.jump()
            of_shared.append(self.move_shared())
        return of_blocks, sum(of_shared) / 2

    def tune(self, of_blocks: Values, of_shared: float, target: float, rate: float) -> None:
        """Bring the steps closer to those of the acceptance aimed at."""
        self.step = np.clip(self.step * np.exp(rate * (of_blocks[:, None] - target)), *STEPS)
        self.shared_step = float(np.clip(self.shared_step * np.exp(rate * (of_shared - target)), *STEPS))


class Sampler:
    """Particles on a network's density: adapt, then draw; both may be called again to go on from there."""

    def __init__(self, network: Network, rng: np.random.Generator, particles: int = 192) -> None:
        with threadpool_limits(1):
            self._mover = _Mover(network, particles, rng)
            self._mover.seek_shared()
        self._settling = False

    def adapt(self, moves: int, report: Report | None = None, *, target: float = TARGET_ACCEPTANCE) -> None:
        """Move while learning shape and step sizes (for a mean acceptance of `target`); nothing is kept."""
        mover = self._mover
        mover.longest = LONGEST[int(self._settling)]
        self._settling = True
        with threadpool_limits(1):  # small matrices: threads would only wait for each other
            since = 0
            for n in range(moves):
                since += 1
                mover.tune(*mover.move(LEARNING_JUMPS), target, 1.5 / since**0.5)
                mover.past.append((mover.theta, mover.log_weights.copy()))
                if n + 1 == moves // 4:
                    mover.reshape()
                    since = 0
                if n + 1 == 5 * moves // 8:  # what is left is enough to learn jumps anew three times
                    mover.refresh_idle()
                    since = 0
                if n + 1 == moves or (n + 1 >= moves // 4 and (n + 1) % max(moves // 8, 1) == 0 and mover.past):
                    mover.learn_jumps()
                if report is not None:
                    report((n + 1) / moves, "learning the shape")

    def draw(self, moves: int, report: Report | None = None, *, most: int | None = None) -> tuple[Values, int, Network]:
        """Draws (particle, move, unknown), how many trajectories diverged, and the network they are draws of.

        There are `TRAJECTORIES` to a draw; of blocks those of the worst one count. Of the draws as many are left out,
        evenly, as make more than `most` numbers.
        """
        mover = self._mover
        mover.count_anew()
        every = 1 if most is None else max(-(-moves * mover.z.size // most), 1)
        kept = np.empty((moves // every, *mover.z.shape))
        with threadpool_limits(1):
            for n in range(moves):
                mover.move(JUMPS)
                if (n + 1) % every == 0 and n // every < len(kept):
                    kept[n // every] = mover.theta
                if report is not None:
                    report((n + 1) / moves, "drawing")
        return np.transpose(kept, (2, 0, 1)), mover.divergences // every, mover.network
