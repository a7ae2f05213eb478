"""Lines of 80 columns whose paths and commands stay whole, so that they can be copied."""

from __future__ import annotations

import shutil
import sys
import textwrap

WIDTH = 80
NARROWEST = 20  # columns of a terminal below which lines are no narrower
NAME_WIDTH = 20  # of a column of addresses
SHORT_WIDTH = 12  # of an address that stays whole beside reasons


def columns() -> int:
    """Columns to wrap at: 80, or what a narrower terminal has."""
    if sys.stdout is None or not sys.stdout.isatty():
        return WIDTH
    return max(min(WIDTH, shutil.get_terminal_size((WIDTH, 24)).columns), NARROWEST)


def wrap(text: str, indent: str = "", hanging: str | None = None) -> str:
    """A text wrapped at 80 columns, or at those of a narrower terminal; `hanging` indents the lines after the first."""
    width = columns() - 1
    later = indent if hanging is None else hanging
    return "\n".join(
        textwrap.fill(
            line,
            width,
            initial_indent=indent,
            subsequent_indent=later,
            break_long_words=False,
            break_on_hyphens=False,
        )
        for line in text.splitlines()
    )


def part_address(address: str) -> str:
    """A short address as it is; of a longer one the lot on a line of its own, or reasons beside it have no room."""
    return address if len(address) <= SHORT_WIDTH else address.replace("/", "/\n  ")


def break_address(address: str, width: int = NAME_WIDTH) -> str:
    """An address (or name) in lines that fit a column: broken at its slash, then anywhere."""
    if len(address) <= width:
        return address
    head, slash, tail = address.partition("/")
    parts = textwrap.wrap(head + slash, width)
    parts += [f"  {part}" for part in textwrap.wrap(tail, width - 2)]
    return "\n".join(parts)
