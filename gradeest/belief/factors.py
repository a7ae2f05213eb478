"""The tables that undecided choices pick from: every factor with the rows of the density's terms it points at."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from gradeest.belief.ashes import list_ashes
from gradeest.belief.caps import list_caps
from gradeest.belief.choices import Factor, pad_rows
from gradeest.belief.evidence import BatchMetal
from gradeest.belief.layers import parts_of
from gradeest.belief.network import BACKWARD, failed, floats, integers, pad_floats, switch
from gradeest.belief.readings import handling_sd
from gradeest.belief.spots import list_spots

if TYPE_CHECKING:
    from gradeest.belief.assembly import Assembly

BLOCKS = (
    *("ok", "failed", "present", "absent", "cc_present", "cc_absent", "free_present", "free_absent"),
    *("split", "pair", "assay", "small", "limit", "bound", "spot", "kept", "place", "ash", "cap"),
)
Table = dict[tuple[int, ...], tuple[str, int]]  # values of the choices -> (block of terms, row)
Pending = list[tuple[tuple[Hashable, ...], Table]]


def tabulate(net: Assembly) -> dict[str, int]:
    """Entries of every factor; returns the size of each block of terms."""
    cc, free = len(net.cc_owner), len(net.free_index)
    rows = dict.fromkeys(BLOCKS, 0)
    rows |= {"ok": len(net.e_index), "failed": len(net.e_index), "cc_present": cc, "cc_absent": cc}
    rows |= {"present": len(net.axis["sw"]), "absent": len(net.axis["sw"])}
    rows |= {"free_present": free, "free_absent": free, "split": net.n_copies}
    pending: Pending = []
    table: Table
    for key, e in net.e_index.items():
        pending.append(((key,), {(0,): ("ok", e), (1,): ("failed", e)}))
    for n, key in enumerate(net.axis["sw"].in_order()):
        parent = net.parents.get(key)
        if parent is None:
            pending.append(((key,), {(0,): ("present", n), (1,): ("absent", n)}))
        else:
            table = {(0, 0): ("present", n), (0, 1): ("absent", n), (1, 1): ("zero", 0)}
            pending.append(((parent, key), table))
    for c in range(len(net.cells)):
        if not net.is_linked(c):
            pending.append(_grade_table(net, c))
    for item in net.items[: net.backward]:
        if item.batch_metal in net.v_rows:
            table = {outcome: ("split", row) for outcome, row in net.v_rows[item.batch_metal].items()}
            pending.append((net.split_choices(item), table))
    _pair_tables(net, rows, pending, cc)
    _assay_tables(net, rows, pending, cc, free)
    _batch_tables(net, rows, pending)
    pending += list_spots(net, rows)
    pending += list_ashes(net, rows, lambda c, chosen: _grade_row(net, c, chosen, cc, free), free)
    for choices, kept in (*net.kept_rows.values(), *net.wiped_rows.values()):
        pending.append((choices, {outcome: ("kept", row) for outcome, row in kept.items()}))
    for choices, placed in net.place_rows.values():
        pending.append((choices, {outcome: ("place", row) for outcome, row in placed.items()}))
    rows["kept"], rows["place"] = net.n_kept, net.n_placed
    pending += list_caps(net, rows)
    start = dict(zip(BLOCKS, np.cumsum([0, *(rows[b] for b in BLOCKS[:-1])]), strict=True))
    start["zero"] = sum(rows.values())
    for choices, table in pending:
        entries = {side: int(start[block]) + row for side, (block, row) in table.items()}
        net.factors.append(Factor(choices, entries))
    return rows


def count_sizes(net: Assembly, rows: Mapping[str, int], groups: int) -> dict[str, int]:
    """How many there are of what the density asks for by name."""
    return {
        **net.count,
        "reading": net.unknowns["reading"],
        "open_product": len(net.arrays["open_ln_y"]),
        "backward": net.backward,
        "bounded": int(net.arrays["extra_bounded"].sum()),
        "level": net.levels,
        "again_level": net.again_levels,
        "flat_reading": int(net.arrays["read_flat"].sum()),
        "outflow": net.unknowns["loss"] + net.unknowns["aside"],
        "failed": len(net.e_index),
        "group": groups,
        "small": rows["small"],
        "limit": rows["limit"],
        "spot": rows["spot"],
        "kept": net.n_kept,
        "place": net.n_placed,
        "item": len(net.items),
        "bound": rows["bound"],
        "bound_stream": len(net.arrays["sb_row"]),
        "ash": rows["ash"],
        "cap": rows["cap"],
        "bent": len(net.arrays["bent_bm"]),
        "room": len(net.arrays["ro_bm"]),
        "free": len(net.free_index),
        "told_stream": len(net.ws),
        "stream_value": net.no_value - net.stream_base,
        "stream_level": net.stream_levels,
        "settled": len(net.arrays["se_line"]),
        "coarse": len(net.arrays["coarse_ln_y"]),
        "carried": len(net.arrays["ca_product"]),
        "carried_line": len(net.arrays["cl_read"]),
        "carried_pair": len(net.arrays["cx_line"]),
        "said": len(net.arrays["pa_u"]) + len(net.arrays["st_melt"]),
    }


def _grade_table(net: Assembly, cell: int) -> tuple[tuple[Hashable, ...], Table]:
    """Prior of a cell's grade by all that decides it."""
    choices = net.local(cell, with_switch=True)
    where = choices.index(switch(net.cells[cell]))
    table: Table = {}
    for side in net.graph.values(choices):
        trace = side[where]
        if net.weights_of[cell]:
            row = net.anchored[cell].rows[_without(side, where, net.local(cell), choices)]
            table[side] = ("cc_absent" if trace else "cc_present", row)
        else:
            table[side] = ("free_absent" if trace else "free_present", net.free_index[cell])
    return choices, table


