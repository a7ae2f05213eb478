"""What to process or to try first within hours, money, days and what there is of each reagent. Only reads."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from gradeest.materials.hazards import DEFER, is_denied
from gradeest.workflow import gates
from gradeest.workflow.believing import State, believe, kept_path, run_forward, state_of
from gradeest.workflow.costing import BUDGET
from gradeest.workflow.hazard_lines import RouteCautions, route_cautions
from gradeest.workflow.opening import Opened, Place, lot_named, open_bench
from gradeest.workflow.outlook import (
    Trust,
    basis_of,
    load_prices,
    only_lot,
    rank_by_money,
    say_invented,
    trust_in,
)
from gradeest.workflow.plan_asking import Asking, ask_for
from gradeest.workflow.plan_columns import CASH, HOURS, Columns
from gradeest.workflow.plan_tests import weigh_plan_tests
from gradeest.workflow.plan_within import Step, Use, Within
from gradeest.workflow.supplies import NO_LIMITS, Limits, Supply, list_supplies
from gradeest.workflow.telling import Report, say_nothing
from gradeest.workflow.testing import Testing

if TYPE_CHECKING:
    from gradeest.belief.outcome import Outcome
    from gradeest.belief.posterior import Posterior
    from gradeest.decision.prices import Prices
    from gradeest.decision.summary import Interval


@dataclass(frozen=True)
class PlanShown:
    """A plan as shown. Money in `currency`; the gain is over the best alternatives of what is processed."""

    lot: str
    currency: str
    steps: tuple[Step, ...]
    uses: tuple[Use, ...]
    hours: Interval
    cost: Interval
    gain: Interval  # of the runs of the plan, settled together
    gain_mcse: float
    chance_of_gain: float
    trials_worth: float  # what the results of its trials and assays are expected to bring, less what these cost
    trials_worth_mcse: float
    hours_rate: float
    headed: str  # what amounts of reagents are for, "" without any
    notes: tuple[str, ...]
    gates_closed: tuple[str, ...]  # routes of runs to make whose gate has to be passed first
    cautions: tuple[RouteCautions, ...]
    defer: str
    prices_file: str
    plan_file: str  # "" without one
    changes: tuple[str, ...]
    invented: str
    trust: Trust
    catalogue_version: str
    seed: int
    engine: str


def plan_work(
    place: Place,
    lot: str | None = None,
    *,
    limits: Limits = NO_LIMITS,
    must: Sequence[str] = (),
    fee: float | None = None,
    plan_file: Path | None = None,
    prices: Path | None = None,
    changes: Sequence[str] = (),
    report: Report = say_nothing,
) -> PlanShown:
    """Which fractions to process or to try first, in which order, within the limits.

    Only what the ranking would process is run whole, and of the rest what pays is tried; `must` are addresses that are
    in every plan. `fee`: of one assay (None: not known, its limit is told). `plan_file` says the
    same in a file: limits given beside it count instead of its own, and what must be in the plan comes on top.
    Raises InputError without prices, for a reagent that no run takes, or for a `must` that may not be processed;
    PlanInfeasible.
    """
    with open_bench(place) as opened:
        if lot is not None:
            lot_named(opened, lot)
        found, file = load_prices(opened, prices, changes)
        denied = is_denied("licence", {s.name: s.value for s in opened.bench.settings.values()})
        state = state_of(opened)
        lot = lot or only_lot(state)
        asked = ask_for(opened, state, lot, Asking(limits, tuple(must), fee, plan_file))
        runs, blocked, must = asked.runs, asked.blocked, asked.must
        posterior = believe(opened, state, report=report)
        barred = {item.address for item in blocked}
        runs = tuple(run for run in runs if run.address not in barred)
        outcome = run_forward(opened, posterior, runs)
        ranking = rank_by_money(opened, state, posterior, runs, blocked, found, outcome=outcome)
        testing = _weigh(opened, state, posterior, found, outcome, asked.fee)
        path = kept_path(opened, "tests", state, [repr(part) for part in (runs, blocked, found, must, asked.fee)])
        tests = weigh_plan_tests(testing, ranking, must, path)
        restricted = [key for key, item in opened.catalogue.items.items() if denied and item.law]
        columns = Columns(testing, tests.tests, {*asked.amounts, *restricted})
        supplies = list_supplies(asked.limits, asked.amounts, columns, opened.catalogue, found.currency, restricted)
        plan = Within(testing, ranking, tests, columns, supplies, must)
        lots = [state.bench.lots[lot]] if lot is not None else list(state.bench.lots.values())
        return _show(testing, plan, lot or "", (file, plan_file), asked.notes, say_invented(lots))


def _weigh(
    opened: Opened, state: State, posterior: Posterior, prices: Prices, outcome: Outcome, fee: float | None
) -> Testing:
    """The runs with their money, by the draws of prices that the ranking uses, to weigh tests of them."""
    from gradeest.decision.economics import value_runs

    kinds = {run.address: state.bench.fraction(run.address).kind for run in outcome.runs}
    money = value_runs(outcome, kinds, basis_of(opened, prices, outcome.recovered_g.shape[0]))
    u = opened.catalogue.constants["test.assay_u"]
    return Testing(opened, state, posterior, prices, outcome.runs, u, fee, (outcome, money))


def _show(
    testing: Testing,
    plan: Within,
    lot: str,
    files: tuple[Path, Path | None],
    notes: Sequence[str],
    invented: str,
) -> PlanShown:
    opened, prices = testing.opened, testing.prices
    gain = plan.gain()
    routes = dict.fromkeys(step.route for step in plan.steps if step.order and step.route)
    return PlanShown(
        lot,
        prices.currency,
        plan.steps,
        plan.uses(),
        plan.total(HOURS),
        plan.total(CASH),
        gain.runs,
        gain.mcse,
        gain.chance,
        gain.trials,
        gain.trials_mcse,
        prices.hours_rate,
        BUDGET if any(supply.step for supply in plan.supplies) else "",
        (*plan.ranking.notes, *notes, *plan.notes(), *_licence_notes(opened, plan.supplies)),
        gates.closed_of(opened, routes),
        tuple(route_cautions(opened.catalogue, route) for route in routes),
        DEFER,
        str(files[0]),
        "" if files[1] is None else str(files[1]),
        prices.changes,
        invented,
        trust_in(testing.posterior),
        opened.catalogue.version,
        opened.place.seed,
        opened.place.engine,
    )


def _licence_notes(opened: Opened, supplies: Sequence[Supply]) -> list[str]:
    if "licence" in opened.bench.settings or not any(supply.is_restricted for supply in supplies):
        return []
    return ["some of it is restricted in places: if you may not hold it, `gradeest bench set licence no`"]
