"""The program's log density against formulas written out by hand, the coordinates' Jacobians taken numerically.

The density may differ from the formula by one constant, so compared is how much the difference varies over random
unknowns. `State` is used to read off the quantities (grades, amounts, parameters) that the unknowns stand for; their
density is then computed here from the text of the model alone.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import logsumexp, ndtr

from gradeest.belief.assembly import build_network
from gradeest.belief.density import State, evaluate
from gradeest.belief.network import Network
from gradeest.belief.ops import NUMPY
from gradeest.materials.catalogue import Catalogue, load_catalogue
from gradeest.records.domain import Bench, Fraction
from tests.engine_bench import assayed, batch, bench, lot, product
from tests.reference.quadrature import GradePrior, Measured, ln_normal

Values = NDArray[np.float64]
CATALOGUE = load_catalogue()
EXACT = 1e-6  # of differences that are numerical derivatives
RNG_SEED = 5


def state_at(theta: Values, network: Network) -> State:
    return evaluate(theta, network, network.arrays, NUMPY)


def prior_of(kind: str, metal: str) -> GradePrior:
    row = CATALOGUE.kinds[kind].grades[metal]
    trace = {"Au": 5.0, "Ag": 25.0, "Pd": 5.0}[metal]
    return GradePrior(row.q50, row.max_g_per_t, row.gsd_between, row.gsd_class_mean, row.p_absent, trace)


def variation(gap: Values) -> float:
    """How much a difference that should be one constant varies."""
    return float(np.abs(gap - np.median(gap)).max())


def some_points(network: Network, count: int = 60, size: float = 0.7) -> Values:
    return size * np.random.default_rng(RNG_SEED).normal(size=(count, network.size))


def ln_normals(theta: Values, network: Network, *names: str) -> Values:
    """Standard normal density of named unknowns, which is their prior by the text."""
    return sum(-0.5 * (theta[:, network.layout[name]] ** 2).sum(axis=1) for name in names)  # type: ignore[return-value]


def ln_spread_prior(theta: Values, network: Network) -> Values:
    """ln density of the unknowns behind tau: ln tau normal (0.3), cut at +-2 sd, times the map's measured slope."""
    where, step = network.layout["ln_tau"], 1e-5
    total = np.zeros(len(theta))
    for n in range(where.start, where.stop):
        up, down = theta.copy(), theta.copy()
        up[:, n] += step
        down[:, n] -= step
        slope = (np.log(state_at(up, network).tau) - np.log(state_at(down, network).tau))[:, n - where.start]
        z = (np.log(state_at(theta, network).tau) - network.arrays["km_ln_tau0"])[:, n - where.start] / 0.3
        assert (np.abs(z) < 2).all()
        total += -0.5 * z**2 + np.log(slope / (2 * step))
    return total


def kind_mean(theta: Values, network: Network, prior: GradePrior, kind: str, metal: str) -> tuple[Values, Values]:
    """mu and tau of a kind without correlated metals, from its standard normals."""
    km, cm = network.axes["km"].index((kind, metal)), network.axes["cm"]
    beta = theta[:, network.layout["beta"]][:, cm.index((CATALOGUE.kinds[kind].cls, metal))]
    zeta = theta[:, network.layout["zeta"]][:, km]
    mu = prior.mu0 + prior.mean_sd * (math.sqrt(0.3) * beta + math.sqrt(0.7) * zeta)
    return mu, state_at(theta, network).tau[:, km]


# -- a fraction with an assay: x is a coordinate, once under present and once under trace ------------------------------

ASSAYS = {"value": (30.0, 0.3, False), "limit": (80.0, 0.3, True)}


def of_one_outcome(theta: Values, network: Network, outcome: int) -> Values:
    """Log density with the bench's only undecided choice at one outcome instead of summed."""
    state = state_at(theta, network)
    undecided = [n for n, key in enumerate(network.configurations.choices) if key not in network.fixed]
    values = network.configurations.values[:, undecided]
    (column,) = np.flatnonzero(values[:, 0] == outcome) if len(undecided) == 1 else ()
    return state.log_density - logsumexp(state.configurations, axis=1) + state.configurations[:, column]


