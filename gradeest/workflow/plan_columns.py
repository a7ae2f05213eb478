"""What runs and tests take of everything that a plan may be short of, in columns: first runs, then tests."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from gradeest.decision.needs import Needs
    from gradeest.workflow.plan_tests import PlanTest
    from gradeest.workflow.testing import Testing

Array = NDArray[np.float64]
HOURS, CASH, DAYS = "hours", "cash", "days"  # the rest goes by the ids of items


class Columns:
    """Everything that runs and tests take, by "hours", "cash", "days" and the ids of items."""

    def __init__(self, testing: Testing, tests: Sequence[PlanTest], wanted: Collection[str]) -> None:
        """`wanted`: items that are limited; only these are looked at."""
        self.testing, self.tests, self.runs = testing, tests, len(testing.outcome.runs)
        self.wanted = wanted
        self._days: dict[str, Array] = {}
        self._items: dict[int, dict[str, Array]] = {}  # by column of a trial

    @cached_property
    def needs(self) -> Needs:
        """Items that the runs take."""
        from gradeest.decision.needs import find_needs

        return find_needs(self.testing.outcome, self.testing.kinds, self.testing.basis)

    @cached_property
    def items(self) -> set[str]:
        """Those of the wanted items that any run or test takes."""
        taken = {key for test in self.tests for key in test.items}
        return {key for key in self.wanted if key in self.needs.items or key in taken}

    @property
    def wait(self) -> Array | None:
        """Days until the result of an assay, (draw,); None where there is none to choose."""
        return self.testing.assay_days if any(test.is_assay for test in self.tests) else None

    def expected(self, key: str) -> Array:
        """What each column is expected to take, (column,)."""
        if key in self.items:
            of_runs = self.needs.items[key].mean(axis=0) if key in self.needs.items else np.zeros(self.runs)
            return np.array([*of_runs, *(test.items.get(key, 0.0) for test in self.tests)])
        return np.array([self._column(key, column).mean() for column in range(self.runs + len(self.tests))])

    def draws(self, key: str, columns: Sequence[int]) -> Array:
        """What some columns take, (draw, column)."""
        found = [self._column(key, column) for column in columns]
        return np.stack(found).T if found else np.zeros((self.testing.basis.named.draws, 0))

    def _column(self, key: str, column: int) -> Array:
        test = self.tests[column - self.runs] if column >= self.runs else None
        if key == DAYS:
            return self._days_of(column if test is None else test.at, test)
        if test is None:
            money, nothing = self.testing.money, np.zeros(self.testing.basis.named.draws)
            if key in (HOURS, CASH):
                return (money.hours if key == HOURS else money.cost)[:, column]
            return self.needs.items[key][:, column] if key in self.needs.items else nothing
        if key in (HOURS, CASH):
            return np.asarray(test.hours if key == HOURS else test.cost, dtype=float)
        return self._items_of(column, test).get(key, np.zeros(self.testing.basis.named.draws))

    def _days_of(self, run: int, test: PlanTest | None) -> Array:
        """Days of a run or a trial by its route; an assay takes those of a laboratory, not of the bench."""
        from gradeest.decision.days import draw_days

        route, basis = self.testing.outcome.runs[run].route, self.testing.basis
        if test is not None and test.is_assay:
            return np.zeros(basis.named.draws)
        if route not in self._days:
            drawn = draw_days(route, basis.prices.days_told, basis.catalogue, basis.named)
            self._days[route] = np.zeros(basis.named.draws) if drawn is None else drawn
        return self._days[route]

    def _items_of(self, column: int, test: PlanTest) -> dict[str, Array]:
        if test.is_assay:
            return {}
        if column not in self._items:
            self._items[column] = self.testing.items_of(self.testing.trial(test.at, test.share))
        return self._items[column]
