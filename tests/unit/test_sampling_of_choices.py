"""Particles and open choices: those that never turn are seen, and none is left in a narrow place."""

from __future__ import annotations

import numpy as np
import pytest

from gradeest.belief import jumps, sampler
from gradeest.belief.assembly import build_network
from gradeest.belief.network import Network
from gradeest.belief.posterior import LEAST_ESS, _open_choices, diagnose, diagnose_choices, is_drifting
from gradeest.belief.sampler import Sampler
from gradeest.materials.catalogue import load_catalogue
from gradeest.records.domain import Fraction
from tests.engine_bench import assay, batch, bench, lot, product

PARTICLES, MOVES = 192, 60


@pytest.fixture(scope="module")
def network() -> Network:
    """One poor weight of late chips: a failed run, traces, or poor chips."""
    powder = product("au-1", "B1", "Au", "gold-powder", 0.012, 0.001)
    run = batch("B1", "chips-burn", [("L/late", 0.4)], powder)
    return build_network(bench([lot("L", Fraction("late", "chips-from-2014", 0.4))], [run]), load_catalogue())


def chances(network: Network, turning: bool) -> np.ndarray:
    """Weights of configurations (draw, configuration): every particle sure of one, for good or anew at every move."""
    count, rng = len(network.configurations.terms), np.random.default_rng(1)
    picked = rng.integers(count, size=(PARTICLES, MOVES if turning else 1)).repeat(1 if turning else MOVES, axis=1)
    found = _open_choices(network, np.eye(count)[picked.ravel()])
    return found.reshape(PARTICLES, MOVES, -1)


def test_particles_that_never_turn_are_not_settled(network: Network) -> None:
    assert chances(network, turning=False).shape[2] == 2
    assert diagnose_choices(chances(network, turning=False))[1] < LEAST_ESS
    assert diagnose_choices(chances(network, turning=True))[1] > LEAST_ESS


