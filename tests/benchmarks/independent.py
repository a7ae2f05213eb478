"""The model written anew as a program in numpyro: forwards, straight from the records, nothing of the belief room.

Every unknown is drawn as one draws it when telling the story: class, kind, lot, fraction, portion, run, product,
balance; what was read follows from what went in. All joint choices (traces or present, failed or ordinary) are listed
and summed. NUTS walks in these coordinates, which is slow where weights are sharp: the benches' balances are coarse.

    pip install numpyro
    python -m tests.benchmarks.independent [--draws N]

prints what the program and the fast engine say, and every difference beyond four Monte Carlo errors;
then the same against a program whose recoveries are lower (`--twin`), which must be found to differ. It takes minutes.
"""

from __future__ import annotations

import argparse
import itertools
import math
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import jax
import jax.numpy as jnp
import numpy as np
import numpyro
from jax.scipy.special import log_ndtr, logsumexp
from numpy.typing import NDArray
from numpyro import distributions as dist
from numpyro.diagnostics import effective_sample_size, split_gelman_rubin
from numpyro.infer import MCMC, NUTS, init_to_median

from gradeest.belief.posterior import Posterior, fit
from gradeest.materials.catalogue import Catalogue, Quantiles, load_catalogue
from gradeest.records.domain import METALS, Batch, Bench, Fraction, NonDetect
from tests import engine_bench as made
from tests.engine_bench import DAY, assay, bench, lot

Values = NDArray[np.float64]
Choice = tuple[str, ...]  # ("traces", lot, kind, metal) or ("failed", batch, metal)
ALL_THE_METAL = 1 - 1e-12  # a recovery that cannot be told from everything
NEWTON_STEPS = 7  # for the metal that would just have shown; five are exact to 1e-12
CHAINS = 4
WORST = 4.0  # Monte Carlo errors
ROUNDED = 0.002  # chances and shares that are counted in a few thousand draws
TWIN = 1.0  # logit, lower recoveries
Z95 = 1.6448536269514722


def logit(p: float) -> float:
    return math.log(p / (1 - p))


def log_interval(low: Any, high: Any) -> Any:
    """ln of the standard normal between two ends, in either tail."""
    a, b = jnp.where(low > 0, -high, low), jnp.where(low > 0, -low, high)
    return log_ndtr(b) + jnp.log(-jnp.expm1(jnp.minimum(log_ndtr(a) - log_ndtr(b), -1e-12)))


