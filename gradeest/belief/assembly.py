"""Builds the `Network` of a bench: registers the axes, lists portions, tables and choices."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping
from typing import Any

import numpy as np

from gradeest.belief import network as nw
from gradeest.belief import streams
from gradeest.belief.ashes import ash_choices
from gradeest.belief.caps import list_bent
from gradeest.belief.carried import list_carried
from gradeest.belief.choices import ChoiceGraph, Factor, enumerate_configurations
from gradeest.belief.evidence import ROLES, BatchMetal, dry_share, gather
from gradeest.belief.factors import count_sizes, tabulate
from gradeest.belief.fineness import list_fineness
from gradeest.belief.guess import rough_extra, rough_log_odds
from gradeest.belief.held import list_forward, list_held
from gradeest.belief.layers import parts_of, split_layers
from gradeest.belief.network import (
    BACKWARD,
    AnchoredCell,
    Cell,
    Copy,
    Decided,
    GradeScale,
    Network,
    Register,
    SetAside,
    failed,
    floats,
    integers,
    switch,
)
from gradeest.belief.outflows import list_outflows
from gradeest.belief.places import list_told_places, told_by_place
from gradeest.belief.portions import list_anchored, list_free, list_weighed
from gradeest.belief.readings import list_readings
from gradeest.belief.rerefining import list_rerefined
from gradeest.belief.room import list_room
from gradeest.materials.catalogue import Catalogue, MetalCorrelation
from gradeest.records.domain import Bench

MOST_SPLITS = 4  # choices that a pooled batch keeps copies of its split for
CERTAIN = 8.0  # rough log odds beyond which a choice is not summed over
NORMALS = (
    *("zeta", "beta", "rho", "pi", "r_metal", "r", "ln_a", "a", "form", "purity", "moisture", "balance"),
    *("e_ok", "e_failed", "gone", "loss", "aside", "spot", "liquid", "melt"),
)  # unknowns that are standard normal a priori
FLAT = ("ln_tau", "reading", "again", "carried", "extra", "v", "beside", "split", "x1", "x0")  # density written out


def build_network(bench: Bench, catalogue: Catalogue) -> Network:
    """Arrays of the metal balance for everything the bench has evidence on; a jar's sources are fractions."""
    return Assembly(split_layers(bench), catalogue).build()