def test_a_rare_choice_is_judged_by_the_error_of_its_chance() -> None:
    """Particles keep their side for thirty moves: of two in a hundred that tells enough, of an even choice not."""
    rng = np.random.default_rng(4)

    def seen(chance: float, keeps: int) -> np.ndarray:
        draws = rng.uniform(size=(PARTICLES, MOVES // keeps)) < chance
        return draws.repeat(keeps, axis=1).astype(float)[:, :, None]

    assert diagnose(seen(0.02, 30))[1] < LEAST_ESS < diagnose_choices(seen(0.02, 30))[1]
    assert diagnose_choices(seen(0.5, 30))[1] < LEAST_ESS
    assert diagnose_choices(seen(0.02, MOVES))[1] < LEAST_ESS


def test_a_choice_that_is_all_but_decided_is_not_judged(network: Network) -> None:
    sure = np.zeros((100, len(network.configurations.terms)))
    sure[:, 0] = 1.0
    assert _open_choices(network, sure).shape == (100, 0)


def test_jumps_turn_choices_and_leave_nothing_where_it_was() -> None:
    """Late chips with a poor assay: present or traces, after a few jumps nothing hangs on where a particle was."""
    made = bench([lot("L", Fraction("late", "chips-from-2014", 0.4))], (), [assay("L/late", "Au", 20.0, 0.3)])
    network = build_network(made, load_catalogue())
    found = Sampler(network, np.random.default_rng(3), PARTICLES)
    found.adapt(32)
    mover = found._mover
    present = network.layout["x1"].start
    before, accepted = mover.theta[present], [float(mover.jump().mean()) for _ in range(20)]
    assert np.mean(accepted) > 0.2
    assert abs(np.corrcoef(before, mover.theta[present])[0, 1]) < 0.3


def sides_proposed(network: Network, found_by: int) -> tuple[int, float]:
    """How many sides jumps propose where so many of the draws are on a second one; the least width of any proposal."""
    draws = Sampler(network, np.random.default_rng(5), PARTICLES)._mover
    log_weights = np.full(draws.log_weights.shape, -1e3)
    log_weights[0, found_by:] = log_weights[2, :found_by] = 0.0  # ordinary, failed
    draws.past = [(draws.theta, log_weights)]
    draws.learn_jumps()
    assert draws.jumps is not None
    begins, used, roots = draws.jumps.root[0], np.diff(draws.jumps.used[0]), draws.jumps.root[1]
    widths = [np.diag(roots[a : a + n * n].reshape(n, n)).min() for a, n in zip(begins[:-1], used, strict=True)]
    return int(draws.jumps.configurations[-1]), float(min(widths))


def test_a_side_that_one_particle_has_found_is_proposed_to_all(
    network: Network, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else they go there one by one: of a pooled drop 0.98 stayed on one side for hundreds of draws, 0.005 is right.

    It is as wide as is known of it, not a point about that particle. Twins: a point; five had to find it.
    """
    assert [sides_proposed(network, n)[0] for n in (0, 1, 5)] == [1, 2, 2]
    assert sides_proposed(network, 1)[1] > 0.05
    monkeypatch.setattr(jumps, "UNTOLD", 0.0)
    assert sides_proposed(network, 1)[1] < 0.01
    monkeypatch.setattr(jumps, "LEAST_DRAWS", 5.0)
    assert [sides_proposed(network, n)[0] for n in (0, 1, 5)] == [1, 1, 2]


def test_divergences_are_those_of_the_worst_block() -> None:
    """Blocks take or leave their moves by themselves: how many others there are says nothing of whether one is well."""
    lots = [lot(name, Fraction("a", "fingers-memory", 0.4)) for name in "LMN"]
    runs = []
    for name in "LMN":
        powder = product("au-1", f"B{name}", "Au", "gold-powder", 0.3, 0.01)
        runs.append(batch(f"B{name}", "foils-peroxide", [(f"{name}/a", 0.4)], powder))
    mover = Sampler(build_network(bench(lots, runs), load_catalogue()), np.random.default_rng(1), PARTICLES)._mover
    assert mover.blocks.count == 3
    mover.count_anew()
    wrong = [(0, slice(0, 5)), (1, slice(5, 9)), (2, slice(7, 8))]
    gain = np.zeros((3, PARTICLES))
    for block, particles in wrong:
        gain[block, particles] = 2 * sampler.DIVERGED
    mover._try = lambda *_: gain
    mover.move_blocks()
    assert mover.divergences == 5
    mover._try = lambda *_: gain[:1]
    mover.move_shared()
    assert mover.divergences == 10
    one = bench(lots[:1], runs[:1])
    mover._use(build_network(one, load_catalogue()))  # as where idle sides are fitted and blocks come apart or together
    assert (mover.divergences, len(mover.diverged)) == (0, 1)


def test_particles_on_their_way_from_one_side_are_not_settled() -> None:
    """They agree with each other at every moment, so neither R-hat nor effective draws see it."""
    rng, chance = np.random.default_rng(1), np.linspace(0.9, 0.6, MOVES)
    moving = (rng.uniform(size=(PARTICLES, MOVES)) < chance).astype(float)[:, :, None]
    still = (rng.uniform(size=(PARTICLES, MOVES)) < 0.75).astype(float)[:, :, None]
    assert diagnose(moving)[1] > LEAST_ESS
    assert (is_drifting(moving), is_drifting(still)) == (True, False)


def test_a_particle_in_a_narrow_place_gets_out(network: Network, monkeypatch: pytest.MonkeyPatch) -> None:
    """Steps of the many are too long for it, and each would be refused; a few shorter ones lead it back."""

    def left(careful: float, seed: int) -> float:
        monkeypatch.setattr(sampler, "CAREFUL", careful)
        mover = Sampler(network, np.random.default_rng(seed), PARTICLES)._mover
        mover.step[:] = 1.2
        theta = mover.theta.copy()
        narrow = network.layout["reading"].start
        theta[narrow, :40] -= 12.0
        mover.place(theta)
        for _ in range(80):
            mover.move(0)
        return float((np.abs(mover.theta - theta)[narrow, :40] > 1).mean())

    careful = sampler.CAREFUL
    assert np.mean([left(careful, seed) - left(0.0, seed) for seed in range(8)]) > 0.1
