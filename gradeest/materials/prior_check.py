"""Holds every grade row against its own prior predictive: rows are skewed, the model's form is not."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from gradeest.materials.rows import Catalogue, GradeRow

Verdict = Literal["ok", "named", "fails"]
NAMED_BEYOND: Final = 1.3  # factor between a row's quantile and its prior predictive (judgement)
FAILS_BEYOND: Final = 1.75
NODES: Final = 40  # of the quadrature over tau
BISECTIONS: Final = 60


@dataclass(frozen=True)
class PriorCheck:
    """One grade row beside its own prior predictive. Grades in g/t, given present; `factor` is of the odds g/(L-g)."""

    kind: str
    metal: str
    row: tuple[float, float, float]  # q5, q50, q95
    predictive: tuple[float, float, float]
    factor: float  # the worst of the three, 1 or more
    verdict: Verdict


def predict_present(row: GradeRow, constants: Mapping[str, float], shares: Sequence[float]) -> NDArray[np.float64]:
    """Quantiles of the grade of one new lot of a kind, given that the metal is present.

    Parameters: row, its quantiles in g/t; constants of the model; shares, probabilities between 0 and 1.
    Returns: shape (shares,), g/t, below the row's max_g_per_t.
    Equation: x = logit(q50/L) + ln(gsd_class_mean)/(1 - q50/L) N(0,1) + tau N(0,1), with
    ln tau ~ N(ln(ln gsd_between / (1 - q50/L)), 0.3) cut at +-2 sd; g = L expit(x). Given tau, x is normal: its
    distribution function is the mean over tau (Gauss-Legendre), inverted by bisection.
    """
    from scipy.special import ndtr

    scale = 1.0 - row.q50 / row.max_g_per_t
    centre = np.log(row.q50 / row.max_g_per_t) - np.log(scale)
    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    z = constants["grade.ln_tau_cut_sd"] * nodes
    weights = weights * np.exp(-0.5 * z**2)
    weights /= weights.sum()
    tau = np.log(row.gsd_between) / scale * np.exp(constants["grade.ln_tau_sd"] * z)
    total_sd = np.hypot(np.log(row.gsd_class_mean) / scale, tau)
    wanted = np.asarray(shares, dtype=float)
    reach = 10.0 * total_sd.max()
    low, high = np.full(wanted.shape, -reach), np.full(wanted.shape, reach)
    for _ in range(BISECTIONS):
        middle = 0.5 * (low + high)
        below = ndtr(middle[:, None] / total_sd) @ weights < wanted
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    grades: NDArray[np.float64] = row.max_g_per_t / (1.0 + np.exp(-(centre + 0.5 * (low + high))))
    return grades


def check_row(row: GradeRow, constants: Mapping[str, float]) -> PriorCheck:
    """Compare one row with its prior predictive on the logit scale.

    Returns: PriorCheck; "named" beyond a factor 1.3 at any of the three points, "fails" beyond 1.75.
    """
    predicted = predict_present(row, constants, (0.05, 0.5, 0.95))
    stated = np.array([row.q5, row.q50, row.q95])
    limit = row.max_g_per_t
    shift = np.log(predicted / (limit - predicted)) - np.log(stated / (limit - stated))
    factor = float(np.exp(np.abs(shift).max()))
    verdict: Verdict = "fails" if factor > FAILS_BEYOND else "named" if factor > NAMED_BEYOND else "ok"
    q5, q50, q95 = (float(q) for q in predicted)
    return PriorCheck(row.kind, row.metal, (row.q5, row.q50, row.q95), (q5, q50, q95), factor, verdict)


def check_catalogue(catalogue: Catalogue) -> list[PriorCheck]:
    """Compare every own row of the catalogue, and the "unlikely" row once, with its prior predictive.

    Returns: one PriorCheck per row, in catalogue order.
    """
    checks = []
    unlikely_seen = False
    for kind in catalogue.kinds.values():
        for row in kind.grades.values():
            if row.basis.startswith("as ") or (row.basis == "unlikely" and unlikely_seen):
                continue  # the same numbers again
            unlikely_seen = unlikely_seen or row.basis == "unlikely"
            checks.append(check_row(row, catalogue.constants))
    return checks
