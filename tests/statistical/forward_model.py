"""The model drawn forward in plain numpy, for importance sampling: no line of the engines' density is used.

Numbers come from the catalogue's rows and constants; every formula is written out again from the model's statement:
logit-normal grades with class, kind and lot parts, present or traces, Dirichlet portions, recovery with failed runs,
hold-up of small products, purity and the balance.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from gradeest.materials.catalogue import Catalogue, Quantiles

SEARCH = 30  # steps towards amounts that add up
Values = NDArray[np.float64]
Flags = NDArray[np.bool_]


def logit(p: float) -> float:
    return math.log(p / (1 - p))


def expit(x: Values) -> Values:
    return 1 / (1 + np.exp(-x))


class ForwardModel:
    """Draws of everything behind a bench; each named quantity is drawn once and then kept."""

    def __init__(self, catalogue: Catalogue, draws: int, seed: int) -> None:
        self.catalogue, self.k, self.draws = catalogue, catalogue.constants, draws
        self.rng = np.random.default_rng(seed)
        self._kept: dict[Hashable, Any] = {}

    def keep(self, key: Hashable, draw: Callable[[], Any]) -> Any:
        """The quantity `key`, drawn when it is first asked for."""
        if key not in self._kept:
            self._kept[key] = draw()
        return self._kept[key]

    def normal(self, *key: Hashable) -> Values:
        """A named standard normal."""
        return self.keep(key, lambda: self.rng.normal(size=self.draws))

    def share_row(self, row: Quantiles, learned: float, ours: Values | float, new: Values | float) -> Values:
        """logit of a share from its row: the low side sets the spread, part of its variance is `ours`."""
        spread = (logit(row.q50) - logit(row.q5)) / 1.6448536269514722
        return np.asarray(logit(row.q50) + spread * (math.sqrt(learned) * ours + math.sqrt(1 - learned) * new))

    def partner(self, kind: str, metal: str) -> tuple[str, float] | None:
        """First metal of the kind's correlated pair, if this one is the second."""
        pair = self.catalogue.kinds[kind].correlation
        return (pair.first, pair.correlation) if pair is not None and metal == pair.second else None

    def paired(self, kind: str, metal: str, *key: Hashable) -> Values:
        """A named standard normal of a metal, correlated with that of the metal it goes with."""
        other = self.partner(kind, metal)
        own = self.normal(*key, metal)
        if other is None:
            return own
        first, c = other
        return c * self.normal(*key, first) + math.sqrt(1 - c * c) * own

    def spread(self, kind: str, metal: str) -> Values:
        """tau: ln tau normal, cut on both sides."""

        def draw() -> Values:
            row = self.catalogue.kinds[kind].grades[metal]
            centre = math.log(math.log(row.gsd_between) / (1 - row.q50 / row.max_g_per_t))
            z = self.rng.normal(size=self.draws)
            while (outside := np.abs(z) > self.k["grade.ln_tau_cut_sd"]).any():
                z[outside] = self.rng.normal(size=int(outside.sum()))
            return np.exp(centre + self.k["grade.ln_tau_sd"] * z)

        return self.keep(("tau", kind, metal), draw)

    def level(self, kind: str, metal: str) -> Values:
        """mu of a kind and metal."""
        row, h = self.catalogue.kinds[kind].grades[metal], self.k["grade.shared_kind_share"]
        sd = math.log(row.gsd_class_mean) / (1 - row.q50 / row.max_g_per_t)
        beta = self.normal("beta", self.catalogue.kinds[kind].cls, metal)
        z = math.sqrt(h) * beta + math.sqrt(1 - h) * self.paired(kind, metal, "zeta", kind)
        return logit(row.q50 / row.max_g_per_t) + sd * z

    def is_trace(self, lot: str, kind: str, metal: str) -> Flags:
        """Present or traces: one switch of a kind in a lot; a second metal may need its first."""
        rows, pair = self.catalogue.kinds[kind].grades, self.catalogue.kinds[kind].correlation
        needs = pair.first if pair is not None and pair.second_needs_first and metal == pair.second else None
        p = rows[metal].p_absent
        if needs is not None:
            p = max((p - rows[needs].p_absent) / (1 - rows[needs].p_absent), 0.01)

        def draw() -> Flags:
            chance = expit(logit(p) + self.k["grade.logit_absent_sd"] * self.normal("pi", kind, metal))
            absent = self.rng.uniform(size=self.draws) < chance
            return absent if needs is None else absent | self.is_trace(lot, kind, needs)

        return self.keep(("trace", lot, kind, metal), draw)

    def grade(self, lot: str, kind: str, metal: str, fraction: str = "a", wider: float = 1.0) -> Values:
        """Grade of a fraction, g/t."""

        def draw() -> Values:
            c, tau = self.k["grade.richness_share"], wider * self.spread(kind, metal)
            z = math.sqrt(c) * self.normal("rho", lot, metal)
            z = z + math.sqrt(1 - c) * self.paired(kind, metal, "unshared", lot, fraction)
            top = self.catalogue.kinds[kind].grades[metal].max_g_per_t
            centre = logit(self.k[f"grade.trace_g_per_t.{metal}"] / top)
            trace = centre + self.k["grade.trace_log_sd"] * self.normal("trace x", lot, fraction, metal)
            return top * expit(np.where(self.is_trace(lot, kind, metal), trace, self.level(kind, metal) + tau * z))

        return self.keep(("grade", lot, fraction, metal), draw)

    def portions(self, kind: str, masses_kg: Mapping[str, float], grade: Values) -> dict[str, Values]:
        """Metal of the portions of a fraction, g: Dirichlet with pieces over CV squared."""
        row = self.catalogue.kinds[kind]
        alpha = [1000 * kg / row.piece_mass_g / row.piece_cv**2 for kg in masses_kg.values()]
        parts = np.stack([self.rng.gamma(a, size=self.draws) for a in alpha])
        metal = parts / parts.sum(axis=0) * grade * sum(masses_kg.values()) / 1000
        return dict(zip(masses_kg, metal, strict=True))

    def failed(self, batch: str, metal: str) -> Flags:
        """Whether a run failed for a metal."""
        return self.keep(
            ("failed", batch, metal), lambda: self.rng.uniform(size=self.draws) < self.k["recovery.failed_share"]
        )

    def recovery(self, batch: str, route: str, metal: str) -> Values:
        """Share of the metal in work that reaches the product, before hold-up."""
        k, learned = self.k, self.k["recovery.learned_share"]
        shared = k["recovery.shared_share"]
        ours = math.sqrt(shared) * self.normal("all routes", metal)
        ours = ours + math.sqrt(1 - shared) * self.normal("route", route, metal)
        row, failed = self.catalogue.routes[route].recovery[metal], self.failed(batch, metal)
        new = np.where(failed, 0.0, self.normal("run", batch, metal))
        bad = k["recovery.failed_centre"] + k["recovery.failed_sd"] * self.normal("failed run", batch, metal)
        return expit(self.share_row(row, learned, ours, new) + np.where(failed, bad, 0.0))

    def recover(self, batch: str, route: str, metal: str, in_work_g: Values, holdup_factor: float) -> Values:
        """Fine metal that reaches the product, g."""
        k = self.k
        reached = in_work_g * self.recovery(batch, route, metal)
        ln_a = math.log(k["holdup.a"] * holdup_factor) + math.log(k["holdup.a_gsd"]) * self.normal("a", metal)
        a = np.exp(ln_a + k["holdup.batch_log_sd"] * self.normal("a", batch, metal))
        full, power = k["holdup.full_from_g"], -k["holdup.exponent"]
        small = reached * (1 + a * full**power) / (1 + a * reached**power)
        return np.where(reached < full, small, reached)

    def unrecovered(self, batch: str, metal: str) -> dict[str, Values]:
        """Shares of what did not reach the product, by the place where it went."""
        places = ("equipment", "residue", "solution", "filters", "lost")
        spread = self.k["rest.log_sd"]
        parts = {p: self.k[f"rest.{p}"] * np.exp(spread * self.normal("rest", p, batch, metal)) for p in places}
        total = np.sum(list(parts.values()), axis=0)
        return {place: part / total for place, part in parts.items()}

    def chance_of_colour(self, grams: Values, volume_l: float, result: str, metal: str, test: str) -> Values:
        """1 where a spot test of a liquid with so much metal shows this colour, else 0."""
        k, learned = self.k, self.k["spot.learned_share"]
        eye = math.sqrt(learned) * self.normal("operator", metal)
        factor = np.exp(k["spot.log_sd"] * (eye + math.sqrt(1 - learned) * self.normal("spot test", test)))
        edges = [0.0, *(k[f"spot.{name}_mg_per_l"] for name in ("faint", "clear", "strong")), math.inf]
        n = ("negative", "faint", "clear", "strong").index(result)
        mg_per_l = 1000 * grams / volume_l / factor
        return ((mg_per_l >= edges[n]) & (mg_per_l < edges[n + 1])).astype(float)

    def carried_over(self, dross: list[Values], grams: Mapping[str, Values]) -> tuple[dict[str, list[Values]], Flags]:
        """How products melted together share metals that none of them is of, g by metal and product; whether they can.

        Of what is no metal of its own in each (`dross`, g) they are the parts softmax(c + own, 0); `grams` in all.
        """
        own = {m: [self.k["carried.log_sd"] * self.rng.normal(size=self.draws) for _ in dross] for m in grams}
        c = dict.fromkeys(grams, np.zeros(self.draws))
        for _ in range(SEARCH):
            scores = {m: [np.exp(c[m] + one) for one in own[m]] for m in grams}
            whole = [1 + sum(score[i] for score in scores.values()) for i in range(len(dross))]
            parts = {m: [d * one / w for d, one, w in zip(dross, scores[m], whole, strict=True)] for m in grams}
            c = {m: np.clip(c[m] + np.log(np.maximum(grams[m], 1e-12) / sum(parts[m])), -30, 30) for m in grams}
        fits = [np.abs(sum(parts[m]) - grams[m]) < 0.01 * grams[m] for m in grams]
        return parts, np.all(fits, axis=0)

    def metal_share(self, product: str, form: str, damp: bool = False) -> Values:
        """Metal in a product over its weight."""
        row = self.catalogue.forms[form]
        learned = self.k["form.learned_share"]
        share = row.factor * expit(
            self.share_row(row.purity, learned, self.normal("form", form), self.normal("purity", product))
        )
        if damp:
            wet = self.share_row(self.catalogue.shares["moisture"], 0.0, 0.0, self.normal("moisture", product))
            share = share * (1 - expit(wet))
        return share

    def chance_of_reading(self, weight_g: Values, shown_g: float, step_g: float, balance: str = "bench") -> Values:
        """Chance that a balance shows this: its error of scale, handling, rounding."""
        true = weight_g * (1 + self.k["balance.scale_sd"] * self.normal("balance", balance))
        handling = step_g * self.k["balance.unchecked_handling"]
        high, low = (shown_g + step_g / 2 - true) / handling, (shown_g - step_g / 2 - true) / handling
        return np.where(low > 0, ndtr(-low) - ndtr(-high), ndtr(high) - ndtr(low))


class Weighted:
    """Summaries of weighted draws with their standard errors."""

    def __init__(self, weight: Values) -> None:
        self.w = weight / weight.sum()
        self.ess = 1 / np.sum(self.w**2)

    def mean(self, x: Values) -> tuple[float, float]:
        """Mean and its standard error."""
        mean = float(self.w @ x)
        return mean, float(np.sqrt(np.sum((self.w * (x - mean)) ** 2)))

    def sd(self, x: Values) -> float:
        mean = float(self.w @ x)
        return float(np.sqrt(self.w @ (x - mean) ** 2))

    def quantile(self, x: Values, p: float) -> float:
        order = np.argsort(x)
        return float(x[order][np.searchsorted(np.cumsum(self.w[order]), p)])

    def below(self, x: Values, limit: float) -> float:
        """Share of the weight below a limit."""
        return float(self.w @ (x < limit))
