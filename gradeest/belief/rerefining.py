"""Products that were refined again: what a later batch of theirs weighed says of their purity, and so of their metal.

The batch's charge is the metal of its products, C = sum of share x P; less what was spilled it is A. Its own weights
are read backwards to M (the hold-up inverted), and R = M / A with the run's noise e = logit R - r is held against its
prior, ordinary and failed summed at once: no choice hangs on it. Purities and readings stay the unknowns.

No run brings out more than went in. So that trajectories meet no wall at R = 1, the unknown of the reading stands for

    t = ln M(P(reading)) - ln A,    ln R = -s softplus(-t / s),    s = 1 - the row's middle recovery:

t itself well below zero, and below zero always. The true weights are those that give this R, all weights of the metal
moved by one factor; the readings are held against them, and the change of variables enters.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from gradeest.belief.choices import pad_rows
from gradeest.belief.evidence import BatchMetal
from gradeest.belief.holdup import hold_up, solve_holdup
from gradeest.belief.network import LEAST_READING, floats, integers, pad_floats
from gradeest.belief.ops import Array, log_rounded
from gradeest.belief.readings import handling_sd

if TYPE_CHECKING:
    from gradeest.belief.assembly import Assembly

NO_METAL = -1e4  # ln of metal that is not there
LEAST_UNRECOVERED = 1e-12  # of -ln R: only where trajectories stray


def list_rerefined(net: Assembly) -> None:
    """Arrays of the batches of products with a weight, by their rows among all products and batches."""
    found = [(n, item) for n, item in enumerate(net.items) if item.role == "R"]
    rows = {
        (f"{item.batch}/{product.name}", item.metal): row
        for n, item in enumerate(net.items)
        for product, row in zip(item.products, net.product_rows[n], strict=True)
    }
    products = [product for _, item in found for product in item.products]
    parts = [[rows[part.address, item.metal] for part in item.refined] for _, item in found]
    of_batch = {row: k for k, (n, _) in enumerate(found) for row in net.product_rows[n]}
    handling = floats(handling_sd(p, net.bench, net.k) for p in products)
    width = floats(p.interval_g or p.readability_g for p in products)
    spread = np.sqrt(handling**2 + width**2 / 12)
    row_of = [net.catalogue.routes[item.route].recovery[item.metal] for _, item in found]
    net.arrays |= {
        "again_y": floats(p.weight_g for p in products), "again_d": width, "again_t": handling, "again_sd": spread,
        "again_soft": spread * LEAST_READING,
        "again_at": integers(row for n, _ in found for row in net.product_rows[n]),
        "again_bm": integers(n for n, _ in found), "again_main": integers(net.product_rows[n][0] for n, _ in found),
        "again_products": pad_rows([net.product_rows[n] for n, _ in found], net.n_products),
        "again_parts": pad_rows(parts, net.n_products),
        "again_ln_share": pad_floats([[math.log(part.share) for part in item.refined] for _, item in found]),
        "again_of": integers(of_batch.get(row, len(found)) for row in range(net.n_products)),
        "again_wall": floats(1 - row.q50 for row in row_of),
        "again_e_sd": floats(net.e_sd(item) for _, item in found),
        "again_losses": pad_rows([_losses(net, n) for n, _ in found], net.unknowns["loss"]),
    }  # fmt: skip
    net.unknowns["again"] = len(products)
    net.again_levels = _depth([item for _, item in found])


def _losses(net: Assembly, n: int) -> list[int]:
    return [row for row in net.arrays["bm_losses"][n].tolist() if row < net.unknowns["loss"]]


def _depth(items: list[BatchMetal]) -> int:
    """How many batches of products follow each other at most; those of earlier ones come first."""
    level: dict[tuple[str, str], int] = {}
    for item in items:
        before = [level.get((part.made_by, item.metal), 0) for part in item.refined]
        level[item.batch_metal] = 1 + max(before, default=0)
    return max(level.values(), default=0)


def weights_again(balance: Any) -> tuple[Array, Array]:
    """ln of the weights that readings of products of products stand for, and ln of the step of each to its unknown."""
    ops, x = balance.ops, balance.x
    raw = (x["again_y"] + x["again_sd"] * balance.unknown("again")) / x["again_soft"]
    return ops.log(x["again_soft"] * ops.softplus(raw)), -ops.softplus(-raw)


def refine_again(balance: Any, ln_weight: Array, ln_step: Array) -> Array:
    """ln metal [g] in every product, those of products as they come of these; their density is added to the total.

    Parameters: balance, the density's evaluation, `every_product` by readings alone; what `weights_again` gives. Leaves
    behind `again_logit`, the logit of each such batch's recovery, and `again_reached`, ln P / M.
    """
    ops, x = balance.ops, balance.x
    target = ops.logsumexp(ops.take(balance.pad(balance.every_product, NO_METAL), x["again_products"]))
    ln_a = ops.take(balance.ln_a, x["again_bm"])
    told = solve_holdup(target, ln_a, balance.full_from_g, balance.exponent, ops)
    every, shift = balance.every_product, 0.0 * target
    for _ in range(balance.n["again_level"]):  # each pass is right for one more of a chain of batches
        parts = ops.take(balance.pad(every, NO_METAL), x["again_parts"]) + x["again_ln_share"]
        ln_in_work = ops.logsumexp(parts) + _ln_left(balance)
        over = (told - ln_in_work) / x["again_wall"]
        ln_r = ops.minimum(-x["again_wall"] * ops.softplus(-over), -LEAST_UNRECOVERED)
        ln_m = ln_in_work + ln_r
        ln_p = hold_up(ln_m, ln_a, balance.full_from_g, balance.exponent, ops)
        shift = ln_p - target
        every = balance.every_product + ops.take(balance.pad(shift, 0.0), x["again_of"])
    ln_missed = ops.log1mexp(ln_r)
    balance.again_logit, balance.again_reached = ln_r - ln_missed, ln_p - ln_m
    hang = ops.log(1 + balance.exponent * ops.sigmoid(ln_a - balance.exponent * told))
    of_holdup = ops.where(target < math.log(balance.full_from_g), -hang, 0.0 * hang)
    main = ops.take(balance.ln_yield, x["again_main"])
    of_batch = _ln_noise(balance) - ln_missed - ops.softplus(over) + of_holdup + main - ln_p
    moved = ops.take(ops.take(balance.pad(shift, 0.0), x["again_of"]), x["again_at"])
    said = log_rounded(x["again_y"], x["again_d"], x["again_t"], ops.exp(ln_weight + moved), ops)
    balance.total = balance.total + ops.sum(of_batch) + ops.sum(said + ln_step + moved)
    return every


def _ln_left(balance: Any) -> Array:
    """ln of what recorded losses left of each."""
    x = balance.x
    left = -balance.ops.softplus(x["loss_centre"] + x["loss_sd"] * balance.unknown("loss"))
    return balance.ops.take_sum(balance.pad(left, 0.0), x["again_losses"])


def _ln_noise(balance: Any) -> Array:
    """ln density of each run's noise, ordinary or failed."""
    ops, x = balance.ops, balance.x
    e = balance.again_logit - ops.take(balance.r_batch, x["again_bm"])
    ordinary, failed = e / x["again_e_sd"], (e - x["failed_centre"]) / x["failed_sd"]
    sides = [
        x["ln_ok"] - 0.5 * ordinary * ordinary - ops.log(x["again_e_sd"]),
        x["ln_failed"] - 0.5 * failed * failed - ops.log(x["failed_sd"]),
    ]
    top = ops.maximum(*sides)
    return top + ops.log(ops.exp(sides[0] - top) + ops.exp(sides[1] - top))
