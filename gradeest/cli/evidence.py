"""`gradeest record spot-test`, `record product-assay`, `settle`: what is learned of a batch beside what was weighed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from gradeest.cli import options, record
from gradeest.cli.context import Call, call_of
from gradeest.cli.streams import any_batch_question

if TYPE_CHECKING:
    from gradeest.workflow.settling import ProductsLearned

RESULTS = (
    ("negative", "nothing seen"),
    ("faint", "just seen"),
    ("clear", "seen at once"),
    ("strong", "dark"),
)
MOMENTS = (("before-drop", "the metal is still dissolved"), ("after-drop", "what was to drop has dropped"))


METHODS = (("fire", "fire assay"), ("wet", "wet analysis"), ("xrf", "XRF of a melted button"))


def register() -> None:
    """Add the commands of this file to their group."""
    record.app.command("spot-test", short_help="Record a spot test of a batch's liquid.")(spot_test)
    record.app.command("product-assay", short_help="Record an assay of a product.")(product_assay)


def spot_test(
    ctx: typer.Context,
    batch: Annotated[str | None, typer.Argument(metavar="BATCH", help="The batch, such as B3.")] = None,
    result: Annotated[str | None, typer.Argument(metavar="RESULT", help="negative, faint, clear or strong.")] = None,
    metal: record.Metal = None,
    volume: Annotated[
        str | None, typer.Option("--volume", help='How much liquid there was in all, such as "4.2 L".')
    ] = None,
    before_drop: Annotated[
        bool | None, typer.Option("--before-drop/--after-drop", help="When it was tested (after, if left out).")
    ] = None,
    date: options.Date = None,
    sure: options.Sure = False,
    later: options.Later = False,
    prices: options.Prices = None,
    as_json: options.Json = False,
) -> None:
    """Record a spot test of a batch's liquid: with the volume a colour becomes grams."""
    from gradeest.cli.ask import fill_in_dated
    from gradeest.workflow import learning

    call = call_of(ctx)
    moment = None if before_drop is None else ("before-drop" if before_drop else "after-drop")
    given = {"batch": batch, "result": result, "metal": metal, "volume_l": volume, "moment": moment}
    answers, happened = fill_in_dated(spot_questions(call), given, "record spot-test", date)
    how = {"date": happened, "later": later, "prices": prices}
    record.learn_from("record spot-test", learning.record_spot_test, call, answers, sure=sure, as_json=as_json, **how)


def spot_questions(call: Call) -> list[Any]:
    """The questions of `record spot-test`."""
    from gradeest.cli.ask import Question, parse_choice
    from gradeest.units import parse_volume

    metals = record.METAL_CHOICES
    return [
        any_batch_question(call),
        Question(
            "result", "RESULT", "The test", parse_choice(RESULTS, "result"), "negative, faint, clear or strong",
            choices=RESULTS,
        ),
        Question("metal", "--metal", "Metal", parse_choice(metals, "metal"), "Au, Ag or Pd", choices=metals),
        Question(
            "volume_l", "--volume", "Volume of the liquid", parse_volume,
            'all the liquid of the batch, such as "4.2 L": a colour alone says nothing about grams',
        ),
        Question(
            "moment", "--after-drop", "When", parse_choice(MOMENTS, "moment"), "before-drop or after-drop",
            "after-drop", choices=MOMENTS,
        ),
    ]  # fmt: skip


def product_assay(
    ctx: typer.Context,
    address: Annotated[str | None, typer.Argument(metavar="BATCH/PRODUCT", help="What was assayed.")] = None,
    metal: record.Metal = None,
    value: Annotated[
        str | None, typer.Option("--value", help='Its share of the weight: "97.6 %", ".9761" or "976".')
    ] = None,
    u: Annotated[
        str | None, typer.Option("--u", help='Standard uncertainty (1 sd) in points, such as "0.2 %"; else usual.')
    ] = None,
    method: Annotated[str | None, typer.Option("--method", help="fire (if left out), wet or xrf.")] = None,
    date: options.Date = None,
    sure: options.Sure = False,
    later: options.Later = False,
    prices: options.Prices = None,
    as_json: options.Json = False,
) -> None:
    """Record an assay of a product, metal by metal: it says how pure this product is, and the form learns."""
    from gradeest.cli.ask import fill_in_dated
    from gradeest.workflow import settling

    call = call_of(ctx)
    given = {"address": address, "metal": metal, "share": value, "method": method, "u": u}
    answers, happened = fill_in_dated(product_assay_questions(call), given, "record product-assay", date)
    record.learn_from(
        "record product-assay", settling.record_product_assay, call, answers, sure=sure, as_json=as_json,
        parts=product_parts, date=happened, later=later, prices=prices,
    )  # fmt: skip


def product_assay_questions(call: Call) -> list[Any]:
    """The questions of `record product-assay`."""
    from gradeest.cli.ask import Question, parse_choice
    from gradeest.units import parse_purity, parse_share

    metals = record.METAL_CHOICES
    return [
        product_question(call),
        Question("metal", "--metal", "Metal", parse_choice(metals, "metal"), "Au, Ag or Pd", choices=metals),
        Question("share", "--value", "Its share of the weight", parse_purity, 'such as "97.6 %" or ".9761"'),
        Question(
            "method", "--method", "Method", parse_choice(METHODS, "method"), "fire, wet or xrf", "fire", choices=METHODS
        ),
        Question(
            "u", "--u", "Its standard uncertainty (1 sd)", parse_share, 'in points, such as "0.2 %"', optional=True
        ),
    ]


def product_question(call: Call) -> Any:
    """Which product; at a terminal those of all batches are listed."""
    from gradeest.cli.ask import Question, at_terminal

    def products(_: dict[str, Any]) -> tuple[tuple[str, str], ...]:
        from gradeest.workflow.reading import list_products

        return list_products(call.place())

    listing = products if at_terminal() else None
    return Question("address", "BATCH/PRODUCT", "Product", str.strip, "such as B3/au-1", choices_from=listing)


def product_parts(learned: ProductsLearned) -> list[Any]:
    """Fine metal of the products, and what their forms are expected to hold; expected values, for these add up."""
    from gradeest.cli.tables import make_table, metal_text, note, number

    if not learned.products:
        return []
    table = make_table([("product", "f"), ("", "<"), ("weighed g", ">"), ("fine g, expected (5-95 %)", ">")])
    for row in learned.products:
        fine = row.fine_g
        span = f"{number(fine.mean, 4)} ({number(fine.q5, 4)}-{number(fine.q95, 4)})"
        table.add_row(row.address, metal_text(row.metal), f"{row.weight_g:g}", span)
    lines: list[Any] = ["", table]
    for form in learned.forms:
        was, now = form.purity_before, form.purity
        lines.append(
            note(
                f"{form.form}: the next one is expected to be {now.mean:.3f} fine ({now.q5:.3f}-{now.q95:.3f}), "
                f"before {was.mean:.3f} ({was.q5:.3f}-{was.q95:.3f})."
            )
        )
    return lines
