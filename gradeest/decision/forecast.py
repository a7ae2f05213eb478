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
    rows = tuple(
        _row(outcome, run, metal, kinds, rests_on)
        for run in range(len(outcome.runs))
        for metal in range(len(outcome.metals))
    )
    lots = tuple(dict.fromkeys(run.address.partition("/")[0] for run in outcome.runs))
    totals = [total for lot in lots for total in _totals(outcome, lot)]
    if len(lots) > 1:
        totals += _totals(outcome, "")
    return Forecast(rows, tuple(totals), outcome.contained_g.shape[0])


def _row(
    outcome: Outcome, run: int, metal: int, kinds: Mapping[str, str], rests_on: Mapping[tuple[str, str], str]
) -> ForecastRow:
    at, name = outcome.runs[run], outcome.metals[metal]
    contained, recovered = outcome.contained_g[:, run, metal], outcome.recovered_g[:, run, metal]
    per_t = 1000 / at.mass_kg  # g -> g/t
    return ForecastRow(
        at.address,
        kinds[at.address],
        at.mass_kg,
        at.route,
        name,
        Interval.of(contained),
        Interval.of(recovered),
        Interval.of(outcome.weight_g[:, run, metal]),
        outcome.forms[run].get(name, ""),
        Interval.of(contained * per_t),
        Interval.of(recovered * per_t),
        float(outcome.is_trace[:, run, metal].mean()),
        rests_on.get((at.address, name), "prior only"),
    )


def _totals(outcome: Outcome, lot: str) -> list[ForecastTotal]:
    """Sums draw by draw: the intervals of a sum are not the sums of intervals."""
    runs = [i for i, run in enumerate(outcome.runs) if not lot or run.address.partition("/")[0] == lot]
    contained, recovered = outcome.contained_g[:, runs].sum(axis=1), outcome.recovered_g[:, runs].sum(axis=1)
    return [
        ForecastTotal(lot, name, Interval.of(contained[:, metal]), Interval.of(recovered[:, metal]))
        for metal, name in enumerate(outcome.metals)
    ]
