"""`gradeest why`: what a grade rests on, what moved the belief most first."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from gradeest.cli import options
from gradeest.cli.context import place_of

if TYPE_CHECKING:
    from gradeest.workflow.reasons import Moved, Reason, Why, WhyShown


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("why", short_help="What a grade rests on.")(why)


def why(
    ctx: typer.Context,
    address: Annotated[str, typer.Argument(metavar="LOT/FRACTION", help="The fraction, such as shed/strips.")],
    metal: Annotated[str | None, typer.Option("--metal", metavar="Au|Ag|Pd", help="One metal only.")] = None,
    all: Annotated[
        bool, typer.Option("--all", help="Leave out every entry alone, however many fits it takes.")
    ] = False,
    as_json: options.Json = False,
) -> None:
    """Show what a fraction's grade rests on: the grade without each entry, and how far that entry moved it."""
    from gradeest.cli.as_json import print_json
    from gradeest.cli.progress import Progress
    from gradeest.cli.tables import show
    from gradeest.workflow.reasons import show_why

    with Progress() as report:
        shown = show_why(place_of(ctx), address.strip(), metal, everything=all, report=report)
    if as_json:
        print_json("why", shown)
        return
    show(*why_parts(shown))


def why_parts(shown: WhyShown) -> list[Any]:
    """The reasons, metal by metal, as tables and lines."""
    from gradeest.cli.learned import clash_lines
    from gradeest.cli.outlook import trust_lines
    from gradeest.cli.tables import heading, note

    parts: list[Any] = [heading(f"What {shown.address} ({shown.kind}) rests on: g/t of dry feed, median (5-95 %)")]
    for one in shown.metals:
        parts.append(why_table(one))
        if one.hold_each_other:
            parts.append(note(f"{one.metal}: the entries say the same; without any one of them the others hold."))
        if not one.reasons:
            parts.append(note(f"{one.metal}: nothing was recorded that speaks of it: it is the prior."))
    if shown.metals:
        parts.append(
            note(
                "Every line leaves out that entry alone and believes all others. Bits: how much it told; one bit is a "
                "chance of one half become certainty, or a range cut in two. Hardly: no more than the draws alone."
            )
        )
    if shown.together:
        parts.append(note(f"The {shown.together} earliest results are left out together; --all takes each alone."))
    return [*parts, *clash_lines(shown.clashes), *trust_lines(shown.trust)]


def why_table(one: Why) -> Any:
    """One metal: the grade now, each reason with the grade without it, and the prior."""
    from gradeest.cli.tables import make_table, metal_text

    table = make_table([("", "<"), ("", "w"), ("without it", ">"), ("moved", ">"), ("bits", ">")])
    table.add_row(metal_text(one.metal), "as believed now", grade_text(one.grade, one.p_trace), "", "")
    for reason in one.reasons:
        if reason.without is None or reason.moved is None:
            table.add_row("", reason_text(reason), "no fit settled", "-", "-")
            continue
        without = grade_text(reason.without, reason.p_trace_without or 0.0)
        table.add_row("", reason_text(reason), without, *moved_text(reason.moved))
    prior = grade_text(one.prior, one.p_trace_prior)
    table.add_row("", "the prior alone, nothing recorded", prior, *(moved_text(one.moved) if one.reasons else ("", "")))
    return table


def grade_text(points: Any, p_trace: float) -> str:
    """A grade, and how likely next to none is there."""
    from gradeest.cli.tables import grade, percent

    return grade(points) + (f"\n{percent(p_trace)} next to none" if p_trace > 0.02 else "")


def reason_text(reason: Reason) -> str:
    """Which entry, when, and what it says."""
    if len(reason.events) == 1 or reason.about:
        word = "event" if len(reason.events) == 1 else "events"
        return f"{word} {', '.join(map(str, reason.events))}, {reason.date}: {reason.text}"
    return reason.text


def moved_text(moved: Moved) -> tuple[str, str]:
    """By which factor the median moved, and bits."""
    from gradeest.cli.tables import number

    if not moved.is_clear:
        return "hardly", "<0.1" if moved.bits < 0.1 else number(moved.bits)
    return f"x {number(moved.factor, 3)}", number(moved.bits) if moved.bits >= 0.1 else "<0.1"
