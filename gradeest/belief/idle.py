"""Idle sides: unknowns that a choice leaves unused follow a normal density of their own, which cancels.

The density is free; where it lies close to what the unknown does while it is used, no particle has to find its way
back when the choice turns (Carlin & Chib 1995, J. R. Stat. Soc. B 57:473).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from gradeest.belief.network import Network
from gradeest.belief.picking import configuration_weights, pick

Values = NDArray[np.float64]
IDLE = ("x1", "x0", "v", "e_ok", "e_failed")
LEAST_USED = 50.0  # draws in which a side was used, before its place is taken from them
WIDER = 1.2  # than the side in use: a wide idle density costs little, a narrow one traps


def fit_idle_sides(network: Network, theta: Values, log_weights: Values) -> Network:
    """The same network with the idle densities fitted to draws.

    Parameters: theta (draw, unknown), log_weights (draw, configuration) of the choices there.
    """
    weights = configuration_weights(network.configurations, log_weights)
    position = {key: i for i, key in enumerate(network.configurations.choices)}
    arrays = {**network.arrays, **{f"{n}_{s}": network.arrays[f"{n}_{s}"].copy() for n in IDLE for s in ("pm", "ps")}}
    for name, index, choices, outcome in network.copies:
        values = network.configurations.values[:, [position[key] for key in choices]]
        used = weights[:, (values == np.array(outcome)).all(axis=1)].sum(axis=1)
        total = used.sum()
        if total < LEAST_USED:
            continue
        draws = theta[:, network.layout[name].start + index]
        mean = float(used @ draws / total)
        sd = float(np.sqrt(used @ (draws - mean) ** 2 / total))
        arrays[f"{name}_pm"][index] = mean
        arrays[f"{name}_ps"][index] = np.clip(WIDER * sd, 1e-3, 10.0)
    return replace(network, arrays=arrays)


def refresh_idle(network: Network, theta: Values, log_weights: Values, rng: np.random.Generator) -> Values:
    """Draws (draw, unknown) whose idle unknowns are drawn anew, each draw's choices made first (a Gibbs step).

    Parameters: log_weights (draw, configuration), of the choices at these draws.
    """
    position = {key: i for i, key in enumerate(network.configurations.choices)}
    values = pick(network.configurations, log_weights, rng)
    refreshed = theta.copy()
    for name, index, choices, outcome in network.copies:
        idle = (values[:, [position[key] for key in choices]] != np.array(outcome)).any(axis=1)
        rest = network.arrays[f"{name}_ps"][index] * rng.normal(size=int(idle.sum()))
        refreshed[idle, network.layout[name].start + index] = network.arrays[f"{name}_pm"][index] + rest
    return refreshed
