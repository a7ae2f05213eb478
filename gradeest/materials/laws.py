"""Law lines by jurisdiction. A row of hazards.csv says in general what a law is about; laws.csv what holds where.

Once a bench has said where it stands, only lines of there are shown. Where none is held, that is said: a missing line
does not mean that something is allowed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import cast, get_args

from gradeest.errors import InputError
from gradeest.materials.rows import Catalogue, Hazard, Law, Status
from gradeest.materials.tables import Row

JURISDICTION = "jurisdiction"  # the setting of a bench that says where it stands
ELSEWHERE = "elsewhere"  # a place of which no line is held
UNSAID = ("", "no", "none")
ASK = "ask your authority."
TABLES: Mapping[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "laws.csv": (("law", "jurisdiction", "line", "authority", "status", "dated"), ("law", "jurisdiction")),
}


def build_laws(table: Mapping[str, Row], hazards: Mapping[str, Hazard]) -> tuple[Law, ...]:
    """Every law line: the general ones ("" for a jurisdiction), then those of a place."""
    general = {key: hazard for key, hazard in hazards.items() if hazard.level == "law"}
    found = [Law(key, "", h.line, h.authority, h.status, h.dated) for key, h in general.items()]
    for row in table.values():
        law, where, line = row.choice("law", list(general)), row.text("jurisdiction"), row.text("line")
        if not where.replace("-", "").isalnum() or where != where.lower() or where in (*UNSAID, ELSEWHERE):
            row.complain("jurisdiction", f"{where!r} is no jurisdiction", "a short word in small letters, such as gb")
        if not line.endswith(ASK):
            row.complain("line", "a law line ends differently", f'end it with "{ASK}"')
        status = cast(Status, row.choice("status", get_args(Status)))
        found.append(Law(law, where, line, row.text("authority"), status, row.text("dated")))
    return tuple(found)


def jurisdictions(laws: Sequence[Law]) -> tuple[str, ...]:
    """Places of which lines are held, and `elsewhere`."""
    return (*dict.fromkeys(law.jurisdiction for law in laws if law.jurisdiction), ELSEWHERE)


def read_jurisdiction(value: str, laws: Sequence[Law]) -> str:
    """A jurisdiction as typed; "" where the value takes it away. Raises InputError for one that is not known."""
    word = value.strip().lower()
    if word in UNSAID:
        return ""
    known = jurisdictions(laws)
    if word not in known:
        hint = f"one of: {', '.join(known)} (of which no line is held); no takes it away"
        raise InputError(f"no law lines are held of '{value.strip()}'", hint)
    return word


def in_jurisdiction(catalogue: Catalogue, value: str) -> Catalogue:
    """The catalogue with the law lines of a place; the general ones where none is said ("").

    A law that is the same everywhere as far as it is held (no row of laws.csv) keeps its general line. `version` stays:
    no number depends on a law line. A place that is not known is one of which no line is held.
    """
    word = value.strip().lower()
    where = "" if word in UNSAID else word
    lines = {(law.law, law.jurisdiction): law for law in catalogue.laws}
    local = {law.law for law in catalogue.laws if law.jurisdiction}
    hazards = dict(catalogue.hazards)
    for key, hazard in catalogue.hazards.items():
        if hazard.level == "law":
            law = lines.get((key, where if key in local else ""))
            hazards[key] = _say_nothing_held(hazard, where) if law is None else _with_line(hazard, law)
    return replace(catalogue, hazards=hazards)


def _with_line(hazard: Hazard, law: Law) -> Hazard:
    return replace(hazard, line=law.line, authority=law.authority, status=law.status, dated=law.dated)


def _say_nothing_held(hazard: Hazard, where: str) -> Hazard:
    place = "there" if where == ELSEWHERE else f"of {where}"
    about = hazard.short[0].upper() + hazard.short[1:]
    line = f"{about}: no line is held {place}, which does not mean there is none; {ASK}"
    return replace(hazard, line=line, authority="your authority", status="judgement", dated="")
