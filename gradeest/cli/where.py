"""`gradeest where`: where metal went, what each charge or owner brought, and a fair split of products."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from gradeest.cli import options
from gradeest.cli.context import place_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gradeest.workflow.flowing import MetalFlow
    from gradeest.workflow.whereabouts import Brought, ProductSplit, WhereShown

BAR_WIDTH = 24
FULL, EIGHTHS = "█", ("", "▏", "▎", "▍", "▌", "▋", "▊", "▉")


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("where", short_help="Where the metal went, and where it came from.")(where)


def where(
    ctx: typer.Context,
    about: Annotated[
        str | None,
        typer.Argument(metavar="[BATCH|LOT|PERIOD]", help="B3, a lot, or 2025-07..2025-12 (all, if left out)."),
    ] = None,
    by: Annotated[
        str | None, typer.Option("--by", metavar="charge|owner", help="What each charge or owner brought into a batch.")
    ] = None,
    drawing: Annotated[
        Path | None, typer.Option("--drawing", metavar="FILE.svg|.png", help="Draw the flow into a file too.")
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Replace a drawing that is there.")] = False,
    all: options.All = False,
    as_json: options.Json = False,
) -> None:
    """Show where the metal of a batch, lot or period went; with --by who brought it, and a fair split."""
    from gradeest.cli.as_json import print_json
    from gradeest.cli.progress import Progress
    from gradeest.cli.tables import show
    from gradeest.workflow.whereabouts import show_where

    with Progress() as report:
        shown = show_where(place_of(ctx), about, by, drawing=drawing, replace_old=force, report=report)
    if as_json:
        print_json("where", shown)
        return
    show(*(flow_parts(shown, everything=all) if by is None else where_parts(shown, everything=all)))
    if shown.drawing is not None:
        show(f"Drew it into {shown.drawing}.")


def flow_parts(shown: WhereShown, *, everything: bool = False) -> list[Any]:
    """Where the metal went: a table with a bar for every destination."""
    from gradeest.cli.learned import clash_lines
    from gradeest.cli.outlook import trust_lines
    from gradeest.cli.tables import heading, note
    from gradeest.workflow.whereabouts import title_of

    parts: list[Any] = [heading(f"Where the metal went, {title_of(shown)}: median (5-95 %)")]
    flows = [flow for flow in shown.flows if (everything or flow.is_recovered) and flow.parts]
    if not flows:
        return [*parts, "Nothing went into a batch yet, and no jar is there."]
    parts.append(flow_table(flows))
    hidden = len([flow for flow in shown.flows if flow.parts]) - len(flows)
    if hidden:
        parts.append(
            note(f"{hidden} metal{'s' if hidden > 1 else ''} that no route here brings out: --all shows them.")
        )
    parts.append(note("Rests on: " + "; ".join(f"{flow.metal} {flow.rests_on}" for flow in flows) + "."))
    if shown.sort == "batch":
        parts.append(note(f"What each charge brought: gradeest where {shown.batch} --by charge"))
    parts += [note(f"Note: {text}.") for text in shown.flow_notes]
    return [*parts, *clash_lines(shown.clashes), *trust_lines(shown.trust)]


def flow_table(flows: Sequence[MetalFlow]) -> Any:
    """All flows; the bars are expected shares of what went in, and stand for the same whole in every metal."""
    from gradeest.cli.tables import interval, make_table, metal_text, percent

    table = make_table([("", "<"), ("where", "<"), ("g", ">"), ("share", ">"), ("", "<")])
    for n, flow in enumerate(flows):
        if n:
            table.add_section()
        whole = interval((flow.contained_g.q5, flow.contained_g.q50, flow.contained_g.q95))
        table.add_row(metal_text(flow.metal), "in all", whole, "", "")
        for part in flow.parts:
            grams = interval((part.grams.q5, part.grams.q50, part.grams.q95))
            table.add_row("", f"  {part.to}", grams, percent(part.share), bar(flow.metal, part.share))
    return table


def bar(metal: str, share: float) -> Any:
    """A bar as long as a share, in the metal's colour; in eighths of a column where the terminal can show them."""
    from rich.text import Text

    from gradeest.cli.tables import METAL_STYLES

    eighths = round(share * BAR_WIDTH * 8)
    try:
        FULL.encode(sys.stdout.encoding or "ascii")
        text = FULL * (eighths // 8) + EIGHTHS[eighths % 8] or EIGHTHS[1]
    except UnicodeEncodeError:
        text = "#" * max(round(share * BAR_WIDTH), 1)
    return Text(text, style=METAL_STYLES.get(metal, ""))


def where_parts(shown: WhereShown, *, everything: bool = False) -> list[Any]:
    """Where a batch's metal came from, and the split of its products, as tables and lines."""
    from gradeest.cli.outlook import trust_lines
    from gradeest.cli.tables import heading, note

    parts: list[Any] = [heading(f"Batch {shown.batch}, {shown.date}, by {shown.by}: what went in, median (5-95 %)")]
    rows = [row for row in shown.brought if everything or row.metal in shown.recovered]
    parts.append(brought_table(rows, shown.by))
    used = dict.fromkeys(row.metal for row in rows)
    parts.append(
        note("All together rests on: " + "; ".join(f"{metal} {shown.rests_on[metal]}" for metal in used) + ".")
    )
    for product in shown.products:
        parts += split_parts(product, shown.by)
    if not shown.products:
        parts.append("Nothing was weighed of it yet: there is nothing to split.")
    elif len(shown.products[0].parts) > 1:
        parts.append(
            note("Fair split: the expected share of what went in, in steps of the balance; it adds up exactly.")
        )
    return [*parts, *[note(f"Note: {text}.") for text in shown.notes], *trust_lines(shown.trust)]


def brought_table(rows: Sequence[Brought], by: str) -> Any:
    """What each brought, metal by metal."""
    from gradeest.cli.tables import interval, make_table, mass, metal_text
    from gradeest.cli.wrapping import break_address

    table = make_table([("", "<"), (by, "<"), ("contained g", ">"), ("share %", ">"), ("known beside", "w")])
    before, alone = "", len({row.name for row in rows}) == 1
    for row in rows:
        metal = metal_text(row.metal) if row.metal != before else ""
        name = f"{break_address(row.name)}\n  {mass(row.mass_kg)}"
        grams = interval((row.contained_g.q5, row.contained_g.q50, row.contained_g.q95))
        table.add_row(metal, name, grams, "all" if alone else share_text(row.share), row.beside)
        before = row.metal
    return table


def share_text(share: Any) -> str:
    """A share in per cent with its 5 and 95 % points; never a plain 0 or 100."""
    from gradeest.cli.tables import percent

    low, mid, high = (percent(value).removesuffix(" %") for value in (share.q5, share.q50, share.q95))
    return f"{mid} ({low} to {high})"


def split_parts(product: ProductSplit, by: str) -> list[Any]:
    """A product and its parts."""
    from gradeest.cli.tables import heading, interval, make_table, percent
    from gradeest.cli.wrapping import break_address

    fine = interval((product.fine_g.q5, product.fine_g.q50, product.fine_g.q95))
    title = f"{product.address}: {product.weight_g:g} g {product.form}, {fine} g fine {product.metal}"
    gone = f" ({product.left_g:g} g of it left)" if product.left_g < product.weight_g else ""
    table = make_table([(by, "<"), (f"fine {product.metal} g", ">"), ("expected share", ">"), ("fair split", ">")])
    for part in product.parts:
        grams = interval((part.fine_g.q5, part.fine_g.q50, part.fine_g.q95))
        share = percent(part.share) if len(product.parts) > 1 else "all"
        table.add_row(break_address(part.name), grams, share, f"{part.split_g:g} g")
    return [heading(title + gone), table]
