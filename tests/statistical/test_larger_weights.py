"""From a batch of one fraction a larger weight never gives a smaller grade, failed runs left out.

(With failed runs it may: a very small weight says "this run failed" and hands the belief back to the prior.)
Fine steps go through the density itself, integrated with the same draws for every weight; coarse steps through the
engine that people use.
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from numpy.typing import NDArray

from gradeest.belief.network import GradeScale
from gradeest.belief.posterior import fit
from gradeest.materials.catalogue import Catalogue
from tests.statistical.bench_maker import SHIPPED, BenchMaker, with_constants
from tests.statistical.likelihood import KIND, ROUTE, flat_catalogue, one_weight, through_density

Values = NDArray[np.float64]
MASS_KG, STEP_G = 1.0, 0.01
NO_FAILURES = with_constants(SHIPPED, recovery__failed_share=0.0)


def ln_prior(x: Values) -> Values:
    """ln density of x = logit(grade / L), present, of the kind of a lot nobody has seen."""
    scale = GradeScale.of(SHIPPED.kinds[KIND].grades["Au"])
    nodes, weights = np.polynomial.legendre.leggauss(15)
    tau = np.exp(scale.ln_tau0 + 0.3 * 2 * nodes)[:, None]
    sd = np.hypot(scale.sd_mu, tau)
    parts = (weights * np.exp(-2 * nodes**2))[:, None] * np.exp(-0.5 * ((x - scale.mu0) / sd) ** 2) / sd
    return np.log(parts.sum(axis=0))


def exact_medians(weights_g: Values, catalogue: Catalogue, highest: float = 1.4) -> Values:
    """Median grade, g/t, after each weight: likelihood through the density times the prior, on a grid of ln A."""
    flat = flat_catalogue(catalogue)
    found = []
    for grams in weights_g:
        ln_a = math.log(grams) + np.arange(-0.6, highest, 0.025)
        grade = np.exp(ln_a) * 1000 / MASS_KG
        prior = np.exp(ln_prior(np.log(grade / (1e6 - grade)))) * 1e6 / (1e6 - grade)
        curve = through_density(one_weight(grams, STEP_G, flat), ln_a, np.random.default_rng(21), 600)
        mass = curve.value * prior
        cumulated = np.cumsum(mass) - 0.5 * mass  # each point stands for the middle of its cell
        found.append(np.exp(np.interp(0.5, cumulated / mass.sum(), ln_a)) * 1000 / MASS_KG)
    return np.array(found)


def fitted_median(grams: float, catalogue: Catalogue) -> tuple[float, float]:
    """Median grade, g/t, of the engine, and its Monte Carlo error on ln scale."""
    maker = BenchMaker()
    maker.weigh({maker.fraction("lot", KIND, MASS_KG): MASS_KG}, ROUTE, grams, step=STEP_G)
    posterior = fit(maker.bench, catalogue, seed=9)
    ln_grade = np.log(posterior.grade_g_per_t[:, 0, 0])
    low, high = np.quantile(ln_grade, [0.16, 0.84])
    error = 1.25 * (high - low) / 2 / math.sqrt(posterior.diagnostics.ess_min)
    return math.exp(float(np.median(ln_grade))), error


def test_a_larger_weight_never_gives_a_smaller_grade_in_fine_steps() -> None:
    medians = exact_medians(np.round(np.geomspace(0.06, 9.0, 24), 2), NO_FAILURES)
    assert (np.diff(medians) > 0).all()


def test_a_larger_weight_never_gives_a_smaller_grade_through_the_engine() -> None:
    found = [fitted_median(grams, NO_FAILURES) for grams in (0.3, 1.0, 1.3, 4.0)]
    for (lower, error_a), (higher, error_b) in pairwise(found):
        assert math.log(higher / lower) > -3 * math.hypot(error_a, error_b)
    exact = exact_medians(np.array([0.3, 1.0, 1.3, 4.0]), NO_FAILURES)
    for (median, error), reference in zip(found, exact, strict=True):
        assert math.log(median / reference) == pytest.approx(0, abs=4 * error + 0.01)


def test_with_failed_runs_a_tiny_weight_says_little() -> None:
    """The twin: with failed runs the promise is broken, so the check can fail."""
    medians = exact_medians(np.array([0.06, 0.1, 0.2, 0.4, 0.8]), SHIPPED, highest=6.0)
    assert (np.diff(medians) < 0).any()
