"""Why a result was hardly expected: each cause by its chance, and by how well it explains what was seen.

What was seen is one number g > 0: fine metal at the middle purity of its form, a limit, or a grade. Of an ordinary run,
and of a failed one, there are forward draws b of that number. A cause moves g away from b by D = ln g - ln b, whose
density k given b is known in closed form, so that (Bayes' rule; b summed out over n draws)

    P(cause | g) = pi f / sum of pi f over causes,    f = mean of k(ln g - ln b | b) over b.

Causes exclude each other: two rare things at once are rarer still. What no cause explains is `other`: it is spread
wide, so that a result far from everything is not pinned on the least distant cause. A spill and metal left in the
liquid take a share of the product here, though they take it before the hold-up: against their own spread that is small.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr, logsumexp

from gradeest.belief.network import Z95, logit_normal
from gradeest.materials.catalogue import Catalogue
from gradeest.units import slip_factors

Values = NDArray[np.float64]
How = Literal["exactly", "at least", "below"]
LEAST_G = 1e-9  # only to take logarithms of nothing
LN_2PI = math.log(2 * math.pi)


@dataclass(frozen=True)
class Seen:
    """What was seen, in g (or g/t): the value itself, at least that, or less than that; `step` it was read in."""

    value: float
    how: How = "exactly"
    step: float = 0.0


@dataclass(frozen=True)
class Forward:
    """Draws (draw,) of what was to be seen, g (or g/t), of an ordinary and of a failed run (empty: not told apart).

    `period`: draw i and i + period share a posterior draw, which the Monte Carlo error needs.
    """

    ordinary: Values
    failed: Values
    period: int


@dataclass(frozen=True)
class Likely:
    """One cause with its probability (0-1) and the Monte Carlo error of that."""

    cause: str
    probability: float
    mcse: float


@dataclass(frozen=True)
class Near:
    """D ~ N(0, sd), shifted by each of `slips` with the same chance: a reading, and one with a wrong unit."""

    sd: float
    slips: tuple[float, ...] = (0.0,)

    def log_density(self, d: Values, ln_b: Values, how: How) -> Values:
        """ln k: of D = d, of D >= d, of D < d."""
        parts = [log_normal((d - slip) / self.sd, self.sd, how) for slip in self.slips]
        found: Values = logsumexp(parts, axis=0) - math.log(len(parts))
        return found


@dataclass(frozen=True)
class Lost:
    """exp D = 1 - share, logit share ~ N(centre, sd): a spill, metal left behind. `gained`: exp D = 1 / (1 - share)."""

    centre: float
    sd: float
    gained: bool = False

    def log_density(self, d: Values, ln_b: Values, how: How) -> Values:
        """ln k: of D = d, of D >= d, of D < d."""
        kept = np.minimum(-d if self.gained else d, -1e-12)  # ln of 1 - share, below 0
        z = (kept - np.log(-np.expm1(kept)) + self.centre) / self.sd  # logit(1 - share) ~ N(-centre, sd)
        outside = (d <= 0) if self.gained else (d >= 0)
        if how == "exactly":  # d logit(1 - share) / dD = 1 / share
            inside = log_normal(z, self.sd, how) - np.log(-np.expm1(kept))
            return np.where(outside, -np.inf, inside)
        below = how == "below"
        inside = log_ndtr(z if below != self.gained else -z)
        return np.where(outside, -np.inf if below == self.gained else 0.0, inside)


@dataclass(frozen=True)
class Added:
    """b exp D = b + extra, ln extra ~ N(centre, sd): the same metal from something else."""

    centre: float
    sd: float

    def log_density(self, d: Values, ln_b: Values, how: How) -> Values:
        """ln k: of D = d, of D >= d, of D < d."""
        more = np.maximum(d, 1e-12)
        ln_extra = ln_b + np.log(np.expm1(more))
        inside = log_normal((ln_extra - self.centre) / self.sd, self.sd, how)
        if how == "exactly":  # d ln extra / dD = exp D / (exp D - 1)
            inside = inside - np.log(-np.expm1(-more))
        return np.where(d > 0, inside, 0.0 if how == "at least" else -np.inf)


@dataclass(frozen=True)
class Anywhere:
    """ln g ~ N(centre, sd), a mixture of several: what does not depend on the forecast's draws."""

    centres: tuple[float, ...]
    sds: tuple[float, ...]

    def log_density(self, d: Values, ln_b: Values, how: How) -> Values:
        """ln k: of D = d, of D >= d, of D < d."""
        y = d + ln_b
        parts = [log_normal((y - c) / s, s, how) for c, s in zip(self.centres, self.sds, strict=True)]
        found: Values = logsumexp(parts, axis=0) - math.log(len(parts))
        return found


Move = Near | Lost | Added | Anywhere


@dataclass(frozen=True)
class Candidate:
    """A cause before anything was seen: its chance, how it moves the result, of a failed run or an ordinary one."""

    cause: str
    chance: float
    move: Move
    of_failed: bool = False


