"""The runs, trials and assays chosen within the limits, and what to say of all that is not."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from gradeest.workflow.plan_columns import CASH, HOURS

if TYPE_CHECKING:
    from gradeest.decision.plan import Limit, More, Question
    from gradeest.decision.ranking import RankedRun, Ranking
    from gradeest.decision.summary import Interval
    from gradeest.decision.testing import Option
    from gradeest.workflow.plan_columns import Columns
    from gradeest.workflow.plan_tests import PlanTest, PlanTests
    from gradeest.workflow.supplies import Supply
    from gradeest.workflow.testing import Testing

Array = NDArray[np.float64]


def _limit(supply: Supply, columns: Sequence[int]) -> Limit:
    """A supply as a limit of some columns, by what each is expected to take of it."""
    from gradeest.decision.plan import Limit

    wait = 0.0 if supply.wait is None else float(supply.wait.mean())
    return Limit(supply.name, supply.unit, supply.most, supply.uses[list(columns)], supply.step, supply.places, wait)


@dataclass(frozen=True)
class Step:
    """What a plan does with one fraction: process, trial (a run of a part), assay, test first, sell, keep, or wait (it
    gains, but found no room). Gain, hours and cost are those of the run; of a trial or an assay its own. A run that
    waits for its assay has a step beside it.
    """

    address: str
    action: str
    order: int | None  # of the runs, trials and assays to make
    mass_kg: float
    route: str
    gain: Interval | None
    hours: Interval | None
    cost: Interval | None
    gain_per_hour: float | None
    why: str
    test: str = ""  # of what is tried or tested first, and of a run whose assay pays: the advice on it, in a line
    worth: float | None = None  # of a trial or an assay: what its result is expected to bring, less what it costs
    worth_mcse: float | None = None


@dataclass(frozen=True)
class Use:
    """What the plan takes of a limit, and the chance that it stays within it; reagents in whole packs, as bought.

    `pack`: what it is rounded up to, 0 where it is no reagent. `is_barred`: the bench has no licence for it, so there
    is none of it; then what more would bring is not told. `places`: so many runs take it side by side.
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
    places: int = 1


@dataclass(frozen=True)
class Gain:
    """What the runs of a plan gain, settled together, and what its trials and assays are worth by what they tell."""

    runs: Interval
    mcse: float
    chance: float
    trials: float
    trials_mcse: float


