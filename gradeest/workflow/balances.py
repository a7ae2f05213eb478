"""The bench's balances: adding, checking with a known weight, listing them."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from gradeest.records.balance_rules import last_used
from gradeest.records.domain import Bench
from gradeest.workflow.opening import Opened, Place, open_bench
from gradeest.workflow.recording import Saved, append


@dataclass(frozen=True)
class BalanceLine:
    """One balance. `deviation`: reading / weight - 1 at the last check; None where it was never checked."""

    name: str
    readability_g: float
    date: dt.date
    checks: int
    last_check: dt.date | None
    deviation: float | None
    last_used: bool
    weighings: int


@dataclass(frozen=True)
class BalanceKept:
    """What was saved, and the balance as it stands."""

    saved: Saved
    balance: BalanceLine


def add_balance(place: Place, name: str, readability_g: float, *, date: dt.date) -> BalanceKept:
    """Keep a balance and its smallest step."""
    with open_bench(place, create=True) as opened:
        saved = append(opened, "balance", {"name": name, "readability_g": readability_g}, date)
        return BalanceKept(saved, line_of(opened.bench, name))


def check_balance(
    place: Place, name: str, weight_g: float, reads_g: float, *, date: dt.date, sure: bool = False
) -> BalanceKept:
    """Keep what a known weight read on a balance."""
    with open_bench(place) as opened:
        payload = {"balance": name, "weight_g": weight_g, "reads_g": reads_g}
        saved = append(opened, "check", payload, date, sure=sure)
        return BalanceKept(saved, line_of(opened.bench, name))


def list_balances(place: Place) -> tuple[BalanceLine, ...]:
    """All balances in the order they were added."""
    with open_bench(place) as opened:
        return balances_of(opened)


def balances_of(opened: Opened) -> tuple[BalanceLine, ...]:
    """The balances of an open bench."""
    return tuple(line_of(opened.bench, name) for name in opened.bench.balances)


def line_of(bench: Bench, name: str) -> BalanceLine:
    """One balance as a row."""
    balance = bench.balances[name]
    checks = sorted((c for c in bench.checks if c.balance == name), key=lambda c: (c.date, c.event))
    last = checks[-1] if checks else None
    return BalanceLine(
        name,
        balance.readability_g,
        balance.date,
        len(checks),
        last.date if last else None,
        last.reads_g / last.weight_g - 1 if last else None,
        last_used(bench) == name,
        sum(p.balance == name for b in bench.batches.values() for p in b.products),
    )
