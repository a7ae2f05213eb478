"""Conjugate closed forms through the program's own density.

With its spreads made known the density is Gaussian: exact algebra on its gradient gives the posterior without a draw.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import log_ndtr, ndtr
from scipy.stats import truncnorm

from gradeest.belief.assembly import build_network
from gradeest.belief.density import log_density, log_rounded
from gradeest.belief.machine import Machine
from gradeest.belief.posterior import draw_prior, fit
from gradeest.belief.program import record
from gradeest.materials.catalogue import Catalogue, load_catalogue
from gradeest.records.domain import Assay, Bench, Fraction
from tests.engine_bench import assay, bench, lot, with_constants, with_row
from tests.reference.quadrature import Points

Values = NDArray[np.float64]
KIND, METAL = "fingers-mixed", "Au"
KNOWN = 1e-7  # sd of ln tau: the spread between lots is known
NO_LIMIT = 1e13  # g/t: far above every grade, so that logit(g / L) is ln g


def lognormal_row(q50: float, ln_sd: float, between: float = 0.6, **constants: float) -> Catalogue:
    """A grade LN(ln q50, ln_sd), never absent; `between` is the share of the sd that lies between lots."""
    row = with_row(
        load_catalogue(), KIND, METAL, q50=q50, max_g_per_t=NO_LIMIT, p_absent=1e-9,
        gsd_between=math.exp(between * ln_sd), gsd_class_mean=math.exp(math.sqrt(1 - between**2) * ln_sd),
    )  # fmt: skip
    return with_constants(row, grade__ln_tau_sd=KNOWN, grade__max_g_per_t=NO_LIMIT, **constants)


def one_fraction(*values: float, u: float) -> Bench:
    return bench([lot("L", Fraction("a", KIND, 1.0))], (), [assay("L/a", METAL, v, u) for v in values])


def gaussian_answer(made: Bench, catalogue: Catalogue) -> tuple[Values, Values]:
    """Means and sds of ln grade of all assayed fractions, from the gradient of the log density.

    The log density is quadratic, so its gradient is linear: g(theta) = g(0) - H theta, mean = H^-1 g(0).
    """
    network = build_network(made, catalogue)
    assert len(network.configurations.terms) == len(network.configurations.of_group)  # nothing undecided
    gradient = Machine(record(network))
    at_zero = gradient(np.zeros((network.size, 1)))[1][:, 0]
    along = gradient(np.eye(network.size))[1]
    hessian = at_zero[:, None] - along
    covariance = np.linalg.inv(0.5 * (hessian + hessian.T))
    mean = covariance @ at_zero
    x1, scale = network.layout["x1"], network.arrays["x1_scale"]
    x = network.arrays["x1_ref"] + scale * mean[x1]
    return x + math.log(NO_LIMIT), scale * np.sqrt(np.diag(covariance)[x1])


def test_normal_prior_and_three_measurements() -> None:
    """N(1, 0.5), data 1.2, 0.8, 1.5 with sd 0.4: mean 1.1373626, sd 0.2096570 (precision-weighted mean, exact)."""
    made = one_fraction(*np.exp([1.2, 0.8, 1.5]), u=0.4)
    mean, sd = gaussian_answer(made, lognormal_row(math.e, 0.5))
    assert (mean[0], sd[0]) == pytest.approx((1.1373626, 0.2096570), abs=1e-6)


@pytest.mark.parametrize("between", [0.2, 0.6, 0.98])
def test_lognormal_prior_and_two_measurements(between: float) -> None:
    """LN(ln 0.30, 0.70), data 0.42 and 0.38 g/kg with ln sd 0.25: -0.9347144 and 0.1713957, however the sd is split."""
    made = one_fraction(420, 380, u=0.25)
    mean, sd = gaussian_answer(made, lognormal_row(300, 0.70, between))
    assert mean[0] - math.log(1000) == pytest.approx(-0.9347144, abs=1e-6)
    assert sd[0] == pytest.approx(0.1713957, abs=1e-6)


def test_the_closed_form_is_missed_by_a_wider_prior() -> None:
    """Twin: a prior sd of 0.75 instead of 0.70."""
    mean, sd = gaussian_answer(one_fraction(420, 380, u=0.25), lognormal_row(300, 0.75))
    assert abs(mean[0] - math.log(1000) + 0.9347144) > 1e-3
    assert abs(sd[0] - 0.1713957) > 1e-4


def test_two_fractions_of_one_lot_share_mean_and_richness() -> None:
    """Two normals with covariance sd_mu^2 + c tau^2, c = 0.25; one measured: the other moves by its regression."""
    tau, sd_mu, u = 0.6 * 0.7, 0.8 * 0.7, 0.25
    fractions = Fraction("a", KIND, 1.0), Fraction("b", KIND, 1.0)
    seen = assay("L/a", METAL, 500, u), assay("L/b", METAL, 300, 1e4)  # the second says nothing
    mean, sd = gaussian_answer(bench([lot("L", *fractions)], (), seen), lognormal_row(300, 0.70))
    total, shared = 0.7**2, sd_mu**2 + 0.25 * tau**2
    gain = shared / (total + u**2)
    assert mean[1] - math.log(300) == pytest.approx(gain * math.log(500 / 300), abs=1e-6)
    assert sd[1] == pytest.approx(math.sqrt(total - gain * shared), abs=1e-6)
    unshared = sd_mu**2 / (total + u**2)  # twin: without the lot's richness
    assert abs(mean[1] - math.log(300) - unshared * math.log(500 / 300)) > 0.01


def test_two_lots_and_two_kinds_share_less() -> None:
    """Another lot of the kind shares the mean (sd_mu^2); another kind of the class only h = 0.3 of its variance."""
    tau, sd_mu, u = 0.6 * 0.7, 0.8 * 0.7, 0.25
    row = {
        "q50": 300, "max_g_per_t": NO_LIMIT, "p_absent": 1e-9, "gsd_between": math.exp(tau),
        "gsd_class_mean": math.exp(sd_mu),
    }  # fmt: skip
    catalogue = with_row(lognormal_row(300, 0.70), "fingers-memory", METAL, **row)
    lots = lot("L", Fraction("a", KIND, 1.0)), lot("M", Fraction("b", KIND, 1.0), Fraction("c", "fingers-memory", 1.0))
    seen = assay("L/a", METAL, 500, u), assay("M/b", METAL, 300, 1e4), assay("M/c", METAL, 300, 1e4)
    mean, _ = gaussian_answer(bench(lots, (), seen), catalogue)
    moved = math.log(500 / 300) / (0.7**2 + u**2)
    np.testing.assert_allclose(mean[1:] - math.log(300), [sd_mu**2 * moved, 0.3 * sd_mu**2 * moved], atol=1e-6)


def test_the_fast_engine_finds_the_closed_form() -> None:
    """LN(ln 0.30, 0.70), data 0.42 and 0.38: median 0.392698, mean 0.398509, 5/95 % 0.296225 / 0.520589."""
    posterior = fit(one_fraction(420, 380, u=0.25), lognormal_row(300, 0.70), seed=4)
    assert posterior.diagnostics.settled
    grade = posterior.grade_g_per_t[:, 0, posterior.metals.index(METAL)] / 1000
    error = 0.1713957 / math.sqrt(posterior.diagnostics.ess_min)  # of the mean of ln grade
    low, middle, high = np.quantile(grade, [0.05, 0.5, 0.95])
    assert np.log(grade).mean() == pytest.approx(-0.9347144, abs=4 * error)
    assert math.log(middle / 0.392698) == pytest.approx(0, abs=4 * 1.25 * error)
    assert math.log(low / 0.296225) == pytest.approx(0, abs=4 * 2.11 * error)
    assert math.log(high / 0.520589) == pytest.approx(0, abs=4 * 2.11 * error)
    assert grade.mean() == pytest.approx(0.398509, abs=4 * error * 0.398509 * 1.1)


def test_moments_of_a_lognormal_prior() -> None:
    """LN(ln 10, 0.8): mean 13.771278, coefficient of variation 0.946827, through the program's prior draws."""
    made = bench([lot("L", Fraction("a", KIND, 1.0))])
    posterior = draw_prior(made, lognormal_row(10, 0.8), np.random.default_rng(6), 400_000)
    grade = posterior.grade_g_per_t[:, 0, posterior.metals.index(METAL)]
    assert grade.mean() == pytest.approx(13.771278, abs=4 * grade.std() / math.sqrt(len(grade)))
    squares = grade**2
    assert squares.mean() == pytest.approx(170.015885 + 13.771278**2, abs=4 * squares.std() / math.sqrt(len(grade)))
    assert np.log(grade).std() == pytest.approx(0.8, abs=4 * 0.8 / math.sqrt(2 * len(grade)))


