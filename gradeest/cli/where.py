"""`gradeest where`: what each charge or owner brought into a batch, and a fair split of its products."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from gradeest.cli import options
from gradeest.cli.context import place_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gradeest.workflow.whereabouts import Brought, ProductSplit, WhereShown


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("where", short_help="Where a batch's metal came from.")(where)


def where(
    ctx: typer.Context,
    batch: Annotated[str, typer.Argument(metavar="BATCH", help="The batch, such as B3.")],
    by: Annotated[str, typer.Option("--by", metavar="charge|owner", help="List by charge, or by owner.")] = "charge",
    all: options.All = False,
    as_json: options.Json = False,
) -> None:
    """Show what each charge or owner brought into a batch, and a fair split of its products."""
    from gradeest.cli.as_json import print_json
    from gradeest.cli.progress import Progress
    from gradeest.cli.tables import show
    from gradeest.workflow.whereabouts import show_where

    with Progress() as report:
        shown = show_where(place_of(ctx), batch, by, report=report)
    if as_json:
        print_json("where", shown)
        return
    show(*where_parts(shown, everything=all))


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
