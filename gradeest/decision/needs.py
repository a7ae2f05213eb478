"""What runs take beside hours and money: items (for the budget, never for dosing), acid in all, days from start to end.

Drawn from the rows that their cost is counted by (`costs.py`), so that a dear draw of a cost is a large one here too.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gradeest.belief.outcome import Outcome
from gradeest.decision.costs import LIQUID, Costing, metal_of_run
from gradeest.decision.days import draw_days
from gradeest.decision.prices import Basis
from gradeest.materials.catalogue import Catalogue
from gradeest.materials.reactions import ACIDITY

Array = NDArray[np.float64]
FULL = 1e-9  # of a pack: one that is full but for rounding is full


@dataclass(frozen=True)
class Needs:
    """What runs take; every array (draw, run). `items` by id, in the item's unit; `acid` in litres."""

    items: Mapping[str, Array]
    acid: Array
    days: Array


def find_needs(
    outcome: Outcome,
    kinds: Mapping[str, str],
    basis: Basis,
) -> Needs:
    """What each run of an outcome takes.

    Parameters: outcome, contained_g (draw, run, metal) in g; kinds, kind id by address; basis, with as many
    draws as the outcome. Days of a route without a row count as none.
    """
    prices, catalogue, named = basis.prices, basis.catalogue, basis.named
    costing = Costing.of(prices, catalogue, named)
    nothing = np.zeros((len(outcome.runs), named.draws))
    items: dict[str, Array] = {}
    for i, run in enumerate(outcome.runs):
        for line in costing.lines(run.route, {kinds[run.address]: run.mass_kg}, metal_of_run(outcome, i)):
            if line.item.id not in items:
                items[line.item.id] = nothing.copy()
            items[line.item.id][i] = line.amount
    acids = [items[key] for key in items if is_acid(key, catalogue)]
    days = nothing.copy()
    for i, run in enumerate(outcome.runs):
        drawn = draw_days(run.route, prices.days_told, catalogue, named)
        if drawn is not None:
            days[i] = drawn
    return Needs({key: table.T for key, table in items.items()}, np.sum([nothing, *acids], axis=0).T, days.T)


def is_acid(item: str, catalogue: Catalogue) -> bool:
    """Whether an item is an acid that is bought by the litre."""
    row = catalogue.items[item]
    return row.unit == LIQUID and row.formula in ACIDITY


def whole(amount: float, step: float) -> float:
    """An amount rounded up to whole steps, as packs are bought; as it is where there is no step."""
    return math.ceil(amount / step - FULL) * step if step > 0 else amount