# -- a reading is an interval ------------------------------------------------------------------------------------------

WEIGHTS = np.linspace(0.0, 0.25, 1_000_001)


def weighed(handling_g: float) -> Points:
    """Weight with prior N(0.100, 0.020), read as 0.12 at a step of 0.01."""
    like = log_rounded(0.12, 0.01, handling_g, WEIGHTS)
    return Points(WEIGHTS, -0.5 * ((WEIGHTS - 0.100) / 0.020) ** 2 + like)


def test_a_rounded_reading_is_an_interval() -> None:
    """Balance resolution (GUM): posterior mean 0.1195885, sd 0.0028572 (scipy's truncated normal)."""
    found = weighed(1e-7)
    exact = truncnorm((0.115 - 0.1) / 0.02, (0.125 - 0.1) / 0.02, 0.1, 0.02)
    assert (found.mean(), found.sd()) == pytest.approx((0.1195885, 0.0028572), abs=1e-7)
    assert (found.mean(), found.sd()) == pytest.approx((exact.mean(), exact.std()), abs=1e-7)


def test_a_normal_error_of_the_same_size_is_told_apart_from_the_interval() -> None:
    """Twin: N(reading, d / sqrt 12) instead of the interval; and a handling error of one step."""
    normal = Points(WEIGHTS, -0.5 * ((WEIGHTS - 0.1) / 0.02) ** 2 - 0.5 * ((WEIGHTS - 0.12) / (0.01 / 12**0.5)) ** 2)
    assert abs(normal.mean() - 0.1195885) > 1e-6
    assert abs(weighed(0.01).mean() - 0.1195885) > 1e-3


