"""What a batch took: hands-on hours, money spent, liquid waste; gates passed; balances; beside `domain.py`."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass


@dataclass(frozen=True)
class WorkHours:
    """Hands-on hours put into a batch; `step` says into what part of the work ("" for all of it)."""

    batch: str
    hours: float
    step: str
    date: dt.date
    event: int = 0


@dataclass(frozen=True)
class Spending:
    """Money spent on a batch, in the user's currency, and on what."""

    batch: str
    amount: float
    what: str
    date: dt.date
    event: int = 0


@dataclass(frozen=True)
class Waste:
    """Liquid waste of a batch: litres, what it is, and where it went."""

    batch: str
    volume_l: float
    what: str
    went: str
    date: dt.date
    event: int = 0


@dataclass(frozen=True)
class GatePassed:
    """A person read the cautions of a route and typed the word asked for.

    `text` stands for the cautions as they were read: with others the gate is closed again.
    """

    route: str
    text: str
    date: dt.date
    event: int = 0


@dataclass(frozen=True)
class Balance:
    """A weighing instrument and its smallest step."""

    name: str
    readability_g: float
    date: dt.date


@dataclass(frozen=True)
class BalanceCheck:
    """A known weight laid on a balance, and what it read, both in g."""

    balance: str
    weight_g: float
    reads_g: float
    date: dt.date
    event: int = 0