def without_idle(theta: Values, network: Network, outcome: int) -> Values:
    """The same, integrated over the unknown that this outcome leaves idle, whatever density the program gives it."""
    (idle,) = (
        network.layout[name].start + index
        for name, index, _, used_by in network.copies
        if name in ("v", "x1", "x0") and used_by != (outcome,)  # an idle e has the standard normal it starts with
    )
    nodes = np.linspace(-80, 80, 8001)
    many = np.repeat(theta, len(nodes), axis=0)
    many[:, idle] = np.tile(nodes, len(theta))
    found = of_one_outcome(many, network, outcome).reshape(len(theta), len(nodes))
    return logsumexp(found, axis=1) + math.log(nodes[1] - nodes[0])


def ln_slope(theta: Values, network: Network, prior: GradePrior, name: str, side: int) -> float:
    """ln dx / d unknown of one side, by a difference."""
    up = theta.copy()
    up[:, network.layout[name].start] += 1
    grades = [np.exp(state_at(at, network).free_ln_grade[0, side]) for at in (theta, up)]
    x = [math.log(grade / (prior.limit - grade)) for grade in grades]
    return math.log(x[1] - x[0])


def assayed_by_hand(
    theta: Values, network: Network, prior: GradePrior, result: tuple[float, float, bool], keep_spread: bool = True
) -> tuple[Values, Values]:
    """The two sides by the text: prior of the parameters, of x, of the switch, times the likelihood of the assay."""
    state = state_at(theta, network)
    mu, tau = kind_mean(theta, network, prior, "chips-from-2014", "Au")
    rho = theta[:, network.layout["rho"]][:, 0]
    absent = math.log(prior.p_absent / (1 - prior.p_absent)) + 0.7 * theta[:, network.layout["pi"]][:, 0]
    x = [np.log(grade / (prior.limit - grade)) for grade in np.exp(state.free_ln_grade.T)]
    own = math.sqrt(0.75) * tau
    present = ln_normal(x[0], mu + 0.5 * tau * rho, own) + (0.0 if keep_spread else np.log(own))
    common = ln_normals(theta, network, "zeta", "beta", "rho", "pi") + ln_spread_prior(theta, network)
    measured = Measured(*result)
    like = [measured.ln_likelihood(side) for side in state.free_ln_grade.T]
    to_x = [ln_slope(theta, network, prior, name, side) for side, name in enumerate(("x1", "x0"))]
    return (
        common - np.logaddexp(0.0, absent) + present + like[0] + to_x[0],
        common - np.logaddexp(0.0, -absent) + ln_normal(x[1], prior.trace_centre, prior.trace_sd) + like[1] + to_x[1],
    )


@pytest.mark.parametrize("result", ASSAYS.values(), ids=ASSAYS)
def test_both_sides_of_an_assayed_fraction(result: tuple[float, float, bool]) -> None:
    """At random parameters and x: both sides by the formula, with the same constant."""
    network = build_network(assayed("chips-from-2014", "Au", result), CATALOGUE)
    prior, theta = prior_of("chips-from-2014", "Au"), some_points(network)
    by_hand = assayed_by_hand(theta, network, prior, result)
    gaps = [
        without_idle(theta, network, 0) - by_hand[0],
        without_idle(theta, network, 1) - by_hand[1],
    ]
    assert variation(gaps[0]) < EXACT
    assert variation(gaps[1]) < EXACT
    # the constant is that of normals without their factor 1/sqrt(2 pi), the same on both sides
    assert np.median(gaps[0]) == pytest.approx(np.median(gaps[1]), abs=EXACT)


def test_a_density_of_x_without_its_own_spread_is_found() -> None:
    """Twin: the term -ln(spread) of the prior of x left out."""
    result = ASSAYS["value"]
    network = build_network(assayed("chips-from-2014", "Au", result), CATALOGUE)
    theta = some_points(network)
    by_hand = assayed_by_hand(theta, network, prior_of("chips-from-2014", "Au"), result, keep_spread=False)
    assert variation(without_idle(theta, network, 0) - by_hand[0]) > 0.05


