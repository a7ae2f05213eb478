"""Published weights and assays against what is predicted of them. Sources stand with each value in `published.py`.

First, consistency: the shipped priors against the table. No independent proof - the priors were compiled from the
same pages. Second, an independent one: class mean and spread refitted, from a prior that knows no more than "somewhere
between tens of g/t and tens of kg/t", to all sources but one, and that one predicted. Run with -s to see both tables.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

from gradeest.belief.outcome import Run
from gradeest.belief.posterior import Posterior, draw_prior, fit
from gradeest.belief.predictive import purity, run_forward
from gradeest.materials.catalogue import Catalogue
from tests.reference.published import PUBLISHED, Published
from tests.statistical.bench_maker import SHIPPED, BenchMaker, with_constants, with_grade

Values = NDArray[np.float64]
FORMS = {"Au": "gold-powder", "Ag": "silver-cement", "Pd": "palladium-black"}  # what such sources weighed: the metal
FEED_KG = 1.0  # where the source does not say
SHIFTED = 10.0  # the twins: values in the wrong unit, or off by a power of ten
NOISE = {"assay": 0.1, "declared": 0.1, "said": 0.3}  # ln sd of a value by how it was found; "said": a figure only


@dataclass(frozen=True)
class Prediction:
    """A published value and the 90 % interval predicted of it, g/t."""

    row: Published
    low: float
    middle: float
    high: float

    def holds(self, factor: float = 1.0) -> bool:
        """Whether the value, times `factor`, lies in the interval."""
        return self.low <= self.row.value_g_per_t * factor <= self.high

    def line(self) -> str:
        """One line of the table printed."""
        mark = "" if self.holds() else "  falls out"
        interval = f"{self.low:10,.0f} {self.middle:9,.0f} {self.high:9,.0f}"
        row = self.row
        return f"{row.kind:17} {row.metal} {row.group:19} {row.what:9} {row.value_g_per_t:9,.0f}  {interval}{mark}"


def predict(row: Published, posterior: Posterior, address: str, catalogue: Catalogue, kind: str) -> Prediction:
    """90 % interval of a value like `row`, given present: recovered ones through the kind's route, weighed as metal."""
    rng = np.random.default_rng(17)
    metal = posterior.metals.index(row.metal)
    if row.what == "recovered":
        kg = row.feed_kg or FEED_KG
        outcome = run_forward(posterior, [Run(address, kg, catalogue.kinds[kind].usual_route)], catalogue, rng)
        assert outcome.origin is not None
        share = row.purity or purity(posterior, FORMS[row.metal], catalogue, outcome.origin, rng)
        values, trace = outcome.recovered_g[:, 0, metal] / share / kg * 1000, outcome.is_trace[:, 0, metal]
    else:
        fraction = posterior.fractions.index(address)
        grade, trace = posterior.grade_g_per_t[:, fraction, metal], posterior.is_trace[:, fraction, metal]
        values = grade * np.exp(NOISE[row.what] * rng.normal(size=grade.shape))
    return Prediction(row, *(float(q) for q in np.quantile(values[~trace], [0.05, 0.5, 0.95])))


# -- consistency: the shipped priors ------------------------------------------------------------------------------


@cache
def from_priors() -> tuple[Prediction, ...]:
    """Weights and assays of the table, each against the prior of its kind."""
    found = []
    for row in PUBLISHED:
        if row.what in ("recovered", "assay"):
            maker = BenchMaker()
            address = maker.fraction("lot", row.kind, row.feed_kg or FEED_KG)
            prior = draw_prior(maker.bench, SHIPPED, np.random.default_rng(16), 20_000)
            found.append(predict(row, prior, address, SHIPPED, row.kind))
    return tuple(found)


