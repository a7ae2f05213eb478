"""`gradeest record assay`, `record plating`: what a ground sample, or a plated area, says of a fraction."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from gradeest.cli import options, record
from gradeest.cli.context import Call, call_of

Address = Annotated[str | None, typer.Argument(metavar="LOT/FRACTION", help="What was sampled.")]
PART_HINT = 'its mass and grade, such as "930 g 250 g/t"'


def register() -> None:
    """Add the commands of this file to their group."""
    record.app.command("assay", short_help="Record an assay of a fraction.")(assay)
    record.app.command("plating", short_help="Record a plated area and its thickness.")(plating)


def assay(
    ctx: typer.Context,
    address: Address = None,
    metal: record.Metal = None,
    value: Annotated[
        str | None, typer.Option("--value", help='The grade, such as "310 g/t"; below detection "<5 g/t".')
    ] = None,
    u: Annotated[
        str | None,
        typer.Option("--u", help='Standard uncertainty (1 sd), such as "5 %"; with --sample the laboratory\'s alone.'),
    ] = None,
    below: Annotated[bool, typer.Option("--below", help='The value is a detection limit, as "<" before it.')] = False,
    sample: Annotated[str | None, typer.Option("--sample", help='What was assayed of it, such as "5 g".')] = None,
    top_size: Annotated[
        str | None, typer.Option("--top-size", help='Largest pieces in the sample, such as "0.2 mm".')
    ] = None,
    powder: Annotated[
        str | None, typer.Option("--powder", metavar="MASS GRADE", help=f"Ground part: {PART_HINT}.")
    ] = None,
    oversize: Annotated[
        str | None, typer.Option("--oversize", metavar="MASS GRADE", help="Metallic part that did not grind, likewise.")
    ] = None,
    method: Annotated[str | None, typer.Option("--method", help="fire or wet, of a ground sample.")] = None,
    date: options.Date = None,
    sure: options.Sure = False,
    later: options.Later = False,
    prices: options.Prices = None,
    as_json: options.Json = False,
) -> None:
    """Record an assay of a ground sample of a fraction."""
    from gradeest.cli.ask import fill_in_dated
    from gradeest.workflow import sampling

    call = call_of(ctx)
    given = {"address": address, "metal": metal, "value_g_per_t": value, "u_rel": u}
    given |= {"sample_g": sample, "top_um": top_size, "powder": powder, "oversize": oversize}
    refuse_halves(given, below)
    answers, happened = fill_in_dated(assay_questions(call, given), given, "record assay", date)
    if "value_g_per_t" in answers:
        answers["value_g_per_t"], is_limit = answers["value_g_per_t"]
        below = below or is_limit
    answers |= {"below_detection": below, "method": method}
    how = {"date": happened, "later": later, "prices": prices}
    record.learn_from("record assay", sampling.record_assay, call, answers, sure=sure, as_json=as_json, **how)


def refuse_halves(given: dict[str, str | None], below: bool) -> None:
    """Options that mean something only together."""
    from gradeest.cli.complaints import UsageError

    for one, other in (("powder", "oversize"), ("sample_g", "top_um")):
        if (given[one] is None) != (given[other] is None):
            names = {"sample_g": "--sample", "top_um": "--top-size"}
            have, lack = (one, other) if given[other] is None else (other, one)
            have, lack = (names.get(name, f"--{name}") for name in (have, lack))
            raise UsageError(f"record assay: {have} without {lack}", "one tells nothing without the other")
    if given["powder"] is not None and (given["value_g_per_t"] is not None or below):
        raise UsageError("record assay: powder and oversize take the place of --value", "leave --value and --below out")


def assay_questions(call: Call, given: dict[str, str | None]) -> list[Any]:
    """The questions of `record assay`; of powder and oversize, or a sample's size, only where they are given."""
    from gradeest.cli.ask import Question, parse_choice
    from gradeest.records.sampling_rules import read_part
    from gradeest.units import parse_length, parse_mass, parse_result, parse_share

    metals = record.METAL_CHOICES
    value = Question(
        "value_g_per_t", "--value", "Grade of the dry feed", parse_result, 'such as "310 g/t"; below detection "<5 g/t"'
    )
    parts = [Question(name, f"--{name}", name.capitalize(), read_part, PART_HINT) for name in ("powder", "oversize")]
    u = Question(
        "u_rel", "--u", "Its standard uncertainty (1 sd)", parse_share,
        'laboratory and sampling together, such as "5 %" (from memory: 5-30 % for scrap)',
    )  # fmt: skip
    sizes = [
        Question("sample_g", "--sample", "Sample", parse_mass, 'what was assayed, such as "5 g"'),
        Question("top_um", "--top-size", "Largest pieces in it", parse_length, 'such as "0.2 mm"'),
    ]
    return [
        fraction_question(call),
        Question("metal", "--metal", "Metal", parse_choice(metals, "metal"), "Au, Ag or Pd", choices=metals),
        *(parts if given["powder"] is not None else [value]),
        u,
        *(sizes if given["sample_g"] is not None else []),
    ]


