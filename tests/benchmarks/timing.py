"""How long the person waits: `python -m tests.benchmarks.timing` prints a table. It measures, it asserts nothing.

The bench is made from the prior (12 lots, 48 fractions, 43 batches, 5 of them pooled), and a quarter of it beside it:
ratios of one run on one machine say more than seconds do. The calls are those of the command line, each in a process
of its own, with the start of Python in it. With `--lots 60 100 1000` benches of those sizes are fitted anew as well,
and with `--reference` nutpie samples the posterior of the first of them.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import math
import os
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np

from gradeest.__main__ import SMALL_PAGES
from gradeest.belief.simulate import simulate
from gradeest.materials.catalogue import Catalogue, load_catalogue
from gradeest.records.domain import Batch, Bench, Charge, Fraction, Lot, Product
from gradeest.records.ledger import Ledger
from gradeest.records.payloads import lot_payload
from tests.benchmarks.full_network import without_nothing

DAY = dt.date(2024, 1, 6)
NOW = dt.datetime(2024, 1, 6, 12, tzinfo=dt.UTC)
SEED = 20240106
KINDS = ("fingers-memory", "fingers-cards", "pins-mixed", "cpu-ceramic")
LOTS, BATCHES, POOLED = 12, 43, 5
PRICES = """# Invented round numbers, for timing only.
currency = "EUR"
[metals]
Au = "80 / g"
Ag = "1 / g"
Pd = "30 / g"
"""


def plan_bench(lots: int, batches: int, pooled: int, catalogue: Catalogue) -> Bench:
    """Lots of four fractions, 2 kg each; batches take 0.5 kg, `pooled` of them of two lots (each of another pair)."""
    shelf = {
        f"lot{n}": Lot(f"lot{n}", DAY, tuple(Fraction(kind, kind, 2.0) for kind in KINDS)) for n in range(1, lots + 1)
    }
    addresses = [f"{lot}/{kind}" for kind in KINDS for lot in shelf]
    runs: dict[str, Batch] = {}
    for n in range(batches):
        first = addresses[n % len(addresses)]
        charges = [Charge(first, 0.5)]
        if n < lots and n % 2 == 0 and n < 2 * pooled:
            charges.append(Charge(addresses[n + 1], 0.5))
        route = catalogue.kinds[first.partition("/")[2]].usual_route
        form = catalogue.routes[route].usual_form["Au"]
        name = f"B{n + 1}"
        product = Product("au-1", name, "Au", form, 1.0, 0.01, DAY)
        runs[name] = Batch(name, DAY, route, tuple(charges), closed=DAY, products=(product,))
    return Bench(shelf, runs)


def events_of(bench: Bench) -> list[tuple[str, dict[str, object]]]:
    """The ledger's events that add up to the bench; a reading of next to nothing is recorded as nothing."""
    events: list[tuple[str, dict[str, object]]] = [("lot", lot_payload(lot)) for lot in bench.lots.values()]
    for batch in bench.batches.values():
        charges = [{"address": c.address, "mass_kg": c.mass_kg} for c in batch.charges]
        events.append(("batch", {"name": batch.name, "route": batch.route, "charges": charges}))
        for p in batch.products:
            common = {"batch": batch.name, "metal": p.metal}
            if p.weight_g < 2 * p.readability_g:
                events.append(("nondetect", {**common, "below_g": 2 * p.readability_g, "liquid": "tested-negative"}))
            else:
                weighed = {"form": p.form, "weight_g": p.weight_g, "readability_g": p.readability_g}
                events.append(("product", {**common, **weighed}))
        events.append(("close", {"batch": batch.name}))
    return events


def write_bench(folder: Path, lots: int, batches: int, pooled: int) -> None:
    """A ledger with a simulated bench, and prices, in `folder`."""
    catalogue = load_catalogue()
    bench, _ = simulate(plan_bench(lots, batches, pooled, catalogue), catalogue, np.random.default_rng(SEED))
    folder.mkdir()
    (folder / "prices.toml").write_text(PRICES, encoding="utf-8")
    offer = "".join(f'[[fraction]]\nname = "{kind}"\nkind = "{kind}"\nmass = "2 kg"\n' for kind in KINDS)
    (folder / "offer.toml").write_text(offer, encoding="utf-8")
    ledger = Ledger.open(folder / "gradeest.ledger", create=True)
    with ledger.atomic():
        for number, (kind, payload) in enumerate(events_of(bench)):
            ledger.append(kind, payload, happened_on=DAY, recorded_at=NOW, uuid=f"timing-{number}")
    ledger.close()


