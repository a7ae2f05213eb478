"""Fractions with assays: the program's posterior against one-dimensional quadrature of the same prior.

The quadrature (`quadrature.py`) shares no line with the program and reproduces published examples first
(`test_quadrature.py`). Tolerances: 0.03 on the chance of traces only, which is promised, and else four Monte Carlo
errors, taken from the spread between particles, which are independent of each other.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from gradeest.belief.assembly import build_network
from gradeest.belief.choices import Configurations
from gradeest.belief.decode import decode
from gradeest.belief.jumps import Jumps
from gradeest.belief.network import Network
from gradeest.belief.posterior import fit
from gradeest.belief.sampler import Sampler
from gradeest.materials.catalogue import load_catalogue
from gradeest.records.domain import Bench, Fraction
from tests.engine_bench import assay, assayed, bench, lot
from tests.reference.quadrature import GradePrior, Measured, Points, same_lot, single_fraction, two_metals

Values = NDArray[np.float64]
CATALOGUE = load_catalogue()
PARTICLES, MOVES = 240, 200
SWITCH = 0.03  # promised error of the chance of traces only
ERRORS = 4.0  # Monte Carlo errors that are let pass

Result = tuple[float, float, bool]  # g/t, relative sd, below detection
CASES: dict[str, tuple[str, str, tuple[Result, ...]]] = {
    "fingers, a low assay": ("fingers-mixed", "Au", ((310, 0.05, False),)),
    "fingers, between present and trace": ("fingers-mixed", "Au", ((60, 0.3, False),)),
    "fingers, below detection": ("fingers-mixed", "Au", ((120, 0.3, True),)),
    "capacitors, between": ("mlcc-unsorted", "Ag", ((100, 0.3, False),)),
    "capacitors, below detection": ("mlcc-unsorted", "Ag", ((300, 0.2, True),)),
    "capacitors, two assays": ("mlcc-unsorted", "Ag", ((110, 0.3, False), (180, 0.3, True))),
    "late chips, between": ("chips-from-2014", "Au", ((20, 0.3, False),)),
    "late chips, below detection": ("chips-from-2014", "Au", ((100, 0.3, True),)),
}


def prior_of(kind: str, metal: str) -> GradePrior:
    """The numbers of a row, and model constants as stated in the text, not as the program holds them."""
    row = CATALOGUE.kinds[kind].grades[metal]
    trace = {"Au": 5.0, "Ag": 25.0, "Pd": 5.0}[metal]
    return GradePrior(row.q50, row.max_g_per_t, row.gsd_between, row.gsd_class_mean, row.p_absent, trace)


@dataclass(frozen=True)
class Draws:
    """Draws (particle, move) of one cell by the fast engine."""

    ln_grade: Values
    trace: Values

    def of(self, values: Values) -> tuple[float, float]:
        """Mean and its Monte Carlo error."""
        means = values.mean(axis=1)
        return float(means.mean()), float(means.std(ddof=1) / math.sqrt(len(means)))


def draw(network: Network, *cells: tuple[str, str], moves: int = MOVES) -> list[Draws]:
    """Fit a network with the fast engine and read the draws of some cells."""
    seed = 1
    rng = np.random.default_rng(seed)
    sampler = Sampler(network, rng, PARTICLES)
    sampler.adapt(120)
    theta, _, network = sampler.draw(moves)
    _, found = decode(theta.reshape(-1, network.size), network, rng)
    shape = theta.shape[:2]
    out = []
    for address, metal in cells:
        kind = next(c.kind for c in network.cells if c.address == address)
        trace = found.switches[address.partition("/")[0], kind, metal].astype(float)
        out.append(Draws(found.ln_grade[address, metal].reshape(shape), trace.reshape(shape)))
    return out


@cache
def fitted(case: str) -> Draws:
    kind, metal, results = CASES[case]
    moves = 3 * MOVES if case == "fingers, between present and trace" else MOVES  # the two sides lie far apart
    return draw(build_network(assayed(kind, metal, *results), CATALOGUE), ("L/a", metal), moves=moves)[0]


def wrong(draws: Draws, p_trace: float, truth: Points) -> list[str]:
    """What of a fit lies beyond its Monte Carlo error of the truth. Fits too coarse to tell are wrong too."""
    p, error = draws.of(draws.trace)
    found = ["coarse"] if error > SWITCH / 3 else []
    if abs(p - p_trace) > SWITCH:
        found.append(f"P(trace) {p:.3f}, not {p_trace:.3f}")
    mean, error = draws.of(draws.ln_grade)
    if error > 0.1 * truth.sd():
        found.append("coarse mean")
    if abs(mean - truth.mean()) > ERRORS * error:
        found.append(f"mean {mean:.3f}, not {truth.mean():.3f}")
    square, error = draws.of((draws.ln_grade - truth.mean()) ** 2)
    if abs(square - truth.sd() ** 2) > ERRORS * error:
        found.append(f"sd {math.sqrt(square):.3f}, not {truth.sd():.3f}")
    for share in (0.05, 0.95):
        p, error = draws.of(draws.ln_grade <= truth.quantile(share))
        if abs(p - share) > ERRORS * error:
            found.append(f"{share:.0%} point: {p:.3f} lie below it")
    return found


def answer(case: str, **changes: Any) -> tuple[float, Points]:
    kind, metal, results = CASES[case]
    found = single_fraction(replace(prior_of(kind, metal), **changes), [Measured(*result) for result in results])
    return found.p_trace, found.ln_grade


@pytest.mark.parametrize("case", CASES)
def test_a_fraction_with_assays_is_believed_as_quadrature_says(case: str) -> None:
    assert wrong(fitted(case), *answer(case)) == []


@pytest.mark.parametrize(
    ("case", "changes"),
    [
        ("late chips, between", {"p_absent": 0.2}),
        ("late chips, below detection", {"gsd_class_mean": 1.9}),
        ("capacitors, below detection", {"trace_sd": 0.5}),
        ("fingers, below detection", {"cut": 4.0, "ln_tau_sd": 0.6}),
    ],
)
def test_another_prior_is_told_apart(case: str, changes: dict[str, float]) -> None:
    """Twin: quadrature of a prior that is not the program's."""
    assert wrong(fitted(case), *answer(case, **changes)) != []


