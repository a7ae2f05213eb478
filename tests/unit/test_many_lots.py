"""What keeps a fit of many lots small: draws in pieces, draws left out, a first place block by block."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import minimize

from gradeest.belief import posterior
from gradeest.belief.assembly import build_network
from gradeest.belief.draws import NAMED_DRAWS, OF_DRAWS, Diagnostics
from gradeest.belief.posterior import SAID_OF_LARGE, posterior_of
from gradeest.belief.posterior import _judge as judge
from gradeest.belief.sampler import NEAR_ENOUGH, Sampler
from gradeest.materials.catalogue import load_catalogue
from tests.engine_bench import every_evidence

CATALOGUE = load_catalogue()
BENCH = every_evidence()
NETWORK = build_network(BENCH, CATALOGUE)
SURE = Diagnostics(True, 1.0, 1.0, 0, 600, "fast")


def test_a_belief_worked_out_in_pieces_is_one_belief(monkeypatch: pytest.MonkeyPatch) -> None:
    """What follows from the draws alone is the same; the rest is as wide as it was."""
    theta = 0.3 * np.random.default_rng(1).normal(size=(600, NETWORK.size))
    whole = posterior_of(theta, NETWORK, BENCH, CATALOGUE, np.random.default_rng(2), SURE)
    monkeypatch.setattr(posterior, "SLAB", 1)
    parts = posterior_of(theta, NETWORK, BENCH, CATALOGUE, np.random.default_rng(2), SURE)
    for name in OF_DRAWS:
        assert getattr(parts, name).shape == getattr(whole, name).shape, name
    for name in NAMED_DRAWS:
        assert getattr(parts, name).keys() == getattr(whole, name).keys(), name
    np.testing.assert_allclose(parts.product_g["B1", "au-1"], whole.product_g["B1", "au-1"], rtol=1e-9)
    for key, chance in whole.failed_chance.items():
        assert abs(parts.failed_chance[key] - chance) < 5 * (0.5 / 600) ** 0.5


def test_of_many_draws_as_many_are_left_out_as_make_more_numbers_than_may_be_kept() -> None:
    sampler = Sampler(NETWORK, np.random.default_rng(3), particles=16)
    all_of_them, _, _ = sampler.draw(6)
    some, _, _ = sampler.draw(6, most=2 * 16 * NETWORK.size)
    assert all_of_them.shape == (16, 6, NETWORK.size)
    assert some.shape == (16, 2, NETWORK.size)


def test_the_first_place_is_the_likeliest_one() -> None:
    """scipy.optimize's L-BFGS-B finds no better, block by block together, than what ends the search leaves open."""
    mover = Sampler(NETWORK, np.random.default_rng(4), particles=16)._mover
    shared, blocks = mover.blocks.shared, mover.blocks.count

    def downhill(theta: np.ndarray) -> tuple[float, np.ndarray]:
        ln_p, slope = mover.machine(theta[:, None])
        slope[shared] = 0.0
        return -float(ln_p[0]), -slope[:, 0]

    place = mover._first_place()
    assert not place[shared].any()
    best = minimize(downhill, place, jac=True, method="L-BFGS-B", options={"maxiter": 2000, "maxfun": 20_000})
    assert downhill(place)[0] - best.fun < 2 * NEAR_ENOUGH * blocks
    assert downhill(np.zeros(NETWORK.size))[0] - best.fun > 4 * NEAR_ENOUGH * blocks  # twin: no search at all


def test_insisting_on_a_weight_is_told_by_kind_and_metal() -> None:
    first = next(iter(BENCH.batches.values()))
    product = replace(first.products[0], sure=True)
    sure = replace(BENCH, batches={**BENCH.batches, first.name: replace(first, products=(product,))})
    assert BENCH.insisted == frozenset()
    assert sure.insisted == {(kind, product.metal) for kind in BENCH.kinds_in(first)}


def test_a_large_bench_is_settled_by_fewer_draws_and_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    """Independent draws, but for one unknown: particles keep part of where they are, so it is worth some 350 draws."""
    rng = np.random.default_rng(5)
    theta = rng.normal(size=(160, 20, NETWORK.size))
    slow = NETWORK.layout["balance"].start
    theta[:, :, slow] = 0.43**0.5 * rng.normal(size=(160, 1)) + 0.57**0.5 * theta[:, :, slow]
    theta *= 0.3
    small = judge(theta, 0, NETWORK, rng, "fast")
    monkeypatch.setattr(posterior, "LARGE_BENCH", NETWORK.size - 1)
    large = judge(theta, 0, NETWORK, rng, "fast")
    assert posterior.LEAST_OF_LARGE < small.ess_min < posterior.LEAST_ESS
    assert not small.settled
    assert large.settled
    assert SAID_OF_LARGE not in small.notes
    assert SAID_OF_LARGE in large.notes


@pytest.mark.parametrize(("apart", "settled"), [(0.0, True), (0.85, True), (1.4, False)])
def test_groups_of_a_large_bench_may_differ_as_half_as_many_draws_do(
    apart: float, settled: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One group of particles lies `apart` standard deviations off in one unknown."""
    rng = np.random.default_rng(6)
    theta = 0.3 * rng.normal(size=(160, 20, NETWORK.size))
    theta[:20, :, NETWORK.layout["balance"].start] += 0.3 * apart
    monkeypatch.setattr(posterior, "LARGE_BENCH", NETWORK.size - 1)
    found = judge(theta, 0, NETWORK, rng, "fast")
    assert (found.settled, SAID_OF_LARGE in found.notes) == (settled, settled and apart > 0), found.r_hat_max
