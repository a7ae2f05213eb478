"""Days from the start of a run to its weighing: the route's row, and what closed batches of the same route teach.

As with hours (`hours.py`): in units of the row's spread, z = u + e, u (variance s) the bench's and learned, e the
batch's; days are told whole, which is one more error of each. A run to come has z ~ N(mean of u, var of u + 1 - s).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from gradeest.decision.prices import DaysTold, NamedDraws
from gradeest.materials.catalogue import Catalogue

Array = NDArray[np.float64]
LEARNED_SHARE = "days.learned_share"
LEAST = 0.5  # begun and weighed on one day is half a day
WHOLE = 1 / math.sqrt(12)  # sd of what is rounded to whole days, in days


def draw_days(route: str, told: Sequence[DaysTold], catalogue: Catalogue, named: NamedDraws) -> Array | None:
    """Days of a run by a route, (draw,); None where no row says."""
    row = catalogue.shares.get(f"days:{route}")
    if row is None:
        return None
    plain = named.amount(f"days:{route}", row)
    own = [max(one.days, LEAST) for one in told if one.route == route]
    if not own or row.q5 == row.q95:
        return plain
    ln = np.log(plain)
    centre, sd = float(np.median(ln)), float(ln.std())
    share = catalogue.constants[LEARNED_SHARE]
    weights = [1 / (1 - share + (WHOLE / days / sd) ** 2) for days in own]
    precision = 1 / share + sum(weights)
    mean = sum(w * (math.log(days) - centre) / sd for w, days in zip(weights, own, strict=True)) / precision
    return np.asarray(np.exp(centre + sd * mean + math.sqrt(1 / precision + 1 - share) * (ln - centre)))
