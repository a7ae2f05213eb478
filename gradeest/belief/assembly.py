"""Builds the `Network` of a bench: registers the axes, lists portions, tables and choices."""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence

import numpy as np

from gradeest.belief import network as nw
from gradeest.belief.choices import ChoiceGraph, Factor, enumerate_configurations, pad_rows
from gradeest.belief.evidence import BatchMetal, dry_share, gather
from gradeest.belief.guess import rough_extra, rough_log_odds, rough_x
from gradeest.belief.network import AnchoredCell, Cell, GradeScale, Network, Register, failed, switch
from gradeest.materials.catalogue import Catalogue, MetalCorrelation
from gradeest.records.domain import Bench

BLOCKS = ("ok", "failed", "present", "absent", "cc_present", "cc_absent", "pair", "assay", "small", "limit")
BACKWARD = "WO"  # roles whose batches are read backwards
CERTAIN = 10.0  # rough log odds beyond which a choice is not summed over
NORMALS = (
    "zeta beta rho pi r_metal r ln_a a form purity moisture balance e_ok e_failed gone x0".split()
)  # standard normal a priori
FLAT = "ln_tau reading extra v beside split x1".split()  # their density is written out


def build_network(bench: Bench, catalogue: Catalogue) -> Network:
    """Arrays of the metal balance for everything the bench has evidence on."""
    return _Assembly(bench, catalogue).build()


