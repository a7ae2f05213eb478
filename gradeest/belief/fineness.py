"""What a laboratory or a refiner said of products: assays by metal, and settlements of products melted together.

An assay of a product reads the metal share g = factor x purity of what was weighed, on the plain scale and never above
one: v ~ N(g, u), cut at 1. A settlement reads the sum of the fine metal P of all its products:

    ln T ~ N( ln sum P + ln(1 - melt loss), s ),   T = melted x fineness,

so the products share the correction, each its own reading and purity, and the form's purity is learned. What an assay
says of other metals in a product goes back to its batch, and so does what a settlement says of a metal that none of its
products is of (`carried.py`); where one of them is, all that was found of the metal counts as theirs.

A settlement is good to three in a thousand, purities to one or two in a hundred and close to one: taken forwards, their
posterior is a thin bent shell on which particles creep. So it is read backwards. Of the products settled together the
unknowns "purity" are y, the settlement's own error, and log-ratios; with G the weights were they all metal,

    D = G - T exp(s y) / (1 - melt loss)  (kept above zero),  d_i = D softmax(log-ratios)_i,  purity_i = 1 - d_i / G_i,

and the prior of the purities enters with the change of variables: d ln D / dy, and dlogit(purity)/dln d = 1 / purity.

An assay alone is a thin shell too, between what all products of a form share and what is this one's: its unknown is the
whole, purity = row + sd (what is read + error x unknown), held against what the form expects.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from typing import TYPE_CHECKING, Any

import numpy as np

from gradeest.belief.choices import pad_rows
from gradeest.belief.network import floats, integers, logit, logit_normal
from gradeest.belief.ops import Array
from gradeest.records.domain import ProductAssay

SOFT = 4e-3  # of the weights (a settlement is good to 3e-3): below so much that is not metal, its unknown counts in ln
LEAST_SHARE = 1e-6  # of a product that is metal, or is not
NO_METAL = -1e4  # ln of metal that is not there

if TYPE_CHECKING:
    from gradeest.belief.assembly import Assembly


def list_fineness(net: Assembly) -> None:
    """Arrays of assays of products and of settlements, by the rows of their products."""
    rows = {
        (f"{item.batch}/{product.name}", item.metal): row
        for n, item in enumerate(net.items)
        for product, row in zip(item.products, net.product_rows[n], strict=True)
    }
    assays = [(rows[a.address, a.metal], a) for a in net.evidence.product_assays if (a.address, a.metal) in rows]
    settled: list[tuple[int, list[int], float]] = []  # settlement, rows of its products, ln of the metal
    carried = {line.paper for line in net.evidence.carried_lines}
    for n, paper in enumerate(net.evidence.settlements):
        lines = []
        for line in paper.metals:
            products = [rows[a, line.name] for a in paper.products if (a, line.name) in rows]
            if products and line.fineness > 0:
                lines.append((len(net.melts), products, math.log(paper.melted_g * line.fineness)))
        settled += lines
        if lines or n in carried:
            net.melts[n] = len(net.melts)
    loss = logit_normal(net.catalogue.shares["melt-loss"])
    coarse = [p for item in net.items if item.role == "S" for p in item.products]
    told = {row for _, members, _ in settled for row in members}
    told |= {rows[part.address, item.metal] for item in net.items for part in item.refined}
    net.arrays |= {
        "pa_product": integers(row for row, _ in assays), "pa_share": floats(a.share for _, a in assays),
        "pa_u": floats(a.u for _, a in assays),
        **_read_purities(net, assays, told),
        "st_melt": integers(melt for melt, _, _ in settled),
        "st_products": pad_rows([products for _, products, _ in settled], net.n_products),
        "st_ln_value": floats(value for _, _, value in settled), "st_sd": net.k["settlement.log_sd"],
        "melt_centre": loss[0], "melt_sd": loss[1],
        **_shells(net, settled),
        "coarse_ln_y": floats(math.log(max(p.weight_g, p.readability_g / 2)) for p in coarse),
    }  # fmt: skip
    net.unknowns["melt"] = len(net.melts)


def _read_purities(net: Assembly, assays: list[tuple[int, ProductAssay]], told: Collection[int]) -> dict[str, Any]:
    """Arrays of products whose unknown is their whole purity: those assayed, but for those that are told another way,
    by a settlement or by what they were refined into.

    Where each is and how far off it may be, in sd of its row: a normal about the first, of the second's width, is
    roughly what assays and row say together.
    """
    weight, middle = np.ones(net.n_products), np.zeros(net.n_products)
    is_read = np.zeros(net.n_products, dtype=np.int64)
    for row, one in assays:
        if row in told:
            continue
        factor, spread = math.exp(net.arrays["pr_ln_factor"][row]), net.arrays["pr_sd"][row]
        u = one.u / factor
        share = min(max(one.share / factor, u, LEAST_SHARE), 1 - max(u, LEAST_SHARE))
        precision = (share * (1 - share) * spread / u) ** 2
        is_read[row] = 1
        weight[row] += precision
        middle[row] += precision * (logit(share) - net.arrays["pr_centre"][row]) / spread
    return {"pr_read": is_read, "pr_middle": middle / weight, "pr_step": weight**-0.5}


def purities(balance: Any, form: Array) -> Array:
    """Purity of every product in sd of its row from the middle, by the unknowns "purity" and the form's part of each.

    Where the unknown is the whole, its place among the standard normals is taken by what the form expects.
    """
    ops, x, unknown = balance.ops, balance.x, balance.unknown("purity")
    shared = x["sqrt_form"] * form
    whole = shared + x["sqrt_1form"] * unknown
    if not balance.n["said"]:
        return whole
    read = x["pr_middle"] + x["pr_step"] * unknown
    own = (read - shared) / x["sqrt_1form"]
    balance.total = balance.total + ops.sum(x["pr_read"] * (0.5 * unknown * unknown - 0.5 * own * own))
    return ops.where(x["pr_read"] > 0, read, whole)


def _shells(net: Assembly, settled: list[tuple[int, list[int], float]]) -> dict[str, Any]:
    """Arrays of settlements read backwards: their products whose weights are more than one digit."""
    counted = net.n_products - sum(len(item.products) for item in net.items if item.role in "RS")
    weights = [product for item in net.items for product in item.products]
    group: list[int] = []
    product: list[int] = []
    base: list[float] = []
    rows: list[list[int]] = []
    coarse: list[list[int]] = []
    line: list[int] = []
    for n, (_, members, _) in enumerate(settled):
        read = [row for row in members if row < counted]
        if not read:
            continue
        rows.append(list(range(len(product), len(product) + len(read))))
        group += [len(line)] * len(read)
        product += read
        base += [math.log(max(weights[row].weight_g, weights[row].readability_g)) for row in read]
        coarse.append([row for row in members if row >= counted])
        line.append(n)
    where = {row: j for j, row in enumerate(product)}
    first = [row[0] for row in rows]
    spread = net.arrays["pr_sd"] * math.sqrt(2) * net.arrays["sqrt_1form"]
    return {
        "se_group": integers(group), "se_product": integers(product), "se_base": floats(base),
        "se_scale": floats(0.0 if j in first else spread[row] for j, row in enumerate(product)),
        "se_members": pad_rows(rows, len(product)), "se_first": integers(product[j] for j in first),
        "se_coarse": pad_rows(coarse, net.n_products), "se_line": integers(line),
        "se_products": pad_rows([[product[j] for j in row] for row in rows], net.n_products),
        "se_ln_soft": floats(math.log(SOFT * sum(math.exp(base[j]) for j in row)) for row in rows),
        "se_settled": integers(row in where for row in range(net.n_products)),
        "se_index": integers(where.get(row, len(product)) for row in range(net.n_products)),
    }  # fmt: skip


def settled_purities(balance: Any, purity: Array, form: Array, ln_gross: Array) -> Array:
    """logit of the purity of every product, those settled together read back from what the refiner found.

    Parameters: balance, the density's evaluation, to whose total the change of variables is added; purity, of every
    product by its own unknown; form, the learned part of each; ln_gross, ln g of metal were it all metal.
    """
    ops, x, unknown = balance.ops, balance.x, balance.unknown("purity")
    y = ops.take(unknown, x["se_first"])
    kept = ops.take(balance.pad(ln_melted(balance), 0.0), ops.take(x["st_melt"], x["se_line"]))
    ln_told = ops.take(x["st_ln_value"], x["se_line"]) + x["st_sd"] * y - kept
    gross = ops.exp(ops.logsumexp(ops.take(balance.pad(ln_gross, NO_METAL), x["se_products"])))
    coarse = ln_gross - ops.softplus(-purity)
    gross = gross + ops.exp(ops.logsumexp(ops.take(balance.pad(coarse, NO_METAL), x["se_coarse"])))
    raw = (gross - ops.exp(ln_told)) / ops.exp(x["se_ln_soft"])
    ln_missing = x["se_ln_soft"] + ops.log(ops.softplus(raw))
    ratio = x["se_base"] + x["se_scale"] * ops.take(unknown, x["se_product"])
    whole = ops.logsumexp(ops.take(balance.pad(ratio, NO_METAL), x["se_members"]))
    ln_part = ratio + ops.take(ln_missing - whole, x["se_group"]) - ops.take(ln_gross, x["se_product"])
    wall = 1e2 * ops.minimum(-ln_part - 1e-9, 0.0)
    ln_part = ops.minimum(ln_part, -1e-9)  # 1 - purity
    ln_purity = ops.log1mexp(ln_part)
    read = ln_purity - ln_part
    centre, spread = ops.take(x["pr_centre"], x["se_product"]), ops.take(x["pr_sd"], x["se_product"])
    own = ((read - centre) / spread - x["sqrt_form"] * ops.take(form, x["se_product"])) / x["sqrt_1form"]
    used = ops.take(unknown, x["se_product"])  # counted as standard normals so far
    of_each = 0.5 * used * used - 0.5 * own * own - ln_purity + wall
    of_group = ln_told - ln_missing - ops.softplus(-raw)
    balance.total = balance.total + ops.sum(of_each) + ops.sum(of_group)
    read = ops.take(balance.pad(read, 0.0), x["se_index"])
    return ops.where(x["se_settled"] > 0, read, purity)


def ln_melted(balance: Any) -> Array:
    """ln of what melting left, by settlement."""
    x = balance.x
    return -balance.ops.softplus(x["melt_centre"] + x["melt_sd"] * balance.unknown("melt"))


def fineness_terms(balance: Any, in_products: Array) -> Array:
    """Log likelihood of all of them.

    Parameters: balance, the density's evaluation, its products done; in_products, ln g of metal in each, padded.
    """
    ops, x = balance.ops, balance.x
    share = ops.exp(ops.take(balance.ln_share, x["pa_product"]))
    gap = (x["pa_share"] - share) / x["pa_u"]
    said = ops.sum(-0.5 * gap * gap - ops.log_ndtr((1 - share) / x["pa_u"]))
    kept = ops.take(balance.pad(ln_melted(balance), 0.0), x["st_melt"])
    melted = ops.logsumexp(ops.take(in_products, x["st_products"])) + kept
    off = (x["st_ln_value"] - melted) / x["st_sd"]
    return said - 0.5 * ops.sum(off * off)
