"""A picture of where metal went: what went in on the left, to the right a band per destination, as wide as its share.

Every band is named beside it, so that nothing rests on colour: the picture says the same in grey. The same values give
the same file.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from gradeest.report.figures import percent

METAL_COLOURS = {"Au": "#E69F00", "Ag": "#56B4E9", "Pd": "#CC79A7"}  # Okabe and Ito's, safe for the colour-blind
METAL_NAMES = {"Au": "Gold", "Ag": "Silver", "Pd": "Palladium"}
BEST = "product"
LEAST_SLOT = 0.085  # of a panel's height, for a line of text
GAP = 0.012
LEFT, BEND, RIGHT = 0.23, 0.39, 0.53  # where bands begin, turn and end, of a panel's width
WIDTH_IN, PANEL_IN, TITLE_IN = 7.0, 2.6, 0.75


@dataclass(frozen=True)
class Band:
    """One destination: its name, its expected share (0-1) of all that went in, and the metal there, in words."""

    to: str
    share: float
    grams: str


@dataclass(frozen=True)
class MetalBands:
    """One metal: what went in, in words, and its destinations."""

    metal: str
    went_in: str
    bands: tuple[Band, ...]


def draw_flows(title: str, metals: Sequence[MetalBands], suffix: str) -> bytes:
    """The picture as an SVG or PNG file (`suffix` .svg or .png)."""
    import matplotlib as mpl
    from matplotlib.figure import Figure

    height = TITLE_IN + PANEL_IN * max(len(metals), 1)
    settings: Any = {"svg.hashsalt": "gradeest", "svg.fonttype": "none", "font.family": "DejaVu Sans", "font.size": 9}
    settings["text.parse_math"] = False  # a lot may be called anything
    with mpl.rc_context(settings):
        figure = Figure(figsize=(WIDTH_IN, height))
        figure.text(0.03, 1 - 0.32 / height, f"Where the metal went: {title}", size=11, weight="bold", va="center")
        figure.text(
            0.03, 1 - 0.56 / height, "widths: expected shares; numbers: median (5-95 %)", color="0.35", va="center"
        )
        for n, metal in enumerate(metals):
            bottom = (height - TITLE_IN - PANEL_IN * (n + 1)) / height
            axes = figure.add_axes((0.0, bottom + 0.1 / height, 1.0, (PANEL_IN - 0.2) / height))
            axes.set_axis_off()
            axes.set_xlim(0, 1)
            axes.set_ylim(0, 1)
            draw_metal(axes, metal)
        out = io.BytesIO()
        if suffix == ".svg":
            figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
        else:
            figure.savefig(out, format="png", dpi=200, metadata={"Software": None})
    return out.getvalue()


def draw_metal(axes: Any, metal: MetalBands) -> None:
    """One panel: the bands of a metal with their names."""
    colour = METAL_COLOURS.get(metal.metal, "0.5")
    slots = place_slots([band.share for band in metal.bands])
    scale = min(
        [1.0, *((top - low) / share for (low, top), share in zip(slots, shares_of(metal), strict=True) if share)]
    )
    middle, size = 0.5, scale * sum(shares_of(metal))
    upper = middle + size / 2
    axes.text(LEFT - 0.02, middle + 0.05, METAL_NAMES.get(metal.metal, metal.metal), ha="right", va="center", size=11)
    axes.text(LEFT - 0.02, middle - 0.05, metal.went_in, ha="right", va="center")
    for band, (low, top) in zip(metal.bands, slots, strict=True):
        width = scale * band.share
        centre = (low + top) / 2
        add_band(axes, upper, centre + width / 2, width, colour, 0.95 if band.to == BEST else 0.45)
        upper -= width
        axes.text(RIGHT + 0.02, centre, band.to, va="center", weight="bold" if band.to == BEST else "normal")
        axes.text(RIGHT + 0.2, centre, percent(band.share), va="center", ha="right")
        axes.text(RIGHT + 0.215, centre, band.grams, va="center")


def shares_of(metal: MetalBands) -> list[float]:
    """The shares of a metal's bands."""
    return [band.share for band in metal.bands]


def place_slots(shares: Sequence[float]) -> list[tuple[float, float]]:
    """Room for every band from top to bottom, (low, top) each within 0-1: as wide as its share, but a line at least."""
    wanted = [max(share, LEAST_SLOT) + GAP for share in shares]
    scale = 1 / sum(wanted) if wanted else 1.0
    slots, top = [], 1.0
    for each in wanted:
        slots.append((top - each * scale, top - GAP * scale))
        top -= each * scale
    return slots


def add_band(axes: Any, left_top: float, right_top: float, width: float, colour: str, alpha: float) -> None:
    """A band that leaves the left side below `left_top` and arrives on the right below `right_top`."""
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path

    points = [
        (LEFT, left_top), (BEND, left_top), (BEND, right_top), (RIGHT, right_top),
        (RIGHT, right_top - width), (BEND, right_top - width), (BEND, left_top - width), (LEFT, left_top - width),
        (LEFT, left_top),
    ]  # fmt: skip
    turn = [Path.CURVE4] * 3
    codes = [Path.MOVETO, *turn, Path.LINETO, *turn, Path.CLOSEPOLY]
    patch = PathPatch(Path(points, codes), facecolor=colour, alpha=alpha, edgecolor="0.25", linewidth=0.4)
    axes.add_patch(patch)
