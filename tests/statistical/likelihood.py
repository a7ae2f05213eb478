"""The likelihood of one weight as a function of ln A, the metal in work: through the model's density, and by counting.

`through_density` integrates the density over every other unknown (plain Monte Carlo over their priors, the same draws
for every A); `by_counting` draws the bench forward and counts how often the display shows just this reading.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gradeest.belief.assembly import build_network
from gradeest.belief.density import LN_1000, State, evaluate
from gradeest.belief.network import Network, failed
from gradeest.belief.ops import NUMPY
from gradeest.materials.catalogue import Catalogue
from tests.statistical.bench_maker import SHIPPED, BenchMaker, with_constants, with_grade

Values = NDArray[np.float64]
KIND, ROUTE = "fingers-memory", "foils-peroxide"  # recovery 80/93/98 %, washed powder
READING_WIDER = 2.5  # than a standard normal: the weight of two digits has a long lower tail


@dataclass(frozen=True)
class Curve:
    """Likelihood at each ln A, up to a constant, with its standard error."""

    ln_a: Values
    value: Values
    error: Values


def flat_catalogue(catalogue: Catalogue = SHIPPED) -> Catalogue:
    """A prior so wide that it is flat, never a trace: what is left of the density is the likelihood."""
    catalogue = with_grade(
        catalogue, KIND, q50=100.0, p_absent=1e-9, gsd_between=math.exp(300.0), gsd_class_mean=1.0001
    )
    return with_constants(catalogue, grade__richness_share=1e-9, grade__ln_tau_sd=1e-6)


def one_weight(grams: float, step: float, catalogue: Catalogue, mass_kg: float = 100.0) -> Network:
    """One fraction, one closed batch, one dried powder on the balance."""
    maker = BenchMaker()
    maker.weigh({maker.fraction("lot", KIND, mass_kg): mass_kg}, ROUTE, grams, step=step)
    return build_network(maker.bench, catalogue)


def through_density(network: Network, ln_a: Values, rng: np.random.Generator, draws: int) -> Curve:
    """Integrate the network's density over all unknowns but the metal in work, g."""
    theta = rng.normal(size=(draws, network.size))
    layout = network.layout
    theta[:, layout["ln_tau"]] = 0.0
    for part in ("v", "beside", "split", "gone"):
        assert layout[part].start == layout[part].stop, "one fraction, wholly processed, one product"
    reading = theta[:, layout["reading"]] * READING_WIDER
    theta[:, layout["reading"]] = reading
    ln_proposal = -0.5 * np.sum((reading / READING_WIDER) ** 2, axis=1)
    backwards = network.evidence.batch_metals[0].role == "W"
    if backwards:
        start = evaluate(theta, network, network.arrays, NUMPY)
        values = np.array([_read_backwards(network, start, theta, ln_proposal, a) for a in ln_a])
    else:
        values = np.array([_forward(network, theta, ln_proposal, a) for a in ln_a])
    return Curve(ln_a, values.mean(axis=1), values.std(axis=1) / math.sqrt(draws))


def _ln_prior(theta: Values, network: Network, *leave_out: str) -> Values:
    """ln of the standard normals the draws came from."""
    normals = theta[:, network.normals].copy()
    for name in leave_out:
        normals[:, network.layout[name]] = 0.0
    return -0.5 * np.sum(normals**2, axis=1)


def _read_backwards(network: Network, start: State, theta: Values, ln_proposal: Values, a: float) -> Values:
    """A fixes the recovery, hence e under "ordinary" and under "failed": both sides, with d e / d ln A."""
    x = network.arrays
    ln_share = start.ln_m[:, 0] - a
    possible = ln_share < 0
    ln_share = np.where(possible, ln_share, -1.0)
    ln_rest = np.log(-np.expm1(ln_share))
    noise = ln_share - ln_rest - start.recovery_logit[:, 0]
    total = np.zeros(len(theta))
    configurations = network.configurations
    key = failed(network.evidence.batch_metals[0])
    position = configurations.choices.index(key)
    for side, name, centre, spread in (
        (0, "e_ok", 0.0, float(x["e_sd"][0])),
        (1, "e_failed", float(x["failed_centre"]), float(x["failed_sd"])),
    ):
        rows = np.flatnonzero(configurations.values[:, position] == side)
        if not len(rows):  # failed runs switched off
            continue
        theta[:, network.layout["e_ok"]] = theta[:, network.layout["e_failed"]] = 0.0
        theta[:, network.layout[name]] = ((noise - centre) / spread)[:, None]
        state = evaluate(theta, network, x, NUMPY)
        ln_side = state.log_density + state.configurations[:, rows[0]] - NUMPY.logsumexp(state.configurations)
        ln_weight = ln_side - _ln_prior(theta, network, "e_ok", "e_failed") - ln_proposal - ln_rest - math.log(spread)
        total += np.where(possible, np.exp(ln_weight), 0.0)
    return total


