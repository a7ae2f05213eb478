"""`gradeest balance ...`: the balances of the bench."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from gradeest.cli import options
from gradeest.cli.context import Call, call_of, place_of

if TYPE_CHECKING:
    from gradeest.workflow.balances import BalanceLine

MOST_NAMED = 4  # balances to tick on paper; of more the name is written
app = typer.Typer(name="balance", help="Add, check and list balances.", no_args_is_help=True)

Name = Annotated[str | None, typer.Argument(metavar="NAME", help="The balance, such as pocket.")]


@app.command("add", short_help="Add a balance.")
def add(
    ctx: typer.Context,
    name: Name = None,
    readability: Annotated[
        str | None, typer.Option("--readability", help='Its smallest step, such as "0.01 g".')
    ] = None,
    date: options.Date = None,
    as_json: options.Json = False,
) -> None:
    """Add a balance with its smallest step."""
    from gradeest.cli.as_json import print_json
    from gradeest.cli.ask import Question, fill_in_dated
    from gradeest.cli.record import weight_question
    from gradeest.cli.tables import note, show
    from gradeest.workflow.balances import add_balance

    questions = [
        Question("name", "NAME", "Name of the balance", str.strip, "a short name, such as pocket"),
        weight_question("readability_g", "--readability", "Smallest step it shows", 'such as "0.01 g"'),
    ]
    answers, happened = fill_in_dated(questions, {"name": name, "readability_g": readability}, "balance add", date)
    done = add_balance(place_of(ctx), answers["name"], answers["readability_g"], date=happened)
    if as_json:
        print_json("balance add", done)
        return
    show(f"Added balance {done.balance.name}, steps of {done.balance.readability_g:g} g (event {done.saved.event}).")
    show(note("Unchecked it counts as less sure. When you have a known weight: "
              f'gradeest balance check {done.balance.name} --weight "5 g" --reads "4.98 g"'))  # fmt: skip


@app.command("check", short_help="Check a balance with a known weight.")
def check(
    ctx: typer.Context,
    name: Name = None,
    weight: Annotated[str | None, typer.Option("--weight", help='The known weight, such as "5 g".')] = None,
    reads: Annotated[str | None, typer.Option("--reads", help='What the balance showed, such as "4.98 g".')] = None,
    date: options.Date = None,
    sure: options.Sure = False,
    as_json: options.Json = False,
) -> None:
    """Check a balance: what it shows for a known weight."""
    from gradeest.cli.as_json import print_json
    from gradeest.cli.ask import fill_in_dated, insist
    from gradeest.cli.record import weight_question
    from gradeest.cli.tables import show
    from gradeest.workflow.balances import check_balance

    call = call_of(ctx)
    questions = [
        balance_question(call),
        weight_question("weight_g", "--weight", "The known weight", 'such as "5 g"'),
        weight_question("reads_g", "--reads", "What the balance shows", 'such as "4.98 g"'),
    ]
    answers, happened = fill_in_dated(
        questions, {"name": name, "weight_g": weight, "reads_g": reads}, "balance check", date
    )
    done = insist(
        lambda sure: check_balance(
            call.place(), answers["name"], answers["weight_g"], answers["reads_g"], date=happened, sure=sure
        ),
        sure=sure,
    )
    if as_json:
        print_json("balance check", done)
        return
    show(f"Checked {done.balance.name} (event {done.saved.event}): {said_of(done.balance)}.")
    show("Weighings on it follow at the next forecast.")


@app.command("list", short_help="List all balances.")
def list_all(ctx: typer.Context, as_json: options.Json = False) -> None:
    """List all balances with their last check."""
    from gradeest.cli.as_json import print_json
    from gradeest.cli.tables import make_table, show
    from gradeest.workflow.balances import list_balances

    balances = list_balances(place_of(ctx))
    if as_json:
        print_json("balance list", {"balances": balances})
        return
    if not balances:
        show('No balances yet. Add one with: gradeest balance add NAME --readability "0.01 g"')
        return
    table = make_table([("balance", "<"), ("step", ">"), ("weighings", ">"), ("last check", "w")])
    for row in balances:
        used = " (used last)" if row.last_used and row.weighings else ""
        table.add_row(row.name + used, f"{row.readability_g:g} g", str(row.weighings), said_of(row))
    show(table)


def said_of(row: BalanceLine) -> str:
    """The last check of a balance in words."""
    if row.last_check is None or row.deviation is None:
        return "never checked"
    if row.deviation == 0:
        return f"true on {row.last_check}"
    return f"{abs(row.deviation):.2%} too {'high' if row.deviation > 0 else 'low'} on {row.last_check}"


def balance_question(call: Call, *, key: str = "name", option: str = "NAME") -> Any:
    """Which balance; at a terminal they are listed and the last used one is offered."""
    from gradeest.cli.ask import Question, at_terminal
    from gradeest.workflow.balances import list_balances

    rows = list_balances(call.place()) if call.ledger.exists() else ()
    if not at_terminal():
        named = tuple((row.name, "") for row in rows) if len(rows) <= MOST_NAMED else ()
        return Question(key, option, "Balance", str.strip, "the balance (`gradeest balance list`)", choices=named)
    last = next((row.name for row in rows if row.last_used), None)
    choices = tuple((row.name, f"steps of {row.readability_g:g} g, {said_of(row)}") for row in rows)
    return Question(
        key, option, "Balance", str.strip, "which balance it was weighed on", last,
        choices_from=lambda _: choices, what="balance", offered=True,
    )  # fmt: skip