def seconds(folder: Path, *words: str, python: tuple[str, ...] = ("-m", "gradeest")) -> float:
    """Wall time of one call; a call that fails stops the measurement."""
    env = {**os.environ, "PYTHONPATH": str(Path(__file__).resolve().parents[2])}
    env.pop("GRADEEST_LEDGER", None)
    env.pop("PYTHONDONTWRITEBYTECODE", None)  # an installed program is not compiled at every start
    start = time.perf_counter()
    done = subprocess.run([sys.executable, *python, *words], cwd=folder, env=env, capture_output=True, text=True)
    taken = time.perf_counter() - start
    if done.returncode != 0:
        raise SystemExit(f"`{' '.join(words)}` failed:\n{done.stdout}{done.stderr}")
    return taken


@dataclass(frozen=True)
class Waits:
    """Seconds of one bench."""

    help: float
    first_rank: float
    rank_again: float
    rank_anew: float
    plan: float
    test_first: float
    compare: float
    bid: float
    grades: float
    record: float


def usual_result(kind: str, kg: float) -> tuple[str, float]:
    """Form and weight, g, of a gold product as the middle of the rows has it."""
    catalogue = load_catalogue()
    route = catalogue.routes[catalogue.kinds[kind].usual_route]
    form = route.usual_form["Au"]
    fine = catalogue.kinds[kind].grades["Au"].q50 * kg / 1000 * route.recovery["Au"].q50
    return form, fine / catalogue.forms[form].purity.q50


def measure(folder: Path, lots: int, next_batch: str) -> Waits:
    """Help, the first ranking (with its fit), the same from the cache, and a weight recorded up to the new ranking."""
    say = partial(print, file=sys.stderr, flush=True)
    say(f"measuring the {folder.name} bench ...")
    short_help = statistics.median(seconds(folder, "--help") for _ in range(5))
    first = seconds(folder, "rank")
    say(f"  the first ranking took {first:.1f} s")
    again = statistics.median(seconds(folder, "rank") for _ in range(3))
    anew = statistics.median(seconds(folder, "rank", "--if", f"Au=-{n}%") for n in (1, 2, 3))
    plan, test_first = seconds(folder, "plan", "--hours", "40"), seconds(folder, "test-first")
    bid = seconds(folder, "bid", "offer.toml")
    compare = seconds(folder, "compare", f"lot1/{KINDS[0]}", "--monthly", "300 g")
    grades = statistics.median(seconds(folder, "grades") for _ in range(3))
    charge = f"lot{lots}/{KINDS[-1]}=0.4 kg"  # a fraction not processed so far
    seconds(folder, "batch", "add", "--charge", charge, "--date", DAY.isoformat())
    form, grams = usual_result(KINDS[-1], 0.4)
    weight = ("--metal", "Au", "--form", form, "--weight", f"{grams:.2f} g", "--readability", "0.01 g")
    record = seconds(folder, "record", "product", next_batch, *weight, "--close", "--sure", "--date", DAY.isoformat())
    say(f"  a weight up to the next ranking took {record:.1f} s")
    return Waits(short_help, first, again, anew, plan, test_first, compare, bid, grades, record)


@dataclass(frozen=True)
class Fitted:
    """One fit, cold: without a cache, the program compiled before."""

    seconds: float
    megabytes: float
    settled: bool
    r_hat: float
    ess: float
    notes: str


FIT = """
import json, resource, sys, time
import numpy as np
from gradeest.belief.posterior import fit
from gradeest.belief.simulate import simulate
from gradeest.errors import InferenceError
from gradeest.materials.catalogue import load_catalogue
from tests.benchmarks import timing
from tests.benchmarks.full_network import without_nothing
lots, catalogue = int(sys.argv[1]), load_catalogue()
plan = timing.plan_bench(lots, timing.scaled(timing.BATCHES, lots), timing.scaled(timing.POOLED, lots), catalogue)
bench = without_nothing(simulate(plan, catalogue, np.random.default_rng(timing.SEED))[0])
start = time.perf_counter()
try:
    d = fit(bench, catalogue, fallback=False).diagnostics
except InferenceError as err:
    d = err.unfinished
taken = time.perf_counter() - start
memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
print(json.dumps([taken, memory, d.settled, d.r_hat_max, d.ess_min, "; ".join(d.notes)]))
"""


def scaled(count: int, lots: int) -> int:
    """A count of the usual bench for one of more lots."""
    return count * lots // LOTS


