"""What a fit leaves behind: draws, and how far to trust them. A cached one is read without the libraries of a fit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

Values = NDArray[np.float64]
ENGINES = ("fast", "pymc")


@dataclass(frozen=True)
class Diagnostics:
    """How well a fit did. `settled` is what a person reads; the numbers stand in --json."""

    settled: bool
    r_hat_max: float
    ess_min: float
    divergences: int
    draws: int
    engine: str
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Posterior:
    """Draws of everything a decision needs. Axis order (draw, fraction or kind or route, metal); grades in g/t dry."""

    metals: tuple[str, ...]
    fractions: tuple[str, ...]  # addresses, all of the bench
    grade_g_per_t: Values  # contained grade of the whole fraction
    rest_grade_g_per_t: Values  # of what no batch has taken
    is_trace: NDArray[np.bool_]
    recoverable_g_per_t: Values  # fine metal weighed per kg processed; nan where nothing was
    dry_left_kg: Values  # (fraction,)
    dry_share: Values  # (fraction,) dry mass over recorded mass
    pieces_per_kg: Values  # (fraction,) Dirichlet parameter per dry kg, n / CV^2
    kinds: tuple[str, ...]  # kinds on the bench
    kind_mean_g_per_t: Values  # grade at the kind's mean, given present
    kind_absent: Values  # chance that the metal is absent
    routes: tuple[str, ...]
    recovery_logit: Values  # nan where a route recovers none
    ln_a: Values  # (draw, metal) ln hold-up constant
    forms: tuple[str, ...]
    form_z: Values  # (draw, form) learned part of the purity, standard normal
    failed_chance: Mapping[tuple[str, str], float]  # (batch, metal) of weighed batches
    charge_g: Mapping[tuple[str, str, str], Values]  # (batch, address, metal): metal that went in, where a result tells
    shares: Mapping[tuple[str, str, str], Values]  # (batch, metal, what): how it was shared out (sharing.py)
    stream_g: Mapping[tuple[str, str], Values]  # (stream, metal): metal set aside, where a later result tells
    rests_on: Mapping[tuple[str, str], str]  # (address, metal): "3 weights, 1 assay"; absent: prior only
    diagnostics: Diagnostics
    product_g: Mapping[tuple[str, str], Values] = field(default_factory=dict)  # (batch, product): fine metal, weighed

    @property
    def draws(self) -> int:
        """Number of draws."""
        return int(self.grade_g_per_t.shape[0])


OF_DRAWS = (
    *("grade_g_per_t", "rest_grade_g_per_t", "is_trace", "recoverable_g_per_t", "kind_mean_g_per_t", "kind_absent"),
    *("recovery_logit", "ln_a", "form_z"),
)
NAMED_DRAWS = ("charge_g", "shares", "stream_g", "product_g")


def join_draws(parts: Sequence[Posterior]) -> Posterior:
    """One posterior of the draws of several, which are alike in all else."""
    if len(parts) == 1:
        return parts[0]
    whole = sum(part.draws for part in parts)
    joined: dict[str, Any] = {name: np.concatenate([getattr(part, name) for part in parts]) for name in OF_DRAWS}
    named: dict[str, Any] = {
        name: {key: np.concatenate([getattr(part, name)[key] for part in parts]) for key in getattr(parts[0], name)}
        for name in NAMED_DRAWS
    }
    failed = {key: sum(p.failed_chance[key] * p.draws for p in parts) / whole for key in parts[0].failed_chance}
    return replace(parts[0], failed_chance=failed, **joined, **named)
