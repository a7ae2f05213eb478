"""Records and catalogue -> arrays of the metal balance: the one description both engines share.

A *cell* is the grade of one fraction and metal that some evidence touches. It is *anchored* where a weight fixes it
(read backwards), else *free*: then x itself is a coordinate, one under "present" and one under "trace". Index arrays
point along the axes named in `density.State`; padded entries point at an empty value.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gradeest.belief.choices import Configurations
from gradeest.belief.evidence import BatchMetal, Evidence
from gradeest.materials.catalogue import GradeRow, Quantiles

Z95 = 1.6448536269514722  # standard normal 95 % point
BACKWARD = "WO"  # roles (evidence.py) whose batches are read backwards
Copy = tuple[str, int, tuple[Hashable, ...], tuple[int, ...]]  # (unknown, index, choices, the outcome that uses it)
Decided = tuple[tuple[Hashable, ...], Mapping[tuple[int, ...], int]]  # choices, and the row of each of their outcomes
LEAST_READING = 1.0  # softplus width of a reading, in units of its sd: below it, what follows is straight in ln


def logit(p: float) -> float:
    """ln(p / (1 - p))."""
    return math.log(p) - math.log1p(-p)


def logit_normal(row: Quantiles) -> tuple[float, float]:
    """Centre and sd of the logit-normal of a row of shares: the lower side sets the spread, the low tail costs."""
    return logit(row.q50), (logit(row.q50) - logit(row.q5)) / Z95


@dataclass(frozen=True)
class GradeScale:
    """A grade row on its logit scale x = logit(grade / L)."""

    mu0: float
    sd_mu: float  # of the kind's mean
    ln_tau0: float
    limit: float  # L, g/t
    p_absent: float

    @classmethod
    def of(cls, row: GradeRow, limit: float | None = None) -> GradeScale:
        """The row's scale; `limit` replaces its own L."""
        top = row.max_g_per_t if limit is None else limit
        stretch = 1 / (1 - row.q50 / top)
        return cls(
            logit(row.q50 / top),
            math.log(row.gsd_class_mean) * stretch,
            math.log(math.log(row.gsd_between) * stretch),
            top,
            row.p_absent,
        )

    @property
    def ln_median(self) -> float:
        """ln of the row's median grade, g/t."""
        return math.log(self.limit) - math.log1p(math.exp(-self.mu0))

    @property
    def sd(self) -> float:
        """Prior sd of x, present."""
        return math.hypot(self.sd_mu, math.exp(self.ln_tau0))


@dataclass(frozen=True)
class Cell:
    """The grade of one fraction and metal. `dry_kg` is the fraction's whole dry mass."""

    address: str
    lot: str
    kind: str
    metal: str
    dry_kg: float


class Register:
    """Numbers keys in the order they are first met."""

    def __init__(self) -> None:
        self.index: dict[Hashable, int] = {}

    def __getitem__(self, key: Hashable) -> int:
        return self.index.setdefault(key, len(self.index))

    def __len__(self) -> int:
        return len(self.index)

    def in_order(self) -> list[Any]:
        """Keys in order of number."""
        return list(self.index)


@dataclass(frozen=True)
class AnchoredCell:
    """Local choices of an anchored cell and, per value tuple, its row along "cc"."""

    choices: tuple[Hashable, ...]
    rows: Mapping[tuple[int, ...], int]


@dataclass(frozen=True)
class SetAside:
    """A stream set aside that no later weight tells of: centre and sd of its ln odds, its unknown (-1: none), its own
    mass."""

    address: str
    metal: str
    centre: float
    sd: float
    unknown: int
    most_g: float


@dataclass(frozen=True)
class Network:
    """Arrays, layout of the unknowns, and what their axes mean."""

    arrays: Mapping[str, NDArray[Any]]
    layout: Mapping[str, slice]
    normals: slice  # the part of theta that is standard normal a priori
    size: int
    sizes: Mapping[str, int]
    full_from_g: float
    exponent: float
    evidence: Evidence
    cells: tuple[Cell, ...]
    axes: Mapping[str, tuple[Any, ...]]  # keys along "km", "cm", "lm", "rm", "am", "form", "balance", "pi", "switch"
    anchored: Mapping[int, AnchoredCell]  # by cell
    free: Mapping[int, int]  # cell -> free index
    values: Mapping[tuple[int, str], Mapping[tuple[int, ...], int]]  # (cell, batch or "rest") -> local values -> value
    configurations: Configurations
    fixed: Mapping[Hashable, int]
    notes: tuple[str, ...]
    copies: tuple[Copy, ...]
    streams: Mapping[tuple[str, str], Decided]  # (stream, metal) that went into a later batch -> its value
    set_aside: tuple[SetAside, ...]
    stated_for_all: frozenset[tuple[str, str]]  # batch metals whose recovery is a share of all that was charged
    rest_rows: Mapping[tuple[str, str], int]  # batch metal -> its unknowns of where the rest went
    told_places: Mapping[tuple[str, str], Mapping[str, str]]  # batch metal -> places that a later weight tells: stream


def failed(item: BatchMetal) -> Hashable:
    """The choice "this batch failed for this metal"."""
    return ("failed", item.batch, item.metal)


def switch(cell: Cell) -> Hashable:
    """The choice "the metal is only a trace" of a kind in a lot."""
    return ("trace", cell.lot, cell.kind, cell.metal)


def say_fixed(key: Hashable, side: int) -> str:
    """In words, that one side of a choice is taken for granted."""
    assert isinstance(key, tuple)
    if key[0] == "failed":
        run = "a failed" if side else "an ordinary"
        return f"{key[1]}: taken as {run} run for {key[2]} (too many open questions)"
    return f"{key[1]}, {key[2]}: {key[3]} taken as {'traces only' if side else 'present'} (too many open questions)"


def integers(values: Iterable[int]) -> NDArray[np.int64]:
    """A one-dimensional index array."""
    return np.array(list(values), dtype=np.int64)


def floats(values: Iterable[float]) -> NDArray[np.float64]:
    """A one-dimensional array of numbers."""
    return np.array(list(values), dtype=np.float64)


def pad_floats(rows: Sequence[Sequence[float]]) -> NDArray[np.float64]:
    """Rows of unequal length as one array, the ends filled with zeros."""
    width = max((len(row) for row in rows), default=1) or 1
    out = np.zeros((len(rows), width))
    for i, row in enumerate(rows):
        out[i, : len(row)] = row
    return out
