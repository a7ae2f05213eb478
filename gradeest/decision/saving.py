"""How long to save up material of one kind before a batch: what a batch costs however small, against waiting."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from gradeest.belief.outcome import Outcome
from gradeest.decision.economics import value_runs
from gradeest.decision.prices import Basis
from gradeest.decision.summary import Interval, mcse

ENOUGH = 0.8  # the knee: the fewest months that bring this share of the most a month


@dataclass(frozen=True)
class Saved:
    """A batch of so many months' material. Money in the user's currency, over the better of selling as it is and
    keeping; `price_sd`: spread (share) of the metal price over the time waited, None where it is not known.
    """

    months: int
    mass_kg: float
    net_per_month: float
    net_per_month_mcse: float
    batch: Interval  # net of one batch
    chance_of_gain: float
    hours_per_month: float
    price_sd: float | None


def weigh_saving(
    outcome: Outcome,
    months: Sequence[int],
    kind: str,
    basis: Basis,
    volatility: float | None = None,
) -> tuple[Saved, ...]:
    """Net per month of a batch every so many months, each settled alone.

    Parameters: outcome, one run per entry of `months`, recovered_g (draw, run, metal) in g; volatility, standard
    deviation of the yearly change of the metal price as a share. price_sd = volatility sqrt(months / 12).
    """
    found = []
    for i, count in enumerate(months):
        run = outcome.runs[i]
        alone = outcome.only(i)
        money = value_runs(alone, {run.address: kind}, basis)
        net = money.advantage[:, 0]
        found.append(
            Saved(
                count,
                run.mass_kg,
                float(net.mean()) / count,
                mcse(net - net.mean(), outcome.origin) / count,
                Interval.of(net),
                float((net > 0).mean()),
                float(money.hours[:, 0].mean()) / count,
                None if volatility is None else volatility * math.sqrt(count / 12),
            )
        )
    return tuple(found)


def find_knee(rows: Sequence[Saved]) -> int | None:
    """The fewest months that bring `ENOUGH` of the most a month; None where no waiting brings a gain."""
    most = max(row.net_per_month for row in rows)
    if most <= 0:
        return None
    return next(row.months for row in rows if row.net_per_month >= ENOUGH * most)
