"""On average over what the prior expects to see, more data never makes the class mean less certain.

(For one surprising data set it may: two results that contradict each other teach that lots differ more.) Truths and
weights are drawn here, with the model's numbers typed in. Many benches that share nothing - each has its own class,
kind, route, form and balance - are fitted as one, which is the same as fitting each alone and far quicker.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import pytest
from numpy.typing import NDArray

from gradeest.belief.posterior import Posterior, fit
from gradeest.materials.catalogue import Catalogue
from tests.statistical.bench_maker import SHIPPED, BenchMaker, with_constants

Values = NDArray[np.float64]
BENCHES, MOST_LOTS = 8, 3
KIND, ROUTE, FORM = "fingers-mixed", "foils-peroxide", "gold-powder"
MASS_KG = 100.0  # products beyond 10 g: no hold-up, which all benches would have to share
PRIOR_SD = math.log(1.59)  # of the class mean


def separate_catalogue() -> Catalogue:
    """A class, kind, route and form for every bench."""
    catalogue = with_constants(SHIPPED, recovery__shared_share=1e-12)
    kinds, routes, forms, classes = {}, {}, {}, {}
    for n in range(BENCHES):
        classes[f"class-{n}"] = "a class of its own"
        kinds[f"kind-{n}"] = replace(SHIPPED.kinds[KIND], id=f"kind-{n}", cls=f"class-{n}")
        routes[f"route-{n}"] = replace(SHIPPED.routes[ROUTE], id=f"route-{n}")
        forms[f"form-{n}"] = replace(SHIPPED.forms[FORM], id=f"form-{n}")
    return replace(
        catalogue,
        classes={**SHIPPED.classes, **classes},
        kinds={**SHIPPED.kinds, **kinds},
        routes={**SHIPPED.routes, **routes},
        forms={**SHIPPED.forms, **forms},
    )


CATALOGUE = separate_catalogue()


@dataclass(frozen=True)
class Truths:
    """Class means on logit scale against the row's, (bench,), and readings in g, (bench, lot)."""

    mean: Values
    reading_g: Values


def draw_truths(rng: np.random.Generator) -> Truths:
    """Benches from the prior: class mean, spread, recovery, purity, balance; lots with failed runs among them."""

    def logit(p: float) -> float:
        return math.log(p / (1 - p))

    def normal(sd: float, lots: int = MOST_LOTS) -> Values:
        return sd * rng.normal(size=(BENCHES, lots))

    cut = rng.normal(size=(BENCHES, 1))
    while (outside := np.abs(cut) > 2).any():
        cut[outside] = rng.normal(size=int(outside.sum()))
    mean = normal(PRIOR_SD, 1)
    x = logit(2500 / 1e6) + mean + normal(1.0) * math.log(1.6) * np.exp(0.3 * cut)
    spread = (logit(0.93) - logit(0.80)) / 1.6448536
    e = np.where(rng.uniform(size=x.shape) < 0.03, -4 + normal(3.0), normal(spread * math.sqrt(0.4)))
    recovery = 1 / (1 + np.exp(-(logit(0.93) + normal(spread * math.sqrt(0.6), 1) + e)))
    spread = (logit(0.985) - logit(0.95)) / 1.6448536 * math.sqrt(0.5)
    purity = 1 / (1 + np.exp(-(logit(0.985) + normal(spread, 1) + normal(spread))))
    weight = MASS_KG * 1000 / (1 + np.exp(-x)) * recovery / purity * (1 + normal(0.005, 1)) + normal(0.01)
    return Truths(mean[:, 0], np.maximum(np.round(weight, 2), 0.0))


def fit_all(readings_g: Values) -> Posterior:
    """One fit of all benches with the readings (bench, lot) they have."""
    maker = BenchMaker()
    for n, readings in enumerate(readings_g):
        for lot, grams in enumerate(readings):
            address = maker.fraction(f"lot-{n}-{lot}", f"kind-{n}", MASS_KG)
            maker.weigh({address: MASS_KG}, f"route-{n}", float(grams), form=f"form-{n}", balance=f"balance-{n}")
    posterior = fit(maker.bench, CATALOGUE, seed=2)
    assert posterior.diagnostics.settled
    return posterior


def class_means(posterior: Posterior) -> tuple[Values, Values]:
    """Posterior mean and sd of every bench's class mean against the row's, logit scale."""
    share = posterior.kind_mean_g_per_t[:, :, 0] / 1e6
    x = np.log(share / (1 - share)) - math.log(0.0025 / 0.9975)
    order = [posterior.kinds.index(f"kind-{n}") for n in range(BENCHES)]
    return x.mean(axis=0)[order], x.std(axis=0)[order]


def rise(fewer: Posterior, more: Posterior) -> tuple[float, float]:
    """Mean rise of the variance with more data, in prior variances, and its standard error over benches and draws."""
    before, after = (class_means(posterior)[1] ** 2 / PRIOR_SD**2 for posterior in (fewer, more))
    noise = math.sqrt(2 / fewer.diagnostics.ess_min * np.mean(before**2) / BENCHES)
    between = (after - before).std(ddof=1) / math.sqrt(BENCHES)
    return float((after - before).mean()), math.hypot(between, noise)


@pytest.fixture(scope="module")
def truths() -> Truths:
    return draw_truths(np.random.default_rng(31))


@pytest.fixture(scope="module")
def fits(truths: Truths) -> dict[int, Posterior]:
    """The same benches after one, two and three lots each."""
    return {lots: fit_all(truths.reading_g[:, :lots]) for lots in (1, 2, 3)}


@pytest.mark.parametrize(("fewer", "more"), [(1, 2), (2, 3)])
def test_more_data_never_make_the_class_mean_less_certain_on_average(
    fits: dict[int, Posterior], fewer: int, more: int
) -> None:
    change, error = rise(fits[fewer], fits[more])
    assert error < 0.06  # prior variances
    assert change < 3 * error


def test_the_first_lot_teaches_something(fits: dict[int, Posterior]) -> None:
    assert np.mean(class_means(fits[1])[1] ** 2) < 0.8 * PRIOR_SD**2


def test_truths_lie_where_the_belief_says(fits: dict[int, Posterior], truths: Truths) -> None:
    """Squared distances to the truth in posterior sds: chi-squared of 8, between its 0.1 % and 99.9 % points."""
    mean, sd = class_means(fits[3])
    assert 0.86 < np.sum(((truths.mean - mean) / sd) ** 2) < 26.1
    assert np.sum(((truths.mean + math.log(3) - mean) / sd) ** 2) > 26.1  # the twin: truths three times as rich


def test_contradicting_results_make_it_less_certain(fits: dict[int, Posterior], truths: Truths) -> None:
    """The twin: third weights that the prior does not expect, all far below the first two."""
    readings = truths.reading_g.copy()
    readings[:, 2] = np.round(0.15 * np.sqrt(readings[:, 0] * readings[:, 1]), 2)
    change, error = rise(fits[2], fit_all(readings))
    assert change > 3 * error
