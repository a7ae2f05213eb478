"""`gradeest demo`: the whole loop once on an invented lot."""

from __future__ import annotations

import shlex
import signal
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gradeest.cli.context import place_of

if TYPE_CHECKING:
    from gradeest.workflow.demo import DemoReady
    from gradeest.workflow.expecting import Judged
    from gradeest.workflow.learning import Learned


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("demo", short_help="The whole loop on an invented lot.")(demo)


def demo(
    ctx: typer.Context,
    name: Annotated[str | None, typer.Argument(metavar="LOT", help="Which demo lot (the first if left out).")] = None,
    whole: Annotated[bool, typer.Option("--all", help="Replay all its past batches, not only the first.")] = False,
) -> None:
    """Show the whole loop on an invented lot: forecast, rank, a first weight, learn, rank again."""
    from gradeest.workflow.demo import prepare_demo

    with throw_away() as folder:
        play(prepare_demo(place_of(ctx), folder, name), whole=whole)


@contextmanager
def throw_away() -> Iterator[Path]:
    """A folder that stays for who wants to go on; a demo that fails or is stopped on its way leaves nothing behind."""
    import shutil
    import tempfile

    folder = Path(tempfile.mkdtemp(prefix="gradeest-demo-"))
    was = signal.signal(signal.SIGTERM, lambda number, _: sys.exit(128 + number))
    try:
        yield folder
    except BaseException:
        shutil.rmtree(folder, ignore_errors=True)
        raise
    finally:
        signal.signal(signal.SIGTERM, was)


def next_lines(learned: Learned) -> list[str]:
    """What to type for the fraction that now stands first, if any."""
    rows = [] if learned.ranking is None else learned.ranking.ranking.rows
    first = next((row for row in rows if row.rank is not None), None)
    if first is None:
        return []
    word = "batch add --charge" if first.verdict == "process" else "test-first"
    return [f"gradeest {word} {first.address}"]


def play(ready: DemoReady, *, whole: bool) -> None:
    """Show each step of the loop."""
    from rich.text import Text

    from gradeest.cli.learned import judged_lines, learned_parts
    from gradeest.cli.outlook import forecast_parts, ranking_parts
    from gradeest.cli.output import put
    from gradeest.cli.progress import Progress
    from gradeest.cli.tables import heading, note, show
    from gradeest.cli.wrapping import wrap
    from gradeest.workflow.demo import play_demo
    from gradeest.workflow.outlook import forecast_lot, rank_lots
    from gradeest.workflow.telling import Listener

    place, lot = ready.place, ready.lot
    show(
        heading("gradeest demo: the lot, its prices and its results are INVENTED."),
        note(f"A throw-away ledger: {place.ledger}"),
        "",
        heading("1. What will it give?"),
        *forecast_parts(forecast_lot(place, lot.name)),
        "",
        heading("2. What first?"),
        *ranking_parts(rank_lots(place, lot.name)),
        "",
        heading("3. A batch that was run, and what the balance said (replayed)"),
    )
    with Progress() as progress:

        def judged(found: Sequence[Judged]) -> None:
            progress.wipe()
            show(*judged_lines(found))

        listener = Listener(progress, lambda done: show(*[Text(wrap(line, "  ", "    ")) for line in done]), judged)
        played = play_demo(ready, whole=whole, listener=listener)
    show(*learned_parts(played.learned, cautions=False), "")
    show(heading("4. Go on yourself"))
    for line in (
        f"export GRADEEST_LEDGER={shlex.quote(str(place.ledger))}",
        "gradeest grades",
        'gradeest rank --if "Au=-12%"',
        *([f"gradeest strip-order {lot.name}"] if lot.boards else []),
        *next_lines(played.learned),
        "gradeest history",
    ):
        put(f"  {line}")  # not wrapped: made to be copied
    if ready.others:
        show(note(f"Other demo lots: {', '.join(ready.others)} (gradeest demo NAME)."))
    show(note("Your own lot: gradeest lot add (in a folder of its own, without that variable)."))
