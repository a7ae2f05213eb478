"""The tables [buyers.NAME] of a price file: each buyer's terms, every problem with its line."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Mapping
from typing import Any

from gradeest.decision.terms import NOTHING, SUBSTANCES, Band, Terms
from gradeest.materials.catalogue import Catalogue, Quantiles
from gradeest.records.domain import METALS

AMOUNTS = ("fee", "shipping")  # money, one number or three
NUMBERS = ("fee_per_g_received",)  # one number
BY_METAL = ("fee_per_g", "deduction_g", "threshold_g", "assay_fee")
LISTS = ("rejects", "takes_as_is")
WHAT_TO_TYPE = "type at least payable.Au = 0.97 and fee = 75 in it, as your buyer's terms say"
EXAMPLE = """
# A buyer of your own; with one, [settlement] is not used. Take the # away, and repeat it for each buyer.
# [buyers.north]
# payable.Au = 0.98  # share of the fine metal paid; by purity: { "0" = 0.95, "90 %" = 0.98 }; left out: not paid
# fee = 75  # least fee of a settlement
# shipping = 40  # carriage and insurance of a parcel
# fee_per_g_received = 0.0  # charge per g of what is received
# fee_per_g.Ag = 0.0  # charge per g of fine metal
# assay_fee.Au = 0  # for each metal paid
# deduction_g.Pd = 0.0  # g of fine metal never paid
# threshold_g.Ag = 0.0  # g of fine metal below which none is paid
# surcharge.cadmium = 0  # for what some kinds bring along: a substance, a kind or a class
# rejects = []  # substances, kinds or classes that are not taken
# takes_as_is = []  # kinds or classes settled unprocessed at these terms
"""
Refuse = Callable[[str, str, str], None]  # key, message, hint
ReadRow = Callable[[str, Any, Any], Quantiles | None]  # key, form, value


def read_buyers(table: Any, catalogue: Catalogue, refuse: Refuse, read_row: ReadRow) -> tuple[Terms, ...]:
    """Terms of all buyers. Parameters: table, what stands under [buyers]; problems go to `refuse`."""
    if table is None:
        return ()
    if not isinstance(table, Mapping) or not all(isinstance(rows, Mapping) for rows in table.values()):
        refuse("buyers", "a buyer is a table of its own", "write [buyers.NAME] and the terms below it")
        return ()
    found = []
    for name, rows in table.items():
        reader = _Buyer(str(name), catalogue, refuse, read_row)
        if not isinstance(rows.get("payable"), Mapping) or not rows["payable"]:
            refuse(f"buyers.{name}", f"the buyer '{name}' has no terms", WHAT_TO_TYPE)
            continue
        found.append(reader.read(rows))
    return tuple(found)


class _Buyer:
    """Reads one buyer's rows."""

    def __init__(self, name: str, catalogue: Catalogue, refuse: Refuse, read_row: ReadRow) -> None:
        self.name, self.refuse, self.read_row = name, refuse, read_row
        self.words = {*catalogue.kinds, *catalogue.classes, *SUBSTANCES}

    def read(self, rows: Mapping[str, Any]) -> Terms:
        known = ("payable", "surcharge", *AMOUNTS, *NUMBERS, *BY_METAL, *LISTS)
        for key in rows:
            if key not in known:
                near = difflib.get_close_matches(key, known, 3)
                self._refuse(key, "unknown row", f"did you mean {', '.join(near)}?" if near else ", ".join(known))
        amounts = {key: self._row(key, "amount", rows.get(key)) for key in AMOUNTS}
        by_metal = {key: self._by_metal(key, rows.get(key)) for key in BY_METAL}
        received = self._row("fee_per_g_received", "number", rows.get("fee_per_g_received"))
        return Terms(
            self.name, self._payable(rows["payable"]), amounts["fee"], amounts["shipping"], received.q50,
            by_metal["fee_per_g"], by_metal["deduction_g"], by_metal["threshold_g"], by_metal["assay_fee"],
            self._surcharge(rows.get("surcharge")), *(self._words(key, rows.get(key)) for key in LISTS),
        )  # fmt: skip

    def _refuse(self, key: str, message: str, hint: str) -> None:
        self.refuse(f"buyers.{self.name}.{key}", message, hint)

    def _row(self, key: str, form: str, value: Any) -> Quantiles:
        if value is None:
            return NOTHING
        return self.read_row(f"buyers.{self.name}.{key}", form, value) or NOTHING

    def _payable(self, table: Mapping[str, Any]) -> dict[str, tuple[Band, ...]]:
        found = {}
        for metal, value in table.items():
            key = f"payable.{metal}"
            if metal not in METALS:
                self._refuse(key, f"'{metal}' is no metal here", ", ".join(METALS))
                continue
            bands = value.items() if isinstance(value, Mapping) else [("0", value)]
            read = [Band(self._purity(key, at), self._row(key, "share", share)) for at, share in bands]
            found[metal] = tuple(sorted(read, key=lambda band: band.from_purity))
            if len({band.from_purity for band in read}) < len(read) or not read:
                self._refuse(key, "two bands begin at one purity", 'like { "0" = 0.95, "90 %" = 0.98 }')
        return found

    def _purity(self, key: str, text: Any) -> float:
        from gradeest.errors import InputError
        from gradeest.units import parse_share

        try:
            return parse_share(str(text))
        except InputError as err:
            self._refuse(key, f"{text!r} is no purity: {err.message}", 'from which purity on: "0", "90 %", "0.995"')
            return 0.0

    def _by_metal(self, key: str, table: Any) -> dict[str, float]:
        if table is None:
            return {}
        if not isinstance(table, Mapping):
            self._refuse(key, f"{table!r} says no metal", f"like {key}.Au = 1")
            return {}
        found = {}
        for metal, value in table.items():
            if metal not in METALS:
                self._refuse(f"{key}.{metal}", f"'{metal}' is no metal here", ", ".join(METALS))
            else:
                found[metal] = self._row(f"{key}.{metal}", "number", value).q50
        return found

    def _surcharge(self, table: Any) -> dict[str, float]:
        if table is None:
            return {}
        if not isinstance(table, Mapping):
            self._refuse("surcharge", f"{table!r} says not for what", "like surcharge.cadmium = 100")
            return {}
        return {
            word: self._row(f"surcharge.{word}", "number", value).q50
            for word, value in table.items()
            if self._is_word(f"surcharge.{word}", word)
        }

    def _words(self, key: str, words: Any) -> tuple[str, ...]:
        if words is None:
            return ()
        if not isinstance(words, list) or not all(isinstance(word, str) for word in words):
            self._refuse(key, f"{words!r} is no list of words", f'like {key} = ["cadmium", "switches"]')
            return ()
        return tuple(word for word in words if self._is_word(key, word))

    def _is_word(self, key: str, word: str) -> bool:
        if word in self.words:
            return True
        near = difflib.get_close_matches(word, sorted(self.words), 3)
        hint = f"did you mean {', '.join(near)}?" if near else f"{', '.join(SUBSTANCES)}, a kind or a class"
        self._refuse(key, f"'{word}' is no substance, kind or class", hint)
        return False
