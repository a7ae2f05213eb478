"""How far the fast engine is from long runs: `python -m tests.benchmarks.accuracy --benches 12 --nuts 4`.

Every bench takes half of the evidence of `every_evidence`, by chance, filled from the prior (`full_network`);
together they hold every kind. Each is fitted as a person's bench is, and sampled at length: by many more particles that
start elsewhere and take shorter steps, and the first few (`--nuts`) by the reference engine too, which compiles for
each. Errors of means and of 5 and 95 % points are in posterior sd, within each side of a switch (present or traces);
those of P(trace) and of a failed run are differences of chances. Beside them stands what the long runs themselves leave
open (from their halves), how the two references differ, and what the same table says of broken engines. One line of a
file per bench: a run that was stopped goes on where it was. It measures, it asserts nothing.
"""

from __future__ import annotations

import math
import time
import warnings
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gradeest.belief.assembly import build_network
from gradeest.belief.decode import decode
from gradeest.belief.network import Network
from gradeest.belief.posterior import diagnose, sample_network
from gradeest.belief.sampler import Sampler
from gradeest.errors import InferenceError
from gradeest.materials.catalogue import Catalogue, load_catalogue
from gradeest.records.domain import Bench
from tests.benchmarks.full_network import (
    MOST_TRIES,
    filled,
    kinds_of_evidence,
    of_its_products,
    part_of_everything,
)
from tests.benchmarks.resumable import Row, options, run_missing

Values = NDArray[np.float64]
Errors = dict[str, list[float]]
Told = tuple[Mapping[str, Values], Mapping[str, Values]]  # numbers (nan: other side of a switch), choices; by name
TAKEN = 1 / 2  # of the batches and assays
PARTICLES, ADAPTING, DRAWING, ACCEPTANCE = 384, 50, 120, 0.9  # of the long run
NUTS_DRAWS, NUTS_TUNE = 3000, 1500  # of each of four chains
MOST_R_HAT, LEAST_ESS = 1.02, 400.0  # of a run that may judge
LEAST_SIDE = 0.05  # chance of a side of a switch below which its points are not compared
BARS = {"means": 0.06, "5 and 95 % points": 0.12, "P(trace)": 0.03, "P(failed run)": 0.03}
TWINS = {"shifted by 0.15 sd": (0.15, 1.0), "spread x 0.9": (0.0, 0.9)}  # broken engines


def make_bench(seed: int, catalogue: Catalogue) -> Bench:
    """Part of every kind of evidence with results from the prior; drawn again until its kinds came out."""
    rng = np.random.default_rng([20261128, seed])
    plan = part_of_everything(TAKEN, rng)
    wanted = kinds_of_evidence(plan)
    for _ in range(MOST_TRIES):
        made = of_its_products(filled(plan, catalogue, rng)[0])
        if kinds_of_evidence(made) >= wanted:
            return made
    raise RuntimeError(f"no bench with {wanted} in {MOST_TRIES} tries")


def quantities(theta: Values, network: Network) -> Told:
    """What draws (draw, unknown) say of everything that is compared."""
    state, found = decode(theta, network, np.random.default_rng(1))
    numbers: dict[str, Values] = {}
    for cell in network.cells:
        values = found.ln_grade[cell.address, cell.metal]
        trace = found.switches[cell.lot, cell.kind, cell.metal]
        numbers[f"ln grade of {cell.address} {cell.metal}, present"] = np.where(trace, np.nan, values)
        numbers[f"ln grade of {cell.address} {cell.metal}, traces"] = np.where(trace, values, np.nan)
    numbers |= {"mu " + " ".join(key): state.mu[:, n] for n, key in enumerate(network.axes["km"])}
    numbers |= {"ln tau " + " ".join(key): np.log(state.tau[:, n]) for n, key in enumerate(network.axes["km"])}
    numbers |= {"recovery " + " ".join(key): state.recovery_logit[:, n] for n, key in enumerate(network.axes["rm"])}
    choices = {"P(trace) " + " ".join(key): flags.astype(float) for key, flags in found.switches.items()}
    choices |= {"P(failed run) " + " ".join(key): flags.astype(float) for key, flags in found.failed.items()}
    return numbers, choices


def errors(mine: Told, theirs: Told, shift: float = 0.0, narrow: float = 1.0) -> Errors:
    """Errors of mine against theirs, by what they are of; shift (in sd) and narrow break mine."""
    found: Errors = {name: [] for name in BARS}
    for name, reference in theirs[0].items():
        there, here = reference[np.isfinite(reference)], mine[0][name][np.isfinite(mine[0][name])]
        if len(there) < LEAST_SIDE * len(reference):
            continue
        if not len(here):
            found["means"].append(math.inf)
            continue
        sd = there.std()
        here = here.mean() + narrow * (here - here.mean()) + shift * sd
        found["means"].append(float((here.mean() - there.mean()) / sd))
        points = np.quantile(here, [0.05, 0.95]) - np.quantile(there, [0.05, 0.95])
        found["5 and 95 % points"] += [float(gap / sd) for gap in points]
    for name, reference in theirs[1].items():
        found[name[: name.index(")") + 1]].append(float(mine[1][name].mean() - reference.mean()))
    return found


def long_run(network: Network, seed: int) -> tuple[Values, Network]:
    """Draws (particle, draw, unknown) of many particles that start elsewhere, and the network they are draws of."""
    sampler = Sampler(network, np.random.default_rng([seed, 1]), PARTICLES)
    sampler.adapt(ADAPTING)
    sampler.adapt(ADAPTING, target=ACCEPTANCE)
    theta, _, sampled = sampler.draw(DRAWING)
    return theta, sampled


