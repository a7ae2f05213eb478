"""What weights can and cannot tell: the level of recovery hides in the level of grade until an assay parts them.

Reference: closed form, linear-Gaussian on ln R (`closed_form`; numbers as the model states them): ratio of posterior to
prior sd. One route of 40/75/93 %, weights only: 0.94. Ten fractions split over two such routes: above 0.9
for the mean of the two, 0.31 for their difference; one feed assay of 5 %: 0.63 for the mean, three: 0.43. Class-mean
gsd 1.59, between-lot 1.6, portion sd 0.05, 0.3 of r's variance shared.

The limit is made exact by scaling every spread of the model by one small factor: ratios stay, curvature goes. Then the
density is Gaussian and the inverse of its Hessian at the mode is the posterior covariance.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import pytest
from numpy.typing import NDArray

from gradeest.belief.assembly import build_network
from gradeest.belief.machine import Machine
from gradeest.belief.network import Network
from gradeest.belief.posterior import sample_network
from gradeest.belief.program import record
from gradeest.materials.catalogue import Catalogue
from tests.statistical.bench_maker import (
    SHIPPED,
    Z95,
    BenchMaker,
    with_constants,
    with_grade,
    with_purity,
    with_recovery,
)

KIND = "fingers-mixed"
ROUTES = ("foils-peroxide", "mixed-chloride")
SMALL = 0.02  # every spread of the model, against its own size
FRACTIONS, MASS_KG, GRADE = 10, 40.0, 2500.0  # products above 10 g: no hold-up
LN_CLASS_MEAN, LN_BETWEEN, PORTION_SD, ASSAY_SD = math.log(1.59), math.log(1.6), 0.05, 0.05
TOLERANCE = 0.05


def logit(p: float) -> float:
    return math.log(p / (1 - p))


@dataclass(frozen=True)
class Ratios:
    """Posterior over prior sd of recovery r: of the first route, of the mean of two, of their difference."""

    first: float
    mean: float
    difference: float


def limit_catalogue(scale: float, ln_class_mean: float = LN_CLASS_MEAN) -> Catalogue:
    """Every spread of the shipped model times `scale`; what the reference leaves out is made negligible."""
    alpha = 1 / (PORTION_SD * scale) ** 2  # Dirichlet parameter of half a fraction
    catalogue = with_grade(
        SHIPPED,
        KIND,
        q50=GRADE,
        p_absent=1e-9,
        gsd_between=math.exp(scale * LN_BETWEEN),
        gsd_class_mean=math.exp(scale * ln_class_mean),
        max_g_per_t=1e9,
    )
    piece_g = 1000 * (MASS_KG / 2) / alpha
    kind = replace(catalogue.kinds[KIND], piece_mass_g=piece_g, piece_cv=1.0)
    catalogue = replace(catalogue, kinds={**catalogue.kinds, KIND: kind})
    catalogue = with_constants(catalogue, recovery__failed_share=0.0, grade__ln_tau_sd=1e-4, balance__scale_sd=1e-7)
    low = 1 / (1 + math.exp(-(logit(0.75) - scale * (logit(0.75) - logit(0.40)))))
    catalogue = with_recovery(catalogue, ROUTES, low, 0.75, 0.93)
    return with_purity(catalogue, "gold-powder", 0.9849999, 0.985, 0.9850001)


def split_bench(scale: float, routes: int, assays: int) -> BenchMaker:
    """Ten fractions of ten lots, each processed whole by one route or in halves by two; some assayed."""
    maker = BenchMaker()
    rng = np.random.default_rng(5)
    for n in range(FRACTIONS):
        address = maker.fraction(f"lot{n}", KIND, MASS_KG)
        for route in ROUTES[:routes]:
            expected = MASS_KG / routes * GRADE / 1000 * 0.75 / 0.985
            grams = expected * math.exp(scale * 0.2 * rng.normal())
            maker.weigh({address: MASS_KG / routes}, route, grams, step=1e-7)
        if n < assays:
            maker.assay(address, GRADE, ASSAY_SD * scale)
    return maker


def recovery_rows(network: Network) -> NDArray[np.float64]:
    """Rows that take theta to r of every route, in prior sds."""
    x, layout, routes = network.arrays, network.layout, network.axes["rm"]
    rows = np.zeros((len(routes), network.size))
    for n in range(len(routes)):
        rows[n, layout["r"].start + n] = float(x["sqrt_1shared"])
        rows[n, layout["r_metal"].start] = float(x["sqrt_shared"])
    return rows


def ratios(rows: NDArray[np.float64], covariance: NDArray[np.float64]) -> Ratios:
    def ratio(row: NDArray[np.float64]) -> float:
        return math.sqrt(row @ covariance @ row / (row @ row))  # a priori theta is standard normal

    first, last = rows[0], rows[-1]
    difference = ratio(first - last) if len(rows) > 1 else math.nan
    return Ratios(ratio(first), ratio((first + last) / 2), difference)


def find_mode(network: Network) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Mode and posterior covariance by Newton's method; a Hessian from differences of the gradient."""
    gradient = Machine(record(network))
    theta = np.zeros(network.size)
    for _ in range(20):
        h = 1e-4
        steps = theta[:, None] + h * np.concatenate([np.eye(network.size), -np.eye(network.size)], axis=1)
        slopes = gradient(steps)[1]
        hessian = (slopes[:, : network.size] - slopes[:, network.size :]) / (2 * h)
        hessian = (hessian + hessian.T) / 2
        move = np.linalg.solve(hessian, gradient(theta[:, None])[1][:, 0])
        theta = theta - move * min(1.0, 2.0 / np.abs(move).max())
        if np.abs(move).max() < 1e-7:
            break
    assert np.abs(move).max() < 1e-5
    return theta, np.linalg.inv(-hessian)