def test_published_results_are_consistent_with_the_priors() -> None:
    """Of 90 % intervals a tenth may miss; more than a fifth would say that priors and table do not belong together."""
    found = from_priors()
    print("\nConsistency, no independent proof: the priors were compiled from the same pages (g/t, 5/50/95 %)")
    print("\n".join(prediction.line() for prediction in found))
    assert len(found) >= 12
    assert sum(not prediction.holds() for prediction in found) <= 0.2 * len(found)


@pytest.mark.parametrize("factor", [SHIFTED, 1 / SHIFTED])
def test_results_off_by_ten_would_fall_out(factor: float) -> None:
    """The twin."""
    found = from_priors()
    assert sum(not prediction.holds(factor) for prediction in found) > 0.6 * len(found)


# -- independent: a source predicted from the others ---------------------------------------------------------------

POOLS = {  # what is taken as one kind
    "chips-mixed": ("chips-mixed", "chips-to-2008", "chips-2009-2013"),
    "bga-wirebond": ("bga-wirebond",),
    "cpu-ceramic": ("cpu-ceramic",),
}


def pool(kind: str) -> list[Published]:
    """All gold values of a pool."""
    return [row for row in PUBLISHED if row.kind in POOLS[kind] and row.metal == "Au"]


LEFT_OUT = [(kind, group) for kind in POOLS for group in dict.fromkeys(row.group for row in pool(kind))]


def unknowing_catalogue(kind: str) -> Catalogue:
    """Class mean 1,000 g/t within a factor of 40 either way, spread between lots known only to a factor of 2."""
    catalogue = with_grade(SHIPPED, kind, q50=1000.0, p_absent=0.003, gsd_class_mean=10.0, gsd_between=1.6)
    return with_constants(catalogue, grade__ln_tau_sd=0.4, recovery__failed_share=0.0)  # failures are not published


@cache
def from_others(kind: str, group: str) -> tuple[Prediction, ...]:
    """Values of one source predicted from all others of its pool, each as a lot of its own."""
    maker = BenchMaker()
    route = SHIPPED.kinds[kind].usual_route
    for n, row in enumerate(row for row in pool(kind) if row.group != group):
        kg = row.feed_kg or FEED_KG
        address = maker.fraction(f"lot{n}", kind, kg)
        if row.what == "recovered":
            grams = row.weight_g or round(row.value_g_per_t * kg / 1000, 2)
            maker.weigh({address: kg}, route, grams, balance=f"of {row.group}")
        else:
            maker.assay(address, row.value_g_per_t, NOISE[row.what])
    rows = [row for row in pool(kind) if row.group == group]
    addresses = [maker.fraction(f"new{n}", kind, row.feed_kg or FEED_KG) for n, row in enumerate(rows)]
    catalogue = unknowing_catalogue(kind)
    posterior = fit(maker.bench, catalogue, seed=18)
    assert posterior.diagnostics.settled
    pairs = zip(rows, addresses, strict=True)
    return tuple(predict(row, posterior, address, catalogue, kind) for row, address in pairs)


def all_left_out() -> list[Prediction]:
    return [prediction for kind, group in LEFT_OUT for prediction in from_others(kind, group)]


def test_sources_are_predicted_from_the_others() -> None:
    found = all_left_out()
    print("\nIndependent: each source predicted by a refit that never saw it (g/t, 5/50/95 %)")
    print("\n".join(prediction.line() for prediction in found))
    assert len({prediction.row.group for prediction in found}) >= 3
    assert sum(not prediction.holds() for prediction in found) <= 0.2 * len(found)


def test_the_refit_learns_from_the_others() -> None:
    """The intervals say something: far narrower than what was known before, and ten times off would be noticed."""
    found = all_left_out()
    before = 2 * 1.645 * math.hypot(math.log(10), math.log(1.6))
    widths = [math.log(prediction.high / prediction.low) for prediction in found]
    assert np.median(widths) < 0.5 * before
    for factor in (SHIFTED, 1 / SHIFTED):  # the twin
        assert sum(not prediction.holds(factor) for prediction in found) > 0.6 * len(found)
