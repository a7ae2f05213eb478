"""Simulation-based calibration: `python -m tests.benchmarks.calibration --benches 300` prints cover and reliability.

Each bench is planned at random and filled from the prior (`belief.simulate`); it is fitted, and the truth's rank among
the draws is kept (Talts et al. 2018, arXiv:1804.06788): of grades, of kinds' means and spreads, of recoveries, purities
and hold-up, and, for what is left of each fraction, of the yield and the net return of a run that has not happened. Of
chances (traces, failed run, gain, the best run) it is kept what came true. Beside them stands a broken program, whose
posterior is drawn together by a fifth. One seed per bench, one line of a file per bench: a run that was stopped goes
on where it was. Ties are broken at random. Prices are invented. It asserts nothing.
"""

from __future__ import annotations

import math
import time
from collections.abc import Mapping
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gradeest.belief.assembly import build_network
from gradeest.belief.evidence import Evidence, gather
from gradeest.belief.layers import jar_of, split_layers
from gradeest.belief.machine import state_at
from gradeest.belief.outcome import Outcome, Run
from gradeest.belief.posterior import Posterior, draw_prior, posterior_of, sample_network
from gradeest.belief.predictive import run_forward
from gradeest.belief.simulate import Truth, simulate
from gradeest.decision.economics import value_runs
from gradeest.decision.prices import Basis, NamedDraws, Prices, RouteCosts
from gradeest.decision.ranking import chance_best
from gradeest.errors import InferenceError
from gradeest.materials.catalogue import Catalogue, Quantiles, load_catalogue
from gradeest.records.domain import METALS, Assay, BalanceCheck, Batch, Bench, Fraction, Lot
from tests.benchmarks.calibration_tables import RANKS, draw, report
from tests.benchmarks.full_network import NEXT, filled, part_of_everything, without_nothing
from tests.benchmarks.resumable import options, run_missing
from tests.decision_cases import prices as round_prices
from tests.engine_bench import DAY, batch, bench, lot, product, product_assay, settlement, spot_test

Values = NDArray[np.float64]
KINDS = (
    *("fingers-memory", "fingers-cards", "pins-mixed", "chips-mixed", "chips-from-2014", "cpu-ceramic"),
    *("mlcc-nonmagnetic", "mlcc-unsorted", "relays-signal"),
)
LEAST_KG = 0.05  # of a fraction that is worth a run
NARROW = 0.8  # the broken program: every posterior drawn together by so much
FORWARD = 4000  # draws of runs that have not happened
EVIDENCE = ("weights", "papers", "all")  # papers: with spot tests, assays of products, settlements; all: `full_network`
SHARE = 1 / 3  # of all kinds of evidence that a bench with "all" has


def plan(rng: np.random.Generator, catalogue: Catalogue, most: int = 4) -> Bench:
    """Two to `most` lots of as many fractions, a batch with results for most of them, and what may be run next."""
    lots = [_lot(f"L{n + 1}", rng, most) for n in range(int(rng.integers(2, most + 1)))]
    left = {f"{one.name}/{f.name}": f.mass_kg for one in lots for f in one.fractions}
    kinds = {f"{one.name}/{f.name}": f.kind for one in lots for f in one.fractions}
    batches: list[Batch] = []
    for address in rng.permutation(list(left)):
        if rng.uniform() < 0.3:
            continue
        route = catalogue.kinds[kinds[address]].usual_route
        share = rng.choice([0.2, 0.5, 1.0])
        charges = [(address, round(left[address] * share, 3))]
        others = [a for a in left if a != address and catalogue.kinds[kinds[a]].usual_route == route and left[a] > 0.05]
        if others and rng.uniform() < 0.35:
            other = str(rng.choice(others))
            charges.append((other, round(left[other] * 0.5, 3)))
        charges = [(a, kg) for a, kg in charges if kg > 0.01]
        for a, kg in charges:
            left[a] -= kg
        if charges:
            batches.append(_batch(f"B{len(batches) + 1}", route, charges, catalogue, rng))
    assays = [_assay(a, kinds[a], rng) for a in kinds if rng.uniform() < 0.15]
    checks = [BalanceCheck("pocket", 5.0, float(np.round(5 + rng.normal(0, 0.015), 2)), DAY)]
    planned = bench(lots, batches, assays, checks)
    return replace(planned, batches=planned.batches | _next_runs(planned, catalogue))


def _next_runs(planned: Bench, catalogue: Catalogue) -> dict[str, Batch]:
    """Runs that have not happened when the bench is fitted: all that is left of each fraction, alone."""
    left = {a: round(planned.left_kg(a), 3) for a in planned.addresses()}
    routes = {a: catalogue.kinds[planned.fraction(a).kind].usual_route for a in left}
    runs = [_next_run(a, routes[a], kg, catalogue) for a, kg in left.items() if kg > LEAST_KG]
    return {one.name: one for one in runs}