def through_density(routes: int, assays: int, ln_class_mean: float = LN_CLASS_MEAN) -> Ratios:
    network = build_network(split_bench(SMALL, routes, assays).bench, limit_catalogue(SMALL, ln_class_mean))
    return ratios(recovery_rows(network), find_mode(network)[1])


def closed_form(routes: int, assays: int) -> Ratios:
    """The reference: posterior covariance of the linear model in ln grade and ln R, written without the project."""
    slope = 1 - 0.75  # d ln R / d logit R
    spread = (logit(0.75) - logit(0.40)) / Z95 * slope
    sd_r, sd_e = math.sqrt(0.6) * spread, math.sqrt(0.4) * spread
    # unknowns: r_1 .. r_routes (unit: prior sd), class mean, grade of every fraction
    precision = np.zeros((routes + 1 + FRACTIONS,) * 2)
    precision[:routes, :routes] = np.linalg.inv(0.7 * np.eye(routes) + 0.3)
    precision[routes, routes] = 1 / LN_CLASS_MEAN**2
    for n in range(FRACTIONS):
        row = np.zeros(len(precision))
        row[routes + 1 + n], row[routes] = 1, -1
        precision += np.outer(row, row) / LN_BETWEEN**2
        sd_portion = PORTION_SD if routes > 1 else 0.0
        for route in range(routes):
            row = np.zeros(len(precision))
            row[routes + 1 + n], row[route] = 1, sd_r
            precision += np.outer(row, row) / (sd_e**2 + sd_portion**2)
        if n < assays:
            precision[routes + 1 + n, routes + 1 + n] += 1 / ASSAY_SD**2
    covariance = np.linalg.inv(precision)[:routes, :routes]
    mean = covariance.mean() / (0.3 + 0.7 / routes)
    difference = (covariance[0, 0] + covariance[-1, -1] - 2 * covariance[0, -1]) / 1.4
    return Ratios(math.sqrt(covariance[0, 0]), math.sqrt(mean), math.sqrt(difference) if routes > 1 else math.nan)


def test_closed_form_gives_the_stated_numbers() -> None:
    assert closed_form(1, 0).first == pytest.approx(0.94, abs=0.01)
    assert closed_form(2, 0).mean > 0.9
    assert closed_form(2, 0).difference == pytest.approx(0.31, abs=0.01)
    assert closed_form(2, 1).mean == pytest.approx(0.63, abs=0.01)
    assert closed_form(2, 3).mean == pytest.approx(0.43, abs=0.01)


def test_weights_by_one_route_hardly_tell_its_recovery() -> None:
    assert through_density(1, 0).first == pytest.approx(0.94, abs=TOLERANCE)


def test_two_routes_on_one_kind_tell_their_difference_and_not_their_mean() -> None:
    found = through_density(2, 0)
    assert found.mean > 0.9
    assert found.difference == pytest.approx(0.31, abs=TOLERANCE)


@pytest.mark.parametrize(("assays", "stated"), [(1, 0.63), (3, 0.43)])
def test_feed_assays_tell_the_mean(assays: int, stated: float) -> None:
    assert through_density(2, assays).mean == pytest.approx(stated, abs=TOLERANCE)


def test_with_the_class_mean_taken_as_known_weights_would_seem_to_tell_recovery() -> None:
    """The twin: a model that believes its prior mean finds a recovery that nobody measured."""
    assert through_density(1, 0, ln_class_mean=0.01).first < 0.94 - 2 * TOLERANCE
    assert through_density(2, 0, ln_class_mean=0.01).mean < 0.9 - TOLERANCE


def test_the_sampler_finds_the_same() -> None:
    """The engine that people use, with three assays: sd ratios within Monte Carlo error of the Hessian's."""
    network = build_network(split_bench(SMALL, 2, 3).bench, limit_catalogue(SMALL))
    theta, diagnostics, _ = sample_network(network, np.random.default_rng(8))
    assert diagnostics.settled
    mode, covariance = find_mode(network)
    rows = recovery_rows(network)
    exact, found = ratios(rows, covariance), ratios(rows, np.cov(theta.T))
    error = 4 / math.sqrt(2 * diagnostics.ess_min)  # of a sd, relative
    assert error < 0.15
    assert found.mean == pytest.approx(exact.mean, rel=error)
    assert found.difference == pytest.approx(exact.difference, rel=error)
    shift = rows @ (theta.mean(axis=0) - mode) / np.sqrt(np.diag(rows @ covariance @ rows.T))
    assert np.abs(shift).max() < 4 / math.sqrt(diagnostics.ess_min) + 0.02
