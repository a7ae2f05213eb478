"""What cells say: numbers with a decimal comma or point, dates in the sheet's order, quantities with their unit.

Nothing is guessed. "1,234" is 1.234 to one person and 1234 to another, "3.4.2024" is in March or in April: such cells
are refused with the option that settles them for the whole sheet.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Literal

from gradeest.errors import InputError
from gradeest.records.findings import is_clean_text, suggest
from gradeest.records.sheet_cells import Value, plain_number

Decimal = Literal["comma", "point"]
DateOrder = Literal["dmy", "mdy", "ymd"]
BLANKS = " '\u00a0\u202f\u2009"
_GROUPED = rf"[0-9]{{1,3}}(?:[{BLANKS}][0-9]{{3}})+(?![0-9])(?:[.,][0-9]+)?"  # 1 840,5
_PLAIN = r"[0-9]+(?:[.,][0-9]+)*"
NUMBER = re.compile(rf"(?P<grouped>{_GROUPED})|(?P<plain>{_PLAIN})")
TWO_WAYS = re.compile(r"[1-9][0-9]{0,2}[.,][0-9]{3}")
WITH_COMMA = re.compile(r"[0-9]+(,[0-9]+)?|[0-9]{1,3}(\.[0-9]{3})+(,[0-9]+)?")
WITH_POINT = re.compile(r"[0-9]+(\.[0-9]+)?|[0-9]{1,3}(,[0-9]{3})+(\.[0-9]+)?")
NUMERIC_DATE = re.compile(r"([0-9]{1,4})\s*([./-])\s*([0-9]{1,2})\s*\2\s*([0-9]{1,4})\.?")
NAMED_DATE = re.compile(r"([0-9]{1,2})[.\s-]*([A-Za-z]{3,9})[.,\s-]*([0-9]{4}|[0-9]{2})")
MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
FIRST_YEAR = 1950  # as for every record: no such scrap before
YES = ("yes", "y", "true", "1", "x", "ja")
NO = ("no", "n", "false", "0", "-", "nein")


@dataclass(frozen=True)
class Habits:
    """How a sheet writes: its decimal mark and date order as said by the person, and what its clear numbers show."""

    today: dt.date
    decimal: Decimal | None = None
    dates: DateOrder | None = None
    clear: frozenset[str] = field(default_factory=frozenset)  # decimal marks seen in numbers that read one way only

    def number_text(self, text: str) -> str:
        """A text with every number in it written with a decimal point. Raises InputError where one reads two ways."""
        return NUMBER.sub(lambda found: self._point(found, text), text)

    def _point(self, found: re.Match[str], text: str) -> str:
        number = found.group()
        if found["grouped"]:
            number = re.sub(f"[{BLANKS}]", "", number)
        if self.decimal is not None:
            return self._as_said(number, text)
        if found["grouped"]:
            return number.replace(",", ".")
        if TWO_WAYS.fullmatch(number) and not ("." in number and self.clear == {"."}):
            as_decimal, as_thousands = re.sub("[.,]", ".", number), re.sub("[.,]", "", number)
            hint = (
                f"type {as_decimal} as {as_decimal}0 or {as_thousands} without the mark; "
                "or say for the whole sheet: --decimal comma, or --decimal point"
            )
            raise InputError(f"'{text}' can be read in two ways: {as_decimal} or {as_thousands}", hint)
        if number.count(",") == 1 and "." not in number:
            return number.replace(",", ".")
        return number  # with both marks, or with several of one: `units` knows them, or refuses them

    def _as_said(self, number: str, text: str) -> str:
        """A number by the sheet's decimal mark."""
        is_comma = self.decimal == "comma"
        if not (WITH_COMMA if is_comma else WITH_POINT).fullmatch(number):
            other = "point" if is_comma else "comma"
            hint = f"type it with a decimal {self.decimal}, without marks between thousands"
            raise InputError(f"'{text}' is no number of a sheet with a decimal {self.decimal}, it has a {other}", hint)
        return number.replace(".", "").replace(",", ".") if is_comma else number.replace(",", "")

    def with_unit(self, value: Value, unit: str) -> str:
        """A quantity as text that `units` reads: the cell's own unit, else that of its heading."""
        if isinstance(value, bool | dt.date):
            what = "a date" if isinstance(value, dt.date) else "yes or no"
            raise InputError(
                f"the spreadsheet holds {what} here ({value}), no quantity",
                "type it as text with its unit, such as '2-3 g",
            )
        text = plain_number(value) if isinstance(value, float) else self.number_text(value)
        return f"{text} {unit}" if unit and re.search(r"[0-9]\s*$", text) else text

    def date(self, value: Value) -> dt.date:
        """The date of a cell. Raises InputError for what is none, or for one of two days."""
        if isinstance(value, dt.date):
            return value
        if not isinstance(value, str):
            raise InputError(f"{plain_text(value)} is no date", "type it as YYYY-MM-DD, or format the cell as a date")
        text = re.sub(r"[T ]\d{1,2}:\d{2}(:\d{2})?(\.\d+)?$", "", value.strip())  # the time of day, if any
        found = NAMED_DATE.fullmatch(text)
        if found and found[2].lower()[:3] in MONTHS:
            return self._day(value, found[3], MONTHS.index(found[2].lower()[:3]) + 1, int(found[1]))
        parts = NUMERIC_DATE.fullmatch(text)
        if parts is None:
            raise InputError(f"'{value}' is no date", "type it as YYYY-MM-DD, such as 2024-03-09")
        first, _, second, third = parts.groups()
        return self._numeric_date(value, first, second, third)

    def _numeric_date(self, value: str, first: str, second: str, third: str) -> dt.date:
        if len(first) == 4:
            return self._day(value, first, int(second), int(third))
        if len(first) > 2 or len(third) == 3:
            raise InputError(f"'{value}' is no date", "type it as YYYY-MM-DD, such as 2024-03-09")
        orders = {"dmy": (third, second, first), "mdy": (third, first, second), "ymd": (first, second, third)}
        if self.dates is not None:
            year, month, day = orders[self.dates]
            return self._day(value, year, int(month), int(day))
        possible = {}
        for order in ("dmy", "mdy") if len(third) == 4 else orders:
            year, month, day = orders[order]
            try:
                possible[order] = self._day(value, year, int(month), int(day))
            except InputError:
                continue
        days = sorted(set(possible.values()))
        if len(days) == 1:
            return days[0]
        if not days:
            raise InputError(f"'{value}' is no date", "type it as YYYY-MM-DD, such as 2024-03-09")
        hint = f"type it as YYYY-MM-DD, or say for the whole sheet: --dates {', or --dates '.join(possible)}"
        raise InputError(f"'{value}' can be {' or '.join(day.isoformat() for day in days)}", hint)

    def _day(self, value: str, year: str, month: int, day: int) -> dt.date:
        """A day; a year of two digits is the one from 1950 up to today that ends so."""
        number = int(year) if len(year) in (2, 4) else 0
        if len(year) == 2:
            number += 2000 if 2000 + number <= self.today.year else 1900
        try:
            date = dt.date(number, month, day)  # year 0 is refused as well
        except ValueError:
            order = f" in the order {self.dates}" if self.dates else ""
            raise InputError(f"'{value}' is no date{order}", "type it as YYYY-MM-DD, such as 2024-03-09") from None
        if date.year < FIRST_YEAR:
            raise InputError(f"'{value}' would be a day of {date.year}", "type it as YYYY-MM-DD, such as 2024-03-09")
        return date