@pytest.mark.parametrize("gap", [-60.0, -8.0, -1.0, 0.0, 0.4, 3.0, 9.0, 45.0])
def test_chance_of_a_reading_against_the_normal_distribution(gap: float) -> None:
    """Differences of the distribution function where they keep their digits, the tail's own digits beyond."""
    step, handling = 0.01, 0.013
    low, high = ((0.3 + side * step / 2 - (0.3 + gap * handling)) / handling for side in (-1, 1))
    if abs(gap) <= 3:
        expected = math.log(ndtr(high) - ndtr(low))
    else:  # in the tail the chance is Phi(near) - Phi(far)
        near, far = (high, low) if gap > 0 else (-low, -high)
        expected = float(log_ndtr(near) + np.log1p(-np.exp(log_ndtr(far) - log_ndtr(near))))
    found = float(log_rounded(np.array(0.3), np.array(step), np.array(handling), np.array(0.3 + gap * handling)))
    assert found == pytest.approx(expected, rel=1e-10, abs=1e-12)


def test_the_density_is_gaussian_where_the_closed_form_says_so() -> None:
    """What the algebra above rests on: third differences of the log density vanish, and do not with tau unknown."""
    made = one_fraction(420, 380, u=0.25)
    for catalogue, is_gaussian in ((lognormal_row(300, 0.7), True), (load_catalogue(), False)):
        network = build_network(made, catalogue)
        direction = np.random.default_rng(7).normal(size=network.size)
        direction[network.layout["ln_tau"]] = 0.5 if not is_gaussian else 0.0
        line = log_density(np.outer(np.linspace(-1.5, 1.5, 7), direction), network)
        assert (np.abs(np.diff(line, 3)).max() < 1e-5) == is_gaussian


def test_assays_are_those_of_the_bench() -> None:
    """The helper's assays reach the density: three of them, none censored."""
    network = build_network(one_fraction(1.0, 2.0, 3.0, u=0.4), lognormal_row(2.0, 0.5))
    assert isinstance(network.evidence.assays[0], Assay)
    np.testing.assert_allclose(network.arrays["as_ln_value"], np.log([1.0, 2.0, 3.0]))