@dataclass
class Program:
    """A bench to be told forwards. Each batch has at most one product of a metal; nothing is damp, wet or a jar."""

    bench: Bench
    catalogue: Catalogue
    decided: frozenset[Choice] = frozenset()  # choices taken as not so: no traces, no failed run
    weak_recovery: float = 0.0  # for a test of the test: every recovery is lower by this, on the logit scale
    choices: tuple[Choice, ...] = field(init=False)
    which: Values = field(init=False)  # (configuration, choice), 0 or 1

    def __post_init__(self) -> None:
        self.k = self.catalogue.constants
        found: dict[Choice, None] = {}
        for address, metal in self.touched():
            kind = self.bench.fraction(address).kind
            pair = self.catalogue.kinds[kind].correlation
            for each in {metal, pair.first} if pair is not None and pair.second == metal else {metal}:
                found["traces", address.split("/")[0], kind, each] = None
        for batch in self.bench.batches.values():
            found.update({("failed", batch.name, p.metal): None for p in batch.products})
        self.choices = tuple(sorted(set(found) - self.decided))
        self.which = np.array(list(itertools.product((0, 1), repeat=len(self.choices))), dtype=float)
        self.normals: dict[tuple[str, ...], int] = {}
        self.drawn: Any = None
        self.kept: dict[tuple[str, ...], Any] = {}
        with numpyro.handlers.seed(rng_seed=0):
            self.weigh()  # only to see which unknowns are asked for

    def touched(self) -> list[tuple[str, str]]:
        """Fractions and metals of which some result tells."""
        told = [(a.address, a.metal) for a in self.bench.assays]
        for batch in self.bench.batches.values():
            metals = {r.metal for r in (*batch.products, *batch.nondetects)}
            told += [(c.address, metal) for c in batch.charges for metal in METALS if metal in metals]
        return list(dict.fromkeys(told))

    def chosen(self, *choice: str) -> Any:
        """Whether each configuration takes that side."""
        if choice in self.decided:
            return jnp.zeros(len(self.which), dtype=bool)
        return jnp.asarray(self.which[:, self.choices.index(choice)] == 1)

    def __call__(self) -> None:
        """The program: what numpyro runs."""
        self.kept = {}
        drawn = numpyro.sample("normals", dist.Normal().expand([len(self.normals)]).to_event(1))
        self.drawn = [part[0] for part in jnp.split(drawn, len(self.normals))]
        weight = self.weigh()
        numpyro.factor("evidence", logsumexp(weight))
        self.tell(weight)

    def weigh(self) -> Any:
        """ln prior chance of every configuration times what the evidence says of it."""
        weight = self.chances()
        self.metal = {cell: self.charge(*cell) for cell in self.touched()}
        for batch in self.bench.batches.values():
            for product in batch.products:
                weight = weight + self.reading(batch, product.metal)
            for nothing in batch.nondetects:
                weight = weight + self.nothing_dropped(batch, nothing.metal, nothing.below_g)
        for a in self.bench.assays:
            gap = (math.log(a.value_g_per_t) - jnp.log(self.grade(a.address, a.metal))) / a.u_rel
            weight = weight + (log_ndtr(gap) if a.below_detection else -0.5 * gap**2)
        return weight

    def tell(self, weight: Any) -> None:
        """What a person is shown: chances of choices, grades of a configuration picked by its weight."""
        share = jnp.exp(weight - logsumexp(weight))
        for n, choice in enumerate(self.choices):
            numpyro.deterministic(" ".join(choice), share @ self.which[:, n])
        pick = jnp.sum(jnp.cumsum(share) < numpyro.sample("pick", dist.Uniform()))  # nothing else depends on it
        pick = jnp.minimum(pick, len(self.which) - 1)
        for address, metal in self.touched():
            numpyro.deterministic(f"ln grade {address} {metal}", jnp.log(self.grade(address, metal))[pick])

    def once(self, name: tuple[str, ...], make: Any) -> Any:
        if name not in self.kept:
            self.kept[name] = make()
        return self.kept[name]

    def named(self, *name: str) -> Any:
        """A standard normal of its own."""
        place = self.normals.setdefault(name, len(self.normals))
        return self.drawn[place] if self.drawn is not None else 0.0

    def chances(self) -> Any:
        """ln of each configuration's prior chance."""
        total = jnp.zeros(len(self.which))
        for choice in (*self.choices, *sorted(self.decided)):
            yes = self.chosen(*choice)
            if choice[0] == "failed":
                p = self.k["recovery.failed_share"]
                total = total + jnp.where(yes, math.log(p), math.log1p(-p))
                continue
            _, lot, kind, metal = choice
            rows, pair = self.catalogue.kinds[kind].grades, self.catalogue.kinds[kind].correlation
            p, must = rows[metal].p_absent, None
            if pair is not None and pair.second_needs_first and metal == pair.second:
                first = rows[pair.first].p_absent
                p, must = max((p - first) / (1 - first), 0.01), self.chosen("traces", lot, kind, pair.first)
            odds = logit(p) + self.k["grade.logit_absent_sd"] * self.named("absent", kind, metal)
            said = jnp.where(yes, jax.nn.log_sigmoid(odds), jax.nn.log_sigmoid(-odds))
            total = total + (said if must is None else jnp.where(must, jnp.where(yes, 0.0, -jnp.inf), said))
        return total

    def paired(self, kind: str, metal: str, *name: str) -> Any:
        """A named standard normal, correlated with that of the metal it goes with."""
        pair = self.catalogue.kinds[kind].correlation
        if pair is None or metal != pair.second:
            return self.named(*name, metal)
        c = pair.correlation
        return c * self.named(*name, pair.first) + math.sqrt(1 - c * c) * self.named(*name, metal)

    def grade(self, address: str, metal: str) -> Any:
        """Grade of a fraction under every configuration, g/t."""
        lot, k = address.split("/")[0], self.k
        fraction = self.bench.fraction(address)
        kind = self.catalogue.kinds[fraction.kind]
        row = kind.grades[metal]
        top = row.max_g_per_t
        stretch = 1 / (1 - row.q50 / top)

        def spread() -> Any:
            cut = k["grade.ln_tau_cut_sd"]
            z = numpyro.sample(f"tau {kind.id} {metal}", dist.TruncatedNormal(0.0, 1.0, low=-cut, high=cut))
            return jnp.exp(math.log(math.log(row.gsd_between) * stretch) + k["grade.ln_tau_sd"] * z)

        h, c = k["grade.shared_kind_share"], k["grade.richness_share"]
        level = math.sqrt(h) * self.named("class", kind.cls, metal)
        level = level + math.sqrt(1 - h) * self.paired(kind.id, metal, "kind", kind.id)
        tau = self.once(("tau", kind.id, metal), spread) * (k["grade.mixed_tau_factor"] if fraction.mixed else 1.0)
        own = math.sqrt(c) * self.named("lot", lot, metal)
        own = own + math.sqrt(1 - c) * self.paired(kind.id, metal, "fraction", address)
        x = logit(row.q50 / top) + math.log(row.gsd_class_mean) * stretch * level + tau * own
        trace = logit(k[f"grade.trace_g_per_t.{metal}"] / top)
        trace = trace + k["grade.trace_log_sd"] * self.named("trace", address, metal)
        return top * jax.nn.sigmoid(jnp.where(self.chosen("traces", lot, kind.id, metal), trace, x))

    def charge(self, address: str, metal: str) -> dict[str, Any]:
        """Metal of every portion of a fraction, g, by batch."""
        fraction = self.bench.fraction(address)
        kind = self.catalogue.kinds[fraction.kind]
        taken = {b.name: c.mass_kg for b in self.bench.batches.values() for c in b.charges if c.address == address}
        told = {
            name: kg
            for name, kg in taken.items()
            if any(r.metal == metal for r in (*self.bench.batches[name].products, *self.bench.batches[name].nondetects))
        }
        rest = fraction.mass_kg - sum(told.values())
        parts = {**told, **({"rest": rest} if rest > 1e-6 * fraction.mass_kg else {})}
        whole = self.grade(address, metal) * fraction.mass_kg / 1000
        if len(parts) == 1:
            return dict.fromkeys(parts, whole)
        pieces = fraction.pieces / fraction.mass_kg if fraction.pieces else 1000 / kind.piece_mass_g
        cv = max(kind.piece_cv, self.k["portion.cv_mixed"]) if fraction.mixed else kind.piece_cv
        alpha = jnp.array([kg * pieces / cv**2 for kg in parts.values()])
        shares = numpyro.sample(f"portions {address} {metal}", dist.Dirichlet(alpha))
        return {name: whole * shares[n] for n, name in enumerate(parts)}

    def went_in(self, batch: Batch, metal: str) -> Any:
        return sum(self.metal[c.address, metal][batch.name] for c in batch.charges)

    def usual(self, batch: Batch, metal: str) -> tuple[Any, float]:
        """Where a run's recovery lies, and its own noise, on the logit scale."""
        row = self.catalogue.routes[batch.route].recovery[metal]
        spread, learned, shared = lower_sd(row), self.k["recovery.learned_share"], self.k["recovery.shared_share"]
        ours = math.sqrt(shared) * self.named("all routes", metal)
        ours = ours + math.sqrt(1 - shared) * self.named("route", batch.route, metal)
        centre = logit(row.q50) - self.weak_recovery + spread * math.sqrt(learned) * ours
        return centre, spread * math.sqrt(1 - learned)

    def hold_up(self, batch: Batch, metal: str, factor: float) -> Any:
        ln_a = math.log(self.k["holdup.a"] * factor) + math.log(self.k["holdup.a_gsd"]) * self.named("hold-up", metal)
        return jnp.exp(ln_a + self.k["holdup.batch_log_sd"] * self.named("hold-up", batch.name, metal))

    def reading(self, batch: Batch, metal: str) -> Any:
        """ln chance of what the balance showed, under every configuration."""
        (product,) = [p for p in batch.products if p.metal == metal]
        form, k = self.catalogue.forms[product.form], self.k
        centre, noise = self.usual(batch, metal)
        poor = k["recovery.failed_centre"] + k["recovery.failed_sd"] * self.named("failed run", batch.name, metal)
        e = jnp.where(self.chosen("failed", batch.name, metal), poor, noise * self.named("run", batch.name, metal))
        reached = self.went_in(batch, metal) * jax.nn.sigmoid(centre + e)
        a, full, power = self.hold_up(batch, metal, form.holdup_factor), k["holdup.full_from_g"], -k["holdup.exponent"]
        small = reached * (1 + a * full**power) / (1 + a * reached**power)
        learned = k["form.learned_share"]
        z = math.sqrt(learned) * self.named("form", form.id)
        z = z + math.sqrt(1 - learned) * self.named("purity", batch.name, metal)
        share = form.factor * jax.nn.sigmoid(logit(form.purity.q50) + lower_sd(form.purity) * z)
        shown = jnp.where(reached < full, small, reached) / share
        shown = shown * (1 + k["balance.scale_sd"] * self.named("balance", product.balance))
        step = product.readability_g
        handling = step * k["balance.unchecked_handling"]
        low, high = product.weight_g - step / 2, product.weight_g + step / 2
        return log_interval((low - shown) / handling, (high - shown) / handling)

    def nothing_dropped(self, batch: Batch, metal: str, below_g: float) -> Any:
        """ln chance that less than the limit dropped: that the recovery was below what would have shown."""
        usual = self.catalogue.routes[batch.route].usual_form[metal]
        a = self.hold_up(batch, metal, self.catalogue.forms[usual].holdup_factor)
        full, power = self.k["holdup.full_from_g"], -self.k["holdup.exponent"]
        reached, shown = below_g, below_g / (1 + a * full**power)
        for _ in range(NEWTON_STEPS):  # reached = shown (1 + a reached^-k)
            hung = shown * a * reached**power
            reached = reached - (reached - shown - hung) / (1 - power * hung / reached)
        most = jnp.minimum(reached / self.went_in(batch, metal), ALL_THE_METAL)
        centre, noise = self.usual(batch, metal)
        above = jnp.log(most) - jnp.log1p(-most) - centre
        p, k = self.k["recovery.failed_share"], self.k
        ordinary = math.log1p(-p) + log_ndtr(above / noise)
        return jnp.logaddexp(
            ordinary, math.log(p) + log_ndtr((above - k["recovery.failed_centre"]) / k["recovery.failed_sd"])
        )


