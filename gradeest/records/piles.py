"""Boards that were not taken apart when they came, and what was weighed when they were."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class Pile:
    """Boards of one kind in a lot, as received. `mass_kg` None: they were counted (`pieces`) and not weighed."""

    name: str
    kind: str  # id of a row of priors/boards.csv
    mass_kg: float | None
    pieces: int | None = None
    note: str = ""


@dataclass(frozen=True)
class Weighing:
    """One kind of part weighed off boards: it became (or joined) the fraction at `address`.

    `portion` counts the boards of a pile that are stripped together, from 1; `boards_kg` is what those boards weighed
    whole. The kind `boards-stripped` is what was left of them: it ends the portion, the rest of the mass is dust.
    """

    pile: str  # LOT/PILE
    portion: int
    boards_kg: float
    kind: str
    mass_kg: float
    address: str  # LOT/FRACTION
    date: dt.date
    minutes: float | None = None  # hands-on, of taking this kind off these boards
    event: int = 0


@dataclass(frozen=True)
class Stripping:
    """Boards of a pile that are stripped together: what they weighed whole, and what came off by kind, in kg."""

    mass_kg: float
    taken_kg: Mapping[str, float]
    is_ended: bool  # what was left of them was weighed

    @property
    def left_kg(self) -> float:
        """What is still on the boards, or of them; once ended this is dust."""
        return max(self.mass_kg - sum(self.taken_kg.values()), 0.0)