class Assembly:
    """Collects the axes, choices and numbers of a network; `portions` and `factors` do their part on it."""

    def __init__(self, bench: Bench, catalogue: Catalogue) -> None:
        self.bench, self.catalogue, self.k = bench, catalogue, catalogue.constants
        self.evidence = gather(bench, catalogue)
        self.items = self.evidence.batch_metals
        self.item_of = {item.batch_metal: item for item in self.items}
        self.takers_of = streams.list_takers(self.items)
        self.links = self.evidence.links
        self.in_ash = {(name, metal) for (_, metal), link in self.links.items() for name in link.batches}
        spread = [n for n, i in enumerate(self.items) if i.tests or i.leaves or i.batch_metal in self.in_ash]
        self.rest_of = {n: row for row, n in enumerate(spread)}  # batch metal -> its unknowns of where the rest went
        self.count: dict[str, int] = {role: sum(i.role == role for i in self.items) for role in ROLES}
        self.backward = self.count["W"] + self.count["O"]
        self.arrays: dict[str, Any] = {}
        self.unknowns: dict[str, int] = {}
        self.anchored: dict[int, AnchoredCell] = {}
        self.free_index: dict[int, int] = {}
        self.cc_portions: list[list[int]] = []
        self.cc_alphas: list[list[float]] = []
        self.cc_owner: list[int] = []
        self.copies: list[Copy] = []
        self.v_rows: dict[tuple[str, str], dict[tuple[int, ...], int]] = {}  # pooled batch -> outcome -> its copies
        self.n_weighed = self.n_copies = self.levels = self.again_levels = self.n_kept = self.n_placed = 0
        self.stream_base = self.stream_levels = 0
        self.free_base = 0  # first value of free portions
        self.no_value = 0  # index of an empty value
        self.axis = {
            name: Register() for name in ("km", "cm", "lm", "rm", "am", "metal", "form", "balance", "pi", "sw", "spot")
        }
        self.graph = ChoiceGraph()
        self.factors: list[Factor] = []
        self.values: dict[tuple[int, str], dict[tuple[int, ...], int]] = {}  # (cell, portion) -> local values -> value
        gone = [n for n, i in enumerate(self.items) if i.nondetect is not None and i.nondetect.liquid == "gone"]
        self.gone = {n: row for row, n in enumerate(gone)}  # batch metal whose liquid is gone -> its unknown share
        self.product_rows: dict[int, list[int]] = {}  # batch metal -> its products
        self.n_products = 0
        self.melts: dict[int, int] = {}  # refiner's paper that is used -> its unknown melt loss
        self.wp: dict[tuple[str, int], dict[tuple[int, ...], int]] = {}  # (batch, cell) -> weighed portion
        self.ws: dict[tuple[str, str], dict[tuple[int, ...], int]] = {}  # (stream, metal) -> weighed portion
        self.aside_of: dict[tuple[str, str], int] = {}  # (stream, metal) -> 1 + its unknown odds
        self.set_aside: list[SetAside] = []
        self.losses_of: dict[str, list[int]] = {}  # batch -> its recorded losses
        self.kept_rows: dict[tuple[str, str], Decided] = {}  # batch metal -> what it kept
        self.wiped_rows: dict[tuple[str, str], Decided] = {}  # (stream, metal) -> what of a spill was not wiped up
        self.place_rows: dict[tuple[str, str], Decided] = {}  # batch metal -> what no stream tells of what it left over
        self.told_places: dict[tuple[tuple[str, str], str], Decided] = {}  # batch metal, place -> its weight
        self.stream_values: dict[tuple[str, str], Decided] = {}  # (stream, metal) -> value, where it runs forward

    def build(self) -> Network:
        self._cells()
        self._choices()
        self._constants()
        list_readings(self)
        list_fineness(self)
        self._batches()
        list_outflows(self)
        list_bent(self)
        list_rerefined(self)
        list_weighed(self)
        list_anchored(self)
        list_free(self)
        list_held(self)
        list_room(self)
        list_told_places(self)
        list_forward(self)
        self._parameters()
        rows = tabulate(self)
        layout, start = {}, 0
        for name in (*NORMALS, *FLAT):
            layout[name] = slice(start, start + self.unknowns[name])
            start += self.unknowns[name]
        normals = slice(0, layout[FLAT[0]].start)
        configurations = enumerate_configurations(self.graph, self.factors, zero=sum(rows.values()))
        self.arrays["cfg_terms"], self.arrays["group_cfgs"] = configurations.terms, configurations.of_group
        arrays: dict[str, Any] = {
            name: np.asarray(a, dtype=np.int64 if np.asarray(a).dtype.kind in "iu" else np.float64)
            for name, a in self.arrays.items()
        }
        return Network(
            arrays, layout, normals, start, count_sizes(self, rows, len(configurations.of_group)),
            self.k["holdup.full_from_g"], self.k["holdup.exponent"],
            self.evidence, tuple(self.cells), {name: tuple(a.in_order()) for name, a in self.axis.items()},
            self.anchored, self.free_index, self.values, configurations, dict(self.graph.fixed),
            (*self.evidence.notes, *self.fixed_notes), tuple(self.copies),
            streams.all_streams(self), tuple(self.set_aside),
            frozenset(i.batch_metal for i in self.items if streams.is_share_of_rest(self, i)),
            {self.items[n].batch_metal: row for n, row in self.rest_of.items()}, told_by_place(self),
        )  # fmt: skip

    def scale(self, kind: str, metal: str) -> GradeScale:
        """The grade scale of a kind on this bench."""
        return grade_scale(self.bench, self.catalogue, kind, metal)

    def _cells(self) -> None:
        self.cells: list[Cell] = []
        self.cell_of: dict[tuple[str, str], int] = {}
        for address, metal in self.evidence.cells():
            fraction = self.bench.fraction(address)
            dry = dry_share(self.bench, address, self.catalogue)
            mass = max(fraction.mass_kg, self.bench.charged_kg(address)) * dry
            self.cell_of[address, metal] = len(self.cells)
            lot = address if (address, metal) in self.links else address.partition("/")[0]  # linked ash is of no lot
            self.cells.append(Cell(address, lot, fraction.kind, metal, mass))
        self.scales = [self.scale(c.kind, c.metal) for c in self.cells]
        taking: dict[tuple[str, str], list[BatchMetal]] = {}
        for item in self.items:
            for address in item.portions:
                taking.setdefault((address, item.metal), []).append(item)
        self.items_of = [taking.get((c.address, c.metal), []) for c in self.cells]
        self.sharing: dict[Hashable, list[int]] = {}  # the cells of every switch
        for n, cell in enumerate(self.cells):
            self.sharing.setdefault(switch(cell), []).append(n)
        self.weights_of = [[i for i in items if i.role in BACKWARD] for items in self.items_of]

    def is_linked(self, cell: int) -> bool:
        """Whether a cell is ash of filters that are followed: no row of its kind speaks of it."""
        return (self.cells[cell].address, self.cells[cell].metal) in self.links

    def alpha(self, cell: Cell, mass_kg: float) -> float:
        """Dirichlet parameter of a portion of a cell's fraction."""
        return min(max(mass_kg * pieces_per_kg(self.bench, self.catalogue, cell.address), 1e-2), 1e7)

    def rest_kg(self, cell: int) -> float:
        """Mass of a cell's fraction beside the portions that evidence speaks of (0 when hardly any)."""
        whole = self.cells[cell].dry_kg
        rest = whole - sum(i.portions[self.cells[cell].address] for i in self.items_of[cell])
        return rest if rest > 1e-6 * whole else 0.0

    def trace_x(self, cell: int) -> float:
        """logit(t / L) of a cell's trace side."""
        return nw.logit(math.exp(self.ln_trace(cell)) / self.scales[cell].limit)

    def ln_trace(self, cell: int) -> float:
        """ln of the median grade of a cell's trace side, g/t."""
        return math.log(self.k[f"grade.trace_g_per_t.{self.cells[cell].metal}"])

    def correlation(self, kind: str, metal: str) -> MetalCorrelation | None:
        """The kind's correlation when it concerns this metal."""
        found = self.catalogue.kinds[kind].correlation
        return found if found is not None and metal in (found.first, found.second) else None

    def _choices(self) -> None:
        for item in self.items:
            if item.tells_recovery:
                self.graph.add(failed(item), rough_log_odds(item, self, "failed"))
        self.parents: dict[Hashable, Hashable] = {}
        for n, cell in enumerate(self.cells):
            if self.is_linked(n):
                self.graph.add(switch(cell), -math.inf)
                continue
            self._add_switch(cell)
            pair = self.correlation(cell.kind, cell.metal)
            if pair is not None and pair.second_needs_first:
                first, second = (
                    Cell(cell.address, cell.lot, cell.kind, metal, cell.dry_kg) for metal in (pair.first, pair.second)
                )
                self._add_switch(first)
                self._add_switch(second)
                self.parents[switch(second)] = switch(first)
                self.graph.connect([switch(first), switch(second)])
        for index in range(len(self.cells)):
            self.graph.connect(self.local(index, with_switch=True))
            if self.is_linked(index):
                self.graph.connect(ash_choices(self, index))
        for a, b, _ in self.pairs():
            both = [self.local(i, with_switch=True) for i in (a, b)]
            self.graph.connect([c for choices in both for c in choices])
        for item in self.items:
            if item.role not in BACKWARD:
                self.graph.connect(self.item_choices(item))
            else:
                self.graph.connect(self.split_choices(item))
                if streams.takers(self, item):
                    self.graph.connect(streams.kept_choices(self, item))
        for assay in self.evidence.assays:
            cells = [self.cell_of[address, assay.metal] for address, _ in parts_of(assay)]
            self.graph.connect([key for cell in cells for key in self.local(cell)])
        self.graph.fix_certain(CERTAIN)
        newly = self.graph.fix_most_decided(int(self.k["switch.max_undecided"]))
        for child, parent in self.parents.items():  # never both "first only a trace" and "second present"
            if self.graph.fixed.get(parent) == 1 and self.graph.fixed.get(child) == 0:
                del self.graph.fixed[parent], self.graph.fixed[child]
        newly = tuple(key for key in newly if key in self.graph.fixed)
        self.fixed_notes = tuple(nw.say_fixed(key, self.graph.fixed[key]) for key in newly)

    def _add_switch(self, cell: Cell) -> None:
        key = switch(cell)
        if key not in self.graph.links:
            self.axis["sw"][key]
            self.axis["pi"][cell.kind, cell.metal]
        self.graph.add(key, rough_log_odds(cell, self, "trace"))

    def split_choices(self, item: BatchMetal) -> tuple[Hashable, ...]:
        """Choices that move the split of a weighed batch's metal: its failure; where it is pooled, what decides its
        members (the least decided ones, at most MOST_SPLITS of them); what decides streams that later weights tell."""
        own = failed(item)
        later = [key for other, _ in streams.adding(self, item) for key in self.split_choices(other)]
        if item.members == 1:
            return tuple(dict.fromkeys((own, *later)))
        others: dict[Hashable, None] = {}
        for address in item.portions:
            cell = self.cell_of[address, item.metal]
            others.update(dict.fromkeys(failed(i) for i in self.weights_of[cell] if i is not item))
            others[switch(self.cells[cell])] = None
        if item.portions:
            others.update(dict.fromkeys(failed(self.item_of[part.left_by, item.metal]) for part in item.streams))
        odds = {key: abs(self.graph.log_odds[key]) for key in others}
        open_ones = sorted((key for key in others if odds[key] < CERTAIN), key=odds.__getitem__)
        return tuple(dict.fromkeys((own, *open_ones[: MOST_SPLITS - 1], *later)))

    def local(self, cell: int, with_switch: bool = False) -> tuple[Hashable, ...]:
        """Choices that decide a cell's grade: those of its weighed batches, or its switch where it is free."""
        keys: dict[Hashable, None] = {}
        for item in self.weights_of[cell]:
            keys.update(dict.fromkeys(self.split_choices(item)))
        if with_switch or not keys:
            keys[switch(self.cells[cell])] = None
        return tuple(keys)

    def item_choices(self, item: BatchMetal) -> tuple[Hashable, ...]:
        keys: dict[Hashable, None] = {failed(item): None} if item.tells_recovery else {}
        return tuple(dict.fromkeys((*keys, *streams.charge_choices(self, item))))

    def portion_rows(self, item: BatchMetal, chosen: Mapping[Hashable, int]) -> list[int]:
        """Values of all that a batch which is not read backwards took, under the choices made."""
        return streams.charge_rows(self, item, chosen)

    def pairs(self) -> list[tuple[int, int, float]]:
        found = []
        for (address, metal), index in self.cell_of.items():
            pair = self.correlation(self.cells[index].kind, metal)
            linked = self.links.keys() & {(address, metal), (address, pair.second)} if pair is not None else ()
            if pair is not None and metal == pair.first and (address, pair.second) in self.cell_of and not linked:
                found.append((index, self.cell_of[address, pair.second], pair.correlation))
        return found

    def _constants(self) -> None:
        k = self.k
        square = {
            "h": k["grade.shared_kind_share"], "c": k["grade.richness_share"], "shared": k["recovery.shared_share"],
            "form": k["form.learned_share"],
        }  # fmt: skip
        for name, share in square.items():
            self.arrays[f"sqrt_{name}"], self.arrays[f"sqrt_1{name}"] = math.sqrt(share), math.sqrt(1 - share)
        lost = k["recovery.failed_share"]
        self.arrays |= {
            "tau_cut": k["grade.ln_tau_cut_sd"],
            "ln_tau_sd": k["grade.ln_tau_sd"],
            "trace_sd": k["grade.trace_log_sd"],
            "ln_ok": math.log1p(-lost),
            "ln_failed": math.log(max(lost, 1e-300)),
            "failed_centre": k["recovery.failed_centre"],
            "failed_sd": k["recovery.failed_sd"],
            "ln_a0": math.log(k["holdup.a"]),
            "ln_a_sd": math.log(k["holdup.a_gsd"]),
            "ln_a_batch": k["holdup.batch_log_sd"],
        }

    def _batches(self) -> None:
        list_carried(self)
        holdup, limits = [], []
        for item in self.items:
            if item.products:
                holdup.append(self.catalogue.forms[item.products[0].form].holdup_factor)
            else:
                usual = self.catalogue.routes[item.route].usual_form.get(item.metal)
                holdup.append(self.catalogue.forms[usual].holdup_factor if usual else 1.0)
            if item.role == "N" and item.nondetect is not None:
                limits.append(math.log(item.nondetect.below_g))
        rm, am = self.axis["rm"], self.axis["am"]
        counted = [n for n, item in enumerate(self.items) if item.role in "WO"]
        noisy = [n for n, item in enumerate(self.items) if item.tells_recovery]
        extra = [rough_extra(item, self) for item in self.items if item.role == "O"]
        self.arrays |= {
            "bm_rm": integers(rm[i.route, i.metal] if i.role != "X" else 0 for i in self.items),  # X: not used
            "bm_am": integers(am[i.metal] if i.role != "X" else 0 for i in self.items),
            "bm_ln_holdup": np.log(floats(holdup)),
            "extra_ref": floats(start for start, _ in extra),
            "extra_bounded": integers(top < math.inf for _, top in extra),
            "extra_ln_most": floats(top if top < math.inf else 0.0 for _, top in extra),
            "w_main": integers(self.product_rows[n][0] for n in counted if self.items[n].role == "W"),
            "limit_ln_p": floats(limits),
            "e_bm": integers(noisy),
            "e_sd": floats(self.e_sd(self.items[n]) for n in noisy),
        }
        self.e_index = {failed(self.items[n]): e for e, n in enumerate(noisy)}
        for key, e in self.e_index.items():
            self.copies += [("e_ok", e, (key,), (0,)), ("e_failed", e, (key,), (1,))]
        self.arrays |= {
            f"{name}_{what}": np.full(len(noisy), start)
            for name in ("e_ok", "e_failed") for what, start in (("pm", 0.0), ("ps", 1.0))
        }  # fmt: skip
        self.unknowns |= {
            "a": len(self.items),
            "e_ok": len(noisy),
            "e_failed": len(noisy),
            "ln_a": len(am),
            "extra": len(extra),
        }

    def e_sd(self, item: BatchMetal) -> float:
        """sd of the recovery noise of an ordinary run: the share of the row's variance that is not learned."""
        row = self.catalogue.routes[item.route].recovery[item.metal]
        return nw.logit_normal(row)[1] * math.sqrt(1 - self.k["recovery.learned_share"])

    def _parameters(self) -> None:
        axis = self.axis
        lm, km = axis["lm"], axis["km"]
        for cell in self.cells:
            km[cell.kind, cell.metal]
            pair = self.correlation(cell.kind, cell.metal)
            if pair is not None:
                km[cell.kind, pair.first]
                km[cell.kind, pair.second]
        mixed = self.k["grade.mixed_tau_factor"]
        self.arrays |= {
            "cell_km": integers(km[c.kind, c.metal] for c in self.cells),
            "cell_lm": integers(lm[c.lot, c.metal] for c in self.cells),
            "cell_mixed": floats(mixed if self.bench.fraction(c.address).mixed else 1.0 for c in self.cells),
        }
        keys = km.in_order()
        scales = [self.scale(kind, metal) for kind, metal in keys]
        partner, corr = [], []
        for n, (kind, metal) in enumerate(keys):
            pair = self.correlation(kind, metal)
            second = pair is not None and metal == pair.second
            partner.append(km[kind, pair.first] if pair is not None and second else n)
            corr.append(pair.correlation if pair is not None and second else 0.0)
        routes = axis["rm"].in_order()
        rows = [nw.logit_normal(self.catalogue.routes[route].recovery[metal]) for route, metal in routes]
        learned = math.sqrt(self.k["recovery.learned_share"])
        self.arrays |= {
            "km_mu0": floats(s.mu0 for s in scales), "km_sd_mu": floats(s.sd_mu for s in scales),
            "km_ln_tau0": floats(s.ln_tau0 for s in scales),
            "km_cm": integers(axis["cm"][self.catalogue.kinds[kind].cls, metal] for kind, metal in keys),
            "km_partner": integers(partner), "km_corr": floats(corr), "km_own": np.sqrt(1 - floats(corr) ** 2),
            "rm_centre": floats(c for c, _ in rows), "rm_sd": floats(s * learned for _, s in rows),
            "rm_metal": integers(axis["metal"][metal] for _, metal in routes),
            "pi_centre": floats(nw.logit(absence(self.catalogue, *key)) for key in axis["pi"].in_order()),
            "pi_sd": self.k["grade.logit_absent_sd"],
            "sw_pi": integers(axis["pi"][kind, metal] for _, _, kind, metal in axis["sw"].in_order()),
        }  # fmt: skip
        self.unknowns |= {
            "zeta": len(km), "beta": len(axis["cm"]), "ln_tau": len(km), "rho": len(lm), "pi": len(axis["pi"]),
            "r": len(axis["rm"]), "r_metal": len(axis["metal"]),
        }  # fmt: skip


