"""Importance sampling of small benches: a bench, the forward draws behind it, and what the engine says otherwise.

Means, standard deviations, quantiles and probabilities are held to four standard errors of both sides.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gradeest.belief.posterior import Posterior, fit
from gradeest.materials.catalogue import Catalogue, load_catalogue
from gradeest.records.domain import METALS, Bench
from tests.statistical.forward_model import ForwardModel, Values, Weighted

CATALOGUE = load_catalogue()
WORST = 4.0  # standard errors
WORTH = 0.5  # of an independent draw: what a kept draw of the fit is counted as


@dataclass
class Case:
    """A bench, the forward draws behind it and the weight each has under the evidence."""

    bench: Bench
    world: ForwardModel
    weight: Values

    def gaps(
        self, catalogue: Catalogue = CATALOGUE, metals: tuple[str, ...] = ("Au",), seed: int = 4,
        posterior: Posterior | None = None,
    ) -> list[str]:  # fmt: skip
        """What the engine and importance sampling disagree on, in words; `posterior`, where there is one already."""
        posterior, exact = posterior or fit(self.bench, catalogue, seed=seed), Weighted(self.weight)
        assert exact.ess > 1500
        count = max(posterior.diagnostics.ess_min, WORTH * posterior.draws)
        found = []
        for f, address in enumerate(posterior.fractions):
            name, kind = address.partition("/")[0], self.bench.fraction(address).kind
            for metal in metals:
                m = METALS.index(metal)
                mine = np.log(posterior.grade_g_per_t[:, f, m])
                found += compare(f"{address} {metal}", np.log(self.world.grade(name, kind, metal)), mine, exact, count)
                trace = self.world.is_trace(name, kind, metal)
                found += share(f"{address} {metal} traces", trace, posterior.is_trace[:, f, m], exact, count)
        return found + self.failures(posterior, exact, count)

    def failures(self, posterior: Posterior, exact: Weighted, count: float) -> list[str]:
        found = []
        for (name, metal), chance in posterior.failed_chance.items():
            mine = np.arange(posterior.draws) < chance * posterior.draws
            found += share(f"{name} {metal} failed", self.world.failed(name, metal), mine, exact, count)
        return found


def compare(what: str, theirs: Values, mine: Values, exact: Weighted, count: float) -> list[str]:
    """Mean, sd and the 5, 50 and 95 % points; a quantile is held to the share of draws below it."""
    (mean, error), sd = exact.mean(theirs), exact.sd(theirs)
    found = []
    gap = (mine.mean() - mean) / math.hypot(error, mine.std() / math.sqrt(count))
    if abs(gap) > WORST:
        found.append(f"{what}: mean {mine.mean():.3f}, should be {mean:.3f}")
    kurtosis = max(
        exact.mean((theirs - mean) ** 4)[0] / sd**4, float(np.mean((mine - mine.mean()) ** 4)) / mine.var() ** 2
    )
    spread = 0.5 * math.sqrt(max(kurtosis - 1, 1) * (1 / count + 1 / exact.ess))
    if abs(math.log(mine.std() / sd)) > WORST * spread:
        found.append(f"{what}: sd {mine.std():.3f}, should be {sd:.3f}")
    for p in (0.05, 0.5, 0.95):
        below = float(np.mean(mine < exact.quantile(theirs, p)))
        if abs(below - p) > WORST * math.sqrt(p * (1 - p) * (1 / count + 1 / exact.ess)):
            found.append(f"{what}: {below:.3f} below the {p:.0%} point")
    return found


def share(what: str, theirs: NDArray[np.bool_], mine: NDArray[np.bool_], exact: Weighted, count: float) -> list[str]:
    """Chance of a yes or no."""
    p, q = exact.mean(theirs.astype(float))[0], float(mine.mean())
    among = max(p * (1 - p), 1 / exact.ess)
    if abs(p - q) <= WORST * math.sqrt(among * (1 / count + 1 / exact.ess)) + 1 / count:
        return []
    return [f"{what}: {q:.4f}, should be {p:.4f}"]
