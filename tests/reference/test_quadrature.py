"""The tests' own quadrature reproduces published examples before it is used as the truth for anything."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import minimize

from tests.reference.quadrature import (
    LN_2PI,
    Gaussian,
    Points,
    grouped,
    legendre,
    ln_censored_sample,
    ln_normal,
    mixture_moments,
)

Values = NDArray[np.float64]

# Rubin 1981, J. Educational Statistics 6: eight schools, as in posteriordb (eight_schools-eight_schools_centered).
SCHOOLS = np.array([28.0, 8, -3, 7, -1, 1, 18, 12])
SCHOOL_SD = np.array([15.0, 10, 16, 11, 9, 11, 10, 18])
SCHOOL_MEANS = [6.21188, 4.94018, 3.92700, 4.75710, 3.61548, 4.04261, 6.29672, 4.85425]
SCHOOL_SDS = [5.59313, 4.67427, 5.26262, 4.78030, 4.65745, 4.82687, 5.07785, 5.29080]
POSTERIORDB = [6.1505, 4.9396, 3.9059, 4.7960, 3.6144, 4.0511, 6.3172, 4.8840]  # 10,000 draws of its reference


def eight_schools(nodes: int = 400, prior_sd: float = 5.0) -> tuple[Points, Values, Values]:
    """tau as points, means and sds of the eight effects and mu: mu ~ N(0, 5), tau ~ half-Cauchy(5)."""
    share, weight = legendre(0.0, 1.0, nodes)
    tau = 5 * np.tan(0.5 * math.pi * share)  # share is the half-Cauchy's distribution function
    means, variances, ln_marginal = [], [], []
    for each in tau:
        design = np.eye(8, 9)
        after, ln_y = grouped(8, 0.0, prior_sd, each).given(design, SCHOOLS, np.diag(SCHOOL_SD**2))
        means.append(after.mean)
        variances.append(np.diag(after.covariance))
        ln_marginal.append(ln_y)
    of_tau = Points(tau, np.array(ln_marginal) + np.log(weight))
    return of_tau, *mixture_moments(of_tau.weight, np.array(means), np.array(variances))


def test_eight_schools_exactly() -> None:
    """Rubin 1981: exact values by one-dimensional quadrature; posteriordb's draws within 4 of their errors."""
    tau, means, sds = eight_schools()
    np.testing.assert_allclose(means[:8], SCHOOL_MEANS, atol=2e-5)
    np.testing.assert_allclose(sds[:8], SCHOOL_SDS, atol=2e-5)
    assert (means[8], sds[8]) == pytest.approx((4.39682, 3.31770), abs=2e-5)
    assert (tau.mean(), tau.sd()) == pytest.approx((3.59771, 3.21996), abs=2e-4)
    quantiles = [tau.quantile(p) for p in (0.05, 0.5, 0.95)]
    assert quantiles == pytest.approx([0.24637, 2.74862, 9.84170], rel=1e-3)
    assert np.abs(means[:8] - POSTERIORDB).max() < 4 * 5.6 / math.sqrt(10_000) * 1.2
    assert tau.mean() == pytest.approx(3.6021, abs=4 * 0.032)


def test_eight_schools_with_a_wider_prior_is_told_apart() -> None:
    """Twin: mu ~ N(0, 10) instead of N(0, 5)."""
    _, means, _ = eight_schools(prior_sd=10.0)
    assert np.abs(means[:8] - SCHOOL_MEANS).max() > 0.5


# Davies & Goldsmith 1972, Statistical Methods in Research and Production: yields of six batches of dyestuff.
DYESTUFF = np.array(
    [
        [1545, 1440, 1440, 1520, 1580], [1540, 1555, 1490, 1560, 1495], [1595, 1550, 1605, 1510, 1560],
        [1445, 1440, 1595, 1465, 1545], [1595, 1630, 1515, 1635, 1625], [1520, 1455, 1450, 1480, 1445],
    ],
    dtype=float,
)  # fmt: skip
FLAT_SD = 1e5


def dyestuff(between_var: float, within_var: float, mean_sd: float) -> tuple[Gaussian, float]:
    """Batch means and common mean given the variances, and ln density of the yields (flat mean: restricted)."""
    design = np.kron(np.eye(6, 7), np.ones((5, 1)))
    prior = grouped(6, 1527.5, mean_sd, math.sqrt(between_var))
    after, ln_y = prior.given(design, DYESTUFF.ravel(), within_var * np.eye(30))
    if mean_sd > 0:
        ln_y += math.log(mean_sd) + 0.5 * LN_2PI  # the density of a flat mean is one, not that of N(., FLAT_SD)
    return after, ln_y


