"""`gradeest lot ...`: lots and their fractions."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from gradeest.cli import options
from gradeest.cli.complaints import UsageError, say
from gradeest.cli.context import parse_date, place_of

if TYPE_CHECKING:
    from gradeest.records.domain import Fraction, Lot
    from gradeest.records.piles import Pile
    from gradeest.workflow.board_priors import BoardLine
    from gradeest.workflow.catalogues import KindLine

app = typer.Typer(name="lot", help="Add, list and show lots.", no_args_is_help=True)


@app.command("add", short_help="Add a lot from a file, or by answering.")
def add(
    ctx: typer.Context,
    file: Annotated[
        Path | None, typer.Argument(metavar="FILE", readable=False, help="A lot file, TOML or CSV.")
    ] = None,
    date: options.Date = None,
    sure: options.Sure = False,
    as_json: options.Json = False,
) -> None:
    """Add a lot from a TOML or CSV file; without a file you are asked."""
    from gradeest.cli.as_json import print_json
    from gradeest.cli.ask import at_terminal, insist
    from gradeest.workflow import recording

    place = place_of(ctx)
    day = parse_date(date) if date is not None else None
    if file is not None:
        lot, saved = insist(lambda sure: recording.add_lot_file(place, file, date=day, sure=sure), sure=sure)
    elif at_terminal():
        lot = ask_lot(ctx, date or "today")
        saved = insist(lambda confirmed: recording.add_lot(place, lot, sure=confirmed), sure=sure)
    else:
        raise UsageError("lot add: missing FILE", "give a lot file (TOML or CSV); at a terminal you are asked instead")
    if as_json:
        print_json("lot add", {"lot": lot, "saved": saved})
        return
    print_saved_lot(lot, saved, recording.cautions_of_boards(place, lot))


def print_saved_lot(lot: Lot, saved: Any, cautions: Sequence[str] = ()) -> None:
    """What was saved, and what to do next."""
    from gradeest.cli.tables import mass, note, show

    total = sum(f.mass_kg for f in lot.fractions) + lot.unsorted_kg + sum(p.mass_kg or 0.0 for p in lot.boards)
    count = len(lot.fractions)
    show(f"Saved lot {lot.name} (event {saved.event}): {count} fraction{'s' if count != 1 else ''}, {mass(total)}.")
    for fraction in lot.fractions:
        show(f"  {lot.name}/{fraction.name}  {fraction.kind}, {mass(fraction.mass_kg)}")
    for pile in lot.boards:
        amount = f"{pile.pieces} pieces, not weighed" if pile.mass_kg is None else mass(pile.mass_kg)
        show(f"  {lot.name}/{pile.name}  {pile.kind}, {amount}: boards, not taken apart")
    if lot.unsorted_kg:
        show(f"  {mass(lot.unsorted_kg)} unsorted: kept, not forecast until it is sorted.")
    for text in saved.notes:
        show(note(f"Note: {text}"))
    if saved.law_lines:
        show("Bought and sold scrap:")
    for text in saved.law_lines:
        show(note(text, indent="  "))
    for text in cautions:
        show(note(text, indent="  "))
    show(f"Next: gradeest strip-order {lot.name}" if lot.boards else f"Next: gradeest forecast {lot.name}")


def ask_lot(ctx: typer.Context, day: str = "today") -> Lot:
    """Ask for everything a lot needs; nothing is saved until it has been shown and confirmed."""
    from gradeest.cli.ask import GaveUpError, Question, ask, confirm, say_how
    from gradeest.records.domain import Fraction, Lot
    from gradeest.records.piles import Pile
    from gradeest.units import parse_mass, parse_money
    from gradeest.workflow.board_priors import list_boards
    from gradeest.workflow.catalogues import list_kinds

    say_how()
    kinds, boards = list_kinds(place_of(ctx)), list_boards(place_of(ctx))
    name = ask(
        Question(
            "name", "", "Name of the lot", parse_lot_name, "a short name: letters, digits, - and _, such as shop-may"
        )
    )
    date = ask(Question("date", "", "Date you got it", parse_date, "YYYY-MM-DD, today or yesterday", day))
    price = ask(
        Question(
            "price", "", "Price paid", parse_money, "in your currency, for the whole lot; a record only", optional=True
        )
    )
    owner = ask(Question("owner", "", "Owner", str, "whose it is", "mine"))
    parts: list[Fraction | Pile] = []
    say("Now the sorted fractions, and boards not taken apart, one after the other.")
    while (part := ask_part(kinds, boards, parts)) is not None:
        parts.append(part)
    fractions = tuple(part for part in parts if isinstance(part, Fraction))
    piles = tuple(part for part in parts if isinstance(part, Pile))
    unsorted = ask(
        Question("unsorted", "", "Unsorted rest", parse_mass, "such as 3.2 kg; it is kept, not forecast", optional=True)
    )
    note = ask(Question("note", "", "Note", str, "anything worth remembering", optional=True))
    rest = unsorted / 1000 if unsorted else 0.0
    lot = Lot(name, date, fractions, price, owner, rest, note or "", boards=piles)
    say(f"Lot {lot.name}, {lot.date}, {len(fractions)} fractions:")
    for item in parts:
        known = [f"{item.mass_kg:g} kg"] if item.mass_kg is not None else []
        say(f"  {item.name}: {item.kind}, {', '.join(known + ([f'{item.pieces} pieces'] if item.pieces else []))}")
    if unsorted:
        say(f"  unsorted: {unsorted / 1000:g} kg")
    if not confirm("Save it", default=True):
        raise GaveUpError("nothing was saved", "run `gradeest lot add` again")
    return lot


def ask_part(kinds: list[KindLine], boards: list[BoardLine], before: list[Fraction | Pile]) -> Fraction | Pile | None:
    """Ask for one fraction or pile of boards; None when the person has no more."""
    from gradeest.cli.ask import Question, ask, parse_choice, parse_yes
    from gradeest.records.domain import Fraction
    from gradeest.units import parse_mass

    choices = tuple((k.id, f"{k.name}: {k.how_to_tell}") for k in kinds)
    choices += tuple((b.id, f"{b.name}: {b.how_to_tell}") for b in boards)
    kind_id = ask(
        Question(
            f"kind{len(before)}",
            "",
            f"Kind of fraction {len(before) + 1} (? lists all, Enter: no more)",
            parse_choice(choices, "kind"),
            "what it is, from the list; the start of a name is enough",
            optional=True,
            choices=choices,
            quiet=True,
        )
    )
    if kind_id is None:
        return None
    board = next((b for b in boards if b.id == kind_id), None)
    if board is not None:
        return ask_pile(board, {part.name for part in before})
    kind = next(k for k in kinds if k.id == kind_id)
    if kind.stop:
        say(f"  {kind.stop}")
    taken = {f.name for f in before}
    free = kind_id if kind_id not in taken else f"{kind_id}-{sum(n.startswith(kind_id) for n in taken) + 1}"
    name = ask(Question("name", "", "  Name of this fraction", parse_free_name(taken), "short, within the lot", free))
    grams = ask(Question("mass", "", "  Mass", parse_mass, "with its unit: 2.45 kg, 430 g, 3 lb"))
    pieces = ask(Question("pieces", "", "  Pieces", parse_count, "how many, if you counted them", optional=True))
    wet = kind.ask_wet and ask(Question("wet", "", "  Is it wet", parse_yes, "y when weighed wet or damp", "n"))
    mixed = ask(Question("mixed", "", "  Does it hold other kinds too", parse_yes, "y widens the forecast", "n"))
    note = ask(Question("note", "", "  Note", str, "anything worth remembering", optional=True))
    return Fraction(name, kind_id, grams / 1000, pieces, bool(wet), mixed, note or "")


def ask_pile(board: BoardLine, taken: set[str]) -> Pile:
    """Ask for boards of one kind: their mass, or how many they are."""
    from gradeest.cli.ask import Question, ask
    from gradeest.records.piles import Pile
    from gradeest.units import parse_mass

    if board.stop:
        say(f"  {board.stop}")
    plain = board.id.removeprefix("boards-")
    free = plain if plain not in taken else f"{plain}-{sum(n.startswith(plain) for n in taken) + 1}"
    name = ask(Question("name", "", "  Name of these boards", parse_free_name(taken), "short, within the lot", free))
    grams = ask(Question("mass", "", "  Mass", parse_mass, "with its unit; Enter if only counted", optional=True))
    pieces = ask(
        Question("pieces", "", "  Pieces", parse_count, "how many, if you counted them", optional=grams is not None)
    )
    note = ask(Question("note", "", "  Note", str, "anything worth remembering", optional=True))
    return Pile(name, board.id, None if grams is None else grams / 1000, pieces, note or "")


def parse_lot_name(text: str) -> str:
    """A lot name: letters, digits, - and _, and not one that looks like a batch."""
    import re

    from gradeest.errors import InputError

    name = text.strip()
    if not re.fullmatch(r"[\w-]+", name):
        raise InputError(f"'{name}' cannot be a name", "use letters, digits, - and _ only")
    if re.fullmatch(r"[Bb]\d+", name):
        raise InputError(f"'{name}' looks like a batch", "batches are called B1, B2, ...: choose another name")
    return name


def parse_free_name(taken: set[str]) -> Any:
    """A parser for a fraction's name that the lot does not have yet."""
    from gradeest.errors import InputError

    def parse(text: str) -> str:
        name = parse_lot_name(text)
        if name in taken:
            raise InputError(f"this lot already has a fraction '{name}'", "choose another name")
        return name

    return parse