@pytest.mark.parametrize("case", [case for case in CASES if case.endswith("below detection")])
def test_half_the_detection_limit_is_told_apart_from_below_it(case: str) -> None:
    """Twin: the fit is given half of the limit as a value."""
    kind, metal, ((limit, u, _),) = CASES[case]
    halved = build_network(assayed(kind, metal, (limit / 2, u, False)), CATALOGUE)
    assert wrong(draw(halved, ("L/a", metal))[0], *answer(case)) != []


@pytest.mark.parametrize("case", ["capacitors, below detection", "late chips, between"])
def test_what_a_person_is_shown_holds_the_promise_on_traces(case: str) -> None:
    """The front door: the settled fit of the default engine."""
    kind, metal, results = CASES[case]
    posterior = fit(assayed(kind, metal, *results), CATALOGUE, seed=3)
    assert posterior.diagnostics.settled
    shown = posterior.is_trace[:, 0, posterior.metals.index(metal)].mean()
    assert shown == pytest.approx(answer(case)[0], abs=SWITCH)


def test_jumps_taken_for_their_density_alone_are_told_apart(monkeypatch: pytest.MonkeyPatch) -> None:
    """Twin: a jump's own density left out of the rule by which it is taken."""
    propose = Jumps.propose

    def forgetful(self: Jumps, theta: Values, new: Values, rng: np.random.Generator) -> Values:
        return np.zeros_like(propose(self, theta, new, rng))

    monkeypatch.setattr(Jumps, "propose", forgetful)
    kind, metal, results = CASES["late chips, between"]
    network = build_network(assayed(kind, metal, *results), CATALOGUE)
    assert wrong(draw(network, ("L/a", metal))[0], *answer("late chips, between")) != []


