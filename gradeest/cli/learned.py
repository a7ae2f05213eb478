"""What a recorded result changed, on one screen: saved, held against its forecast, learned from."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from gradeest.cli.progress import Progress
    from gradeest.workflow.ash_clashes import AshClash
    from gradeest.workflow.comparing import GradeChange
    from gradeest.workflow.expecting import Judged
    from gradeest.workflow.learning import Learned, Recorded
    from gradeest.workflow.telling import Listener

LEAST_CHANCE = 0.05  # of a cause that is named on screen; --json has them all
MOST_CAUSES = 4
KEEP = "Keep the liquid, test it first."
LOW = 0.05  # so far down in its forecast a result is worth a test of the liquid, surprise or not
OF_PRODUCTS = "Look at the form it was booked as, whether it was dry, and the units."
PAPERS = ("product assay", "settlement")  # said of products: nothing in the liquid is to be kept for them
OTHERS = 6  # rows of fractions that the result was not about
SAVED_AS = {
    "close": "Closed batch",
    "product": "Saved",
    "nondetect": "Saved: nothing seen from",
    "assay": "Saved assay of",
    "spottest": "Saved spot test of",
    "productassay": "Saved assay of",
    "settlement": "Saved settlement of",
    "setaside": "Set aside",
    "loss": "Saved loss in",
}


def listen(progress: Progress, *, as_json: bool) -> Listener:
    """Prints what is saved, and what was hardly expected, as soon as it is known; JSON comes whole at the end."""
    from gradeest.cli.tables import show
    from gradeest.workflow.telling import Listener

    if as_json:
        return Listener(report=progress)

    def saved(recorded: Recorded) -> None:
        show(*saved_lines(recorded))

    def judged(found: Sequence[Judged]) -> None:
        progress.wipe()
        show(*judged_lines(found))

    def clashed(found: Sequence[AshClash]) -> None:
        progress.wipe()
        show(*clash_lines(found))

    return Listener(progress, saved, judged, clashed)


def saved_lines(recorded: Recorded) -> list[Any]:
    """What was saved, and what to know about it."""
    from gradeest.cli.tables import note

    lines: list[Any] = []
    for saved in recorded.saved:
        word = SAVED_AS.get(saved.kind, "Saved")
        lines.append(f"{word} {saved.name} (event {saved.event}, {saved.happened_on}).")
        lines += [note(f"Note: {text}") for text in saved.notes]
    if recorded.batch and recorded.batch_open:
        lines.append(
            note(
                f"{recorded.batch} is open, so its weights are a lower bound. When nothing more comes: "
                f"gradeest batch close {recorded.batch}"
            )
        )
    return lines


def judged_lines(found: Sequence[Judged]) -> list[Any]:
    """Each result beside what was expected of it."""
    from gradeest.cli.tables import note

    return [note(judged_text(one)) for one in found]


def judged_text(one: Judged) -> str:
    """A result beside its forecast, in a sentence; one that hardly comes of an ordinary run with its causes."""
    from gradeest.cli.tables import grade, interval, number

    if one.evidence == "assay":
        head, expected = f"{one.of} {one.metal}: assay {number(one.value, 3)} g/t", f"{grade(one.expected)}"
    elif one.evidence == "product assay":
        head, expected = f"{one.of}: {number(one.value, 4)} % {one.metal}", f"{four_digits(one.expected)} %"
    elif one.evidence == "settlement":
        head, expected = f"{one.of}: settled {number(one.value, 4)} g {one.metal}", f"{four_digits(one.expected)} g"
    elif one.evidence == "none":
        head = f"{one.of} {one.metal}: nothing seen, so below {one.value:g} g on the balance"
        expected = f"{interval(one.expected)} g"
    else:
        so_far = " so far" if one.open else ""
        head = f"{one.of} {one.metal}: about {number(one.value, 3)} g fine{so_far}"
        expected = f"{interval(one.expected)} g"
    text = f"{head}, forecast {expected}: {where(one)}."
    if one.surprise:
        return f"! {text} {causes_text(one) if one.causes else OF_PRODUCTS}"
    if one.causes:
        return f"{text} {causes_text(one)}"
    if one.share_below < LOW and one.evidence not in ("assay", *PAPERS) and not one.open:
        return f"{text} {KEEP}"
    return text


def clash_lines(found: Sequence[AshClash]) -> list[Any]:
    """Linked ash that its filters do not explain, in a sentence each."""
    from gradeest.cli.tables import note

    return [note(f"! {clash_text(one)}") for one in found]


def clash_text(one: AshClash) -> str:
    """What the ash says, what the filters say, and what to look at."""
    from gradeest.cli.tables import interval, number

    said = {
        "assay": f"its assay says {number(one.value, 3)} g/t where they say {interval(one.expected)} g/t",
        "none": f"less than {one.value:g} g came of it where {interval(one.expected)} g was to",
        "weight": f"about {number(one.value, 3)} g fine came of it where {interval(one.expected)} g was to",
    }[one.evidence]
    look = (
        "were other filters or sweepings in it (--untracked), is a batch missing?"
        if one.share_below > 0.5
        else "is all of the ash there, are these its batches, was it burnt as noted?"
    )
    return (
        f"{one.address} {one.metal}: a clash. By the filters of {', '.join(one.linked)} there was to be "
        f"{interval(one.in_ash_g)} g in this ash; {said}, beyond 99 of 100 cases. Both are believed as far as they "
        f"can be. Look: {look}"
    )


def four_digits(points: tuple[float, float, float]) -> str:
    """5, 50 and 95 % points of what is known to a per cent."""
    from gradeest.cli.tables import number

    low, mid, high = (number(point, 4) for point in points)
    return f"{mid} ({low}-{high})"


def causes_text(one: Judged) -> str:
    """The likely causes in order with rounded chances, and what to do; where it is too little, first of the liquid."""
    likely = [cause for cause in one.causes[:MOST_CAUSES] if cause.probability >= LEAST_CHANCE]
    named = ", ".join(f"{cause.text} ({about(cause.probability)})" for cause in likely)
    keep = f"{KEEP} " if one.evidence != "assay" and one.share_below < 0.5 else ""
    first = likely[0] if likely else one.causes[0]
    return f"Likely causes: {named}. {keep}For the first: {first.to_do}."


def about(chance: float) -> str:
    """A chance rounded to 5 %: the chances of causes are judgements, their digits would be none."""
    rounded = 5 * round(20 * chance)
    return f"about {rounded} %" if rounded < 95 else "over 95 %" if rounded > 95 else "about 95 %"


def where(one: Judged) -> str:
    """Where in its forecast a result lies, in words."""
    if one.surprise:
        return "hardly expected, in the outer 1 % of the forecast"
    if one.open and one.share_below < 0.5:
        return "more may come"
    if 0.2 <= one.share_below <= 0.8:
        return "as expected"
    side, share = ("high", 1 - one.share_below) if one.share_below > 0.5 else ("low", one.share_below)
    tail = f"{max(round(100 * share), 1)} of 100 such results would be {'higher' if side == 'high' else 'lower'}"
    return f"on the {side} side ({tail})"


def learned_parts(learned: Learned, *, cautions: bool = True) -> list[Any]:
    """Grades before and after, the next ranking (`cautions`: with those of its routes)."""
    from gradeest.cli.outlook import ranking_parts, trust_lines
    from gradeest.cli.tables import note

    if learned.later:
        return [note("Not learned from yet: the next forecast, rank or grades does it.")]
    parts = change_parts(learned)
    if learned.ranking is not None:
        parts += ["", *ranking_parts(learned.ranking, title="The next ranking", brief=True, cautions=cautions)]
        parts += moves(learned)
    else:
        parts.append(note(f"No ranking: {learned.no_ranking}"))
        if learned.trust is not None:
            parts += trust_lines(learned.trust)
    return parts


def change_parts(learned: Learned) -> list[Any]:
    """Grades before and after: what the result was about, then others that moved by more than the draws' own error."""
    from gradeest.cli.tables import grade_pair, heading, make_table, metal_text, note

    touched = [c for c in learned.changes if c.touched and (c.moved or c.rests_on != "prior only")]
    others = [c for c in learned.changes if not c.touched and c.moved]
    parts: list[Any] = ["", heading("What it changed: g/t of dry feed, median (5-95 %)")]
    table = make_table([("fraction", "f"), ("", "<"), ("", "<"), ("before", ">"), ("after", ">")])
    lots = {change.address.partition("/")[0] for change in learned.changes}
    for change in [*touched, *others[:OTHERS]]:
        name = change.address if len(lots) > 1 else change.address.partition("/")[2]
        pair = grade_pair(change.contained_before, change.contained_after)
        table.add_row(name, metal_text(change.metal), "contained", *pair)
        if change.recoverable_before is not None and change.recoverable_after is not None and change.touched:
            table.add_row("", "", "recoverable", *grade_pair(change.recoverable_before, change.recoverable_after))
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
