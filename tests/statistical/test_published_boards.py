"""Published whole boards against composition times grades, which were made without them. Run with -s for the table."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from gradeest.workflow.board_priors import draw_whole
from tests.reference.published_boards import PUBLISHED_BOARDS, PublishedBoard
from tests.statistical.bench_maker import SHIPPED

LEAST_INSIDE = 0.7  # of 90 % intervals, over rows that share boards and laboratories
SHIFTED = 10.0  # the twins


@cache
def interval(board: str, metal: str) -> tuple[float, float, float]:
    """5, 50 and 95 % of the grade of a new lot of boards, g/t."""
    draws = whole(board)[metal]
    q5, q50, q95 = np.quantile(draws, (0.05, 0.5, 0.95))
    return float(q5), float(q50), float(q95)


@cache
def whole(board: str) -> dict[str, np.ndarray]:
    """Draws of a kind of board, by metal."""
    return draw_whole(SHIPPED.boards[board], SHIPPED, np.random.default_rng(31))


def holds(row: PublishedBoard, factor: float = 1.0) -> bool:
    """Whether a value, times `factor`, lies in its interval."""
    low, _, high = interval(row.board, row.metal)
    return low <= row.value_g_per_t * factor <= high


def share_inside(factor: float = 1.0) -> float:
    """Share of the independent values inside."""
    counted = [row for row in PUBLISHED_BOARDS if row.is_counted]
    assert len(counted) >= 30
    return float(np.mean([holds(row, factor) for row in counted]))


def test_whole_boards_from_composition_and_grades_cover_the_published_ones() -> None:
    print("\nWhole boards, g/t: published value, then 5/50/95 % of composition times grades")
    for row in PUBLISHED_BOARDS:
        low, middle, high = interval(row.board, row.metal)
        mark = "" if holds(row) else f"  out: {row.why}"
        kin = "" if row.is_counted else "  (not counted: kin of a row)"
        print(
            f"{row.board:16} {row.metal} {row.value_g_per_t:7,.0f}  {low:6,.0f} {middle:6,.0f} {high:6,.0f}{kin}{mark}"
        )
    print(f"inside: {100 * share_inside():.0f} % of the values that are independent of the rows")
    assert share_inside() >= LEAST_INSIDE


def test_every_miss_is_explained() -> None:
    assert [row for row in PUBLISHED_BOARDS if not holds(row) and not row.why] == []


@pytest.mark.parametrize("factor", [SHIFTED, 1 / SHIFTED])
def test_whole_boards_off_by_ten_would_fall_out(factor: float) -> None:
    """The twin."""
    assert share_inside(factor) < 0.4
