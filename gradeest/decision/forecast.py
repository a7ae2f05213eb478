"""What a run will give: fine metal, the weight to expect on the balance, and what the forecast rests on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from gradeest.belief.outcome import Outcome
from gradeest.decision.summary import Interval


@dataclass(frozen=True)
class ForecastRow:
    """One fraction and metal. Masses in g for the run's own mass, grades in g/t of dry feed."""

    address: str
    kind: str
    mass_kg: float
    route: str
    metal: str
    contained_g: Interval
    recovered_g: Interval  # fine metal in the products
    weight_g: Interval  # what the balance is expected to show, in `form`
    form: str  # "" where the route recovers none of the metal
    contained_g_per_t: Interval
    recoverable_g_per_t: Interval
    p_trace: float  # chance that the metal is present only as traces
    rests_on: str  # "prior only", "3 weights"


@dataclass(frozen=True)
class ForecastTotal:
    """Sum over the fractions of a lot (`lot` = "" for all lots), in g of fine metal."""

    lot: str
    metal: str
    contained_g: Interval
    recovered_g: Interval


@dataclass(frozen=True)
class Forecast:
    """Rows in the order of the runs and metals, and totals by lot, then over all."""

    rows: tuple[ForecastRow, ...]
    totals: tuple[ForecastTotal, ...]
    draws: int


def summarise_outcome(outcome: Outcome, kinds: Mapping[str, str], rests_on: Mapping[tuple[str, str], str]) -> Forecast:
    """Summarise the forward draws of runs.

    Parameters: outcome, arrays (draw, run, metal) in g; kinds, kind id by address; rests_on, text by (address, metal),
    a missing pair reads "prior only".
    """
    raise NotImplementedError
