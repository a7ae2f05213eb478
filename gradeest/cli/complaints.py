"""How a problem reaches the person: what was wrong, where, and what to type instead; never a traceback."""

from __future__ import annotations

import os
import re
import sys
import traceback
from collections.abc import Iterator, Sequence
from dataclasses import replace

from gradeest.cli.wrapping import wrap
from gradeest.errors import GradeestError, InferenceError, InputError, Issue

MOST_APART = 3  # times that the same problem is told, each with its place
STOPPED = 130  # exit code of a command that the person stopped


class UsageError(GradeestError):
    """Something needed was not given and nobody is there to be asked."""

    exit_code = 2


def say(text: str = "") -> None:
    """One line to stderr, where progress and complaints go."""
    print(text, file=sys.stderr, flush=True)


def say_wrapped(text: str, indent: str = "", hanging: str | None = None) -> None:
    """A text to stderr, wrapped at 80 columns."""
    say(wrap(text, indent, hanging))


def say_issue(issue: Issue) -> None:
    """One problem on one or two lines: where and what was wrong, then what to type."""
    place = issue.file + (f", line {issue.line}" if issue.line is not None else "")
    head = ": ".join(part for part in (place, issue.field) if part)
    mark = "-" if issue.severity != "warning" else "- note:"
    say_wrapped(f"{mark} {head}: {issue.message}" if head else f"{mark} {issue.message}", "  ", "    ")
    if issue.hint:
        say_wrapped(issue.hint, "    ")


def gather(issues: Sequence[Issue]) -> Iterator[Issue]:
    """The same problem in more than a few places is one issue that names them all, where the first of them stood."""
    same: dict[tuple[str, ...], list[Issue]] = {}
    for issue in issues:
        same.setdefault((issue.severity, issue.file, issue.message, issue.hint), []).append(issue)
    for found in same.values():
        if len(found) <= MOST_APART:
            yield from found
            continue
        places = sorted({place_of(issue) for issue in found}, key=as_counted)
        yield replace(found[0], line=None, field=", ".join(places))


def place_of(issue: Issue) -> str:
    """Where in a file it was: the line, the field."""
    return " ".join(filter(None, (f"line {issue.line}" if issue.line is not None else "", issue.field)))


def as_counted(place: str) -> list[tuple[int, str]]:
    """For sorting: line 9 before line 10, A9 before A10."""
    return [(int(part), "") if part.isdigit() else (0, part) for part in re.split(r"(\d+)", place)]


def complain(err: GradeestError) -> int:
    """Print an error with every problem found; returns the exit code."""
    issues = err.issues if isinstance(err, InputError | InferenceError) else ()
    # One issue whose words are already the message would only be said twice.
    lonely = len(issues) == 1 and issues[0].message == err.message and not issues[0].field and not issues[0].file
    say_wrapped(f"gradeest: {err.message}", "", "  ")
    if not lonely:
        for issue in gather(issues):
            say_issue(issue)
    hint = err.hint or (issues[0].hint if lonely else "")
    if hint and (lonely or all(hint != issue.hint for issue in issues)):
        say_wrapped(hint, "  ")
    return err.exit_code


def admit(err: Exception) -> int:
    """A bug of ours: say so in one line (the traceback only with GRADEEST_DEBUG); returns exit code 1."""
    if os.environ.get("GRADEEST_DEBUG"):
        traceback.print_exception(err)
    say(f"gradeest: this is a fault of the program ({type(err).__name__}: {err})")
    say("  your ledger keeps what was saved before; run again with GRADEEST_DEBUG=1 for the details")
    return 1


def stopped() -> int:
    """The person pressed Ctrl-C: say what that means; returns the exit code."""
    if sys.stderr.isatty():
        say()  # after the ^C that the terminal echoes
    say("gradeest: stopped. An entry is saved whole or not: `gradeest history` shows it.")
    return STOPPED
