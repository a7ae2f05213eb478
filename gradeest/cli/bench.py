"""`gradeest bench ...`: what the bench has declared about itself."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated

import typer

from gradeest.cli import options
from gradeest.cli.context import parse_date, place_of

STORAGE_CLOCK = "storage-clock"
app = typer.Typer(name="bench", help="Declare and show equipment, permits, a clock.", no_args_is_help=True)


def is_clock(name: str) -> bool:
    """Whether a setting is the storage clock."""
    return name.strip() == STORAGE_CLOCK


def parse_span(text: str) -> str:
    """How long material may be kept, as typed. Raises InputError for what is no span of time."""
    from gradeest.records.storage import read_storage_days

    read_storage_days(text)
    return text.strip()


@app.command("set", short_help="Declare equipment, a permit, a clock.")
def set_one(
    ctx: typer.Context,
    name: Annotated[str | None, typer.Argument(help="fit-equipment, permit, licence, storage-clock.")] = None,
    value: Annotated[str | None, typer.Argument(help='yes, no, the permit\'s own words; "180 days".')] = None,
    date: options.Date = None,
    as_json: options.Json = False,
) -> None:
    """Declare, with a date, fit equipment, a permit or a licence; or set how long material may be kept."""
    from gradeest.cli.as_json import print_json
    from gradeest.cli.ask import Question, fill_in
    from gradeest.cli.tables import note, show
    from gradeest.workflow.recording import SETTINGS, set_bench

    heading = "What do you declare"
    ids = "one of: " + ", ".join(known for known, _ in SETTINGS)
    declared = Question("value", "VALUE", "Value", str.strip, "yes, no, or the permit's own words", "yes")
    span = Question("value", "VALUE", "How long", parse_span, 'such as "180 days"; no takes the clock away')
    questions = [Question("name", "NAME", heading, str.strip, ids, choices=SETTINGS)]
    if name is None:  # which of the two is asked is known only then
        questions += [
            replace(declared, needless=lambda answers: is_clock(answers["name"])),
            replace(span, key="span", default="no", needless=lambda answers: not is_clock(answers["name"])),
        ]
    else:
        questions.append(span if is_clock(name) else declared)
    answers = fill_in(questions, {"name": name, "value": value}, "bench set")
    answers["value"] = answers["value"] or answers.get("span")
    saved = set_bench(place_of(ctx), answers["name"], answers["value"], date=parse_date(date or "today"))
    if as_json:
        print_json("bench set", saved)
        return
    show(f"Declared {saved.name} = {answers['value']} from {saved.happened_on} (event {saved.event}).")
    for text in saved.notes:
        show(note(f"Note: {text}"))
    if is_clock(answers["name"]):
        show(note("What is older is marked in `gradeest open`. The clock is yours: local rules limit how long such "
                  "material may be kept: ask your authority."))  # fmt: skip
        return
    show(note("The program takes your word for it: the authority named in the cautions decides, not this line."))


@app.command("show", short_help="Show what was declared.")
def show_all(ctx: typer.Context, as_json: options.Json = False) -> None:
    """Show what the bench has declared."""
    from gradeest.cli.as_json import print_json
    from gradeest.cli.tables import make_table, show
    from gradeest.workflow.reading import show_settings

    settings = show_settings(place_of(ctx))
    if as_json:
        print_json("bench show", {"settings": settings})
        return
    if not settings:
        show("Nothing declared: routes that burn are refused. See: gradeest bench set --help")
        return
    table = make_table([("declared", "<"), ("value", "w"), ("since", "<")])
    for setting in settings:
        table.add_row(setting.name, setting.value, setting.date.isoformat())
    show(table)
