"""Runs that have not happened: the metal balance forward, with new recovery noise, hold-up and purity."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from gradeest.belief.draws import Posterior
from gradeest.belief.holdup import hold_up
from gradeest.belief.network import logit_normal
from gradeest.belief.outcome import Outcome, Run
from gradeest.materials.catalogue import Catalogue

Values = NDArray[np.float64]


def run_forward(
    posterior: Posterior,
    runs: Sequence[Run],
    catalogue: Catalogue,
    rng: np.random.Generator,
    draws: int = 20_000,
    mass_kg: Mapping[str, Values] | None = None,
    origin: NDArray[np.int64] | None = None,
    *,
    closing: bool = False,
) -> Outcome:
    """Forward draws of runs, each processing a mass of one fraction alone.

    Posterior draws are reused in turn when `draws` is larger; `Outcome.origin` says which. A run of less than what is
    left of a fraction takes a random portion of it (Dirichlet split). `mass_kg`: draws (draw,) of a mass that is not
    known yet, by address; the run's own is then what is expected of it. `origin`, (draw,): the posterior draws to use,
    so that runs asked for apart go together. `closing`: the runs share out one fraction, and the last takes just what
    the others leave, draw by draw.
    """
    if origin is None:
        origin = np.resize(rng.permutation(posterior.draws), draws)
    shape = (len(runs), len(posterior.metals), draws)  # draws of a run lie side by side
    contained, recovered, weight = (np.moveaxis(np.zeros(shape), -1, 0) for _ in range(3))
    trace = np.moveaxis(np.zeros(shape, dtype=bool), -1, 0)
    forms = []
    for n, run in enumerate(runs):
        if closing and n == len(runs) - 1:
            whole = replace(run, mass_kg=sum(part.mass_kg for part in runs))
            contained[:, n] = _contained(posterior, whole, origin, rng) - contained[:, :n].sum(axis=1)
        else:
            contained[:, n] = _contained(posterior, run, origin, rng)
        if mass_kg is not None:
            contained[:, n] *= mass_kg[run.address][:, None] / run.mass_kg
        trace[:, n] = posterior.is_trace[origin, posterior.fractions.index(run.address)]
        usual = catalogue.routes[run.route].usual_form
        forms.append(dict(usual))
        for m, metal in enumerate(posterior.metals):
            if metal in catalogue.routes[run.route].recovery:
                recovered[:, n, m] = _recover(posterior, run.route, metal, contained[:, n, m], catalogue, origin, rng)
                share = purity(posterior, usual[metal], catalogue, origin, rng)
                weight[:, n, m] = recovered[:, n, m] / share
    return Outcome(tuple(runs), posterior.metals, contained, recovered, weight, trace, tuple(forms), origin)


def run_pooled(
    posterior: Posterior, route: str, runs: Sequence[Run], catalogue: Catalogue, rng: np.random.Generator,
    draws: int = 20_000, also_g: Values | None = None,
) -> tuple[Values, Values]:  # fmt: skip
    """Fine metal, and the weight in the route's usual forms, when all `runs` go into one batch and drop together.

    Parameters: also_g, metal of streams that go in too, by posterior draw, g, (draw, metal).
    Returns two arrays (draw, metal) in g.
    """
    origin = np.resize(rng.permutation(posterior.draws), draws)
    parts = [_contained(posterior, run, origin, rng) for run in runs]
    if also_g is not None:
        parts.append(also_g[origin])
    total = np.sum(parts, axis=0)
    recovered, weight = np.zeros_like(total), np.zeros_like(total)
    usual = catalogue.routes[route].usual_form
    for m, metal in enumerate(posterior.metals):
        if metal in catalogue.routes[route].recovery:
            recovered[:, m] = _recover(posterior, route, metal, total[:, m], catalogue, origin, rng)
            weight[:, m] = recovered[:, m] / purity(posterior, usual[metal], catalogue, origin, rng)
    return recovered, weight


def _contained(posterior: Posterior, run: Run, origin: NDArray[np.int64], rng: np.random.Generator) -> Values:
    """Metal in a run's charge, g, (draw, metal); less than what is left is a random portion of it (Dirichlet split)."""
    f = posterior.fractions.index(run.address)
    left = float(posterior.dry_left_kg[f])
    dry_kg = run.mass_kg * float(posterior.dry_share[f])
    grades = posterior.rest_grade_g_per_t if left > 0 else posterior.grade_g_per_t
    grade = np.take(np.ascontiguousarray(grades[:, f]), origin, axis=0)  # of all fractions at once it is far slower
    if 0 < dry_kg < left * (1 - 1e-6):
        per_kg = float(posterior.pieces_per_kg[f])
        parts = max(dry_kg * per_kg, 1e-2), max((left - dry_kg) * per_kg, 1e-2)
        grade = grade * rng.beta(*parts, size=grade.shape) * left / dry_kg
    return grade * dry_kg / 1000


def _recover(
    posterior: Posterior, route: str, metal: str, contained_g: Values, catalogue: Catalogue,
    origin: NDArray[np.int64], rng: np.random.Generator,
) -> Values:  # fmt: skip
    """Fine metal in the product, g: recovery with a new run's noise (or failure), then the hold-up of small batches."""
    k, m = catalogue.constants, posterior.metals.index(metal)
    ln_r = -np.logaddexp(0.0, -new_recovery(posterior, route, metal, catalogue, origin, rng))
    form = catalogue.forms[catalogue.routes[route].usual_form[metal]]
    ln_a = posterior.ln_a[origin, m] + math.log(form.holdup_factor)
    ln_a = ln_a + k["holdup.batch_log_sd"] * rng.normal(size=origin.shape)
    ln_m = np.log(np.maximum(contained_g, 1e-300)) + ln_r
    return np.exp(hold_up(ln_m, ln_a, k["holdup.full_from_g"], k["holdup.exponent"]))


def new_recovery(
    posterior: Posterior, route: str, metal: str, catalogue: Catalogue, origin: NDArray[np.int64],
    rng: np.random.Generator,
) -> Values:  # fmt: skip
    """Logit of the recovery of a new run, (draw,): the route's, with the run's own noise, or that of a failed run."""
    k = catalogue.constants
    n, m = posterior.routes.index(route), posterior.metals.index(metal)
    spread = logit_normal(catalogue.routes[route].recovery[metal])[1] * math.sqrt(1 - k["recovery.learned_share"])
    e = spread * rng.normal(size=origin.shape)
    failed = rng.uniform(size=origin.shape) < k["recovery.failed_share"]
    e[failed] = k["recovery.failed_centre"] + k["recovery.failed_sd"] * rng.normal(size=int(failed.sum()))
    return np.asarray(posterior.recovery_logit[origin, n, m] + e)


def purity(
    posterior: Posterior, form: str, catalogue: Catalogue, origin: NDArray[np.int64], rng: np.random.Generator
) -> Values:
    """Metal share of a new product of a form, (draw,): half of the variance is the form's, half the product's."""
    row = catalogue.forms[form]
    centre, sd = logit_normal(row.purity)
    learned = catalogue.constants["form.learned_share"]
    z = math.sqrt(learned) * posterior.form_z[origin, posterior.forms.index(form)]
    z = z + math.sqrt(1 - learned) * rng.normal(size=origin.shape)
    return row.factor / (1 + np.exp(-(centre + sd * z)))
