"""The columns of a sheet of notes: what each holds, by which other words it is known, and how its cells are read."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from gradeest.errors import InputError
from gradeest.materials.catalogue import Catalogue
from gradeest.materials.plating import parse_area
from gradeest.records.ash_rules import ways_of_burning
from gradeest.records.domain import METALS
from gradeest.records.findings import suggest
from gradeest.records.product_rules import METHODS
from gradeest.records.references import METAL_WORDS
from gradeest.records.result_rules import LIQUIDS
from gradeest.records.sampling_rules import read_part
from gradeest.records.sheet_cells import Row, Sheet, Value
from gradeest.records.sheet_values import Habits, choice, plain_text, whole_number, yes_no
from gradeest.records.spot_rules import MOMENTS, RESULTS
from gradeest.units import (
    parse_hours,
    parse_length,
    parse_mass,
    parse_mass_range,
    parse_money,
    parse_purity,
    parse_result,
    parse_share,
    parse_share_range,
    parse_volume,
)

IGNORED = "ignore"  # what a column is mapped to when nobody wants it
UNIT_BEHIND = re.compile(r"(?P<name>.+?)\s*(?:\((?P<a>[^()]*)\)|\[(?P<b>[^\[\]]*)\]|\sin\s+(?P<c>\S+)|[ _,](?P<d>\S+))")


@dataclass(frozen=True)
class Reader:
    """What cells are read with: the sheet's habits, the catalogue's words, and how a lost share is read."""

    habits: Habits
    catalogue: Catalogue
    read_share: Callable[[str], tuple[float, float]]


@dataclass(frozen=True)
class Column:
    """A column: what it holds in words, how a cell with the unit of its heading is read, other words for it.

    `takes_unit`: a sample unit where the heading may carry one ("weight (g)"); empty where it may not.
    """

    says: str
    read: Callable[[Reader, Value, str], Any]
    also: tuple[str, ...] = ()
    takes_unit: str = ""


@dataclass(frozen=True)
class Heading:
    """A column of a sheet: its place, what it was taken for, and the unit that its cells may leave out."""

    index: int
    text: str
    column: str
    unit: str = ""


# -- cells -------------------------------------------------------------------------------------------------------------


def _text(_: Reader, value: Value, __: str) -> str:
    return plain_text(value)


def _date(reader: Reader, value: Value, _: str) -> Any:
    return reader.habits.date(value)


def _mass(reader: Reader, value: Value, unit: str) -> float:
    return parse_mass(reader.habits.with_unit(value, unit)) / 1000


def _weight(reader: Reader, value: Value, unit: str) -> tuple[float, float]:
    return parse_mass_range(reader.habits.with_unit(value, unit), metal=True)


def _metal_g(reader: Reader, value: Value, unit: str) -> float:
    return parse_mass(reader.habits.with_unit(value, unit).lstrip("<").strip(), metal=True)


def _money(reader: Reader, value: Value, _: str) -> float:
    return parse_money(reader.habits.with_unit(value, ""))


def _result(reader: Reader, value: Value, unit: str) -> tuple[float, bool]:
    return parse_result(reader.habits.with_unit(value, unit))


def _share(reader: Reader, value: Value, unit: str) -> float:
    return parse_share(reader.habits.with_unit(value, unit).lstrip("±+-/ "))


def _lost(reader: Reader, value: Value, unit: str) -> tuple[float, float]:
    return reader.read_share(reader.habits.with_unit(value, unit))


def _volume(reader: Reader, value: Value, unit: str) -> float:
    return parse_volume(reader.habits.with_unit(value, unit))


def _parts(reader: Reader, value: Value, unit: str) -> list[tuple[str, float | None]]:
    """NAME=MASS, parted by semicolons or line breaks, as (name, kg or None where no mass stands)."""
    parts: list[tuple[str, float | None]] = []
    for text in re.split(r"[;\n]", value if isinstance(value, str) else plain_text(value)):
        name, equals, mass = (word.strip() for word in text.partition("="))
        if not text.strip():
            continue
        if not name or (equals and not mass):
            raise InputError(f"'{text.strip()}' is no NAME=MASS", 'such as "strong=210 g; weak=1.1 kg"')
        parts.append((plain_text(name), _mass(reader, mass, unit) if equals else None))
    return parts


def _weighed_parts(reader: Reader, value: Value, unit: str) -> list[tuple[str, float, str]]:
    """NAME=MASS or NAME=MASS:KIND for each, as (name, kg, kind or "")."""
    whole = value if isinstance(value, str) else plain_text(value)
    texts = [text.partition(":") for text in re.split(r"[;\n]", whole) if text.strip()]
    parts = _parts(reader, ";".join(head for head, _, _ in texts), unit)
    for name, kg in parts:
        if kg is None:
            raise InputError(f"'{name}' has no mass", 'NAME=MASS for each, such as "strong=210 g; weak=1.1 kg"')
    return [(name, kg or 0.0, kind.strip()) for (name, kg), (_, _, kind) in zip(parts, texts, strict=True)]


def _named_parts(reader: Reader, value: Value, unit: str) -> list[tuple[str, float]]:
    """NAME=MASS for each, as (name, kg)."""
    parts = _weighed_parts(reader, value, unit)
    for name, _, kind in parts:
        if kind:
            raise InputError(f"'{name}' cannot have a kind here", "NAME=MASS alone")
    return [(name, kg) for name, kg, _ in parts]


def _one_part(reader: Reader, value: Value, unit: str) -> tuple[str, float]:
    """One NAME=MASS, as (name, kg)."""
    parts = _named_parts(reader, value, unit)
    if len(parts) != 1:
        raise InputError(f"{len(parts)} parts stand here", "one, such as floor=60 g")
    return parts[0]


def _metal(_: Reader, value: Value, __: str) -> str:
    return choice(value, METALS, "metal", also=METAL_WORDS.get)


def _kind(reader: Reader, value: Value, _: str) -> str:
    return choice(value, (*reader.catalogue.kinds, *reader.catalogue.boards), "kind")


def _route(reader: Reader, value: Value, _: str) -> str:
    return choice(value, reader.catalogue.routes, "route")


def _form(reader: Reader, value: Value, _: str) -> str:
    return choice(value, reader.catalogue.forms, "form")


def _liquid(_: Reader, value: Value, __: str) -> str:
    return choice(value, LIQUIDS, "answer")


def _purity(reader: Reader, value: Value, _: str) -> float:
    return parse_purity(reader.habits.with_unit(value, ""))


def _area(reader: Reader, value: Value, unit: str) -> float:
    return parse_area(reader.habits.with_unit(value, unit))


def _length(reader: Reader, value: Value, unit: str) -> float:
    return parse_length(reader.habits.with_unit(value, unit))


def _hours(reader: Reader, value: Value, unit: str) -> float:
    return parse_hours(reader.habits.with_unit(value, unit))


def _minutes(reader: Reader, value: Value, unit: str) -> float:
    return 60 * parse_hours(reader.habits.with_unit(value, unit or "min"))


def _addresses(_: Reader, value: Value, __: str) -> list[str]:
    return [text.strip() for text in re.split(r"[;,\n]", plain_text(value)) if text.strip()]


def _part(reader: Reader, value: Value, _: str) -> tuple[float, float]:
    return read_part(reader.habits.with_unit(value, ""))


def _by_metal(reader: Reader, value: Value, _: str) -> dict[str, str]:
    """METAL=VALUE for each, as texts by metal, numbers with a decimal point."""
    found: dict[str, str] = {}
    for text in re.split(r"[;\n]", plain_text(value)):
        metal, equals, said = (word.strip() for word in text.partition("="))
        if not text.strip():
            continue
        if not equals or not said:
            raise InputError(f"'{text.strip()}' is no METAL=VALUE", "such as Au=.9761; Pd=0.55 %")
        found[choice(metal, METALS, "metal", also=METAL_WORDS.get)] = reader.habits.number_text(said)
    return found


def _elsewhere(reader: Reader, value: Value, unit: str) -> tuple[float, float]:
    low, high = parse_share_range(reader.habits.with_unit(value, unit))
    return (0.0, high) if low == high else (low, high)


def _word(known: Sequence[str], what: str) -> Callable[[Reader, Value, str], str]:
    return lambda _, value, __: choice(value, known, what)


def _burning(reader: Reader, value: Value, _: str) -> str:
    return choice(value, ways_of_burning(reader.catalogue), "way of burning")


# -- columns -----------------------------------------------------------------------------------------------------------

COLUMNS: dict[str, Column] = {
    "what": Column("what the row tells", _text, ("event", "entry", "row")),
    "date": Column("the day it happened, YYYY-MM-DD", _date, ("day", "when", "datum")),
    "lot": Column("the lot's name", _text, ("purchase",)),
    "fraction": Column("the fraction's name within its lot", _text, ()),
    "kind": Column("its kind, from the list", _kind, ("sort", "material")),
    "mass": Column("mass of feed with its unit, such as 2.45 kg", _mass, ("feed", "feed mass", "masse"), "kg"),
    "pieces": Column("how many pieces, if counted", lambda _, v, __: whole_number(v), ("count", "pcs")),
    "wet": Column("yes where it was weighed wet", lambda _, v, __: yes_no(v, "wet", "dry")),
    "mixed": Column("yes where it holds other kinds too", lambda _, v, __: yes_no(v)),
    "owner": Column("whose the lot is", _text),
    "paid": Column("what the lot cost", _money, ("price", "price paid", "cost"), "EUR"),
    "batch": Column("the batch's name, your own, such as run 7", _text, ("run", "batch name", "batch no")),
    "charges": Column("what went in: LOT/FRACTION=MASS; ... (no mass: all that was left)", _parts, ("charge",), "kg"),
    "route": Column("how it was processed, from the list; empty: the kind's usual way", _route),
    "metal": Column("Au, Ag or Pd", _metal),
    "form": Column("what was weighed, from the list", _form, ("product form",)),
    "weight": Column("net weight with its unit, such as 1.84 g or 2-3 g", _weight, ("net weight", "gewicht"), "g"),
    "readability": Column("the balance's smallest step, such as 0.01 g", _metal_g, ("step", "resolution"), "g"),
    "balance": Column("which balance", _text, ("scale", "scales")),
    "damp": Column("yes where it was weighed damp", lambda _, v, __: yes_no(v, "damp", "dry")),
    "close": Column("yes: nothing more came of the batch", lambda _, v, __: yes_no(v, "closed", "open"), ("closed",)),
    "below": Column("nothing seen: it weighs less than this, such as 0.02 g", _metal_g, ("limit", "less than"), "g"),
    "liquid": Column("the liquid: tested-negative, kept or gone", _liquid, ("solution",)),
    "value": Column("the grade found, such as 310 g/t, or <5 g/t", _result, ("grade", "result"), "g/t"),
    "method": Column("how it was assayed: fire, wet or xrf", _word(METHODS, "method")),
    "area": Column("plated area of all pieces weighed, such as 120 cm2", _area, ("plated area",), "cm2"),
    "thickness": Column("thickness of the plate, such as 0.76 um or 30 uin", _length, (), "um"),
    "nominal": Column("yes where the thickness is that of a class or drawing", lambda _, v, __: yes_no(v)),
    "purity": Column("share of metal in a product, such as 97.6 %", _purity, ("share of metal",)),
    "colour": Column("what the spot test showed, from the list", _word(RESULTS, "result"), ("color", "test")),
    "moment": Column("when it was made: before-drop or after-drop", _word(MOMENTS, "answer")),
    "u": Column(
        "its standard uncertainty (1 sd), such as 5 %", _share, ("uncertainty", "standard uncertainty", "sd"), "%"
    ),
    "of": Column("LOT/FRACTION, BATCH/PRODUCT (run 7/au-1) or BATCH/STREAM", _text, ("address", "item")),
    "boards": Column("which of the lot's boards it came off, where there are several", _text, ("pile",)),
    "whole": Column("what these boards weighed whole, such as 1 kg", _mass, ("boards mass",), "kg"),
    "minutes": Column("work of taking it off, such as 45 or 0.75 h", _minutes, ("min",), "min"),
    "heaps": Column("sorted into: NAME=MASS; NAME=MASS:KIND; ...", _weighed_parts, ("sorted into",), "kg"),
    "amount": Column("what was paid to you", _money, ("received", "proceeds"), "EUR"),
    "products": Column("melted together: run 7/au-1; run 8/au-1", _addresses),
    "melted": Column("weight after melting with its unit", _metal_g, ("after melting",), "g"),
    "fineness": Column("the paper's assay, metal by metal: Au=.9761; Pd=0.55 %", _by_metal),
    "payable": Column("what is paid for: Au=98 %", _by_metal),
    "prices": Column("at which price: Au=50 / g", _by_metal),
    "fees": Column("the paper's charges, all together", _money, (), "EUR"),
    "due": Column("what is still to come of it", _money, ("still due",), "EUR"),
    "to": Column("who bought it", _text, ("buyer", "sold to")),
    "streams": Column("set aside: NAME=MASS; ...", _named_parts, ("set aside",), "kg"),
    "share": Column("how much was lost, such as 20-50 %", _lost, ("lost", "share lost"), "%"),
    "wiped": Column("wiped up of it: NAME=MASS", _one_part, ("wiped up",), "g"),
    "stream": Column("the name of the solution or residue", _text, ("solution name", "residue name")),
    "volume": Column("its volume with the unit", _volume, (), "L"),
    "powder": Column("what of a sample ground: mass and grade, such as 930 g 250 g/t", _part, ("ground part",)),
    "oversize": Column("what of it did not grind: mass and grade, such as 70 g 4200 g/t", _part, ("metallic part",)),
    "sample": Column("what of the ground stuff was assayed, with its unit", _metal_g, ("sample mass",), "g"),
    "top": Column("its largest pieces, with the unit, such as 0.2 mm", _length, ("top size",), "mm"),
    "reads": Column("what the balance read, with its unit", _metal_g, ("reading",), "g"),
    "hours": Column("hands-on hours with their unit, such as 3.5 h", _hours, ("hands on",), "h"),
    "step": Column("of which step of the work; empty: all other", _text, ("work step",)),
    "spent": Column("what was spent on the batch", _money, ("expense", "expenses"), "EUR"),
    "waste": Column("what the waste was", _text, ()),
    "went": Column("where it went", _text, ("went to",)),
    "filters": Column("of ash: whose filters were burnt, run 7; run 8, or a period", _text, ("from batches",)),
    "burning": Column("of ash: how they were burnt, from the list", _burning, ("burnt",)),
    "untracked": Column("of ash: share from elsewhere, such as 2-40 %", _elsewhere, (), "%"),
    "note": Column("anything worth remembering", _text, ("notes", "remark", "remarks", "comment", "comments")),
}
METAL_COLUMNS = ("weight", "readability", "below")
NUMERIC = tuple(name for name, column in COLUMNS.items() if column.takes_unit)


# -- headings ----------------------------------------------------------------------------------------------------------


def flat(text: str) -> str:
    """A heading as it is compared: lower case, one blank for blanks, hyphens and underscores."""
    return " ".join(re.sub(r"[\s_-]+", " ", text.lower()).strip(" :?.").split())


WORDS = {flat(word): name for name, column in COLUMNS.items() for word in (name, *column.also)}


def parse_map(texts: Sequence[str]) -> dict[str, str]:
    """HEADING=COLUMN as typed, as heading -> column, maybe with its unit ("weight (g)"). Raises InputError."""
    mapping = {}
    for text in texts:
        heading, equals, target = (word.strip() for word in text.rpartition("="))
        name, unit = part_unit(target)
        if not equals or not heading or name is None:
            known = suggest(target, (*COLUMNS, IGNORED), f"columns: {', '.join(COLUMNS)}, or {IGNORED}")
            raise InputError(f"--map '{text}' is no HEADING=COLUMN", f'such as "Netto=weight"; {known}')
        mapping[flat(heading)] = f"{name} ({unit})" if unit else name
    return mapping


def part_unit(text: str) -> tuple[str | None, str]:
    """A heading as the column it means and its unit: "weight (g)", "mass_kg"; None where it means none."""
    word = flat(text)
    if word == IGNORED:
        return IGNORED, ""
    if word in WORDS:
        return WORDS[word], ""
    found = UNIT_BEHIND.fullmatch(text.strip().rstrip(":"))
    if found is None or flat(found["name"]) not in WORDS:
        return None, ""
    name = WORDS[flat(found["name"])]
    bare = found["c"] or found["d"] or ""
    if bare and not is_unit(name, bare):  # "batch weight" is no batch
        return None, ""
    return name, (bare or found["a"] or found["b"] or "").strip()


def is_unit(name: str, unit: str) -> bool:
    """Whether the cells of a column can be read with a unit."""
    sample = COLUMNS[name].takes_unit
    if not sample:
        return False
    try:
        _parse_unit(name, unit)
    except InputError:
        return False
    return True


def _parse_unit(name: str, unit: str) -> None:
    by_sample: dict[str, Callable[[str], Any]] = {"g/t": parse_result, "%": parse_share, "L": parse_volume}
    by_sample |= {"EUR": parse_money, "cm2": parse_area, "um": parse_length, "h": parse_hours, "min": parse_hours}
    by_sample["g"] = lambda text: parse_mass(text, metal=name in METAL_COLUMNS)
    by_sample.get(COLUMNS[name].takes_unit, parse_mass)(f"0.5 {unit}")


def find_headings(sheet: Sheet, mapping: Mapping[str, str], remembered: Mapping[str, str]) -> list[Heading]:
    """The columns of a sheet by its row of headings; what cannot be placed is added to its issues."""
    row = _heading_row(sheet, {**remembered, **mapping})
    headings: list[Heading] = []
    for index, value in row.cells.items():
        text = str(value).strip()
        name, unit = part_unit(mapping.get(flat(text)) or remembered.get(flat(text)) or text)
        if name is None:
            near = suggest(flat(text), WORDS, f"columns: {', '.join(COLUMNS)}")
            message = f"there is no column '{text}'"
            sheet.error(row.number, index, message, f'{near}; say what it is: --map "{text}=COLUMN" (or ={IGNORED})')
            headings.append(Heading(index, text, IGNORED))
        elif name != IGNORED and name in [heading.column for heading in headings]:
            first = next(heading for heading in headings if heading.column == name)
            message = f"'{text}' and '{first.text}' are both the column {name}"
            sheet.error(row.number, index, message, f'--map "{text}={IGNORED}", or name them differently')
            headings.append(Heading(index, text, IGNORED))
        elif name == IGNORED:
            sheet.forget(index)
            headings.append(Heading(index, text, IGNORED))
        else:
            _check_unit(sheet, row.number, index, name, unit)
            headings.append(Heading(index, text, name, unit if name in NUMERIC else ""))
    for text in set(mapping) - {flat(str(value)) for value in row.cells.values()}:
        sheet.error(row.number, 1, f"--map names a heading '{text}' that is not there", "headings as in the sheet")
    if "what" not in [heading.column for heading in headings]:
        hint = '`gradeest template` writes a sheet with it; or --map "HEADING=what"'
        sheet.error(row.number, 1, "no column says what each row tells (what: lot, batch, product ...)", hint)
    sheet.rows = [one for one in sheet.rows if one.number > row.number]
    return headings


def _heading_row(sheet: Sheet, mapping: Mapping[str, str]) -> Row:
    """The row of headings: titles may stand above it, so it is the first with `what`, else that with most columns."""

    def known(row: Row) -> list[str]:
        texts = [str(value) for value in row.cells.values()]
        found = [part_unit(mapping.get(flat(text)) or text)[0] for text in texts]
        return [name for name in found if name is not None]

    near = [(row, known(row)) for row in sheet.rows[:30]]
    return max(near, key=lambda one: ("what" in one[1] and len(one[0].cells) > 1, len(one[1]), -one[0].number))[0]


def has_headings(sheet: Sheet, mapping: Mapping[str, str]) -> bool:
    """Whether a sheet has a column `what`: it is one of notes."""
    if not sheet.rows:
        return False
    return any(
        part_unit(mapping.get(flat(str(value))) or str(value))[0] == "what"
        for value in _heading_row(sheet, mapping).cells.values()
    )


def _check_unit(sheet: Sheet, row: int, index: int, name: str, unit: str) -> None:
    """Add an error for a unit in a heading that its cells could not be read with."""
    sample = COLUMNS[name].takes_unit if name in COLUMNS else ""
    if not unit or not sample or sample == "EUR":
        return
    try:
        _parse_unit(name, unit)
    except InputError as err:
        sheet.error(row, index, f"the heading's unit '{unit}': {err.message}", err.hint)
