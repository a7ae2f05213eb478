"""`gradeest record hours`, `record cost`, `record waste`: what a batch took; `waste`: the log of liquid waste."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from gradeest.cli import options, record
from gradeest.cli.context import Call, call_of, place_of
from gradeest.cli.streams import any_batch_question

Batch = Annotated[str | None, typer.Argument(metavar="BATCH", help="The batch, such as B3.")]


def register(app: typer.Typer) -> None:
    """Add the commands."""
    record.app.command("hours", short_help="Record hands-on hours of a batch.")(hours)
    record.app.command("cost", short_help="Record money spent on a batch.")(cost)
    record.app.command("waste", short_help="Record liquid waste of a batch.")(waste)
    app.command("waste", short_help="The log of liquid waste.")(waste_log)


def hours(
    ctx: typer.Context,
    batch: Batch = None,
    amount: Annotated[list[str] | None, typer.Argument(metavar="HOURS", help='Such as "3.5 h" or "90 min".')] = None,
    step: Annotated[str, typer.Option(help="Of which step only: sorting, washing, melting ...")] = "",
    date: options.Date = None,
    sure: options.Sure = False,
    as_json: options.Json = False,
) -> None:
    """Record hands-on hours of a batch, or of one step; those of a closed batch teach how long the next will take."""
    from gradeest.cli.as_json import print_json
    from gradeest.cli.ask import fill_in_dated
    from gradeest.cli.tables import interval, mass, note, number, show
    from gradeest.workflow.working import record_hours

    call = call_of(ctx)
    answers, happened = fill_in_dated(
        hours_questions(call), {"batch": batch, "hours": joined(amount)}, "record hours", date
    )
    done = record_hours(call.place(), answers["batch"], answers["hours"], step=step, date=happened, sure=sure)
    if as_json:
        print_json("record hours", done)
        return
    text = f"Saved {number(done.hours, 3)} h of {done.batch} (event {done.saved.event}): "
    show(note(f"{text}{number(done.total_hours, 3)} h recorded.{' ' if done.saved.notes else ''}{notes(done.saved)}"))
    if done.is_open:
        show(note("They teach how long the next takes once the batch is closed."))
    elif done.before is not None and done.after is not None:
        was, now = (interval((h.q5, h.q50, h.q95)) for h in (done.before, done.after))
        show(note(f"The next {mass(done.mass_kg)} by {done.route}: {now} h; without this batch {was} h."))
    if done.step_before is not None and done.step_after is not None:
        was, now = (interval((h.q5, h.q50, h.q95)) for h in (done.step_before, done.step_after))
        show(note(f"Of that {done.step}: {now} h; without this batch {was} h."))
    if not done.is_all:
        show(note("Only of some steps: the others count as expected until they, or the rest without --step, are told."))


def hours_questions(call: Call) -> list[Any]:
    """The questions of `record hours`."""
    from gradeest.cli.ask import Question
    from gradeest.units import parse_hours

    return [
        any_batch_question(call),
        Question("hours", "HOURS", "Hands-on hours", parse_hours, "with their unit: 3.5 h, 90 min; waiting is none"),
    ]


def cost(
    ctx: typer.Context,
    batch: Batch = None,
    amount: Annotated[list[str] | None, typer.Argument(metavar="AMOUNT", help="Such as 42.50.")] = None,
    what: Annotated[str, typer.Option(help="What for, in a few words.")] = "",
    date: options.Date = None,
    as_json: options.Json = False,
) -> None:
    """Record money spent on a batch; in the books it counts instead of the estimate."""
    from gradeest.cli.as_json import print_json
    from gradeest.cli.ask import Question, fill_in_dated
    from gradeest.cli.tables import note, show
    from gradeest.units import parse_money
    from gradeest.workflow.working import record_cost

    call = call_of(ctx)
    questions = [
        any_batch_question(call),
        Question("amount", "AMOUNT", "Money spent", parse_money, "an amount in your currency: 42.50"),
    ]
    answers, happened = fill_in_dated(questions, {"batch": batch, "amount": joined(amount)}, "record cost", date)
    done = record_cost(call.place(), answers["batch"], answers["amount"], what=what, date=happened)
    if as_json:
        print_json("record cost", done)
        return
    text = f"Saved {done.amount:g} spent on {done.batch} (event {done.saved.event}): {done.total:g} in all."
    show(note(f"{text} It counts instead of the estimate: record everything that the batch cost."))


def waste(
    ctx: typer.Context,
    batch: Batch = None,
    volume: Annotated[list[str] | None, typer.Argument(metavar="VOLUME", help='Such as "6 L".')] = None,
    what: Annotated[str | None, typer.Option("--what", help="What it is, in a few words.")] = None,
    went: Annotated[str | None, typer.Option("--went", help="Where it went: stored, handed to whom ...")] = None,
    date: options.Date = None,
    as_json: options.Json = False,
) -> None:
    """Record liquid waste of a batch: how much, what it is, where it went (`gradeest waste` prints the log)."""
    from gradeest.cli.as_json import print_json
    from gradeest.cli.ask import fill_in_dated
    from gradeest.cli.tables import note, show
    from gradeest.workflow.working import record_waste

    call = call_of(ctx)
    given = {"batch": batch, "volume": joined(volume), "what": what, "went": went}
    answers, happened = fill_in_dated(waste_questions(call), given, "record waste", date)
    done = record_waste(
        call.place(), answers["batch"], answers["volume"], what=answers["what"], went=answers["went"], date=happened
    )
    if as_json:
        print_json("record waste", done)
        return
    text = f"Saved {done.volume_l:g} L of waste of {done.batch} (event {done.saved.event}): {done.total_l:g} L in all."
    show(note(f"{text} {notes(done.saved)}"))


def waste_questions(call: Call) -> list[Any]:
    """The questions of `record waste`."""
    from gradeest.cli.ask import Question
    from gradeest.units import parse_volume

    return [
        any_batch_question(call),
        Question("volume", "VOLUME", "Volume", parse_volume, 'such as "6 L"'),
        Question("what", "--what", "What it is", str.strip, "in a few words"),
        Question("went", "--went", "Where it went", str.strip, "stored, handed to whom ..."),
    ]


def waste_log(
    ctx: typer.Context,
    file: Annotated[Path | None, typer.Argument(metavar="FILE.html", help="Write it as a page to print.")] = None,
    year: Annotated[int | None, typer.Option(help="Only of this year.")] = None,
    force: Annotated[bool, typer.Option("--force", help="Replace a file that is there.")] = False,
    as_json: options.Json = False,
) -> None:
    """Show the log of liquid waste, or write it as an A4 page to print: litres, what, where it went."""
    from gradeest.cli.as_json import print_json
    from gradeest.cli.tables import make_table, note, show
    from gradeest.workflow.working import show_waste

    found = show_waste(place_of(ctx), year=year, path=file, replace_old=force)
    if as_json:
        print_json("waste", found)
        return
    if not found.rows:
        show("No liquid waste was recorded" + ("." if year is None else f" in {year}."))
    else:
        table = make_table([("date", "<"), ("batch", "<"), ("litres", ">"), ("what", "f"), ("where it went", "w")])
        for row in found.rows:
            table.add_row(row.date.isoformat(), row.batch, f"{row.volume_l:g}", row.what, row.went)
        show(table, note(f"All together {found.total_l:g} L. {found.defer}"))
    if found.path is not None:
        show(note(f"Wrote {found.path}: open it in a browser and print it on A4."))


def joined(words: list[str] | None) -> str | None:
    """An amount and its unit, typed as one word or two."""
    return " ".join(words) if words else None


def notes(saved: Any) -> str:
    """What should be noted of an entry, as sentences."""
    return " ".join(f"Note: {text}." for text in saved.notes)
