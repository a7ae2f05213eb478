"""The prices file: reads and writes `prices.toml`, every problem at once with its line."""

from __future__ import annotations

import datetime as dt
import difflib
import math
import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

from gradeest.decision.buyer_file import EXAMPLE, read_buyers
from gradeest.decision.prices import Prices, RouteCosts
from gradeest.errors import InputError, Issue
from gradeest.materials.catalogue import Catalogue, Quantiles
from gradeest.materials.tables import find_lines
from gradeest.records.domain import METALS
from gradeest.records.text_files import read_text, write_whole

Form = Literal["amount", "share", "number", "price", "text"]
AMOUNT_HINT = "type one number, or three rising ones [bad, middle, good] for 5, 50 and 95 of 100 cases"
OLD_AFTER = "money.old_after_days"
PRICE_HINT = 'type a price with its unit, like "100 / g" or "3110 / ozt"'
DECIMAL_COMMA = re.compile(r"=\s*[+-]?\d+,\d")
PRICE = re.compile(
    r"^(?P<before>[^\d.,/+-]*)(?P<number>[+-]?\d[\d.,  ']*)(?P<after>[^\d/]*?)\s*(?:/|\bper\b)\s*(?P<unit>.+)$"
)


@dataclass(frozen=True)
class Entry:
    """One row of the file: where it stands, what it may hold, and which row of the priors fills it."""

    key: str  # dotted place in the file
    form: Form
    prior: Quantiles | None  # None: no default
    meaning: str


def list_entries(catalogue: Catalogue) -> Iterator[Entry]:
    """Every row a prices file may hold, in the order of the file."""
    shares = catalogue.shares
    nothing = Quantiles(0.0, 0.0, 0.0)
    yield Entry("currency", "text", None, "your currency, as you write it")
    for metal in METALS:
        yield Entry(f"metals.{metal}", "price", None, f'fine {metal}, like "100 / g" or "3110 / ozt"; 0 if not sold')
    yield Entry(
        "time.hours_rate", "number", shares.get("hours-rate", nothing), "what an hour of your work is worth; 0: unpaid"
    )
    yield Entry(
        "time.assay_hours", "amount", shares.get("assay-hours"), "your hours for one assay: sample, grind, send"
    )
    yield Entry("time.assay_days", "amount", shares.get("assay-days"), "days until a laboratory's result")
    yield Entry("settlement.fee", "amount", shares.get("lot-fee", nothing), "least fee of one settlement")
    for metal in METALS:
        yield Entry(f"settlement.payable.{metal}", "share", shares.get(f"payable:{metal}"), "share of the metal paid")
    for metal in METALS:
        yield Entry(f"settlement.fee_per_g.{metal}", "number", nothing, "charge per g of fine metal")
    for metal in METALS:
        yield Entry(f"settlement.deduction_g.{metal}", "number", nothing, "g of fine metal per settlement never paid")
    for route in catalogue.routes:
        for name, prior, meaning in ROUTE_ROWS:
            yield Entry(f"routes.{route}.{name}", "amount", shares.get(f"{prior}:{route}"), meaning)
    for item in catalogue.items.values():
        yield Entry(f"items.{item.id}", "amount", item.price, f"{item.name}, per {item.unit}")
    for cls in (*catalogue.classes, *catalogue.kinds):
        if f"as-is:{cls}" in shares:
            yield Entry(
                f"sell_as_is.share.{cls}", "share", shares[f"as-is:{cls}"], "of the usual metal value, paid as is"
            )
    for kind in catalogue.kinds:
        yield Entry(f"sell_as_is.per_kg.{kind}", "amount", None, "money a buyer offers per kg; replaces the share")
    for state, meaning in BOARD_STATES:
        yield Entry(f"boards.share.{state}", "share", shares.get(f"as-is:boards-{state}"), f"of the metal, {meaning}")
    for state, meaning in BOARD_STATES:
        for board in catalogue.boards.values():
            if not board.stop:
                yield Entry(f"boards.{state}_per_kg.{board.id}", "amount", None, f"money per kg, {meaning}")


ROUTE_ROWS = (
    ("cost_fixed", "cost-fixed", "money per batch, if you know it; else counted item by item"),
    ("cost_per_kg", "cost-per-kg", "money per kg of feed, if you know it; else counted item by item"),
    ("hours_fixed", "hours-fixed", "hands-on hours per batch"),
    ("hours_per_kg", "hours-per-kg", "hands-on hours per kg of feed"),
)