def grade_scale(bench: Bench, catalogue: Catalogue, kind: str, metal: str) -> GradeScale:
    """The grade scale of a kind, with L = 1,000,000 g/t where the person insisted on an incredible result."""
    sure = (kind, metal) in bench.insisted or any(
        a.sure and a.metal == metal and bench.fraction(parts_of(a)[0][0]).kind == kind for a in bench.assays
    )
    row = catalogue.kinds[kind].grades[metal]
    return GradeScale.of(row, catalogue.constants["grade.max_g_per_t"] if sure else None)


def pieces_per_kg(bench: Bench, catalogue: Catalogue, address: str) -> float:
    """Dirichlet parameter per kg of a fraction's portions: pieces over the squared variation between them, n / CV^2."""
    fraction = bench.fraction(address)
    kind = catalogue.kinds[fraction.kind]
    piece_g = fraction.mass_kg * 1000 / fraction.pieces if fraction.pieces else kind.piece_mass_g
    cv = max(kind.piece_cv, catalogue.constants["portion.cv_mixed"]) if fraction.mixed else kind.piece_cv
    return 1000 / piece_g / cv**2


def absence(catalogue: Catalogue, kind: str, metal: str) -> float:
    """Absence probability of a row; given the first metal present where the second needs it."""
    row = catalogue.kinds[kind].grades[metal]
    pair = catalogue.kinds[kind].correlation
    if pair is None or not pair.second_needs_first or metal != pair.second:
        return row.p_absent
    first = catalogue.kinds[kind].grades[pair.first].p_absent
    return max((row.p_absent - first) / (1 - first), 0.01)
