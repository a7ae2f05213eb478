"""`gradeest batch ...`: processing runs."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Annotated, Any

import typer

from gradeest.cli import options
from gradeest.cli.context import Call, call_of, parse_date, place_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gradeest.workflow.expecting import Expected
    from gradeest.workflow.reading import BatchShown
    from gradeest.workflow.recording import BatchStarted

app = typer.Typer(name="batch", help="Start, list, show and close batches (processing runs).", no_args_is_help=True)
LISTED_WIDTH = 16  # of addresses beside what was weighed


@app.command("add", short_help="Start a batch from portions of fractions.")
def add(
    ctx: typer.Context,
    charge: Annotated[
        list[str] | None,
        typer.Option(
            "--charge",
            metavar="ADDRESS[=MASS]",
            help="What goes in, LOT/FRACTION or BATCH/STREAM; repeat it for several. All, if no mass.",
        ),
    ] = None,
    route: Annotated[
        str | None, typer.Option("--route", help="How it is run (the kind's usual route if left out).")
    ] = None,
    note: Annotated[str, typer.Option("--note", help="Anything worth remembering.")] = "",
    trial: Annotated[
        bool, typer.Option("--trial", help="A trial: a part of one fraction, before the rest is decided on.")
    ] = False,
    from_batches: options.FromBatches = None,
    from_period: options.FromPeriod = None,
    burning: options.Burning = None,
    untracked: options.Untracked = None,
    date: options.Date = None,
    sure: options.Sure = False,
    later: Annotated[bool, typer.Option("--later", help="Only save; do not forecast what it gives.")] = False,
    as_json: options.Json = False,
) -> None:
    """Start a batch from portions of fractions, from what batches left, or from products to refine again."""
    from gradeest.cli.as_json import print_json
    from gradeest.cli.ask import at_terminal, insist
    from gradeest.cli.complaints import UsageError
    from gradeest.cli.gate import ask_if_closed
    from gradeest.cli.progress import Progress
    from gradeest.cli.tables import show
    from gradeest.workflow import recording
    from gradeest.workflow.linking import AshSaid
    from gradeest.workflow.telling import Listener

    call = call_of(ctx)
    charges, happened = parse_charges(charge or [], date)
    if not charge and at_terminal():
        charges, route = ask_charges(call, route)
    elif not charge:
        raise UsageError("batch add: missing --charge", '--charge LOT/FRACTION or --charge "LOT/FRACTION=430 g"')
    place = call.place()
    ask_if_closed(place, charges, route, happened)
    with Progress() as progress:
        listener = Listener(report=progress) if as_json else Listener(progress, print_started)
        started = insist(
            lambda sure: recording.add_batch(
                place, charges, route=route, date=happened, note=note, trial=trial, sure=sure, later=later,
                listener=listener, ash=AshSaid(from_batches, from_period, burning, read_untracked(untracked)),
            ),
            sure=sure,
        )  # fmt: skip
    if as_json:
        print_json("batch add", started)
        return
    show(*expected_lines(started.expected, started.no_forecast), *next_lines(started))


def read_untracked(text: str | None) -> tuple[float, float] | None:
    """The share from elsewhere as a range; one number means up to it. Raises InputError."""
    from gradeest.errors import InputError, Issue
    from gradeest.units import parse_share_range

    if text is None:
        return None
    try:
        low, high = parse_share_range(text)
    except InputError as err:
        told = Issue("error", err.message, err.hint, field="--untracked")
        raise InputError("batch add: 1 problem, nothing saved", issues=[told]) from err
    return (low, high) if low < high else (0.0, high)


def parse_charges(texts: list[str], date: str | None) -> tuple[list[tuple[str, float | None]], dt.date]:
    """ADDRESS[=MASS] for each charge, and the day (today where none was typed); all problems at once."""
    from gradeest.errors import InputError, Issue
    from gradeest.units import parse_mass

    charges: list[tuple[str, float | None]] = []
    issues: list[Issue] = []
    happened = dt.date.min
    try:
        happened = parse_date(date or "today")
    except InputError as err:
        issues.append(Issue("error", err.message, err.hint, field="--date"))
    for text in texts:
        address, equals, amount = text.partition("=")
        field = f"--charge {text}"
        if "/" not in address:
            hint = "such as shop-may/fingers, or B1/oversize"
            what = f"'{address}' is no LOT/FRACTION, BATCH/STREAM or BATCH/PRODUCT"
            issues.append(Issue("error", what, hint, field=field))
            continue
        try:
            charges.append((address.strip(), parse_mass(amount) / 1000 if equals else None))
        except InputError as err:
            issues.append(Issue("error", err.message, err.hint, field=field))
    if issues:
        plural = "s" if len(issues) > 1 else ""
        raise InputError(f"batch add: {len(issues)} problem{plural}, nothing saved", issues=issues)
    return charges, happened


def ask_charges(call: Call, route: str | None) -> tuple[list[tuple[str, float | None]], str | None]:
    """Ask what goes into the batch and by which route."""
    from gradeest.cli.ask import GaveUpError, Question, ask, parse_choice, say_how
    from gradeest.cli.complaints import say
    from gradeest.cli.tables import mass
    from gradeest.units import parse_mass
    from gradeest.workflow.catalogues import list_routes
    from gradeest.workflow.reading import list_chargeable

    left = list_chargeable(call.place())
    if not left:
        raise GaveUpError("there is nothing left to process", "add a lot with `gradeest lot add`")
    say_how()
    all_of_it = left
    charges: list[tuple[str, float | None]] = []
    while left:
        choices = tuple((row.address, f"{mass(row.left_kg)} left, {row.what}") for row in left)
        question = Question(
            "charge",
            "",
            "What goes in" if not charges else "What else goes in (Enter: nothing)",
            parse_choice(choices, "fraction, stream or product with something left"),
            "one of these",
            optional=bool(charges),
            choices=choices,
            quiet=bool(charges),
        )
        address = ask(question)
        if address is None:
            break
        grams = ask(
            Question("mass", "", "  Mass", parse_all(parse_mass), "such as 430 g; `all` takes what is left", "all")
        )
        charges.append((address, None if grams is None else grams / 1000))
        left = [row for row in left if row.address != address]
    if route is None:
        routes = tuple((r.id, r.line) for r in list_routes(call.place()))
        usual = {route for row in all_of_it if row.address in {a for a, _ in charges} for route in row.usual_routes}
        default = usual.pop() if len(usual) == 1 else None
        route = ask(
            Question(
                "route",
                "",
                "Route",
                parse_choice(routes, "route"),
                "how it is run",
                default,
                choices=routes,
                quiet=True,
            )
        )
    say()
    return charges, route


def parse_all(parse_mass: Any) -> Any:
    """A parser for a mass, or `all` (None)."""

    def parse(text: str) -> float | None:
        return None if text.strip().lower() == "all" else float(parse_mass(text))

    return parse


def print_started(started: BatchStarted) -> None:
    """The new batch, its route and cautions."""
    from gradeest.cli.tables import mass, note, show

    name = started.saved.name
    show(f"Started {'trial' if started.trial else 'batch'} {name} (event {started.saved.event}).")
    for address, kg in started.charges:
        show(f"  {address}  {mass(kg)}")
    usual = ", the usual one for this kind" if started.route_was_usual else ""
    show(note(f"Route: {started.route}{usual} - {started.route_line}"))
    for text in started.saved.notes:
        show(note(f"Note: {text}"))
    if started.cautions:
        show("Before you start:")
        for line in started.cautions:
            show(note(f"! {line}", indent="  "))


def expected_lines(expected: Sequence[Expected], no_forecast: str) -> list[Any]:
    """What a batch is expected to give: fine metal, and what the balance will show."""
    from gradeest.cli.tables import heading, interval, make_table, metal_text, note, percent

    if not expected:
        return [note(f"No forecast: {no_forecast}.")] if no_forecast else []
    table = make_table([("", "<"), ("fine metal g", ">"), ("on the balance g", ">"), ("weighed as", "<"), ("", "w")])
    for row in expected:
        fine, weight = (interval(tuple(at(q) for q in (0.05, 0.5, 0.95))) for at in (row.recovered_at, row.weight_at))
        chance = f"{percent(row.p_trace)}: next to none" if row.p_trace > 0.02 else ""
        table.add_row(metal_text(row.metal), fine, weight, row.form, chance)
    return [heading("What to expect, median (5-95 %); the result is held against it"), table]


def next_lines(started: BatchStarted) -> list[Any]:
    """What does not fit together so far, the command to type when it is weighed, the page to write on until then."""
    from gradeest.cli.learned import clash_lines

    metal, form = next(iter(started.usual_form.items()), ("Au", "FORM"))
    after = [f"Then decide on the rest: gradeest test-first {started.charges[0][0]}"] if started.trial else []
    return [
        *clash_lines(started.clashes),
        f"Next: gradeest record product {started.saved.name} --metal {metal} --form {form} \\",
        '        --weight "1.84 g" --readability "0.01 g" --close',
        *after,
        f"On paper, for the hood: gradeest worksheet {started.saved.name}",
    ]


@app.command("list", short_help="List all batches.")
def list_all(ctx: typer.Context, as_json: options.Json = False) -> None:
    """List all batches."""
    from gradeest.cli.as_json import print_json
    from gradeest.cli.tables import make_table, mass, show
    from gradeest.cli.wrapping import break_address
    from gradeest.workflow.reading import list_batches

    batches = list_batches(place_of(ctx))
    if as_json:
        print_json("batch list", {"batches": batches})
        return
    if not batches:
        show("No batches yet. Start one with: gradeest batch add --charge LOT/FRACTION")
        return
    table = make_table(
        [("batch", "<"), ("date", "<"), ("charge", "w"), ("mass", ">"), ("route", "<"), ("weighed", "<")]
    )
    for row in batches:
        table.add_row(
            row.name,
            f"{row.date}\n{'closed' if row.closed else 'open'}{', trial' if row.trial else ''}",
            "\n".join(break_address(address, LISTED_WIDTH) for address in row.addresses),
            mass(row.mass_kg),
            row.route,
            "\n".join(row.results) or "-",
        )
    show(table)


@app.command("show", short_help="Show one batch and what was weighed.")
def show_one(
    ctx: typer.Context,
    batch: Annotated[str, typer.Argument(help="The batch, such as B3.")],
    as_json: options.Json = False,
) -> None:
    """Show one batch: what went in, by which route, what was weighed."""
    from gradeest.cli.as_json import print_json
    from gradeest.cli.tables import heading, make_table, mass, note, number, show
    from gradeest.workflow.linking import say_link
    from gradeest.workflow.reading import show_batch

    found = show_batch(place_of(ctx), batch)
    if as_json:
        print_json("batch show", found)
        return
    state = f"closed {found.batch.closed}" if found.batch.closed else "open"
    sort = "Trial" if found.batch.trial else "Batch"
    show(heading(f"{sort} {found.batch.name}, {found.batch.date}, {state}"))
    for charge in found.batch.charges:
        show(f"  {charge.address}  {mass(charge.mass_kg)}")
        if charge.link is not None:
            show(note(f"{say_link(charge.link)}", indent="    "))
    show(note(f"Route: {found.batch.route} - {found.route_line}"))
    table = make_table([("event", ">"), ("date", "<"), ("product", "<"), ("weight", ">"), ("left", ">"), ("form", "w")])
    for product in found.batch.products:
        flags = f", a range of {product.interval_g:g} g" if product.interval_g else ""
        flags += (", damp" if product.damp else "") + (", kept as sure" if product.sure else "")
        table.add_row(
            str(product.event),
            product.date.isoformat(),
            f"{found.batch.name}/{product.name}",
            f"{product.weight_g:g} g",
            f"{found.left[product.name]:g} g",
            f"{product.form}{flags}",
        )
    for none in found.batch.nondetects:
        table.add_row(
            str(none.event),
            none.date.isoformat(),
            f"no {none.metal}",
            f"< {number(none.below_g)} g",
            "",
            f"liquid {none.liquid}",
        )
    for test in found.batch.spot_tests:
        words = f"spot test {test.result}, {test.moment.replace('-', ' the ')}"
        table.add_row(str(test.event), test.date.isoformat(), test.metal, f"in {number(test.volume_l)} L", "", words)
    if table.row_count:
        show(table)
    else:
        show("Nothing weighed yet.")
    show(*[note(f"{found.batch.name}/{p}: {text}") for p, texts in found.said.items() for text in texts])
    show(*left_behind(found))
    show(*expected_lines(found.expected, found.no_forecast))
    show(*[note(f"! {line}") for line in found.cautions])


def left_behind(found: BatchShown) -> list[Any]:
    """Streams with what is left of each, and losses."""
    from gradeest.cli.tables import make_table, note, percent

    parts: list[Any] = []
    if found.batch.streams:
        table = make_table([("event", ">"), ("date", "<"), ("stream", "<"), ("of it left", ">"), ("", "w")])
        for stream in found.batch.streams:
            unit = "L" if stream.mass_kg is None else "kg"
            left = f"{found.left[stream.name]:.3g} {unit}"
            table.add_row(str(stream.event), stream.date.isoformat(), stream.address, left, stream.sort)
        parts.append(table)
    for loss in found.batch.losses:
        remark = f", {loss.note}" if loss.note else ""
        share = f"{percent(loss.low)} to {percent(loss.high)}"
        parts.append(note(f"Lost: {share} of what was in work, {loss.date} (event {loss.event}){remark}"))
    return parts


@app.command("close", short_help="Close a batch: nothing more will come.")
def close(
    ctx: typer.Context,
    batch: Annotated[str, typer.Argument(help="The batch, such as B3.")],
    date: options.Date = None,
    later: options.Later = False,
    prices: options.Prices = None,
    as_json: options.Json = False,
) -> None:
    """Close a batch: what was weighed is all there will be (until then it counts as a lower bound)."""
    from gradeest.cli.as_json import print_json
    from gradeest.cli.learned import learned_parts, listen
    from gradeest.cli.progress import Progress
    from gradeest.cli.tables import show
    from gradeest.workflow.learning import close_batch

    happened = parse_date(date or "today")
    with Progress() as progress:
        listener = listen(progress, as_json=as_json)
        learned = close_batch(place_of(ctx), batch, date=happened, later=later, prices=prices, listener=listener)
    if as_json:
        print_json("batch close", learned)
    else:
        show(*learned_parts(learned))
