"""Ash of filters that is linked to the batches whose filters were burnt.

Of the metal that did not reach the product of a weighed batch, (1 - R) A, its filters hold the share F = (1 - R) A phi,
phi from the softmax of ln rows + sd z (`places.py`). The ash of several batches' filters holds

    metal = keep x sum F / (1 - u),

with keep, what the burning left, and u, the share of the ash's metal that comes from elsewhere, logit-normal from their
rows. Both are summed out: ln(metal / sum F) = ln keep - ln(1 - u) has a density without edges, written here as the best
mixture of a few normals (a test holds it to the two rows). Kept as unknowns they would meet a wall at keep, 1 - u = 1.

It stands in place of the prior of the ash's grade: the row of its kind would count what is tracked a second time.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Mapping
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np

from gradeest.belief.choices import pad_rows
from gradeest.belief.evidence import BatchMetal
from gradeest.belief.network import failed, floats, integers, logit_normal, pad_floats
from gradeest.belief.ops import Array
from gradeest.belief.outflows import range_logit
from gradeest.belief.places import FILTERS, place_indices, rest_choices
from gradeest.belief.streams import goes_on, is_share_of_rest, kept_choices
from gradeest.materials.catalogue import Catalogue
from gradeest.records.domain import AshLink

if TYPE_CHECKING:
    from gradeest.belief.assembly import Assembly

NORMALS, STEPS = 4, 400  # of the mixture: within 2 % of the density by area
QUANTILES, POINTS = 500, 1250  # of keep and of u; of what follows from both
NOTHING = -1e4
Table = dict[tuple[int, ...], tuple[str, int]]


def untracked_logit(link: AshLink, catalogue: Catalogue) -> tuple[float, float]:
    """Centre and sd of the logit of u."""
    if link.untracked is None:
        return logit_normal(catalogue.shares["untracked"])
    return range_logit(*link.untracked)


@cache
def ratio_mixture(
    keep_centre: float, keep_sd: float, from_centre: float, from_sd: float
) -> tuple[tuple[float, ...], ...]:
    """Weights, means and sds of normals that stand for ln keep - ln(1 - u), by EM on the quantiles of both.

    Parameters: centre and sd of the logits of keep and u. (Dempster, Laird & Rubin 1977, J. R. Stat. Soc. B 39:1.)
    """
    from scipy.special import ndtri  # slow to import, and what runs will give needs none

    z = ndtri((np.arange(QUANTILES) + 0.5) / QUANTILES)
    ln_keep, ln_more = -np.logaddexp(0, -(keep_centre + keep_sd * z)), np.logaddexp(0, from_centre + from_sd * z)
    ratio = np.sort((ln_keep[:, None] + ln_more).ravel())
    x = ratio.reshape(POINTS, -1).mean(axis=1)
    weight = np.full(NORMALS, 1 / NORMALS)
    mean = np.quantile(x, (np.arange(NORMALS) + 0.5) / NORMALS)
    sd = np.full(NORMALS, x.std() / math.sqrt(NORMALS))
    for _ in range(STEPS):
        ln_part = np.log(weight / sd) - 0.5 * ((x[:, None] - mean) / sd) ** 2
        part = np.exp(ln_part - ln_part.max(axis=1, keepdims=True))
        part /= part.sum(axis=1, keepdims=True)
        count = part.sum(axis=0)
        weight, mean = count / len(x), part.T @ x / count
        sd = np.sqrt((part * (x[:, None] - mean) ** 2).sum(axis=0) / count)
    return tuple(tuple(values.tolist()) for values in (weight, mean, sd))


def filter_choices(net: Assembly, item: BatchMetal) -> tuple[Hashable, ...]:
    """Choices that decide what the filters of a weighed batch hold."""
    return kept_choices(net, item) if goes_on(net, item) else rest_choices(net, item)


def ash_choices(net: Assembly, cell: int) -> tuple[Hashable, ...]:
    """Choices that decide the metal of linked ash, and what the filters it is of held."""
    keys = dict.fromkeys(net.local(cell))
    for item in linked_items(net, cell):
        keys.update(dict.fromkeys(filter_choices(net, item)))
    return tuple(keys)


def linked_items(net: Assembly, cell: int) -> list[BatchMetal]:
    """The weighed batches whose filters an ash is of."""
    one = net.cells[cell]
    return [net.item_of[name, one.metal] for name in net.links[one.address, one.metal].batches]


def list_ashes(
    net: Assembly, rows: dict[str, int], grade_row: Callable[[int, Mapping[Hashable, int]], int], free: int
) -> list[tuple[tuple[Hashable, ...], Table]]:
    """Arrays of filters and of linked ash, one row per outcome of the choices that decide each; returns the tables.

    Parameters: grade_row, where the ln grade of a cell stands under an outcome; free, how many cells no weight fixes.
    """
    filters = _Filters(net)
    ash: dict[str, list[Any]] = {name: [] for name in ("grade", "mass", "free", "filters", "ln_weight", "mean", "sd")}
    pending: list[tuple[tuple[Hashable, ...], Table]] = []
    cells = [c for c in range(len(net.cells)) if net.is_linked(c)]
    for c in cells:
        cell = net.cells[c]
        link = net.links[cell.address, cell.metal]
        keep = logit_normal(net.catalogue.shares[f"keep:{link.burning}"])
        weight, mean, sd = ratio_mixture(*keep, *untracked_logit(link, net.catalogue))
        choices = ash_choices(net, c)
        table: Table = {}
        for outcome in net.graph.values(choices):
            chosen = dict(zip(choices, outcome, strict=True))
            table[outcome] = ("ash", len(ash["grade"]))
            ash["grade"].append(grade_row(c, chosen))
            ash["mass"].append(math.log(cell.dry_kg / 1000))
            ash["free"].append(net.free_index.get(c, free))
            ash["filters"].append([filters.row(item, chosen) for item in linked_items(net, c)])
            ash["ln_weight"].append([math.log(w / s) for w, s in zip(weight, sd, strict=True)])
            ash["mean"].append(mean)
            ash["sd"].append(sd)
        pending.append((choices, table))
    rows["ash"] = len(ash["grade"])
    filters.store()
    net.arrays |= {
        "ash_grade": integers(ash["grade"]), "ash_ln_mass": floats(ash["mass"]), "ash_free": integers(ash["free"]),
        "ash_filters": pad_rows(ash["filters"], len(filters.side)), "ash_ln_weight": pad_floats(ash["ln_weight"]),
        "ash_mean": pad_floats(ash["mean"]), "ash_sd": pad_floats(ash["sd"]),
    }  # fmt: skip
    return pending


class _Filters:
    """What the filters of weighed batches hold, one row per batch and outcome of what decides it."""

    def __init__(self, net: Assembly) -> None:
        self.net = net
        self.known: dict[tuple[tuple[str, str], tuple[int, ...]], int] = {}
        self.side: list[int] = []
        self.kept: list[int] = []  # row of what is left after streams were set aside, -1: all that did not get there
        self.places: list[list[int]] = []  # where the weights of all places stand

    def row(self, item: BatchMetal, chosen: Mapping[Hashable, int]) -> int:
        net, choices = self.net, filter_choices(self.net, item)
        key = item.batch_metal, tuple(chosen[one] for one in choices)
        if key not in self.known:
            n = net.items.index(item)
            self.known[key] = len(self.side)
            self.side.append(n + chosen[failed(item)] * net.backward)
            of_rest = item.batch_metal in net.kept_rows and is_share_of_rest(net, item)
            self.kept.append(net.kept_rows[item.batch_metal][1][key[1]] if of_rest else -1)
            self.places.append(place_indices(net, item, chosen))
        return self.known[key]

    def store(self) -> None:
        self.net.arrays |= {
            "fi_side": integers(self.side), "fi_of_kept": integers(row >= 0 for row in self.kept),
            "fi_kept": integers(self.net.n_kept if row < 0 else row for row in self.kept),
            "fi_places": pad_rows(self.places, 0), "fi_filters": integers(row[FILTERS] for row in self.places),
        }  # fmt: skip


def ash_terms(balance: Any, pseudo: Array) -> Array:
    """ln density of the metal in linked ash, row by row.

    Parameters: balance, the density's evaluation, its grades done; pseudo, ln density of the idle x0 of free cells.
    """
    ops, x, n = balance.ops, balance.x, balance.n
    if not n["ash"]:
        return ops.full(balance.theta, 0, 0.0)
    w = balance.all_places
    share = ops.take(w, x["fi_filters"]) - ops.logsumexp(ops.take(w, x["fi_places"]))
    left = ops.take(ops.concat(balance.ln_rest), x["fi_side"])
    left = ops.where(x["fi_of_kept"] > 0, ops.take(balance.pad(balance.kept, 0.0), x["fi_kept"]), left)
    filters = ops.logsumexp(ops.take(balance.pad(left + share, NOTHING), x["ash_filters"]))
    grades = ops.concat([balance.cc_ln_grade, balance.free_ln_grade])
    metal = ops.take(grades, x["ash_grade"]) + x["ash_ln_mass"]
    gap = (ops.column(metal - filters) - x["ash_mean"]) / x["ash_sd"]
    density = ops.logsumexp(x["ash_ln_weight"] - 0.5 * gap * gap)
    as_free = ops.log(x["x1_scale"]) - ops.softplus(balance.x1) + pseudo
    return density + ops.take(balance.pad(as_free, 0.0), x["ash_free"])