def log_normal(z: Values, sd: float, how: How) -> Values:
    """ln of a normal density of standard deviation sd at z, or of its upper or lower tail."""
    if how == "exactly":
        return -0.5 * (z * z + LN_2PI) - math.log(sd)
    found: Values = log_ndtr(-z if how == "at least" else z)
    return found


def kernel_width(ln_b: Values, blur: float) -> float:
    """Width of the kernel that makes a density of draws: Silverman's rule (1986, eq. 3.31), and the reading's own."""
    q25, q75 = np.quantile(ln_b, (0.25, 0.75))
    spread = min(float(ln_b.std()), float(q75 - q25) / 1.34) or float(ln_b.std())
    return max(math.hypot(0.9 * spread * ln_b.size**-0.2, blur), 1e-6)


def causes_of_weight(
    catalogue: Catalogue, metal: str, forward: Forward, seen: Seen, *, can_be_wet: bool = True, weighed: bool = True
) -> tuple[Candidate, ...]:
    """Causes for what was weighed of a metal, or not found of it (`weighed` False: then nothing can be in it).

    Parameters: can_be_wet, it was noted as dry.
    """
    k = catalogue.constants
    blur = seen.step / (math.sqrt(12) * seen.value)
    ln_b = logs(forward.ordinary)
    reading = Near(kernel_width(ln_b, blur))
    slips = tuple(math.log(f) for f in slip_factors())
    found = [
        Candidate("spill", k["cause.spill"], Lost(k["cause.spill_centre"], k["cause.spill_sd"])),
        Candidate("undropped", k["cause.undropped"], Lost(k["cause.undropped_centre"], k["cause.undropped_sd"])),
        Candidate("unit", k["cause.unit"], Near(reading.sd, slips)),
        Candidate("other", k["cause.other"], Anywhere((float(np.median(ln_b)),), (k["cause.other_log_sd"],))),
    ]
    if forward.failed.size:
        width = kernel_width(logs(forward.failed), blur)
        found.append(Candidate("failed", k["recovery.failed_share"], Near(width), of_failed=True))
    if weighed:
        centre = math.log(k[f"cause.foreign_g.{metal}"])
        found.append(Candidate("foreign", k["cause.foreign"], Added(centre, k["cause.foreign_log_sd"])))
        impure = Lost(k["cause.impure_centre"], k["cause.impure_sd"], gained=True)
        found.append(Candidate("impure", k["cause.impure"], impure))
    if weighed and can_be_wet:
        found.append(Candidate("wet", k["cause.wet"], Lost(*logit_normal(catalogue.shares["moisture"]), gained=True)))
    return (Candidate("ordinary", 1 - sum(c.chance for c in found), reading), *found)


def causes_of_assay(catalogue: Catalogue, metal: str, forward: Forward) -> tuple[Candidate, ...]:
    """Causes for the grade that an assay says."""
    k = catalogue.constants
    width = kernel_width(logs(forward.ordinary), 0.0)
    rows = [kind.grades[metal] for kind in catalogue.kinds.values()]
    kinds = Anywhere(
        tuple(math.log(row.q50) for row in rows),
        tuple(max(math.log(row.q95 / row.q5) / (2 * Z95), 0.1) for row in rows),
    )
    middle = float(np.median(logs(forward.ordinary)))
    found = [
        Candidate("unit", k["cause.unit"], Near(width, tuple(math.log(f) for f in slip_factors(grade=True)))),
        Candidate("sample", k["cause.sample"], Near(math.hypot(width, k["cause.sample_log_sd"]))),
        Candidate("kind", k["cause.kind"], kinds),
        Candidate("other", k["cause.other"], Anywhere((middle,), (k["cause.other_log_sd"],))),
    ]
    return (Candidate("ordinary", 1 - sum(c.chance for c in found), Near(width)), *found)


def weigh_causes(seen: Seen, forward: Forward, candidates: Sequence[Candidate]) -> tuple[Likely, ...]:
    """The candidates by probability, the likeliest first, given what was seen. Probabilities sum to 1."""
    y = math.log(max(seen.value, LEAST_G))
    bases: Mapping[bool, Values] = {False: logs(forward.ordinary), True: logs(forward.failed)}
    rows = np.array(
        [
            math.log(c.chance) + c.move.log_density(y - bases[c.of_failed], bases[c.of_failed], seen.how)
            for c in candidates
        ]
    )
    terms = np.exp(rows - rows.max())  # (cause, draw)
    total = terms.sum(axis=0).mean()
    shares = terms.mean(axis=1) / total
    # dP = (term - P sum of terms) / total, draw by draw (delta method); draws of one posterior draw go together
    moved = (terms - shares[:, None] * terms.sum(axis=0)) / total
    group = np.arange(moved.shape[1]) % forward.period
    counts = np.bincount(group)
    means = np.array([np.bincount(group, row) / counts for row in moved])
    mcse = means.std(axis=1) / math.sqrt(len(counts))
    found = [Likely(c.cause, float(p), float(e)) for c, p, e in zip(candidates, shares, mcse, strict=True)]
    return tuple(sorted(found, key=lambda one: -one.probability))


def logs(values: Values) -> Values:
    """ln of draws; of nothing that of a nanogram."""
    found: Values = np.log(np.maximum(values, LEAST_G))
    return found