def test_palladium_of_capacitors_is_absent_whenever_silver_is() -> None:
    """The chance of traces starts from P(no silver) + P(silver) P(no palladium | silver)."""
    silver, palladium = prior_of("mlcc-unsorted", "Ag"), prior_of("mlcc-unsorted", "Pd")
    given_silver = replace(palladium, p_absent=(palladium.p_absent - silver.p_absent) / (1 - silver.p_absent))
    absent = silver.absent_chance()[0]
    absent += (1 - absent) * given_silver.absent_chance()[0]
    truth = single_fraction(palladium, [Measured(60, 0.3, True)], absent=absent)
    alone = single_fraction(palladium, [Measured(60, 0.3, True)], absent=given_silver.absent_chance()[0])
    draws = draw(build_network(assayed("mlcc-unsorted", "Pd", (60, 0.3, True)), CATALOGUE), ("L/a", "Pd"))[0]
    assert wrong(draws, truth.p_trace, truth.ln_grade) == []
    assert wrong(draws, alone.p_trace, alone.ln_grade) != []  # twin: palladium for itself


# -- one switch, several fractions -------------------------------------------------------------------------------------

PAIR = ((20.0, 0.3, False), (20.0, 0.3, False))


def pair_of_chips() -> Bench:
    """Two fractions of late chips in one lot, an assay of each: they share whether there is gold at all."""
    both = [Fraction(name, "chips-from-2014", 1.0) for name in ("a", "b")]
    results = [assay(f"L/{name}", "Au", *result) for name, result in zip(("a", "b"), PAIR, strict=True)]
    return bench([lot("L", *both)], (), results)


def shared_switch(counted: int) -> float:
    return same_lot(prior_of("chips-from-2014", "Au"), [[Measured(*result)] for result in PAIR], counted)


def counted_twice(network: Network) -> Network:
    """Twin: the chance of absence enters once per fraction, as when the switch is summed fraction by fraction."""
    old = network.configurations
    terms = old.terms[:, [*range(old.terms.shape[1]), 0]]  # the first factor is the switch's own
    again = Configurations(old.choices, terms, old.of_group, old.values)
    return replace(network, configurations=again, arrays={**network.arrays, "cfg_terms": terms})


def test_fractions_that_share_a_switch_count_its_chance_once() -> None:
    draws = draw(build_network(pair_of_chips(), CATALOGUE), ("L/a", "Au"), moves=2 * MOVES)[0]
    p, error = draws.of(draws.trace)
    assert error < SWITCH / 3
    assert p == pytest.approx(shared_switch(1), abs=SWITCH)
    assert abs(p - shared_switch(2)) > 3 * SWITCH


def test_counting_the_chance_of_absence_twice_is_found() -> None:
    draws = draw(counted_twice(build_network(pair_of_chips(), CATALOGUE)), ("L/a", "Au"))[0]
    p, _ = draws.of(draws.trace)
    assert p == pytest.approx(shared_switch(2), abs=SWITCH)  # the sabotage is what it says
    assert abs(p - shared_switch(1)) > 3 * SWITCH


def test_the_shared_switch_of_one_fraction_is_the_simple_one() -> None:
    """The two quadratures, one with the lot's richness integrated apart, agree where they must."""
    case = CASES["late chips, between"]
    alone = same_lot(prior_of(case[0], case[1]), [[Measured(*result) for result in case[2]]])
    assert alone == pytest.approx(answer("late chips, between")[0], abs=1e-4)


# -- two correlated metals ---------------------------------------------------------------------------------------------


def test_silver_tells_of_palladium_in_capacitors() -> None:
    """A sharp silver assay and a blurred one of palladium, correlation 0.7; the twin has none."""
    results = [assay("L/a", "Ag", 14_000, 0.1), assay("L/a", "Pd", 1_500, 0.6)]
    made = bench([lot("L", Fraction("a", "mlcc-unsorted", 1.0))], (), results)
    silver, palladium = draw(build_network(made, CATALOGUE), ("L/a", "Ag"), ("L/a", "Pd"))
    priors = prior_of("mlcc-unsorted", "Ag"), prior_of("mlcc-unsorted", "Pd")
    measured = [Measured(14_000, 0.1)], [Measured(1_500, 0.6)]
    of_silver, of_palladium = two_metals(*priors, 0.7, *measured)
    assert wrong(silver, 0.0, of_silver) == []
    assert wrong(palladium, 0.0, of_palladium) == []
    assert wrong(palladium, 0.0, two_metals(*priors, 0.0, *measured)[1]) != []
