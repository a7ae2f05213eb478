"""`gradeest worksheet`: a page for the hood with boxes to fill by pen, and labels for jars."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from gradeest.cli import evidence, options, record, streams, work
from gradeest.cli.context import Call, call_of

if TYPE_CHECKING:
    from gradeest.report.worksheet import Block, Field

ROWS_ASIDE = 2  # parts set aside that have room on the page
COLUMNS = {"form": 4, "share": 2, "liquid": 2}  # boxes that need more room than others
NOTHING_GIVEN = dict.fromkeys(("batch", "metal", "form", "weight_g", "readability_g", "balance", "damp"))


def register(app: typer.Typer) -> None:
    """Add the command to the top level."""
    app.command("worksheet", short_help="Write a page for the hood, or labels for jars.")(worksheet)


def worksheet(
    ctx: typer.Context,
    what: Annotated[
        str | None, typer.Argument(metavar="BATCH", help="The batch; with --labels also a lot or LOT/FRACTION.")
    ] = None,
    file: Annotated[
        Path | None, typer.Argument(metavar="FILE.html", help="Where to write it (named after the batch or lot).")
    ] = None,
    labels: Annotated[bool, typer.Option("--labels", help="Labels for jars instead of the page.")] = False,
    force: Annotated[bool, typer.Option("--force", help="Replace a file that is there.")] = False,
    as_json: options.Json = False,
) -> None:
    """Write an A4 page for the hood with boxes to fill by pen, or labels for jars (--labels), to print."""
    from gradeest.cli.as_json import print_json
    from gradeest.cli.ask import fill_in
    from gradeest.cli.tables import note, show
    from gradeest.workflow.hood import write_batch_page, write_label_page

    call = call_of(ctx)
    question = streams.any_batch_question(call)
    about = fill_in([question], {"batch": what}, "worksheet")["batch"] if what is None else what.strip()
    if labels:
        written = write_label_page(call.place(), about, file, replace_old=force)
    else:
        written = write_batch_page(call.place(), about, boxes_of(call, about), file, replace_old=force)
    if as_json:
        print_json("worksheet", written)
        return
    count = f"{written.labels} labels" if labels else f"{len(written.boxes)} records to fill in by pen"
    show(f"Wrote {written.path}: {count}.")
    show(note("Open it in a browser and print it on A4, at 100 %."))


def boxes_of(call: Call, name: str) -> tuple[Block, ...]:
    """The boxes of a batch's page, made of the questions that are asked when they are typed in.

    What is only taken while the batch is open comes before the products: the last of them may close it.
    """
    from gradeest.workflow.catalogues import list_routes
    from gradeest.workflow.reading import list_batches

    route = next((row.route for row in list_batches(call.place()) if row.name == name), "")
    usual = next((dict(r.usual_form) for r in list_routes(call.place()) if r.id == route), {})
    metals = [metal for metal, _ in record.METAL_CHOICES if metal in usual]
    aside = streams.aside_questions()
    aside += [replace(question, help="") for question in aside] * (ROWS_ASIDE - 1)
    return (
        make_block("Set aside unprocessed", f"batch set-aside {name}", aside),
        make_block("Lost or spilled", f"record loss {name}", streams.loss_questions(call)),
        make_block("Spot test of the liquid", f"record spot-test {name}", evidence.spot_questions(call)),
        make_block("Nothing to be seen of a metal", f"record none {name}", record.none_questions(call)),
        *[product_block(call, name, metal) for metal in metals],
        product_block(call, name, ""),
        make_block("A solution that waits", f"batch leave {name}", streams.leave_questions(call)),
        make_block("Liquid waste", f"record waste {name}", work.waste_questions(call)),
        make_block("Hands-on hours", f"record hours {name}", work.hours_questions(call)),
    )


def product_block(call: Call, name: str, metal: str) -> Block:
    """The boxes of one weighed product: of a metal that the route usually gives, or of any ("")."""
    from gradeest.cli.ask import Question, parse_yes

    words = dict(record.METAL_CHOICES)
    questions = record.product_questions(call, dict(NOTHING_GIVEN), asking=True)
    close = Question("close", "--close", record.CLOSE_TEXT, parse_yes)
    title = f"Weighed: {words[metal]}" if metal else "Weighed: another product"
    return make_block(title, f"record product {name}", [*questions, close], {"metal": metal} if metal else {})


def make_block(title: str, command: str, questions: Sequence[Any], answers: dict[str, Any] | None = None) -> Block:
    """Boxes for questions, in their order, and one for the day; which batch it is about stands in the command."""
    from gradeest.report.worksheet import Block, Field

    fields = [make_field(question, answers or {}) for question in questions if question.key != "batch"]
    return Block(title, f"gradeest {command}", (*fields, Field("Date", "--date", is_last=True)))


def make_field(question: Any, answers: dict[str, Any]) -> Field:
    """The box of one question; `answers` are known already."""
    from gradeest.cli.ask import parse_yes
    from gradeest.report.worksheet import Field

    label = question.text.strip()
    if question.parse is parse_yes:
        return Field(label, "", ("y", "n"))
    if question.key == "form" and not answers:
        return Field(label, question.help, columns=COLUMNS["form"])  # the forms of all metals would fill the page
    choices = tuple(choice for choice, _ in question.given(answers).choices)
    hint = "" if choices else question.help
    return Field(label, hint, choices, str(answers.get(question.key, "")), columns=COLUMNS.get(question.key, 1))
