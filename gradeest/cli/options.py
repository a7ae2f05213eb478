"""Options that several commands share, stated once."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

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
