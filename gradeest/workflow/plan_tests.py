"""Trials and assays that a plan may choose: weighed once for a state, prices and a fee, and kept."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from gradeest.decision.testing import CLEAR, Option, best_option, perfect_worth
from gradeest.workflow import cache

if TYPE_CHECKING:
    from gradeest.decision.ranking import Ranking
    from gradeest.workflow.testing import Testing, Trial

UNCLEAR = ("sample first", "sell", "keep")  # verdicts on fractions that a trial may be made of


@dataclass(frozen=True)
class PlanTest:
    """A test that clearly pays: an assay (`share` 0), or a trial run of a share of run number `at`.

    `hours`, `cost` (draw,), in single precision, for many are kept; `items`: what it is expected to take, by id.
    """

    address: str
    at: int
    share: float
    option: Option
    hours: NDArray[np.float32]
    cost: NDArray[np.float32]
    items: Mapping[str, float]

    @property
    def is_assay(self) -> bool:
        """Whether it is an assay."""
        return not self.share


@dataclass(frozen=True)
class Looked:
    """What knowing all of a run would be worth with its error, and its best assay where one clearly pays."""

    perfect: float
    perfect_mcse: float
    assay: Option | None


@dataclass(frozen=True)
class PlanTests:
    """The tests to choose from, and what is told of tests, by address."""

    tests: tuple[PlanTest, ...]
    looked: Mapping[str, Looked]


def weigh_plan_tests(testing: Testing, ranking: Ranking, must: Sequence[str], path: Path) -> PlanTests:
    """Tests that pay, where none is going: trial runs and assays of fractions that are not processed anyway, and assays
    of what is; assays only where their fee is known. `path`: where they are kept.
    """
    kept = cache.read(path, PlanTests)
    if kept is not None:
        return kept
    verdicts = {row.address: row.verdict for row in ranking.rows}
    looked: dict[str, Looked] = {}
    tests: list[PlanTest] = []
    for i, run in enumerate(testing.outcome.runs):
        is_unclear = verdicts[run.address] in UNCLEAR
        if is_unclear or testing.fee is not None:
            looked[run.address] = _look(testing, i)
        if run.address in must or run.address in testing.going:
            continue
        if is_unclear:
            trials = testing.trials(i, testing.sizes_that_could_pay(i))
            tests += [_of_trial(testing, i, trial) for trial in trials if is_clear(trial.option)]
        assay = None if testing.fee is None else looked[run.address].assay
        if assay is not None:
            hours, fee = testing.assay_hours.astype(np.float32), testing.fee or 0.0
            tests.append(PlanTest(run.address, i, 0.0, assay, hours, np.full_like(hours, fee), {}))
    found = PlanTests(tuple(tests), looked)
    cache.write(path, found)
    return found


def is_clear(option: Option) -> bool:
    """Its net worth is more than its error lets appear by chance."""
    return option.net > CLEAR * option.net_mcse


def _look(testing: Testing, i: int) -> Looked:
    perfect, error = perfect_worth(testing.money.advantage[:, i], testing.origin)
    return Looked(perfect, error, best_option(testing.assays(i)) if perfect > 0 else None)


def _of_trial(testing: Testing, i: int, trial: Trial) -> PlanTest:
    hours, cost = (table[:, 0].astype(np.float32) for table in (trial.spent.hours, trial.spent.cost))
    items = {key: float(table.mean()) for key, table in testing.items_of(trial).items()}
    return PlanTest(trial.address, i, trial.share, trial.option, hours, cost, items)
