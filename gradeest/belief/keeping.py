"""What is kept of a move: sums by block, and values taken over draw by draw, in place.

The draws of a large bench fill tens of megabytes; a new array of them at every turn would cost as much as the density.
"""

from __future__ import annotations

from gradeest.belief.listing import compiled


@compiled
def add_gains(new, old, of_row, gain):  # type: ignore[no-untyped-def]
    """To gain (block, draw) what new has more than old, (row, draw); of_row gives a row's block, -1 for none."""
    for j in range(len(of_row)):
        k = of_row[j]
        if k >= 0:
            for i in range(gain.shape[1]):
                gain[k, i] += new[j, i] - old[j, i]


@compiled
def add_squares(values, by, of_row, gain):  # type: ignore[no-untyped-def]
    """To gain (block, draw) `by` times the squares of values (row, draw), by block."""
    for j in range(len(of_row)):
        k = of_row[j]
        if k >= 0:
            for i in range(gain.shape[1]):
                gain[k, i] += by * values[j, i] * values[j, i]


@compiled
def take_over(taken, of_row, new, old):  # type: ignore[no-untyped-def]
    """Rows of old (row, draw) become those of new where their block took its move, taken (block, draw)."""
    for j in range(len(of_row)):
        k = of_row[j]
        if k >= 0:
            for i in range(taken.shape[1]):
                old[j, i] = new[j, i] if taken[k, i] else old[j, i]