class _Assembly:
    def __init__(self, bench: Bench, catalogue: Catalogue) -> None:
        self.bench, self.catalogue, self.k = bench, catalogue, catalogue.constants
        self.evidence = gather(bench, catalogue)
        self.items = self.evidence.batch_metals
        self.count = {role: sum(i.role == role for i in self.items) for role in "WONS"}
        self.backward = self.count["W"] + self.count["O"]
        self.arrays: dict[str, object] = {}
        self.unknowns: dict[str, int] = {}
        self.axis = {
            name: Register() for name in ("km", "cm", "lm", "rm", "am", "metal", "form", "balance", "pi", "sw")
        }
        self.graph = ChoiceGraph()
        self.factors: list[Factor] = []
        self.values: dict[tuple[int, str], dict[tuple[int, ...], int]] = {}  # (cell, portion) -> local values -> value
        self.wp: dict[tuple[str, int], int] = {}  # (batch, cell) -> weighed portion

    def build(self) -> Network:
        self._cells()
        self._choices()
        self._constants()
        self._products()
        self._batches()
        self._weighed_portions()
        self._anchored()
        self._free()
        self._parameters()
        rows = self._tables()
        layout, start = {}, 0
        for name in (*NORMALS, *FLAT):
            layout[name] = slice(start, start + self.unknowns[name])
            start += self.unknowns[name]
        normals = slice(0, layout[FLAT[0]].start)
        zero = sum(rows.values())
        configurations = enumerate_configurations(self.graph, self.factors, zero)
        self.arrays["cfg_terms"], self.arrays["group_cfgs"] = configurations.terms, configurations.of_group
        arrays = {
            name: np.asarray(a, dtype=np.int64 if np.asarray(a).dtype.kind in "iu" else np.float64)
            for name, a in self.arrays.items()
        }
        sizes = {
            **self.count,
            "reading": self.unknowns["reading"],
            "open_product": len(self.arrays["open_ln_y"]),  # type: ignore[arg-type]
            "backward": self.backward,
            "failed": len(self.e_index),
            "group": len(configurations.of_group),
            "small": rows["small"],
            "limit": rows["limit"],
        }
        return Network(
            arrays, layout, normals, start, sizes, self.k["holdup.full_from_g"], self.k["holdup.exponent"],
            self.evidence, tuple(self.cells), {name: tuple(a.keys()) for name, a in self.axis.items()},
            self.anchored, self.free_index, self.values, configurations, dict(self.graph.fixed),
            (*self.evidence.notes, *self.fixed_notes),
        )  # fmt: skip

    # -- cells and choices --------------------------------------------------------------------------------------

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
            self.cells.append(Cell(address, address.partition("/")[0], fraction.kind, metal, mass))
        self.scales = [self.scale(c.kind, c.metal) for c in self.cells]
        self.items_of: list[list[BatchMetal]] = [
            [i for i in self.items if i.metal == c.metal and c.address in i.portions] for c in self.cells
        ]
        self.weights_of = [[i for i in items if i.role in BACKWARD] for items in self.items_of]

    def alpha(self, cell: Cell, mass_kg: float) -> float:
        """Dirichlet parameter of a portion of a cell's fraction."""
        return min(max(mass_kg * pieces_per_kg(self.bench, self.catalogue, cell.address), 1e-2), 1e7)

    def rest_kg(self, cell: int) -> float:
        """Mass of a cell's fraction beside the portions that evidence speaks of (0 when hardly any)."""
        whole = self.cells[cell].dry_kg
        rest = whole - sum(i.portions[self.cells[cell].address] for i in self.items_of[cell])
        return rest if rest > 1e-6 * whole else 0.0

    def correlation(self, kind: str, metal: str) -> MetalCorrelation | None:
        """The kind's correlation when it concerns this metal."""
        found = self.catalogue.kinds[kind].correlation
        return found if found is not None and metal in (found.first, found.second) else None

    def _choices(self) -> None:
        for item in self.items:
            if item.role in "WOS":
                self.graph.add(failed(item), rough_log_odds(item, self, "failed"))
        self.parents: dict[Hashable, Hashable] = {}
        for cell in self.cells:
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
        for a, b, _ in self._pairs():
            both = [self.local(i, with_switch=True) for i in (a, b) if self.weights_of[i]]
            self.graph.connect([c for choices in both for c in choices])
        for item in self.items:
            if item.role in "NS":
                self.graph.connect(self._item_choices(item))
        self.graph.fix_certain(CERTAIN)
        newly = self.graph.fix_most_decided(int(self.k["switch.max_undecided"]))
        self.fixed_notes = tuple(self._say_fixed(key) for key in newly)

    def _say_fixed(self, key: Hashable) -> str:
        assert isinstance(key, tuple)
        side = self.graph.fixed[key]
        if key[0] == "failed":
            return (
                f"{key[1]}: taken as {'a failed' if side else 'an ordinary'} run for {key[2]} (too many open questions)"
            )
        return f"{key[1]}, {key[2]}: {key[3]} taken as {'traces only' if side else 'present'} (too many open questions)"

    def _add_switch(self, cell: Cell) -> None:
        key = switch(cell)
        if key not in self.graph.links:
            self.axis["sw"][key]
            self.axis["pi"][cell.kind, cell.metal]
        self.graph.add(key, rough_log_odds(cell, self, "trace"))

    def local(self, cell: int, with_switch: bool = False) -> tuple[Hashable, ...]:
        """Choices that decide a cell's grade: failed runs of its weighed batches, or its switch where it is free."""
        weighed = tuple(failed(i) for i in self.weights_of[cell])
        return weighed + ((switch(self.cells[cell]),) if with_switch or not weighed else ())

    def _item_choices(self, item: BatchMetal) -> tuple[Hashable, ...]:
        keys: dict[Hashable, None] = {failed(item): None} if item.role == "S" else {}
        for address in item.portions:
            keys.update(dict.fromkeys(self.local(self.cell_of[address, item.metal])))
        return tuple(keys)

    def _pairs(self) -> list[tuple[int, int, float]]:
        found = []
        for (address, metal), index in self.cell_of.items():
            pair = self.correlation(self.cells[index].kind, metal)
            if pair is not None and metal == pair.first and (address, pair.second) in self.cell_of:
                found.append((index, self.cell_of[address, pair.second], pair.correlation))
        return found

    # -- numbers ------------------------------------------------------------------------------------------------

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
            "balance_sd": k["balance.scale_sd"],
        }

    def _products(self) -> None:
        products = [p for item in self.items for p in item.products]
        weighed = [p for item in self.items if item.role == "W" for p in item.products]
        so_far = [p for item in self.items if item.role == "O" for p in item.products]
        forms = [self.catalogue.forms[p.form] for p in products]
        purity = [nw.logit_normal(form.purity) for form in forms]
        damp = Register()
        moisture = nw.logit_normal(self.catalogue.shares["moisture"])
        rows = [damp[i] if p.damp else -1 for i, p in enumerate(products)]
        handling = self.k["balance.unchecked_handling"]
        step = np.array([p.readability_g for p in weighed])
        spread = step * math.sqrt(handling**2 + 1 / 12)
        self.arrays |= {
            "pr_form": _int(self.axis["form"][form.id] for form in forms),
            "pr_centre": _float(c for c, _ in purity),
            "pr_sd": _float(s for _, s in purity),
            "pr_ln_factor": _float(math.log(form.factor) for form in forms),
            "pr_balance": _int(self.axis["balance"][p.balance] for p in products),
            "pr_damp": _int(len(damp) if row < 0 else row for row in rows),
            "moist_centre": moisture[0],
            "moist_sd": moisture[1],
            "read_y": _float(p.weight_g for p in weighed),
            "read_d": step,
            "read_t": step * handling,
            "read_sd": spread,
            "read_soft": spread * nw.LEAST_READING,
            "open_ln_y": _float(math.log(p.weight_g) if p.weight_g > 0 else -1e4 for p in so_far),
        }
        self.unknowns |= {
            "form": len(self.axis["form"]), "purity": len(products), "moisture": len(damp),
            "balance": len(self.axis["balance"]), "reading": len(weighed),
        }  # fmt: skip
        self.product_rows: dict[int, list[int]] = {}
        start = 0
        for n, item in enumerate(self.items):
            self.product_rows[n] = list(range(start, start + len(item.products)))
            start += len(item.products)
        self.n_products = start

    def _batches(self) -> None:
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
        noisy = [n for n, item in enumerate(self.items) if item.role in "WOS"]
        so_far = [item for item in self.items if item.role == "O"]
        last = self.unknowns["reading"] + sum(len(i.products) for i in self.items if i.role == "O")
        self.arrays |= {
            "bm_rm": _int(rm[i.route, i.metal] for i in self.items),
            "bm_am": _int(am[i.metal] for i in self.items),
            "bm_ln_holdup": np.log(_float(holdup)),
            "bm_products": pad_rows([self.product_rows[n] for n in counted], last),
            "extra_ref": _float(rough_extra(item, self) for item in so_far),
            "w_main": _int(self.product_rows[n][0] for n in counted if self.items[n].role == "W"),
            "limit_ln_p": _float(limits),
            "e_bm": _int(noisy),
            "e_sd": _float(self.e_sd(self.items[n]) for n in noisy),
        }
        self.e_index = {failed(self.items[n]): e for e, n in enumerate(noisy)}
        self.unknowns |= {
            "a": len(self.items),
            "e_ok": len(noisy),
            "e_failed": len(noisy),
            "ln_a": len(am),
            "extra": len(so_far),
        }

    def e_sd(self, item: BatchMetal) -> float:
        """sd of the recovery noise of an ordinary run: the share of the row's variance that is not learned."""
        row = self.catalogue.routes[item.route].recovery[item.metal]
        return nw.logit_normal(row)[1] * math.sqrt(1 - self.k["recovery.learned_share"])

    # -- portions -----------------------------------------------------------------------------------------------

    def _weighed_portions(self) -> None:
        bm, ratio, rows, ref, scale = [], [], [], [], []
        for n, item in enumerate(self.items[: self.backward]):
            members = [self.cell_of[address, item.metal] for address in item.portions]
            expected = [
                math.log(item.portions[self.cells[c].address]) + rough_ln_grade(self.scales[c]) for c in members
            ]
            rows.append(list(range(len(bm), len(bm) + len(members))))
            for j, cell in enumerate(members):
                self.wp[item.batch, cell] = len(bm)
                bm.append(n)
                ratio.append(0 if j == 0 else 1 + len(ref))
                if j:
                    ref.append(expected[j] - expected[0])
                    scale.append(min(math.hypot(self.scales[cell].sd, self.scales[members[0]].sd), 1.5))
        self.arrays |= {
            "wp_bm": _int(bm), "wp_ratio": _int(ratio), "w_portions": pad_rows(rows, len(bm)),
            "v_ref": _float(ref), "v_scale": _float(scale),
        }  # fmt: skip
        self.unknowns["v"] = len(ref)

    def _anchored(self) -> None:
        count = len(self.wp)
        anchor: list[int] = []
        ln_ratio: list[float] = []
        which: list[int] = []
        spread: list[float] = []
        portions: list[list[int]] = []
        alphas: list[list[float]] = []
        owner: list[int] = []
        self.anchored: dict[int, AnchoredCell] = {}
        for c, cell in enumerate(self.cells):
            weights = self.weights_of[c]
            if not weights:
                continue
            first = weights[0]
            first_kg = first.portions[cell.address]
            others = [(i.batch, i.portions[cell.address]) for i in self.items_of[c] if i.role not in BACKWARD]
            if self.rest_kg(c):
                others.append(("rest", self.rest_kg(c)))
            start = len(spread)
            spread += [
                min(math.sqrt(1 / self.alpha(cell, kg) + 1 / self.alpha(cell, first_kg)), 1.0) for _, kg in others
            ]
            rows: dict[tuple[int, ...], int] = {}
            for side in self.graph.values(self.local(c)):
                weighed = [self.wp[i.batch, c] + f * count for i, f in zip(weights, side, strict=True)]
                beside = []
                for j, (name, kg) in enumerate(others):
                    beside.append(2 * count + len(anchor))
                    self.values.setdefault((c, name), {})[side] = beside[-1]
                    anchor.append(weighed[0])
                    ln_ratio.append(math.log(kg / first_kg))
                    which.append(start + j)
                for i, value in zip(weights, weighed, strict=True):
                    self.values.setdefault((c, i.batch), {})[side] = value
                rows[side] = len(portions)
                portions.append(weighed + beside)
                masses = [i.portions[cell.address] for i in weights] + [kg for _, kg in others]
                alphas.append([self.alpha(cell, kg) for kg in masses] if len(masses) > 1 else [0.0])
                owner.append(c)
            self.anchored[c] = AnchoredCell(self.local(c), rows)
        self.cc_portions, self.cc_alphas, self.cc_owner = portions, alphas, owner
        self.free_base = 2 * count + len(anchor)
        scales = [self.scales[c] for c in owner]
        self.arrays |= {
            "an_anchor": _int(anchor), "an_ln_ratio": _float(ln_ratio), "an_beside": _int(which),
            "beside_scale": _float(spread), "cc_cell": _int(owner),
            "cc_ln_mass": _float(math.log(self.cells[c].dry_kg) for c in owner),
            "cc_ln_l": _float(math.log(s.limit) for s in scales),
            "cc_trace": _float(self.trace_x(c) for c in owner),
        }  # fmt: skip
        self.unknowns["beside"] = len(spread)

    def trace_x(self, cell: int) -> float:
        """logit(t / L) of a cell's trace side."""
        return nw.logit(self.k[f"grade.trace_g_per_t.{self.cells[cell].metal}"] / self.scales[cell].limit)

    def _free(self) -> None:
        free = [c for c in range(len(self.cells)) if not self.weights_of[c]]
        self.free_index = {c: f for f, c in enumerate(free)}
        owner, ln_mass, split, alphas, spread, rows = [], [], [], [], [], []
        names: list[tuple[int, str]] = []
        for f, c in enumerate(free):
            cell = self.cells[c]
            parts = [(i.batch, i.portions[cell.address]) for i in self.items_of[c]]
            if parts and self.rest_kg(c):
                parts.append(("rest", self.rest_kg(c)))
            rows.append(list(range(len(owner), len(owner) + len(parts))))
            first = self.alpha(cell, parts[0][1]) if parts else 1.0
            for j, (name, kg) in enumerate(parts):
                names.append((c, name))
                owner.append(f)
                ln_mass.append(math.log(kg))
                alphas.append(self.alpha(cell, kg) if len(parts) > 1 else 0.0)
                split.append(0 if j == 0 else 1 + len(spread))
                if j:
                    spread.append(min(math.sqrt(1 / first + 1 / self.alpha(cell, kg)), 1.0))
        for n, (c, name) in enumerate(names):
            allowed = self.graph.values(self.local(c))
            self.values[c, name] = {side: self.free_base + n + side[0] * len(names) for side in allowed}
        self.no_value = self.free_base + 2 * len(names)
        guesses = [rough_x(c, self) for c in free]
        self.arrays |= {
            "fp_free": _int(owner), "fp_ln_mass": _float(ln_mass), "fp_split": _int(split), "fp_alpha": _float(alphas),
            "split_scale": _float(spread), "free_portions": pad_rows(rows, len(owner)),
            "free_cell": _int(free), "free_ln_l": _float(math.log(self.scales[c].limit) for c in free),
            "free_ln_mass": _float(math.log(self.cells[c].dry_kg) for c in free),
            "free_trace": _float(self.trace_x(c) for c in free),
            "x1_ref": _float(x for x, _ in guesses), "x1_scale": _float(s for _, s in guesses),
            "cc_portions": pad_rows(self.cc_portions, self.no_value),
            "cc_alpha": _pad_float(self.cc_alphas),
            "cc_best": _float(_ln_dirichlet_top(row) for row in self.cc_alphas),
            "fp_best": sum(_ln_dirichlet_top([alphas[i] for i in row]) for row in rows),
        }  # fmt: skip
        self.unknowns |= {"split": len(spread), "x1": len(free), "x0": len(free)}

    # -- parameters ---------------------------------------------------------------------------------------------

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
            "cell_km": _int(km[c.kind, c.metal] for c in self.cells),
            "cell_lm": _int(lm[c.lot, c.metal] for c in self.cells),
            "cell_mixed": _float(mixed if self.bench.fraction(c.address).mixed else 1.0 for c in self.cells),
        }
        keys = km.keys()
        scales = [self.scale(kind, metal) for kind, metal in keys]
        partner, corr = [], []
        for n, (kind, metal) in enumerate(keys):
            pair = self.correlation(kind, metal)
            second = pair is not None and metal == pair.second
            partner.append(km[kind, pair.first] if pair is not None and second else n)
            corr.append(pair.correlation if pair is not None and second else 0.0)
        routes = axis["rm"].keys()
        rows = [nw.logit_normal(self.catalogue.routes[route].recovery[metal]) for route, metal in routes]
        learned = math.sqrt(self.k["recovery.learned_share"])
        self.arrays |= {
            "km_mu0": _float(s.mu0 for s in scales), "km_sd_mu": _float(s.sd_mu for s in scales),
            "km_ln_tau0": _float(s.ln_tau0 for s in scales),
            "km_cm": _int(axis["cm"][self.catalogue.kinds[kind].cls, metal] for kind, metal in keys),
            "km_partner": _int(partner), "km_corr": _float(corr), "km_own": np.sqrt(1 - _float(corr) ** 2),
            "rm_centre": _float(c for c, _ in rows), "rm_sd": _float(s * learned for _, s in rows),
            "rm_metal": _int(axis["metal"][metal] for _, metal in routes),
            "pi_centre": _float(nw.logit(absence(self.catalogue, kind, metal)) for kind, metal in axis["pi"].keys()),
            "pi_sd": self.k["grade.logit_absent_sd"],
            "sw_pi": _int(axis["pi"][kind, metal] for _, _, kind, metal in axis["sw"].keys()),
        }  # fmt: skip
        self.unknowns |= {
            "zeta": len(km), "beta": len(axis["cm"]), "ln_tau": len(km), "rho": len(lm), "pi": len(axis["pi"]),
            "r": len(axis["rm"]), "r_metal": len(axis["metal"]),
        }  # fmt: skip

    # -- tables -------------------------------------------------------------------------------------------------

    def _tables(self) -> dict[str, int]:
        """Entries of every factor; returns the size of each block of terms."""
        cc, free = len(self.cc_owner), len(self.free_index)
        rows = dict.fromkeys(BLOCKS, 0)
        rows |= {"ok": len(self.e_index), "failed": len(self.e_index), "cc_present": cc, "cc_absent": cc}
        rows |= {"present": len(self.axis["sw"]), "absent": len(self.axis["sw"])}
        pending: list[tuple[tuple[Hashable, ...], dict[tuple[int, ...], tuple[str, int]]]] = []
        for key, e in self.e_index.items():
            pending.append(((key,), {(0,): ("ok", e), (1,): ("failed", e)}))
        for n, key in enumerate(self.axis["sw"].keys()):
            parent = self.parents.get(key)
            if parent is None:
                pending.append(((key,), {(0,): ("present", n), (1,): ("absent", n)}))
            else:
                table = {(0, 0): ("present", n), (0, 1): ("absent", n), (1, 1): ("zero", 0)}
                pending.append(((parent, key), table))
        for c, anchored in self.anchored.items():
            table = {}
            for side, row in anchored.rows.items():
                table |= {(*side, 0): ("cc_present", row), (*side, 1): ("cc_absent", row)}
            pending.append((self.local(c, with_switch=True), table))
        self._pair_tables(rows, pending, cc)
        self._assay_tables(rows, pending, cc, free)
        self._batch_tables(rows, pending)
        start = dict(zip(BLOCKS, np.cumsum([0, *(rows[b] for b in BLOCKS[:-1])]), strict=True))
        start["zero"] = sum(rows.values())
        for choices, table in pending:
            entries = {side: int(start[block]) + row for side, (block, row) in table.items()}
            self.factors.append(Factor(choices, entries))
        return rows

    def _pair_tables(self, rows: dict[str, int], pending: list, cc: int) -> None:  # type: ignore[type-arg]
        both_free, a_rows, b_rows, corr = [], [], [], []
        for a, b, c in self._pairs():
            if not self.weights_of[a] and not self.weights_of[b]:
                both_free.append((self.free_index[a], self.free_index[b], c))
                continue
            table: dict[tuple[int, ...], tuple[str, int]] = {}
            choices = tuple(k for i in (a, b) if self.weights_of[i] for k in self.local(i, with_switch=True))
            sides = [
                [((*side, s), row if s == 0 else None) for side, row in self.anchored[i].rows.items() for s in (0, 1)]
                if self.weights_of[i]
                else [((), cc + self.free_index[i])]
                for i in (a, b)
            ]
            for left, row_a in sides[0]:
                for right, row_b in sides[1]:
                    if row_a is None or row_b is None:
                        table[(*left, *right)] = ("zero", 0)
                    else:
                        table[(*left, *right)] = ("pair", len(a_rows))
                        a_rows.append(row_a)
                        b_rows.append(row_b)
                        corr.append(c)
            pending.append((choices, table))
        rows["pair"] = len(a_rows)
        self.arrays |= {
            "pair_a": _int(a_rows), "pair_b": _int(b_rows), "pair_corr": _float(corr),
            "ff_a": _int(a for a, _, _ in both_free), "ff_b": _int(b for _, b, _ in both_free),
            "ff_corr": _float(c for _, _, c in both_free),
        }  # fmt: skip

    def _assay_tables(self, rows: dict[str, int], pending: list, cc: int, free: int) -> None:  # type: ignore[type-arg]
        grade, value, spread, censored = [], [], [], []
        for assay in self.evidence.assays:
            c = self.cell_of[assay.address, assay.metal]
            if self.weights_of[c]:
                where = self.anchored[c].rows
            else:
                where = {s: cc + self.free_index[c] + s[0] * free for s in self.graph.values(self.local(c))}
            table = {}
            for side, row in where.items():
                table[side] = ("assay", len(grade))
                grade.append(row)
                value.append(math.log(assay.value_g_per_t))
                spread.append(assay.u_rel)
                censored.append(int(assay.below_detection))
            pending.append((self.local(c), table))
        rows["assay"] = len(grade)
        self.arrays |= {
            "as_grade": _int(grade), "as_ln_value": _float(value), "as_sd": _float(spread),
            "as_censored": _int(censored),
        }  # fmt: skip

    def _batch_tables(self, rows: dict[str, int], pending: list) -> None:  # type: ignore[type-arg]
        small: dict[str, list] = {name: [] for name in ("portions", "bm", "e", "y", "d", "t", "products", "ln_share")}
        limit: dict[str, list] = {name: [] for name in ("portions", "bm", "gone", "sd")}
        n_e, gone = len(self.e_index), 0
        for n, item in enumerate(self.items):
            if item.role in BACKWARD:
                continue
            choices, table = self._item_choices(item), {}
            for side in self.graph.values(choices):
                chosen = dict(zip(choices, side, strict=True))
                portions = []
                for address in item.portions:
                    c = self.cell_of[address, item.metal]
                    portions.append(self.values[c, item.batch][tuple(chosen[k] for k in self.local(c))])
                if item.role == "S":
                    table[side] = ("small", len(small["bm"]))
                    self._small_row(small, n, item, portions, self.e_index[failed(item)] + chosen[failed(item)] * n_e)
                else:
                    table[side] = ("limit", len(limit["bm"]))
                    is_gone = item.nondetect is not None and item.nondetect.liquid == "gone"
                    limit["portions"].append(portions)
                    limit["bm"].append(n)
                    limit["gone"].append(gone if is_gone else -1)
                    limit["sd"].append(self.e_sd(item))
            gone += item.nondetect is not None and item.nondetect.liquid == "gone"
            pending.append((choices, table))
        rows["small"], rows["limit"] = len(small["bm"]), len(limit["bm"])
        self.arrays |= {
            "sm_portions": pad_rows(small["portions"], self.no_value), "sm_bm": _int(small["bm"]),
            "sm_e": _int(small["e"]), "sm_y": _float(small["y"]), "sm_d": _float(small["d"]),
            "sm_t": _float(small["t"]), "sm_products": pad_rows(small["products"], self.n_products),
            "sm_ln_share": _pad_float(small["ln_share"]),
            "li_portions": pad_rows(limit["portions"], self.no_value), "li_bm": _int(limit["bm"]),
            "li_gone": _int(gone if g < 0 else g for g in limit["gone"]), "li_sd": _float(limit["sd"]),
        }  # fmt: skip
        self.unknowns["gone"] = gone

    def _small_row(self, small: dict[str, list], n: int, item: BatchMetal, portions: list[int], e: int) -> None:
        weights = [p.weight_g for p in item.products]
        total = sum(weights)
        step = math.sqrt(sum(p.readability_g**2 for p in item.products))
        small["portions"].append(portions)
        small["bm"].append(n)
        small["e"].append(e)
        small["y"].append(total)
        small["d"].append(step)  # several small weighings act as one, their roundings added in quadrature
        small["t"].append(step * self.k["balance.unchecked_handling"])
        small["products"].append(self.product_rows[n])
        small["ln_share"].append(
            [math.log(w / total) if w > 0 else -1e4 for w in weights]
            if total > 0
            else [-math.log(len(weights))] * len(weights)
        )