def parse_count(text: str) -> int:
    """A whole number of pieces, 1 or more."""
    from gradeest.errors import InputError

    word = text.strip()
    if not word.isdigit() or int(word) < 1:
        raise InputError(f"'{word}' is no number of pieces", "type a whole number such as 214, or press Enter")
    return int(word)


@app.command("list", short_help="List all lots with what is left of them.")
def list_all(ctx: typer.Context, as_json: options.Json = False) -> None:
    """List all lots with what is left of them."""
    from gradeest.cli.as_json import print_json
    from gradeest.cli.tables import make_table, mass, show
    from gradeest.workflow.reading import list_lots

    lots = list_lots(place_of(ctx))
    if as_json:
        print_json("lot list", {"lots": lots})
        return
    if not lots:
        show("No lots yet. Add one with: gradeest lot add")
        return
    table = make_table([("lot", "<"), ("date", "<"), ("fractions", ">"), ("mass", ">"), ("left", ">"), ("note", "w")])
    for lot in lots:
        is_said = lot.invented and not lot.note.startswith("invented")
        remark = "; ".join(part for part in ("invented" if is_said else "", lot.note) if part)
        table.add_row(lot.name, lot.date.isoformat(), str(lot.fractions), mass(lot.mass_kg), mass(lot.left_kg), remark)
    show(table)