def test_log_density_as_a_function_of_x_alone() -> None:
    """All else held fixed, along x: the present side by the formula, beyond a grade of 3 g/t to 3 %."""
    result = ASSAYS["value"]
    network = build_network(assayed("chips-from-2014", "Au", result), CATALOGUE)
    prior = prior_of("chips-from-2014", "Au")
    theta = np.repeat(some_points(network, 1), 400, axis=0)
    start, scale = network.arrays["x1_ref"][0], network.arrays["x1_scale"][0]
    x = np.linspace(math.log(3e-6), math.log(3e-2), 400)
    theta[:, network.layout["x1"].start] = (x - start) / scale
    gap = of_one_outcome(theta, network, 0) - assayed_by_hand(theta, network, prior, result)[0]
    assert variation(gap) < EXACT
    halved = assayed_by_hand(theta, network, prior, (result[0] / 2, *result[1:]))[0]
    assert variation(of_one_outcome(theta, network, 0) - halved) > 1  # twin


# -- a pooled drop of portions: x follows from the weight --------------------------------------------------------------


PORTIONS = np.array([[0.375, 0.25], [0.005, 0.0075]])  # kg taken and left of both fractions, per gram weighed


def pooled(weight_g: float) -> Bench:
    """Portions of two fractions dropped together, one product; the rest of both is still there."""
    (a, rest_a), (b, rest_b) = PORTIONS * weight_g
    fractions = Fraction("a", "fingers-memory", a + rest_a), Fraction("b", "fingers-memory", b + rest_b)
    drop = product("au-1", "B1", "Au", "gold-powder", weight_g)
    return bench([lot("L", *fractions)], [batch("B1", "foils-peroxide", [("L/a", a), ("L/b", b)], drop)])


def few_pieces() -> Catalogue:
    """The catalogue with heavy pieces, so that portions differ much."""
    kind = replace(CATALOGUE.kinds["fingers-memory"], piece_mass_g=3.0, piece_cv=0.8)
    return replace(CATALOGUE, kinds={**CATALOGUE.kinds, kind.id: kind})


def natural(theta: Values, network: Network, failed: int) -> Values:
    """x of both fractions and logit of the share that went into the batch, (point, 4), under one side of "failed"."""
    state, limit = state_at(theta, network), CATALOGUE.kinds["fingers-memory"].grades["Au"].max_g_per_t
    columns = []
    for c in range(2):
        grade = np.exp(state.anchored_ln_grade[:, network.anchored[c].rows[(failed,)]])
        columns.append(np.log(grade / (limit - grade)))
    for c in range(2):
        amounts = [state.values[:, network.values[c, part][(failed,)]] for part in ("B1", "rest")]
        columns.append(amounts[0] - amounts[1])
    return np.stack(columns, axis=1)


def ln_jacobian(theta: Values, network: Network, failed: int) -> Values:
    """ln |d natural / d (reading, split between fractions, portion against rest)|, by differences."""
    layout, step = network.layout, 1e-5
    (split,) = (
        layout["v"].start + index for name, index, _, used_by in network.copies if name == "v" and used_by == (failed,)
    )
    unknowns = [layout["reading"].start, split, layout["beside"].start, layout["beside"].start + 1]
    columns = []
    for n in unknowns:
        shift = np.zeros(network.size)
        shift[n] = step
        up, down = (natural(theta + sign * shift, network, failed) for sign in (1, -1))
        columns.append((up - down) / (2 * step))
    return np.asarray(np.linalg.slogdet(np.stack(columns, axis=2))[1])


def pooled_by_hand(theta: Values, network: Network, weight_g: float, jacobian: bool = True) -> list[Values]:
    """Reading, recovery, purity, portions and grades by the text: after an ordinary run, after a failed one."""
    prior, state = prior_of("fingers-memory", "Au"), state_at(theta, network)
    mu, tau = kind_mean(theta, network, prior, "fingers-memory", "Au")
    rho = theta[:, network.layout["rho"]][:, 0]
    absent = math.log(prior.p_absent / (1 - prior.p_absent)) + 0.7 * theta[:, network.layout["pi"]][:, 0]
    v = np.exp(state.ln_p[:, 0] - state.ln_yield[:, 0])
    reading = np.log(ndtr((weight_g + 0.005 - v) / 0.01) - ndtr((weight_g - 0.005 - v) / 0.01))
    sides = []
    for failed, chance in ((0, 0.97), (1, 0.03)):
        found = natural(theta, network, failed)
        present = np.sum([ln_normal(x, mu + 0.5 * tau * rho, math.sqrt(0.75) * tau) for x in found.T[:2]], axis=0)
        term = present - np.logaddexp(0, absent) + math.log(chance)
        for share, masses in zip(found.T[2:], PORTIONS * weight_g, strict=True):
            pieces = masses * 1000 / 3.0 / 0.8**2  # pieces over their squared variation
            term = term - pieces[0] * np.logaddexp(0, -share) - pieces[1] * np.logaddexp(0, share)  # Beta, in its logit
        sides.append(term + (ln_jacobian(theta, network, failed) if jacobian else 0.0))
    names = ("zeta", "beta", "rho", "pi", "r_metal", "r", "ln_a", "a", "form", "purity", "balance", "e_ok", "e_failed")
    common = ln_normals(theta, network, *names) + ln_spread_prior(theta, network) + reading
    return [common + side for side in sides]


