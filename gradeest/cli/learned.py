"""What a recorded result changed, on one screen."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from gradeest.workflow.learning import GradeChange, Learned

OTHERS = 6  # rows of fractions that the result was not about


def print_learned(learned: Learned) -> None:
    """Print what was saved and what it changed."""
    from gradeest.cli.tables import show

    show(*saved_lines(learned), *learned_parts(learned))


def saved_lines(learned: Learned) -> list[Any]:
    """What was saved, and what to know about it."""
    from gradeest.cli.tables import note

    lines: list[Any] = []
    for saved in learned.saved:
        word = {
            "close": "Closed batch",
            "product": "Saved",
            "nondetect": "Saved: nothing of it in",
            "assay": "Saved assay of",
        }
        lines.append(f"{word.get(saved.kind, 'Saved')} {saved.name} (event {saved.event}, {saved.happened_on}).")
        lines += [note(f"Note: {text}") for text in saved.notes]
    if learned.batch and learned.batch_open:
        lines.append(
            note(
                f"{learned.batch} is open, so its weights are a lower bound. When nothing more comes: "
                f"gradeest batch close {learned.batch}"
            )
        )
    return lines


def learned_parts(learned: Learned) -> list[Any]:
    """Surprises, grades before and after, the next ranking."""
    from gradeest.cli.outlook import ranking_parts, trust_lines
    from gradeest.cli.tables import interval, note, number, percent

    if learned.later:
        return [note("Not learned from yet: the next forecast, rank or grades does it.")]
    parts: list[Any] = []
    for surprise in learned.surprises:
        side = "more" if surprise.share_below > 0.5 else "less"
        parts.append(
            note(
                f"! {number(surprise.weighed_g, 3)} g fine {surprise.metal} is {side} than expected of "
                f"{surprise.batch}: "
                f"{interval(surprise.expected_g)} g ({percent(min(surprise.share_below, 1 - surprise.share_below))} "
                f"chance of so {'much' if side == 'more' else 'little'}). Check for {surprise.causes}."
            )
        )
    parts += change_parts(learned)
    if learned.ranking is not None:
        parts += ["", *ranking_parts(learned.ranking, title="The next ranking", brief=True)]
        parts += moves(learned)
    else:
        parts.append(note(f"No ranking: {learned.no_ranking}"))
        if learned.trust is not None:
            parts += trust_lines(learned.trust)
    return parts


def change_parts(learned: Learned) -> list[Any]:
    """Grades before and after: what the result was about, then others that moved."""
    from gradeest.cli.tables import grade, heading, make_table, metal_text, note
    from gradeest.workflow.learning import has_moved

    touched = [c for c in learned.changes if c.touched and (has_moved(c) or c.rests_on != "prior only")]
    others = [c for c in learned.changes if not c.touched and has_moved(c)]
    parts: list[Any] = ["", heading("What it changed: g/t of dry feed, median (5-95 %)")]
    table = make_table([("fraction", "<"), ("", "<"), ("", "<"), ("before", ">"), ("after", ">")])
    for change in [*touched, *others[:OTHERS]]:
        before, after = grade(change.contained_before), grade(change.contained_after)
        table.add_row(change.address, metal_text(change.metal), "contained", before, after)
        if change.recoverable_before is not None and change.recoverable_after is not None and change.touched:
            before, after = grade(change.recoverable_before), grade(change.recoverable_after)
            table.add_row("", "", "recoverable", before, after)
    if table.row_count:
        parts.append(table)
    else:
        parts.append("Hardly anything moved.")
    parts += [note(text) for text in map(remark, touched) if text]
    if len(others) > OTHERS:
        parts.append(note(f"{len(others) - OTHERS} more grades moved: gradeest grades"))
    return parts


def remark(change: GradeChange) -> str:
    """What a grade rests on, and how the chance that the metal is hardly there moved."""
    from gradeest.cli.tables import percent

    text = f"{change.address} {change.metal} rests on: {change.rests_on}."
    if max(change.p_trace_before, change.p_trace_after) > 0.02:
        chances = f"{percent(change.p_trace_before)}, now {percent(change.p_trace_after)}"
        text += f" Chance that next to none is in it: {chances}."
    return text


def moves(learned: Learned) -> list[Any]:
    """Which fractions changed their place."""
    from gradeest.cli.tables import note

    if learned.ranking is None:
        return []
    texts = []
    for row in learned.ranking.ranking.rows:
        before = learned.rank_before.get(row.address)
        if row.address in learned.rank_before and before != row.rank:
            texts.append(f"{row.address} {before or 'below the line'} -> {row.rank or 'below the line'}")
    return [note("Places that changed: " + ", ".join(texts))] if texts else [note("No fraction changed its place.")]
