"""What a calibration run found, as tables and as a figure: cover of intervals, reliability of chances."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tests.benchmarks.resumable import Row

LEVELS = (0.5, 0.8, 0.9, 0.95)
RANKS = 199  # draws a truth is ranked among
BINS = (0, 0.05, 0.25, 0.5, 0.75, 0.95, 1.001)
TWIN = "grades with evidence"


def cover(ranks: Iterable[int], level: float) -> float:
    """Share of ranks inside the central interval of a level."""
    u = (np.asarray(list(ranks)) + 0.5) / (RANKS + 1)
    return float(np.mean(np.abs(u - 0.5) <= level / 2))


def error_of(of_benches: Sequence[tuple[float, int]]) -> float:
    """Standard error of a mean over ranks, from what varies between benches: ranks of one bench hang together.

    of_benches holds each bench's mean and how many ranks it is of.
    """
    means, counts = np.array([pair for pair in of_benches if pair[1]]).T
    mean, weight = np.average(means, weights=counts), counts / counts.sum()
    return float(np.sqrt(np.sum((weight * (means - mean)) ** 2) * len(means) / max(len(means) - 1, 1)))


def cover_of(rows: Sequence[Row], name: str, level: float, where: str = "ranks") -> tuple[float, float]:
    """Share of truths inside the central interval of a level, and its standard error."""
    of_benches = [ranks for row in rows if (ranks := row[where].get(name))]
    error = error_of([(cover(ranks, level), len(ranks)) for ranks in of_benches])
    return cover([rank for ranks in of_benches for rank in ranks], level), error


def pairs_of(rows: Sequence[Row], name: str) -> NDArray[np.float64]:
    """(said, came true) of every chance of a sort."""
    return np.array([pair for row in rows for pair in row["chances"].get(name, ())]).reshape(-1, 2)


def names(rows: Sequence[Row], where: str) -> list[str]:
    return list(dict.fromkeys(name for row in rows for name in row[where]))


def report(rows: Sequence[Row]) -> str:
    """The tables of a run."""
    done = [row for row in rows if "ranks" in row]
    lines = [
        f"{len(done)} benches, {len(rows) - len(done)} not settled; fit: median "
        f"{np.median([r['seconds'] for r in done]):.1f} s, longest {max(r['seconds'] for r in done):.1f} s CPU",
        f"{'truth inside the interval of':30}{'ranks':>7}" + "".join(f"{level:>15.0%}" for level in LEVELS),
    ]

    def line(label: str, name: str, where: str = "ranks") -> str:
        count = sum(len(row[where].get(name, ())) for row in done)
        said = [cover_of(done, name, level, where) for level in LEVELS]
        return f"{label:30}{count:7}" + "".join(f"{share:7.3f} +-{error:.3f}" for share, error in said)

    lines += [line(name, name) for name in names(done, "ranks")]
    lines.append(line("  twin: drawn together by 1/5", TWIN, "twin"))
    for name in names(done, "chances"):
        lines += reliability(name, pairs_of(done, name))
    return "\n".join(lines)


def reliability(name: str, pairs: NDArray[np.float64]) -> list[str]:
    """Brier score and what it should be, and bins of what was said with what came true."""
    if not len(pairs):
        return []
    said, came = pairs.T
    expected = float(np.mean(said * (1 - said)))
    error = math.sqrt(float(np.sum(said * (1 - said) * (1 - 2 * said) ** 2))) / len(said)
    lines = [
        f"chance of {name}: {len(pairs)}; Brier score {np.mean((said - came) ** 2):.4f}, "
        f"expected of what was said {expected:.4f} +-{error:.4f}"
    ]
    for low, high in pairwise(BINS):
        inside = (said >= low) & (said < high)
        if inside.any():
            error = math.sqrt(max(float(np.sum(said[inside] * (1 - said[inside]))), 1e-9)) / inside.sum()
            lines.append(
                f"  said {low:.2f}-{min(high, 1):.2f}: {inside.sum():5}, on average {said[inside].mean():.3f}, "
                f"came true {came[inside].mean():.3f} +-{error:.3f}"
            )
    return lines


def draw(rows: Sequence[Row], path: Path) -> None:
    """Histograms of the ranks with the band that flat ranks keep to in 95 of 100 cases, and reliability diagrams."""
    from matplotlib.figure import Figure
    from scipy.stats import binom

    done = [row for row in rows if "ranks" in row]
    sorts, chances = names(done, "ranks"), [n for n in names(done, "chances") if len(pairs_of(done, n))]
    figure = Figure(figsize=(10, 1.8 * max(len(sorts), 2 * len(chances))), layout="constrained")
    left, right = figure.subfigures(1, 2)
    for axes, name in zip(left.subplots(len(sorts), 1, squeeze=False)[:, 0], sorts, strict=True):
        ranks = [rank for row in done for rank in row["ranks"].get(name, ())]
        axes.axhspan(*binom.interval(0.95, len(ranks), 1 / 20), color="0.88", zorder=0)
        axes.hist(ranks, bins=20, range=(0, RANKS + 1), color="0.6", edgecolor="0.3")
        axes.set_title(f"ranks of {name}: {len(ranks)}", fontsize=9)
    if chances:
        for axes, name in zip(right.subplots(len(chances), 1, squeeze=False)[:, 0], chances, strict=True):
            _draw_reliability(axes, name, pairs_of(done, name))
    figure.savefig(path, metadata={"Date": None} if path.suffix == ".svg" else None)


def _draw_reliability(axes: object, name: str, pairs: NDArray[np.float64]) -> None:
    """Means of bins: came true over said, with two standard errors of what was said."""
    said, came = pairs.T
    points = []
    for low, high in pairwise(BINS):
        inside = (said >= low) & (said < high)
        if inside.any():
            error = 2 * math.sqrt(float(np.sum(said[inside] * (1 - said[inside])))) / inside.sum()
            points.append((said[inside].mean(), came[inside].mean(), error))
    x, y, error = np.array(points).T
    axes.plot([0, 1], [0, 1], color="0.7", zorder=0)  # type: ignore[attr-defined]
    axes.set_ylim(-0.05, 1.05)  # type: ignore[attr-defined]
    axes.errorbar(x, y, error, fmt="o", color="0.2", markersize=4)  # type: ignore[attr-defined]
    axes.set_title(f"chance of {name}: came true over said, {len(pairs)}", fontsize=9)  # type: ignore[attr-defined]
