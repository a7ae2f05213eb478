"""Invented outcomes and prices for the tests of the decision room."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gradeest.belief.outcome import Outcome, Run
from gradeest.decision.prices import Prices, RouteCosts
from gradeest.materials.catalogue import Quantiles

METALS = ("Au", "Ag", "Pd")


def one(value: float) -> Quantiles:
    """A row that is known exactly."""
    return Quantiles(value, value, value)


def costs(cost_fixed: float = 0, cost_per_kg: float = 0, hours_fixed: float = 1, hours_per_kg: float = 0) -> RouteCosts:
    return RouteCosts(one(cost_fixed), one(cost_per_kg), one(hours_fixed), one(hours_per_kg))


def prices(routes: Mapping[str, RouteCosts], **changes: Any) -> Prices:
    """Round prices, everything paid, no fee, hours unpaid, nothing for scrap as it is, unless said."""
    rows: dict[str, Any] = {
        "currency": "coin",
        "metal_per_g": {"Au": 100.0, "Ag": 1.0, "Pd": 35.0},
        "hours_rate": 0.0,
        "routes": routes,
        "payable": {metal: one(1.0) for metal in METALS},
        "settlement_fee": one(0.0),
        "fee_per_g": {},
        "deduction_g": {},
        "as_is_share": {},
        "as_is_per_kg": {},
    }
    return Prices(**(rows | changes))


def outcome(gold_g: NDArray[np.float64], runs: tuple[Run, ...], metal: str = "Au") -> Outcome:
    """An outcome whose products hold `gold_g` (draw, run) of one metal; nine tenths of it is recovered."""
    recovered = np.zeros((*gold_g.shape, 3))
    recovered[:, :, METALS.index(metal)] = gold_g
    return Outcome(
        runs=runs,
        metals=METALS,
        contained_g=recovered / 0.9,
        recovered_g=recovered,
        weight_g=recovered / 0.98,
        is_trace=np.zeros(recovered.shape, dtype=bool),
        forms=tuple({metal: f"{metal.lower()}-powder"} for _ in runs),
    )


# The kinds stand for whatever the test says: only their ids, classes and usual routes are used.
KINDS = ("fingers-memory", "fingers-cards", "pins-mixed", "pins-full", "chips-mixed", "boards-enig", "mlcc-unsorted")


def runs(count: int, mass_kg: float = 1.0) -> tuple[tuple[Run, ...], dict[str, str]]:
    """`count` runs L/f0, L/f1 ... of `mass_kg`, each by a route of its own (r0, r1 ...), and their kinds."""
    found = tuple(Run(f"L/f{i}", mass_kg, f"r{i}") for i in range(count))
    return found, {run.address: KINDS[i % len(KINDS)] for i, run in enumerate(found)}
