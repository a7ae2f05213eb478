"""A small simulation-based calibration: whether intervals and chances hold on benches made from the prior.

`tests.benchmarks.calibration` at its smallest (two lots of two fractions), fits that settle at once. Ranks of one bench
hang together, so errors come from what varies between benches. Beside the program stand its twins: every posterior
drawn together by a fifth, and chances said three times as surely (on the logit scale).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import expit, logit, ndtri

from gradeest.belief import posterior
from tests.benchmarks.calibration import examine
from tests.benchmarks.calibration_tables import LEVELS, RANKS, cover_of, draw, error_of, names, pairs_of, report
from tests.statistical.ranks import gap_of_chances, surprise, surprise_of_one

BENCHES, LEFT_OUT, OF_ALL = 55, 0.2, 16
Rows = tuple[dict[str, Any], ...]
LIMIT = 4.0  # standard errors; passed by chance by one of fifteen thousand
LEAST = 1 / 4000  # no chance is held to be closer to 0 or 1 than one draw
RANKED = (
    *("grades with evidence", "grades without", "kind means", "spreads between lots", "recoveries", "purities"),
    *("hold-up", "batch yields", "net returns"),
)
OF_STREAMS = ("metal of charges", "metal set aside")
CHANCES = ("traces", "failed run", "gain", "the best run")


def settled(count: int, left_out: float, **how: Any) -> Rows:
    """Lines of the benches that settled: which do depends on the records alone, so ranks stay uniform."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(posterior, "FAST_MOVES", posterior.FAST_MOVES[:1])  # a longer run takes as long as all the others
        found = [examine(seed, **how) for seed in range(count)]
    done = tuple(row for row in found if "ranks" in row)
    assert len(done) >= (1 - left_out) * count
    return done


@cache
def rows() -> Rows:
    return settled(BENCHES, LEFT_OUT, most=2)


@cache
def rows_of_all() -> Rows:
    """Benches that hold every kind of evidence between them."""
    return settled(OF_ALL, 0.5, evidence="all")


def shift_and_spread(*sorts: str, where: str = "ranks", of: Callable[[], Rows] = rows) -> NDArray[np.float64]:
    """Mean of the ranks' normals, and of their squares less 1, in standard errors between benches."""
    normals = []
    for row in of():
        ranks = [rank for name in sorts for rank in row[where].get(name, ())]
        if ranks:
            normals.append(ndtri((np.array(ranks) + 0.5) / (RANKS + 1)))
    counts = [len(z) for z in normals]
    out = []
    for view in (lambda z: z, lambda z: z * z - 1):
        means = [float(view(z).mean()) for z in normals]
        out.append(np.average(means, weights=counts) / error_of(list(zip(means, counts, strict=True))))
    return np.array(out)


def of_chances(name: str, surer: float = 1.0) -> tuple[float, float]:
    """What was said less what came true, and the Brier score less its expectation, in standard errors."""
    said, came = pairs_of(rows(), name).T
    said, came = expit(surer * logit(np.clip(said, LEAST, 1 - LEAST))), came > 0.5
    if name != "the best run":
        return gap_of_chances(said, came, LEAST), surprise(said, came, LEAST)
    ends = np.cumsum([len(row["chances"].get(name, ())) for row in rows()])[:-1]  # one of a bench is the best
    return gap_of_chances(said, came, LEAST), surprise_of_one(np.split(said, ends), np.split(came, ends), LEAST)


def test_everything_that_is_shown_is_ranked() -> None:
    assert set(names(rows(), "ranks")) == {*RANKED, *OF_STREAMS}
    assert set(names(rows(), "chances")) == set(CHANCES)


@pytest.mark.parametrize("name", RANKED)
def test_truths_lie_where_the_draws_say(name: str) -> None:
    assert np.abs(shift_and_spread(name)).max() < LIMIT


@pytest.mark.parametrize("name", RANKED)
def test_intervals_hold_what_they_promise(name: str) -> None:
    for level in LEVELS:
        share, error = cover_of(rows(), name, level)
        count = sum(len(row["ranks"].get(name, ())) for row in rows())
        assert abs(share - level) < LIMIT * max(error, math.sqrt(level * (1 - level) / count))


def test_a_posterior_drawn_together_by_a_fifth_does_not_hold() -> None:
    """Twin: all ranks together, too sure by 9.7 errors between benches; the program: -1.6."""
    assert np.abs(shift_and_spread(*RANKED)).max() < LIMIT
    assert shift_and_spread(*RANKED, where="twin")[1] > LIMIT


def test_benches_of_all_kinds_of_evidence_hold_what_they_promise() -> None:
    """Twin, drawn together by a fifth: too sure by 9.4 errors; the program: -1.9, and a shift of 1.2."""
    everything = (*RANKED, *OF_STREAMS)
    assert set(names(rows_of_all(), "ranks")) == set(everything)
    assert np.abs(shift_and_spread(*everything, of=rows_of_all)).max() < LIMIT
    assert shift_and_spread(*everything, where="twin", of=rows_of_all)[1] > LIMIT


@pytest.mark.parametrize("name", CHANCES)
def test_chances_come_true_as_often_as_they_say(name: str) -> None:
    assert np.abs(of_chances(name)).max() < LIMIT


@pytest.mark.parametrize("name", ["gain", "the best run"])
def test_chances_said_three_times_as_surely_do_not_hold(name: str) -> None:
    """The twin: 10.6 and 15.2 errors; the program: 0.8 and 3.3."""
    assert of_chances(name, 3.0)[1] > LIMIT


def test_the_program_prints_all_of_it_and_draws_a_figure(tmp_path: Path) -> None:
    said = report(rows())
    assert all(name in said for name in (*RANKED, *CHANCES))
    draw(rows(), tmp_path / "ranks.png")
    assert (tmp_path / "ranks.png").read_bytes().startswith(b"\x89PNG")
