"""Who is told while a command works: of a long fit, of what was saved, of results that were hardly expected.

A person reads that a weight is saved, and that it is surprising, before the model learns from it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

Report = Callable[[float, str], None]  # share done (0-1), what is being done


def say_nothing(share: float, what: str) -> None:
    """Progress that nobody wants to see."""


def tell_nobody(_: Any) -> None:
    """News that nobody waits for: the result holds it as well."""


@dataclass(frozen=True)
class Listener:
    """`saved` is told of a `Recorded` right after saving, `judged` of the results against their forecasts.

    `clashed` is told of linked ash that its filters do not explain.
    """

    report: Report = say_nothing
    saved: Callable[[Any], None] = tell_nobody
    judged: Callable[[Any], None] = tell_nobody
    clashed: Callable[[Any], None] = tell_nobody
