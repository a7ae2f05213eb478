"""Builds the steps of the work: how many hands-on minutes each takes, per batch and per kg, at which routes."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import cast, get_args

from gradeest.materials.rows import Quantiles, Status, WorkStep
from gradeest.materials.tables import Row

MINUTES_BY: tuple[str, ...] = ("batch", "kg")
TABLES: Mapping[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "steps.csv": (("step", "by", "routes", "q5", "q50", "q95", "source", "status", "note"), ("step", "by", "routes")),
}


def build_steps(table: Mapping[str, Row], routes: Sequence[str], sources: Sequence[str]) -> tuple[WorkStep, ...]:
    """The rows; one that names routes stands there instead of the one that names none."""
    found = []
    seen: set[tuple[str, str, str]] = set()
    for row in table.values():
        step, by = row.text("step"), row.choice("by", MINUTES_BY)
        if not step.isalpha() or not step.islower():
            row.complain("step", f"{step!r} is no step", "one word in small letters")
        at = row.words("routes", routes)
        for route in at:
            if (step, by, route) in seen:
                row.complain("routes", f"{route!r} has its minutes of {step} per {by} already", "keep one of the two")
            seen.add((step, by, route))
        q5, q50, q95 = row.quantiles(0.0, math.inf, "minutes above 0")
        status = cast(Status, row.choice("status", get_args(Status)))
        source, note = row.choice("source", sources), row.text("note", required=False)
        minutes = Quantiles(q5, q50, q95, source, status, f"minutes per {by}", note)
        found.append(WorkStep(step, by, at, minutes))
    return tuple(found)


def minutes_of(route: str, steps: Sequence[WorkStep]) -> dict[str, dict[str, Quantiles]]:
    """Minutes of every step of a route, by "batch" and "kg"."""
    found: dict[str, dict[str, Quantiles]] = {}
    for row in sorted(steps, key=lambda row: bool(row.routes)):  # those that name the route come last, and win
        if not row.routes or route in row.routes:
            found.setdefault(row.step, {})[row.by] = row.minutes
    return found