BOARD_STATES = (("whole", "boards with all parts on"), ("picked", "boards of which parts were taken"))
EXAMPLES = ("sell_as_is.per_kg", *(f"boards.{state}_per_kg" for state, _ in BOARD_STATES))


def parse_metal_price(text: object, currency: str) -> float:
    """Price of fine metal in currency per g from "100 / g", "3110 per ozt", "100 USD/g"; a unit is needed.

    Raises InputError for a number without unit, a unit that is no mass, another currency, a negative price.
    """
    from gradeest.units import parse_mass, parse_number

    if text == 0 and not isinstance(text, bool):
        return 0.0
    found = PRICE.match(text.strip()) if isinstance(text, str) else None
    if found is None:
        raise InputError(f"'{text}' is no price with a unit", PRICE_HINT)
    for word in (found["before"].strip(), found["after"].strip()):
        if word and word.lower() != currency.lower():
            raise InputError(
                f"'{word}' is not the file's currency ({currency})", "leave the currency out: it stands once, above"
            )
    price = parse_number(found["number"])
    if price < 0:
        raise InputError("a price cannot be negative", PRICE_HINT)
    try:
        grams = parse_mass(f"1 {found['unit'].strip()}", metal=True)
    except InputError as err:
        raise InputError(f"'{found['unit'].strip()}' is no mass: {err.message}", err.hint or PRICE_HINT) from None
    return price / grams


def read_prices(path: Path, catalogue: Catalogue, *, today: dt.date | None = None) -> Prices:
    """Read `prices.toml`. Raises InputError with every problem; rows it lacks are taken from the priors (`assumed`).

    With `today`, prices that are dated and old are warned of.
    """
    if not path.exists():
        raise InputError(f"there is no {path}", "write one with: gradeest prices new")
    text = read_text(path)
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as err:
        at = re.search(r"line (\d+)", str(err))
        number = int(at[1]) if at else None
        line = text.split("\n")[number - 1] if number else ""
        hint = "a number has a point here, such as 12.5" if DECIMAL_COMMA.search(line) else "text stands in quotes"
        issue = Issue("error", f"not readable: {err}", hint, str(path), number)
        raise InputError(f"{path} is no prices file", issues=[issue]) from err
    dated, sold_to = table.pop("dated", None), table.pop("buyers", None)
    typed = dict(_flatten(table))
    reader = _Reader(str(path), find_lines(text), typed, str(typed.get("currency", "")))
    entries = list(list_entries(catalogue))
    reader.refuse_unknown({entry.key for entry in entries})
    values = {entry.key: reader.take(entry) for entry in entries}
    if len(reader.no_price) == len(METALS):  # of one metal the money is left out, and it is said
        for key in reader.no_price:
            reader.refuse(key, "missing", "type 0 if you do not sell it; else " + PRICE_HINT)
    reader.check_routes(values, catalogue)
    buyers = read_buyers(sold_to, catalogue, reader.refuse, reader.read_row)
    day = reader.take_day(dated, today)
    if reader.issues:
        raise InputError(f"{path} cannot be used", issues=reader.issues)
    prices = _assemble(values, catalogue, reader)
    warnings = [*prices.warnings, *reader.warn_old(day, today, catalogue)]
    if buyers:
        unused = [key for key in typed if key.startswith("settlement.") and key not in prices.assumed]
        warnings += [reader.warning("settlement", "not used: there are buyers", "take it out")] if unused else []
        assumed = tuple(key for key in prices.assumed if not key.startswith("settlement."))
        prices = replace(prices, buyers=buyers, assumed=assumed)
    return replace(prices, warnings=tuple(warnings))


def _flatten(table: Mapping[str, Any], head: str = "") -> Iterator[tuple[str, Any]]:
    for key, value in table.items():
        if isinstance(value, dict):
            yield from _flatten(value, f"{head}{key}.")
        else:
            yield f"{head}{key}", value


