"""`gradeest gate`: the cautions of a route, read and answered by typing a word, before anything is begun by it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from gradeest.cli import options
from gradeest.cli.context import place_of

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Sequence

    from gradeest.workflow.gates import Gate
    from gradeest.workflow.opening import Place


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("gate", short_help="Read a route's cautions before it is begun.")(gate)


def gate(
    ctx: typer.Context,
    route: Annotated[str | None, typer.Argument(metavar="ROUTE", help="The route; without one all are listed.")] = None,
    as_json: options.Json = False,
) -> None:
    """Show the gates of all routes, or read one's cautions and type the word asked for (only at a terminal)."""
    from gradeest.cli.as_json import print_json
    from gradeest.cli.ask import at_terminal
    from gradeest.cli.complaints import UsageError
    from gradeest.cli.tables import show
    from gradeest.workflow.gates import list_gates, show_gate

    place = place_of(ctx)
    if as_json:
        print_json("gate", {"gates": list_gates(place) if route is None else (show_gate(place, route),)})
        return
    if route is None:
        show(*gates_table(list_gates(place)))
        return
    found = show_gate(place, route)
    if not at_terminal():
        raise UsageError("gate: nobody is there to type the word", "a gate is passed by a person at a terminal")
    ask_word(place, found)


def gates_table(gates: tuple[Gate, ...]) -> list[Any]:
    """All gates with their standing."""
    from gradeest.cli.tables import make_table, note

    table = make_table([("route", "<"), ("gate", "w")])
    for one in gates:
        if one.stop:
            standing = "STOP: refused, whatever is typed"
        elif one.open_since is not None:
            standing = f"open since {one.open_since}"
        else:
            standing = f"closed: {one.closed_because}"
        if one.missing and not one.stop:
            standing += f"; not declared: {', '.join(one.missing)} (gradeest bench set)"
        table.add_row(one.route, standing)
    return [table, note(f"`gradeest gate ROUTE` opens one, at a terminal. {gates[0].defer}")] if gates else [table]


def ask_if_closed(place: Place, charges: Sequence[tuple[str, float | None]], route: str | None, date: dt.date) -> None:
    """At a terminal, ask for the word of the gate that a batch of these charges would meet."""
    from gradeest.cli.ask import at_terminal
    from gradeest.workflow.gates import find_closed

    if at_terminal():
        closed = find_closed(place, [address for address, _ in charges], route, date)
        if closed is not None:
            ask_word(place, closed)


def ask_word(place: Place, found: Gate) -> None:
    """Print the cautions, ask for the word, keep that it was typed. Raises InputError for another word."""
    from gradeest.cli.ask import read_line
    from gradeest.cli.tables import note, show
    from gradeest.workflow.gates import pass_gate

    show(note(f"Route {found.route}: {found.route_line}. Its gate is closed: {found.closed_because or 'not now'}."))
    for line in found.lines:
        show(note(f"! {line}", indent="  "))
    show(note(f"This clears nothing. {found.defer}"))
    typed = read_line(f"If you have read this and may do it, type the word {found.word}: ")
    saved = pass_gate(place, found.route, typed)
    show(f"The gate of {found.route} is open from {saved.happened_on} (event {saved.event}).")