class Within:
    """The runs, trials and assays that together bring the most. All is counted in columns: first runs, then tests."""

    def __init__(
        self,
        testing: Testing,
        ranking: Ranking,
        tests: PlanTests,
        columns: Columns,
        supplies: Sequence[Supply],
        must: Sequence[str],
    ) -> None:
        from gradeest.decision.plan import choose_runs

        self.testing, self.outcome, self.money = testing, testing.outcome, testing.money
        self.tests, self.looked = tests.tests, tests.looked
        self.columns, self.supplies, self.ranking = columns, supplies, ranking
        self.rows = {row.address: row for row in ranking.rows}
        self.addresses = [run.address for run in self.outcome.runs]
        self.runs = len(self.addresses)
        self.barred = {
            self.addresses[i]: f"takes {supply.name}, for which this bench has no licence"
            for supply in supplies
            if supply.is_barred
            for i in range(self.runs)
            if supply.uses[i] > 0
        }
        runs = [
            i
            for i, address in enumerate(self.addresses)
            if address in must or (self.rows[address].verdict == "process" and address not in self.barred)
        ]
        tests_left = [self.runs + n for n, test in enumerate(self.tests) if test.address not in self.barred]
        self.open = [*runs, *tests_left]
        self.asked = self._ask(must)
        self.picked = choose_runs(self.asked)
        self.chosen = [self.open[n] for n in self.picked]

    def _ask(self, must: Sequence[str]) -> Question:
        """The choice among the open columns, counted by their place among these."""
        from gradeest.decision.plan import Question

        runs = [column for column in self.open if column < self.runs]
        processed = {self.addresses[i]: n for n, i in enumerate(runs)}
        of_one: dict[str, list[int]] = {}
        assays: dict[int, int | None] = {}
        values = list(self.money.advantage.mean(axis=0)[runs])
        for n, column in enumerate(self.open[len(runs) :], start=len(runs)):
            test = self._test(column)
            values.append(test.option.net)
            of_one.setdefault(test.address, []).append(n)
            if test.is_assay:
                assays[n] = processed.get(test.address)
        return Question(
            np.array(values, dtype=float),
            [_limit(supply, self.open) for supply in self.supplies],
            self.money.shared_fee,
            [n for address, n in processed.items() if address in must],
            frozenset(range(len(runs), len(self.open))),
            list(of_one.values()),
            assays,
        )

    @cached_property
    def steps(self) -> tuple[Step, ...]:
        """What to make in its order, then what waits, is tested, sold or kept."""
        first = [
            self._run(column, n) if column < self.runs else self._tested(column, n)
            for n, column in enumerate(self._order(), start=1)
        ]
        done = {step.address for step in first}
        waiting = {self.addresses[i] for i in self.open if i < self.runs} - done
        rest = [row for row in self.ranking.rows if row.address not in done]
        return (*first, *(self._left(row, self._instead(row, waiting)) for row in rest))

    @cached_property
    def assays(self) -> dict[int, int | None]:
        """Columns of the assays chosen, each with that of the run that waits for its result."""
        found = {self.open[a]: None if run is None else self.open[run] for a, run in self.asked.assays.items()}
        return {assay: run for assay, run in found.items() if assay in self.chosen}

    def _order(self) -> list[int]:
        """Assays first, for a laboratory takes its days; what waits for one comes last; each by the gain per hour."""
        from gradeest.decision.plan import order_runs

        ratios, late = self._per_hour(), set(self.assays.values())
        stages = [self.assays, [c for c in ratios if c not in self.assays and c not in late], late]
        return [column for stage in stages for column in order_runs([c for c in ratios if c in stage], ratios)]

    def _test(self, column: int) -> PlanTest:
        return self.tests[column - self.runs]

    def _per_hour(self) -> dict[int, float]:
        """What all that is chosen is placed by, per hour: runs in the order of the ranking, the tail guard and
        shared ranks included, none above the one before it."""
        columns = {self.addresses[column]: column for column in self.chosen if column < self.runs}
        found, most = {}, float("inf")
        for row in self.ranking.rows:
            if row.address in columns:
                most = min(most, row.placed_by or 0.0)
                found[columns[row.address]] = most
        tests = [column for column in self.chosen if column >= self.runs]
        return found | {column: self._worth_per_hour(column) for column in tests}

    def _worth_per_hour(self, column: int) -> float:
        return self._test(column).option.net / float(self._test(column).hours.mean())

    def _run(self, column: int, order: int) -> Step:
        row = self.rows[self.addresses[column]]
        late = column in self.assays.values()
        return self._step(row, "process", order, test="begun after its assay, if that still says so" if late else "")

    def _tested(self, column: int, order: int) -> Step:
        from gradeest.decision.summary import Interval

        test = self._test(column)
        row, option = self.rows[test.address], test.option
        hours, cost = (Interval.of(self.columns.draws(key, [column])[:, 0]) for key in (HOURS, CASH))
        figures = (None, hours, cost, self._worth_per_hour(column))
        if test.is_assay:
            why = f"assay: a better choice brings {option.worth:.3g}; sample, fee and paid hours cost {option.cost:.3g}"
            return Step(
                row.address, "assay", order, option.mass_kg, "", *figures, why, "", option.net, option.worth_mcse
            )
        why = f"trial run: a better choice brings {option.worth:.3g}, the trial costs {option.cost:.3g}"
        advice = self._advise(row.address, option) if self.testing.fee is None else ""
        return Step(
            row.address, "trial", order, option.mass_kg, row.route, *figures, why, advice, option.net, option.worth_mcse
        )

    def _instead(self, row: RankedRun, waiting: set[str]) -> str:
        if row.address in waiting:
            return "wait"
        if row.verdict == "blocked" or (row.verdict in ("process", "sample first") and row.address in self.barred):
            return "leave"
        return "test first" if row.verdict == "sample first" or row.address in self.assayed else row.verdict

    @property
    def assayed(self) -> set[str]:
        """What an assay would pay of, before it is decided on, be there room for it or not."""
        return {test.address for test in self.tests if test.is_assay} - set(self.barred)

    def _left(self, row: RankedRun, action: str) -> Step:
        why = "gains, but finds no room in this plan" if action == "wait" else row.why
        why = self.barred.get(row.address, why) if action == "leave" else why
        if action != "test first":
            return self._step(row, action, None, why)
        room = "; it finds no room in this plan" if row.address in self.assayed else ""
        return self._step(row, action, None, why, self._advise(row.address) + room)

    def _advise(self, address: str, trial: Option | None = None) -> str:
        """Whether an assay of a fraction pays before it is decided on, or `trial`, in a line."""
        looked = self.looked[address]
        options = [option for option in (looked.assay, trial) if option is not None]
        return self.testing.advise(address, looked.perfect, looked.perfect_mcse, options)

    def _step(self, row: RankedRun, action: str, order: int | None, why: str | None = None, test: str = "") -> Step:
        parts = (row.gain, row.hours, row.cost, row.gain_per_hour)
        return Step(row.address, action, order, row.mass_kg, row.route, *parts, row.why if why is None else why, test)

    def uses(self) -> tuple[Use, ...]:
        """What each limit is used for, and the next better plan beyond it."""
        from gradeest.decision.needs import whole
        from gradeest.decision.plan import longest, next_step, spread_out

        found = []
        for at, supply in enumerate(self.supplies):
            draws = self.columns.draws(supply.key, self.chosen)
            here = {c: n for n, c in enumerate(self.chosen)}
            assays = {here[a]: None if run is None else here[run] for a, run in self.assays.items()}
            limit = _limit(supply, self.chosen)
            place = spread_out(limit, assays)
            wait = 0.0 if supply.wait is None else supply.wait
            waiting = assays if supply.wait is not None else {}
            used = longest(draws, place, waiting, wait)
            more = None if supply.is_barred else next_step(self.asked, at, self.picked)
            amounts = float(longest(limit.uses[None, :], place, waiting, limit.wait)[0]), float(np.quantile(used, 0.95))
            expected, most = (whole(amount, supply.step) for amount in amounts)
            within = float((used <= supply.most).mean())
            found.append(
                Use(
                    supply.name, supply.unit, supply.most, expected, most, within, more, supply.step,
                    supply.is_barred, supply.places,
                )
            )  # fmt: skip
        return tuple(found)

    def total(self, key: str) -> Interval:
        """What all that is chosen takes of hours or money."""
        from gradeest.decision.summary import Interval

        return Interval.of(self.columns.draws(key, self.chosen).sum(axis=1))

    def gain(self) -> Gain:
        """Gain of the runs chosen in one settlement, draw by draw, and what the trials are worth."""
        from gradeest.decision.summary import Interval, mcse

        money, runs = self.money, [column for column in self.chosen if column < self.runs]
        gain = np.zeros(len(money.cost))
        if runs:
            spent = money.cost + money.labour + money.alternative
            gain = self.testing.market.settle(money.buyer_of, runs) - spent[:, runs].sum(axis=1)
        options = [self._test(column).option for column in self.chosen if column >= self.runs]
        error = float(np.hypot.reduce([option.worth_mcse for option in options], initial=0.0))
        worth = sum(option.net for option in options)
        return Gain(Interval.of(gain), mcse(gain, self.outcome.origin), float((gain > 0).mean()), worth, error)

    def notes(self) -> list[str]:
        """What the plan does not count."""
        notes = ["whole fractions only; limits hold for what is expected, one settlement for all runs"]
        for supply in self.supplies:
            if supply.name == "days":
                notes.append(
                    "days count one run after the other; --at-once 2 where two may be going side by side"
                    if supply.places == 1
                    else f"at most {supply.places} runs are going at once; hands-on hours stay one after the other"
                )
        if not self.supplies:
            notes.append('no limit was given: try --hours 20, --cash 500, --days 30 or --limit "nitric acid=10 L"')
        if any(step.action == "trial" for step in self.steps):
            notes.append(
                "a trial counts by what its result tells, its product settled with the others that gain; what is left "
                "of it is decided on after, in a plan of its own"
            )
        if self.assays:
            notes.append(
                "an assay counts with its fee, your hours and the days until its result, beside which others go on"
            )
        if self.testing.fee is None and any(step.test for step in self.steps):
            notes.append("without --fee an assay is in no plan; `gradeest test-first LOT/FRACTION` shows tests by size")
        return notes
