"""`gradeest lot more`, `lot split`, `sell`, `discard`: what comes into the stock and leaves it."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Annotated, Any

import typer

from gradeest.cli import lot, options
from gradeest.cli.context import Call, call_of

if TYPE_CHECKING:
    from gradeest.workflow.stocking import Taken

Address = Annotated[
    str | None,
    typer.Argument(metavar="ADDRESS", help="LOT/FRACTION, BATCH/PRODUCT or BATCH/STREAM."),
]
Fraction = Annotated[str | None, typer.Argument(metavar="LOT/FRACTION", help="The fraction.")]
Part = Annotated[str | None, typer.Argument(metavar="MASS", help="How much, with its unit; all of it if left out.")]


def register(app: typer.Typer) -> None:
    """Add the commands of this file."""
    lot.app.command("more", short_help="Put more of the same into a fraction's jar.")(more)
    lot.app.command("split", short_help="Sort what is left of a fraction into heaps.")(split)
    app.command("sell", short_help="Record a sale.")(sell)
    app.command("discard", short_help="Record that something left the stock for good.")(discard)


def more(
    ctx: typer.Context,
    address: Fraction = None,
    mass: Annotated[str | None, typer.Argument(metavar="MASS", help='What was added, such as "430 g".')] = None,
    note: Annotated[str, typer.Option("--note", help="Anything worth remembering.")] = "",
    date: options.Date = None,
    sure: options.Sure = False,
    as_json: options.Json = False,
) -> None:
    """Put more of the same kind into a fraction's jar."""
    from gradeest.cli.as_json import print_json
    from gradeest.cli.ask import Question, fill_in_dated, insist
    from gradeest.cli.tables import mass as say_mass
    from gradeest.cli.tables import note as remark
    from gradeest.cli.tables import show
    from gradeest.units import parse_mass
    from gradeest.workflow.stocking import add_more

    call = call_of(ctx)
    questions = [
        fraction_question(call),
        Question("mass", "MASS", "Mass added", parse_mass, "with its unit: 2.45 kg, 430 g, 3 lb"),
    ]
    answers, happened = fill_in_dated(questions, {"address": address, "mass": mass}, "lot more", date)
    kg = answers["mass"] / 1000
    done = insist(
        lambda sure: add_more(call.place(), answers["address"], kg, date=happened, note=note, sure=sure), sure=sure
    )
    if as_json:
        print_json("lot more", done)
        return
    show(f"Added {say_mass(done.added_kg)} to {done.address} (event {done.saved.event}): {say_mass(done.left_kg)} now.")
    if done.sources > 1:
        text = (
            f"The jar holds {done.sources} sources, well mixed: what is taken now comes from each in proportion, "
            "and each keeps a grade of its own."
        )
        show(remark(text))
    show_notes(done.saved.notes)
    show(f"Next: gradeest forecast {done.address.partition('/')[0]}")


def split(
    ctx: typer.Context,
    address: Fraction = None,
    heaps: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="NAME=MASS...", help='The heaps, such as magnetic="210 g"; NAME=MASS:KIND names a kind.'
        ),
    ] = None,
    date: options.Date = None,
    sure: options.Sure = False,
    as_json: options.Json = False,
) -> None:
    """Sort all that is left of a fraction into heaps: new fractions of the same lot."""
    from gradeest.cli.as_json import print_json
    from gradeest.cli.ask import at_terminal, fill_in_dated, insist
    from gradeest.cli.complaints import UsageError
    from gradeest.cli.tables import mass, show
    from gradeest.workflow import stocking

    call = call_of(ctx)
    if not at_terminal() and (address is None or not heaps):
        missing = " ".join(name for name, value in (("LOT/FRACTION", address), ("NAME=MASS", heaps)) if not value)
        raise UsageError(
            f"lot split: missing {missing}", 'such as: gradeest lot split shed/pins strong="210 g" weak="1 kg"'
        )
    parts = parse_heaps(heaps or [])
    answers, happened = fill_in_dated([fraction_question(call)], {"address": address}, "lot split", date)
    parts = parts or ask_heaps(answers["address"])
    done = insist(
        lambda sure: stocking.split(call.place(), answers["address"], parts, date=happened, sure=sure), sure=sure
    )
    if as_json:
        print_json("lot split", done)
        return
    show(f"Split {done.address}, {mass(done.mass_kg)}, into {len(done.heaps)} heaps (event {done.saved.event}).")
    for heap in done.heaps:
        show(f"  {heap.address}  {heap.kind}, {mass(heap.mass_kg)}")
    show_notes(done.saved.notes)
    show(f"Next: gradeest forecast {done.address.partition('/')[0]}")


