"""What to do first when hours or cash are short, and what a lot on offer is worth. Both only read."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from gradeest.errors import InputError
from gradeest.materials.hazards import DEFER
from gradeest.records.intake import read_lot
from gradeest.records.payloads import lot_payload
from gradeest.workflow.believing import NEXT_LOT, State, believe, digest, run_forward, state_of, stream
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
from gradeest.workflow.telling import Report, say_nothing

if TYPE_CHECKING:
    from gradeest.belief.outcome import Outcome
    from gradeest.decision.bid import Bid, Unprocessed
    from gradeest.decision.economics import Economics
    from gradeest.decision.plan import Limit, More
    from gradeest.decision.prices import Prices
    from gradeest.decision.ranking import Blocked, RankedRun, Ranking
    from gradeest.decision.summary import Interval

OFFER = f"{NEXT_LOT}offer"  # no lot of the user's can be called so


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


@dataclass(frozen=True)
class Use:
    """What the plan takes of a limit, and the chance that it stays within it."""

    limit: str
    unit: str
    most: float
    expected: float
    q95: float
    chance_within: float
    next: More | None  # the next better plan if there were more of it


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
    chance_of_gain: float
    hours_rate: float
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


@dataclass(frozen=True)
class BidShown:
    """A bid as shown."""

    lot: str
    bid: Bid
    unsorted_kg: float
    cautions: tuple[RouteCautions, ...]
    defer: str
    prices_file: str
    changes: tuple[str, ...]
    assumed: tuple[str, ...]
    notes: tuple[str, ...]
    trust: Trust
    catalogue_version: str
    seed: int
    engine: str


def plan_work(
    place: Place,
    lot: str | None = None,
    *,
    hours: float | None = None,
    cash: float | None = None,
    must: Sequence[str] = (),
    prices: Path | None = None,
    changes: Sequence[str] = (),
    report: Report = say_nothing,
) -> PlanShown:
    """Which fractions to process, in which order, within hands-on hours and cash (None: no limit).

    Only what the ranking would process is planned; `must` are addresses that are in every plan.
    Raises InputError without prices, or for a `must` that may not be processed; PlanInfeasible.
    """
    with open_bench(place) as opened:
        if lot is not None:
            lot_named(opened, lot)
        found, file = load_prices(opened, prices, changes)
        state = state_of(opened)
        lot = lot or only_lot(state)
        runs, blocked = split_fractions(opened, state, lot)
        _check_must(must, {run.address for run in runs}, blocked)
        posterior = believe(opened, state, report=report)
        barred = {item.address for item in blocked}
        runs = tuple(run for run in runs if run.address not in barred)
        outcome = run_forward(opened, posterior, runs)
        ranking = rank_by_money(opened, state, posterior, runs, blocked, found, outcome=outcome)
        money = _weigh(opened, outcome, {run.address: state.bench.fraction(run.address).kind for run in runs}, found)
        plan = _Plan(outcome, ranking, money, hours, cash, must)
        named = dict.fromkeys(step.route for step in plan.steps() if step.action == "process")
        lots = [state.bench.lots[lot]] if lot is not None else list(state.bench.lots.values())
        return PlanShown(
            lot or "",
            found.currency,
            plan.steps(),
            plan.uses(),
            plan.total(money.hours),
            plan.total(money.cost),
            plan.gain(found, stream(place, "prices")),
            plan.chance,
            found.hours_rate,
            (*ranking.notes, *plan.notes()),
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
    from gradeest.errors import Issue

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


def _weigh(opened: Opened, outcome: Outcome, kinds: dict[str, str], prices: Prices) -> Economics:
    """The money of an outcome, from the draws that the ranking uses."""
    from gradeest.decision.economics import value_runs
    from gradeest.decision.prices import NamedDraws

    named = NamedDraws(stream(opened.place, "prices"), outcome.recovered_g.shape[0])
    return value_runs(outcome, kinds, prices, opened.catalogue, named)


class _Plan:
    """The runs chosen within the limits, and what to say of the others."""

    def __init__(
        self,
        outcome: Outcome,
        ranking: Ranking,
        money: Economics,
        hours: float | None,
        cash: float | None,
        must: Sequence[str],
    ) -> None:
        from gradeest.decision.plan import Limit, choose_runs

        self.outcome, self.ranking, self.money = outcome, ranking, money
        self.rows = {row.address: row for row in ranking.rows}
        rows = [self.rows[run.address] for run in outcome.runs]
        self.open = [i for i, row in enumerate(rows) if row.verdict == "process" or row.address in must]
        self.values = money.advantage.mean(axis=0)[self.open]
        given = ((hours, "hours", "h", money.hours), (cash, "cash", ranking.currency, money.cost))
        self.draws = [table[:, self.open] for most, *_, table in given if most is not None]
        self.limits: list[Limit] = [
            Limit(name, unit, most, table.mean(axis=0)[self.open])
            for most, name, unit, table in given
            if most is not None
        ]
        self.must = tuple(n for n, i in enumerate(self.open) if rows[i].address in must)
        self.picked = choose_runs(self.values, self.limits, money.shared_fee, self.must)
        self.chosen = [self.open[n] for n in self.picked]
        self.chance = 0.0

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
        if row.verdict == "blocked":
            return "leave"
        return "test first" if row.verdict == "sample first" else row.verdict

    def _step(self, row: RankedRun, action: str, order: int | None) -> Step:
        why = "gains, but finds no room in this plan" if action == "wait" else row.why
        parts = (row.gain, row.hours, row.cost, row.gain_per_hour)
        return Step(row.address, action, order, row.mass_kg, row.route, *parts, why)

    def uses(self) -> tuple[Use, ...]:
        """What each limit is used for, and the next better plan beyond it."""
        from gradeest.decision.plan import next_step

        found = []
        for at, (limit, draws) in enumerate(zip(self.limits, self.draws, strict=True)):
            used = draws[:, list(self.picked)].sum(axis=1)
            more = next_step(self.values, self.limits, at, self.money.shared_fee, self.must)
            within = float((used <= limit.most).mean())
            q95 = float(np.quantile(used, 0.95))
            found.append(Use(limit.name, limit.unit, limit.most, float(used.mean()), q95, within, more))
        return tuple(found)

    def total(self, table: Any) -> Interval:
        """The sum of a (draw, run) table over the runs chosen."""
        from gradeest.decision.summary import Interval

        return Interval.of(table[:, self.chosen].sum(axis=1))

    def gain(self, prices: Prices, rng: np.random.Generator) -> Interval:
        """Gain of the runs chosen in one settlement, draw by draw; also sets the chance that it is one."""
        from gradeest.decision.economics import draw_settlement
        from gradeest.decision.prices import NamedDraws
        from gradeest.decision.summary import Interval

        money, draws = self.money, self.outcome.recovered_g.shape[0]
        gain = np.zeros(draws)
        if self.chosen:
            settlement = draw_settlement(self.outcome.metals, prices, NamedDraws(rng, draws))
            spent = money.cost + money.labour + money.alternative
            paid = settlement.value(self.outcome.recovered_g[:, self.chosen, :].sum(axis=1))
            gain = paid - spent[:, self.chosen].sum(axis=1)
        self.chance = float((gain > 0).mean())
        return Interval.of(gain)

    def notes(self) -> list[str]:
        """What the plan does not count."""
        notes = ["whole fractions only; limits hold for expected hours and cash, one settlement for all runs"]
        if not self.limits:
            notes.append("no limit was given: try --hours 20 or --cash 500")
        if any(row.verdict == "sample first" for row in self.rows.values()):
            notes.append("tests are not counted in the hours; `gradeest test-first` says whether one pays")
        return notes


def bid_on(
    place: Place,
    path: Path,
    *,
    chance: float,
    asked: float | None = None,
    prices: Path | None = None,
    changes: Sequence[str] = (),
    report: Report = say_nothing,
) -> BidShown:
    """The highest price for the lot of a file at a chance of gain (0-1), by the belief of this bench; nothing is saved.

    Without a ledger the priors alone speak. `asked` is a price to judge (by default the file's price_paid).
    """
    with open_bench(place, create=True) as opened:
        file_lot, issues = read_lot(path, opened.catalogue, today=place.today)
        found, file = load_prices(opened, prices, changes)
        lot = dataclasses.replace(file_lot, name=OFFER)
        now = state_of(opened)
        bench = dataclasses.replace(now.bench, lots={**now.bench.lots, OFFER: lot})
        state = State(bench, digest([now.head, json.dumps(lot_payload(lot), sort_keys=True, default=str)]))
        runs, blocked = split_fractions(opened, state, OFFER)
        barred = {item.address for item in blocked}
        runs = tuple(run for run in runs if run.address not in barred)
        posterior = believe(opened, state, report=report)
        outcome = run_forward(opened, posterior, runs)
        kinds = {a: bench.fraction(a).kind for a in bench.addresses()}
        bid = _bid(opened, outcome, kinds, found, blocked, chance, file_lot.price_paid if asked is None else asked)
        return BidShown(
            file_lot.name,
            bid,
            lot.unsorted_kg,
            tuple(route_cautions(opened.catalogue, route) for route in dict.fromkeys(run.route for run in runs)),
            DEFER,
            str(file),
            found.changes,
            found.assumed,
            tuple(str(issue) for issue in (*issues, *found.warnings)),
            trust_in(posterior),
            opened.catalogue.version,
            place.seed,
            place.engine,
        )


def _bid(
    opened: Opened,
    outcome: Outcome,
    kinds: dict[str, str],
    prices: Prices,
    blocked: Sequence[Blocked],
    chance: float,
    asked: float | None,
) -> Bid:
    from gradeest.decision.bid import Unprocessed, value_bid

    kept: list[Unprocessed] = []
    for item in blocked:
        is_sold = not opened.catalogue.kinds[item.kind].stop
        kept.append(Unprocessed(item.address, item.kind, item.mass_kg, item.reason, is_sold))
    bid = value_bid(
        outcome,
        kinds,
        prices,
        opened.catalogue,
        stream(opened.place, "prices"),
        chance=chance,
        asked=asked,
        unprocessed=kept,
    )
    parts = tuple(dataclasses.replace(p, address=p.address.removeprefix(f"{OFFER}/")) for p in bid.parts)
    return dataclasses.replace(bid, parts=parts)
