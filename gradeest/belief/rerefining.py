"""Products that were refined again: what a later batch of theirs weighed says of their purity, and so of their metal.

The metal of its products is its charge, C = sum of share x P; less what was spilled it is A, and M = R A reaches
its product, with the run's noise e = logit R - r of an ordinary or a failed run, both summed: no choice hangs on it.

Taken forwards, the later weight holds the sum of several things that are all close to nothing: what is no metal in each
of the products, and what the run lost. So it is read backwards. With G the products were they all metal, and M from the
later weight (the hold-up inverted, what was spilled put back), all that is missing is

    T = G - M  (kept above zero),     (d_1 .. d_n, l) = T softmax(log-ratios, 0),
    purity_i = 1 - d_i / G_i,     logit R = ln(M / l),

and the unknowns "purity" of the products are these log-ratios. Priors of purities and noise enter with the change of
variables: 1 / purity, 1 / R, and d ln T / d ln P. The true weight is the one that this R gives; it differs from the one
the unknown of the reading stands for only where T had to be kept above zero.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from gradeest.belief.choices import pad_rows
from gradeest.belief.evidence import BatchMetal
from gradeest.belief.holdup import hold_up, solve_holdup
from gradeest.belief.network import LEAST_READING, floats, integers
from gradeest.belief.ops import Array, log_rounded
from gradeest.belief.readings import handling_sd

if TYPE_CHECKING:
    from gradeest.belief.assembly import Assembly

NO_METAL = -1e4  # ln of metal that is not there


def list_rerefined(net: Assembly) -> None:
    """Arrays of the batches of products with a weight, by their rows among all products and batches."""
    found = [(n, item) for n, item in enumerate(net.items) if item.role == "R"]
    products = [product for _, item in found for product in item.products]
    of_batch = {row: k for k, (n, _) in enumerate(found) for row in net.product_rows[n]}
    handling = floats(handling_sd(p, net.bench, net.k) for p in products)
    width = floats(p.interval_g or p.readability_g for p in products)
    spread = np.sqrt(handling**2 + width**2 / 12)
    net.arrays |= {
        "again_y": floats(p.weight_g for p in products), "again_d": width, "again_t": handling, "again_sd": spread,
        "again_soft": spread * LEAST_READING,
        "again_bm": integers(n for n, _ in found), "again_main": integers(net.product_rows[n][0] for n, _ in found),
        "again_beside": floats(len(item.products) - 1 for _, item in found),
        "again_products": pad_rows([net.product_rows[n] for n, _ in found], net.n_products),
        "again_at": integers(row for n, _ in found for row in net.product_rows[n]),
        "again_of": integers(of_batch.get(row, len(found)) for row in range(net.n_products)),
        "again_e_sd": floats(net.e_sd(item) for _, item in found),
        "again_losses": pad_rows([_losses(net, n) for n, _ in found], net.unknowns["loss"]),
    }  # fmt: skip
    net.unknowns["again"] = len(products)
    net.again_levels = _depth([item for _, item in found])
    _list_parts(net, [item for _, item in found])


def _list_parts(net: Assembly, items: list[BatchMetal]) -> None:
    """Arrays of the products that went in, and of what is expected to be missing of each."""
    rows = {
        (f"{item.batch}/{product.name}", item.metal): (row, product)
        for n, item in enumerate(net.items)
        for product, row in zip(item.products, net.product_rows[n], strict=True)
    }
    product: list[int] = []
    group: list[int] = []
    ln_share: list[float] = []
    base: list[float] = []
    scale: list[float] = []
    members: list[list[int]] = []
    ln_soft: list[float] = []
    lost: list[float] = []
    for k, item in enumerate(items):
        members.append(list(range(len(product), len(product) + len(item.refined))))
        recovery, metal, steps = net.catalogue.routes[item.route].recovery[item.metal], 0.0, 0.0
        for part in item.refined:
            row, weighed = rows[part.address, item.metal]
            form = net.catalogue.forms[weighed.form]
            grams = max(weighed.weight_g, weighed.readability_g) * part.share * form.factor
            metal += grams
            steps += (form.factor * (weighed.interval_g or weighed.readability_g)) ** 2
            product.append(row)
            group.append(k)
            ln_share.append(math.log(part.share))
            base.append(math.log(grams * (1 - form.purity.q50)))
            scale.append(math.hypot(net.arrays["pr_sd"][row], net.e_sd(item)))
        steps += sum((p.interval_g or p.readability_g) ** 2 for p in item.products)
        lost.append(math.log(metal * (1 - recovery.q50)))
        ln_soft.append(0.5 * math.log(steps))
    where = {row: j for j, row in enumerate(product)}
    net.arrays |= {
        "part_product": integers(product), "part_group": integers(group), "part_ln_share": floats(ln_share),
        "part_base": floats(base), "part_scale": floats(scale), "part_members": pad_rows(members, len(product)),
        "part_index": integers(where.get(row, len(product)) for row in range(net.n_products)),
        "part_is": integers(row in where for row in range(net.n_products)),
        "again_ln_soft": floats(ln_soft), "again_lost": floats(lost),
    }  # fmt: skip


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


def purities_again(balance: Any, purity: Array, form: Array, ln_gross: Array) -> Array:
    """logit of the purity of every product, those that were refined again read back from what came of them.

    Parameters: balance, the density's evaluation, to whose total their density is added; purity, of every product by
    its own unknown; form, the learned part of each; ln_gross, ln g of metal were it all metal. Leaves behind
    `again_logit`, the logit of each such batch's recovery.
    """
    ops, x = balance.ops, balance.x
    ln_a, left = ops.take(balance.ln_a, x["again_bm"]), _ln_left(balance)
    used = ops.take(balance.unknown("purity"), x["part_product"])
    ratio = x["part_base"] + x["part_scale"] * used
    members = ops.logsumexp(ops.take(balance.pad(ratio, NO_METAL), x["part_members"]))
    whole = members + ops.softplus(x["again_lost"] - members)
    gross = ops.take(ln_gross, x["part_product"]) + x["part_ln_share"]
    ln_all = ops.logsumexp(ops.take(balance.pad(gross, NO_METAL), x["part_members"]))
    soft = ops.exp(x["again_ln_soft"])
    read = purity
    for _ in range(balance.n["again_level"]):  # each pass is right for one more of a chain of batches, the last first
        ln_share = x["pr_ln_factor"] - ops.softplus(-read)
        metal = ln_gross - x["pr_ln_factor"] + ln_share
        target = ops.logsumexp(ops.take(balance.pad(metal, NO_METAL), x["again_products"]))
        ln_m = solve_holdup(target, ln_a, balance.full_from_g, balance.exponent, ops)
        raw = (ops.exp(ln_all) - ops.exp(ln_m - left)) / soft
        ln_missing = x["again_ln_soft"] + ops.log(ops.softplus(raw))
        part = ratio + ops.take(ln_missing - whole, x["part_group"]) - gross
        wall = 1e2 * ops.minimum(-part - 1e-9, 0.0)
        part = ops.minimum(part, -1e-9)  # 1 - purity
        ln_purity = ops.log1mexp(part)
        told = ln_purity - part
        read = ops.where(x["part_is"] > 0, ops.take(balance.pad(told, 0.0), x["part_index"]), purity)
    centre, spread = ops.take(x["pr_centre"], x["part_product"]), ops.take(x["pr_sd"], x["part_product"])
    own = ((told - centre) / spread - x["sqrt_form"] * ops.take(form, x["part_product"])) / x["sqrt_1form"]
    of_parts = 0.5 * used * used - 0.5 * own * own - ln_purity + wall  # counted as standard normals so far
    ln_charge = ops.logsumexp(ops.take(balance.pad(gross + ln_purity, NO_METAL), x["part_members"]))
    ln_lost = x["again_lost"] + ln_missing - whole
    ln_r = ops.log1mexp(ops.minimum(ln_lost - ln_charge, -1e-9))
    balance.again_logit = ln_r + ln_charge - ln_lost
    hang = ops.log(1 + balance.exponent * ops.sigmoid(ln_a - balance.exponent * ln_m))
    of_holdup = ops.where(target < math.log(balance.full_from_g), -hang, 0.0 * hang)
    of_missing = ln_m - left - ops.softplus(-raw) - ln_missing + of_holdup  # ln of d ln T / d ln P
    of_batch = _ln_noise(balance) - ln_r + of_missing - target
    balance.total = balance.total + ops.sum(of_parts) + ops.sum(of_batch)
    return read


def refine_again(balance: Any, ln_weight: Array, ln_step: Array) -> Array:
    """ln metal [g] in every product, those of products as they come of these; what balances showed enters the total.

    Parameters: balance, the density's evaluation, `every_product` by readings alone; what `weights_again` gives. Leaves
    behind `again_reached`, ln P / M, and `again_in_work`, ln A.
    """
    ops, x = balance.ops, balance.x
    target = ops.logsumexp(ops.take(balance.pad(balance.every_product, NO_METAL), x["again_products"]))
    ln_a, ln_r = ops.take(balance.ln_a, x["again_bm"]), -ops.softplus(-balance.again_logit)
    every = balance.every_product
    for _ in range(balance.n["again_level"]):  # each pass is right for one more of a chain of batches
        parts = ops.take(every, x["part_product"]) + x["part_ln_share"]
        charge = ops.logsumexp(ops.take(balance.pad(parts, NO_METAL), x["part_members"]))
        balance.again_in_work = charge + _ln_left(balance)
        ln_m = balance.again_in_work + ln_r
        ln_p = hold_up(ln_m, ln_a, balance.full_from_g, balance.exponent, ops)
        shift = ln_p - target
        every = balance.every_product + ops.take(balance.pad(shift, 0.0), x["again_of"])
    balance.again_reached = ln_p - ln_m
    moved = ops.take(ops.take(balance.pad(shift, 0.0), x["again_of"]), x["again_at"])
    said = log_rounded(x["again_y"], x["again_d"], x["again_t"], ops.exp(ln_weight + moved), ops)
    of_main = ops.take(balance.ln_yield, x["again_main"]) + x["again_beside"] * shift
    balance.total = balance.total + ops.sum(said + ln_step) + ops.sum(of_main)
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
