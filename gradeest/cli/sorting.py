"""`gradeest lot weigh`: parts taken off boards."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from gradeest.cli import lot as lots
from gradeest.cli import options
from gradeest.cli.context import place_of

if TYPE_CHECKING:
    from gradeest.workflow.sorting import PartWeighed


def register() -> None:
    """Add `lot weigh`."""
    lots.app.command("weigh", short_help="Record parts taken off boards.")(weigh)


def weigh(
    ctx: typer.Context,
    lot: Annotated[str | None, typer.Argument(metavar="LOT", help="The lot with the boards.")] = None,
    kind: Annotated[
        str | None, typer.Argument(metavar="KIND", help="What came off; boards-stripped: what was left of them.")
    ] = None,
    mass: Annotated[str | None, typer.Argument(metavar="MASS", help='Its mass, such as "430 g".')] = None,
    boards: Annotated[
        str | None, typer.Option("--boards", metavar='"1 kg"', help="What the boards it came off weighed whole.")
    ] = None,
    source: Annotated[
        str | None, typer.Option("--from", metavar="BOARDS", help="Which boards of the lot, where it has several.")
    ] = None,
    minutes: Annotated[str | None, typer.Option("--minutes", metavar="N", help="Minutes of work it took.")] = None,
    name: Annotated[
        str | None, typer.Option("--name", metavar="NAME", help="Name of the fraction; its kind by default.")
    ] = None,
    date: options.Date = None,
    sure: options.Sure = False,
    as_json: options.Json = False,
) -> None:
    """Record a kind of part taken off a lot's boards: it becomes a fraction, and tells what such boards hold."""
    from gradeest.cli.as_json import print_json
    from gradeest.cli.ask import Question, fill_in_dated, insist
    from gradeest.cli.tables import show
    from gradeest.units import parse_mass
    from gradeest.workflow.sorting import weigh_part

    place = place_of(ctx)
    questions = [
        Question("lot", "LOT", "Lot", str.strip, "the lot with the boards"),
        Question("kind", "KIND", "What came off", str.strip, "a kind such as fingers-cards, or boards-stripped"),
        Question("mass", "MASS", "Its mass", parse_mass, "with its unit: 2.45 kg, 430 g"),
        Question("boards", "--boards", "", parse_mass, "with its unit", optional=True),
        Question("minutes", "--minutes", "Minutes it took", parse_minutes, "such as 45", optional=True),
    ]
    given = {"lot": lot, "kind": kind, "mass": mass, "boards": boards, "minutes": minutes}
    found, happened = fill_in_dated([q for q in questions if q.key != "boards" or boards], given, "lot weigh", date)
    kg = None if boards is None else found["boards"] / 1000

    def save(sure: bool) -> Any:
        return weigh_part(
            place, found["lot"], found["kind"], found["mass"] / 1000, boards=source, boards_kg=kg,
            minutes=found["minutes"], name=name, date=happened, sure=sure,
        )  # fmt: skip

    done = insist(save, sure=sure)
    if as_json:
        print_json("lot weigh", done)
        return
    show(*weighed_parts(done))


def parse_minutes(text: str) -> float:
    """Minutes above zero."""
    from gradeest.errors import InputError
    from gradeest.units import parse_number

    minutes = parse_number(text.strip().lower().removesuffix("minutes").removesuffix("min").strip())
    if minutes <= 0:
        raise InputError(f"'{text}' is no time", "minutes above zero, e.g. 45")
    return minutes


def weighed_parts(done: PartWeighed) -> list[Any]:
    """What was saved, what is left on the boards, and what it says of such boards."""
    from gradeest.cli.board_priors import share_text
    from gradeest.cli.tables import mass, note, number

    lot = done.address.partition("/")[0]
    share = 100 * done.mass_kg / done.boards_kg
    head = f"Weighed {mass(done.mass_kg)} of {done.kind} off {mass(done.boards_kg)} of {done.boards}"
    parts: list[Any] = [f"{head}, {number(share, 2)} % (event {done.saved.event})."]
    parts.append(f"  {done.address}  {done.kind}, {mass(done.fraction_kg)}")
    if done.is_ended:
        parts.append(f"  Dust and what was lost: {mass(done.left_kg)}. These boards are done.")
    else:
        parts.append(f"  Still on these boards, with what they are made of: {mass(done.left_kg)}.")
    if done.whole_kg > 0:
        parts.append(f"  Boards of {done.boards} not begun: {mass(done.whole_kg)}.")
    if done.learned is not None:
        one = done.learned
        before, after = ((i.q5, i.q50, i.q95) for i in (one.share_before, one.share_after))
        parts.append(
            note(f"{done.kind} in the next lot of such boards: {share_text(before)}, now {share_text(after)}.")
        )
        if done.minutes is not None:
            was, now = (
                f"{number(i.q50, 2)} ({number(i.q5, 2)}-{number(i.q95, 2)})"
                for i in (one.minutes_before, one.minutes_after)
            )
            parts.append(note(f"Minutes per kg of it: {was}, now {now}."))
    parts += [note(f"Note: {text}") for text in done.saved.notes]
    following = f"gradeest forecast {lot}" if done.is_ended else f"gradeest strip-order {lot}"
    return [*parts, f"Next: {following}"]
