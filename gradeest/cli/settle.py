"""`gradeest settle`: a refiner's paper, asked for in the order in which it is printed."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from gradeest.cli import options, record
from gradeest.cli.context import Call, call_of
from gradeest.cli.evidence import product_parts

METALS = tuple(metal for metal, _ in record.METAL_CHOICES)
BY_METAL = (("fineness", "--assay"), ("payable", "--payable"), ("price", "--price"))


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("settle", short_help="Record a refiner's settlement.")(settle)


def settle(
    ctx: typer.Context,
    products: Annotated[
        list[str] | None, typer.Argument(metavar="BATCH/PRODUCT...", help="What was melted together.")
    ] = None,
    received: Annotated[
        str | None, typer.Option("--received", help='Weight received, such as "31.42 g" or "1.010 ozt".')
    ] = None,
    melted: Annotated[str | None, typer.Option("--melted", help="Weight after melting.")] = None,
    assay: Annotated[
        list[str] | None, typer.Option("--assay", metavar="METAL=FINENESS", help="Such as Au=.9761; repeat it.")
    ] = None,
    payable: Annotated[
        list[str] | None,
        typer.Option("--payable", metavar="METAL=SHARE", help='Such as Au="98 %", or grams; left out: not paid for.'),
    ] = None,
    price: Annotated[
        list[str] | None, typer.Option("--price", metavar="METAL=PRICE", help='Such as Au="100 / g", of the paper.')
    ] = None,
    charges: Annotated[str | None, typer.Option("--charges", help="All charges together.")] = None,
    paid: Annotated[str | None, typer.Option("--paid", help="What was paid so far.")] = None,
    due: Annotated[str | None, typer.Option("--due", help="Of a part payment: what is still to come.")] = None,
    to: Annotated[str | None, typer.Option("--to", metavar="NAME", help="Who settled.")] = None,
    replaces: Annotated[
        int | None, typer.Option("--replaces", metavar="N", help="The event of an earlier paper that this replaces.")
    ] = None,
    date: options.Date = None,
    sure: options.Sure = False,
    later: options.Later = False,
    prices: options.Prices = None,
    as_json: options.Json = False,
) -> None:
    """Record a refiner's settlement of products melted together: its sum is repeated, the products leave."""
    from gradeest.workflow import settling

    call = call_of(ctx)
    given = {
        "products": " ".join(products) if products else None, "received_g": received, "melted_g": melted,
        "charges": charges, "paid": paid, "due": due, "to": to, "date": date or "today",
    }  # fmt: skip
    answers = read_answers(call, given, {"fineness": assay, "payable": payable, "price": price})
    answers["replaces"] = replaces
    how = {"date": answers.pop("date"), "later": later, "prices": prices}
    record.learn_from("settle", settling.settle, call, answers, sure=sure, as_json=as_json, parts=product_parts, **how)


def read_answers(call: Call, given: dict[str, str | None], lines: dict[str, list[str] | None]) -> dict[str, Any]:
    """All answers; what stands in METAL=VALUE options is sorted by metal, every problem told at once."""
    from gradeest.cli.ask import DAY, fill_in, parse_given, problems
    from gradeest.errors import InputError, Issue

    issues: list[Issue] = []
    for what, option in BY_METAL:
        for text in lines[what] or ():
            metal, equals, value = (part.strip() for part in text.partition("="))
            if metal not in METALS or not equals:
                issues.append(Issue("error", f"'{text}' is no METAL=VALUE", f"{option} Au=..., Ag=... or Pd=..."))
            else:
                given[f"{metal}.{what}"] = value
    questions = [*settle_questions(call), DAY]
    if issues:
        issues += parse_given(questions, given)[1]
        raise InputError(problems("settle", len(issues)), issues=issues)
    if not lines["fineness"] and given["paid"] is not None:
        raise InputError("settle: the paper's assay is missing", "--assay Au=.9761 for each metal; nothing was saved")
    return fill_in(questions, given, "settle")


def settle_questions(call: Call) -> list[Any]:
    """The questions of `settle`, in the order of the paper."""
    from gradeest.cli.ask import Question, at_terminal
    from gradeest.units import parse_money
    from gradeest.workflow.settling import read_payable, read_price

    def products(_: dict[str, Any]) -> tuple[tuple[str, str], ...]:
        from gradeest.workflow.reading import list_products

        return list_products(call.place())

    listing = products if at_terminal() else None
    first = [
        Question(
            "products", "BATCH/PRODUCT", "What was melted together", parse_addresses,
            "one or more products, such as B1/au-1 B2/au-1", choices_from=listing,
        ),
        record.weight_question("received_g", "--received", "Weight received", 'such as "31.42 g" or "1.010 ozt"'),
        record.weight_question("melted_g", "--melted", "Weight after melting", 'such as "31.38 g" or "1.009 ozt"'),
    ]  # fmt: skip
    last = [
        Question("charges", "--charges", "Charges, all together", parse_money, "money", "0"),
        Question("paid", "--paid", "Paid", parse_money, "what came so far"),
        Question("due", "--due", "Still to come", parse_money, "of a part payment", "0"),
        Question("to", "--to", "Who settled", str.strip, "a name", optional=True),
    ]
    lines = [metal_questions(metal, read_payable, read_price) for metal in METALS]
    return [*first, *(question for column in zip(*lines, strict=True) for question in column), *last]


def metal_questions(metal: str, read_payable: Any, read_price: Any) -> list[Any]:
    """Fineness, payable and price of one metal; what is not assayed, or not paid for, is not asked about further."""
    from gradeest.cli.ask import Question
    from gradeest.units import parse_purity

    def not_assayed(answers: dict[str, Any]) -> bool:
        return answers.get(f"{metal}.fineness") is None

    def not_paid(answers: dict[str, Any]) -> bool:
        return answers.get(f"{metal}.payable") is None

    return [
        Question(
            f"{metal}.fineness", "--assay", f"{metal}: assay (fineness)", parse_purity, 'such as ".9761" or "97.61 %"',
            optional=True,
        ),
        Question(
            f"{metal}.payable", "--payable", f"{metal}: payable", read_payable, 'such as "98 %", or grams',
            optional=True, needless=not_assayed,
        ),
        Question(
            f"{metal}.price", "--price", f"{metal}: price", read_price, 'such as "100 / g" or "3110 / ozt"',
            optional=True, needless=not_paid,
        ),
    ]  # fmt: skip


def parse_addresses(text: str) -> list[str]:
    """Addresses parted by spaces or commas."""
    return text.replace(",", " ").split()