def parse_heaps(texts: list[str]) -> list[tuple[str, float, str]]:
    """NAME=MASS[:KIND] for each heap, as (name, kg, kind or ""); all problems at once."""
    parts = parse_parts([text.partition(":")[0] for text in texts], "lot split")
    return [(*part, text.partition(":")[2].strip()) for part, text in zip(parts, texts, strict=True)]


def parse_parts(texts: list[str], command: str) -> list[tuple[str, float]]:
    """NAME=MASS for each part, as (name, kg). Raises InputError with all problems at once."""
    from gradeest.cli.ask import problems
    from gradeest.errors import InputError, Issue
    from gradeest.units import parse_mass

    parts: list[tuple[str, float]] = []
    issues: list[Issue] = []
    for text in texts:
        name, equals, amount = (word.strip() for word in text.partition("="))
        if not equals or not name:
            issues.append(Issue("error", f"'{text}' is no NAME=MASS", 'such as magnetic="210 g"', field=text))
            continue
        try:
            parts.append((name, parse_mass(amount) / 1000))
        except InputError as err:
            issues.append(Issue("error", err.message, err.hint, field=name))
    if issues:
        raise InputError(problems(command, len(issues)), issues=issues)
    return parts


def ask_heaps(address: str) -> list[tuple[str, float, str]]:
    """Ask for one heap after the other."""
    from gradeest.cli.ask import Question, ask
    from gradeest.cli.complaints import say
    from gradeest.units import parse_mass

    say(f"The heaps that {address} was sorted into, one after the other.")
    heaps: list[tuple[str, float, str]] = []
    while True:
        text = f"Name of heap {len(heaps) + 1}" + (" (Enter: no more)" if len(heaps) > 1 else "")
        name = ask(Question("name", "", text, str.strip, "short: magnetic, weak, fine ...", optional=len(heaps) > 1))
        if name is None:
            return heaps
        grams = ask(Question("mass", "", "  Mass", parse_mass, "with its unit: 2.45 kg, 430 g"))
        kind = ask(Question("kind", "", "  Kind", str.strip, "its id, if it is another one now", optional=True))
        heaps.append((name, grams / 1000, kind or ""))


def sell(
    ctx: typer.Context,
    address: Address = None,
    mass: Part = None,
    amount: Annotated[str | None, typer.Option("--for", metavar="AMOUNT", help="What was paid for it.")] = None,
    to: Annotated[str, typer.Option("--to", metavar="NAME", help="Who bought it.")] = "",
    date: options.Date = None,
    sure: options.Sure = False,
    as_json: options.Json = False,
) -> None:
    """Record a sale of a fraction, a product or a stream, whole or in part: it leaves stock and ranking."""
    from gradeest.cli.ask import Question, fill_in_dated
    from gradeest.units import parse_money
    from gradeest.workflow import stocking

    call = call_of(ctx)
    paid = Question("amount", "--for", "Paid for it", parse_money, "the amount in your currency, such as 75.50")
    given = {"address": address, "taken": mass, "amount": amount}
    answers, happened = fill_in_dated([*taking_questions(call), paid], given, "sell", date)

    def take(sure: bool) -> Taken:
        what, taken, amount = (answers[key] for key in ("address", "taken", "amount"))
        return stocking.sell(call.place(), what, taken, amount, to=to, date=happened, sure=sure)

    finish("sell", take, sure=sure, as_json=as_json)


