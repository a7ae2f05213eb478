"""The way in, as `gradeest` and as `python -m gradeest`: Ctrl-C is heard from the first import on, and only once lost.

Python throws away what is raised while C code calls back into it or while an object dies, Ctrl-C too: loading what was
compiled does so a hundred times, and such a command ran on as if nobody had pressed anything.
"""

from __future__ import annotations

import _thread
import os
import signal
import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sys import UnraisableHookArgs
    from types import FrameType

SMALL_PAGES = {"NUMPY_MADVISE_HUGEPAGE": "0"}  # large ones are filled with zeros for arrays that live a moment
AGAIN_S = 0.02  # long enough to be out of the callback, too short to be noticed


class Stopped(KeyboardInterrupt):
    """Ctrl-C, as a kind of its own: after a plain one `python -m` may end by the signal instead of the exit code."""


def stop(number: int, at: FrameType | None) -> None:
    """What the signal does."""
    raise Stopped


def press_again(lost: UnraisableHookArgs) -> None:
    """A Ctrl-C that was thrown away is pressed once more, from outside of what lost it; other errors are told."""
    if not issubclass(lost.exc_type, KeyboardInterrupt):
        sys.__unraisablehook__(lost)
        return
    from threading import Timer

    again = Timer(AGAIN_S, _thread.interrupt_main)
    again.daemon = True
    again.start()


def run() -> int:
    """Run the command line of this process and return its exit code, 130 also where it was stopped while loading."""
    os.environ.update({name: value for name, value in SMALL_PAGES.items() if name not in os.environ})
    sys.unraisablehook = press_again
    try:
        if signal.getsignal(signal.SIGINT) is signal.default_int_handler:  # else someone had it ignored: so it stays
            signal.signal(signal.SIGINT, stop)
        from gradeest.cli.main import main

        code = main()
    except KeyboardInterrupt:
        from gradeest.cli.complaints import stopped

        code = stopped()
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # all is done: what was reported stands, and so does its exit code
    return code


if __name__ == "__main__":
    sys.exit(run())
