"""Posteriors by grids and Gaussian algebra: a second, slow way to the same numbers, written for the tests alone.

It shares no line with the program. `test_quadrature.py` first makes it reproduce published examples; only then is it
used as the truth for the posterior of fractions with assays, with the prior of a grade written out by hand:

    present  x ~ N(mu0 + sd_mu N(0,1), tau),  ln tau ~ N(ln tau0, s) cut at +-c s     x = logit(grade / L)
    trace    x ~ N(logit(t / L), trace sd)
    trace with chance pi,  logit pi ~ N(logit p_absent, sd)
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr, logsumexp

Values = NDArray[np.float64]
LN_2PI = math.log(2 * math.pi)


def ln_normal(x: Values | float, mean: Values | float, sd: Values | float) -> Values:
    """ln of the normal density."""
    return np.asarray(-0.5 * ((x - mean) / sd) ** 2 - np.log(sd) - 0.5 * LN_2PI)


def legendre(low: float, high: float, count: int) -> tuple[Values, Values]:
    """Nodes and weights of Gauss-Legendre quadrature on an interval."""
    nodes, weights = np.polynomial.legendre.leggauss(count)
    half = 0.5 * (high - low)
    return low + half * (nodes + 1), half * weights


def hermite(count: int) -> tuple[Values, Values]:
    """Nodes and weights of the mean over a standard normal."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(count)
    return nodes, weights / weights.sum()


@dataclass(frozen=True)
class Gaussian:
    """A multivariate normal."""

    mean: Values
    covariance: Values

    def given(self, design: Values, y: Values, noise: Values) -> tuple[Gaussian, float]:
        """Posterior after y = design @ x + N(0, noise covariance), and ln of the marginal density of y."""
        gap = y - design @ self.mean
        cross = self.covariance @ design.T
        total = design @ cross + noise
        gain = np.linalg.solve(total, cross.T).T
        _, ln_det = np.linalg.slogdet(total)
        ln_marginal = -0.5 * (gap @ np.linalg.solve(total, gap) + ln_det + len(y) * LN_2PI)
        return Gaussian(self.mean + gain @ gap, self.covariance - gain @ cross.T), float(ln_marginal)


@dataclass(frozen=True)
class Points:
    """A distribution on weighted points."""

    x: Values
    ln_weight: Values  # of any norm

    @property
    def weight(self) -> Values:
        """Weights that sum to one."""
        return np.asarray(np.exp(self.ln_weight - logsumexp(self.ln_weight)))

    def mean(self, f: Values | None = None) -> float:
        """Mean of the points, or of a function given at the points."""
        return float(self.weight @ (self.x if f is None else f))

    def sd(self) -> float:
        """Standard deviation."""
        return math.sqrt(self.weight @ (self.x - self.mean()) ** 2)

    def below(self, point: float) -> float:
        """Chance of a value up to `point`, linear between the points (which must be sorted and dense)."""
        return float(np.interp(point, self.x, np.cumsum(self.weight) - 0.5 * self.weight))

    def quantile(self, p: float) -> float:
        """The point below which a share p lies."""
        return float(np.interp(p, np.cumsum(self.weight) - 0.5 * self.weight, self.x))


def mixture_moments(weight: Values, means: Values, variances: Values) -> tuple[Values, Values]:
    """Mean and sd of a mixture whose parts stand along the first axis."""
    mean = weight @ means
    return mean, np.sqrt(weight @ (variances + (means - mean) ** 2))


# -- group means with a common mean: eight schools, dyestuff ---------------------------------------------------------


def grouped(count: int, mean: float, mean_sd: float, between_sd: float) -> Gaussian:
    """Prior of `count` group means and, last, their common mean."""
    covariance = np.full((count + 1, count + 1), mean_sd**2)
    covariance[np.diag_indices(count)] += between_sd**2
    return Gaussian(np.full(count + 1, mean), covariance)


# -- left-censored normal sample ---------------------------------------------------------------------------------------


