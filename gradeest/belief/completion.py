"""What no evidence touches, drawn from its conditional: parameters, grades, what is left."""

from __future__ import annotations

import math
from collections.abc import Hashable

import numpy as np
from numpy.typing import NDArray

from gradeest.belief.assembly import absence, grade_scale, pieces_per_kg
from gradeest.belief.decode import Fitted, taking_of
from gradeest.belief.density import State
from gradeest.belief.evidence import dry_share
from gradeest.belief.network import Network, logit, logit_normal
from gradeest.materials.catalogue import Catalogue
from gradeest.records.domain import EXACT_KG, METALS, Bench

Values = NDArray[np.float64]
Flags = NDArray[np.bool_]


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