class _Reader:
    """Takes rows from the flattened file and collects what is wrong with them."""

    def __init__(self, file: str, lines: Mapping[str, int], typed: Mapping[str, Any], currency: str) -> None:
        self.file, self.lines, self.typed, self.currency = file, lines, typed, currency
        self.issues: list[Issue] = []
        self.no_price: list[str] = []  # rows of metals
        self.assumed: list[str] = []

    def refuse(self, key: str, message: str, hint: str) -> None:
        self.issues.append(Issue("error", message, hint, self.file, self.lines.get(key), key))

    def refuse_unknown(self, known: set[str]) -> None:
        for key in self.typed:
            if key not in known:
                near = difflib.get_close_matches(key, sorted(known), 3)
                self.refuse(key, "unknown row", f"did you mean {', '.join(near)}?" if near else "take it out")

    def take(self, entry: Entry) -> Any:
        """The row's value: as typed, else the prior's, else None."""
        value = self.typed.get(entry.key)
        if entry.form in ("price", "text"):
            return self._take_needed(entry, value)
        if value is None:
            if entry.prior is not None and (entry.prior.q50 or entry.form != "number"):
                self.assumed.append(entry.key)
            return entry.prior
        row = self._row(entry, value)
        if row is not None and entry.prior is not None and _same(row, entry.prior) and entry.prior.q50:
            self.assumed.append(entry.key)
        return row

    def _take_needed(self, entry: Entry, value: Any) -> Any:
        if value is None or value == "":
            if entry.form == "price":
                self.no_price.append(entry.key)
                return 0.0
            self.refuse(entry.key, "missing", "like EUR")
        elif entry.form == "text":
            if isinstance(value, str) and not any(c.isdigit() or c == "/" for c in value):
                return value
            self.refuse(entry.key, f"'{value}' is no currency", "like EUR, without a number")
        else:
            try:
                return parse_metal_price(value, self.currency)
            except InputError as err:
                self.refuse(entry.key, err.message, err.hint)
        return None

    def _row(self, entry: Entry, value: Any) -> Quantiles | None:
        typed = value if isinstance(value, list) else [value]
        numbers = [_plain_number(item) for item in typed]
        hint = 'type shares between 0 and 1, like 0.97 or "97 %"' if entry.form == "share" else AMOUNT_HINT
        if (
            len(numbers) not in (1, 3)
            or any(n is None for n in numbers)
            or (entry.form == "number" and len(numbers) > 1)
        ):
            self.refuse(entry.key, f"{value!r} cannot be read", "type one number" if entry.form == "number" else hint)
            return None
        q5, q50, q95 = (n for n in (numbers if len(numbers) == 3 else numbers * 3) if n is not None)
        if q5 < 0:
            self.refuse(entry.key, f"{value!r} is negative", hint)
        elif entry.form == "share" and q95 > 1:
            self.refuse(entry.key, f"{value!r} is more than everything", hint)
        elif len(numbers) == 3 and not (0 < q5 < q50 < q95 and (entry.form != "share" or q95 < 1)):
            self.refuse(entry.key, f"{value!r} does not rise from above 0", hint)
        else:
            return Quantiles(q5, q50, q95, status="judgement")
        return None

    def read_row(self, key: str, form: Form, value: Any) -> Quantiles | None:
        """A row outside the list of entries; None where it is refused."""
        return self._row(Entry(key, form, None, ""), value)

    def warning(self, key: str, message: str, hint: str) -> Issue:
        """Something to be said of a row."""
        return Issue("warning", message, hint, self.file, self.lines.get(key), key)

    def take_day(self, value: Any, today: dt.date | None) -> dt.date | None:
        """The day of the prices, as a date of TOML or as text."""
        try:
            day = dt.date.fromisoformat(value) if isinstance(value, str) else value
        except ValueError:
            day = value
        if day is None or (isinstance(day, dt.date) and not isinstance(day, dt.datetime)):
            if day is not None and today is not None and day > today:
                self.refuse("dated", f"{day} lies in the future", "the day on which you looked the prices up")
            return day
        self.refuse("dated", f"{value!r} is no date", "like dated = 2024-01-05")
        return None

    def warn_old(self, day: dt.date | None, today: dt.date | None, catalogue: Catalogue) -> list[Issue]:
        """A warning where the prices are older than the age at which that is said."""
        most = catalogue.constants[OLD_AFTER]
        if day is None or today is None or (today - day).days <= most:
            return []
        text = f"these prices are {(today - day).days} days old"
        return [self.warning("dated", text, "look them up again and change the date")]

    def check_routes(self, values: Mapping[str, Any], catalogue: Catalogue) -> None:
        for route in catalogue.routes:
            rows = [values[f"routes.{route}.{name}"] for name in ("hours_fixed", "hours_per_kg")]
            if all(row is not None and row.q50 == 0 for row in rows):
                self.refuse(f"routes.{route}.hours_fixed", "a route without hours cannot be ranked", "type its hours")


