"""How far a long fit is, on one line of stderr that is wiped when it is done; nothing where stderr is no terminal."""

from __future__ import annotations

import sys
import time
from types import TracebackType

from gradeest.cli.wrapping import columns

EVERY_S = 0.1  # no need to write faster than anyone reads


class Progress:
    """Told of a share done (0-1) and what is being done; leaving the `with` wipes the line, also after an error."""

    def __init__(self) -> None:
        self.seen = sys.stderr is not None and sys.stderr.isatty()
        self.width = 0
        self.last = 0.0

    def __call__(self, share: float, what: str) -> None:
        now = time.monotonic()
        if not self.seen or (now - self.last < EVERY_S and 0 < share < 1):
            return
        self.last = now
        done = f" {100 * share:3.0f} %" if share > 0 else " ..."
        text, room = f"  Fitting what is recorded: {what}{done}", columns() - 1
        if len(text) > room:  # what is done matters more than that it is a fit
            text = f"{what}{done}"[:room]
        print("\r" + text.ljust(self.width), end="", file=sys.stderr, flush=True)
        self.width = len(text)

    def wipe(self) -> None:
        """Make room for other lines."""
        if self.width:
            print("\r" + " " * self.width + "\r", end="", file=sys.stderr, flush=True)
            self.width = 0

    def __enter__(self) -> Progress:
        return self

    def __exit__(self, kind: type[BaseException] | None, err: BaseException | None, at: TracebackType | None) -> None:
        self.wipe()