def ln_censored_sample(values: Values, censored: NDArray[np.bool_], mean: Values, sd: Values) -> Values:
    """ln likelihood of a normal sample of which some are only known to lie below their value."""
    mean, sd = mean[..., None], sd[..., None]
    return np.where(censored, log_ndtr((values - mean) / sd), ln_normal(values, mean, sd)).sum(axis=-1)


# -- the prior of a grade ----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class GradePrior:
    """The row of a kind and metal and the constants beside it; grades in g/t."""

    q50: float
    limit: float
    gsd_between: float
    gsd_class_mean: float
    p_absent: float
    trace: float
    trace_sd: float = 0.8
    ln_tau_sd: float = 0.3
    cut: float = 2.0
    logit_absent_sd: float = 0.7
    richness: float = 0.25  # share of tau^2 that fractions of a kind in one lot have in common
    shared_kind: float = 0.3  # share of the mean's variance that the kinds of a class have in common

    @property
    def stretch(self) -> float:
        """d logit(g/L) / d ln g at the median."""
        return 1 / (1 - self.q50 / self.limit)

    @property
    def mu0(self) -> float:
        """Centre of x."""
        return math.log(self.q50 / (self.limit - self.q50))

    @property
    def mean_sd(self) -> float:
        """sd of the kind's mean."""
        return math.log(self.gsd_class_mean) * self.stretch

    @property
    def trace_centre(self) -> float:
        """Centre of x where there are only traces."""
        return math.log(self.trace / (self.limit - self.trace))

    def tau_nodes(self, count: int = 24) -> tuple[Values, Values]:
        """Values of tau and their weights: ln tau is normal, cut."""
        z, weight = legendre(-self.cut, self.cut, count)
        weight = weight * np.exp(-0.5 * z**2)
        return math.log(self.gsd_between) * self.stretch * np.exp(self.ln_tau_sd * z), weight / weight.sum()

    def absent_chance(self, power: int = 1) -> tuple[float, float]:
        """Means of pi^power and (1 - pi)^power, pi integrated."""
        z, weight = hermite(60)
        pi = 1 / (1 + np.exp(-(math.log(self.p_absent / (1 - self.p_absent)) + self.logit_absent_sd * z)))
        return float(weight @ pi**power), float(weight @ (1 - pi) ** power)

    def grid(self, count: int = 6001) -> Values:
        """Points of x that cover both sides."""
        widest = math.hypot(self.mean_sd, self.tau_nodes()[0].max())
        low = min(self.mu0 - 8 * widest, self.trace_centre - 8 * self.trace_sd)
        return np.linspace(low, self.mu0 + 8 * widest, count)

    def ln_grade(self, x: Values) -> Values:
        """ln of the grade, g/t."""
        return math.log(self.limit) - np.logaddexp(0.0, -x)

    def ln_present(self, x: Values) -> Values:
        """ln density of x given present, mean and tau integrated."""
        tau, weight = self.tau_nodes()
        return logsumexp(ln_normal(x, self.mu0, np.hypot(self.mean_sd, tau)[:, None]) + np.log(weight)[:, None], axis=0)

    def ln_trace(self, x: Values) -> Values:
        """ln density of x given traces only."""
        return ln_normal(x, self.trace_centre, self.trace_sd)


@dataclass(frozen=True)
class Measured:
    """An assay in g/t with its relative sd on the ln scale; `censored`: the value is a detection limit."""

    value: float
    u: float
    censored: bool = False

    def ln_likelihood(self, ln_grade: Values) -> Values:
        """ln likelihood of the assay."""
        gap = (math.log(self.value) - ln_grade) / self.u
        return np.asarray(log_ndtr(gap)) if self.censored else ln_normal(gap, 0.0, 1.0) - math.log(self.u)


@dataclass(frozen=True)
class Answer:
    """Chance of traces only, and the distribution of ln grade."""

    p_trace: float
    ln_grade: Points


