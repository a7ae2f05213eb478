"""Idle sides: unknowns that a choice leaves unused follow a normal density of their own, which cancels.

The density is free; where it lies close to what the unknown does while it is used, no particle has to find its way
back when the choice turns (Carlin & Chib 1995, J. R. Stat. Soc. B 57:473).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from gradeest.belief.density import evaluate
from gradeest.belief.network import Network
from gradeest.belief.ops import NUMPY

Values = NDArray[np.float64]
LEAST_USED = 50.0  # draws in which a side was used, before its place is taken from them
WIDER = 1.2  # than the side in use: a wide idle density costs little, a narrow one traps


def fit_idle_sides(network: Network, theta: Values) -> Network:
    """The same network with the idle densities fitted to draws (draw, unknown)."""
    if not network.copies:
        return network
    state = evaluate(theta, network, network.arrays, NUMPY)
    weights = configuration_weights(network, state.configurations)
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


def likeliest(network: Network, theta: Values) -> NDArray[np.int64]:
    """The likeliest configuration of every group, (draw, group)."""
    found = evaluate(theta, network, network.arrays, NUMPY).configurations
    groups = [rows[rows < found.shape[1]] for rows in network.configurations.of_group]
    picked = [rows[np.argmax(found[:, rows], axis=1)] for rows in groups]
    return np.stack(picked, axis=1) if picked else np.zeros((len(theta), 0), dtype=np.int64)


def refresh_idle(network: Network, theta: Values, rng: np.random.Generator) -> Values:
    """Draws (draw, unknown) whose idle unknowns are drawn anew, each draw's choices made first (a Gibbs step)."""
    state = evaluate(theta, network, network.arrays, NUMPY)
    configurations, position = network.configurations, {k: i for i, k in enumerate(network.configurations.choices)}
    values = np.empty((len(theta), len(position)), dtype=np.int64)
    for rows in configurations.of_group:
        rows = rows[rows < len(configurations.terms)]
        picked = rows[np.argmax(state.configurations[:, rows] + rng.gumbel(size=(len(theta), len(rows))), axis=1)]
        own = configurations.values[rows[0]] >= 0
        values[:, own] = configurations.values[picked][:, own]
    refreshed = theta.copy()
    for name, index, choices, outcome in network.copies:
        idle = (values[:, [position[key] for key in choices]] != np.array(outcome)).any(axis=1)
        rest = network.arrays[f"{name}_ps"][index] * rng.normal(size=int(idle.sum()))
        refreshed[idle, network.layout[name].start + index] = network.arrays[f"{name}_pm"][index] + rest
    return refreshed


IDLE = ("x1", "x0", "v", "e_ok", "e_failed")


def configuration_weights(network: Network, configurations: Values) -> Values:
    """Probability of every configuration within its group, (draw, configuration)."""
    out = np.zeros_like(configurations)
    for rows in network.configurations.of_group:
        rows = rows[rows < configurations.shape[1]]
        parts = configurations[:, rows]
        parts = np.exp(parts - parts.max(axis=1, keepdims=True))
        out[:, rows] = parts / parts.sum(axis=1, keepdims=True)
    return out
