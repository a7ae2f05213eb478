"""What to process or to try first within hours, money, days and what there is of each reagent. Only reads."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from gradeest.materials.hazards import DEFER, is_denied
from gradeest.workflow import gates
from gradeest.workflow.believing import State, believe, run_forward, state_of
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
from gradeest.workflow.plan_asking import Asked, Asking, ask_for
from gradeest.workflow.plan_within import Step, Use, Within
from gradeest.workflow.supplies import NO_LIMITS, Limits, Supply, Taken, list_supplies
from gradeest.workflow.telling import Report, say_nothing
from gradeest.workflow.testing import Assay, Testing, Trial

if TYPE_CHECKING:
    from gradeest.belief.outcome import Outcome
    from gradeest.belief.posterior import Posterior
    from gradeest.decision.prices import Prices
    from gradeest.decision.ranking import Ranking
    from gradeest.decision.summary import Interval

UNCLEAR = ("sample first", "sell", "keep")  # verdicts on fractions that a trial may be made of


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
        tests = _weigh_tests(testing, ranking, must)
        taken = _take(testing, tests, asked, denied=denied)
        supplies = list_supplies(asked.limits, asked.amounts, taken, opened.catalogue, found.currency, is_denied=denied)
        plan = Within(testing, ranking, tests, taken, supplies, must)
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
        plan.total(plan.taken.hours),
        plan.total(plan.taken.cost),
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


def _weigh_tests(testing: Testing, ranking: Ranking, must: Sequence[str]) -> list[Trial | Assay]:
    """Tests that pay, where none is going: trial runs and assays of fractions that are not processed anyway, and assays
    of what is. Assays only where their fee is known.
    """
    from gradeest.decision.testing import CLEAR

    verdicts = {row.address: row.verdict for row in ranking.rows if row.address not in must}
    found: list[Trial | Assay] = []
    for i, run in enumerate(testing.outcome.runs):
        if run.address not in verdicts or run.address in testing.going:
            continue
        if verdicts[run.address] in UNCLEAR:
            trials = testing.trials(i, testing.sizes_that_could_pay(i))
            found += [trial for trial in trials if trial.option.net > CLEAR * trial.option.worth_mcse]
        assay = testing.best_assay(i)
        if assay is not None:
            found.append(Assay(run.address, assay))
    return found


def _take(testing: Testing, tests: Sequence[Trial | Assay], asked: Asked, *, denied: bool) -> Taken:
    """What the runs and then the tests take of everything that is limited; `denied`: the bench has no licence."""
    from gradeest.decision.needs import Needs, find_needs, join_needs, side_by_side

    money, catalogue = testing.money, testing.opened.catalogue
    hours, cost, wait = [money.hours], [money.cost], None
    nothing = np.zeros((len(money.hours), 1))
    for test in tests:
        if isinstance(test, Trial):
            hours.append(test.spent.hours[:, :1])
            cost.append(test.spent.cost[:, :1])
        else:
            wait = testing.assay_days
            hours.append(testing.assay_hours[:, None])
            cost.append(nothing + (testing.fee or 0.0))
    wanted = {*asked.amounts, *(key for key, item in catalogue.items.items() if denied and item.law)}
    if not wanted and asked.limits.days is None:
        return Taken(side_by_side(hours), side_by_side(cost), None)

    def needs_of(outcome: Outcome) -> Needs:
        return find_needs(outcome, testing.kinds, testing.basis, days_only=not wanted)

    tried = [needs_of(t.drawn.only(0)) if isinstance(t, Trial) else Needs({}, nothing, nothing) for t in tests]
    needs = join_needs([needs_of(testing.outcome), *tried], wanted)
    return Taken(side_by_side(hours), side_by_side(cost), needs, wait)


def _licence_notes(opened: Opened, supplies: Sequence[Supply]) -> list[str]:
    if "licence" in opened.bench.settings or not any(supply.is_restricted for supply in supplies):
        return []
    return ["some of it is restricted in places: if you may not hold it, `gradeest bench set licence no`"]
