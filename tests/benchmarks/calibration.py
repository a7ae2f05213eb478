"""Simulation-based calibration: `python -m tests.benchmarks.calibration --benches 300` prints cover and reliability.

Each bench is planned at random and filled from the prior (`belief.simulate`); it is fitted, and the truth's rank among
the draws is kept (Talts et al. 2018, arXiv:1804.06788). One seed per bench, one line of a file per bench: a run that
was stopped goes on where it was. Ties are broken at random. It asserts nothing.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
import time
from collections.abc import Iterable, Mapping
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gradeest.belief.layers import split_layers
from gradeest.belief.posterior import Posterior, fit
from gradeest.belief.simulate import Truth, simulate
from gradeest.errors import InferenceError
from gradeest.materials.catalogue import Catalogue, load_catalogue
from gradeest.records.domain import METALS, Assay, BalanceCheck, Batch, Bench, Fraction, Lot
from tests.engine_bench import DAY, batch, bench, lot, product

Values = NDArray[np.float64]
KINDS = (
    *("fingers-memory", "fingers-cards", "pins-mixed", "chips-mixed", "chips-from-2014", "cpu-ceramic"),
    *("mlcc-nonmagnetic", "mlcc-unsorted", "relays-signal"),
)
LEVELS = (0.5, 0.8, 0.9, 0.95)
RANKS = 199  # draws a truth is ranked among


def plan(rng: np.random.Generator, catalogue: Catalogue) -> Bench:
    """Two to four lots of two to four fractions, and a batch with results for most of them."""
    lots = [_lot(f"L{n + 1}", rng) for n in range(int(rng.integers(2, 5)))]
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
    return bench(lots, batches, assays, checks)


def _lot(name: str, rng: np.random.Generator) -> Lot:
    kinds = rng.choice(KINDS, size=int(rng.integers(2, 5)), replace=False)
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


def without_nothing(made: Bench) -> Bench:
    """A reading of zero is typed as `nothing`, the limit being what the balance would have shown."""
    from gradeest.records.domain import NonDetect

    batches = {}
    for name, one in made.batches.items():
        kept = tuple(p for p in one.products if p.weight_g >= p.readability_g)
        empty = {p.metal for p in one.products} - {p.metal for p in kept}
        limits = [
            NonDetect(name, metal, 1.5 * next(p.readability_g for p in one.products if p.metal == metal),
                      "tested-negative", DAY)
            for metal in sorted(empty)
        ]  # fmt: skip
        batches[name] = replace(one, products=kept, nondetects=(*one.nondetects, *limits))
    return replace(made, batches=batches)


def examine(seed: int, narrow: float = 1.0) -> dict[str, Any]:
    """One bench: ranks of the truth and probabilities with what came true.

    Parameters: narrow, a factor on the posterior's spread (the twin that must be caught).
    """
    catalogue, rng = load_catalogue(), np.random.default_rng([20251, seed])
    planned = split_layers(plan(rng, catalogue))
    made, truth = simulate(planned, catalogue, rng)
    made = without_nothing(made)
    began = time.process_time()
    try:
        posterior = fit(made, catalogue, seed=seed, fallback=False)
    except InferenceError as err:
        return {"seed": seed, "failed": err.message, "seconds": time.process_time() - began}
    found = {
        "seed": seed,
        "seconds": time.process_time() - began,
        "ess": posterior.diagnostics.ess_min,
        "ranks": _ranks(posterior, truth, made, catalogue, rng, narrow),
        "chances": _chances(posterior, truth, made),
    }
    return found


def _ranks(
    posterior: Posterior, truth: Truth, made: Bench, catalogue: Catalogue, rng: np.random.Generator, narrow: float
) -> dict[str, list[int]]:
    ranks: dict[str, list[int]] = {}

    def rank(what: str, draws: Values, value: float) -> None:
        thinned = draws[np.linspace(0, len(draws) - 1, RANKS).astype(int)]
        thinned = thinned.mean() + narrow * (thinned - thinned.mean())
        below, same = int(np.sum(thinned < value)), int(np.sum(thinned == value))
        ranks.setdefault(what, []).append(below + int(rng.integers(0, same + 1)))

    touched = set(posterior.rests_on)
    for f, address in enumerate(posterior.fractions):
        for m, metal in enumerate(METALS):
            what = "grades with evidence" if (address, metal) in touched else "grades without"
            rank(what, np.log(posterior.grade_g_per_t[:, f, m]), math.log(truth.grade_g_per_t[address, metal]))
    for n, kind in enumerate(posterior.kinds):
        for m, metal in enumerate(METALS):
            rank("kind means", posterior.kind_mean_g_per_t[:, n, m], truth.kind_mean_g_per_t[kind, metal])
    run = {b.route for b in made.batches.values()}
    forms = {p.form for b in made.batches.values() for p in b.products}
    for n, route in enumerate(posterior.routes):
        for m, metal in enumerate(METALS):
            if route in run and metal in catalogue.routes[route].recovery:
                rank("recoveries", posterior.recovery_logit[:, n, m], truth.recovery_logit[route, metal])
    for n, form in enumerate(posterior.forms):
        if form in forms:
            rank("purities", posterior.form_z[:, n], truth.form_z[form])
    for m, metal in enumerate(METALS):
        rank("hold-up", posterior.ln_a[:, m], truth.ln_a[metal])
    return ranks


def _chances(posterior: Posterior, truth: Truth, made: Bench) -> dict[str, list[list[float]]]:
    found: dict[str, list[list[float]]] = {"traces": [], "failed run": []}
    seen = set()
    for f, address in enumerate(posterior.fractions):
        for m, metal in enumerate(METALS):
            key = (address.partition("/")[0], made.fraction(address).kind, metal)
            if key not in seen and (address, metal) in posterior.rests_on:
                seen.add(key)
                chance = float(posterior.is_trace[:, f, m].mean())
                found["traces"].append([chance, float(truth.is_trace[address, metal])])
    for key, chance in posterior.failed_chance.items():
        if key in truth.failed:
            found["failed run"].append([chance, float(truth.failed[key])])
    return found


def cover(ranks: Iterable[int], level: float) -> float:
    """Share of ranks inside the central interval of a level."""
    u = (np.asarray(list(ranks)) + 0.5) / (RANKS + 1)
    return float(np.mean(np.abs(u - 0.5) <= level / 2))


def report(rows: list[Mapping[str, Any]]) -> str:
    """The tables of a run."""
    done = [row for row in rows if "ranks" in row]
    lines = [
        f"{len(done)} benches, {len(rows) - len(done)} not settled; fit: median "
        f"{np.median([r['seconds'] for r in done]):.1f} s, longest {max(r['seconds'] for r in done):.1f} s CPU"
    ]
    lines.append(f"{'truth inside the interval of':28}{'ranks':>7}" + "".join(f"{level:>8.0%}" for level in LEVELS))
    names = dict.fromkeys(name for row in done for name in row["ranks"])
    for name in names:
        ranks = [rank for row in done for rank in row["ranks"].get(name, ())]
        shares = "".join(f"{cover(ranks, level):8.3f}" for level in LEVELS)
        lines.append(f"{name:28}{len(ranks):7}{shares}")
    # ranks of one bench hang together: the error is that of means over benches
    for level in LEVELS:
        means = [
            cover(row["ranks"]["grades with evidence"], level)
            for row in done
            if row["ranks"].get("grades with evidence")
        ]
        lines.append(
            f"  grades with evidence at {level:.0%}: standard error {np.std(means, ddof=1) / math.sqrt(len(means)):.3f}"
        )
    for name in ("traces", "failed run"):
        pairs = np.array([pair for row in done for pair in row["chances"][name]])
        lines.append(f"{name}: Brier score {np.mean((pairs[:, 0] - pairs[:, 1]) ** 2):.4f} of {len(pairs)}")
        for low, high in ((0, 0.05), (0.05, 0.25), (0.25, 0.5), (0.5, 0.75), (0.75, 1.001)):
            inside = pairs[(pairs[:, 0] >= low) & (pairs[:, 0] < high)]
            if len(inside):
                error = math.sqrt(max(float(np.mean(inside[:, 0] * (1 - inside[:, 0]))), 1e-9) / len(inside))
                lines.append(
                    f"  said {low:.2f}-{min(high, 1):.2f}: {len(inside):5}, said on average {inside[:, 0].mean():.3f}, "
                    f"came true {inside[:, 1].mean():.3f} (+-{error:.3f})"
                )
    return "\n".join(lines)


def main() -> None:
    """Run what is missing of the asked benches, then report on all."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--benches", type=int, default=40)
    parser.add_argument("--file", type=Path, default=Path(".calibration.jsonl"))
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--figure", type=Path)
    asked = parser.parse_args()
    rows = [json.loads(line) for line in asked.file.read_text().splitlines()] if asked.file.exists() else []
    missing = [seed for seed in range(asked.benches) if seed not in {row["seed"] for row in rows}]
    with ProcessPoolExecutor(asked.processes) as pool, asked.file.open("a", encoding="utf-8") as kept:
        waiting = [pool.submit(examine, seed) for seed in missing]
        for n, one in enumerate(as_completed(waiting)):
            rows.append(one.result())
            kept.write(json.dumps(rows[-1]) + "\n")
            kept.flush()
            print(f"\r{n + 1} of {len(missing)}", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    print(report(rows))
    if asked.figure:
        draw(rows, asked.figure)


def draw(rows: list[Mapping[str, Any]], path: Path) -> None:
    """Histograms of the ranks, with the band that flat ranks keep to in 95 of 100 cases."""
    from matplotlib.figure import Figure
    from scipy.stats import binom

    names = list(dict.fromkeys(name for row in rows for name in row.get("ranks", ())))
    figure = Figure(figsize=(8, 1.8 * len(names)), layout="constrained")
    for axes, name in zip(figure.subplots(len(names), 1, squeeze=False)[:, 0], names, strict=True):
        ranks = [rank for row in rows for rank in row.get("ranks", {}).get(name, ())]
        axes.hist(ranks, bins=20, range=(0, RANKS + 1), color="0.6", edgecolor="0.3")
        axes.axhspan(*binom.interval(0.95, len(ranks), 1 / 20), color="0.85", zorder=0)
        axes.set_title(f"{name}: {len(ranks)} ranks", fontsize=9)
    figure.savefig(path)


if __name__ == "__main__":
    main()
