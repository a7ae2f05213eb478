"""Options that several commands share, stated once."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def read_amount(text: str | float) -> float:
    """A number as people type it, with a decimal comma too; a default is one already.

    What is a number and cannot be meant ("nan") passes: it is refused together with whatever else was typed wrong.
    """
    from gradeest.errors import InputError
    from gradeest.units import parse_number

    try:
        return float(text)
    except ValueError:
        pass
    try:
        return parse_number(str(text))
    except InputError as err:
        raise typer.BadParameter(f"{err.message}: {err.hint}") from err


def read_from_zero(text: str | float) -> float:
    """The same of what cannot be below zero."""
    number = read_amount(text)
    if number < 0:
        raise typer.BadParameter(f"{number:g} is below 0: type a number from 0 on")
    return number


Json = Annotated[bool, typer.Option("--json", help="Print one JSON object instead of text.")]
Date = Annotated[
    str | None, typer.Option("--date", metavar="YYYY-MM-DD", help="The day on which it happened (today by default).")
]
Sure = Annotated[bool, typer.Option("--sure", help="Keep a hardly credible value; it is flagged.")]
Prices = Annotated[
    Path | None,
    typer.Option(
        "--prices", metavar="FILE", readable=False, help="Your prices (prices.toml beside the ledger by default)."
    ),
]
If = Annotated[
    list[str] | None, typer.Option("--if", metavar='"Au=-12%"', help="Try a change of a price; may be repeated.")
]
Volatility = Annotated[
    str | None,
    typer.Option(metavar='"16 %"', help="Spread of the metal price from year to year, as you judge it."),
]
Fee = Annotated[
    float | None,
    typer.Option(parser=read_amount, metavar="AMOUNT", help="What a laboratory asks for one assay, in your currency."),
]
All = Annotated[bool, typer.Option("--all", help="Every metal and every number.")]
Later = Annotated[
    bool, typer.Option("--later", help="Only save; learn from it at the next forecast (for typing in many results).")
]
FromBatches = Annotated[
    str | None, typer.Option("--from-batches", metavar="B1..B9", help="Whose filters the ash in the charge is of.")
]
FromPeriod = Annotated[
    str | None,
    typer.Option("--from-period", metavar="PERIOD", help="The same, of all batches begun in it: 2025-07..2025-12."),
]
Burning = Annotated[
    str | None, typer.Option("--burning", help="What the filters went through: open-flame, furnace or leach.")
]
Untracked = Annotated[
    str | None,
    typer.Option("--untracked", metavar="SHARE", help='Of the metal in the ash, from elsewhere, such as "2-40 %".'),
]
