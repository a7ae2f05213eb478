"""The command line: assembles the commands and turns every error into words and an exit code."""

from __future__ import annotations

import re
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer

from gradeest.cli import (
    alternatives,
    assaying,
    balance,
    batch,
    bench,
    choosing,
    cost,
    demo,
    evidence,
    gate,
    grades,
    imports,
    laws,
    ledger,
    lot,
    outlook,
    prices,
    priors,
    record,
    saving,
    settle,
    sorting,
    stock,
    streams,
    stripping,
    testing,
    unfinished,
    where,
    why,
    work,
    worksheet,
    year,
)
from gradeest.cli.complaints import STOPPED, UsageError, admit, complain, stopped
from gradeest.cli.context import DEFAULT_LEDGER, DEFAULT_SEED, Call
from gradeest.errors import GradeestError

GLOBAL_OPTIONS = ("--ledger", "--priors", "--seed", "--engine")
EPILOG = "--ledger, --priors, --seed and --engine may stand anywhere. `gradeest COMMAND --help` says more."

app = typer.Typer(
    name="gradeest",
    help="Gold, silver and palladium in sorted electronic scrap: forecast a lot, rank its fractions, record what was "
    "weighed, learn, rank again. Try `gradeest demo` first; without a command it says how the bench stands.",
    epilog=EPILOG,
    invoke_without_command=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 90},
)


def show_version(wanted: bool) -> None:
    """Print the version and stop."""
    if wanted:
        from gradeest import __version__

        print(f"gradeest {__version__}")
        raise typer.Exit


@app.callback()
def start(
    ctx: typer.Context,
    ledger: Annotated[
        Path,
        typer.Option(
            envvar="GRADEEST_LEDGER", readable=False, help="The ledger: one file that keeps everything recorded."
        ),
    ] = Path(DEFAULT_LEDGER),
    priors: Annotated[
        Path | None, typer.Option(metavar="DIR", help="A folder whose rows replace or extend the shipped priors.")
    ] = None,
    seed: Annotated[int, typer.Option(min=0, help="Seed of the draws: the same seed gives the same numbers.")] = (
        DEFAULT_SEED
    ),
    engine: Annotated[str, typer.Option(help="How the model is fitted: fast, or pymc, the reference.")] = "fast",
    version: Annotated[
        bool, typer.Option("--version", callback=show_version, is_eager=True, help="Print the version and stop.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Without a command: one JSON object.")] = False,
) -> None:
    """Hold the global options for the command that follows; without one, show how the bench stands."""
    ctx.obj = Call(ledger=ledger, priors=priors, seed=seed, engine=engine)
    if ctx.invoked_subcommand is not None:
        if as_json:
            raise UsageError("--json before the command says nothing", "put it behind: gradeest COMMAND --json")
        return
    from gradeest.cli.standing import show_state

    show_state(ctx.obj, as_json=as_json)


demo.register(app)
app.add_typer(lot.app)
outlook.register(app)
choosing.register(app)
testing.register(app)
alternatives.register(app)
saving.register(app)
stripping.register(app)
cost.register(app)
app.add_typer(batch.app)
app.add_typer(record.app)
stock.register(app)
streams.register()
work.register(app)
sorting.register()
evidence.register()
assaying.register()
settle.register(app)
worksheet.register(app)
app.add_typer(balance.app)
imports.register(app)
grades.register(app)
unfinished.register(app)
where.register(app)
why.register(app)
year.register(app)
ledger.register(app)
app.add_typer(bench.app)
gate.register(app)
laws.register(app)
app.add_typer(prices.app)
app.add_typer(priors.app)


BELOW_ZERO = re.compile(r"-[.,]?[0-9]")


def hoist(argv: Sequence[str]) -> list[str]:
    """Move the global options to the front, so that they may stand anywhere before a bare `--`."""
    front: list[str] = []
    rest: list[str] = []
    words = iter(argv)
    for word in words:
        if word == "--":
            rest += [word, *words]
        elif word in GLOBAL_OPTIONS:
            front.append(word)
            value = next(words, None)
            if value is not None:
                front.append(value)
        elif word.startswith(tuple(f"{option}=" for option in GLOBAL_OPTIONS)):
            front.append(word)
        else:
            rest.append(word)
    return front + rest


def as_values(words: Sequence[str]) -> list[str]:
    """A number below zero as the value that it is, by its own minus sign: to the parser of options "-3" is one.

    What reads it then says that it is below zero. A word behind an option is its value anyway.
    """
    before = ["", *words]
    return [
        f"\N{MINUS SIGN}{word[1:]}" if BELOW_ZERO.match(word) and not last.startswith("--") else word
        for last, word in zip(before, words, strict=False)
    ]


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit code.

    Parameters: `argv`, the words after the program's name (those of the process by default).
    Returns: 0 success, 1 a bug, 2 usage, 3 input, 4 ledger, 5 a fit that did not settle, 6 no plan possible,
    130 stopped by the person.
    """
    try:
        app(args=as_values(hoist(sys.argv[1:] if argv is None else argv)), prog_name="gradeest")
    except SystemExit as stop:
        code = stop.code if isinstance(stop.code, int) else int(stop.code is not None)
        return stopped() if code == STOPPED else code
    except GradeestError as err:
        return complain(err)
    except KeyboardInterrupt:
        return stopped()
    except Exception as err:
        return admit(err)
    return 0
