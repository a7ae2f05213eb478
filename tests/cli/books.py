"""A second set of books, kept by hand and in exact fractions: what should stand where after a list of entries.

An entry is a tuple: its sort, then what the person meant by it, masses and money as text. The program's arithmetic is
not used. Feed is in kg, products in g, solutions in litres, money in the currency of the bench.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

Entry = tuple[Any, ...]
Sums = dict[str, Fraction]
NONE = Fraction(0)


@dataclass
class Jar:
    """A fraction's jar: what stands of each source, and where the rest went."""

    sources: list[Fraction]
    came: Fraction
    was_touched: bool = False
    sold: Fraction = NONE
    discarded: Fraction = NONE

    @property
    def left(self) -> Fraction:
        return sum(self.sources, NONE)

    def put(self, mass: Fraction) -> None:
        """What is added while nothing was taken joins what stands there."""
        if self.was_touched:
            self.sources.append(mass)
        else:
            self.sources[-1] += mass
        self.came, self.was_touched = self.came + mass, False

    def take(self, mass: Fraction | None) -> Fraction:
        """Take of all sources in proportion (None: all); what was really taken."""
        left = self.left
        taken = left if mass is None else mass
        assert taken <= left, "these books let nobody take more than there is"
        self.sources = [source - taken * source / left for source in self.sources]
        self.was_touched = True
        return taken


@dataclass
class Run:
    """A batch: what went in, what came out, what it left."""

    charges: Sums
    products: Sums = field(default_factory=dict)
    streams: Sums = field(default_factory=dict)
    left: Sums = field(default_factory=dict)  # of products and streams
    losses: list[tuple[Fraction, Fraction]] = field(default_factory=list)
    nothing: int = 0
    is_open: bool = True


