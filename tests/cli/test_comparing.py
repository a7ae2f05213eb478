"""What the draws alone would move is not shown as learned; what moved beyond them is."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from gradeest.workflow.comparing import LEVELS, MOVED, has_moved, spread_of

DRAWS = 1000
TRIALS = 300


def belief() -> Any:
    return SimpleNamespace(diagnostics=SimpleNamespace(ess_min=float(DRAWS)), draws=DRAWS)


def draw_undecided(rng: np.random.Generator) -> Any:
    """A grade that may be next to none: two humps, like silver in capacitors not told apart."""
    trace = rng.uniform(size=DRAWS) < 0.25
    return np.exp(
        np.where(trace, np.log(15) + 0.8 * rng.normal(size=DRAWS), np.log(3000) + 1.8 * rng.normal(size=DRAWS))
    )


def test_the_error_of_a_quantile_is_what_repeating_gives() -> None:
    """Against the spread over repeated sets of draws."""
    rng = np.random.default_rng(5)
    found = [spread_of(draw_undecided(rng), belief()) for _ in range(TRIALS)]
    for i, level in enumerate(LEVELS):
        seen = np.std([one.points[i] for one in found])
        said = np.median([one.errors[i] for one in found])
        assert said == pytest.approx(seen, rel=0.35), f"{level}"


def test_the_same_belief_drawn_twice_has_not_moved() -> None:
    rng = np.random.default_rng(6)
    pairs = [(draw_undecided(rng), draw_undecided(rng)) for _ in range(TRIALS)]
    wrong = sum(has_moved(spread_of(a, belief()), spread_of(b, belief()), [0.25, 0.25], DRAWS) for a, b in pairs)
    assert wrong <= 0.02 * TRIALS
    # twin: a tenth alone as the limit takes noise for news
    naive = sum(abs(np.log(np.median(a) / np.median(b))) > MOVED for a, b in pairs)
    assert naive > 0.2 * TRIALS


def test_a_shift_and_a_narrowing_are_seen() -> None:
    rng = np.random.default_rng(7)
    base = np.log(2500) + 0.5 * rng.normal(size=DRAWS)
    was = spread_of(np.exp(base), belief())
    richer = spread_of(np.exp(base + 0.25), belief())
    sharper = spread_of(np.exp(np.log(2500) + 0.3 * (base - np.log(2500))), belief())
    assert has_moved(was, richer, [0.0, 0.0], DRAWS)
    assert has_moved(was, sharper, [0.0, 0.0], DRAWS)
    assert not has_moved(was, was, [0.0, 0.0], DRAWS)


def test_a_chance_of_next_to_none_that_moved_is_seen() -> None:
    rng = np.random.default_rng(8)
    same = spread_of(draw_undecided(rng), belief())
    assert has_moved(same, same, [0.25, 0.6], DRAWS)
    assert not has_moved(same, same, [0.25, 0.28], DRAWS)
    assert not has_moved(same, same, [0.2, 0.45], 20), "few draws do not tell these apart"
