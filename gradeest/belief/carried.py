"""Metal that was found in the product of another metal: it goes back to the batch that it came from.

An assay says that a product of one metal holds the share s of another, v ~ N(s, u), and all its metals are at most all
of it: 0 < s < 1 - f, with f what of it is its own metal. Where the batch is closed and has a weight of the other metal
too, what is carried counts as dropped of that one:

    P = sum over its own products of W f + sum over the others of W s.

The unknown stands for logit(s / (1 - f)), about where the assay lies; with it 0 < s < 1 - f always.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from gradeest.belief.choices import pad_rows
from gradeest.belief.network import floats, integers, logit
from gradeest.belief.ops import Array

if TYPE_CHECKING:
    from gradeest.belief.assembly import Assembly

LEAST_SHARE = 1e-6  # of a product that is another metal


def list_carried(net: Assembly) -> None:
    """Arrays of what assays say of other metals in the products of batches that are read backwards."""
    rows = {
        f"{item.batch}/{product.name}": (row, item)
        for n, item in enumerate(net.items)
        for product, row in zip(item.products, net.product_rows[n], strict=True)
    }
    product: list[int] = []
    read: list[float] = []
    u: list[float] = []
    centre: list[float] = []
    scale: list[float] = []
    into: dict[tuple[str, str], list[int]] = {}
    for assay in net.evidence.product_assays:
        row, item = rows.get(assay.address, (0, None))
        if item is None or assay.metal == item.metal:
            continue
        form = net.catalogue.forms[item.products[row - net.product_rows[net.items.index(item)][0]].form]
        room = max(1 - form.factor * form.purity.q50, 2 * assay.share)  # for other metals, about
        share = min(max(assay.share, assay.u / 2, LEAST_SHARE), 0.9 * room) / room
        into.setdefault((item.batch, assay.metal), []).append(len(product))
        product.append(row)
        read.append(assay.share)
        u.append(assay.u)
        centre.append(logit(share))
        scale.append(min(assay.u / room / (share * (1 - share)), 1.0))
    counted = net.unknowns["reading"] + sum(len(i.products) for i in net.items if i.role == "O")
    members = [
        net.product_rows[n] + [counted + j for j in (into.get(item.batch_metal, ()) if item.role == "W" else ())]
        for n, item in enumerate(net.items) if item.role in "WO"
    ]  # fmt: skip
    net.arrays |= {
        "bm_products": pad_rows(members, counted + len(product)), "ca_product": integers(product),
        "ca_read": floats(read), "ca_u": floats(u), "ca_centre": floats(centre), "ca_scale": floats(scale),
    }  # fmt: skip
    net.unknowns["carried"] = len(product)


def carried_metal(balance: Any) -> Array:
    """ln metal [g] that each assay found of another metal; what it says enters the density's total.

    Parameters: balance, the density's evaluation, its products done.
    """
    ops, x = balance.ops, balance.x
    raw = x["ca_centre"] + x["ca_scale"] * balance.unknown("carried")
    ln_share = ops.take(balance.ln_share, x["ca_product"])
    ln_room = ops.log1mexp(ops.minimum(ln_share, -LEAST_SHARE))
    ln_carried = ln_room - ops.softplus(-raw)
    gap = (x["ca_read"] - ops.exp(ln_carried)) / x["ca_u"]
    balance.total = balance.total + ops.sum(-0.5 * gap * gap + ln_carried - ops.softplus(raw))
    return ops.take(balance.every_product, x["ca_product"]) - ln_share + ln_carried