def lower_sd(row: Quantiles) -> float:
    """sd on the logit scale: the lower side of a row sets it."""
    return (logit(row.q50) - logit(row.q5)) / Z95


def run(program: Program, seed: int, draws: int) -> Mapping[str, Values]:
    """Draws (chain, draw) of what the program tells."""
    kernel = NUTS(program, target_accept_prob=0.85, init_strategy=init_to_median, dense_mass=True, max_tree_depth=6)
    mcmc = MCMC(
        kernel, num_warmup=draws // 2, num_samples=draws, num_chains=CHAINS, chain_method="vectorized",
        progress_bar=False,
    )  # fmt: skip
    mcmc.run(jax.random.PRNGKey(seed))
    found = mcmc.get_samples(group_by_chain=True)
    return {name: np.asarray(values) for name, values in found.items() if values.ndim == 2}


def capacitors() -> Program:
    """Silver and palladium that go together: salts weighed, no palladium in another lot, its silver assayed."""
    lots = [lot(name, Fraction("caps", "mlcc-unsorted", 0.3)) for name in "PQ"]
    none = NonDetect("B2", "Pd", 0.05, "tested-negative", DAY)
    batches = [
        made.batch(
            "B1", "mlcc-nitric", [("P/caps", 0.2)], made.product("ag-1", "B1", "Ag", "silver-chloride", 1.2, 0.1),
            made.product("pd-1", "B1", "Pd", "palladium-dmg", 1.0, 0.1),
        ),
        made.batch("B2", "mlcc-nitric", [("Q/caps", 0.3)], nondetects=[none]),
    ]  # fmt: skip
    sure = [("traces", "P", "mlcc-unsorted", metal) for metal in ("Ag", "Pd")]
    said = [assay("Q/caps", "Ag", 60, 0.4)]
    return Program(bench(lots, batches, said), load_catalogue(), frozenset(sure))