def single_fraction(prior: GradePrior, assays: Sequence[Measured], absent: float | None = None) -> Answer:
    """Posterior of one fraction with assays. `absent` replaces the row's own mean chance of absence."""
    if absent is None:
        absent = prior.absent_chance()[0]
    x = prior.grid()
    ln_likelihood = np.sum([a.ln_likelihood(prior.ln_grade(x)) for a in assays], axis=0)
    sides = np.stack([math.log1p(-absent) + prior.ln_present(x), math.log(absent) + prior.ln_trace(x)]) + ln_likelihood
    p_trace = math.exp(logsumexp(sides[1]) - logsumexp(sides))
    return Answer(p_trace, Points(prior.ln_grade(x), logsumexp(sides, axis=0)))


def same_lot(prior: GradePrior, assays: Sequence[Sequence[Measured]], counted: int = 1) -> float:
    """Chance of traces only of a kind of which several fractions of one lot were assayed.

    They share the switch, the kind's mean and the lot's richness. `counted` is how often the chance of absence enters:
    once; more often is the mistake of summing the switch fraction by fraction.
    """
    ln_trace, ln_present = (math.log(chance) for chance in prior.absent_chance(counted))
    x = prior.grid()
    step = math.log(x[1] - x[0])
    of_each = [np.sum([a.ln_likelihood(prior.ln_grade(x)) for a in each], axis=0) for each in assays]
    ln_trace += sum(logsumexp(prior.ln_trace(x) + each) + step for each in of_each)
    z, weight = hermite(40)
    parts = []
    for tau, chance in zip(*prior.tau_nodes(), strict=True):
        common = prior.mu0 + math.hypot(prior.mean_sd, math.sqrt(prior.richness) * tau) * z
        own = ln_normal(x, common[:, None], math.sqrt(1 - prior.richness) * tau)
        inner = sum(logsumexp(own + each, axis=1) + step for each in of_each)
        parts.append(math.log(chance) + logsumexp(inner, b=weight))
    ln_present += float(logsumexp(parts))
    return float(np.exp(ln_trace - np.logaddexp(ln_trace, ln_present)))


def two_metals(
    first: GradePrior, second: GradePrior, correlation: float, assays: Sequence[Measured], others: Sequence[Measured]
) -> tuple[Points, Points]:
    """Distributions of ln grade of two correlated metals of one fraction, both present.

    Correlated are the parts of mean and spread that the metals' kind and fraction have for themselves.
    """
    xs = [_around(prior, measured[0]) for prior, measured in ((first, assays), (second, others))]
    a, b = np.meshgrid(*xs, indexing="ij")
    ln_density = np.full(a.shape, -np.inf)
    for tau_a, weight_a in zip(*first.tau_nodes(8), strict=True):
        for tau_b, weight_b in zip(*second.tau_nodes(8), strict=True):
            sd_a, sd_b = math.hypot(first.mean_sd, tau_a), math.hypot(second.mean_sd, tau_b)
            shared = (1 - first.shared_kind) * first.mean_sd * second.mean_sd + (1 - first.richness) * tau_a * tau_b
            c = correlation * shared / (sd_a * sd_b)
            z_a, z_b = (a - first.mu0) / sd_a, (b - second.mu0) / sd_b
            quadratic = (z_a**2 - 2 * c * z_a * z_b + z_b**2) / (1 - c * c)
            ln_part = -0.5 * quadratic - math.log(sd_a * sd_b * math.sqrt(1 - c * c))
            ln_density = np.logaddexp(ln_density, ln_part + math.log(weight_a * weight_b))
    ln_density += sum(m.ln_likelihood(first.ln_grade(a)) for m in assays)
    ln_density += sum(m.ln_likelihood(second.ln_grade(b)) for m in others)
    return (
        Points(first.ln_grade(xs[0]), logsumexp(ln_density, axis=1)),
        Points(second.ln_grade(xs[1]), logsumexp(ln_density, axis=0)),
    )


def _around(prior: GradePrior, assay: Measured, count: int = 481) -> Values:
    """Points of x that cover what an assay leaves possible."""
    share = assay.value / prior.limit
    centre = math.log(share / (1 - share))
    return np.linspace(centre - 6 * assay.u, centre + 6 * assay.u / (1 - share), count)


