"""What was read off the balances: readings, intervals of old notes, purities, and how far each balance is trusted."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from gradeest.belief.evidence import least_weight_g
from gradeest.belief.network import LEAST_READING, Register, floats, integers, logit_normal
from gradeest.belief.ops import NOTHING
from gradeest.records.domain import Bench, Product

if TYPE_CHECKING:
    from collections.abc import Mapping

    from gradeest.belief.assembly import Assembly

FLAT_FROM = 4.0  # an interval this many times the handling's sd or wider has edges that need no rounding


def handling_sd(product: Product, bench: Bench, k: Mapping[str, float]) -> float:
    """sd of a net weight beyond rounding, g: less where the balance had been checked within the last year."""
    valid = k["balance.check_valid_days"]
    checked = any(
        check.balance == product.balance and 0 <= (product.date - check.date).days <= valid for check in bench.checks
    )
    name = "balance.checked_handling" if checked else "balance.unchecked_handling"
    return product.readability_g * k[name]


def balance_scale(name: str, bench: Bench, k: Mapping[str, float]) -> tuple[float, float]:
    """Centre and sd of a balance's relative error h: N(0, prior sd), moved by what its check weights read.

    A check reads y = w (1 + h) + t with t as of a net weight, so each is a normal observation y/w - 1 of h.
    """
    weight, total = 1 / k["balance.scale_sd"] ** 2, 0.0
    for check in bench.checks:
        if check.balance == name:
            step = bench.balances[name].readability_g
            sd = step * math.sqrt(k["balance.checked_handling"] ** 2 + 1 / 12) / check.weight_g
            weight += 1 / sd**2
            total += (check.reads_g / check.weight_g - 1) / sd**2
    return total / weight, weight**-0.5


def list_readings(net: Assembly) -> None:
    """Products in the order of their batches: what each showed, what share of it is metal, on which balance."""
    products = [p for item in net.items for p in item.products]
    weighed = [p for item in net.items if item.role == "W" for p in item.products]
    so_far = [p for item in net.items if item.role == "O" for p in item.products]
    forms = [net.catalogue.forms[p.form] for p in products]
    purity = [logit_normal(form.purity) for form in forms]
    damp = Register()
    moisture = logit_normal(net.catalogue.shares["moisture"])
    rows = [damp[i] if p.damp else -1 for i, p in enumerate(products)]
    handling = floats(handling_sd(p, net.bench, net.k) for p in weighed)
    width = floats(p.interval_g or p.readability_g for p in weighed)
    flat = np.array([p.interval_g > 0 for p in weighed], dtype=bool) & (width > FLAT_FROM * handling)
    spread = np.sqrt(handling**2 + width**2 / 12)
    balances = [net.axis["balance"][p.balance] for p in products]
    scales = [balance_scale(name, net.bench, net.k) for name in net.axis["balance"].in_order()]
    net.arrays |= {
        "pr_form": integers(net.axis["form"][form.id] for form in forms),
        "pr_centre": floats(c for c, _ in purity),
        "pr_sd": floats(s for _, s in purity),
        "pr_ln_factor": floats(math.log(form.factor) for form in forms),
        "pr_balance": integers(balances),
        "pr_damp": integers(len(damp) if row < 0 else row for row in rows),
        "moist_centre": moisture[0],
        "moist_sd": moisture[1],
        "balance_centre": floats(c for c, _ in scales),
        "balance_sd": floats(s for _, s in scales),
        "read_y": floats(p.weight_g for p in weighed),
        "read_d": width,
        "read_t": handling,
        "read_sd": spread,
        "read_soft": spread * LEAST_READING,
        "read_flat": flat.astype(np.int64),
        "open_ln_y": floats(math.log(g) if (g := least_weight_g(p)) > 0 else NOTHING for p in so_far),
    }
    net.unknowns |= {
        "form": len(net.axis["form"]), "purity": len(products), "moisture": len(damp),
        "balance": len(net.axis["balance"]), "reading": len(weighed),
    }  # fmt: skip
    net.product_rows = {}
    start = 0
    for n, item in enumerate(net.items):
        net.product_rows[n] = list(range(start, start + len(item.products)))
        start += len(item.products)
    net.n_products = start
