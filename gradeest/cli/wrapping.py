"""Lines of 80 columns whose paths and commands stay whole, so that they can be copied."""

from __future__ import annotations

import textwrap

WIDTH = 80


def wrap(text: str, indent: str = "", hanging: str | None = None) -> str:
    """A text wrapped at 80 columns; `hanging` indents the lines after the first."""
    later = indent if hanging is None else hanging
    return "\n".join(
        textwrap.fill(
            line,
            WIDTH - 1,
            initial_indent=indent,
            subsequent_indent=later,
            break_long_words=False,
            break_on_hyphens=False,
        )
        for line in text.splitlines()
    )
