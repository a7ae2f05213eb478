"""Bare `gradeest`: the state of the bench in a few lines, and what to type next."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from gradeest.cli.context import Call
    from gradeest.workflow.standing import Standing

MOST_STEPS = 3
COUNTED = ("jar", "solution")  # the others are no nouns
LEAST_G = 0.01  # a median below it is next to none in a whole stock


def show_state(call: Call, *, as_json: bool) -> None:
    """Print the state of the bench."""
    from gradeest.cli.as_json import print_json
    from gradeest.cli.tables import show
    from gradeest.workflow.standing import show_standing

    found = show_standing(call.place())
    if as_json:
        print_json("", found)
    else:
        show(*state_parts(found))


def state_parts(found: Standing) -> list[Any]:
    """The state as lines, at most fifteen."""
    from gradeest.cli.tables import heading, mass, note

    if not found.is_there:
        head: list[Any] = [heading(f"There is no ledger yet ({found.ledger}): nothing was recorded.")]
        return [*head, *step_lines(found)]
    invented = f" ({found.invented})" if found.invented else ""
    lots = f"{found.lots} lot{'s' * (found.lots != 1)}"
    left = f"{mass(found.left_kg)} left in {found.fractions_left} fraction{'s' * (found.fractions_left != 1)}"
    unsorted = f", {mass(found.boards_kg)} of boards" if found.boards_kg else ""
    unsorted += f", {mass(found.unsorted_kg)} unsorted" if found.unsorted_kg else ""
    parts: list[Any] = [heading(f"Bench{invented}: {lots}, {left}{unsorted}")]
    if found.batches:
        opened = f", open: {shortened(found.open_batches)}" if found.open_batches else ", none open"
        parts.append(note(f"Batches: {found.batches}{opened}"))
    weighed = [f"{w.metal} {w.weight_g:.3g} g ({w.left_g:.3g} g still here)" for w in found.weighed]
    if weighed:
        parts.append(note(f"On the balance so far: {', '.join(weighed)}"))
    waiting = [
        f"{count} {sort}{'s' * (count > 1 and sort in COUNTED)}"
        for sort, count in found.waiting.items()
        if sort not in ("open batch", "product")
    ]
    if waiting:
        parts.append(note(f"Unfinished: {', '.join(waiting)} (gradeest open)"))
    if found.over:
        parts.append(
            note(f"! {len(found.over)} over the storage clock of {found.clock_days} days: {shortened(found.over, 3)}")
        )
    parts += estimate_lines(found)
    return [*parts, *step_lines(found)]


def shortened(names: tuple[str, ...], most: int = 4) -> str:
    """The first names, and how many more."""
    return ", ".join(names[:most]) + (f" and {len(names) - most} more" if len(names) > most else "")


def estimate_lines(found: Standing) -> list[Any]:
    """What is in what is left, where a fit is at hand."""
    from gradeest.cli.tables import interval, note

    if not found.fractions_left:
        return []
    if found.estimated_g is None:
        return [note("No estimate at hand: gradeest forecast makes one")]
    metals = [(m, g) for m, g in found.estimated_g.items() if g.q50 >= LEAST_G]
    texts = [f"{metal} {interval((g.q5, g.q50, g.q95))} g" for metal, g in metals]
    return [note(f"In what is left, median (5-95 %): {', '.join(texts) or 'next to none'}")]


def step_lines(found: Standing) -> list[Any]:
    """The next command, and one or two after it."""
    from gradeest.cli.wrapping import wrap

    words = ["Next:", *["Then:"] * (MOST_STEPS - 1)] if found.is_there else ["Next:", "Or:  "]
    lines = [f"{word} {step.command}  ({step.why})" for word, step in zip(words, found.next[:MOST_STEPS], strict=False)]
    return [wrap(line, hanging="      ") for line in lines]
