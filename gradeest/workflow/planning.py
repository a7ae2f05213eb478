"""What to process, in which order, within hours, money, days and what there is of each reagent. Only reads."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from gradeest.errors import InputError, Issue
from gradeest.materials.catalogue import Catalogue
from gradeest.materials.hazards import DEFER, is_denied
from gradeest.workflow.believing import believe, run_forward, state_of, stream
from gradeest.workflow.costing import BUDGET
from gradeest.workflow.hazard_lines import RouteCautions, route_cautions
from gradeest.workflow.opening import Opened, Place, lot_named, open_bench
from gradeest.workflow.outlook import (
    Trust,
    load_prices,
    only_lot,
    rank_by_money,
    say_invented,
    split_fractions,
    trust_in,
)
from gradeest.workflow.supplies import NO_LIMITS, Limits, Supply, list_supplies, read_limits
from gradeest.workflow.telling import Report, say_nothing
from gradeest.workflow.testing import Testing

if TYPE_CHECKING:
    from gradeest.belief.outcome import Outcome
    from gradeest.decision.economics import Economics
    from gradeest.decision.plan import Limit, More
    from gradeest.decision.prices import Prices
    from gradeest.decision.ranking import Blocked, RankedRun, Ranking
    from gradeest.decision.summary import Interval


@dataclass(frozen=True)
class Step:
    """What a plan does with one fraction: process, test first, sell, keep, or wait (it gains, but found no room)."""

    address: str
    action: str
    order: int | None  # of the runs to make
    mass_kg: float
    route: str
    gain: Interval | None
    hours: Interval | None
    cost: Interval | None
    gain_per_hour: float | None
    why: str
    test: str = ""  # of what is to be tested first: whether an assay pays, in a line


@dataclass(frozen=True)
class Use:
    """What the plan takes of a limit, and the chance that it stays within it; reagents in whole packs, as bought.

    `pack`: what it is rounded up to, 0 where it is no reagent. `is_barred`: the bench has no licence for it, so there
    is none of it; then what more would bring is not told.
    """

    limit: str
    unit: str
    most: float
    expected: float
    q95: float
    chance_within: float
    next: More | None  # the next better plan if there were more of it
    pack: float = 0.0
    is_barred: bool = False


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
    hours_rate: float
    headed: str  # what amounts of reagents are for, "" without any
    notes: tuple[str, ...]
    cautions: tuple[RouteCautions, ...]
    defer: str
    prices_file: str
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
    prices: Path | None = None,
    changes: Sequence[str] = (),
    report: Report = say_nothing,
) -> PlanShown:
    """Which fractions to process, in which order, within the limits.

    Only what the ranking would process is planned; `must` are addresses that are in every plan.
    Raises InputError without prices, for a reagent that no run takes, or for a `must` that may not be processed;
    PlanInfeasible.
    """
    with open_bench(place) as opened:
        if lot is not None:
            lot_named(opened, lot)
        found, file = load_prices(opened, prices, changes)
        amounts = read_limits(limits.items, opened.catalogue)
        state = state_of(opened)
        lot = lot or only_lot(state)
        runs, blocked = split_fractions(opened, state, lot)
        _check_must(must, {run.address for run in runs}, blocked)
        posterior = believe(opened, state, report=report)
        barred = {item.address for item in blocked}
        runs = tuple(run for run in runs if run.address not in barred)
        outcome = run_forward(opened, posterior, runs)
        ranking = rank_by_money(opened, state, posterior, runs, blocked, found, outcome=outcome)
        kinds = {run.address: state.bench.fraction(run.address).kind for run in runs}
        money, supplies = _weigh(opened, outcome, kinds, found, limits, amounts)
        u = opened.catalogue.constants["test.assay_u"]
        testing = Testing(opened, state, posterior, found, runs, u, None, (outcome, money))
        plan = _Plan(outcome, ranking, money, supplies, must, testing.advise_on)
        named = dict.fromkeys(step.route for step in plan.steps() if step.action == "process")
        lots = [state.bench.lots[lot]] if lot is not None else list(state.bench.lots.values())
        return PlanShown(
            lot or "",
            found.currency,
            plan.steps(),
            plan.uses(),
            plan.total(money.hours),
            plan.total(money.cost),
            plan.gain(found, kinds, opened.catalogue, stream(place, "prices")),
            plan.gain_mcse,
            plan.chance,
            found.hours_rate,
            BUDGET if any(supply.step for supply in supplies) else "",
            (*ranking.notes, *plan.notes(opened)),
            tuple(route_cautions(opened.catalogue, route) for route in named),
            DEFER,
            str(file),
            found.changes,
            say_invented(lots),
            trust_in(posterior),
            opened.catalogue.version,
            place.seed,
            place.engine,
        )


def _check_must(must: Sequence[str], known: set[str], blocked: Sequence[Blocked]) -> None:
    reasons = {item.address: item.reason for item in blocked}
    issues = [Issue("error", f"{a} must not be processed", reasons[a], field="--must") for a in must if a in reasons]
    issues += [
        Issue(
            "error",
            f"there is nothing left to process at '{a}'",
            "`gradeest lot list` names what is there",
            field="--must",
        )
        for a in must
        if a not in known and a not in reasons
    ]
    if issues:
        raise InputError("the plan cannot hold what it must", issues=issues)


def _weigh(
    opened: Opened,
    outcome: Outcome,
    kinds: dict[str, str],
    prices: Prices,
    limits: Limits,
    amounts: dict[str, float],
) -> tuple[Economics, tuple[Supply, ...]]:
    """The money of an outcome, and what there is of everything that is limited, from the draws the ranking uses."""
    from gradeest.decision.economics import value_runs
    from gradeest.decision.needs import find_needs
    from gradeest.decision.prices import NamedDraws

    named = NamedDraws(stream(opened.place, "prices"), outcome.recovered_g.shape[0])
    money = value_runs(outcome, kinds, prices, opened.catalogue, named)
    denied = is_denied("licence", {s.name: s.value for s in opened.bench.settings.values()})
    needs = None
    if amounts or denied or limits.days is not None:
        needs = find_needs(outcome, kinds, prices, opened.catalogue, named)
    return money, list_supplies(limits, amounts, money, needs, opened.catalogue, prices.currency, is_denied=denied)


class _Plan:
    """The runs chosen within the limits, and what to say of the others."""

    def __init__(
        self,
        outcome: Outcome,
        ranking: Ranking,
        money: Economics,
        supplies: Sequence[Supply],
        must: Sequence[str],
        test: Callable[[str], str],
    ) -> None:
        from gradeest.decision.plan import Limit, choose_runs

        self.outcome, self.ranking, self.money, self.supplies = outcome, ranking, money, supplies
        self.test = cache(test)
        self.rows = {row.address: row for row in ranking.rows}
        rows = [self.rows[run.address] for run in outcome.runs]
        self.barred = {
            rows[i].address: f"takes {supply.name}, for which this bench has no licence"
            for supply in supplies
            if supply.is_barred
            for i in range(len(rows))
            if supply.draws[:, i].any()
        }
        self.open = [
            i
            for i, row in enumerate(rows)
            if row.address in must or (row.verdict == "process" and row.address not in self.barred)
        ]
        self.values = money.advantage.mean(axis=0)[self.open]
        self.limits: list[Limit] = [
            Limit(s.name, s.unit, s.most, s.draws.mean(axis=0)[self.open], s.step) for s in supplies
        ]
        self.must = tuple(n for n, i in enumerate(self.open) if rows[i].address in must)
        self.picked = choose_runs(self.values, self.limits, money.shared_fee, self.must)
        self.chosen = [self.open[n] for n in self.picked]
        self.gain_mcse = self.chance = 0.0

    def steps(self) -> tuple[Step, ...]:
        """The runs to make in their order, then what waits, is tested, sold or kept."""
        from gradeest.decision.plan import order_runs

        rows = {i: self.rows[run.address] for i, run in enumerate(self.outcome.runs)}
        order = order_runs(self.chosen, {i: rows[i].gain_per_hour or 0.0 for i in self.chosen})
        first = [rows[i] for i in order]
        rest = [row for row in self.ranking.rows if row.address not in {one.address for one in first}]
        waiting = {rows[i].address for i in self.open} - {row.address for row in first}
        done = [self._step(row, "process", n) for n, row in enumerate(first, start=1)]
        return (*done, *(self._step(row, self._instead(row, waiting), None) for row in rest))

    def _instead(self, row: RankedRun, waiting: set[str]) -> str:
        if row.address in waiting:
            return "wait"
        if row.verdict == "blocked" or (row.verdict in ("process", "sample first") and row.address in self.barred):
            return "leave"
        return "test first" if row.verdict == "sample first" else row.verdict

    def _step(self, row: RankedRun, action: str, order: int | None) -> Step:
        why = "gains, but finds no room in this plan" if action == "wait" else row.why
        why = self.barred.get(row.address, why) if action == "leave" else why
        parts = (row.gain, row.hours, row.cost, row.gain_per_hour)
        test = self.test(row.address) if action == "test first" else ""
        return Step(row.address, action, order, row.mass_kg, row.route, *parts, why, test)

    def uses(self) -> tuple[Use, ...]:
        """What each limit is used for, and the next better plan beyond it."""
        from gradeest.decision.needs import whole
        from gradeest.decision.plan import next_step

        found = []
        for at, supply in enumerate(self.supplies):
            used = supply.draws[:, self.chosen].sum(axis=1)
            more = None
            if not supply.is_barred:
                more = next_step(self.values, self.limits, at, self.money.shared_fee, self.must)
            within = float((used <= supply.most).mean())
            expected, most = (whole(float(amount), supply.step) for amount in (used.mean(), np.quantile(used, 0.95)))
            found.append(
                Use(supply.name, supply.unit, supply.most, expected, most, within, more, supply.step, supply.is_barred)
            )
        return tuple(found)

    def total(self, table: Any) -> Interval:
        """The sum of a (draw, run) table over the runs chosen."""
        from gradeest.decision.summary import Interval

        return Interval.of(table[:, self.chosen].sum(axis=1))

    def gain(
        self, prices: Prices, kinds: Mapping[str, str], catalogue: Catalogue, rng: np.random.Generator
    ) -> Interval:
        """Gain of the runs chosen in one settlement, draw by draw; also sets its error and the chance of a gain."""
        from gradeest.decision.prices import NamedDraws
        from gradeest.decision.settlement import Market
        from gradeest.decision.summary import Interval, mcse

        money, draws = self.money, self.outcome.recovered_g.shape[0]
        gain = np.zeros(draws)
        if self.chosen:
            of_run = [catalogue.kinds[kinds[run.address]] for run in self.outcome.runs]
            market = Market(self.outcome, of_run, prices, catalogue, NamedDraws(rng, draws))
            spent = money.cost + money.labour + money.alternative
            paid = market.settle(money.buyer_of, self.chosen)
            gain = paid - spent[:, self.chosen].sum(axis=1)
        self.gain_mcse, self.chance = mcse(gain, self.outcome.origin), float((gain > 0).mean())
        return Interval.of(gain)

    def notes(self, opened: Opened) -> list[str]:
        """What the plan does not count."""
        notes = ["whole fractions only; limits hold for what is expected, one settlement for all runs"]
        if any(supply.name == "days" for supply in self.supplies):
            notes.append("days count one run after the other")
        if not self.supplies:
            notes.append('no limit was given: try --hours 20, --cash 500, --days 30 or --limit "nitric acid=10 L"')
        if any(row.verdict == "sample first" for row in self.rows.values()):
            notes.append(
                "tests are not counted in the hours; `gradeest test-first LOT/FRACTION` looks at trial runs too"
            )
        if "licence" not in opened.bench.settings and any(s.is_restricted for s in self.supplies):
            notes.append("some of it is restricted in places: if you may not hold it, `gradeest bench set licence no`")
        return notes