@app.command("show", short_help="Show one lot and its fractions.")
def show_one(
    ctx: typer.Context,
    lot: Annotated[str, typer.Argument(help="The lot's name.")],
    as_json: options.Json = False,
) -> None:
    """Show one lot: its fractions, what is left of each, the batches they went into."""
    from gradeest.cli.as_json import print_json
    from gradeest.cli.tables import heading, make_table, mass, note, show
    from gradeest.workflow.reading import show_lot

    found = show_lot(place_of(ctx), lot)
    if as_json:
        print_json("lot show", found)
        return
    head = f"Lot {found.lot.name}, {found.lot.date}" + (" (invented)" if found.lot.invented else "")
    show(heading(head))
    facts = [f"owner {found.lot.owner}"]
    if found.lot.price_paid is not None:
        facts.append(f"paid {found.lot.price_paid:g}")
    show("  " + ", ".join(facts))
    table = make_table([("fraction", "<"), ("kind", "<"), ("mass", ">"), ("left", ">"), ("batches", "<"), ("", "w")])
    for row in found.fractions:
        table.add_row(row.name, row.kind, mass(row.mass_kg), mass(row.left_kg), " ".join(row.batches), row.remark)
    show(table)
    if found.boards:
        boards = make_table([("boards", "<"), ("kind", "<"), ("mass", ">"), ("whole", ">"), ("left", ">"), ("", "w")])
        for pile in found.boards:
            known = "-" if pile.mass_kg is None else mass(pile.mass_kg)
            whole = "-" if pile.whole_kg is None else mass(pile.whole_kg)
            boards.add_row(pile.name, pile.kind, known, whole, mass(pile.left_kg), pile.remark)
        show(boards)
    if found.lot.unsorted_kg:
        show(f"Unsorted: {mass(found.lot.unsorted_kg)}, not forecast until it is sorted.")
    if found.lot.note:
        show(note(f"Note: {found.lot.note}"))
