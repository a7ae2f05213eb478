"""From draws of the unknowns to draws of grades, and everything that no evidence touches drawn from its conditional."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from gradeest.belief.assembly import absence, grade_scale, pieces_per_kg
from gradeest.belief.density import LN_1000, State
from gradeest.belief.evidence import BatchMetal, StreamPart, dry_share
from gradeest.belief.network import Cell, Network, logit, logit_normal
from gradeest.belief.picking import pick
from gradeest.materials.catalogue import Catalogue
from gradeest.records.domain import EXACT_KG, LEFT_OVER, METALS, Bench

Values = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Fitted:
    """Draws of the cells that evidence touches, choices made; arrays (draw,)."""

    ln_grade: dict[tuple[str, str], Values]
    ln_rest_grade: dict[tuple[str, str], Values]
    recovered_g: dict[tuple[str, str], Values]  # fine metal already in weighed products, by fraction and metal
    processed_kg: dict[tuple[str, str], float]
    z: dict[tuple[str, str], Values]  # standardised x where it is known under "present", else nan
    switches: dict[tuple[str, str, str], Flags]  # (lot, kind, metal): traces only
    failed: dict[tuple[str, str], Flags]  # (batch, metal)
    charge_g: dict[tuple[str, str, str], Values]  # (batch, address, metal): metal that went in, where a result tells
    stream_g: dict[tuple[str, str], Values]  # (stream, metal): metal set aside, of batches that evidence speaks of
    product_g: dict[tuple[str, str], Values] = field(default_factory=dict)  # (batch, product): fine metal in it


def choose(network: Network, log_weights: Values, rng: np.random.Generator) -> dict[Hashable, NDArray[np.int64]]:
    """Draw every undecided choice from its probability, by log weights of the configurations at every draw."""
    configurations = network.configurations
    chosen = {key: np.full(len(log_weights), value) for key, value in network.fixed.items()}
    values = pick(configurations, log_weights, rng)
    for position in np.flatnonzero((configurations.values >= 0).any(axis=0)):
        chosen[configurations.choices[position]] = values[:, position]
    return chosen


def decode(
    theta: Values, network: Network, rng: np.random.Generator, state: State | None = None
) -> tuple[State, Fitted]:
    """Everything that evidence touches at draws of theta (draw, unknown); `state` is that there, if it is known."""
    if state is None:
        from gradeest.belief.machine import state_at  # the compiler takes half a second to import

        state = state_at(theta, network)
    chosen = choose(network, state.configurations, rng)
    found = Fitted({}, {}, {}, {}, {}, {}, {}, {}, {})
    for key, side in chosen.items():
        assert isinstance(key, tuple)
        if key[0] == "trace":
            found.switches[key[1:]] = side.astype(bool)
        else:
            found.failed[key[1:]] = side.astype(bool)
    taking = taking_of(network)
    for c, cell in enumerate(network.cells):
        key = (cell.address, cell.metal)
        found.ln_grade[key] = _ln_grade(c, network, state.anchored_ln_grade, state.free_ln_grade, chosen)
        local: tuple[Hashable, ...] = (_switch(cell),)
        if c in network.anchored:
            local = network.anchored[c].choices
            z = _pick(state.anchored_z, _lookup(network.anchored[c].rows, local, chosen))
        else:
            z = state.free_z[:, network.free[c]]
        found.z[key] = np.where(chosen[_switch(cell)] == 0, z, np.nan)
        taken = taking.get(key, ())
        rest = network.values.get((c, "rest"))
        if rest is None:
            found.ln_rest_grade[key] = found.ln_grade[key]
        else:
            kg = cell.dry_kg - sum(item.portions[cell.address] for item in taken)
            amount = _pick(state.values, _lookup(rest, local, chosen))
            found.ln_rest_grade[key] = amount - math.log(kg) + LN_1000
        for item in taken:
            row = _lookup(network.values[c, item.batch], local, chosen)
            found.charge_g[item.batch, cell.address, cell.metal] = np.exp(_pick(state.values, row))
    _streams(network, state, chosen, found)
    _set_aside(theta, network, state, chosen, found, rng)
    _recovered(network, state, chosen, found)
    _refined(network, state, found, rng)
    _came_through(network, found)
    return state, found


OF_GRADES = ("configurations", "anchored_ln_grade", "free_ln_grade")  # fields of a state that tell them


def ln_grades(state: Mapping[str, Values], network: Network, rng: np.random.Generator) -> Values:
    """ln grade of all cells, (draw, cell), choices made; `state` has the fields `OF_GRADES`."""
    log_weights, anchored, free = (state[name] for name in OF_GRADES)
    chosen = choose(network, log_weights, rng)
    return np.stack([_ln_grade(c, network, anchored, free, chosen) for c in range(len(network.cells))], axis=-1)


def _ln_grade(
    c: int, network: Network, anchored: Values, free: Values, chosen: dict[Hashable, NDArray[np.int64]]
) -> Values:
    if c in network.anchored:
        of = network.anchored[c]
        return _pick(anchored, _lookup(of.rows, of.choices, chosen))
    return _pick(free, network.free[c] + chosen[_switch(network.cells[c])] * len(network.free))


def _switch(cell: Cell) -> tuple[str, str, str, str]:
    return ("trace", cell.lot, cell.kind, cell.metal)


def taking_of(network: Network) -> dict[tuple[str, str], list[BatchMetal]]:
    """The batches that took of every fraction and metal, as far as evidence speaks of them."""
    found: dict[tuple[str, str], list[BatchMetal]] = {}
    for item in network.evidence.batch_metals:
        for address in item.portions:
            found.setdefault((address, item.metal), []).append(item)
    return found


def _streams(network: Network, state: State, chosen: dict[Hashable, NDArray[np.int64]], found: Fitted) -> None:
    """Metal of the streams that went into later batches."""
    for item in network.evidence.batch_metals:
        for part in item.streams:
            choices, rows = network.streams[part.address, item.metal]
            grams = np.exp(_pick(state.values, _lookup(rows, choices, chosen)))
            found.charge_g[item.batch, part.address, item.metal] = grams
            found.stream_g[part.address, item.metal] = grams / part.share


def _set_aside(
    theta: Values, network: Network, state: State, chosen: dict[Hashable, NDArray[np.int64]], found: Fitted,
    rng: np.random.Generator,
) -> None:  # fmt: skip
    """Metal of the streams that no result tells of: shares of what the others left of the charge, or of the rest."""
    parts = (part for item in network.evidence.batch_metals for part in item.streams)
    aside = {part.address for part in parts if part.sort == "set-aside"}
    by_batch: dict[tuple[str, str], dict[tuple[str, str], Values]] = {}
    most_g = {(one.address, one.metal): one.most_g for one in network.set_aside}
    charges = charges_of(found)
    for one in network.set_aside:
        drawn = one.unknown < 0
        ln_odds = one.centre + one.sd * rng.normal(size=len(theta)) if drawn else state.ln_odds[:, 1 + one.unknown]
        odds = by_batch.setdefault((one.address.partition("/")[0], one.metal), {})
        odds[one.address, one.metal] = np.exp(ln_odds)
    for n, item in enumerate(network.evidence.batch_metals):
        own = {k: o for k, o in by_batch.get(item.batch_metal, {}).items() if k not in found.stream_g}
        if not own:
            continue
        whole = charges[item.batch_metal]
        if item.batch_metal in network.stated_for_all:
            ln_work = _pick(state.ln_in_work, n + chosen["failed", item.batch, item.metal] * network.sizes["backward"])
            whole = np.exp(ln_work) * -np.expm1(np.minimum(state.ln_m[:, n] - ln_work, 0.0))
        for key, grams in found.stream_g.items():
            if (key[0].partition("/")[0], key[1]) == item.batch_metal and key[0] in aside:
                whole = whole - grams
        shares = 1 + np.sum(list(own.values()), axis=0)
        whole = np.maximum(whole, 0.0)
        found.stream_g.update({key: np.minimum(whole * odds / shares, most_g[key]) for key, odds in own.items()})


def charges_of(found: Fitted) -> dict[tuple[str, str], Values]:
    """All metal that went into every batch, (draw,)."""
    total: dict[tuple[str, str], Values] = {}
    for (batch, _, metal), grams in found.charge_g.items():
        total[batch, metal] = total[batch, metal] + grams if (batch, metal) in total else grams
    return total


def _recovered(network: Network, state: State, chosen: dict[Hashable, NDArray[np.int64]], found: Fitted) -> None:
    """Share what batches gave among their fractions by the metal each brought.

    What was spilled, or set aside and not run since, was not processed: it counts as if it had given as much as the
    rest. Of a stream that was run since, what that run gave counts instead. What was left over gave nothing but through
    the stream; so did what was set aside where the recovery row of the route is stated for all that was charged.
    """
    backward = network.sizes["backward"]
    row = 0
    for item in network.evidence.batch_metals[: network.sizes["W"]]:
        for product in item.products:
            found.product_g[item.batch, product.name] = np.exp(state.ln_in_product[:, row])
            row += 1
    given: dict[tuple[str, str], Values] = {}  # product over charge, of weighed batches
    weighed = network.evidence.batch_metals[: network.sizes["W"]]
    charges = charges_of(found)
    later_of: dict[tuple[str, str], list[tuple[BatchMetal, StreamPart]]] = {}
    for later in weighed:
        for part in later.streams:
            later_of.setdefault((part.left_by, later.metal), []).append((later, part))
    for n, item in reversed(list(enumerate(weighed))):  # later batches first: their streams come from earlier ones
        side = chosen["failed", item.batch, item.metal]
        own = np.exp(state.ln_p[:, n] - _pick(state.ln_in_work, n + side * backward))
        charge, ratio = charges[item.batch_metal], own
        for later, part in later_of.get(item.batch_metal, ()):
            share = found.charge_g[later.batch, part.address, item.metal] / charge
            gave = given[later.batch_metal]
            of_rest = part.sort in LEFT_OVER or (
                part.sort == "set-aside" and item.batch_metal in network.stated_for_all
            )
            ratio = ratio + share * (gave if of_rest else gave - own)
        given[item.batch_metal] = ratio
        for address, kg in item.portions.items():
            key = (address, item.metal)
            grams = found.charge_g[item.batch, address, item.metal] * ratio
            found.recovered_g[key] = found.recovered_g.get(key, 0.0) + grams
            found.processed_kg[key] = found.processed_kg.get(key, 0.0) + kg


def _refined(network: Network, state: State, found: Fitted, rng: np.random.Generator) -> None:
    """Metal of products of products, of the products that went into their batches, and whether such a run failed."""
    x = network.arrays
    rows, parts = iter(x["again_at"].tolist()), iter(x["part_product"].tolist())
    for n, item in enumerate(i for i in network.evidence.batch_metals if i.role == "R"):
        for product in item.products:
            found.product_g[item.batch, product.name] = np.exp(state.ln_in_product[:, next(rows)])
        for part in item.refined:
            grams = np.exp(state.ln_in_product[:, next(parts)])
            found.charge_g[item.batch, part.address, item.metal] = grams * part.share
        e = state.again_logit[:, n] - state.recovery_logit[:, x["bm_rm"][x["again_bm"][n]]]
        sides = ((x["ln_ok"], 0.0, x["again_e_sd"][n]), (x["ln_failed"], x["failed_centre"], x["failed_sd"]))
        ok, failed = (ln - 0.5 * ((e - centre) / sd) ** 2 - np.log(sd) for ln, centre, sd in sides)
        found.failed[item.batch_metal] = np.log(rng.uniform(size=len(e))) < failed - np.logaddexp(ok, failed)


def _came_through(network: Network, found: Fitted) -> None:
    """What fractions brought through a batch that recovers none of it, by the stream too that took it on."""
    for item in network.evidence.batch_metals:
        for address, stream in item.through.items():
            grams = found.charge_g.pop((item.batch, address, item.metal))
            found.charge_g[stream.partition("/")[0], address, item.metal] = grams
            for known, key in (
                (found.charge_g, (item.batch, stream, item.metal)), (found.stream_g, (stream, item.metal)),
            ):  # fmt: skip
                known[key] = known[key] + grams if key in known else grams  # type: ignore[index]


def _lookup(rows, choices, chosen) -> NDArray[np.int64]:  # type: ignore[no-untyped-def]
    """Row of every draw, by the values its local choices took."""
    out = np.zeros(len(next(iter(chosen.values()))), dtype=np.int64)
    for side, row in rows.items():
        match = np.ones(out.shape, dtype=bool)
        for key, value in zip(choices, side, strict=True):
            match &= chosen[key] == value
        out[match] = row
    return out


def _pick(values: Values, row) -> Values:  # type: ignore[no-untyped-def]
    return values[np.arange(values.shape[0]), row]


class Completion:
    """Draws of all parameters and grades: those fitted as they are, the others from their conditional."""

    def __init__(
        self, bench: Bench, catalogue: Catalogue, draws: int, rng: np.random.Generator,
        network: Network | None = None, state: State | None = None, fitted: Fitted | None = None,
        theta: Values | None = None,
    ) -> None:  # fmt: skip
        self.bench, self.catalogue, self.k, self.draws, self.rng = bench, catalogue, catalogue.constants, draws, rng
        self.network, self.state, self.theta = network, state, theta
        self.fitted = fitted or Fitted({}, {}, {}, {}, {}, {}, {}, {}, {})
        self._taking = {} if network is None else taking_of(network)
        self._charged: dict[str, list[tuple[str, float]]] = {}
        for batch in bench.batches.values():
            for charge in batch.charges:
                self._charged.setdefault(charge.address, []).append((batch.name, charge.mass_kg))
        self._betas: dict[tuple[str, str], Values] = {}
        self._kinds: dict[tuple[str, str], tuple[Values, Values]] = {}
        self._absent: dict[tuple[str, str], Values] = {}
        self._richness: dict[tuple[str, str], Values] = {}
        self._switches: dict[tuple[str, str, str], Flags] = dict(self.fitted.switches)

    def normal(self) -> Values:
        """Standard normal, one per draw."""
        return self.rng.normal(size=self.draws)

    def _known(self, axis: str, key: Hashable, unknown: str) -> Values | None:
        """The fitted standard normal of a parameter, or None where the fit has none."""
        if self.network is None or self.theta is None or key not in self.network.axes[axis]:
            return None
        where = self.network.layout[unknown].start + self.network.axes[axis].index(key)
        return self.theta[:, where]

    def _beta(self, kind: str, metal: str) -> Values:
        key = (self.catalogue.kinds[kind].cls, metal)
        if key not in self._betas:
            known = self._known("cm", key, "beta")
            self._betas[key] = self.normal() if known is None else known
        return self._betas[key]

    def kind_level(self, kind: str, metal: str) -> tuple[Values, Values]:
        """mu and tau of a kind and metal on the logit scale, (draw,) each."""
        key = (kind, metal)
        if key in self._kinds:
            return self._kinds[key]
        if self.network is not None and self.state is not None and key in self.network.axes["km"]:
            n = self.network.axes["km"].index(key)
            self._kinds[key] = (self.state.mu[:, n], self.state.tau[:, n])
            return self._kinds[key]
        pair = self.catalogue.kinds[kind].correlation
        zeta = {metal: self.normal()}
        if pair is not None and metal in (pair.first, pair.second):
            zeta[pair.first] = self.normal()
            c = pair.correlation
            zeta[pair.second] = c * zeta[pair.first] + math.sqrt(1 - c * c) * self.normal()
        h = self.k["grade.shared_kind_share"]
        for each, z in zeta.items():
            scale = grade_scale(self.bench, self.catalogue, kind, each)
            mu = scale.mu0 + scale.sd_mu * (math.sqrt(h) * self._beta(kind, each) + math.sqrt(1 - h) * z)
            self._kinds[kind, each] = (mu, np.exp(scale.ln_tau0 + self.k["grade.ln_tau_sd"] * self._cut_normal()))
        return self._kinds[key]

    def _cut_normal(self) -> Values:
        cut, values = self.k["grade.ln_tau_cut_sd"], self.normal()
        while (outside := np.abs(values) > cut).any():
            values[outside] = self.rng.normal(size=int(outside.sum()))
        return values

    def absent(self, kind: str, metal: str) -> Values:
        """Chance that the metal is absent (given the first present where it needs one), (draw,)."""
        key = (kind, metal)
        if key not in self._absent:
            if self.network is not None and self.state is not None and key in self.network.axes["pi"]:
                x = self.state.logit_absent[:, self.network.axes["pi"].index(key)]
            else:
                x = logit(absence(self.catalogue, kind, metal)) + self.k["grade.logit_absent_sd"] * self.normal()
            self._absent[key] = 1 / (1 + np.exp(-x))
        return self._absent[key]

    def is_trace(self, lot: str, kind: str, metal: str) -> Flags:
        """Whether a kind in a lot holds only traces of the metal, (draw,)."""
        key = (lot, kind, metal)
        if key not in self._switches:
            trace = self.rng.uniform(size=self.draws) < self.absent(kind, metal)
            pair = self.catalogue.kinds[kind].correlation
            if pair is not None and pair.second_needs_first and metal == pair.second:
                trace |= self.is_trace(lot, kind, pair.first)
            self._switches[key] = trace
        return self._switches[key]

    def _rho(self, lot: str, metal: str) -> Values:
        key = (lot, metal)
        if key not in self._richness:
            known = self._known("lm", key, "rho")
            self._richness[key] = self.normal() if known is None else known
        return self._richness[key]

    def grades(self) -> tuple[Values, Values, Flags]:
        """Grade of the whole fraction and of what is left of it, g/t, and trace flags: (draw, fraction, metal)."""
        addresses = self.bench.addresses()
        shape = (self.draws, len(addresses), len(METALS))
        whole, rest, trace = np.empty(shape), np.empty(shape), np.zeros(shape, dtype=bool)
        for f, address in enumerate(addresses):
            lot, kind = address.partition("/")[0], self.bench.fraction(address).kind
            z = self._unshared(address, kind)
            for m, metal in enumerate(METALS):
                is_linked = (address, kind, metal) in self._switches  # ash of filters has a switch of its own
                trace[:, f, m] = self.is_trace(address if is_linked else lot, kind, metal)
                key = (address, metal)
                if key in self.fitted.ln_grade:
                    whole[:, f, m] = np.exp(self.fitted.ln_grade[key])
                    rest[:, f, m] = np.exp(self.fitted.ln_rest_grade[key]) * self._split(address, metal)
                else:
                    whole[:, f, m] = self._fresh(address, lot, kind, metal, z[metal], trace[:, f, m])
                    rest[:, f, m] = whole[:, f, m] * self._split(address, metal)
        return whole, rest, trace

    def _unshared(self, address: str, kind: str) -> dict[str, Values]:
        """Unshared part of x of all metals of a fraction, given those that the fit fixed."""
        z = {metal: self.normal() for metal in METALS}
        pair = self.catalogue.kinds[kind].correlation
        if pair is None:
            return z
        c, side = pair.correlation, math.sqrt(1 - pair.correlation**2)
        for known, other in ((pair.first, pair.second), (pair.second, pair.first)):
            if (address, known) in self.fitted.z:
                given = self.fitted.z[address, known]
                z[other] = np.where(np.isnan(given), z[other], c * np.nan_to_num(given) + side * z[other])
                return z
        z[pair.second] = c * z[pair.first] + side * z[pair.second]
        return z

    def _fresh(self, address: str, lot: str, kind: str, metal: str, z: Values, trace: Flags) -> Values:
        scale = grade_scale(self.bench, self.catalogue, kind, metal)
        mu, tau = self.kind_level(kind, metal)
        if self.bench.fraction(address).mixed:
            tau = tau * self.k["grade.mixed_tau_factor"]
        c = self.k["grade.richness_share"]
        present = mu + tau * (math.sqrt(c) * self._rho(lot, metal) + math.sqrt(1 - c) * z)
        centre = logit(self.k[f"grade.trace_g_per_t.{metal}"] / scale.limit)
        x = np.where(trace, centre + self.k["grade.trace_log_sd"] * self.normal(), present)
        return scale.limit / (1 + np.exp(-x))

    def _split(self, address: str, metal: str) -> Values | float:
        """What is left against what it was taken from: grade ratio by the portions' Dirichlet split.

        Where the fit knows the portions that evidence speaks of, only what left without a result (batches silent on
        this metal, sales) is split off here.
        """
        left = self.bench.left_kg(address)
        batches = self._spoken(address, metal)
        spoken = sum(kg for batch, kg in self._charged.get(address, ()) if batch in batches)
        silent = self.bench.fraction(address).mass_kg - left - spoken
        if left <= 0 or silent <= EXACT_KG:
            return 1.0
        per_kg = pieces_per_kg(self.bench, self.catalogue, address) * dry_share(self.bench, address, self.catalogue)
        share = self.rng.beta(max(left * per_kg, 1e-2), max(silent * per_kg, 1e-2), size=self.draws)
        return share * (left + silent) / left

    def _spoken(self, address: str, metal: str) -> set[str]:
        """Batches that evidence on a fraction's metal speaks of."""
        items = self._taking.get((address, metal), ())
        return {item.through.get(address, item.batch).partition("/")[0] for item in items}

    def recovery_logit(self) -> Values:
        """Route recovery r on the logit scale, (draw, route, metal), nan where a route recovers none."""
        routes = list(self.catalogue.routes)
        out = np.full((self.draws, len(routes), len(METALS)), np.nan)
        learned, shared = self.k["recovery.learned_share"], self.k["recovery.shared_share"]
        for m, metal in enumerate(METALS):
            known = self._known("metal", metal, "r_metal")
            common = self.normal() if known is None else known
            for n, route in enumerate(routes):
                row = self.catalogue.routes[route].recovery.get(metal)
                if row is None:
                    continue
                own = self._known("rm", (route, metal), "r")
                own = self.normal() if own is None else own
                centre, sd = logit_normal(row)
                mix = math.sqrt(shared) * common + math.sqrt(1 - shared) * own
                out[:, n, m] = centre + sd * math.sqrt(learned) * mix
        return out

    def ln_a(self) -> Values:
        """ln of the hold-up constant, (draw, metal)."""
        parts = [self._known("am", metal, "ln_a") for metal in METALS]
        z = np.stack([self.normal() if p is None else p for p in parts], axis=1)
        return math.log(self.k["holdup.a"]) + math.log(self.k["holdup.a_gsd"]) * z

    def forms(self) -> Values:
        """Learned part of every form's purity, standard normal, (draw, form)."""
        parts = [self._known("form", form, "form") for form in self.catalogue.forms]
        return np.stack([self.normal() if p is None else p for p in parts], axis=1)

    def kind_means(self, kinds: tuple[str, ...]) -> tuple[Values, Values]:
        """Grade at the kind's mean (present), g/t, and chance of absence: (draw, kind, metal)."""
        means = np.empty((self.draws, len(kinds), len(METALS)))
        absent = np.empty_like(means)
        for n, kind in enumerate(kinds):
            for m, metal in enumerate(METALS):
                scale = grade_scale(self.bench, self.catalogue, kind, metal)
                means[:, n, m] = scale.limit / (1 + np.exp(-self.kind_level(kind, metal)[0]))
                absent[:, n, m] = self.absent(kind, metal)
        return means, absent

    def recoverable(self) -> Values:
        """Fine metal already weighed per dry kg processed, g/t, nan where none was: (draw, fraction, metal)."""
        number = {address: n for n, address in enumerate(self.bench.addresses())}
        out = np.full((self.draws, len(number), len(METALS)), np.nan)
        for (address, metal), grams in self.fitted.recovered_g.items():
            kg = self.fitted.processed_kg[address, metal]
            out[:, number[address], METALS.index(metal)] = grams / kg * 1000
        return out

    def dry_left_kg(self) -> Values:
        """Dry mass of every fraction that no batch has taken, kg."""
        return np.array(
            [self.bench.left_kg(a) * dry_share(self.bench, a, self.catalogue) for a in self.bench.addresses()]
        )
