"""What holds for a whole call of the command line: where the ledger is, which priors, which seed and engine."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from gradeest.errors import InputError

if TYPE_CHECKING:
    from gradeest.workflow.opening import Place

DEFAULT_LEDGER = "gradeest.ledger"
DEFAULT_SEED = 1


@dataclass(frozen=True)
class Call:
    """The global options of one call."""

    ledger: Path
    priors: Path | None
    seed: int
    engine: str

    def place(self) -> Place:
        """Where `workflow` finds everything (imported here: `--help` needs none of it)."""
        from gradeest.workflow.opening import Place

        return Place(
            ledger=self.ledger,
            priors=self.priors,
            seed=self.seed,
            engine=self.engine,
            now=dt.datetime.now().astimezone(),
        )


def call_of(ctx: typer.Context) -> Call:
    """The global options that `main` put into the context."""
    call = ctx.obj
    assert isinstance(call, Call)
    return call


def place_of(ctx: typer.Context) -> Place:
    """Where everything is, for the functions of `workflow`."""
    return call_of(ctx).place()


def parse_date(text: str) -> dt.date:
    """A date as YYYY-MM-DD, or `today` / `yesterday`; not in the future.

    Raises InputError for anything else.
    """
    word = text.strip().lower()
    today = dt.date.today()
    if word == "today":
        return today
    if word == "yesterday":
        return today - dt.timedelta(days=1)
    try:
        date = dt.date.fromisoformat(word)
    except ValueError as err:
        raise InputError(f"'{text}' is not a date", "type it as YYYY-MM-DD, such as 2025-03-09, or `today`") from err
    if date > today:
        raise InputError(f"{date.isoformat()} lies in the future", "type the day on which it happened")
    return date
