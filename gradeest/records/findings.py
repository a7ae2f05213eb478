"""Collecting what speaks against an entry, so that all of it is said at once."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any, TypeGuard

from gradeest.errors import Issue, Severity
from gradeest.materials.catalogue import nearest


@dataclass
class Findings:
    """A growing list of issues. Each gets the line of its field in `lines`, or `line`, which a reader moves along."""

    file: str = ""
    line: int | None = None
    issues: list[Issue] = field(default_factory=list)
    lines: dict[str, int] = field(default_factory=dict)

    def error(self, where: str, message: str, hint: str = "") -> None:
        """Refused."""
        self._add("error", where, message, hint)

    def error_at(self, line: int | None, where: str, message: str, hint: str = "") -> None:
        """Refused, on a line that is known better than by the field's name."""
        self.issues.append(Issue("error", message, hint, self.file, line, where))

    def ask(self, where: str, message: str, hint: str = "") -> None:
        """Kept only when the person insists."""
        self._add("ask", where, message, hint)

    def warn(self, where: str, message: str, hint: str = "") -> None:
        """Said and kept."""
        self._add("warning", where, message, hint)

    @property
    def has_errors(self) -> bool:
        """Whether anything found is refused."""
        return any(issue.severity == "error" for issue in self.issues)

    def _add(self, severity: Severity, where: str, message: str, hint: str) -> None:
        self.issues.append(Issue(severity, message, hint, self.file, self.lines.get(where, self.line), where))


def suggest(word: str, choices: Iterable[str], otherwise: str) -> str:
    """A hint with the nearest of `choices`, or `otherwise` where none is near."""
    near = nearest(str(word), list(choices))
    return f"did you mean {' or '.join(near)}?" if near else otherwise


def is_number(value: Any) -> TypeGuard[float]:
    """Whether a value from a payload is a finite number (True and False are none)."""
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def is_clean_text(value: Any) -> TypeGuard[str]:
    """Whether a value is text that can be stored and printed: no control characters, no bytes that were no text."""
    if not isinstance(value, str):
        return False
    return all(c in "\n\t" or (c.isprintable() and not 0xD800 <= ord(c) <= 0xDFFF) for c in value)