# -- a fraction weighed once -------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Weighing:
    """One closed batch of a whole fraction, one product: kg, reading and step in g, rows of recovery and purity."""

    mass_kg: float
    reading: float
    step: float
    recovery: tuple[float, float]  # q5, q50 of the route
    purity: tuple[float, float]  # q5, q50 of the form
    holdup_factor: float = 1.0
    failed_share: float = 0.03
    a: float = 0.107
    full_from: float = 10.0


def _logit_row(row: tuple[float, float]) -> tuple[float, float]:
    """Centre and sd of the logit-normal of a row, by its lower side."""
    low, centre = (math.log(q / (1 - q)) for q in row)
    return centre, (centre - low) / 1.6448536269514722


def weighed_fraction(prior: GradePrior, weighing: Weighing) -> Answer:
    """Posterior of a fraction after one weight, read backwards by nodes of everything between metal and reading.

    Nodes of the true weight W, purity, hold-up a and the logit u of the recovery give P, M and A = M / R; the prior of
    the x that follows, times dx / d ln A, d ln M / d ln P and d ln W / dW, is what each node weighs. u is r + e: normal
    with all of the row's variance, or, after a failed run, with the learned 60 % of it around -4 (3).
    """
    z, of_z = hermite(11)
    centre, sd = _logit_row(weighing.purity)
    weight = weighing.reading + weighing.step * math.sqrt(1 + 1 / 12) * z  # rounding and handling together
    purity = 1 / (1 + np.exp(-(centre + sd * z)))
    a = weighing.a * weighing.holdup_factor * np.exp(math.hypot(math.log(1.8), 0.3) * z)
    centre, sd = _logit_row(weighing.recovery)
    u = np.linspace(centre - 18, centre + 8 * sd, 1201)
    failed = ln_normal(u, centre - 4, math.hypot(3, math.sqrt(0.6) * sd)) + math.log(weighing.failed_share)
    ln_u = np.logaddexp(ln_normal(u, centre, sd) + math.log1p(-weighing.failed_share), failed)
    w, f, a = (each[..., None] for each in np.meshgrid(weight[weight > 0], purity, a, indexing="ij"))
    ln_weight = sum(np.log(np.meshgrid(of_z[weight > 0], of_z, of_z, indexing="ij")))[..., None]
    product = w * f
    m = _before_holdup(product, a, weighing.full_from)  # all of shape (W, purity, a, u), u last
    below = product < weighing.full_from
    slope = np.where(below, 1 + 2 / 3 * a * m ** (-2 / 3) / (1 + a * m ** (-2 / 3)), 1.0)  # d ln P / d ln M
    grade = 1000 * m * (1 + np.exp(-u)) / weighing.mass_kg
    possible = grade < prior.limit * (1 - 1e-9)
    share = np.where(possible, grade / prior.limit, 0.5)
    x = np.log(share / (1 - share))
    common = ln_weight + ln_u - np.log(slope) - np.log1p(-share) - np.log(w)  # the likelihood is flat in dW
    common = np.where(possible, common, -np.inf)
    absent = prior.absent_chance()[0]
    grid = prior.grid(4001)
    present = np.interp(x, grid, prior.ln_present(grid), left=-1e3, right=-1e3) + math.log1p(-absent) + common
    trace = prior.ln_trace(x) + math.log(absent) + common
    order = np.argsort(x, axis=None)
    both = Points(prior.ln_grade(x.ravel()[order]), np.logaddexp(present, trace).ravel()[order])
    p_trace = math.exp(logsumexp(trace) - np.logaddexp(logsumexp(trace), logsumexp(present)))
    return Answer(float(p_trace), both)


def _before_holdup(p: Values, a: Values, full_from: float) -> Values:
    """M of P = M (1 + a M0^(-2/3)) / (1 + a M^(-2/3)) below M0, by bisection of ln M."""
    low, high = np.log(p), np.log(p) + 30.0
    for _ in range(70):
        middle = 0.5 * (low + high)
        m = np.exp(middle)
        small = m * (1 + a * full_from ** (-2 / 3)) / (1 + a * m ** (-2 / 3)) < p
        low, high = np.where(small, middle, low), np.where(small, high, middle)
    return np.where(p < full_from, np.exp(0.5 * (low + high)), p)