def chips() -> Program:
    """Gold dropped together from fingers and chips that may hold none; the chips run alone too; the fingers assayed."""
    lots = [lot("P", Fraction("fing", "fingers-memory", 0.5)), lot("Q", Fraction("late", "chips-from-2014", 1.5))]
    batches = [
        made.batch(
            "B1", "foils-peroxide", [("P/fing", 0.5), ("Q/late", 0.8)],
            made.product("au-1", "B1", "Au", "gold-powder", 1.4, 0.1),
        ),
        made.batch("B2", "chips-burn", [("Q/late", 0.6)], made.product("au-1", "B2", "Au", "gold-powder", 0.1, 0.1)),
    ]  # fmt: skip
    said = [assay("P/fing", "Au", 2200, 0.3)]
    return Program(bench(lots, batches, said), load_catalogue())


BENCHES = {"capacitors": capacitors, "chips": chips}


def told_by_engine(program: Program, posterior: Posterior) -> dict[str, Values]:
    """The same quantities as the program tells, from the engine: draws, or the chance of a choice."""
    m = {metal: METALS.index(metal) for metal in METALS}
    row = {address: n for n, address in enumerate(posterior.fractions)}
    out = {
        f"ln grade {address} {metal}": np.log(posterior.grade_g_per_t[:, row[address], m[metal]])
        for address, metal in program.touched()
    }
    for choice in program.choices:
        if choice[0] == "failed":
            chance = posterior.failed_chance[choice[1], choice[2]]
            out[" ".join(choice)] = (np.arange(posterior.draws) < chance * posterior.draws).astype(float)
        else:
            _, name, kind, metal = choice
            address = next(a for a in row if a.split("/")[0] == name and program.bench.fraction(a).kind == kind)
            out[" ".join(choice)] = posterior.is_trace[:, row[address], m[metal]].astype(float)
    return out


