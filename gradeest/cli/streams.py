"""`gradeest batch set-aside`, `batch leave`, `record loss`: what a batch leaves, and what it lost."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from gradeest.cli import batch as batches
from gradeest.cli import options, record
from gradeest.cli.context import Call, call_of

Batch = Annotated[str | None, typer.Argument(metavar="BATCH", help="The batch, such as B3.")]


def register() -> None:
    """Add the commands of this file to their groups."""
    batches.app.command("set-aside", short_help="Set parts of an open batch aside.")(set_aside)
    batches.app.command("leave", short_help="A solution or residue of a batch waits.")(leave)
    record.app.command("loss", short_help="Record that a share of a batch was lost.")(loss)


def set_aside(
    ctx: typer.Context,
    batch: Batch = None,
    parts: Annotated[
        list[str] | None, typer.Argument(metavar="NAME=MASS...", help='What was put aside, such as oversize="80 g".')
    ] = None,
    date: options.Date = None,
    sure: options.Sure = False,
    later: options.Later = False,
    prices: options.Prices = None,
    as_json: options.Json = False,
) -> None:
    """Set parts of an open batch aside unprocessed: they become streams, and its weights speak of the rest."""
    from gradeest.cli.ask import ask, at_terminal, confirm, fill_in_dated
    from gradeest.cli.complaints import UsageError
    from gradeest.cli.stock import parse_parts
    from gradeest.workflow import learning

    call = call_of(ctx)
    if not at_terminal() and (batch is None or not parts):
        missing = " ".join(name for name, value in (("BATCH", batch), ("NAME=MASS", parts)) if not value)
        raise UsageError(f"batch set-aside: missing {missing}", 'such as: gradeest batch set-aside B3 oversize="80 g"')
    streams = parse_parts(parts or [], "batch set-aside")
    answers, happened = fill_in_dated([record.batch_question(call)], {"batch": batch}, "batch set-aside", date)
    is_more = not streams
    while is_more:
        name, grams = (ask(question) for question in aside_questions())
        streams.append((name, grams / 1000))
        is_more = confirm("Something else too", default=False)
    answers["streams"] = streams
    record.learn_from(
        "batch set-aside",
        lambda place, answers, **how: learning.set_aside(place, answers["batch"], answers["streams"], **how),
        call, answers, sure=sure, as_json=as_json, date=happened, later=later, prices=prices,
    )  # fmt: skip


def aside_questions() -> list[Any]:
    """The questions of `batch set-aside` for each part."""
    from gradeest.cli.ask import Question
    from gradeest.units import parse_mass

    return [
        Question("name", "", "What was set aside", str.strip, "a short name: oversize, magnetic, dies ..."),
        Question("mass", "", "  Mass", parse_mass, "with its unit: 80 g"),
    ]


def leave(
    ctx: typer.Context,
    batch: Batch = None,
    name: Annotated[str | None, typer.Argument(metavar="NAME", help="What to call it, such as mother-liquor.")] = None,
    volume: Annotated[str | None, typer.Option("--volume", help='Of a solution, such as "1.2 L".')] = None,
    residue: Annotated[
        str | None, typer.Option("--residue", metavar="MASS", help='It is what did not dissolve, such as "350 g".')
    ] = None,
    date: options.Date = None,
    sure: options.Sure = False,
    as_json: options.Json = False,
) -> None:
    """Record that a solution or the residue of a batch waits; a later batch may take it."""
    from gradeest.cli.as_json import print_json
    from gradeest.cli.ask import fill_in_dated
    from gradeest.cli.complaints import UsageError
    from gradeest.cli.tables import show
    from gradeest.workflow.stocking import leave as keep

    call = call_of(ctx)
    if volume is not None and residue is not None:
        raise UsageError("batch leave: a solution has a volume, a residue a mass", "--volume or --residue, one of them")
    given = {"batch": batch, "name": name, "volume": volume, "residue": residue}
    questions = residue_questions(call) if residue is not None else leave_questions(call)
    answers, happened = fill_in_dated(questions, given, "batch leave", date)
    amounts = answers.get("volume"), answers.get("residue")
    done = keep(call.place(), answers["batch"], answers["name"], *amounts, date=happened, sure=sure)
    if as_json:
        print_json("batch leave", done)
        return
    much = f"{done.volume_l:.3g} L wait" if done.volume_l is not None else f"{done.mass_kg:.4g} kg wait"
    show(f"{done.address}: {much} (event {done.saved.event}). Label the vessel, keep it closed.")
    show(f"To run it once {answers['batch']} is closed: gradeest batch add --charge {done.address} --route ROUTE")
    show(f"When it is gone: gradeest discard {done.address}")


def leave_questions(call: Call) -> list[Any]:
    """The questions of `batch leave` for a solution."""
    from gradeest.cli.ask import Question
    from gradeest.units import parse_volume

    return [*name_questions(call), Question("volume", "--volume", "Volume", parse_volume, 'such as "1.2 L"')]


def residue_questions(call: Call) -> list[Any]:
    """The questions of `batch leave` for the residue."""
    from gradeest.cli.ask import Question
    from gradeest.units import parse_mass

    def parse_kg(text: str) -> float:
        return parse_mass(text) / 1000

    return [*name_questions(call), Question("residue", "--residue", "Its mass", parse_kg, 'such as "350 g"')]


def name_questions(call: Call) -> list[Any]:
    """Of which batch something is, and what it is called."""
    from gradeest.cli.ask import Question

    named = Question("name", "NAME", "What to call it", str.strip, "a short name, such as mother-liquor")
    return [any_batch_question(call), named]


def any_batch_question(call: Call) -> Any:
    """Which batch, open or closed; at a terminal they are listed."""
    from gradeest.cli.ask import Question, at_terminal

    def every_batch(_: dict[str, Any]) -> tuple[tuple[str, str], ...]:
        from gradeest.workflow.reading import list_batches

        return tuple((row.name, f"{row.date}, {', '.join(row.addresses)}") for row in list_batches(call.place()))

    listing = every_batch if at_terminal() else None
    return Question(
        "batch", "BATCH", "Batch", str.strip, "the batch, such as B3", choices_from=listing,
        what="batch" if listing else "",
    )  # fmt: skip


def loss(
    ctx: typer.Context,
    batch: Batch = None,
    share: Annotated[
        str | None,
        typer.Option("--share", help='What is gone: "20-50 %", "30 %", "a little", "a third" or "most".'),
    ] = None,
    note: Annotated[str | None, typer.Option("--note", help="What happened.")] = None,
    wiped: Annotated[
        str | None, typer.Option("--wiped", metavar="NAME=MASS", help='What was wiped up of it, such as floor="60 g".')
    ] = None,
    date: options.Date = None,
    sure: options.Sure = False,
    later: options.Later = False,
    prices: options.Prices = None,
    as_json: options.Json = False,
) -> None:
    """Record that a share of a batch was lost (spilled), and see what it changes."""
    from gradeest.cli.ask import fill_in_dated
    from gradeest.workflow import learning

    call = call_of(ctx)
    given = {"batch": batch, "share": share, "note": note, "wiped": wiped}
    answers, happened = fill_in_dated(loss_questions(call), given, "record loss", date)
    low, high = answers["share"]
    payload = {"batch": answers["batch"], "low": low, "high": high, "note": answers["note"] or ""}
    if answers["wiped"]:
        name, kg = answers["wiped"]
        payload["wiped"] = {"name": name, "mass_kg": kg}
    how = {"date": happened, "later": later, "prices": prices}
    record.learn_from("record loss", learning.record_loss, call, payload, sure=sure, as_json=as_json, **how)


def loss_questions(call: Call) -> list[Any]:
    """The questions of `record loss`."""
    from gradeest.cli.ask import Question, at_terminal
    from gradeest.cli.stock import parse_parts
    from gradeest.workflow.stocking import loss_choices, read_loss

    place = call.place()
    return [
        any_batch_question(call),
        Question(
            "share",
            "--share",
            "How much of what was in work",
            lambda text: read_loss(place, text),
            'a range such as "20-50 %"; "30 %" means give or take; or a little, a third, most',
            choices=loss_choices(place) if at_terminal() else (),
        ),
        Question("note", "--note", "What happened", str.strip, "for the day you wonder", optional=True),
        Question(
            "wiped",
            "--wiped",
            "Wiped up (NAME=MASS)",
            lambda text: parse_parts([text], "record loss")[0],
            'what was swept or wiped up and kept, such as floor="60 g"',
            optional=True,
        ),
    ]
