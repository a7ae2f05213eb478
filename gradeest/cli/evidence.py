"""`gradeest record spot-test`: what is learned of a batch beside what was weighed."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from gradeest.cli import options, record
from gradeest.cli.context import Call, call_of, parse_date
from gradeest.cli.streams import any_batch_question

RESULTS = (
    ("negative", "nothing seen"),
    ("faint", "just seen"),
    ("clear", "seen at once"),
    ("strong", "dark"),
)
MOMENTS = (("before-drop", "the metal is still dissolved"), ("after-drop", "what was to drop has dropped"))


def register() -> None:
    """Add the commands of this file to their group."""
    record.app.command("spot-test", short_help="Record a spot test of a batch's liquid.")(spot_test)


def spot_test(
    ctx: typer.Context,
    batch: Annotated[str | None, typer.Argument(metavar="BATCH", help="The batch, such as B3.")] = None,
    result: Annotated[str | None, typer.Argument(metavar="RESULT", help="negative, faint, clear or strong.")] = None,
    metal: record.Metal = None,
    volume: Annotated[
        str | None, typer.Option("--volume", help='How much liquid there was in all, such as "4.2 L".')
    ] = None,
    before_drop: Annotated[
        bool | None, typer.Option("--before-drop/--after-drop", help="When it was tested (after, if left out).")
    ] = None,
    date: options.Date = None,
    sure: options.Sure = False,
    later: options.Later = False,
    prices: options.Prices = None,
    as_json: options.Json = False,
) -> None:
    """Record a spot test of a batch's liquid: with the volume a colour becomes grams."""
    from gradeest.cli.ask import fill_in
    from gradeest.workflow import learning

    call = call_of(ctx)
    happened = parse_date(date or "today")
    moment = None if before_drop is None else ("before-drop" if before_drop else "after-drop")
    given = {"batch": batch, "result": result, "metal": metal, "volume_l": volume, "moment": moment}
    answers = fill_in(spot_questions(call), given, "record spot-test")
    how = {"date": happened, "later": later, "prices": prices}
    record.learn_from("record spot-test", learning.record_spot_test, call, answers, sure=sure, as_json=as_json, **how)


def spot_questions(call: Call) -> list[Any]:
    """The questions of `record spot-test`."""
    from gradeest.cli.ask import Question, parse_choice
    from gradeest.units import parse_volume

    metals = record.METAL_CHOICES
    return [
        any_batch_question(call),
        Question(
            "result", "RESULT", "The test", parse_choice(RESULTS, "result"), "negative, faint, clear or strong",
            choices=RESULTS,
        ),
        Question("metal", "--metal", "Metal", parse_choice(metals, "metal"), "Au, Ag or Pd", choices=metals),
        Question(
            "volume_l", "--volume", "Volume of the liquid", parse_volume,
            'all the liquid of the batch, such as "4.2 L": a colour alone says nothing about grams',
        ),
        Question(
            "moment", "--after-drop", "When", parse_choice(MOMENTS, "moment"), "before-drop or after-drop",
            "after-drop", choices=MOMENTS,
        ),
    ]  # fmt: skip
