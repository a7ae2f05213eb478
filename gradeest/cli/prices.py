"""`gradeest prices ...`: the user's price file."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from gradeest.cli.context import place_of

app = typer.Typer(name="prices", help="Make a price file to fill in.", no_args_is_help=True)


@app.command("new", short_help="Write a price file for you to fill in.")
def new(
    ctx: typer.Context,
    file: Annotated[Path | None, typer.Argument(help="Where to write it (prices.toml beside the ledger).")] = None,
    force: Annotated[bool, typer.Option("--force", help="Replace a file that is there.")] = False,
) -> None:
    """Write a price file: metal prices empty for you to fill in, every other row filled from priors."""
    from gradeest.cli.tables import note, show
    from gradeest.workflow.catalogues import new_prices

    path = new_prices(place_of(ctx), file, replace_old=force)
    show(f"Wrote {path}.")
    show(note("Fill in the metal prices (none is ever shipped) and overwrite costs, hours and terms with your own."))
    show("Then: gradeest rank" + (f" --prices {path}" if file is not None else ""))
