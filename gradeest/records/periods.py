"""Stretches of time as people type them: a year, a month, a day, or two of these with dots between."""

from __future__ import annotations

import calendar
import datetime as dt
import re
from dataclasses import dataclass

from gradeest.errors import InputError

END = re.compile(r"(\d{4})(?:-(\d{1,2})(?:-(\d{1,2}))?)?")
HOW = "2025, 2025-07, 2025-07..2025-12 or 2025-07-03..2025-08-15"


@dataclass(frozen=True)
class Period:
    """From one day to another, both counted in."""

    first: dt.date
    last: dt.date

    def holds(self, day: dt.date) -> bool:
        """Whether a day lies in it."""
        return self.first <= day <= self.last


def looks_like_period(text: str) -> bool:
    """Whether a text begins as a period does."""
    return re.match(r"\d{4}(?:-\d|\.\.|$)", text.strip()) is not None


def parse_period(text: str) -> Period:
    """`2025-07..2025-12` -> its first and last day. Raises InputError that says what to type."""
    ends = [part.strip() for part in text.strip().split("..")]
    if len(ends) > 2:
        raise InputError(f"'{text}' is no period", HOW)
    first, last = _days(ends[0], text)[0], _days(ends[-1], text)[1]
    if last < first:
        raise InputError(f"the period '{text}' ends before it begins", f"{ends[-1]}..{ends[0]}")
    return Period(first, last)


def _days(end: str, text: str) -> tuple[dt.date, dt.date]:
    """First and last day of a year, a month or a day."""
    match = END.fullmatch(end)
    if match is None:
        raise InputError(f"'{text}' is no period", HOW)
    year, month, day = (int(part) if part else None for part in match.groups())
    assert year is not None
    try:
        first = dt.date(year, month or 1, day or 1)
        last_month = month or 12
        return first, dt.date(year, last_month, day or calendar.monthrange(year, last_month)[1])
    except ValueError as err:
        raise InputError(f"'{end}' is no date: {err}", HOW) from err
