"""`gradeest history`, `undo`, `amend`: what was recorded, and corrections as new events."""

from __future__ import annotations

from typing import Annotated

import typer

from gradeest.cli import options
from gradeest.cli.context import place_of

EventNumber = Annotated[int, typer.Argument(metavar="N", min=1, help="The event's number in `gradeest history`.")]


def register(app: typer.Typer) -> None:
    """Add the commands of this file."""
    app.command("history", short_help="Everything recorded, numbered.")(history)
    app.command("undo", short_help="Take an event back.")(undo)
    app.command("amend", short_help="Correct an event.")(amend)


def history(ctx: typer.Context, as_json: options.Json = False) -> None:
    """Show everything recorded, in order; the numbers are what `undo` and `amend` take."""
    from gradeest.cli.as_json import print_json
    from gradeest.cli.tables import make_table, show
    from gradeest.workflow.correcting import list_events

    events = list_events(place_of(ctx))
    if as_json:
        print_json("history", {"events": events})
        return
    if not events:
        show("Nothing recorded yet. Start with: gradeest lot add")
        return
    table = make_table([("event", ">"), ("happened", "<"), ("what", "w"), ("recorded", "<")])
    for event in events:
        text = event.text + (f" (taken back by event {event.undone_by})" if event.undone_by else "")
        recorded = event.recorded_at.strftime("%Y-%m-%d %H:%M")
        table.add_row(str(event.number), event.happened_on.isoformat(), text, recorded)
    show(table)


def undo(ctx: typer.Context, number: EventNumber, as_json: options.Json = False) -> None:
    """Take event N back; it stays in the history, marked."""
    from gradeest.cli.as_json import print_json
    from gradeest.cli.tables import show
    from gradeest.workflow.correcting import undo as take_back

    done = take_back(place_of(ctx), number)
    if as_json:
        print_json("undo", done)
        return
    show(f"Took back event {number}: {done.text} (as event {done.saved.event}).")
    show("Next: gradeest forecast")


def amend(
    ctx: typer.Context,
    number: EventNumber,
    changes: Annotated[
        list[str] | None,
        typer.Argument(metavar="FIELD=VALUE...", help='Such as weight="1.48 g" or date=2025-03-09.'),
    ] = None,
    sure: options.Sure = False,
    as_json: options.Json = False,
) -> None:
    """Correct event N: name the fields to change; without any you are shown what can be changed."""
    from gradeest.cli.as_json import print_json
    from gradeest.cli.ask import GaveUpError, Question, ask, at_terminal, confirm, insist, parse_choice, say_how
    from gradeest.cli.complaints import UsageError, say
    from gradeest.cli.tables import show
    from gradeest.workflow import correcting

    place = place_of(ctx)
    typed = list(changes or [])
    if not typed:
        fields = correcting.changeable(place, number)
        listing = "\n".join(f"{name} (now {now})" for name, now in fields)
        if not at_terminal():
            raise UsageError("amend: missing FIELD=VALUE", f"this event has:\n{listing}")
        say_how()
        more = True
        while more:
            choices = tuple((name, f"now {now}") for name, now in fields)
            field = ask(Question("field", "", "Which field", parse_choice(choices, "field"), choices=choices))
            value = ask(Question("value", "", f"  New {field}", str.strip, "as you would have typed it"))
            typed.append(f"{field}={value}")
            more = confirm("Another field", default=False)
        say("  " + "  ".join(typed))
        if not confirm("Save the correction", default=True):
            raise GaveUpError("nothing was saved", "")
    done = insist(lambda confirmed: correcting.amend(place, number, typed, sure=confirmed), sure=sure)
    if as_json:
        print_json("amend", done)
        return
    show(f"Corrected event {number} (as event {done.saved.event}): {done.text}")
    for text in done.saved.notes:
        show(f"Note: {text}")
    show("Next: gradeest grades")
