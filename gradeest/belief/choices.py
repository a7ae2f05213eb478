"""Undecided choices, the tables that depend on them, and their joint enumeration within connected groups.

A choice is 0 or 1: 0 = present or an ordinary run, 1 = trace or a failed run. A factor is a table over a few choices;
its entries are indices into the vector of terms that `density` computes. A group is a connected component of choices
that share factors; all its joint configurations are listed, so the density sums them by one log-sum-exp.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass, field
from itertools import product

import numpy as np
from numpy.typing import NDArray

Key = Hashable


@dataclass(frozen=True)
class Factor:
    """A table over `choices`: maps each tuple of their values to an index of the terms (missing: impossible)."""

    choices: tuple[Key, ...]
    entries: dict[tuple[int, ...], int]


@dataclass
class ChoiceGraph:
    """Choices with their connections, collected while the network is built."""

    log_odds: dict[Key, float] = field(default_factory=dict)  # rough log odds of 1 against 0, to decide what to fix
    links: dict[Key, set[Key]] = field(default_factory=dict)
    fixed: dict[Key, int] = field(default_factory=dict)

    def add(self, key: Key, log_odds: float) -> None:
        """Add a choice with rough log odds; of several guesses the least decided stands, 0 where they clash."""
        held = self.log_odds.get(key, log_odds)
        self.log_odds[key] = 0.0 if held * log_odds < 0 else min(held, log_odds, key=abs)
        self.links.setdefault(key, set())

    def connect(self, keys: Iterable[Key]) -> None:
        """State that a factor will depend on all of `keys`."""
        keys = list(keys)
        for key in keys[1:]:
            self.links[keys[0]].add(key)
            self.links[key].add(keys[0])

    def components(self) -> list[list[Key]]:
        """Connected components, each in the order of insertion."""
        seen: set[Key] = set()
        found = []
        order = {key: i for i, key in enumerate(self.links)}
        for start in self.links:
            if start in seen:
                continue
            stack, component = [start], []
            seen.add(start)
            while stack:
                key = stack.pop()
                component.append(key)
                for other in self.links[key] - seen:
                    seen.add(other)
                    stack.append(other)
            found.append(sorted(component, key=lambda key: order[key]))
        return found

    def fix_certain(self, beyond: float) -> None:
        """Fix every choice whose log odds are farther from zero than `beyond` (nothing to sum)."""
        self.fixed |= {key: int(odds > 0) for key, odds in self.log_odds.items() if abs(odds) > beyond}

    def fix_most_decided(self, limit: int) -> tuple[Key, ...]:
        """Fix the most decided choices of every group beyond `limit` undecided ones at their likelier side."""
        newly = []
        for component in self.components():
            ranked = sorted((k for k in component if k not in self.fixed), key=lambda key: -abs(self.log_odds[key]))
            for key in ranked[: max(len(ranked) - limit, 0)]:
                self.fixed[key] = int(self.log_odds[key] > 0)
                newly.append(key)
        return tuple(newly)

    def values(self, choices: Sequence[Key]) -> list[tuple[int, ...]]:
        """All value tuples of `choices` that respect what is fixed."""
        return list(product(*((self.fixed[c],) if c in self.fixed else (0, 1) for c in choices)))


@dataclass(frozen=True)
class Configurations:
    """Joint configurations of all groups, as index arrays.

    `terms` (configuration, most terms) gathers the terms of each configuration (padded with the index of a zero);
    `of_group` (group, most configurations) its configurations (padded with the index of "never");
    `values` (configuration, choice) the choices' values (-1: not of this group, use `fixed`).
    """

    choices: tuple[Key, ...]
    terms: NDArray[np.int64]
    of_group: NDArray[np.int64]
    values: NDArray[np.int8]


def enumerate_configurations(graph: ChoiceGraph, factors: Sequence[Factor], zero: int) -> Configurations:
    """List the joint configurations of every group; `zero` is the index of a term that is always 0."""
    position = {key: i for i, key in enumerate(graph.links)}
    component_of = {key: g for g, component in enumerate(graph.components()) for key in component}
    by_group: dict[int, list[Factor]] = {}
    for factor in factors:
        by_group.setdefault(component_of[factor.choices[0]], []).append(factor)
    terms: list[list[int]] = []
    values: list[dict[Key, int]] = []
    of_group: list[list[int]] = []
    for g, component in enumerate(graph.components()):
        rows = []
        for assignment in graph.values(component):
            chosen = dict(zip(component, assignment, strict=True))
            picked = [f.entries.get(tuple(chosen[c] for c in f.choices)) for f in by_group.get(g, [])]
            if any(entry is None for entry in picked):
                continue
            rows.append(len(terms))
            terms.append([entry for entry in picked if entry is not None])
            values.append(chosen)
        of_group.append(rows)
    table = np.full((len(values), len(position)), -1, dtype=np.int8)
    for n, chosen in enumerate(values):
        for key, value in chosen.items():
            table[n, position[key]] = value
    return Configurations(tuple(position), pad_rows(terms, zero), pad_rows(of_group, len(terms)), table)


def pad_rows(rows: Sequence[Sequence[int]], fill: int) -> NDArray[np.int64]:
    """Rows of unequal length as one integer array, the ends filled with `fill`."""
    width = max((len(row) for row in rows), default=1) or 1
    out = np.full((len(rows), width), fill, dtype=np.int64)
    for i, row in enumerate(rows):
        out[i, : len(row)] = row
    return out
