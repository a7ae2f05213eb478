"""Picking one joint configuration of the choices per draw: the likeliest, or at random by its probability."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gradeest.belief.choices import Configurations

Values = NDArray[np.float64]
Index = NDArray[np.int64]


def members(configurations: Configurations) -> list[Index]:
    """The configurations of every group."""
    return [rows[rows < len(configurations.terms)] for rows in configurations.of_group]


def pick(configurations: Configurations, log_weights: Values, rng: np.random.Generator | None = None) -> Index:
    """Values of all choices, (draw, choice), -1 for those of no group; drawn with `rng`, else the likeliest.

    Parameters: log_weights, (draw, configuration), up to a constant of each group.
    """
    out = np.full((len(log_weights), len(configurations.choices)), -1, dtype=np.int64)
    for rows in members(configurations):
        weights = log_weights[:, rows]
        if rng is not None:
            weights = weights + rng.gumbel(size=weights.shape)
        own = np.flatnonzero(configurations.values[rows[0]] >= 0)
        out[:, own] = configurations.values[rows][:, own][np.argmax(weights, axis=1)]
    return out


def configuration_weights(configurations: Configurations, log_weights: Values) -> Values:
    """Probability of every configuration within its group, (draw, configuration)."""
    out = np.zeros_like(log_weights)
    for rows in members(configurations):
        parts = log_weights[:, rows]
        parts = np.exp(parts - parts.max(axis=1, keepdims=True))
        out[:, rows] = parts / parts.sum(axis=1, keepdims=True)
    return out