def _next_run(address: str, route: str, kg: float, catalogue: Catalogue) -> Batch:
    """One such run."""
    usual = catalogue.routes[route].usual_form
    name = f"{NEXT}{address.replace('/', '-')}"
    metals = [metal for metal in METALS if metal in catalogue.routes[route].recovery]
    products = [product(metal.lower(), name, metal, usual[metal], 1.0) for metal in metals]
    return batch(name, route, [(address, kg)], *products)


def so_far(made: Bench) -> Bench:
    """The bench without the runs that have not happened."""
    return replace(made, batches={name: one for name, one in made.batches.items() if not name.startswith(NEXT)})


def _lot(name: str, rng: np.random.Generator, most: int) -> Lot:
    kinds = rng.choice(KINDS, size=int(rng.integers(2, most + 1)), replace=False)
    parts = [
        Fraction(str(k), str(k), float(np.round(rng.uniform(0.2, 2.0), 2)), mixed=bool(rng.uniform() < 0.15))
        for k in kinds
    ]
    return lot(name, *parts)


def _batch(
    name: str, route: str, charges: list[tuple[str, float]], catalogue: Catalogue, rng: np.random.Generator
) -> Batch:
    closed = bool(rng.uniform() < 0.85)
    usual, products, mass = catalogue.routes[route].usual_form, [], sum(kg for _, kg in charges)
    for metal in METALS:
        if metal not in catalogue.routes[route].recovery:
            continue
        more: dict[str, Any] = {"balance": str(rng.choice(["bench", "pocket"])), "damp": bool(rng.uniform() < 0.1)}
        if closed and rng.uniform() < 0.1:
            more["interval_g"] = 0.5
        for n in range(2 if closed and rng.uniform() < 0.15 else 1):
            # a planned weight of an open batch is a limit: half a gram of metal per kg
            weight = 1.0 if closed else round(0.5 * mass + 0.02, 2)
            products.append(product(f"{metal.lower()}-{n + 1}", name, metal, usual[metal], weight, **more))
    lost = [(0.2, 0.5)] if rng.uniform() < 0.1 else []
    aside = ["wires"] if rng.uniform() < 0.15 else []
    return batch(name, route, charges, *products, closed=closed, lost=lost, aside=aside)


def _assay(address: str, kind: str, rng: np.random.Generator) -> Assay:
    metal = "Au" if not kind.startswith("mlcc") else "Pd"
    below = bool(rng.uniform() < 0.2)
    return Assay(address, metal, 50.0, float(rng.choice([0.05, 0.15, 0.3])), DAY, below_detection=below)


def with_papers(planned: Bench, rng: np.random.Generator) -> Bench:
    """The same plan with spot tests before the drop, assays of products, and a settlement of several batches' gold."""
    batches, assays, gold = {}, [], []
    for name, one in planned.batches.items():
        closed = [p for p in one.products if not one.is_open and not name.startswith(NEXT)]
        tested = [p.metal for p in closed if rng.uniform() < 0.15]
        tests = [spot_test(name, "clear", round(2 * one.mass_kg, 2), "before-drop", metal) for metal in tested]
        batches[name] = replace(one, spot_tests=tuple(tests))
        addresses = [f"{name}/{p.name}" for p in closed]
        assays += [
            product_assay(a, 0.9, 0.01, p.metal) for a, p in zip(addresses, closed, strict=True) if rng.uniform() < 0.15
        ]
        gold += [a for a, p in zip(addresses, closed, strict=True) if p.metal == "Au"]
    papers = (settlement(gold[:4], 1.0, Au=0.9),) if len(gold) > 1 and rng.uniform() < 0.6 else ()
    return replace(planned, batches=batches, product_assays=tuple(assays), settlements=papers)


def without_specks(made: Bench) -> Bench:
    """Papers on products of a few digits are left out: nobody has specks assayed."""

    def is_speck(address: str) -> bool:
        name, _, product_name = address.partition("/")
        found = [p for p in made.batches[name].products if p.name == product_name]
        return not found or found[0].weight_g < 10 * found[0].readability_g

    assays = tuple(a for a in made.product_assays if not is_speck(a.address))
    papers = tuple(s for s in made.settlements if not any(is_speck(a) for a in s.products))
    return replace(made, product_assays=assays, settlements=papers)