def _forward(network: Network, theta: Values, ln_proposal: Values, a: float) -> Values:
    """Readings of a few digits: the grade is an unknown of its own and everything else runs forward."""
    x = network.arrays
    grade = math.exp(a + LN_1000 - float(x["free_ln_mass"][0]))
    logit = math.log(grade) - math.log(math.exp(float(x["free_ln_l"][0])) - grade)
    theta[:, network.layout["x1"]] = (logit - x["x1_ref"]) / x["x1_scale"]
    state = evaluate(theta, network, x, NUMPY)
    return np.exp(state.log_density - _ln_prior(theta, network) - ln_proposal)


@dataclass(frozen=True)
class Forward:
    """Forward draws of everything between the metal in work and the display; numbers as model.md states them."""

    recovery: Values
    holdup: Values
    display: Values  # what the balance shows per g of fine metal in the product
    handling: Values  # in digits


def draw_forward(rng: np.random.Generator, draws: int, *, failed_share: float = 0.03, handled: bool = True) -> Forward:
    """Recovery 80/93/98 % (60 % of its variance the route's), hold-up of powder, purity 95/98.5/99.7 %, balance."""

    def logit(p: float) -> float:
        return math.log(p / (1 - p))

    def normal(sd: float) -> Values:
        return sd * rng.normal(size=draws)

    spread = (logit(0.93) - logit(0.80)) / 1.6448536
    e = normal(spread * math.sqrt(0.4))
    e = np.where(rng.uniform(size=draws) < failed_share, -4 + normal(3.0), e)
    recovery = 1 / (1 + np.exp(-(logit(0.93) + normal(spread * math.sqrt(0.6)) + e)))
    holdup = 0.5 * 0.107 * np.exp(normal(math.log(1.8)) + normal(0.3))
    purity = 1 / (1 + np.exp(-(logit(0.985) + normal((logit(0.985) - logit(0.95)) / 1.6448536))))
    return Forward(recovery, holdup, (1 + normal(0.005)) / purity, normal(1.0) if handled else np.zeros(draws))


def by_counting(forward: Forward, digits: int, step: float, ln_a: Values) -> Curve:
    """Share of the draws in which the display shows `digits` steps, at each ln A of A in g."""
    slope = forward.holdup * forward.recovery ** (-2 / 3)
    scale = forward.recovery * forward.display / step * (1 + forward.holdup * 10 ** (-2 / 3))
    full = forward.recovery * forward.display / step
    shares = []
    for a in np.exp(ln_a):
        product = np.minimum(a * scale / (1 + slope * a ** (-2 / 3)), a * full)  # from 10 g on nothing is taken off
        shares.append(np.mean(np.abs(product + forward.handling - digits) <= 0.5))
    share = np.array(shares)
    count = len(scale)
    return Curve(ln_a, share, np.sqrt(np.maximum(share * (1 - share), 1 / count) / count))


def disagreement(a: Curve, b: Curve) -> Values:
    """Difference of two curves in standard errors of a and b, at every ln A where a is known, up to a constant."""
    constant = a.value.max() / b.value.max()
    for _ in range(3):  # weights depend on the constant a little
        variance = a.error**2 + (constant * b.error) ** 2
        constant = np.sum(a.value * b.value / variance) / np.sum(b.value**2 / variance)
    known = a.error < 0.2 * a.value  # elsewhere a few draws carry the sum and its error is not to be trusted
    return ((a.value - constant * b.value) / np.sqrt(variance))[known]


def count_modes(curve: Curve) -> int:
    """Local maxima that rise by more than four standard errors above the valleys beside them."""
    modes, valley, peak, rising = 0, curve.value[0], curve.value[0], True
    for value, error in zip(curve.value, curve.error, strict=True):
        slack = 4 * error + 1e-12
        if rising:
            peak = max(peak, value)
            if value < peak - slack:
                modes, rising, valley = modes + 1, False, value
        else:
            valley = min(valley, value)
            if value > valley + slack:
                rising, peak = True, value
    return modes + rising