def best_variances(mean_sd: float) -> tuple[Values, float]:
    """Variances of largest (restricted) likelihood, and that likelihood."""
    found = minimize(
        lambda ln_v: -dyestuff(math.exp(ln_v[0]), math.exp(ln_v[1]), mean_sd)[1], [7.0, 8.0],
        method="Nelder-Mead", options={"xatol": 1e-7, "fatol": 1e-10, "maxiter": 2000},
    )  # fmt: skip
    return np.exp(found.x), -float(found.fun)


def test_dyestuff_restricted_likelihood() -> None:
    """lme4 1.1-31, statsmodels: REML variances 1764.050 and 2451.250, criterion 319.65428, BLUPs, error of the mean."""
    variances, best = best_variances(FLAT_SD)
    np.testing.assert_allclose(variances, [1764.050, 2451.250], rtol=1e-4)
    assert -2 * best == pytest.approx(319.65428, abs=1e-4)
    after, _ = dyestuff(*variances, FLAT_SD)
    blups = [-17.6069, 0.3913, 28.5622, -23.0845, 56.7332, -44.9953]
    np.testing.assert_allclose(after.mean[:6] - after.mean[6], blups, atol=0.01)
    assert math.sqrt(after.covariance[6, 6]) == pytest.approx(19.38341, rel=1e-3)


def test_dyestuff_likelihood() -> None:
    """lme4 1.1-31: ML variances 1388.333 and 2451.250, log likelihood -163.66353; not those of REML."""
    variances, best = best_variances(0.0)
    np.testing.assert_allclose(variances, [1388.333, 2451.250], rtol=1e-4)
    assert best == pytest.approx(-163.66353, abs=1e-4)
    assert abs(variances[0] / 1764.050 - 1) > 0.1


# US EPA 2009, Unified Guidance, example 15.1: manganese in groundwater, ppb; negative: below that value.
MANGANESE = [
    -5, 12.1, 16.9, 21.6, -2, -5, 7.7, 53.6, 9.5, 45.9, -5, 5.3, 12.6,
    106.3, 34.5, 6.3, 11.9, 10, -2, 77.2, 17.9, 22.7, 3.3, 8.4, -2,
]  # fmt: skip


def manganese(half: bool = False) -> tuple[Points, Points, float]:
    """mu and sigma as points (mu ~ N(0, 10), sigma ~ half-N(0, 2)) and their largest ln likelihood on the grid."""
    censored = np.array(MANGANESE) < 0
    values = np.log(np.abs(MANGANESE))
    if half:
        values, censored = np.where(censored, values - math.log(2), values), np.zeros(25, dtype=bool)
    mu, sigma = np.linspace(-1.0, 5.0, 601), np.linspace(0.5, 5.0, 601)
    a, b = np.meshgrid(mu, sigma, indexing="ij")
    ln_likelihood = ln_censored_sample(values, censored, a, b)
    ln_density = ln_likelihood + ln_normal(a, 0.0, 10.0) + ln_normal(b, 0.0, 2.0)
    of_mu, of_sigma = (np.logaddexp.reduce(ln_density, axis=axis) for axis in (1, 0))
    return Points(mu, of_mu), Points(sigma, of_sigma), float(ln_likelihood.max())


def test_censored_lognormal_manganese() -> None:
    """EnvStats and survreg: estimates of largest likelihood. Bayesian values: a grid, which emcee 3 agreed with."""
    censored, values = np.array(MANGANESE) < 0, np.log(np.abs(MANGANESE))
    found = minimize(
        lambda at: -ln_censored_sample(values, censored, np.array(at[0]), np.array(at[1])), [2.0, 1.0],
        method="Nelder-Mead", options={"xatol": 1e-8, "fatol": 1e-10},
    )  # fmt: skip
    assert tuple(found.x) == pytest.approx((2.215905, 1.356291), abs=1e-4)
    mu, sigma, best = manganese()
    assert (mu.mean(), mu.sd()) == pytest.approx((2.18724, 0.31644), abs=2e-4)
    assert (sigma.mean(), sigma.sd()) == pytest.approx((1.48574, 0.27812), abs=2e-4)
    assert best == pytest.approx(-91.925574 + np.log(np.abs(MANGANESE))[np.array(MANGANESE) > 0].sum(), abs=5e-4)


def test_half_the_limit_instead_of_censoring_is_told_apart() -> None:
    """Twin: values below the limit entered as half of it."""
    mu, sigma, _ = manganese(half=True)
    assert abs(mu.mean() - 2.18724) > 0.03
    assert abs(sigma.mean() - 1.48574) > 0.1
