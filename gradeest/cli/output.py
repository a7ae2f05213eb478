"""What goes to stdout: written at once, so that a pipe has it; and what happens where it cannot be written."""

from __future__ import annotations

import io
import os
import sys

from gradeest.errors import InputError

READER_GONE = 141  # as a shell counts a program that was to write to a pipe which nobody reads any more


def letters() -> str:
    """The code page of stdout."""
    return getattr(sys.stdout, "encoding", None) or "utf-8"


def is_utf8() -> bool:
    """Whether stdout takes every letter."""
    return letters().lower().replace("-", "") == "utf8"


def paper() -> io.TextIOWrapper:
    """A text in the making, of the letters that stdout takes; to be read from its beginning."""
    return io.TextIOWrapper(io.BytesIO(), letters(), errors="replace")


def put(text: str) -> None:
    """A text to stdout. Raises InputError where there is no room for it; ends quietly where nobody reads on."""
    try:
        print(text, flush=True)
    except BrokenPipeError:
        _write_no_more()
        raise SystemExit(READER_GONE) from None
    except OSError as err:
        _write_no_more()
        hint = "what was reported as saved is saved"
        raise InputError(f"what is to be printed cannot be written: {err.strerror}", hint) from err


def _write_no_more() -> None:
    """Python would try once more at its end, and complain: let that go nowhere."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