def fraction_question(call: Call) -> Any:
    """Which fraction; at a terminal they are listed."""
    from gradeest.cli.ask import Question, at_terminal

    def addresses(_: dict[str, Any]) -> tuple[tuple[str, str], ...]:
        from gradeest.workflow.reading import list_fractions

        return tuple((row.address, row.kind) for row in list_fractions(call.place()))

    listing = addresses if at_terminal() else None
    return Question("address", "LOT/FRACTION", "Fraction", str.strip, "what was sampled", choices_from=listing)


def plating(
    ctx: typer.Context,
    address: Address = None,
    metal: record.Metal = None,
    area: Annotated[
        str | None, typer.Option("--area", help='Plated area counted and measured, such as "120 cm2".')
    ] = None,
    thickness: Annotated[
        str | None, typer.Option("--thickness", help='Of the plate, such as "0.76 um" or "30 uin" (micro-inches).')
    ] = None,
    mass: Annotated[str | None, typer.Option("--mass", help='Of the pieces with that area, such as "430 g".')] = None,
    nominal: Annotated[
        bool, typer.Option("--nominal/--measured", help="The thickness is that of a class or drawing, not measured.")
    ] = False,
    date: options.Date = None,
    sure: options.Sure = False,
    later: options.Later = False,
    prices: options.Prices = None,
    as_json: options.Json = False,
) -> None:
    """Record the plated area and thickness of pieces of a fraction: a rough grade without a laboratory."""
    from gradeest.cli.ask import fill_in_dated
    from gradeest.workflow import sampling

    call = call_of(ctx)
    given = {"address": address, "metal": metal, "area_cm2": area, "thickness_um": thickness, "plated_g": mass}
    answers, happened = fill_in_dated(plating_questions(call), given, "record plating", date)
    answers["nominal"] = nominal
    how = {"date": happened, "later": later, "prices": prices}
    record.learn_from("record plating", sampling.record_plating, call, answers, sure=sure, as_json=as_json, **how)


def plating_questions(call: Call) -> list[Any]:
    """The questions of `record plating`."""
    from gradeest.cli.ask import Question, parse_choice
    from gradeest.units import parse_length, parse_mass
    from gradeest.workflow.sampling import read_area

    metals = record.METAL_CHOICES
    return [
        fraction_question(call),
        Question("metal", "--metal", "Metal", parse_choice(metals, "metal"), "Au, Ag or Pd", choices=metals),
        Question("area_cm2", "--area", "Plated area", read_area, 'of all pieces weighed, such as "120 cm2"'),
        Question("thickness_um", "--thickness", "Thickness", parse_length, 'such as "0.76 um" or "30 uin"'),
        Question("plated_g", "--mass", "Mass of these pieces", parse_mass, 'such as "430 g"'),
    ]