def _plain_number(value: Any) -> float | None:
    if isinstance(value, str) and value.strip().endswith("%"):
        try:
            return float(value.strip()[:-1].replace(",", ".")) / 100
        except ValueError:
            return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        return None
    return float(value)


def _same(row: Quantiles, prior: Quantiles) -> bool:
    return (row.q5, row.q50, row.q95) == (prior.q5, prior.q50, prior.q95)


def _assemble(values: Mapping[str, Any], catalogue: Catalogue, reader: _Reader) -> Prices:
    def by_name(head: str) -> dict[str, Any]:
        found = {key[len(head) :]: value for key, value in values.items() if key.startswith(head)}
        return {name: value for name, value in found.items() if value is not None}

    routes = {}
    for route in catalogue.routes:
        rows = RouteCosts(*(values[f"routes.{route}.{name}"] for name, _, _ in ROUTE_ROWS))
        if rows.hours_fixed is not None and rows.hours_per_kg is not None:
            routes[route] = rows
    metals = by_name("metals.")
    text = "no price: what it brings is left out of the money"
    warnings = [reader.warning(key, text, "type 0 if you do not sell it") for key in reader.no_price]
    if 0 < metals["Au"] <= metals["Ag"]:  # common practice: gold has never been the cheaper one
        text = "gold is no dearer than silver here"
        warnings.append(reader.warning("metals.Au", text, "check the units of both prices"))
    return Prices(
        currency=values["currency"],
        metal_per_g=metals,
        hours_rate=values["time.hours_rate"].q50,
        routes=routes,
        payable={metal: by_name("settlement.payable.").get(metal, Quantiles(1, 1, 1)) for metal in METALS},
        settlement_fee=values["settlement.fee"],
        fee_per_g={metal: row.q50 for metal, row in by_name("settlement.fee_per_g.").items()},
        deduction_g={metal: row.q50 for metal, row in by_name("settlement.deduction_g.").items()},
        as_is_share=by_name("sell_as_is.share."),
        as_is_per_kg=by_name("sell_as_is.per_kg."),
        boards=by_name("boards."),
        assumed=tuple(reader.assumed),
        warnings=tuple(warnings),
        items=by_name("items."),
        assay_hours=values["time.assay_hours"],
        assay_days=values["time.assay_days"],
    )


def write_prices(
    path: Path,
    catalogue: Catalogue,
    *,
    currency: str = "USD",
    dated: dt.date | None = None,
    replace_old: bool = False,
) -> None:
    """Write a prices file with metal prices empty and all else from the priors, whole or not at all.

    Parameters: dated, the day of the prices that will be typed in. Raises InputError where the file exists (unless
    `replace_old`) or the folder cannot be written.
    """
    if path.exists() and not replace_old:
        raise InputError(f"{path} exists and is not overwritten", "give another name, or move it away")
    write_whole(path, format_prices(catalogue, currency, dated).encode())


def format_prices(catalogue: Catalogue, currency: str, dated: dt.date | None = None) -> str:
    """The text of a new prices file."""
    lines = [*HEAD, f"dated = {dated}  # the day of these prices" if dated else DATED]
    table = ""
    for entry in list_entries(catalogue):
        head, _, name = entry.key.rpartition(".")
        if head != table:
            lines += ["", f"[{head}]"]
            table = head
        elif head in EXAMPLES:
            continue  # one example of the rows without a default is enough
        lines.append(_format_row(entry, name, currency))
    return "\n".join(lines) + "\n" + EXAMPLE


DATED = "# dated = 2024-01-05  # the day of these prices: old ones are warned of"
HEAD = (
    "# What you are paid and what you pay. Amounts are in your currency.",
    "# A row is one number, or three rising ones: for 5, 50 and 95 of 100 cases.",
    "# Metal prices are yours to type. Everything else is a guess to start from: overwrite it with your own.",
    "",
)


def _format_row(entry: Entry, name: str, currency: str) -> str:
    if entry.form == "text":
        return f'{name} = "{currency}"  # {entry.meaning}'
    if entry.form == "price":
        return f'{name} = ""  # {entry.meaning}'
    if entry.prior is None:
        more = "; any kind may stand here" if entry.key.startswith(EXAMPLES) else ""
        return f"# {name} = 0.00  # {entry.meaning}{more}"
    row = entry.prior
    value = f"{row.q50:g}" if row.q5 == row.q95 or entry.form == "number" else f"[{row.q5:g}, {row.q50:g}, {row.q95:g}]"
    return f"{name} = {value}  # {entry.meaning}" + (f" ({row.status})" if row.q50 else "")