def make(seed: int, catalogue: Catalogue, evidence: str, most: int, rng: np.random.Generator) -> tuple[Bench, Truth]:
    """One bench with its runs that have not happened, and the truth behind it; `rng` goes on where the plan ended."""
    if evidence == "all":
        planned = part_of_everything(SHARE, rng)
        return filled(replace(planned, batches=planned.batches | _next_runs(planned, catalogue)), catalogue, rng)
    planned = split_layers(plan(rng, catalogue, most))
    if evidence == "papers":
        planned = with_papers(planned, np.random.default_rng([20252, seed]))
    return simulate(planned, catalogue, rng)


def examine(seed: int, most: int = 4, *, evidence: str = "weights") -> dict[str, Any]:
    """One bench: ranks of the truth, also in the broken program, and chances with what came true.

    Parameters: most, lots and fractions of each; evidence, one of `EVIDENCE`.
    """
    catalogue, rng = load_catalogue(), np.random.default_rng([20251, seed])
    made, truth = make(seed, catalogue, evidence, most, rng)
    runs = [Run(one.charges[0].address, one.charges[0].mass_kg, one.route) for one in made.batches.values()
            if one.name.startswith(NEXT)]  # fmt: skip
    made = without_specks(without_nothing(so_far(made)))
    began = time.process_time()
    try:
        posterior, spreads = _fit(made, catalogue, seed)
    except InferenceError as err:
        return {"seed": seed, "failed": err.message, "seconds": time.process_time() - began}
    seconds = time.process_time() - began
    ranked = Ranked(rng)
    _rank_beliefs(ranked, posterior, spreads, truth, made, catalogue)
    chances = _chances(posterior, truth, made, gather(made, catalogue))
    if runs:
        chances |= _rank_runs(ranked, posterior, runs, truth, made, catalogue)
    return {
        "seed": seed, "seconds": seconds, "ess": posterior.diagnostics.ess_min,
        "ranks": ranked.ranks, "twin": ranked.twin, "chances": chances,
    }  # fmt: skip


def _fit(made: Bench, catalogue: Catalogue, seed: int) -> tuple[Posterior, dict[tuple[str, str], Values]]:
    """What a person's fit gives, and the draws of the spreads between lots that evidence touches."""
    rng = np.random.default_rng(seed)
    if not gather(made, catalogue).cells():
        return draw_prior(made, catalogue, rng, FORWARD), {}
    theta, diagnostics, network = sample_network(build_network(made, catalogue), rng, fallback=False)
    tau = state_at(theta, network).tau
    spreads = {key: tau[:, n] for n, key in enumerate(network.axes["km"])}
    return posterior_of(theta, network, made, catalogue, rng, diagnostics), spreads


