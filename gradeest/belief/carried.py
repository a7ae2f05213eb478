"""Metal that was found in the product of another metal: it goes back to the batch that it came from.

A product of one metal holds others too, all together at most what is not its own: of its share 1 - f, with f what of it
is its own metal, they are the parts u_m = softmax(logits, 0)_m, and so s_m = (1 - f) u_m of its dry weight W. An assay
reads such a share, v ~ N(s, u). A refiner's paper reads that of all that was melted,

    fineness ~ N( sum W s (1 - melt loss) / melted, u ),   u^2 = (sd of a settlement x fineness)^2 + u_fire^2,

for of a metal that is there by chance a refiner's assay is as good as any other, not to three in a thousand. Where the
batch is closed and has a weight of the other metal too, what is carried counts as dropped of that one:

    P = sum over its own products of W f + sum over the others of W s.

Before anything is said, all shares s of an assayed product are alike, whatever its purity. Of products melted together
the logits are c and what is each one's own, N(0, `carried.log_sd`): what is no gold in each is thought to be about the
same stuff. Of c all amounts sum W s are alike, so it counts with the change of variables from one (c of each metal in
the same paper) to the other. The unknown of c counts from where the paper is met.
"""

from __future__ import annotations

import itertools
import math
from typing import TYPE_CHECKING, Any

from gradeest.belief.choices import pad_rows
from gradeest.belief.fineness import ln_melted
from gradeest.belief.network import floats, integers, logit
from gradeest.belief.ops import NOTHING, Array
from gradeest.records.domain import Product, ProductAssay

if TYPE_CHECKING:
    from gradeest.belief.assembly import Assembly

LEAST_SHARE = 1e-6  # of a product that is another metal
MOST_OF_ROOM = 0.9  # that an unknown starts from
Pair = tuple[str, str]  # product (BATCH/PRODUCT) and a metal that is not its own


def list_carried(net: Assembly) -> None:
    """Arrays of what assays and refiners say of other metals in the products that are followed."""
    rows = {
        f"{item.batch}/{product.name}": (row, item, product)
        for n, item in enumerate(net.items)
        for product, row in zip(item.products, net.product_rows[n], strict=True)
    }
    lines = net.evidence.carried_lines
    assays = [a for a in net.evidence.product_assays if a.address in rows and a.metal != rows[a.address][1].metal]
    of_line = {(address, line.metal): n for n, line in enumerate(lines) for address in line.products}
    of_assay: dict[Pair, ProductAssay] = {}  # the sharpest
    for one in sorted(assays, key=lambda a: a.u):
        of_assay.setdefault((one.address, one.metal), one)
    where = {pair: j for j, pair in enumerate(dict.fromkeys([*of_assay, *of_line]))}
    starts = [
        (0.0, net.k["carried.log_sd"]) if pair in of_line else _start(net, rows[pair[0]][2], of_assay[pair])
        for pair in where
    ]
    into: dict[tuple[str, str], list[int]] = {}
    together: dict[str, list[int]] = {}
    for (address, metal), j in where.items():
        into.setdefault((rows[address][1].batch, metal), []).append(j)
        together.setdefault(address, []).append(j)
    counted = net.unknowns["reading"] + sum(len(i.products) for i in net.items if i.role == "O")
    members = [
        net.product_rows[n] + [counted + j for j in (into.get(item.batch_metal, ()) if item.role == "W" else ())]
        for n, item in enumerate(net.items) if item.role in "WO"
    ]  # fmt: skip
    at = {address: k for k, address in enumerate(together)}
    flat = {address for address, metal in where if (address, metal) not in of_line}
    net.arrays |= {
        "bm_products": pad_rows(members, counted + len(where)),
        "ca_product": integers(rows[address][0] for address, _ in where), "ca_at": integers(at[a] for a, _ in where),
        "ca_centre": floats(centre for centre, _ in starts), "ca_scale": floats(scale for _, scale in starts),
        "ca_line": integers(of_line.get(pair, len(lines)) for pair in where),
        "ca_flat": integers(pair not in of_line for pair in where),
        "cp_shares": pad_rows(list(together.values()), len(where)), "cp_flat": integers(a in flat for a in together),
        "cs_of": integers(where[a.address, a.metal] for a in assays),
        "cs_read": floats(a.share for a in assays), "cs_u": floats(a.u for a in assays),
    }  # fmt: skip
    _list_lines(net, where, {address: product for address, (_, _, product) in rows.items()})
    net.unknowns["carried"] = len(where) + len(lines)


def _room(net: Assembly, product: Product) -> float:
    """What of a product is not its own metal, about."""
    form = net.catalogue.forms[product.form]
    return 1 - form.factor * form.purity.q50