class Books:
    """What stands where after all entries, in order."""

    def __init__(self, entries: Iterable[Entry]) -> None:
        self.jars: dict[str, Jar] = {}
        self.runs: dict[str, Run] = {}
        self.feed = self.spent = NONE
        self.paid = {"feed": NONE, "products": NONE, "streams": NONE}
        self.sales = 0
        self.balances: dict[str, list[Any]] = {}  # step, checks, deviation, weighings
        for sort, *rest in entries:
            book: Callable[..., None] = getattr(self, f"book_{sort}")
            book(*rest)

    def book_lot(self, name: str, fractions: dict[str, str], price: str = "0") -> None:
        for fraction, mass in fractions.items():
            self.jars[f"{name}/{fraction}"] = Jar([Fraction(mass)], Fraction(mass))
            self.feed += Fraction(mass)
        self.spent += Fraction(price)

    def book_more(self, address: str, mass: str) -> None:
        self.jars[address].put(Fraction(mass))
        self.feed += Fraction(mass)

    def book_split(self, address: str, heaps: dict[str, str]) -> None:
        """Heaps are scaled to what was left: two balances never agree to the last step."""
        whole, total = self.jars[address].take(None), sum(map(Fraction, heaps.values()))
        for name, mass in heaps.items():
            scaled = Fraction(mass) * whole / total
            self.jars[f"{address.partition('/')[0]}/{name}"] = Jar([scaled], scaled)

    def book_batch(self, name: str, charges: dict[str, str]) -> None:
        self.runs[name] = Run({a: self.jars[a].take(Fraction(mass)) for a, mass in charges.items()})

    def book_streams(self, batch: str, parts: dict[str, str]) -> None:
        masses = {name: Fraction(mass) for name, mass in parts.items()}
        self.runs[batch].streams |= masses
        self.runs[batch].left |= masses

    def book_loss(self, batch: str, low: str, high: str, wiped: dict[str, str]) -> None:
        self.runs[batch].losses.append((Fraction(low), Fraction(high)))
        self.book_streams(batch, wiped)

    def book_product(self, batch: str, name: str, weight: str, balance: str = "") -> None:
        self.runs[batch].products[name] = self.runs[batch].left[name] = Fraction(weight)
        if balance in self.balances:  # one that is not there is noted by the program, and counts as never checked
            self.balances[balance][3] += 1

    def book_none(self, batch: str) -> None:
        self.runs[batch].nothing += 1

    def book_close(self, batch: str) -> None:
        self.runs[batch].is_open = False

    def book_sale(self, address: str, amount: str | None, money: str) -> None:
        sort, taken = self.take(address, amount)
        self.paid[sort] += Fraction(money)
        self.sales += 1
        if sort == "feed":
            self.jars[address].sold += taken

    def book_discard(self, address: str, amount: str | None) -> None:
        sort, taken = self.take(address, amount)
        if sort == "feed":
            self.jars[address].discarded += taken

    def take(self, address: str, amount: str | None) -> tuple[str, Fraction]:
        wanted = None if amount is None else Fraction(amount)
        if address in self.jars:
            return "feed", self.jars[address].take(wanted)
        batch, _, name = address.partition("/")
        run = self.runs[batch]
        taken = run.left[name] if wanted is None else wanted
        run.left[name] -= taken
        return "products" if name in run.products else "streams", taken

    def book_balance(self, name: str, step: str) -> None:
        self.balances[name] = [Fraction(step), 0, None, 0]

    def book_check(self, name: str, weight: str, reads: str) -> None:
        self.balances[name][1] += 1
        self.balances[name][2] = Fraction(reads) / Fraction(weight) - 1

    def book_uncounted(self) -> None:
        """An assay, a setting: nothing that books count."""

    def figures(self) -> dict[str, Any]:
        """All that is to be found again in what the program prints, by name; every one exact."""
        found: dict[str, Any] = {}
        for address, jar in self.jars.items():
            found[address] = [jar.came, jar.left, jar.sold, jar.discarded]
            found[f"{address} sources"] = jar.sources
        for name, run in self.runs.items():
            found[f"{name} charges"] = run.charges
            found[f"{name} products"] = run.products
            found[f"{name} streams"] = run.streams
            found[f"{name} left"] = run.left
            found[f"{name} losses"] = [list(loss) for loss in run.losses]
            found[f"{name} nothing"] = run.nothing
            found[f"{name} is open"] = int(run.is_open)
        for name, row in self.balances.items():
            found[f"balance {name}"] = row
        return found

    def money(self) -> dict[str, Any]:
        """What the year should say."""
        runs = list(self.runs.values())
        bare = [run for run in runs if not run.products]
        return {
            "feed": self.feed,
            "spent": self.spent,
            "paid": sum(self.paid.values()),
            "paid by": self.paid,
            "sales": self.sales,
            "begun": len(runs),
            "still open": sum(run.is_open for run in runs),
            "without result": sum(not run.nothing for run in bare),
            "processed": sum(sum(run.charges.values()) for run in runs),
        }


def differences(mine: Any, theirs: Any, where: str = "", within: float = 1e-9) -> list[str]:
    """Where two figures, lists or tables of figures differ, by name."""
    if isinstance(mine, dict) and isinstance(theirs, dict):
        return [
            text
            for key in sorted({*mine, *theirs})
            for text in differences(mine.get(key, "nothing"), theirs.get(key, "nothing"), f"{where} {key}", within)
        ]
    if isinstance(mine, list) and isinstance(theirs, list) and len(mine) == len(theirs):
        pairs = enumerate(zip(mine, theirs, strict=True))
        return [text for n, (a, b) in pairs for text in differences(a, b, f"{where} {n}", within)]
    if isinstance(mine, int | float | Fraction) and isinstance(theirs, int | float | Fraction):
        is_same = abs(Fraction(mine) - Fraction(theirs)) <= within
    else:
        is_same = mine == theirs
    return [] if is_same else [f"{where.strip()}: {mine} here, {theirs} there"]
