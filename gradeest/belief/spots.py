"""Spot tests of a batch's liquid: a colour that says between which limits its metal per litre lies.

Of the metal A in work, R A reached the product; of the rest, (1 - R) A, the shares s (a softmax of unknowns about their
rows) went into residue, solution and elsewhere. In V litres there were therefore, in mg/L,

    before the drop   1000 (A - s_residue (1 - R) A) / V,        after it   1000 s_solution (1 - R) A / V,

but where nothing could be seen to drop, all that dissolved is still in the liquid: 1000 (1 - s_residue) (1 - R) A / V,
and (1 - U) R A more where it is gone and only a part U of what was to drop had dropped. The limits
between negative, faint, clear and strong bear one lognormal factor: part of it is the operator's, an unknown that all
tests of a metal share; the rest, of the single test, is integrated in closed form.

Of products that were refined again the same is said of that batch; which side its run was on is summed out, so that no
choice decides such a test.

A batch of which nothing dropped has a hard limit on R beside: e < e* with probability F = Phi(e*). Its unknown w,
standard normal, then stands for the quantile within what is allowed, e = Phi^-1(Phi(w) F), and F is the likelihood.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Hashable, Mapping
from typing import TYPE_CHECKING, Any, get_args

from gradeest.belief.choices import pad_rows
from gradeest.belief.evidence import BatchMetal
from gradeest.belief.network import BACKWARD, failed, floats, integers
from gradeest.belief.ops import NUMPY, Array, Ops, log_between
from gradeest.belief.places import PLACES, RESIDUE, SOLUTION, place_indices, rest_choices
from gradeest.records.domain import SpotResult, SpotTest

if TYPE_CHECKING:
    from gradeest.belief.assembly import Assembly

BEYOND = 60.0  # ln of mg/L: below nothing and above everything
LN_HALF = -math.log(2.0)
ROOT_STEPS = 6  # of Newton's method for the normal quantile: exact to 1e-12 (tested)
NO_METAL = -1e4  # ln of metal that is not there
Table = dict[tuple[int, ...], tuple[str, int]]


def limits_ln(constants: Mapping[str, float]) -> dict[SpotResult, tuple[float, float]]:
    """ln of the limits in mg/L between which each result lies."""
    steps = [math.log(constants[f"spot.{name}_mg_per_l"]) for name in ("faint", "clear", "strong")]
    edges = [-BEYOND, *steps, BEYOND]
    return dict(zip(get_args(SpotResult), itertools.pairwise(edges), strict=True))


def list_spots(net: Assembly, rows: dict[str, int]) -> list[tuple[tuple[Hashable, ...], Table]]:
    """Arrays of all spot tests, one row per test and outcome of the choices that decide it; returns their tables."""
    table = _Spots(net)
    for n, item in enumerate(net.items):
        if item.tests or (item.role == "N" and item.tells_recovery):
            table.add(n, item)
    rows["bound"], rows["spot"] = len(table.bound["bm"]), len(table.spot["a"])
    table.store()
    return table.pending


class _Spots:
    """The rows while they are listed."""

    def __init__(self, net: Assembly) -> None:
        self.net = net
        self.forward: list[tuple[int, list[int]]] = []  # batch metal and its portions
        self.bound: dict[str, list[Any]] = {name: [] for name in ("forward", "bm", "gone", "centre", "sd", "e")}
        names = ("a", "e", "places", "gone", "none", "before", "ln_per_l", "metal", "low", "high")
        self.spot: dict[str, list[Any]] = {name: [] for name in names}
        self.certain: list[int] = []  # tests that no choice decides
        self.pending: list[tuple[tuple[Hashable, ...], Table]] = []

    def add(self, n: int, item: BatchMetal) -> None:
        net, key = self.net, failed(item)
        n_e = len(net.e_index)
        if item.role == "R":  # its side is summed out
            of_these = sum(other.role == "R" for other in net.items[:n])
            for test in item.tests:
                self.certain.append(len(self.spot["a"]))
                self._row(n, test, 2 * net.backward + of_these, 2 * n_e + of_these, {})
            return
        choices = rest_choices(net, item) if item.role in BACKWARD else net.item_choices(item)
        tables: list[Table] = [{} for _ in item.tests]
        limited: Table = {}
        for side in net.graph.values(choices):
            chosen = dict(zip(choices, side, strict=True))
            e = net.e_index[key] + chosen[key] * n_e
            if item.role in BACKWARD:
                a = n + chosen[key] * net.backward
            else:
                a = 2 * net.backward + net.count["R"] + len(self.forward)
                self.forward.append((n, net.portion_rows(item, chosen)))
            if item.role == "N":
                limited[side] = ("bound", len(self.bound["bm"]))
                e = self._bound(n, item, e, is_failed=bool(chosen[key]))
            for test, table in zip(item.tests, tables, strict=True):
                table[side] = ("spot", len(self.spot["a"]))
                self._row(n, test, a, e, chosen)
        self.pending += [(choices, table) for table in (*tables, limited) if table]

    def _bound(self, n: int, item: BatchMetal, e: int, *, is_failed: bool) -> int:
        """A row of the limit on R; returns where its logit of R stands."""
        net, bound = self.net, self.bound
        row = (len(self.forward) - 1, *limit_row(net, n, item, e, is_failed=is_failed))
        for name, value in zip(bound, row, strict=True):
            bound[name].append(value)
        return 2 * len(net.e_index) + net.count["R"] + len(bound["bm"]) - 1

    def _row(self, n: int, test: SpotTest, a: int, e: int, chosen: Mapping[Hashable, int]) -> None:
        net = self.net
        low, high = limits_ln(net.k)[test.result]
        row = (
            a, e, place_indices(net, net.items[n], chosen), net.gone.get(n, len(net.gone)),
            int(net.items[n].role == "N"), int(test.moment == "before-drop"),
            math.log(1000 / test.volume_l), net.axis["spot"][test.metal], low, high,
        )  # fmt: skip
        for name, value in zip(self.spot, row, strict=True):
            self.spot[name].append(value)

    def store(self) -> None:
        """The arrays, and the number of unknowns."""
        net, bound, spot = self.net, self.bound, self.spot
        learned, spread = net.k["spot.learned_share"], net.k["spot.log_sd"]
        rest = [math.log(net.k[f"rest.{place}"]) for place in PLACES]
        net.arrays |= {
            "fw_portions": pad_rows([portions for _, portions in self.forward], net.no_value),
            "fw_bm": integers(n for n, _ in self.forward),
            "bo_bm": integers(bound["bm"]), "bo_forward": integers(bound["forward"]),
            "bo_gone": integers(bound["gone"]), "bo_centre": floats(bound["centre"]), "bo_sd": floats(bound["sd"]),
            "bo_e": integers(bound["e"]),
            "sp_a": integers(spot["a"]), "sp_e": integers(spot["e"]), "sp_gone": integers(spot["gone"]),
            "sp_none": integers(spot["none"]), "sp_before": integers(spot["before"]),
            "sp_ln_per_l": floats(spot["ln_per_l"]),
            "sp_metal": integers(spot["metal"]), "sp_low": floats(spot["low"]), "sp_high": floats(spot["high"]),
            "sp_certain": integers(self.certain),
            "sp_places": pad_rows(spot["places"], 0),
            "sp_residue": integers(row[RESIDUE] for row in spot["places"]),
            "sp_solution": integers(row[SOLUTION] for row in spot["places"]),
            "spot_sd": spread * math.sqrt(1 - learned), "operator_sd": spread * math.sqrt(learned),
            "rest_ln_share": floats(rest * len(net.rest_of)), "rest_sd": net.k["rest.log_sd"],
        }  # fmt: skip
        net.unknowns |= {"spot": len(net.axis["spot"]), "liquid": len(PLACES) * len(net.rest_of)}


def normal_quantile(ln_p: Array, ops: Ops = NUMPY) -> Array:
    """z of a standard normal with ln P(below z) = ln_p < 0.

    Newton's method on ln Phi, which is concave and increasing, started at its left (Phi(z) < exp(-z^2/2)/2 below 0);
    above the median on the other tail.
    """
    ln_p = ops.minimum(ln_p, -1e-15)
    upper = ln_p > LN_HALF
    tail = ops.where(upper, ops.log1mexp(ln_p), ln_p)
    z = -ops.exp(0.5 * ops.log(-2 * tail))
    for _ in range(ROOT_STEPS):
        below = ops.log_ndtr(z)
        z = z - (below - tail) * math.sqrt(2 * math.pi) * ops.exp(0.5 * z * z + below)
    return ops.where(upper, -z, z)


def limit_row(
    net: Assembly, n: int, item: BatchMetal, e: int, *, is_failed: bool
) -> tuple[int, int, float, float, int]:  # fmt: skip
    """Of a batch of which nothing dropped, on one side: its number, share gone, centre and sd of its noise, unknown."""
    lost = (net.k["recovery.failed_centre"], net.k["recovery.failed_sd"])
    centre, sd = lost if is_failed else (0.0, net.e_sd(item))
    return n, net.gone.get(n, len(net.gone)), centre, sd, e


def bounded_logit(balance: Any, name: str, ln_in_work: Array) -> tuple[Array, Array]:
    """ln of the chance that R stays below what would show, and the logit of R that does.

    Parameters: name, of the arrays (limit_row); ln_in_work, ln A of every row.
    """
    ops, x = balance.ops, balance.x
    dropped = ops.take(balance.pad(ops.log_ndtr(balance.unknown("gone")), 0.0), x[f"{name}_gone"])
    noise = ops.concat([balance.unknown("e_ok"), balance.unknown("e_failed")])
    r, centre, sd = ops.take(balance.r_batch, x[f"{name}_bm"]), x[f"{name}_centre"], x[f"{name}_sd"]
    most = ops.minimum(ops.take(balance.ln_m, x[f"{name}_bm"]) - ln_in_work - dropped, -1e-9)
    bound = ops.log_ndtr((most - ops.log1mexp(most) - r - centre) / sd)
    below = normal_quantile(ops.log_ndtr(ops.take(noise, x[f"{name}_e"])) + bound, ops)
    return bound, r + centre + sd * below


def spot_terms(balance: Any) -> list[Array]:
    """ln of the chance that R stays below what would show, and ln of the chance of every colour, row by row.

    Parameters: balance, the density's evaluation, its batches and portions done.
    """
    ops, x, n = balance.ops, balance.x, balance.n
    if not n["spot"] and not n["bound"]:
        return [ops.full(balance.theta, 0, 0.0)] * 2
    forward = ops.logsumexp(ops.take(balance.padded_values, x["fw_portions"]))
    if balance.ln_kept is not None:
        forward = forward + ops.take(balance.ln_kept, x["fw_bm"])
    ln_a = ops.take(ops.concat([*balance.ln_in_work, balance.again_in_work, forward]), x["sp_a"])
    share = balance.unknown("gone")
    bound, bounded = bounded_logit(balance, "bo", ops.take(forward, x["bo_forward"]))
    logit = ops.take(ops.concat([*balance.recovery_logit, balance.again_logit, bounded]), x["sp_e"])
    # what is in the liquid, of all in work
    rest = balance.all_places
    ln_all = ops.logsumexp(ops.take(rest, x["sp_places"]))
    left = -ops.softplus(logit)
    residue = ops.take(rest, x["sp_residue"]) - ln_all
    dissolved = ops.log1mexp(ops.minimum(residue + left, -1e-12))
    lost = ops.where(x["sp_none"] > 0, ops.log1mexp(residue), ops.take(rest, x["sp_solution"]) - ln_all)
    after = lost + left
    undropped = ops.take(balance.pad(ops.log_ndtr(-share), NO_METAL), x["sp_gone"]) - ops.softplus(-logit)
    after = after + ops.softplus(undropped - after)
    ln_mg_per_l = ln_a + ops.where(x["sp_before"] > 0, dissolved, after) + x["sp_ln_per_l"]
    seen = ln_mg_per_l - x["operator_sd"] * ops.take(balance.unknown("spot"), x["sp_metal"])
    colour = log_between((x["sp_low"] - seen) / x["spot_sd"], (x["sp_high"] - seen) / x["spot_sd"], ops)
    balance.total = balance.total + ops.sum(ops.take(colour, x["sp_certain"]))
    return [bound, colour]