def fit_anew(lots: int) -> Fitted:
    """Fit a bench of so many lots in a process of its own."""
    print(f"fitting {lots} lots ...", file=sys.stderr, flush=True)
    words = [sys.executable, "-c", FIT, str(lots)]
    env = {**os.environ, **SMALL_PAGES, "PYTHONPATH": str(Path(__file__).resolve().parents[2])}
    done = subprocess.run(words, env=env, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        raise SystemExit(done.stderr)
    return Fitted(*json.loads(done.stdout.splitlines()[-1]))


def sample_reference(lots: int) -> tuple[float, float, float]:
    """Seconds that nutpie takes to compile and to sample the same posterior, and its smallest ESS."""
    from gradeest.belief import nuts
    from gradeest.belief.assembly import build_network

    catalogue = load_catalogue()
    plan = plan_bench(lots, scaled(BATCHES, lots), scaled(POOLED, lots), catalogue)
    bench = without_nothing(simulate(plan, catalogue, np.random.default_rng(SEED))[0])
    network = build_network(bench, catalogue)
    print("nutpie: compiling and sampling ...", file=sys.stderr, flush=True)
    start = time.perf_counter()
    compiled = nuts.compile_model(network)
    middle = time.perf_counter()
    theta, _ = nuts.sample(network, np.random.default_rng(1), draws=1000, tune=1000, compiled=compiled)
    end = time.perf_counter()
    return middle - start, end - middle, nuts.diagnose(theta)[1]


def print_fits(lots: list[int], reference: bool) -> None:
    """Fits of benches of several sizes; how time grows between the last two; the reference beside the first."""
    found = {n: fit_anew(n) for n in lots}
    print(f"\n{'fitted anew':14}{'s':>9}{'MB':>8}{'settled':>9}{'R-hat':>8}{'ESS':>7}")
    for n, fitted in found.items():
        print(
            f"{n:6d} lots   {fitted.seconds:9.1f}{fitted.megabytes:8.0f}{'yes' if fitted.settled else 'NO':>9}"
            f"{fitted.r_hat:8.3f}{fitted.ess:7.0f}  {fitted.notes}"
        )
    if len(lots) > 1:
        few, many = lots[-2:]
        slope = math.log(found[many].seconds / found[few].seconds) / math.log(many / few)
        print(f"time grows from {few} to {many} lots as their number to the power {slope:.2f}")
    if reference:
        compiling, sampling, ess = sample_reference(lots[0])
        per_ess = found[lots[0]].seconds / found[lots[0]].ess
        print(f"nutpie on {lots[0]} lots: {compiling:.1f} s compiling, {sampling:.1f} s sampling, ESS {ess:.0f}")
        print(
            f"  compiled anew: {(compiling + sampling) / found[lots[0]].seconds:.1f} x the seconds of the fast engine"
        )
        print(f"  sampling only, per effective draw: {sampling / ess / per_ess:.1f} x")


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--lots", type=int, nargs="*", default=[], help="sizes of benches to fit anew as well")
    parser.add_argument("--reference", action="store_true", help="sample the first of them with nutpie too")
    chosen = parser.parse_args()
    print_waits()
    if chosen.lots:
        print_fits(chosen.lots, chosen.reference)


def print_waits() -> None:
    """How long commands take."""
    with tempfile.TemporaryDirectory() as top:
        whole, quarter = Path(top) / "whole", Path(top) / "quarter"
        write_bench(whole, LOTS, BATCHES, POOLED)
        write_bench(quarter, LOTS // 4, BATCHES // 4, POOLED // 4)
        start = statistics.median(seconds(whole, python=("-c", "import numpy")) for _ in range(5))
        small = measure(quarter, LOTS // 4, f"B{BATCHES // 4 + 1}")
        large = measure(whole, LOTS, f"B{BATCHES + 1}")
    print(f"Python {sys.version.split()[0]}, {os.cpu_count()} cores; starting Python with numpy: {start:.2f} s")
    print(f"whole: {LOTS} lots, {LOTS * len(KINDS)} fractions, {BATCHES} batches; quarter: a quarter of each\n")
    print(f"{'':44}{'quarter s':>10}{'whole s':>10}{'whole/quarter':>15}{'whole/start':>13}")
    for name, text in (
        ("help", "--help"),
        ("first_rank", "rank, fitted anew"),
        ("rank_again", "rank, from the cache"),
        ("rank_anew", "rank at other prices, belief from the cache"),
        ("plan", "plan, from the cache"),
        ("test_first", "test-first for all, from the cache"),
        ("compare", "compare for one, from the cache"),
        ("bid", "bid on a lot of four, from the cache"),
        ("grades", "grades, from the cache"),
        ("record", "record product up to the next ranking"),
    ):
        a, b = getattr(small, name), getattr(large, name)
        print(f"{text:44}{a:10.2f}{b:10.2f}{b / a:15.2f}{b / start:13.1f}")


if __name__ == "__main__":
    main()