class Ranked:
    """Ranks of truths among draws, by what they are of; `twin`: among draws drawn together."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.rng = rng
        self.ranks: dict[str, list[int]] = {}
        self.twin: dict[str, list[int]] = {}

    def add(self, what: str, draws: Values, truth: float) -> None:
        thinned = draws[np.linspace(0, len(draws) - 1, RANKS).astype(int)]
        self.ranks.setdefault(what, []).append(self._rank(thinned, truth))
        self.twin.setdefault(what, []).append(self._rank(thinned.mean() + NARROW * (thinned - thinned.mean()), truth))

    def _rank(self, draws: Values, truth: float) -> int:
        below, same = int(np.sum(draws < truth)), int(np.sum(draws == truth))
        return below + int(self.rng.integers(0, same + 1))


def _rank_beliefs(
    ranked: Ranked, posterior: Posterior, spreads: Mapping[tuple[str, str], Values], truth: Truth, made: Bench,
    catalogue: Catalogue,
) -> None:  # fmt: skip
    touched = set(posterior.rests_on)
    for f, address in enumerate(posterior.fractions):
        for m, metal in enumerate(METALS):
            what = "grades with evidence" if (jar_of(address), metal) in touched else "grades without"
            ranked.add(what, np.log(posterior.grade_g_per_t[:, f, m]), math.log(truth.grade_g_per_t[address, metal]))
    for n, kind in enumerate(posterior.kinds):
        for m, metal in enumerate(METALS):
            means = np.log(posterior.kind_mean_g_per_t[:, n, m])
            ranked.add("kind means", means, math.log(truth.kind_mean_g_per_t[kind, metal]))
    for key, tau in spreads.items():
        ranked.add("spreads between lots", np.log(tau), math.log(truth.kind_spread[key]))
    run = {b.route for b in made.batches.values()}
    forms = {p.form for b in made.batches.values() for p in b.products}
    for n, route in enumerate(posterior.routes):
        for m, metal in enumerate(METALS):
            if route in run and metal in catalogue.routes[route].recovery:
                ranked.add("recoveries", posterior.recovery_logit[:, n, m], truth.recovery_logit[route, metal])
    for n, form in enumerate(posterior.forms):
        if form in forms:
            ranked.add("purities", posterior.form_z[:, n], truth.form_z[form])
    for m, metal in enumerate(METALS):
        ranked.add("hold-up", posterior.ln_a[:, m], truth.ln_a[metal])
    for charge, grams in posterior.charge_g.items():
        if charge in truth.charge_g:
            ranked.add("metal of charges", np.log(grams), math.log(truth.charge_g[charge]))
    for stream, grams in posterior.stream_g.items():
        ranked.add("metal set aside", np.log(grams), math.log(truth.stream_g[stream]))


def _rank_runs(
    ranked: Ranked, posterior: Posterior, runs: list[Run], truth: Truth, made: Bench, catalogue: Catalogue
) -> dict[str, list[list[float]]]:
    """Ranks of yields and net returns of runs that have not happened; chances of gain and of being the best."""
    outcome = run_forward(posterior, runs, catalogue, ranked.rng, FORWARD)
    came = np.array([[[truth.product_g.get((_name(run), metal), 0.0) for metal in METALS] for run in runs]])
    kinds = {run.address: made.fraction(run.address).kind for run in runs}
    coins = _prices({run.route for run in runs})
    money = value_runs(outcome, kinds, Basis(coins, catalogue, NamedDraws(ranked.rng, FORWARD)))
    true = value_runs(_as_outcome(came, runs, outcome), kinds, Basis(coins, catalogue, NamedDraws(ranked.rng, 1)))
    for n, run in enumerate(runs):
        for m, metal in enumerate(METALS):
            if metal in catalogue.routes[run.route].recovery:
                ranked.add("batch yields", np.log(outcome.recovered_g[:, n, m]), math.log(came[0, n, m]))
        ranked.add("net returns", money.advantage[:, n], float(true.advantage[0, n]))
    best = chance_best(money.advantage, money.hours)
    per_hour = true.advantage[0] / money.hours.mean(axis=0)
    is_best = (per_hour == per_hour.max()) & (per_hour > 0)
    return {
        "gain": [
            [float((money.advantage[:, n] > 0).mean()), float(true.advantage[0, n] > 0)] for n in range(len(runs))
        ],
        "the best run": [[float(best[n]), float(is_best[n])] for n in range(len(runs))],
    }


def _name(run: Run) -> str:
    return f"{NEXT}{run.address.replace('/', '-')}"


def _as_outcome(grams: Values, runs: list[Run], like: Outcome) -> Outcome:
    """What came out of the runs, as one draw."""
    nothing = np.zeros(grams.shape, dtype=bool)
    return Outcome(tuple(runs), METALS, grams, grams, grams, nothing, like.forms)


def _prices(routes: set[str]) -> Prices:
    """Invented prices under which about half of the runs are worth their hours; costs, hours and what is paid vary."""
    row = RouteCosts(Quantiles(10, 20, 40), Quantiles(2, 5, 12), Quantiles(1, 2, 4), Quantiles(0.3, 1, 3))
    return round_prices(
        dict.fromkeys(sorted(routes), row), hours_rate=25.0, payable=dict.fromkeys(METALS, Quantiles(0.85, 0.95, 0.99))
    )


def _chances(posterior: Posterior, truth: Truth, made: Bench, evidence: Evidence) -> dict[str, list[list[float]]]:
    found: dict[str, list[list[float]]] = {"traces": [], "failed run": []}
    seen, ash = set(), set(evidence.links)  # what is linked has no switch
    for f, address in enumerate(posterior.fractions):
        for m, metal in enumerate(METALS):
            key = (address.partition("/")[0], made.fraction(address).kind, metal)
            if key not in seen and (jar_of(address), metal) in posterior.rests_on and (address, metal) not in ash:
                seen.add(key)
                chance = float(posterior.is_trace[:, f, m].mean())
                found["traces"].append([chance, float(truth.is_trace[address, metal])])
    for key, chance in posterior.failed_chance.items():
        if key in truth.failed:
            found["failed run"].append([chance, float(truth.failed[key])])
    return found


def main() -> None:
    """Run what is missing of the asked benches, then report on all."""
    parser = options(__doc__, benches=40, file=".calibration.jsonl")
    parser.add_argument("--figure", type=Path, help="where histograms of the ranks and reliability are drawn")
    parser.add_argument("--most", type=int, default=4, help="lots, and fractions of each; a file for every size")
    parser.add_argument("--evidence", choices=EVIDENCE, default="weights", help="what benches hold; likewise")
    asked = parser.parse_args()
    one = partial(examine, most=asked.most, evidence=asked.evidence)
    rows = run_missing(one, range(asked.benches), asked.file, asked.processes)
    print(report(rows))
    if asked.figure:
        draw(rows, asked.figure)


if __name__ == "__main__":
    main()
