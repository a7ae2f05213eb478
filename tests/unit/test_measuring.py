"""The programs that measure: what a broken engine would look like in their tables, and that a stopped run goes on."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from gradeest.belief.layers import split_layers
from gradeest.belief.simulate import simulate
from gradeest.materials.catalogue import load_catalogue
from gradeest.records.domain import Bench
from tests.benchmarks.accuracy import BARS, TWINS, errors, make_bench, rms
from tests.benchmarks.calibration_tables import cover, error_of, reliability
from tests.benchmarks.full_network import (
    filled,
    kinds_of_evidence,
    of_its_products,
    part_of_everything,
    says_what_was_drawn,
)
from tests.benchmarks.resumable import run_missing
from tests.engine_bench import every_evidence


def told(seed: int, draws: int = 40_000) -> tuple[dict[str, np.ndarray], dict[str, np.ndarray]]:
    rng = np.random.default_rng(seed)
    trace = rng.uniform(size=draws) < 0.3
    x = np.where(trace, -2.0, 6.0) + rng.normal(size=draws)
    numbers = {"present": np.where(trace, np.nan, x), "traces": np.where(trace, x, np.nan)}
    return numbers, {"P(trace) of it": trace.astype(float)}


def test_errors_are_those_of_each_side_of_a_switch() -> None:
    found = errors(told(1), told(2))
    assert len(found["means"]) == 2
    assert rms(found["means"]) < 0.03
    assert rms(found["5 and 95 % points"]) < 0.05
    assert abs(found["P(trace)"][0]) < 0.02


@pytest.mark.parametrize("name", TWINS)
def test_a_broken_engine_is_beyond_a_bar(name: str) -> None:
    found = errors(told(1), told(2), *TWINS[name])
    assert any(rms(found[what]) > BARS[what] for what in ("means", "5 and 95 % points"))


def test_a_side_that_is_never_visited_is_an_error_without_end() -> None:
    mine = told(1)
    mine[0]["traces"] = np.full(len(mine[0]["traces"]), np.nan)
    assert rms(errors(mine, told(2))["means"]) == np.inf


def test_benches_hold_evidence_of_many_kinds() -> None:
    kinds = [kinds_of_evidence(make_bench(seed, load_catalogue())) for seed in range(4)]
    assert min(len(found) for found in kinds) >= 8
    assert len(set.union(*kinds)) >= 14


def test_one_bench_can_hold_every_kind_of_evidence() -> None:
    rng, catalogue = np.random.default_rng(6), load_catalogue()
    plan = part_of_everything(1.0, rng)
    made, _ = simulate(plan, catalogue, rng)
    assert len(made.batches) == len(every_evidence().batches)
    assert len(kinds_of_evidence(plan) | {"weight of few digits"}) >= 23


def test_a_bench_whose_records_say_something_else_is_drawn_again() -> None:
    """A powder too small to be seen; liquid thrown away after more had dropped than its limit says."""
    catalogue, whole = load_catalogue(), split_layers(every_evidence())
    plan = of_its_products(replace(whole, batches={name: whole.batches[name] for name in ("B1", "B4", "B18")}))
    made, _ = filled(plan, catalogue, np.random.default_rng(8))
    assert says_what_was_drawn(plan, made, catalogue)

    def with_batch(name: str, **changes: Any) -> Bench:
        return replace(made, batches={**made.batches, name: replace(made.batches[name], **changes)})

    (*_, powder) = made.batches["B1"].products
    assert made.batches["B4"].spot_tests
    assert not says_what_was_drawn(plan, with_batch("B4", nondetects=()), catalogue)
    assert not says_what_was_drawn(plan, with_batch("B1", products=(replace(powder, weight_g=0.0),)), catalogue)
    assert not says_what_was_drawn(plan, with_batch("B1", products=()), catalogue)  # its ash is linked to nothing


def test_flat_ranks_are_covered_as_the_level_says() -> None:
    assert cover(range(200), 0.9) == pytest.approx(0.9, abs=0.01)
    assert cover([100] * 50, 0.9) == 1.0  # twin: not sure enough


def test_errors_come_from_what_varies_between_benches() -> None:
    rng = np.random.default_rng(3)
    benches = [(float(np.mean(rng.normal(size=10) + rng.normal())), 10) for _ in range(400)]
    assert error_of(benches) == pytest.approx((1.1 / 400) ** 0.5, rel=0.15)


def test_chances_said_too_surely_are_seen_in_the_table() -> None:
    rng = np.random.default_rng(4)
    said = rng.uniform(0.05, 0.95, size=2000)
    came = (rng.uniform(size=2000) < said).astype(float)
    (honest, *_), (sure, *_) = (reliability("it", np.stack([p, came], axis=1)) for p in (said, np.round(said)))
    assert honest.startswith("chance of it: 2000; Brier score 0.1")
    assert "expected of what was said 0.0000" in sure


def square(seed: int) -> dict[str, int]:
    return {"seed": seed, "square": seed * seed}


def not_again(seed: int) -> dict[str, int]:
    assert seed > 2
    return square(seed)


def test_a_stopped_run_goes_on_where_it_was(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "rows.jsonl"
    run_missing(square, range(3), file, 1)
    rows = run_missing(not_again, range(5), file, 1)
    assert [row["square"] for row in rows] == [0, 1, 4, 9, 16]
    assert len(file.read_text().splitlines()) == 5
    assert "2 of 2" in capsys.readouterr().err