@pytest.mark.parametrize("weight_g", [0.12, 1.6, 25.0])
def test_a_pooled_drop_of_portions(weight_g: float) -> None:
    """Below and above the hold-up's 10 g, and at 12 digits, where the true weight is far from the reading."""
    network = build_network(pooled(weight_g), few_pieces())
    assert network.fixed == {("trace", "L", "fingers-memory", "Au"): 0}  # so there is nothing to sum but "failed"
    theta = some_points(network, 40, 0.4)
    by_hand = pooled_by_hand(theta, network, weight_g)
    gaps = [without_idle(theta, network, failed) - by_hand[failed] for failed in (0, 1)]
    assert variation(np.concatenate(gaps)) < 1e-5  # one constant for both


def test_a_pooled_drop_without_the_jacobian_is_found() -> None:
    """Twin: the factor dx / d(reading, split, portions) left out."""
    network = build_network(pooled(0.12), few_pieces())
    theta = some_points(network, 40, 0.4)
    by_hand = pooled_by_hand(theta, network, 0.12, jacobian=False)
    assert variation(without_idle(theta, network, 0) - by_hand[0]) > 0.05


@pytest.mark.parametrize("weight_g", [0.12, 1.6, 25.0])
def test_metal_run_forward_gives_the_weight_back(weight_g: float) -> None:
    """What is read backwards: M = A R, hold-up M (1 + a M0^-2/3) / (1 + a M^-2/3) below M0 = 10 g, over purity."""
    network = build_network(pooled(weight_g), few_pieces())
    theta = some_points(network)
    state, layout = state_at(theta, network), network.layout
    row = CATALOGUE.routes["foils-peroxide"].recovery["Au"]
    logit = [math.log(p / (1 - p)) for p in (row.q5, row.q50)]
    sd = (logit[1] - logit[0]) / 1.6448536269514722
    common, own = (theta[:, layout[name].start] for name in ("r_metal", "r"))
    r = logit[1] + sd * math.sqrt(0.6) * (math.sqrt(0.3) * common + math.sqrt(0.7) * own)
    noises = (
        sd * math.sqrt(0.4) * theta[:, layout["e_ok"].start], -4 + 3 * theta[:, layout["e_failed"].start]
    )  # fmt: skip
    a = 0.5 * 0.107 * np.exp(math.log(1.8) * theta[:, layout["ln_a"].start] + 0.3 * theta[:, layout["a"].start])
    for failed, e in enumerate(noises):
        amounts = [np.exp(state.values[:, network.values[c, "B1"][(failed,)]]) for c in range(2)]
        metal = (amounts[0] + amounts[1]) / (1 + np.exp(-(r + e)))
        held = np.where(metal < 10, metal * (1 + a * 10 ** (-2 / 3)) / (1 + a * metal ** (-2 / 3)), metal)
        np.testing.assert_allclose(held, np.exp(state.ln_p[:, 0]), rtol=1e-9)
    form = CATALOGUE.forms["gold-powder"].purity
    centre = math.log(form.q50 / (1 - form.q50))
    spread = (centre - math.log(form.q5 / (1 - form.q5))) / 1.6448536269514722
    z = math.sqrt(0.5) * (theta[:, layout["form"].start] + theta[:, layout["purity"].start])
    purity = 1 / (1 + np.exp(-(centre + spread * z))) / (1 + 0.005 * theta[:, layout["balance"].start])
    np.testing.assert_allclose(np.exp(state.ln_yield[:, 0]), purity, rtol=1e-9)
