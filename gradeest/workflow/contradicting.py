"""Evidence that contradicts itself: refused before a fit, and named where a fit did not settle."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from gradeest.errors import InferenceError, Issue
from gradeest.materials.catalogue import Catalogue
from gradeest.records.domain import Bench

if TYPE_CHECKING:
    from gradeest.belief.clashes import Clash
    from gradeest.belief.network import Network

MOST_NAMED = 5
SHOWN_SDS = 1000.0  # beyond it the number tells nothing more


def refuse_clashes(bench: Bench, catalogue: Catalogue) -> None:
    """Raise InferenceError where entries cannot be true together: an answer between them would be a wrong one."""
    from gradeest.belief.clashes import find_clashes

    found = find_clashes(bench, catalogue)
    if found:
        raise InferenceError(
            "entries contradict each other, so no numbers are shown; all are kept as they were entered",
            "correct the wrong one with `gradeest amend N` or take it back with `gradeest undo N`",
            issues=put_in_words(found),
        )


def is_contradicted(bench: Bench, catalogue: Catalogue) -> bool:
    """Whether entries cannot be true together."""
    from gradeest.belief.clashes import find_clashes

    return bool(find_clashes(bench, catalogue))


def refuse_impossible(network: Network) -> None:
    """Raise InferenceError where what was recorded has no probability at all, or the arithmetic runs out of range."""
    import numpy as np

    from gradeest.belief.machine import Machine
    from gradeest.belief.program import record

    start, _ = Machine(record(network))(np.zeros((network.size, 1)))
    if not np.isfinite(start[0]):
        raise InferenceError(
            "what was recorded cannot be explained at all, so no numbers are shown",
            "look at the newest entries with `gradeest history`: a wrong unit is the usual cause; `gradeest undo N` "
            "takes one back",
        )


def out_of_range(err: ArithmeticError | ValueError) -> InferenceError:
    """The error of a fit whose arithmetic broke down (a curvature without an inverse, an overflow)."""
    return InferenceError(
        f"the fit broke down, so no numbers are shown ({err})",
        "look at the newest entries with `gradeest history`: a wrong unit or two results that contradict each other "
        "is the usual cause; `gradeest undo N` takes one back",
    )


def name_strains(err: InferenceError, bench: Bench, catalogue: Catalogue) -> InferenceError:
    """The error of a fit that did not settle, with the entries that pull in opposite directions."""
    from gradeest.belief.clashes import find_strains

    return InferenceError(err.message, err.hint, err.unfinished, put_in_words(find_strains(bench, catalogue)))


def put_in_words(clashes: Sequence[Clash]) -> tuple[Issue, ...]:
    """One issue for each clash, the strongest first: entries by number and address, how far apart, what to check."""
    issues = []
    for clash in clashes[:MOST_NAMED]:
        said = " against ".join(f"event {entry.event} ({entry.words})" for entry in clash.entries)
        far = f"{clash.sds:.0f}" if clash.sds < SHOWN_SDS else f"over {SHOWN_SDS:.0f}"
        message = f"{said}: {far} times their uncertainty apart"
        issues.append(Issue("error", message, f"check {clash.check}"))
    if len(clashes) > MOST_NAMED:
        issues.append(Issue("error", f"and {len(clashes) - MOST_NAMED} more", "mend these first"))
    return tuple(issues)
