"""The belief as draws: what every fraction holds, what routes recover, and whether the fit can be trusted."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gradeest.belief.assembly import build_network, pieces_per_kg
from gradeest.belief.decode import Completion, decode
from gradeest.belief.evidence import dry_share, gather
from gradeest.belief.network import Network
from gradeest.errors import InferenceError, InputError
from gradeest.materials.catalogue import Catalogue
from gradeest.records.domain import METALS, Bench

Values = NDArray[np.float64]
ENGINES = ("fast", "pymc")
MOST_R_HAT = 1.03
LEAST_ESS = 400.0
MOST_DIVERGING = 0.01  # of all draws
KEPT_DRAWS = 4_000
GROUPS = 8  # of particles, for split R-hat


@dataclass(frozen=True)
class Diagnostics:
    """How well a fit did. `settled` is what a person reads; the numbers stand in --json."""

    settled: bool
    r_hat_max: float
    ess_min: float
    divergences: int
    draws: int
    engine: str
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Posterior:
    """Draws of everything a decision needs. Axis order (draw, fraction or kind or route, metal); grades in g/t dry."""

    metals: tuple[str, ...]
    fractions: tuple[str, ...]  # addresses, all of the bench
    grade_g_per_t: Values  # contained grade of the whole fraction
    rest_grade_g_per_t: Values  # of what no batch has taken
    is_trace: NDArray[np.bool_]
    recoverable_g_per_t: Values  # fine metal weighed per kg processed; nan where nothing was
    dry_left_kg: Values  # (fraction,)
    dry_share: Values  # (fraction,) dry mass over recorded mass
    pieces_per_kg: Values  # (fraction,) Dirichlet parameter per dry kg, n / CV^2
    kinds: tuple[str, ...]  # kinds on the bench
    kind_mean_g_per_t: Values  # grade at the kind's mean, given present
    kind_absent: Values  # chance that the metal is absent
    routes: tuple[str, ...]
    recovery_logit: Values  # nan where a route recovers none
    ln_a: Values  # (draw, metal) ln hold-up constant
    forms: tuple[str, ...]
    form_z: Values  # (draw, form) learned part of the purity, standard normal
    failed_chance: Mapping[tuple[str, str], float]  # (batch, metal) of weighed batches
    rests_on: Mapping[tuple[str, str], str]  # (address, metal): "3 weights, 1 assay"; absent: prior only
    diagnostics: Diagnostics

    @property
    def draws(self) -> int:
        """Number of draws."""
        return int(self.grade_g_per_t.shape[0])


def draw_prior(bench: Bench, catalogue: Catalogue, rng: np.random.Generator, draws: int) -> Posterior:
    """Draws before any evidence: exact, nothing is fitted."""
    completion = Completion(bench, catalogue, draws, rng)
    sure = Diagnostics(True, 1.0, float(draws), 0, draws, "prior")
    return _complete(completion, {}, {}, sure)


def fit(
    bench: Bench,
    catalogue: Catalogue,
    *,
    engine: str = "fast",
    seed: int = 0,
    report: Callable[[float, str], None] | None = None,
) -> Posterior:
    """Fit the model to everything recorded.

    Parameters: engine, "fast" or "pymc" (the reference; compiles first); report, called with (share done, what).
    Raises InferenceError for a fit that did not settle even when run longer.
    """
    if engine not in ENGINES:
        raise InputError(f"there is no engine {engine!r}", f"use one of: {', '.join(ENGINES)}")
    rng = np.random.default_rng(seed)
    if not gather(bench, catalogue).cells():
        return draw_prior(bench, catalogue, rng, KEPT_DRAWS)
    network = build_network(bench, catalogue)
    theta, diagnostics = sample_network(network, rng, engine=engine, report=report)
    return posterior_of(theta, network, bench, catalogue, rng, diagnostics)


def posterior_of(
    theta: Values,
    network: Network,
    bench: Bench,
    catalogue: Catalogue,
    rng: np.random.Generator,
    diagnostics: Diagnostics,
) -> Posterior:
    """The posterior that draws of the unknowns (draw, unknown) stand for."""
    state, fitted = decode(theta, network, rng)
    completion = Completion(bench, catalogue, theta.shape[0], rng, network, state, fitted, theta)
    failed = {key: float(flags.mean()) for key, flags in fitted.failed.items()}
    return _complete(completion, failed, network.evidence.rests_on(), diagnostics)


def sample_network(
    network: Network,
    rng: np.random.Generator,
    *,
    engine: str = "fast",
    report: Callable[[float, str], None] | None = None,
    keep: int = KEPT_DRAWS,
) -> tuple[Values, Diagnostics]:
    """Settled draws (draw, unknown) with their diagnostics; an unsettled run is repeated longer, then refused."""
    for longer in (1, 3):
        theta, diagnostics = _run(network, rng, engine, longer, report)
        if diagnostics.settled:
            flat = theta.reshape(-1, theta.shape[-1])
            if len(flat) > keep:
                flat = flat[np.linspace(0, len(flat) - 1, keep).astype(int)]
            return flat, diagnostics
    if engine == "fast":
        if report is not None:
            report(0.0, "not settled; asking the reference engine, which compiles first")
        return sample_network(network, rng, engine="pymc", keep=keep)
    raise InferenceError(
        "the fit did not settle, so its numbers are not shown",
        "look at the newest entries with `gradeest history`: a wrong unit or two results that contradict each other "
        "is the usual cause; `gradeest undo N` takes one back",
        unfinished=diagnostics,
    )


def _run(
    network: Network, rng: np.random.Generator, engine: str, longer: int, report: Any
) -> tuple[Values, Diagnostics]:
    """One run of an engine, judged by what will be shown: parameters and grades."""
    if engine == "pymc":
        from gradeest.belief import nuts

        theta, diverging = nuts.sample(network, rng, draws=1000 * longer, tune=1000 * longer)
    else:
        from gradeest.belief import sampler

        theta, diverging = sampler.sample(network, rng, tune=75 * longer, draws=24 * longer, report=report)
    chains, draws, _ = theta.shape
    _, fitted = decode(theta.reshape(chains * draws, -1), network, rng)
    grades = np.stack(list(fitted.ln_grade.values()), axis=1).reshape(chains, draws, -1)
    unused = [network.layout[name] for name in ("x1", "x0", "e_ok", "e_failed")]  # sides that choices may not take
    judged = np.concatenate([np.delete(theta, np.r_[tuple(unused)], axis=-1), grades], axis=-1)
    r_hat, ess = nuts.diagnose(judged) if engine == "pymc" else diagnose(judged)
    count = chains * draws
    settled = r_hat <= MOST_R_HAT and ess >= LEAST_ESS and diverging <= MOST_DIVERGING * count
    return theta, Diagnostics(settled, r_hat, ess, diverging, count, engine, network.notes)


def diagnose(theta: Values) -> tuple[float, float]:
    """Largest split R-hat over groups of particles and halves of time, and smallest ESS, of (chain, draw, unknown).

    The particles are independent, so the variance of their means gives the ESS without autocorrelations.
    """
    chains, draws, unknowns = theta.shape
    half = draws // 2
    per_group = chains // GROUPS
    blocks = theta[: per_group * GROUPS, : 2 * half].reshape(GROUPS, per_group, 2, half, unknowns)
    means = blocks.mean(axis=(1, 3)).reshape(2 * GROUPS, unknowns)
    within = blocks.var(axis=(1, 3)).reshape(2 * GROUPS, unknowns).mean(axis=0)
    r_hat = np.sqrt(1 + means.var(axis=0, ddof=1) / within)
    of_particles = theta.mean(axis=1).var(axis=0, ddof=1) / chains
    ess = theta.reshape(-1, unknowns).var(axis=0) / of_particles
    return float(r_hat.max()), float(ess.min())


def _complete(
    completion: Completion,
    failed: Mapping[tuple[str, str], float],
    rests_on: Mapping[tuple[str, str], str],
    diagnostics: Diagnostics,
) -> Posterior:
    bench, catalogue = completion.bench, completion.catalogue
    grade, rest, trace = completion.grades()
    kinds = tuple(dict.fromkeys(bench.fraction(a).kind for a in bench.addresses()))
    means, absent = completion.kind_means(kinds)
    return Posterior(
        METALS, bench.addresses(), grade, rest, trace, completion.recoverable(), completion.dry_left_kg(),
        np.array([dry_share(bench, a, catalogue) for a in bench.addresses()]),
        np.array([pieces_per_kg(bench, catalogue, a) for a in bench.addresses()]), kinds, means, absent,
        tuple(catalogue.routes), completion.recovery_logit(), completion.ln_a(), tuple(catalogue.forms),
        completion.forms(), failed, rests_on, diagnostics,
    )  # fmt: skip