def _without(
    side: tuple[int, ...], where: int, local: tuple[Hashable, ...], choices: tuple[Hashable, ...]
) -> tuple[int, ...]:
    """The local part of a value tuple that may carry the cell's switch besides."""
    return side if len(local) == len(choices) else side[:where] + side[where + 1 :]


def _pair_tables(net: Assembly, rows: dict[str, int], pending: Pending, cc: int) -> None:
    """Correlated metals of one fraction: a factor where both are present."""
    a_rows: list[int] = []
    b_rows: list[int] = []
    corr: list[float] = []
    for a, b, c in net.pairs():
        tables = [_grade_table(net, i) for i in (a, b)]
        table: Table = {}
        for left, (block_a, row_a) in tables[0][1].items():
            for right, (block_b, row_b) in tables[1][1].items():
                if "absent" in block_a or "absent" in block_b:
                    table[(*left, *right)] = ("zero", 0)
                    continue
                table[(*left, *right)] = ("pair", len(a_rows))
                a_rows.append(row_a + (cc if block_a == "free_present" else 0))
                b_rows.append(row_b + (cc if block_b == "free_present" else 0))
                corr.append(c)
        pending.append(((*tables[0][0], *tables[1][0]), table))
    rows["pair"] = len(a_rows)
    net.arrays |= {"pair_a": integers(a_rows), "pair_b": integers(b_rows), "pair_corr": floats(corr)}


