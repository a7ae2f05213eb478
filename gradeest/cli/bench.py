"""`gradeest bench ...`: what the bench has declared about itself."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated, Any

import typer

from gradeest.cli import options
from gradeest.cli.context import place_of

STORAGE_CLOCK, JURISDICTION, DECLARED = "storage-clock", "jurisdiction", "declared"
app = typer.Typer(name="bench", help="Declare and show equipment, permits, a clock.", no_args_is_help=True)


def parse_span(text: str) -> str:
    """How long material may be kept, as typed. Raises InputError for what is no span of time."""
    from gradeest.records.storage import read_storage_days

    read_storage_days(text)
    return text.strip()


def sort_of(name: str) -> str:
    """Which question a setting's value answers."""
    return name.strip() if name.strip() in (STORAGE_CLOCK, JURISDICTION) else DECLARED


def value_questions() -> dict[str, Any]:
    """What is asked of a setting's value, by sort; the key is the sort, so that several may stand in one list."""
    from gradeest.cli.ask import Question

    clock, place = 'such as "180 days"; no takes the clock away', "such as gb (`gradeest laws`); no takes it away"
    return {
        DECLARED: Question(DECLARED, "VALUE", "Value", str.strip, "yes, no, or the permit's own words", "yes"),
        STORAGE_CLOCK: Question(STORAGE_CLOCK, "VALUE", "How long", parse_span, clock),
        JURISDICTION: Question(JURISDICTION, "VALUE", "Where it stands", str.strip, place),
    }


def asked_only_of(sort: str, question: Any) -> Any:
    """A question that is needless for settings of other sorts."""
    default = question.default if sort == DECLARED else "no"
    return replace(question, default=default, needless=lambda answers: sort_of(answers["name"]) != sort)


@app.command("set", short_help="Declare equipment, a permit, a clock.")
def set_one(
    ctx: typer.Context,
    name: Annotated[str | None, typer.Argument(help="permit, jurisdiction ... (asked for).")] = None,
    value: Annotated[str | None, typer.Argument(help='yes, no, the permit\'s own words; "180 days"; gb.')] = None,
    date: options.Date = None,
    as_json: options.Json = False,
) -> None:
    """Declare, with a date, fit equipment, a permit, a licence, a jurisdiction; or how long material may be kept."""
    from gradeest.cli.as_json import print_json
    from gradeest.cli.ask import Question, fill_in_dated
    from gradeest.cli.tables import note, show
    from gradeest.workflow.recording import SETTINGS, set_bench

    heading = "What do you declare"
    ids = "one of: " + ", ".join(known for known, _ in SETTINGS)
    questions = [Question("name", "NAME", heading, str.strip, ids, choices=SETTINGS)]
    if name is None:  # which of them is asked is known only then
        questions += [asked_only_of(sort, question) for sort, question in value_questions().items()]
    else:
        questions.append(replace(value_questions()[sort_of(name)], key="value"))
    answers, happened = fill_in_dated(questions, {"name": name, "value": value}, "bench set", date)
    sort = sort_of(answers["name"])
    answers["value"] = answers.get("value") or answers.get(sort)
    saved = set_bench(place_of(ctx), answers["name"], answers["value"], date=happened)
    if as_json:
        print_json("bench set", saved)
        return
    show(f"Declared {saved.name} = {answers['value']} from {saved.happened_on} (event {saved.event}).")
    for text in saved.notes:
        show(note(f"Note: {text}"))
    if sort == STORAGE_CLOCK:
        show(note("What is older is marked in `gradeest open`. The clock is yours: local rules limit how long such "
                  "material may be kept: ask your authority."))  # fmt: skip
    elif sort == JURISDICTION:
        show(note("Law lines shown are those held of it (`gradeest laws`); a gate whose text has changed asks again."))
    else:
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
