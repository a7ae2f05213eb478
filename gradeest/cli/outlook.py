"""`gradeest forecast`, `rank`: what the fractions will give, and which first."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from gradeest.cli import options
from gradeest.cli.context import place_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from rich.table import Table

    from gradeest.workflow.outlook import ForecastShown, RankingShown, Trust
    from gradeest.workflow.planning import PlanShown

LEAST_G = 1e-3  # fine metal: a total below it is none
VERDICTS = {"sample first": "sample"}  # what is too long for a column
PER_UNIT = {
    "hour": "per h",
    "kg": "per kg",
    "acid": "per L\nacid",
    "day": "per\nday",
}  # what may be ranked by, and its column
CAREFUL = ("low", "normal", "high")
LotArgument = Annotated[str | None, typer.Argument(metavar="LOT", help="One lot (all lots if left out).")]


NOTHING_LEFT = "Nothing is left that can be processed."
NOTHING_SORTED = "Nothing is sorted that can be processed."


def register(app: typer.Typer) -> None:
    """Add `forecast` and `rank`."""
    app.command("forecast", short_help="What a lot will give.")(forecast)
    app.command("rank", short_help="Which fraction first, at your prices.")(rank)


def forecast(
    ctx: typer.Context, lot: LotArgument = None, all: options.All = False, as_json: options.Json = False
) -> None:
    """Forecast what is left of a lot: fine metal, and the weight to expect on the balance."""
    from gradeest.cli.as_json import print_json
    from gradeest.cli.progress import Progress
    from gradeest.cli.tables import show
    from gradeest.workflow.outlook import forecast_lot

    with Progress() as report:
        shown = forecast_lot(place_of(ctx), lot, report=report)
    if as_json:
        print_json("forecast", shown)
        return
    show(*forecast_parts(shown, everything=all))


def forecast_parts(shown: ForecastShown, *, everything: bool = False) -> list[Any]:
    """The forecast as tables and lines."""
    from gradeest.cli.tables import heading, make_table, mass, metal_text, note

    title = f"Forecast of lot {shown.lot}" if shown.lot else "Forecast of all lots"
    parts: list[Any] = [heading(f"{title}{invented(shown)}: what is left, median (5-95 %)")]
    rows = [row for row in shown.forecast.rows if everything or is_worth_a_line(row)]
    table = make_table(
        [("fraction", "f"), ("", "<"), ("fine metal g", ">"), ("on the balance g", ">"), ("weighed as", "w")]
    )
    before, lot = "", shown.lot
    for row in rows:
        if not row.address.startswith(f"{lot}/"):
            lot = row.address.partition("/")[0]
            table.add_row(heading(f"{lot}/"), "", "", "", "")
        name = f"{short_name(row.address, lot)} {shown.marks.get(row.address, '')}\n  {mass(row.mass_kg)}"
        table.add_row(
            name if row.address != before else "",
            metal_text(row.metal),
            interval3(row.recovered_g if row.form else row.contained_g),
            interval3(row.weight_g) if row.form else "-",
            "\n".join(forecast_remarks(row)),
        )
        before = row.address
    parts += [table, *total_lines(shown)] if rows else [NOTHING_SORTED if shown.on_boards else NOTHING_LEFT]
    parts += board_lines(shown)
    if any(not row.form for row in rows):
        parts.append(note("Of what stays behind the fine metal is what is in it."))
    hidden = len(shown.forecast.rows) - len(rows)
    parts += blocked_lines(shown.not_processed, shown.lot)
    for each, kg in shown.unsorted_kg.items():
        parts.append(note(f"{each}: {mass(kg)} unsorted is not in it: sort it first."))
    if rows and shown.marks_explained:
        parts.append(note(f"Marks: {shown.marks_explained}: gradeest priors show KIND."))
    if hidden:
        parts.append(note(f"Left out (--all shows them): {hidden} metals that stay behind or are hardly there."))
    return parts + trust_lines(shown.trust)


def board_lines(shown: ForecastShown) -> list[Any]:
    """What is still on boards, kind by kind, if all of it came off."""
    from gradeest.cli.tables import heading, make_table, metal_text, note

    if not shown.on_boards:
        return []
    table = make_table([("part", "f"), ("kg", ">"), ("", "<"), ("fine metal g", ">"), ("by", "<")])
    for row in shown.on_boards:
        shown_g = row.recovered_g if row.route else row.contained_g
        for n, (metal, grams) in enumerate(shown_g.items()):
            name = short_name(f"{row.lot}/{row.kind}", shown.lot)
            first = (name, interval3(row.mass_kg)) if n == 0 else ("", "")
            table.add_row(*first, metal_text(metal), interval3(grams), (row.route or "in it") if n == 0 else "")
    lots = ", ".join(dict.fromkeys(row.lot for row in shown.on_boards))
    hint = f"If all of it came off. `gradeest strip-order {lots.partition(',')[0]}` says what to take off first."
    return [heading(f"Still on the boards of {lots}: shares and grades both unsure"), table, note(hint)]


def forecast_remarks(row: Any) -> list[str]:
    """How it is weighed, what it rests on, and the chance that next to none is there."""
    from gradeest.cli.tables import percent

    lines = [row.form or "stays behind", row.rests_on]
    return lines + ([f"{percent(row.p_trace)}: next to none"] if row.p_trace > 0.02 else [])


def invented(shown: ForecastShown | RankingShown | PlanShown) -> str:
    """Says so where a lot is invented."""
    return f" ({shown.invented})" if shown.invented else ""


def interval3(found: Any) -> str:
    """An interval record as text."""
    from gradeest.cli.tables import interval

    return interval((found.q5, found.q50, found.q95))


def is_worth_a_line(row: Any) -> bool:
    """Whether a metal is shown without --all: the route recovers it and it is more likely there than not."""
    return bool(row.form) and row.p_trace < 0.5


def short_name(address: str, lot: str) -> str:
    """The fraction alone where one lot is shown."""
    return address.removeprefix(f"{lot}/") if lot else address


def total_lines(shown: ForecastShown) -> list[Any]:
    """Sums over the lot (or all lots), one line; metals that nothing brings out are left out."""
    from rich.text import Text

    from gradeest.cli.tables import metal_text

    lots = {total.lot for total in shown.forecast.totals}
    whole = "" if "" in lots else next(iter(lots), "")  # a single lot has no sum over lots
    parts = [
        metal_text(total.metal) + Text(f" {interval3(total.recovered_g)} g")
        for total in shown.forecast.totals
        if total.lot == whole and total.recovered_g.q95 >= LEAST_G
    ]
    return [Text("All together, fine metal: ") + Text(", ").join(parts)] if parts else []


def blocked_lines(blocked: Iterable[Any], lot: str) -> list[Any]:
    """What must not be processed, with the reason."""
    from gradeest.cli.tables import mass, note

    return [note(f"Blocked: {short_name(item.address, lot)}, {mass(item.mass_kg)}: {item.reason}") for item in blocked]


def trust_lines(trust: Trust) -> list[Any]:
    """Whether the fit is settled, and what it has to say."""
    from gradeest.cli.tables import note

    word = (
        "settled" if trust.settled else "not settled: treat the numbers as rough and run it again with another --seed"
    )
    return [note(f"The numbers are {word}."), *[note(f"Note: {text}") for text in trust.notes]]


def rank(
    ctx: typer.Context,
    lot: LotArgument = None,
    prices: options.Prices = None,
    change: options.If = None,
    per: Annotated[str, typer.Option(metavar="hour|kg|acid|day", help="What the gain is divided by.")] = "hour",
    careful: Annotated[
        str, typer.Option(metavar="low|normal|high", help="How much of an average gain you give up for a sure one.")
    ] = "low",
    all: options.All = False,
    as_json: options.Json = False,
) -> None:
    """Rank what is left by expected gain per hands-on hour; needs your prices."""
    from gradeest.cli.as_json import print_json
    from gradeest.cli.progress import Progress
    from gradeest.cli.tables import show
    from gradeest.workflow.outlook import rank_lots

    check_words({"--per": (per, PER_UNIT), "--careful": (careful, CAREFUL)})
    manner: dict[str, Any] = {"per": per, "careful": careful}
    with Progress() as report:
        shown = rank_lots(place_of(ctx), lot, prices=prices, changes=change or (), report=report, **manner)
    if as_json:
        print_json("rank", shown)
        return
    show(*ranking_parts(shown, everything=all))


def check_words(given: dict[str, tuple[str, Iterable[str]]]) -> None:
    """Refuse words that are not among the allowed ones, all at once."""
    from gradeest.errors import InputError, Issue

    issues = [
        Issue("error", f"'{word}' is not known", f"type one of: {', '.join(allowed)}", field=name)
        for name, (word, allowed) in given.items()
        if word not in allowed
    ]
    if issues:
        raise InputError("what was typed cannot be used", issues=issues)


def ranking_parts(
    shown: RankingShown, *, everything: bool = False, title: str = "", brief: bool = False, cautions: bool = True
) -> list[Any]:
    """The ranking as a table and lines; `brief` leaves out what was said before."""
    from gradeest.cli.cautions import caution_lines, gate_lines
    from gradeest.cli.tables import heading, money, note

    ranking = shown.ranking
    what = title or (f"Ranking of lot {shown.lot}" if shown.lot else "Ranking")
    tried = f", if {', '.join(shown.changes)}" if shown.changes else ""
    labour = f", an hour counts {money(ranking.hours_rate)}" if ranking.hours_rate else ""
    parts: list[Any] = [heading(f"{what}{invented(shown)}{tried}: {ranking.currency} and hands-on hours{labour}")]
    if not ranking.rows:
        return [*parts, "Nothing is left that could be ranked."]
    table = ranking_table(shown)
    if table.row_count:
        parts.append(table)
    if everything:
        parts += ranking_details(shown)
    parts += together_lines(shown) + telling_line(shown) + blocked_lines(shown.blocked, shown.lot)
    if brief and ranking.lacking > 0:
        short = f"{money(ranking.lacking)} {ranking.currency}"
        parts.append(note(f"Not even all together pay a settlement's fee: they lack {short}. Collect more first."))
    if not brief:
        parts += careful_lines(shown)
        parts += [note(f"Note: {text}") for text in ranking.notes]
        parts.append(note(f"Marks: {shown.marks_explained}. Bad case: the 5 % point. {shown.defer}"))
        parts += gate_lines(shown.gates_closed, shown.no_licence)
    return [*parts, *(caution_lines(shown.cautions) if cautions else []), *trust_lines(shown.trust)]


def ranking_table(shown: RankingShown) -> Table:
    """The ranked rows, then those below the line with what to do instead."""
    from gradeest.cli.tables import make_table, money, number

    sure = [] if shown.ranking.stake is None else [("sure\ngain", ">")]
    per = PER_UNIT[shown.ranking.per]
    head = [("", ">"), ("fraction", "f"), ("gain", ">"), ("bad\ncase", ">"), *sure]
    table = make_table([*head, ("hours", ">"), (per, ">"), ("why", "w")])
    for row in shown.ranking.rows:
        if row.gain is None or row.hours is None:
            continue
        table.add_row(
            str(row.rank) if row.rank is not None else VERDICTS.get(row.verdict, row.verdict),
            ranked_name(row.address, shown),
            money(row.gain.mean),
            money(row.gain.q5),
            *([money(row.sure_gain)] if sure and row.sure_gain is not None else []),
            number(row.hours.mean),
            money(row.per_unit) if row.rank is not None and row.per_unit is not None else "-",
            row.why,
        )
    return table


def careful_lines(shown: RankingShown) -> list[Any]:
    """What a sure gain is, where the ranking is a careful one."""
    from gradeest.cli.tables import money, note

    ranking = shown.ranking
    if ranking.stake is None:
        return []
    bet = f"an even chance to win {money(2 * ranking.stake)} or lose {money(ranking.stake)} is worth nothing to you"
    return [note(f"Sure gain: what you would take for certain instead, if {bet} (--careful {ranking.careful}).")]


def together_lines(shown: RankingShown) -> list[Any]:
    """What the fractions that gain bring when they are settled together; the fee they share is taken off once."""
    from gradeest.cli.tables import money, note

    ranking = shown.ranking
    if not any(row.gain is not None and row.gain.mean > 0 for row in ranking.rows):
        return []
    total = ranking.total_gain
    text = f"All that gain, settled together: {money(total.mean)}, bad case {money(total.q5)}"
    fee = f" (the {money(ranking.shared_fee)} of the settlement's fee that they share taken off once)"
    return [note(f"{text}{fee if ranking.shared_fee >= 0.5 else ''}.")]


def tells_clearly(row: Any) -> bool:
    """What its result tells about the others is worth more than the error of that figure lets appear."""
    return row.tells_others is not None and row.tells_others > 3 * row.tells_others_mcse


def telling_line(shown: RankingShown) -> list[Any]:
    """The result that tells most about the other fractions, of runs that pay, be it by what they tell."""
    from gradeest.cli.tables import money, note, number

    rows = [
        row
        for row in shown.ranking.rows
        if tells_clearly(row) and row.gain is not None and row.gain.mean + (row.tells_others or 0.0) > 0
    ]
    if not rows:
        return []
    most = max(rows, key=lambda row: row.tells_others or 0.0)
    worth = f"{money(most.tells_others or 0)} (+-{number(most.tells_others_mcse or 0, 1)})"
    name = short_name(most.address, shown.lot)
    return [note(f"The result of {name} tells most about the others: choosing better there is worth {worth} more.")]


def ranked_name(address: str, shown: RankingShown) -> str:
    """A fraction with its hazard mark."""
    from gradeest.cli.wrapping import part_address

    name = part_address(short_name(address, shown.lot))
    return f"{name} {shown.marks.get(address, '')}".rstrip()


def ranking_details(shown: RankingShown) -> list[Any]:
    """The second table of --all: the whole spread, what the best does, and how sure the place is."""
    from gradeest.cli.tables import make_table, money, number, percent
    from gradeest.cli.wrapping import part_address

    telling = [("tells\nothers", ">")] if any(tells_clearly(row) for row in shown.ranking.rows) else []
    columns = ["gain\n5/50/95 %", "worst\n5 %", "gain\nin", "best\nin", "per h\n+-", "know\nall"]
    table = make_table([("fraction", "f"), *[(name, ">") for name in columns], *telling, ("instead", ">")])
    for row in shown.ranking.rows:
        if row.gain is None:
            continue
        rest = (row.worst_mean, row.chance_of_gain, row.chance_best, row.gain_per_hour_mcse, row.knowing_all)
        told = money(row.tells_others or 0) if tells_clearly(row) else "-"
        forms: tuple[Callable[[float], str], ...] = (money, percent, percent, number, money)
        table.add_row(
            part_address(short_name(row.address, shown.lot)),
            "/".join(money(value) for value in (row.gain.q5, row.gain.q50, row.gain.q95)),
            *[form(value) if value is not None else "-" for form, value in zip(forms, rest, strict=True)],
            *([told] if telling else []),
            f"{row.alternative} {number(row.alternative_value.mean)}",
        )
    return [table]
