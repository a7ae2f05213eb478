"""The exception tree, and problems in data as values.

    GradeestError(message, hint)
    +-- InputError           3   what a person typed or a file holds; carries every Issue found
    +-- LedgerError          4   the ledger is locked, full, damaged, foreign, too new, or its outcome is unknown
    +-- InferenceError       5   a fit that did not settle, or evidence that contradicts itself
    +-- PlanInfeasible       6   limits that no plan can meet

The number is the exit code of the command line (0 success, 1 a bug, 2 usage).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, ClassVar, Literal

Severity = Literal["error", "ask", "warning"]


@dataclass(frozen=True)
class Issue:
    """One problem in the data: where it is, what was wrong and what to type instead.

    `severity` is "error" (refused), "ask" (kept only when the person confirms, `--sure`) or "warning" (said, kept).
    `line` counts from 1; None where there is no line.
    """

    severity: Severity
    message: str
    hint: str = ""
    file: str = ""
    line: int | None = None
    field: str = ""

    def __str__(self) -> str:
        place = self.file + (f":{self.line}" if self.line is not None else "")
        head = ", ".join(part for part in (place, self.field) if part)
        text = f"{head}: {self.message}" if head else self.message
        return f"{text} -> {self.hint}" if self.hint else text


class GradeestError(Exception):
    """Base of all errors a person can act on: a message in plain words and a hint what to do."""

    exit_code: ClassVar[int] = 1

    def __init__(self, message: str, hint: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.hint = hint


class InputError(GradeestError):
    """Input that cannot be used. `issues` lists every problem found, not just the first."""

    exit_code = 3

    def __init__(self, message: str, hint: str = "", issues: Iterable[Issue] = ()) -> None:
        super().__init__(message, hint)
        self.issues = tuple(issues)


class NeedsConfirmation(InputError):
    """Input that is hardly credible: kept only when the person says so (`--sure`)."""


class LedgerError(GradeestError):
    """The ledger cannot be read or written as asked; nothing was half saved."""

    exit_code = 4


class InferenceError(GradeestError):
    """A fit that did not settle, or evidence that contradicts itself.

    `unfinished` carries what was computed, for diagnosis only; `issues` the entries that clash.
    """

    exit_code = 5

    def __init__(self, message: str, hint: str = "", unfinished: Any = None, issues: Iterable[Issue] = ()) -> None:
        super().__init__(message, hint)
        self.unfinished = unfinished
        self.issues = tuple(issues)


class PlanInfeasible(GradeestError):
    """Limits that no plan can meet."""

    exit_code = 6
