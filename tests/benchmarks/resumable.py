"""Runs that may be stopped: one line of a file per seed; what is there already is not done again."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path
from typing import Any

Row = Mapping[str, Any]


def options(description: str | None, benches: int, file: str) -> argparse.ArgumentParser:
    """What every such program may be asked: how many benches, where lines are kept, on how many processors."""
    parser = argparse.ArgumentParser(description=description, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--benches", type=int, default=benches)
    parser.add_argument("--file", type=Path, default=Path(file))
    parser.add_argument("--processes", type=int, default=2)
    return parser


def run_missing(examine: Callable[[int], Row], seeds: Iterable[int], file: Path, processes: int) -> list[Row]:
    """Lines of all the seeds, in their order: those of the file, and the missing ones, which are added to it."""
    asked = list(seeds)
    rows: dict[int, Row] = {}
    if file.exists():
        kept = [json.loads(line) for line in file.read_text(encoding="utf-8").splitlines()]
        rows = {row["seed"]: row for row in kept}
    missing = [seed for seed in asked if seed not in rows]
    with file.open("a", encoding="utf-8") as lines:
        for n, row in enumerate(_examined(examine, missing, processes)):
            rows[row["seed"]] = row
            lines.write(json.dumps(row) + "\n")
            lines.flush()
            print(f"\r{n + 1} of {len(missing)}", end="", file=sys.stderr, flush=True)
    if missing:
        print(file=sys.stderr)
    return [rows[seed] for seed in asked]


def _examined(examine: Callable[[int], Row], seeds: Sequence[int], processes: int) -> Iterator[Row]:
    """Rows as they come."""
    if processes < 2:
        yield from map(examine, seeds)
        return
    with ProcessPoolExecutor(processes) as pool:
        for one in as_completed([pool.submit(examine, seed) for seed in seeds]):
            yield one.result()
