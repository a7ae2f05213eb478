"""A plan's limits and wishes written down in a TOML file, so that they need not be typed each time."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from gradeest.errors import Issue
from gradeest.materials.catalogue import nearest
from gradeest.records.text_files import BROKEN, Table, read_toml
from gradeest.workflow.supplies import Limits

AMOUNTS = ("hours", "cash", "days", "fee")
TOP = (*AMOUNTS, "at_once", "limits")
RUN = ("fraction", "route", "must")


@dataclass(frozen=True)
class Wish:
    """What a person wants of one fraction: that it is in the plan, and by which route ("": the usual one).

    `file` and `line`: where it was written; `field`: how it is called in a complaint.
    """

    address: str
    must: bool
    route: str = ""
    field: str = "--must"
    file: str = ""
    line: int | None = None

    def refuse(self, message: str, hint: str = "") -> Issue:
        """A problem with it."""
        return Issue("error", message, hint, self.file, self.line, self.field)


@dataclass
class PlanFile:
    """What a file says, and every problem of its writing."""

    limits: Limits = field(default_factory=Limits)
    fee: float | None = None
    wishes: tuple[Wish, ...] = ()
    issues: list[Issue] = field(default_factory=list)
    limits_line: int | None = None


def read_plan_file(path: Path) -> PlanFile:
    """Read `hours`, `cash`, `days`, `at_once`, `fee`, `limits` and tables `[[run]]` of a fraction, its route, and must.

    Raises InputError for what is no text file; all other problems are issues of the result.
    """
    document = read_toml(path)
    reader = _Reader(str(path), list(document.issues))
    top = document.top
    reader.refuse_unknown(top, TOP, ("run",))
    reader.issues += [
        Issue("error", "unknown table", "a run is a table [[run]]", str(path), tables[0].line, name)
        for name, tables in document.lists.items()
        if name != "run"
    ]
    amounts = {name: reader.amount(top, name) for name in AMOUNTS}
    limits = Limits(amounts["hours"], amounts["cash"], amounts["days"], reader.texts(top), reader.count(top))
    wishes = tuple(wish for table in document.lists.get("run", []) if (wish := reader.wish(table)) is not None)
    twice = {wish.address for wish in wishes if [other.address for other in wishes].count(wish.address) > 1}
    reader.issues += [
        w.refuse(f"{w.address} stands in it twice", "one [[run]] each") for w in wishes if w.address in twice
    ]
    return PlanFile(limits, amounts["fee"], wishes, reader.issues, top.line_of("limits"))


class _Reader:
    """Takes values out of tables and collects what is wrong with them."""

    def __init__(self, file: str, issues: list[Issue]) -> None:
        self.file, self.issues = file, issues

    def refuse(self, table: Table, key: str, message: str, hint: str) -> None:
        self.issues.append(Issue("error", message, hint, self.file, table.line_of(key), key))

    def refuse_unknown(self, table: Table, known: tuple[str, ...], also: tuple[str, ...] = ()) -> None:
        for key in table.values:
            if key not in known and key not in also:
                near = nearest(key, known)
                self.refuse(table, key, "unknown row", f"did you mean {' or '.join(near)}?" if near else "take it out")
            elif key in also:
                self.refuse(table, key, "no list of tables", "a run is a table [[run]]")

    def amount(self, table: Table, key: str) -> float | None:
        value = table.values.get(key)
        if value is None or value == BROKEN:
            return None
        if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value < math.inf:
            self.refuse(table, key, f"{value!r} cannot be", "type a number from 0 on")
            return None
        return float(value)

    def count(self, table: Table) -> int | None:
        value: Any = table.values.get("at_once")
        if value is None or value == BROKEN:
            return None
        if isinstance(value, bool) or not isinstance(value, int) or value < 1:
            self.refuse(table, "at_once", f"{value!r} runs at once cannot be", "type 1 or more")
            return None
        return value

    def texts(self, table: Table) -> tuple[str, ...]:
        value: Any = table.values.get("limits", [])
        if value == BROKEN:
            return ()
        if not isinstance(value, list) or not all(isinstance(text, str) for text in value):
            self.refuse(table, "limits", f"{value!r} is no list of limits", 'type it like ["nitric acid=10 L"]')
            return ()
        return tuple(value)

    def wish(self, table: Table) -> Wish | None:
        self.refuse_unknown(table, RUN)
        values: Mapping[str, Any] = table.values
        for key in ("fraction", "route"):
            if not isinstance(values.get(key, ""), str):
                self.refuse(table, key, f"{values[key]!r} is no name", f'type it like {key} = "..."')
                return None
        if not isinstance(values.get("must", False), bool):
            self.refuse(table, "must", f"{values['must']!r} is not yes or no", "type true or false")
            return None
        address = values.get("fraction", "")
        if address in ("", BROKEN):
            if address == "":
                self.refuse(table, "fraction", "missing", 'type it like fraction = "shed/strips"')
            return None
        key = "route" if values.get("route") else "fraction"
        route = values.get("route", "")
        return Wish(
            address, values.get("must", False), "" if route == BROKEN else route, f"run.{key}", self.file,
            table.line_of(key),
        )  # fmt: skip