def grade_scale(bench: Bench, catalogue: Catalogue, kind: str, metal: str) -> GradeScale:
    """The grade scale of a kind, with L = 1,000,000 g/t where the person insisted on an incredible result."""
    sure = any(
        p.sure and p.metal == metal and any(bench.fraction(c.address).kind == kind for c in b.charges)
        for b in bench.batches.values()
        for p in b.products
    ) or any(a.sure and a.metal == metal and bench.fraction(a.address).kind == kind for a in bench.assays)
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


def rough_ln_grade(scale: GradeScale) -> float:
    """ln of the row's median grade, g/t."""
    return math.log(scale.limit) - math.log1p(math.exp(-scale.mu0))


def _ln_dirichlet_top(alphas: Sequence[float]) -> float:
    """sum a ln(a / sum a): the largest value of the portions' term, taken off so that numbers stay small."""
    total = sum(alphas)
    return sum(a * math.log(a / total) for a in alphas if a > 0)


def _int(values) -> np.ndarray:  # type: ignore[no-untyped-def, type-arg]
    return np.array(list(values), dtype=np.int64)


def _float(values) -> np.ndarray:  # type: ignore[no-untyped-def, type-arg]
    return np.array(list(values), dtype=np.float64)


def _pad_float(rows: Sequence[Sequence[float]]) -> np.ndarray:  # type: ignore[type-arg]
    width = max((len(row) for row in rows), default=1) or 1
    out = np.zeros((len(rows), width))
    for i, row in enumerate(rows):
        out[i, : len(row)] = row
    return out