def _assay_tables(net: Assembly, rows: dict[str, int], pending: Pending, cc: int, free: int) -> None:
    grade: list[list[int]] = []
    ln_share: list[list[float]] = []
    value: list[float] = []
    spread: list[float] = []
    censored: list[int] = []
    for assay in net.evidence.assays:
        parts = parts_of(assay)
        cells = [net.cell_of[address, assay.metal] for address, _ in parts]
        choices = tuple(dict.fromkeys(key for c in cells for key in net.local(c)))
        table: Table = {}
        for side in net.graph.values(choices):
            chosen = dict(zip(choices, side, strict=True))
            table[side] = ("assay", len(grade))
            grade.append([_grade_row(net, c, chosen, cc, free) for c in cells])
            ln_share.append([math.log(share) for _, share in parts])
            value.append(math.log(assay.value_g_per_t))
            spread.append(assay.u_rel)
            censored.append(int(assay.below_detection))
        pending.append((choices, table))
    rows["assay"] = len(grade)
    net.arrays |= {
        "as_grade": pad_rows(grade, cc + 2 * free), "as_ln_share": pad_floats(ln_share),
        "as_ln_value": floats(value), "as_sd": floats(spread),
        "as_censored": integers(censored),
    }  # fmt: skip


def _grade_row(net: Assembly, cell: int, chosen: Mapping[Hashable, int], cc: int, free: int) -> int:
    """Row of a cell's ln grade: anchored cells by their local choices, then free cells present and as traces."""
    side = tuple(chosen[key] for key in net.local(cell))
    return net.anchored[cell].rows[side] if net.weights_of[cell] else cc + net.free_index[cell] + side[0] * free


def _batch_tables(net: Assembly, rows: dict[str, int], pending: Pending) -> None:
    small: dict[str, list[Any]] = {name: [] for name in ("portions", "bm", "e", "y", "d", "t", "products", "ln_share")}
    limit: dict[str, list[Any]] = {name: [] for name in ("portions", "bm", "gone", "sd")}
    n_e, gone = len(net.e_index), net.gone
    for n, item in enumerate(net.items):
        if item.role in BACKWARD or item.role in "RTX":
            continue
        choices = net.item_choices(item)
        table: Table = {}
        for side in net.graph.values(choices):
            chosen = dict(zip(choices, side, strict=True))
            if item.role == "S":
                table[side] = ("small", len(small["bm"]))
                e = net.e_index[failed(item)] + chosen[failed(item)] * n_e
                _small_row(net, small, n, item, net.portion_rows(item, chosen), e)
            elif not item.tells_recovery:
                table[side] = ("limit", len(limit["bm"]))
                limit["portions"].append(net.portion_rows(item, chosen))
                limit["bm"].append(n)
                limit["gone"].append(gone.get(n, len(gone)))
                limit["sd"].append(net.e_sd(item))
        if table:
            pending.append((choices, table))
    rows["small"], rows["limit"] = len(small["bm"]), len(limit["bm"])
    net.arrays |= {
        "sm_portions": pad_rows(small["portions"], net.no_value), "sm_bm": integers(small["bm"]),
        "sm_e": integers(small["e"]), "sm_y": floats(small["y"]), "sm_d": floats(small["d"]),
        "sm_t": floats(small["t"]), "sm_products": pad_rows(small["products"], net.n_products),
        "sm_ln_share": pad_floats(small["ln_share"]),
        "li_portions": pad_rows(limit["portions"], net.no_value), "li_bm": integers(limit["bm"]),
        "li_gone": integers(limit["gone"]), "li_sd": floats(limit["sd"]),
    }  # fmt: skip
    net.unknowns["gone"] = len(gone)


def _small_row(
    net: Assembly, small: dict[str, list[Any]], n: int, item: BatchMetal, portions: list[int], e: int
) -> None:
    weights = [p.weight_g for p in item.products]
    total = sum(weights)
    step = math.sqrt(sum((p.interval_g or p.readability_g) ** 2 for p in item.products))
    small["portions"].append(portions)
    small["bm"].append(n)
    small["e"].append(e)
    small["y"].append(total)
    small["d"].append(step)  # several small weighings act as one, their roundings added in quadrature
    small["t"].append(math.sqrt(sum(handling_sd(p, net.bench, net.k) ** 2 for p in item.products)))
    small["products"].append(net.product_rows[n])
    small["ln_share"].append(
        [math.log(w / total) if w > 0 else -1e4 for w in weights]
        if total > 0
        else [-math.log(len(weights))] * len(weights)
    )