def _start(net: Assembly, product: Product, assay: ProductAssay) -> tuple[float, float]:
    """Centre and scale of the logit of what an assay tells."""
    room = max(_room(net, product), 2 * assay.share)
    part = min(max(assay.share, assay.u / 2, LEAST_SHARE) / room, MOST_OF_ROOM)
    return logit(part), min(assay.u / room / (part * (1 - part)), 1.0)


def _list_lines(net: Assembly, where: dict[Pair, int], products: dict[str, Product]) -> None:
    """Arrays of what refiners' papers say of metals that none of their products is of."""
    members: list[list[int]] = []
    centre, step, spread = [], [], []
    lines = net.evidence.carried_lines
    for line in lines:
        melted = [products[address] for address in line.products]
        dross = sum(_room(net, p) * max(p.weight_g, p.readability_g) for p in melted)
        u = math.hypot(net.k["settlement.log_sd"] * line.fineness, net.k["product_assay.fire_u"])
        grams = line.melted_g * max(line.fineness, u / 2)
        part = min(grams / max(dross, 2 * grams), MOST_OF_ROOM)
        members.append([where[address, line.metal] for address in line.products])
        centre.append(math.log(grams / (1 - part)))
        step.append(min(u / line.fineness / (1 - part), 1.0))
        spread.append(u)
    pairs = [(a, b) for a, b in itertools.combinations(range(len(lines)), 2) if lines[a].paper == lines[b].paper]
    net.arrays |= {
        "cl_members": pad_rows(members, len(where)),
        "cl_melt": integers(net.melts[line.paper] for line in lines),
        "cl_centre": floats(centre), "cl_step": floats(step),
        "cl_read": floats(line.fineness for line in lines), "cl_u": floats(spread),
        "cl_ln_melted": floats(math.log(line.melted_g) for line in lines),
        "cx_line": integers(a for a, _ in pairs), "cx_other": integers(b for _, b in pairs),
        "cx_first": pad_rows([members[a] for a, _ in pairs], len(where)),
        "cx_second": pad_rows([members[b] for _, b in pairs], len(where)),
    }  # fmt: skip


def carried_metal(balance: Any) -> Array:
    """ln metal [g] that was found of other metals in each product; what was said enters the density's total.

    Parameters: balance, the density's evaluation, its products done.
    """
    ops, x, count = balance.ops, balance.x, balance.n["carried"]
    unknown = ops.part(balance.unknown("carried"), slice(0, count))
    own = logits = x["ca_centre"] + x["ca_scale"] * unknown
    ln_own = ops.take(balance.ln_share, x["ca_product"])
    ln_room = ops.log1mexp(ops.minimum(ln_own, -LEAST_SHARE))
    ln_dross = ops.take(balance.every_product, x["ca_product"]) - ln_own + ln_room
    if balance.n["carried_line"]:
        y = ops.part(balance.unknown("carried"), slice(count, count + balance.n["carried_line"]))
        shift = ops.logsumexp(ops.take(balance.pad(ln_dross + own, NOTHING), x["cl_members"]))
        c = x["cl_centre"] + x["cl_step"] * y - shift
        logits = own + ops.take(balance.pad(c, 0.0), x["ca_line"])
    ln_none = -ops.softplus(ops.logsumexp(ops.take(balance.pad(logits, NOTHING), x["cp_shares"])))
    ln_part = logits + ops.take(ln_none, x["ca_at"])
    ln_share, metal = ln_room + ln_part, ln_dross + ln_part
    gap = (x["cs_read"] - ops.exp(ops.take(ln_share, x["cs_of"]))) / x["cs_u"]
    alike = ops.where(x["ca_flat"] > 0, ln_share, -0.5 * unknown * unknown)  # d share / d logits; normals
    balance.total = balance.total + ops.sum(alike) + ops.sum(x["cp_flat"] * ln_none) - 0.5 * ops.sum(gap * gap)
    if balance.n["carried_line"]:
        kept = ops.take(balance.pad(ln_melted(balance), 0.0), x["cl_melt"]) - x["cl_ln_melted"]
        found = ops.logsumexp(ops.take(balance.pad(metal, NOTHING), x["cl_members"])) + kept
        gap = (x["cl_read"] - ops.exp(found)) / x["cl_u"]
        slope = metal + ops.log1mexp(ops.minimum(ln_part, -LEAST_SHARE))  # ln of d W s / d c
        slope = ops.logsumexp(ops.take(balance.pad(slope, NOTHING), x["cl_members"]))
        balance.total = balance.total + ops.sum(slope - 0.5 * gap * gap)
        if balance.n["carried_pair"]:
            both = ops.take(balance.pad(metal, NOTHING), x["cx_first"]) + ops.take(
                balance.pad(ln_part, NOTHING), x["cx_second"]
            )
            cross = 2 * ops.logsumexp(both) - ops.take(slope, x["cx_line"]) - ops.take(slope, x["cx_other"])
            balance.total = balance.total + ops.sum(ops.log1mexp(ops.minimum(cross, -LEAST_SHARE)))
    return metal