def clear_marks(texts: Iterable[str]) -> frozenset[str]:
    """The decimal marks of numbers that can be read one way only, such as "1,84" and "12.5"."""
    found = set()
    for text in texts:
        for match in NUMBER.finditer(text):
            number = match.group()
            marks = [mark for mark in number if mark in ".,"]
            if len(set(marks)) == 2:
                found.add(marks[-1])
            elif len(marks) == 1 and (match["grouped"] or not TWO_WAYS.fullmatch(number)):
                found.add(marks[0])
    return frozenset(found)


def plain_text(value: Value) -> str:
    """A cell as text: a batch called 7 is "7" in either sort of file. Raises InputError for what cannot be printed."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, dt.date):
        return value.isoformat()
    text = plain_number(value) if isinstance(value, float) else " ".join(value.split())
    if not is_clean_text(text):
        raise InputError(f"{text!r} is no text that can be printed", "plain text")
    return text


def yes_no(value: Value, more_yes: str = "", more_no: str = "") -> bool:
    """Yes or no, or a column's own words for them ("wet", "dry")."""
    word = plain_text(value).lower()
    if word in YES or word == more_yes:
        return True
    if word in NO or word == more_no:
        return False
    raise InputError(f"'{word}' is neither yes nor no", " or ".join(w for w in ("yes", "no", more_yes, more_no) if w))


def whole_number(value: Value) -> int:
    """A count, from 1."""
    text = plain_text(value)
    if not (text.isascii() and text.isdigit() and int(text) > 0):
        raise InputError(f"'{text}' cannot be a count", "a whole number from 1, or leave it out")
    return int(text)


def choice(value: Value, ids: Iterable[str], what: str, *, also: Callable[[str], str | None] = lambda _: None) -> str:
    """One of the allowed words, in any case, blanks for hyphens; `also` knows further words for them."""
    word = plain_text(value)
    flat = re.sub(r"[\s_]+", "-", word.lower())
    allowed = list(ids)
    for one in allowed:
        if flat == one.lower():
            return one
    known = also(flat)
    if known is not None:
        return known
    listed = ", ".join(allowed) if len(allowed) <= 20 else "the template lists them: gradeest template words.xlsx"
    raise InputError(f"there is no {what} '{word}'", suggest(flat, allowed, listed))