def nuts_run(network: Network, seed: int) -> tuple[Values, Network]:
    """Draws (chain, draw, unknown) of the reference engine."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of a missing linear algebra library, which nothing here needs
        from gradeest.belief import nuts

        theta, _ = nuts.sample(network, np.random.default_rng(seed), draws=NUTS_DRAWS, tune=NUTS_TUNE)
    return theta, network


def judge(theta: Values, network: Network) -> dict[str, Any]:
    """How well a long run went, by its unknowns other than idle copies, and what its halves differ by."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        r_hat, ess = diagnose(theta[:, :, network.normals])
    half = len(theta) // 2
    halves = [quantities(part.reshape(-1, network.size), network) for part in (theta[:half], theta[half:])]
    return {"r_hat": r_hat, "ess": ess, "halves": errors(*halves)}


def examine(seed: int, nuts: int = 0) -> dict[str, Any]:
    """One bench: errors of the fast engine against a long run (and NUTS, if the seed is below `nuts`)."""
    catalogue = load_catalogue()
    made = make_bench(seed, catalogue)
    network = build_network(made, catalogue)
    row: dict[str, Any] = {"seed": seed, "unknowns": network.size, "evidence": sorted(kinds_of_evidence(made))}
    began = time.process_time()
    try:
        theta, diagnostics, fitted = sample_network(network, np.random.default_rng(seed), fallback=False)
    except InferenceError as err:
        return row | {"not settled": vars(err.unfinished), "seconds": [time.process_time() - began]}
    mine, seconds = quantities(theta, fitted), [time.process_time() - began]
    told = {}
    for name, run in (("long", long_run), ("nuts", nuts_run)):
        if name == "nuts" and seed >= nuts:
            continue
        began = time.process_time()
        theta, sampled = run(network, seed)
        seconds.append(time.process_time() - began)
        told[name] = quantities(theta.reshape(-1, sampled.size), sampled)
        row[name] = judge(theta, sampled) | {"errors": errors(mine, told[name])}
    if "nuts" in told:
        row["nuts"]["long"] = errors(told["long"], told["nuts"])
    twins = {name: errors(mine, told["long"], *broken) for name, broken in TWINS.items()}
    return row | {"seconds": seconds, "ess": diagnostics.ess_min, "twins": twins}


def rms(values: Iterable[float]) -> float:
    squares = [value * value for value in values]
    return math.sqrt(sum(squares) / len(squares)) if squares else math.nan


def line(name: str, of: Sequence[Errors], factor: float = 1.0) -> str:
    said = [rms(factor * value for one in of for value in one[what]) for what in BARS]
    return f"{name:33}" + "".join(f"{value:12.3f}" for value in said)


def may_judge(run: Mapping[str, Any] | None) -> bool:
    """Whether a long run settled."""
    return run is not None and run["r_hat"] <= MOST_R_HAT and run["ess"] >= LEAST_ESS


def report(rows: list[Row]) -> str:
    """The table of a run."""
    heads = ("means", "5/95 %", "P(trace)", "P(failed)")
    lines = [f"{'rms error (posterior sd; chances)':33}" + "".join(f"{head:>12}" for head in heads)]
    judged = [r for r in rows if may_judge(r.get("long"))]
    by_nuts = [r for r in judged if may_judge(r.get("nuts"))]
    lines += [line(f"bench {r['seed']}, {r['unknowns']} unknowns", [r["long"]["errors"]]) for r in judged]
    if judged:
        lines.append(line(f"all {len(judged)} benches", [r["long"]["errors"] for r in judged]))
        lines.append(f"{'bar':33}" + "".join(f"{bar:12.3f}" for bar in BARS.values()))
        worst = [max((abs(v) for r in judged for v in r["long"]["errors"][what]), default=0) for what in BARS]
        lines.append(f"{'worst single error':33}" + "".join(f"{value:12.3f}" for value in worst))
        # two halves differ by twice the error of their mean
        lines.append(line("left open by the long runs", [r["long"]["halves"] for r in judged], 0.5))
        lines += [line(f"twin: {name}", [r["twins"][name] for r in judged]) for name in TWINS]
    if by_nuts:
        lines.append(line(f"against NUTS, {len(by_nuts)} benches", [r["nuts"]["errors"] for r in by_nuts]))
        lines.append(line("long runs against NUTS", [r["nuts"]["long"] for r in by_nuts]))
        lines.append(line("left open by NUTS", [r["nuts"]["halves"] for r in by_nuts], 0.5))
    kinds = Counter(kind for r in judged for kind in r["evidence"])
    lines.append("benches with: " + ", ".join(f"{kind} {count}" for kind, count in sorted(kinds.items())))
    for name, left_out in (
        ("the fast engine did not settle (it would ask the reference)", [r for r in rows if "not settled" in r]),
        ("the long run did not settle", [r for r in rows if "long" in r and not may_judge(r["long"])]),
        ("NUTS did not settle", [r for r in rows if "nuts" in r and not may_judge(r["nuts"])]),
    ):
        if left_out:
            lines.append(f"{name}: bench {', '.join(str(r['seed']) for r in left_out)}")
    return "\n".join(lines)


def main() -> None:
    """Run what is missing of the asked benches, then report on all."""
    parser = options(__doc__, benches=12, file=".accuracy.jsonl")
    parser.add_argument("--nuts", type=int, default=0, help="so many of the benches are sampled by NUTS as well")
    asked = parser.parse_args()
    print(report(run_missing(partial(examine, nuts=asked.nuts), range(asked.benches), asked.file, asked.processes)))


if __name__ == "__main__":
    main()