def differences(theirs: Mapping[str, Values], mine: Mapping[str, Values], count: float) -> list[str]:
    """What differs by more than `WORST` Monte Carlo errors of both: means, and the shares below 5 and 95 % points."""
    found = []
    for name, draws in mine.items():
        chains = theirs[name]
        views = [("mean", lambda x: x)]
        if name.startswith("ln grade"):
            points = np.quantile(chains, [0.05, 0.95])
            views += [(f"below {p:.2f}", lambda x, p=p: (x < p).astype(float)) for p in points]
        for what, view in views:
            a, b = view(chains), view(draws)
            ess = float(effective_sample_size(a)) if a.std() > 0 else a.size
            error = math.hypot(a.std() / math.sqrt(ess), b.std() / math.sqrt(count))
            mark = "" if abs(a.mean() - b.mean()) <= WORST * error + ROUNDED else "   DIFFERS"
            r_hat = float(split_gelman_rubin(a)) if a.std() > 0 else 1.0
            line = (
                f"{name:44} {what:12} {a.mean():8.3f} {b.mean():8.3f}  +-{error:.3f}  ess {ess:5.0f}  R-hat {r_hat:.3f}"
            )
            print(line + mark, flush=True)
            if mark:
                found.append(f"{name}, {what}")
    return found


def main() -> None:
    """Print the comparison; ends with 1 where the two differ, or where a twin does not."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("bench", nargs="*", default=list(BENCHES), help="which benches")
    parser.add_argument("--draws", type=int, default=800)
    parser.add_argument("--twin", action="store_true", help="recoveries of the program are lower: this must be found")
    asked = parser.parse_args()
    numpyro.enable_x64()
    wrong = []
    for name in asked.bench:
        program = BENCHES[name]()
        posterior = fit(program.bench, program.catalogue, seed=4)
        count = max(posterior.diagnostics.ess_min, posterior.draws / 2)
        began = time.perf_counter()
        if asked.twin:
            program = Program(program.bench, program.catalogue, program.decided, weak_recovery=TWIN)
        print(f"\n{name}: mean of program and engine, error of the difference")
        found = differences(run(program, 1, asked.draws), told_by_engine(program, posterior), count)
        print(f"{name}: {len(found)} differences, {time.perf_counter() - began:.0f} s in numpyro")
        wrong += [name] * (bool(found) != asked.twin)
    raise SystemExit(1 if wrong else 0)


if __name__ == "__main__":
    main()
