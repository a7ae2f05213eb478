"""What a run is expected to give: draws of metal contained, recovered, and of the weight on the balance."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Run:
    """Processing `mass_kg` of the fraction at `address` alone by `route`."""

    address: str
    mass_kg: float
    route: str


@dataclass(frozen=True)
class Outcome:
    """Forward draws of runs; all arrays have shape (draw, run, metal) and unit g.

    `recovered_g` is fine metal in the products; `weight_g` what the balance is expected to show in the route's
    usual form (`forms[run][metal]`), zero where the route recovers none of the metal. `is_trace` tells the draws in
    which the metal is present only as traces. `origin` (draw,) is the posterior draw behind each forward draw, which
    Monte Carlo errors need where posterior draws are reused.
    """

    runs: tuple[Run, ...]
    metals: tuple[str, ...]
    contained_g: NDArray[np.float64]
    recovered_g: NDArray[np.float64]
    weight_g: NDArray[np.float64]
    is_trace: NDArray[np.bool_]
    forms: tuple[Mapping[str, str], ...]
    origin: NDArray[np.int64] | None = None

    def only(self, i: int) -> Outcome:
        """Run `i` alone."""
        run, form, at = self.runs[i], self.forms[i], [i]
        return replace(
            self, runs=(run,), forms=(form,), contained_g=self.contained_g[:, at],
            recovered_g=self.recovered_g[:, at], weight_g=self.weight_g[:, at], is_trace=self.is_trace[:, at],
        )  # fmt: skip
