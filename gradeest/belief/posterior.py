"""The belief as draws: what every fraction holds, what routes recover, and whether the fit can be trusted."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from gradeest.belief.assembly import build_network, pieces_per_kg
from gradeest.belief.completion import Completion
from gradeest.belief.decode import OF_GRADES, decode, ln_grades
from gradeest.belief.draws import ENGINES, Diagnostics, Posterior, join_draws
from gradeest.belief.evidence import dry_share, gather
from gradeest.belief.layers import join_layers, split_layers
from gradeest.belief.network import Network
from gradeest.belief.picking import configuration_weights
from gradeest.belief.sharing import shares_of
from gradeest.errors import InferenceError, InputError
from gradeest.materials.catalogue import Catalogue
from gradeest.records.domain import METALS, Bench

Values = NDArray[np.float64]
Report = Callable[[float, str], None]
Run = tuple[Values, int, Network]  # draws (chain, draw, unknown), divergences, the network they are draws of
MOST_R_HAT = 1.03
LEAST_ESS = 500.0  # of means and spreads alike, of 192 particles: each has forgotten where it began
LARGE_BENCH, LEAST_OF_LARGE = 3_000, 250.0  # unknowns, and effective draws that will do for more of them
MOST_R_HAT_OF_LARGE = 1.06  # then: groups of half as many draws differ by chance twice as much
SAID_OF_LARGE = (
    "with so many lots fewer draws were made: a median is known to 8 % of its standard deviation, not to 6 %"
)
FALSE_DRIFT = 0.01  # chance that a run of draws at rest is taken for one that still moves
MOST_DIVERGING = 0.01  # of all draws
KEPT_DRAWS, MOST_KEPT = 4_000, 30_000_000  # draws of a fit; numbers that are kept of one run, before it is judged
FAST_MOVES = (  # adapting, drawing (so often; the later two thirds are judged), acceptance aimed at; on until settled
    (16, 20, 3, 0.8),
    (24, 100, 3, 0.8),
    (60, 240, 3, 0.9),
)
ALL_BUT_DECIDED = 0.02  # chance of a choice below which particles need not have turned
MOST_UNSURE = 0.016  # error of a chance: particles that all began on one side have turned five times by then
MOVED = 1.25  # effective draws to a particle: fewer have hardly turned
SLAB, LEAST_SLAB = 40_000_000, 250  # numbers of states that are held together; draws, at least
AT_ONCE = 64  # quantities that are judged together
GROUPS = 8  # of particles, for split R-hat
REACH, SOME = 4.0, 2_000  # standard deviations, and draws that are enough to tell them


def draw_prior(bench: Bench, catalogue: Catalogue, rng: np.random.Generator, draws: int) -> Posterior:
    """Draws before any evidence: exact, nothing is fitted."""
    completion = Completion(split_layers(bench), catalogue, draws, rng)
    sure = Diagnostics(True, 1.0, float(draws), 0, draws, "prior")
    return join_layers(_complete(completion, {}, {}, sure), bench)


def fit(
    bench: Bench,
    catalogue: Catalogue,
    *,
    engine: str = "fast",
    seed: int = 0,
    report: Report | None = None,
    fallback: bool = True,
) -> Posterior:
    """Fit the model to everything recorded.

    Parameters: engine, "fast" or "pymc" (the reference; compiles first); report, called with (share done, what);
    fallback, whether the reference is asked where the fast engine does not settle.
    Raises InferenceError for a fit that did not settle even when run longer.
    """
    if engine not in ENGINES:
        raise InputError(f"there is no engine {engine!r}", f"use one of: {', '.join(ENGINES)}")
    rng = np.random.default_rng(seed)
    if not gather(bench, catalogue).cells():
        return draw_prior(bench, catalogue, rng, KEPT_DRAWS)
    network = build_network(bench, catalogue)
    theta, diagnostics, network = sample_network(network, rng, engine=engine, report=report, fallback=fallback)
    return posterior_of(theta, network, bench, catalogue, rng, diagnostics)


def posterior_of(
    theta: Values,
    network: Network,
    bench: Bench,
    catalogue: Catalogue,
    rng: np.random.Generator,
    diagnostics: Diagnostics,
) -> Posterior:
    """The posterior that draws of the unknowns (draw, unknown) stand for, by the addresses of the bench."""
    from gradeest.belief.machine import StateMachine

    machine, by_source = StateMachine(network), split_layers(bench)
    together, parts = max(SLAB // machine.rows, LEAST_SLAB), []
    for some in np.array_split(theta, -(-len(theta) // together)):
        state, fitted = decode(some, network, rng, machine.state(some))
        completion = Completion(by_source, catalogue, len(some), rng, network, state, fitted, some)
        failed = {key: float(flags.mean()) for key, flags in fitted.failed.items()}
        found = _complete(completion, failed, network.evidence.rests_on(), diagnostics)
        shares = shares_of(by_source, catalogue, network, state, fitted, some, rng)
        found = replace(found, charge_g=fitted.charge_g, stream_g=fitted.stream_g, product_g=fitted.product_g)
        parts.append(replace(found, shares=shares))
    return join_layers(join_draws(parts), bench)


def sample_network(
    network: Network,
    rng: np.random.Generator,
    *,
    engine: str = "fast",
    report: Report | None = None,
    keep: int = KEPT_DRAWS,
    fallback: bool = True,
) -> tuple[Values, Diagnostics, Network]:
    """Settled draws (draw, unknown), their diagnostics, and the network (its idle sides fitted) to decode them with.

    A run that did not settle goes on longer.
    With `fallback`, what the fast engine cannot settle goes to the reference. Raises InferenceError where that fails.
    """
    runs = _fast_runs(network, rng, report) if engine == "fast" else _reference_runs(network, rng)
    found = None
    for theta, diverging, sampled in runs:
        found = _judge(theta, diverging, sampled, rng, engine)
        if found.settled:
            count = theta.shape[0] * theta.shape[1]
            some = np.linspace(0, count - 1, keep).astype(int) if count > keep else np.arange(count)
            return theta[np.unravel_index(some, theta.shape[:2])], found, sampled
    if engine == "fast" and fallback:
        if report is not None:
            report(0.0, "not settled: asking the reference engine, which takes minutes")
        return sample_network(network, rng, engine="pymc", keep=keep)
    raise InferenceError(
        "the fit did not settle, so its numbers are not shown",
        "look at the newest entries with `gradeest history`: a wrong unit or two results that contradict each other "
        "is the usual cause; `gradeest undo N` takes one back",
        unfinished=found,
    )


def _fast_runs(network: Network, rng: np.random.Generator, report: Report | None) -> Iterator[Run]:
    if report is not None:
        report(0.0, "getting ready (the first time after installing takes some ten seconds more)")
    from gradeest.belief.sampler import TRAJECTORIES, Sampler

    sampler = Sampler(network, rng)
    for adapting, drawing, times, target in FAST_MOVES:
        sampler.adapt(adapting, report, target=target)
        kept = []
        for _ in range(times):
            theta, diverging, sampled = sampler.draw(drawing, report, most=MOST_KEPT)
            kept.append((theta, diverging))
            later, diverged = zip(*kept[len(kept) // 3 :], strict=True)
            whole = later[0] if len(later) == 1 else np.concatenate(later, axis=1)
            yield whole, sum(diverged) // TRAJECTORIES, sampled  # as if one to a draw


def _reference_runs(network: Network, rng: np.random.Generator) -> Iterator[Run]:
    try:
        from gradeest.belief import nuts

        compiled = nuts.compile_model(network)
    except ModuleNotFoundError as err:
        raise InferenceError(
            f"the reference engine needs {err.name}, which is not installed, so no numbers are shown",
            "pip install pymc nutpie; where the fast engine handed over to it, look at the newest entries with "
            "`gradeest history`: a wrong unit or two results that contradict each other is the usual cause",
        ) from err
    for draws in (1000, 3000):
        theta, diverging = nuts.sample(network, rng, draws=draws, tune=draws, compiled=compiled)
        yield theta, diverging, network


def _judge(theta: Values, diverging: int, network: Network, rng: np.random.Generator, engine: str) -> Diagnostics:
    """Diagnostics of draws (chain, draw, unknown), judged by what will be shown: parameters, grades, open choices."""
    chains, draws, unknowns = theta.shape
    grades, log_weights = _grades_of(theta, network, rng)
    choices = _open_choices(network, configuration_weights(network.configurations, log_weights))
    choices = choices.reshape(chains, draws, -1)
    quantities = unknowns + grades.shape[-1]
    r_hat, ess = diagnose_choices(choices)
    drifting = is_drifting(choices)
    for some in (*_some_at_once(theta), *_some_at_once(grades)):
        judged = within_reach(some)
        its_r_hat, its_ess = diagnose(judged)
        r_hat, ess = max(r_hat, its_r_hat), min(ess, its_ess)
        drifting = drifting or is_drifting(judged, quantities)
    count = chains * draws
    is_well = r_hat <= MOST_R_HAT and ess >= LEAST_ESS
    will_do = unknowns > LARGE_BENCH and r_hat <= MOST_R_HAT_OF_LARGE and ess >= LEAST_OF_LARGE
    settled = is_well or will_do
    settled = settled and diverging <= MOST_DIVERGING * count and not drifting
    notes = (*network.notes, SAID_OF_LARGE) if will_do and not is_well else network.notes
    return Diagnostics(settled, r_hat, ess, diverging, count, engine, notes)


def _grades_of(theta: Values, network: Network, rng: np.random.Generator) -> tuple[Values, Values]:
    """Ln grades of all cells at draws of theta (chain, draw, unknown), (chain, draw, cell), and log weights of choices.

    The weights are (all draws, configuration). Some chains at a time, for a state is many times as large as its grades.
    """
    from gradeest.belief.machine import StateMachine

    chains, draws, unknowns = theta.shape
    machine = StateMachine(network, OF_GRADES)
    together = max(SLAB // (machine.rows * draws), 1)
    grades, weights = [], []
    for start in range(0, chains, together):
        slab = theta[start : start + together]
        state = machine(slab.reshape(-1, unknowns))
        grades.append(ln_grades(state, network, rng).reshape(*slab.shape[:2], -1))
        weights.append(np.array(state["configurations"]))
    return np.concatenate(grades), np.concatenate(weights)


def _some_at_once(draws: Values) -> Iterator[Values]:
    """Draws (chain, draw, quantity), some quantities at a time: what is worked out on the way needs little room."""
    for start in range(0, draws.shape[-1], AT_ONCE):
        yield draws[..., start : start + AT_ONCE]


def _open_choices(network: Network, weights: Values) -> Values:
    """Chance of every choice that is not all but decided, (draw, choice): particles that never turn show in it."""
    values = network.configurations.values
    chances = np.stack([weights[:, values[:, n] == 1].sum(axis=1) for n in range(values.shape[1])], axis=1)
    mean = chances.mean(axis=0)
    return chances[:, (mean > ALL_BUT_DECIDED) & (mean < 1 - ALL_BUT_DECIDED)]


def diagnose(draws: Values) -> tuple[float, float]:
    """Largest split R-hat and smallest ESS over the quantities of (chain, draw, quantity).

    A few chains are judged by rank-normalised split R-hat and bulk ESS (Vehtari et al. 2021). Many particles are
    judged in groups, split into halves of time, location and scale (folded draws) alike; they are independent, so the
    variance of their means gives the ESS without autocorrelations.
    """
    chains, _, quantities = draws.shape
    if chains < 2 * GROUPS:
        from gradeest.belief import nuts

        return nuts.diagnose(draws)
    folded = np.abs(draws - draws.mean(axis=(0, 1)))
    r_hat = max(_split_r_hat(draws), _split_r_hat(folded))
    ess = []
    for each in (draws, folded):
        of_particles = each.mean(axis=1).var(axis=0, ddof=1) / chains
        ess.append(each.reshape(-1, quantities).var(axis=0) / of_particles)
    return r_hat, float(np.min(ess))


def diagnose_choices(chances: Values) -> tuple[float, float]:
    """The same of chances (chain, draw, choice).

    What counts is the error of the chance itself, so one that is `MOST_UNSURE` counts as `LEAST_ESS` draws; of a rare
    choice fewer will do. But particles must have turned: where not, they count for no more than they are.
    """
    chains, _, choices = chances.shape
    if choices == 0:
        return 1.0, np.inf
    if chains < 2 * GROUPS:
        return diagnose(chances)
    error2 = np.maximum(chances.mean(axis=1).var(axis=0, ddof=1) / chains, np.finfo(float).tiny)
    own = chances.reshape(-1, choices).var(axis=0) / error2
    ess = np.where(own > MOVED * chains, LEAST_ESS * MOST_UNSURE**2 / error2, own)
    return max(_split_r_hat(chances), 1.0), float(ess.min())


def within_reach(draws: Values) -> Values:
    """Draws (chain, draw, quantity) cut off `REACH` standard deviations from the middle.

    Diagnostics of ranks do the same by another way (Vehtari et al. 2021): one draw far out in a long tail says little
    of whether the rest has settled, or of where the middle is.
    """
    flat = draws.reshape(-1, draws.shape[-1])
    low, middle, high = np.quantile(flat[:: len(flat) // SOME + 1], (0.16, 0.5, 0.84), axis=0)
    reach = np.where(high > low, REACH * (high - low) / 2, np.inf)
    return np.clip(draws, middle - reach, middle + reach)


def is_drifting(draws: Values, among: int = 0) -> bool:
    """Whether a mean of (particle, move, quantity) still moves: its last third against its first, particle by particle.

    Parameters: among, how many quantities are looked at in all, if more than these.
    Particles that began on one side of a choice and turn slowly agree with each other all the time, and are wrong.
    """
    particles, length, quantities = draws.shape
    third = length // 3
    if particles < 2 * GROUPS or third == 0 or quantities == 0:
        return False
    gap = draws[:, -third:].mean(axis=1) - draws[:, :third].mean(axis=1)
    error = gap.std(axis=0, ddof=1) / np.sqrt(particles)
    most = NormalDist().inv_cdf(1 - FALSE_DRIFT / (2 * max(among, quantities)))
    return bool((np.abs(gap.mean(axis=0)) > most * error).any())


def _split_r_hat(draws: Values) -> float:
    """Largest R-hat of (particle, move, quantity) by groups of particles and halves of time."""
    particles, length, quantities = draws.shape
    half, per_group = length // 2, particles // GROUPS
    blocks = draws[: per_group * GROUPS, : 2 * half].reshape(GROUPS, per_group, 2, half, quantities)
    means = blocks.mean(axis=(1, 3)).reshape(2 * GROUPS, quantities)
    within = blocks.var(axis=(1, 3)).reshape(2 * GROUPS, quantities).mean(axis=0)
    return float(np.sqrt(1 + means.var(axis=0, ddof=1) / within).max())


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
        completion.forms(), failed, {}, {}, {}, rests_on, diagnostics,
    )  # fmt: skip
