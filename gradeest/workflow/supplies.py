"""What there is of everything that a plan may be short of: hours, money, days, and items by name."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from gradeest.errors import InputError, Issue
from gradeest.materials.catalogue import Catalogue, Item, nearest
from gradeest.units import parse_mass, parse_volume
from gradeest.workflow.plan_columns import CASH, DAYS, HOURS

if TYPE_CHECKING:
    from gradeest.workflow.plan_columns import Columns

NOTHING = ("0", "none", "no")


@dataclass(frozen=True)
class Limits:
    """Hands-on hours, money and days there are (None: no limit), and items as typed: "nitric acid=10 L".

    `at_once`: how many runs may be going side by side (None: one); hands-on hours stay one after the other.
    """

    hours: float | None = None
    cash: float | None = None
    days: float | None = None
    items: Sequence[str] = ()
    at_once: int | None = None

    def over(self, other: Limits) -> Limits:
        """These where they say something, else the other's."""
        named = {each.name: getattr(self, each.name) for each in fields(self)}
        return replace(other, **{name: value for name, value in named.items() if value is not None and value != ()})


NO_LIMITS = Limits()


@dataclass(frozen=True)
class Supply:
    """So much of something there is; `uses` (column,) is what runs, trials and assays are expected to take of it.

    `step`: what is told of it is rounded up to whole packs (0: not at all). `is_restricted`: the law asks for a licence
    in places; `is_barred`: the bench says that it has none, so `most` is 0. `places`: so many may take it side by side.
    `wait` (draw,): what of it is over before the result of an assay is there.
    """

    key: str  # as in `Columns`
    name: str
    unit: str
    most: float
    uses: NDArray[np.float64]
    step: float = 0.0
    is_restricted: bool = False
    is_barred: bool = False
    places: int = 1
    wait: NDArray[np.float64] | None = None


def read_limits(texts: Sequence[str], catalogue: Catalogue) -> dict[str, float]:
    """Items by id with what there is of each, in the item's unit. Raises InputError with every problem at once."""
    found: dict[str, float] = {}
    issues: list[Issue] = []
    for text in texts:
        name, equals, amount = (part.strip() for part in text.partition("="))
        field = f'--limit "{text}"'
        item = _find(name, catalogue)
        try:
            if not equals or not amount:
                raise InputError("there is no amount", 'type it like "nitric acid=10 L"')
            if item is None:
                near = nearest(name, [row.name for row in catalogue.items.values()])
                raise InputError(f"nothing is called '{name}'", f"did you mean {' or '.join(near)}?" if near else "")
            if item.id in found:
                raise InputError(f"{item.name} is limited twice", "type it once")
            found[item.id] = _read_amount(amount, item)
        except InputError as err:
            issues.append(Issue("error", err.message, err.hint, field=field))
    if issues:
        raise InputError("what was typed cannot be used", issues=issues)
    return found


def _find(name: str, catalogue: Catalogue) -> Item | None:
    plain = name.lower().replace("-", " ")
    rows = catalogue.items.values()
    return next((row for row in rows if plain in (row.name.lower(), row.id.replace("-", " "))), None)


def _read_amount(text: str, item: Item) -> float:
    """An amount in the item's unit; nothing is an amount too."""
    if text.split()[0].lower() in NOTHING:
        return 0.0
    if item.unit == "L":
        return parse_volume(text)
    if item.unit == "kg":
        return parse_mass(text) / 1000
    number, _, word = text.partition(" ")
    try:
        value = float(number.replace(",", "."))
    except ValueError:
        value = -1.0
    if not 0 <= value < np.inf or word.strip().rstrip("s") not in ("", item.unit):
        raise InputError(f"'{text}' is no amount of {item.name}", f'type it like "{item.name}=20 {item.unit}"')
    return value


def list_supplies(
    limits: Limits,
    amounts: Mapping[str, float],
    columns: Columns,
    catalogue: Catalogue,
    currency: str,
    barred: Collection[str],
) -> tuple[Supply, ...]:
    """What there is of everything limited, and of what the bench has no licence for: nothing.

    Parameters: amounts, items by id as `read_limits` gives them; barred, items that the bench has no licence for.
    """
    given = (("h", limits.hours, HOURS), (currency, limits.cash, CASH))
    found = [Supply(key, key, unit, most, columns.expected(key)) for unit, most, key in given if most is not None]
    if limits.days is not None:
        places, expected = limits.at_once or 1, columns.expected(DAYS)
        found.append(Supply(DAYS, DAYS, "d", limits.days, expected, places=places, wait=columns.wait))
    for key, item in catalogue.items.items():
        is_barred = key in barred and key in columns.items
        if key in amounts or is_barred:
            most = 0.0 if is_barred else amounts[key]
            row = item.name, item.unit, most, columns.expected(key), item.pack, bool(item.law), is_barred
            found.append(Supply(key, *row))
    return tuple(found)
