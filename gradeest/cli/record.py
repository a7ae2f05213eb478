"""`gradeest record ...`: what was weighed, what was not found, what a laboratory said."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Annotated, Any

import typer

from gradeest.cli import options
from gradeest.cli.context import Call, call_of

app = typer.Typer(
    name="record",
    help="Record what a batch gave, lost and took, and assays.",
    no_args_is_help=True,
)

METAL_CHOICES = (("Au", "gold"), ("Ag", "silver"), ("Pd", "palladium"))
LIQUID_CHOICES = (
    ("tested-negative", "tested, nothing seen in it"),
    ("kept", "not tested or still holding metal, kept: the batch stays open"),
    ("gone", "thrown away or lost"),
)
CLOSE_TEXT = "Is that all this batch gives, of every metal (close it)"
BatchArgument = Annotated[str | None, typer.Argument(metavar="BATCH", help="The batch, such as B3.")]
Metal = Annotated[str | None, typer.Option("--metal", help="Au, Ag or Pd.")]
Close = Annotated[bool, typer.Option("--close", help="Nothing more will come: close the batch.")]


@app.command("product", short_help="Record a product weighed after a batch.")
def product(
    ctx: typer.Context,
    batch: BatchArgument = None,
    metal: Metal = None,
    form: Annotated[
        str | None, typer.Option("--form", help="What it is: washed powder, melted button, salt ...")
    ] = None,
    weight: Annotated[
        str | None, typer.Option("--weight", help='Net weight with unit, such as "1.84 g"; old notes: "2-3 g".')
    ] = None,
    readability: Annotated[
        str | None, typer.Option("--readability", help='Smallest step of a balance without a name, such as "0.01 g".')
    ] = None,
    damp: Annotated[bool | None, typer.Option("--damp/--dry", help="Weighed damp or dry (dry if left out).")] = None,
    balance: Annotated[
        str | None, typer.Option("--balance", help="Which balance (`gradeest balance list`); it knows its step.")
    ] = None,
    close: Close = False,
    date: options.Date = None,
    sure: options.Sure = False,
    later: options.Later = False,
    prices: options.Prices = None,
    as_json: options.Json = False,
) -> None:
    """Record a product weighed after a batch, and see what it changes."""
    from gradeest.cli.ask import at_terminal, fill_in_dated
    from gradeest.workflow import learning

    call = call_of(ctx)
    given = {"batch": batch, "metal": metal, "form": form, "weight_g": weight, "readability_g": readability}
    given |= {"balance": balance, "damp": None if damp is None else ("y" if damp else "n")}
    questions = product_questions(call, given)
    asking = at_terminal() and any(given[q.key] is None and (q.default is None or q.offered) for q in questions)
    answers, happened = fill_in_dated(questions, given, "record product", date)
    if asking and not close:
        close = ask_close()
    low, high = answers["weight_g"]
    answers["weight_g"] = (low + high) / 2
    if high > low:
        answers["interval_g"] = high - low
    how = {"date": happened, "close": close, "later": later, "prices": prices}
    learn_from("record product", learning.record_product, call, answers, sure=sure, as_json=as_json, **how)


def product_questions(call: Call, given: dict[str, str | None], *, asking: bool | None = None) -> list[Any]:
    """The questions of `record product`; the forms follow the metal, once it is known.

    Parameters: asking, as they are put to a person (by default: whether one sits at the terminal).
    """
    from gradeest.cli.ask import Question, at_terminal, parse_choice, parse_yes
    from gradeest.units import parse_mass_range
    from gradeest.workflow.catalogues import list_forms

    forms = list_forms(call.place())

    def form_choices(answers: dict[str, Any]) -> tuple[tuple[str, str], ...]:
        metal = answers.get("metal")
        return tuple((f.id, f.name) for f in forms if metal is None or f.metal == metal)

    return [
        batch_question(call),
        Question(
            "metal", "--metal", "Metal", parse_choice(METAL_CHOICES, "metal"), "Au, Ag or Pd", choices=METAL_CHOICES
        ),
        Question("form", "--form", "Form", str.strip, "what was weighed", choices_from=form_choices, what="form"),
        Question(
            "weight_g",
            "--weight",
            "Net weight on the balance",
            lambda typed: parse_mass_range(typed, metal=True),
            'such as "1.84 g"; a range from old notes as "2-3 g"',
        ),
        *balance_questions(call, given, at_terminal() if asking is None else asking),
        Question("damp", "--damp", "Was it damp", parse_yes, "y when it was not dried to a constant weight", "n"),
    ]


def balance_questions(call: Call, given: dict[str, str | None], asking: bool) -> list[Any]:
    """What a weight was read on: a known balance, or the step of one without a name.

    A script that names neither is taken at its word only where there is exactly one balance (and it is said); a range
    from old notes needs neither.
    """
    from gradeest.cli.ask import Question
    from gradeest.cli.balance import balance_question
    from gradeest.units import split_range
    from gradeest.workflow.balances import list_balances

    named = Question("balance", "--balance", "Balance", str.strip, "which balance", optional=True)
    step = weight_question("readability_g", "--readability", "Smallest step of the balance", 'such as "0.01 g"')
    if given["readability_g"] is not None or given["balance"] is not None:
        return [q for q in (named, step) if given[q.key] is not None]
    balances = list_balances(call.place()) if call.ledger.exists() else ()
    if not balances:
        return [] if split_range(given["weight_g"] or "") else [replace(step, needless=is_range)]
    if asking:
        return [replace(balance_question(call, key="balance", option="--balance"), needless=is_range)]
    if len(balances) == 1 or split_range(given["weight_g"] or ""):
        return []
    names = ", ".join(row.name for row in balances)
    return [Question("balance", "--balance", "Balance", str.strip, f"{names}; or --readability of one without a name")]


def is_range(answers: dict[str, Any]) -> bool:
    """Whether the weight typed is a range from old notes: it stands for the whole reading."""
    low, high = answers["weight_g"]
    return bool(low < high)


def batch_question(call: Call) -> Any:
    """Which batch; at a terminal the open ones are listed."""
    from gradeest.cli.ask import Question, at_terminal

    def open_batches(_: dict[str, Any]) -> tuple[tuple[str, str], ...]:
        from gradeest.workflow.reading import list_batches

        rows = [row for row in list_batches(call.place()) if row.closed is None]
        return tuple((row.name, f"{row.date}, {', '.join(row.addresses)}") for row in rows)

    listing = open_batches if at_terminal() else None
    return Question(
        "batch",
        "BATCH",
        "Batch",
        str.strip,
        "the batch, such as B3",
        choices_from=listing,
        what="open batch" if listing else "",
    )


def weight_question(key: str, option: str, text: str, help: str) -> Any:
    """A weight of metal; plain `oz` and `gr` are asked back by the parser."""
    from gradeest.cli.ask import Question
    from gradeest.units import parse_mass

    return Question(key, option, text, lambda typed: parse_mass(typed, metal=True), help)


def ask_close() -> bool:
    """Ask whether the batch is done: only then a weight is more than a lower bound."""
    from gradeest.cli.ask import confirm

    return confirm(CLOSE_TEXT, default=False)


@app.command("none", short_help="Record that nothing could be seen.")
def none(
    ctx: typer.Context,
    batch: BatchArgument = None,
    metal: Metal = None,
    below: Annotated[str | None, typer.Option("--below", help='What you would have seen, such as "0.02 g".')] = None,
    liquid: Annotated[
        str | None, typer.Option("--liquid", help="What became of the liquid: tested-negative, kept or gone.")
    ] = None,
    close: Close = False,
    date: options.Date = None,
    sure: options.Sure = False,
    later: options.Later = False,
    prices: options.Prices = None,
    as_json: options.Json = False,
) -> None:
    """Record that nothing dropped, or nothing could be seen."""
    from gradeest.cli.ask import fill_in_dated
    from gradeest.workflow import learning

    call = call_of(ctx)
    given = {"batch": batch, "metal": metal, "below_g": below, "liquid": liquid}
    answers, happened = fill_in_dated(none_questions(call), given, "record none", date)
    how = {"date": happened, "close": close, "later": later, "prices": prices}
    learn_from("record none", learning.record_none, call, answers, sure=sure, as_json=as_json, **how)


def none_questions(call: Call) -> list[Any]:
    """The questions of `record none`."""
    from gradeest.cli.ask import Question, parse_choice

    return [
        batch_question(call),
        Question(
            "metal", "--metal", "Metal", parse_choice(METAL_CHOICES, "metal"), "Au, Ag or Pd", choices=METAL_CHOICES
        ),
        weight_question("below_g", "--below", "It weighs less than", 'the least you would have seen, such as "0.02 g"'),
        Question(
            "liquid",
            "--liquid",
            "The liquid",
            parse_choice(LIQUID_CHOICES, "answer"),
            "tested-negative, kept or gone",
            choices=LIQUID_CHOICES,
        ),
    ]


def learn_from(
    command: str,
    keep: Callable[..., Any],
    call: Call,
    answers: dict[str, Any],
    *,
    sure: bool,
    as_json: bool,
    parts: Any = None,
    **how: Any,
) -> None:
    """Keep a result by one of the functions of `workflow.learning`, and print what it changed.

    Parameters: parts, a function of it that gives what is printed first.
    """
    from gradeest.cli.as_json import print_json
    from gradeest.cli.ask import insist
    from gradeest.cli.learned import learned_parts, listen
    from gradeest.cli.progress import Progress
    from gradeest.cli.tables import show

    with Progress() as progress:
        listener = listen(progress, as_json=as_json)
        place = call.place()
        learned = insist(lambda sure: keep(place, answers, sure=sure, listener=listener, **how), sure=sure)
    if as_json:
        print_json(command, learned)
    else:
        show(*(parts(learned) if parts else ()), *learned_parts(learned))