def discard(
    ctx: typer.Context,
    address: Address = None,
    mass: Part = None,
    note: Annotated[str, typer.Option("--note", help="Why, and where it went.")] = "",
    date: options.Date = None,
    sure: options.Sure = False,
    as_json: options.Json = False,
) -> None:
    """Record that a fraction, a product or a stream, whole or in part, left the stock for good without money."""
    from gradeest.cli.ask import fill_in_dated
    from gradeest.workflow import stocking

    call = call_of(ctx)
    answers, happened = fill_in_dated(taking_questions(call), {"address": address, "taken": mass}, "discard", date)

    def take(sure: bool) -> Taken:
        return stocking.discard(call.place(), answers["address"], answers["taken"], note=note, date=happened, sure=sure)

    finish("discard", take, sure=sure, as_json=as_json)


def finish(command: str, take: Callable[[bool], Taken], *, sure: bool, as_json: bool) -> None:
    """Take something out of the stock and say what is left."""
    from gradeest.cli.as_json import print_json
    from gradeest.cli.ask import insist
    from gradeest.cli.tables import note, show

    done = insist(take, sure=sure)
    if as_json:
        print_json(command, done)
        return
    unit = done.unit if done.unit != "L" else "kg"
    amount = {"g": done.weight_g, "kg": done.mass_kg}[unit]
    what = f"{done.saved.name}, {say_amount(amount, unit)}" if amount is not None else f"{done.saved.name}, all of it"
    if command == "sell":
        buyer = f" to {done.to}" if done.to else ""
        show(f"Sold {what}, for {done.amount:g}{buyer} (event {done.saved.event}).")
    else:
        show(f"Discarded {what} (event {done.saved.event}).")
    show("Nothing is left of it." if done.left <= 0 else f"Left of it: {say_amount(done.left, done.unit)}.")
    show_notes(done.saved.notes)
    for text in done.saved.law_lines:
        show(note(text, indent="  "))
    if command == "discard":
        show(note(done.defer))


def say_amount(amount: float, unit: str) -> str:
    """A mass of feed, a weight of metal or a volume for reading."""
    from gradeest.cli.tables import mass

    return mass(amount) if unit == "kg" else f"{amount:.6g} {unit}"


def show_notes(notes: tuple[str, ...]) -> None:
    """What should be noted of something saved."""
    from gradeest.cli.tables import note, show

    for text in notes:
        show(note(f"Note: {text}"))


def fraction_question(call: Call) -> Any:
    """Which fraction; at a terminal they are listed."""
    from gradeest.cli.ask import Question, at_terminal

    def fractions(_: dict[str, Any]) -> tuple[tuple[str, str], ...]:
        from gradeest.cli.tables import mass
        from gradeest.workflow.reading import list_fractions

        return tuple((row.address, f"{mass(row.left_kg)} left, {row.kind}") for row in list_fractions(call.place()))

    listing = fractions if at_terminal() else None
    return Question(
        "address",
        "LOT/FRACTION",
        "Fraction",
        str.strip,
        "the fraction, such as shed/pins",
        choices_from=listing,
        what="fraction" if listing else "",
    )


def taking_questions(call: Call) -> list[Any]:
    """What leaves the stock, and how much of it; at a terminal all that is there is listed."""
    from gradeest.cli.ask import Question, at_terminal
    from gradeest.records.references import sort_of_address
    from gradeest.units import parse_mass

    def stock(_: dict[str, Any]) -> tuple[tuple[str, str], ...]:
        from gradeest.workflow.reading import list_stock

        rows = list_stock(call.place())
        return tuple((row.address, f"{say_amount(row.left, row.unit)} left, {row.what}") for row in rows)

    named: list[str] = []

    def parse_address(text: str) -> str:
        named.append(text.strip())
        return named[-1]

    def parse_taken(text: str) -> float | None:
        if text.strip().lower() == "all":
            return None
        is_product = bool(named) and sort_of_address(named[-1]) == "product"
        grams = parse_mass(text, metal=is_product)
        return grams if is_product else grams / 1000

    listing = stock if at_terminal() else None
    return [
        Question(
            "address",
            "ADDRESS",
            "What",
            parse_address,
            "LOT/FRACTION, BATCH/PRODUCT or BATCH/STREAM, such as B3/au-1",
            choices_from=listing,
        ),
        Question("taken", "MASS", "How much", parse_taken, "with its unit; `all` takes what is left", "all"),
    ]
