"""Cautions under a table: what all routes named share is said once, then one line per route; and closed gates."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from gradeest.workflow.hazard_lines import RouteCautions


def caution_lines(cautions: Sequence[RouteCautions]) -> list[Any]:
    """One line per route; the shared part and the authorities to ask stand above."""
    from gradeest.cli.tables import note

    if not cautions:
        return []
    hazards, laws = shared([c.hazards for c in cautions]), shared([c.laws for c in cautions])
    ask = ", ".join(dict.fromkeys(name for c in cautions for name in c.ask))
    lines = []
    if len(cautions) > 1 and hazards + laws:
        lines.append(f"! every route: {'; '.join(filter(None, (', '.join(hazards), ', '.join(laws))))}")
    else:
        hazards, laws = (), ()
    for one in cautions:
        own = [item for item in one.hazards if item not in hazards], [item for item in one.laws if item not in laws]
        text = "; ".join(filter(None, map(", ".join, own)))
        lines.append(f"! {one.route}: {text or 'the same'}")
    lines.append(f"In full: `gradeest priors show KIND`. Ask: {ask}.")
    return [note(line) for line in lines]


def gate_lines(gates_closed: Sequence[str], no_licence: Sequence[str] = ()) -> list[Any]:
    """What stands between routes and a batch of today, a line each."""
    from gradeest.cli.tables import note

    lines = []
    if gates_closed:
        text = "Before a batch is begun its route's cautions are read (`gradeest gate ROUTE`); not yet those of"
        lines.append(note(f"{text}: {', '.join(gates_closed)}."))
    if no_licence:
        text = "This bench has declared to have no licence for what is taken by"
        lines.append(note(f"{text}: {', '.join(no_licence)}. It may not begin such a batch."))
    return lines


def shared(lists: Sequence[Sequence[str]]) -> tuple[str, ...]:
    """What stands in every list, in the order of the first."""
    return tuple(item for item in lists[0] if all(item in each for each in lists))
