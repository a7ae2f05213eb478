"""The log density of a bench: the metal balance read backwards, undecided choices summed out.

One text for both engines: `evaluate` is written in the operations of `ops.Ops`. Unknowns are one vector theta whose
parts `Network.layout` names. For a weighed batch the unknowns are the true reading v, the purity f and the recovery
noise e; they give

    P = v f / (1 + h),   M = inverse hold-up of P,   R = expit(r + e),   A = M / R,

and from A the metal of every portion and with it the grades, whose prior enters as

    p(y | v) p(e) p(f) p(x) (dx / d ln grade) (d ln M / d ln P) (d ln P / dv).

Two kinds of choice are summed over jointly within each connected group: whether a metal of a kind in a lot is present
or only a trace, and whether a batch failed for a metal.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gradeest.belief.ashes import ash_terms
from gradeest.belief.caps import bend, cap_terms
from gradeest.belief.carried import carried_metal
from gradeest.belief.fineness import fineness_terms, purities, settled_purities
from gradeest.belief.held import hold, run_on
from gradeest.belief.holdup import hold_up, solve_holdup
from gradeest.belief.network import Network
from gradeest.belief.ops import NOTHING, NUMPY, Array, Ops, log_rounded
from gradeest.belief.rerefining import purities_again, refine_again, weights_again
from gradeest.belief.room import room_for_noise
from gradeest.belief.spots import spot_terms

LN_1000 = math.log(1000.0)
NEVER = -1e30  # log weight of a padded configuration
CUT_SLOPE = 0.65  # of the unknown behind a cut normal: makes it nearly standard normal itself
LEAST_WEIGHT = 1e-9  # g, of a weight between zero and something
MOST_LN_SHARE = 8.0  # of one member in a pooled batch: only where trajectories stray
ROOM_STEEP = 5.0  # of what may still come of an open batch: kept above zero
LEAST_REST = 0.03  # of a pooled batch's metal, expected of the members of which no other batch tells


@dataclass(frozen=True)
class State:
    """Everything the density computes on its way; arrays end in the axis named."""

    log_density: Array
    configurations: Array  # log weight of every joint choice, (configuration,)
    values: Array  # ln metal [g] of every portion under its local choices, (value,)
    anchored_ln_grade: Array  # ln grade [g/t] of cells that follow from weights, by local choice, (cc,)
    anchored_z: Array  # standardised x under "present", (cc,)
    free_ln_grade: Array  # (2 x free cell): present side, then trace side
    free_z: Array  # standardised x1 of free cells
    mu: Array  # (kind-metal,)
    tau: Array  # (kind-metal,)
    logit_absent: Array  # (switch parameter,)
    recovery_logit: Array  # r, (route-metal,)
    ln_a: Array  # (hold-up metal,)
    ln_m: Array  # ln metal before hold-up [g] of batches read backwards (W), from weights so far (O), limits (N)
    ln_yield: Array  # ln(metal / reading), (product,)
    ln_p: Array  # ln metal in the products, same axis as ln_m
    ln_in_work: Array  # ln A of weighed batches: ordinary side, then failed side, (2 x W,)
    ln_in_product: Array  # ln of the fine metal [g] in each product, (product,)
    again_logit: Array  # logit of the recovery of batches of products (R), (R,)
    again_reached: Array  # ln P / M of them, (R,)
    ln_odds: Array  # of streams set aside, behind the zero of what is kept
    noise: Array  # recovery noise e of runs whose own recovery is an unknown: ordinary side, then failed side


def log_recovery_cdf(logit: Array, spread: Array, x: Mapping[str, Any], ops: Ops = NUMPY) -> Array:
    """ln F_e(logit), e a mixture of an ordinary and a failed run."""
    ordinary = x["ln_ok"] + ops.log_ndtr(logit / spread)
    failed = x["ln_failed"] + ops.log_ndtr((logit - x["failed_centre"]) / x["failed_sd"])
    top = ops.maximum(ordinary, failed)
    return top + ops.log(ops.exp(ordinary - top) + ops.exp(failed - top))


def log_density(theta: NDArray[np.float64], network: Network) -> NDArray[np.float64]:
    """Log density (up to a constant) at `theta` of shape (..., unknown)."""
    return evaluate(theta, network, network.arrays, NUMPY).log_density


def evaluate(theta: Array, network: Network, x: Mapping[str, Any], ops: Ops) -> State:
    """Evaluate the density at `theta` with the arrays `x` (those of the network, or tensors of the same names)."""
    return _Evaluation(theta, network, x, ops).run()


class _Evaluation:
    """One pass through the balance; steps in the order of the module's docstring."""

    def __init__(self, theta: Array, network: Network, x: Mapping[str, Any], ops: Ops) -> None:
        self.theta, self.net, self.x, self.ops = theta, network, x, ops
        self.n = network.sizes
        self.full_from_g, self.exponent = network.full_from_g, network.exponent

    def unknown(self, name: str) -> Array:
        return self.ops.part(self.theta, self.net.layout[name])

    def pad(self, values: Array, value: float) -> Array:
        return self.ops.concat([values, self.ops.full(self.theta, 1, value)])

    def run(self) -> State:
        ops, x = self.ops, self.x
        normals = ops.part(self.theta, self.net.normals)
        self.total = -0.5 * ops.sum(normals * normals)
        self._parameters()
        self._products()
        self._batches()
        self._portions()
        self._anchored()
        self._free_priors()
        terms = ops.concat([*self._terms(), ops.full(self.theta, 1, 0.0)])
        configurations = ops.take_sum(terms, x["cfg_terms"])
        if self.n["group"]:
            per_group = ops.take(self.pad(configurations, NEVER), x["group_cfgs"])
            self.total = self.total + ops.sum(ops.logsumexp(per_group))
        return State(
            self.total, configurations, self.values, self.cc_ln_grade, self.cc_z, self.free_ln_grade, self.free_z,
            self.mu, self.tau, self.logit_absent, self.r, self.ln_a_metal, self.ln_m, self.ln_yield, self.ln_p,
            ops.concat(self.ln_in_work), self.every_product, self.again_logit, self.again_reached, self.ln_odds,
            self.noise,
        )  # fmt: skip

    def _parameters(self) -> None:
        """Class, kind, lot, route and hold-up parameters from their standard normals."""
        ops, x = self.ops, self.x
        zeta = self.unknown("zeta")
        zeta = zeta * x["km_own"] + ops.take(zeta, x["km_partner"]) * x["km_corr"]
        beta = ops.take(self.unknown("beta"), x["km_cm"])
        self.mu = x["km_mu0"] + x["km_sd_mu"] * (x["sqrt_h"] * beta + x["sqrt_1h"] * zeta)
        raw = self.unknown("ln_tau")
        cut = x["tau_cut"] * (2 * ops.exp(ops.log_ndtr(CUT_SLOPE * raw)) - 1)  # normal, cut: close to raw itself
        self.total = self.total + ops.sum(-0.5 * cut * cut - (0.5 * CUT_SLOPE**2) * raw * raw)
        self.tau = ops.exp(x["km_ln_tau0"] + x["ln_tau_sd"] * cut)
        tau = ops.take(self.tau, x["cell_km"]) * x["cell_mixed"]
        rho = ops.take(self.unknown("rho"), x["cell_lm"])
        self.loc = ops.take(self.mu, x["cell_km"]) + x["sqrt_c"] * tau * rho
        self.scale = x["sqrt_1c"] * tau
        self.logit_absent = x["pi_centre"] + x["pi_sd"] * self.unknown("pi")
        common = ops.take(self.unknown("r_metal"), x["rm_metal"])
        self.r = x["rm_centre"] + x["rm_sd"] * (x["sqrt_shared"] * common + x["sqrt_1shared"] * self.unknown("r"))
        self.ln_a_metal = x["ln_a0"] + x["ln_a_sd"] * self.unknown("ln_a")
        self.r_batch = ops.take(self.r, x["bm_rm"])
        self.ln_a = ops.take(self.ln_a_metal, x["bm_am"]) + x["bm_ln_holdup"] + x["ln_a_batch"] * self.unknown("a")

    def _products(self) -> None:
        """Readings and what share of each is metal."""
        ops, x = self.ops, self.x
        form = ops.take(self.unknown("form"), x["pr_form"])
        purity = x["pr_centre"] + x["pr_sd"] * purities(self, form)
        dry = -ops.softplus(x["moist_centre"] + x["moist_sd"] * self.unknown("moisture"))
        dry = ops.take(self.pad(dry, 0.0), x["pr_damp"])
        scale = ops.log(1 + x["balance_centre"] + x["balance_sd"] * self.unknown("balance"))
        dry = dry - ops.take(scale, x["pr_balance"])
        self._readings()
        self.counted = self.n["reading"] + self.n["open_product"]
        so_far = x["open_ln_y"] + ops.full(self.theta, self.n["open_product"], 0.0)
        coarse = x["coarse_ln_y"] + ops.full(self.theta, self.n["coarse"], 0.0)
        again, ln_step = weights_again(self)
        ln_weight = ops.concat([ops.log(self.v), so_far, again, coarse])
        if self.n["settled"]:
            purity = settled_purities(self, purity, form, ln_weight + x["pr_ln_factor"] + dry)
        self.again_logit = self.again_reached = self.again_in_work = ops.full(self.theta, 0, 0.0)
        if self.n["R"]:
            purity = purities_again(self, purity, form, ln_weight + x["pr_ln_factor"] + dry)
        self.ln_share = x["pr_ln_factor"] - ops.softplus(-purity)
        self.ln_yield = self.ln_share + dry
        self.every_product = ln_weight + self.ln_yield
        if self.n["R"]:
            self.every_product = refine_again(self, again, ln_step)
        self.in_product = ops.part(self.every_product, slice(0, self.counted))
        in_products = ops.concat([self.in_product, carried_metal(self)])
        self.ln_in_products = ops.logsumexp(ops.take(self.pad(in_products, NOTHING), x["bm_products"]))
        if self.n["said"]:
            self.total = self.total + fineness_terms(self, self.pad(self.every_product, NOTHING))
        if self.n["O"]:
            self._still_to_come()

    def _still_to_come(self) -> None:
        """The final product of an open batch: anything above what was weighed so far, ln P = ln so far + more.

        Of fractions alone, which hold at most L, it is a share of what that leaves room for, more = b sigmoid(unknown),
        b = ln(most the charge holds x R / so far), R of the run's better side: what is nearly all metal would stand
        against a wall otherwise. Of streams more = softplus(unknown).
        """
        ops, x, n = self.ops, self.x, self.n
        raw = x["extra_ref"] + self.unknown("extra")
        more, slope = ops.softplus(raw), -ops.softplus(-raw)
        if n["bounded"]:
            ours = slice(n["W"], n["backward"])
            ordinary, failed = (ops.part(self.unknown(name), ours) for name in ("e_ok", "e_failed"))
            e = ops.maximum(ops.part(x["e_sd"], ours) * ordinary, x["failed_centre"] + x["failed_sd"] * failed)
            most = x["extra_ln_most"] - ops.softplus(-ops.part(self.r_batch, ours) - e)
            room = ops.softplus(ROOM_STEEP * (most - ops.part(self.ln_in_products, ours))) / ROOM_STEEP
            is_bounded = x["extra_bounded"] > 0
            more = ops.where(is_bounded, room * ops.sigmoid(raw), more)
            slope = ops.where(is_bounded, ops.log(room) + slope - ops.softplus(raw), slope)
        self.total = self.total + ops.sum(slope)
        self.ln_in_products = self.ln_in_products + ops.concat([ops.full(self.theta, n["W"], 0.0), more])

    def _readings(self) -> None:
        """True weights v from their unknowns, and what the readings say of them."""
        ops, x, unknown = self.ops, self.x, self.unknown("reading")
        soft = x["read_soft"]  # linear well above zero, positive below
        raw = (x["read_y"] + x["read_sd"] * unknown) / soft
        self.v = soft * ops.softplus(raw)
        said = log_rounded(x["read_y"], x["read_d"], x["read_t"], self.v, ops) - ops.softplus(-raw)
        if self.n["flat_reading"]:  # anything between two ends: v = low + width Phi(unknown)
            flat = x["read_flat"] > 0
            between = x["read_y"] + x["read_d"] * (ops.exp(ops.log_ndtr(unknown)) - 0.5)
            self.v = ops.where(flat, ops.maximum(between, LEAST_WEIGHT), self.v)
            said = ops.where(flat, -0.5 * unknown * unknown, said)
        self.total = self.total + ops.sum(said)

    def _batches(self) -> None:
        """Metal before hold-up and, for weighed batches, the metal in work under both sides of "failed"."""
        ops, x, n = self.ops, self.x, self.n
        limits = x["limit_ln_p"] + ops.full(self.theta, n["N"], 0.0)
        self.ln_p = ops.concat([self.ln_in_products, limits])
        inverted = n["backward"] + n["N"]
        ln_a = ops.part(self.ln_a, slice(0, inverted))
        self.ln_m = solve_holdup(self.ln_p, ln_a, self.full_from_g, self.exponent, ops)
        weighed = slice(0, n["backward"])
        ln_p, ln_m, ln_a = ops.part(self.ln_p, weighed), ops.part(self.ln_m, weighed), ops.part(ln_a, weighed)
        hang = ops.log(1 + self.exponent * ops.sigmoid(ln_a - self.exponent * ln_m))
        jacobian = ops.where(ln_p < math.log(self.full_from_g), -hang, 0.0 * hang)
        main = ops.take(self.ln_yield, x["w_main"])
        self.total = self.total + ops.sum(jacobian) + ops.sum(main - ops.part(ln_p, slice(0, n["W"])))
        raw = [x["e_sd"] * self.unknown("e_ok"), x["failed_centre"] + x["failed_sd"] * self.unknown("e_failed")]
        e, self.noise_terms = room_for_noise(self, raw)
        self.noise = ops.concat(e)
        r = ops.take(self.r_batch, x["e_bm"])
        self.recovery_logit = [r + side for side in e]
        self.ln_recovery = [-ops.softplus(-logit) for logit in self.recovery_logit]
        self.ln_in_work = [ln_m - ops.part(side, weighed) for side in self.ln_recovery]
        self.ln_rest = [ln_m - ops.part(logit, weighed) for logit in self.recovery_logit]  # (1 - R) A = M (1 - R) / R
        self._outflows()

    def _outflows(self) -> None:
        """ln of what spills left, and of what stays in work, of the metal that went into every batch (outflows.py)."""
        ops, x = self.ops, self.x
        z = self.unknown("aside")
        self.ln_left = self.ln_kept = None
        self.spill = ops.full(self.theta, 1, 0.0)  # ln of the share of what was in work that each loss took
        if self.n["outflow"]:
            logit = x["loss_centre"] + x["loss_sd"] * self.unknown("loss")
            left = -ops.softplus(logit)
            spilled = ops.take_sum(self.pad(left, 0.0), x["loss_before"]) - ops.softplus(-logit)
            self.spill = ops.concat([self.spill, spilled])
            self.ln_left = ops.take_sum(self.pad(left, 0.0), x["bm_losses"])
        if self.n["bent"]:
            z = bend(self, z)
        odds = x["aside_centre"] + x["aside_sd"] * z
        self.ln_odds = ops.concat([ops.full(self.theta, 1, 0.0), odds, ops.full(self.theta, 1, NOTHING)])
        if self.n["outflow"]:
            self.ln_kept = self.ln_left - ops.logsumexp(ops.take(self.ln_odds, x["bm_aside"]))

    def _before(self, share: Array | None) -> Array:
        """ln metal of weighed batches on both sides, before the outflow that left this share (ln) of it."""
        work = self.ops.concat(self.ln_in_work)
        if share is None:
            return work
        weighed = self.ops.part(share, slice(0, self.n["backward"]))
        return work - self.ops.concat([weighed, weighed])

    def _portions(self) -> None:
        """ln metal of every portion: of weighed batches, beside them, and of cells that no weight fixes."""
        ops, x = self.ops, self.x
        whole = ops.take(self._before(self.ln_kept), x["wp_side"])  # all that went in
        log_ratio = ops.concat([ops.full(self.theta, 1, 0.0), x["v_scale"] * self.unknown("v")])
        work = whole
        weighed = self._split(work, x["wp_base"] + ops.take(log_ratio, x["wp_ratio"]))
        for _ in range(self.n["level"]):  # each pass is right for one level of batches more
            if self.n["told_stream"]:  # and what later weights say was set aside
                back = ops.logsumexp(ops.take(self.pad(weighed, NOTHING), x["wp_back"]) + x["wp_ln_whole"])
                work = whole + ops.softplus(back - whole)
            weighed = self._split(work, self._split_base(work, weighed) + ops.take(log_ratio, x["wp_ratio"]))
        self._held(weighed)
        beside = ops.take(x["beside_scale"] * self.unknown("beside"), x["an_beside"])
        beside = ops.take(weighed, x["an_anchor"]) + x["an_ln_ratio"] + beside
        split = ops.concat([ops.full(self.theta, 1, 0.0), x["split_scale"] * self.unknown("split")])
        parts = x["fp_ln_mass"] + ops.take(split, x["fp_split"])
        whole = ops.logsumexp(ops.take(self.pad(parts, NOTHING), x["free_portions"]))
        share = parts - ops.take(whole, x["fp_free"])
        self.total = self.total + ops.sum(x["fp_alpha"] * share) - x["fp_best"]
        self.x1 = x["x1_ref"] + x["x1_scale"] * self.unknown("x1")
        x0 = x["free_trace"] + x["trace_sd"] * self.unknown("x0")
        sides = [x["free_ln_l"] - ops.softplus(-side) for side in (self.x1, x0)]
        self.free_ln_grade = ops.concat(sides)
        free = [ops.take(side + x["free_ln_mass"] - LN_1000, x["fp_free"]) + share for side in sides]
        self.values = self._with_streams(ops.concat([weighed, beside, *free]))
        self.padded_values = self.pad(self.values, NOTHING)

    def _held(self, weighed: Array) -> None:
        """What batches held back of which streams went on, and the weights of places that streams tell (held.py)."""
        ops, x, n = self.ops, self.x, self.n
        self.kept = self.placed = self.kept_terms = self.place_terms = ops.full(self.theta, 0, 0.0)
        self.ln_unspilled = self._before(self.ln_left)  # what was not set aside
        if n["kept"]:
            bases = [self.ln_unspilled, *self.ln_rest]
            self.kept, self.kept_terms = hold(self, "kept", bases, self.ln_odds, weighed)
        self.place_weights = x["rest_ln_share"] + x["rest_sd"] * self.unknown("liquid")
        self.all_places = self.place_weights
        if n["place"]:
            odds = self.pad(self.place_weights, NOTHING)
            self.placed, self.place_terms = hold(self, "place", [*self.ln_rest, self.kept], odds, weighed)
            told = ops.take(self.pad(weighed, NOTHING), x["tp_told"]) + x["tp_ln_whole"]
            told = told - ops.take(self.placed, x["tp_row"])
            self.all_places = ops.concat([self.place_weights, told])

    def _with_streams(self, values: Array) -> Array:
        """The values with those of streams that run forward."""
        return self.ops.concat([values, run_on(self, values)]) if self.n["stream_value"] else values

    def _split(self, work: Array, ratio: Array) -> Array:
        """ln metal of every portion of weighed batches: softmax of log-ratios within a batch."""
        ops, x = self.ops, self.x
        total = ops.logsumexp(ops.take(self.pad(ratio, NOTHING), x["w_portions"]))
        return work + ratio - ops.take(total, x["wp_group"])

    def _split_base(self, work: Array, portions: Array) -> Array:
        """ln of the shares that the members of a pooled batch are expected to have of its metal.

        Of a member of which another batch holds a portion too, s = as much per kg as there; of one that holds traces, s
        is theirs; the others share what is left of the whole, 1 - sum s, kept above zero:
        ((1 - sum s) + sqrt((1 - sum s)^2 + 4 d^2)) / 2.
        """
        ops, x = self.ops, self.x
        share = ops.take(self.pad(portions, 0.0), x["wp_anchor"]) + x["wp_base"] - work
        anchored = ops.where(x["wp_anchored"] > 0, ops.minimum(share, MOST_LN_SHARE), NOTHING)
        rest = 1 - ops.exp(ops.logsumexp(ops.take(self.pad(anchored, NOTHING), x["w_portions"])))
        root = ops.exp(0.5 * ops.log(rest * rest + 4 * LEAST_REST**2))
        above = ops.log(ops.maximum(0.5 * (rest + root), 1e-12))
        rest = ops.where(rest > 0, above, math.log(2 * LEAST_REST**2) - ops.log(root - rest))  # keeps its digits
        return ops.where(x["wp_anchored"] > 0, anchored, ops.take(rest, x["wp_group"]) + x["wp_base"])

    def _anchored(self) -> None:
        """Grades that follow from weights, and their prior under "present" and "trace"."""
        ops, x = self.ops, self.x
        portions = ops.take(self.padded_values, x["cc_portions"])
        whole = ops.logsumexp(portions)
        self.cc_ln_grade = whole - x["cc_ln_mass"] + LN_1000
        below = x["cc_ln_l"] - self.cc_ln_grade  # ln(L / grade): positive, and a steep wall where it is not
        room = ops.maximum(below, 1e-9)
        wall = 1e2 * ops.minimum(below - 1e-9, 0.0)
        slope = -ops.log1mexp(-room)  # ln dx / d ln grade
        logit = -below + slope
        shares = ops.sum(x["cc_alpha"] * (portions - ops.column(whole)))  # Dirichlet, in log-ratio coordinates
        common = slope + shares - x["cc_best"] + wall
        loc, scale = ops.take(self.loc, x["cc_cell"]), ops.take(self.scale, x["cc_cell"])
        self.cc_z = (logit - loc) / scale
        trace_z = (logit - x["cc_trace"]) / x["trace_sd"]
        self.cc_present = common - 0.5 * self.cc_z * self.cc_z - ops.log(scale)
        self.cc_absent = common - 0.5 * trace_z * trace_z - ops.log(x["trace_sd"])

    def _pseudo(self, name: str) -> Array:
        """Density that a copy of an unknown follows while its side is not chosen; it cancels from all results."""
        gap = (self.unknown(name) - self.x[f"{name}_pm"]) / self.x[f"{name}_ps"]
        return -0.5 * gap * gap - self.ops.log(self.x[f"{name}_ps"])

    def _instead(self, name: str) -> Array:
        """What turns the standard normal of an unknown that its side does not use into its idle density."""
        unknown = self.unknown(name)
        return self._pseudo(name) + 0.5 * unknown * unknown

    def _free_priors(self) -> None:
        """Prior of free cells under "present" and "trace", each with the idle other side (Carlin & Chib 1995)."""
        ops, x = self.ops, self.x
        loc, scale = ops.take(self.loc, x["free_cell"]), ops.take(self.scale, x["free_cell"])
        self.free_z = (self.x1 - loc) / scale
        x0 = self.unknown("x0")
        self.free_present = ops.log(x["x1_scale"]) - ops.log(scale) - 0.5 * self.free_z * self.free_z
        self.free_present = self.free_present + self._pseudo("x0")
        self.free_absent = self._pseudo("x1") - 0.5 * x0 * x0
        self.z = ops.concat([self.cc_z, self.free_z])
        of_copies = ops.take_sum(self.pad(self._pseudo("v"), 0.0), x["v_copies"])
        self.split = ops.take_sum(self.pad(of_copies, 0.0), x["v_siblings"]) - of_copies + x["v_ln_step"]

    def _correlation(self, a: Array, b: Array, c: Array) -> Array:
        """ln of a bivariate normal over the product of its margins."""
        rest = 1 - c * c
        return -0.5 * self.ops.log(rest) - (c * c * (a * a + b * b) - 2 * c * a * b) / (2 * rest)

    def _terms(self) -> list[Array]:
        """The tables that choices pick from, in the order of `Network.blocks`."""
        ops, x = self.ops, self.x
        pairs = self._correlation(ops.take(self.z, x["pair_a"]), ops.take(self.z, x["pair_b"]), x["pair_corr"])
        grades = self.pad(ops.concat([self.cc_ln_grade, self.free_ln_grade]), NOTHING)
        grade = ops.logsumexp(ops.take(grades, x["as_grade"]) + x["as_ln_share"])
        gap = (x["as_ln_value"] - grade) / x["as_sd"]
        assay = ops.where(x["as_censored"] > 0, ops.log_ndtr(gap), -0.5 * gap * gap - ops.log(x["as_sd"]))
        return [
            x["ln_ok"] + self._instead("e_failed") + self.noise_terms[0],
            x["ln_failed"] + self._instead("e_ok") + self.noise_terms[1],
            -ops.softplus(self.logit_absent_switch()),
            -ops.softplus(-self.logit_absent_switch()),
            self.cc_present,
            self.cc_absent,
            self.free_present,
            self.free_absent,
            self.split,
            pairs,
            assay,
            self._small(),
            self._limits(),
            *spot_terms(self),
            self.kept_terms,
            self.place_terms,
            ash_terms(self, self._pseudo("x0")),
            cap_terms(self) if self.n["cap"] else ops.full(self.theta, 0, 0.0),
        ]

    def logit_absent_switch(self) -> Array:
        """logit of the absence probability of every switch."""
        return self.ops.take(self.logit_absent, self.x["sw_pi"])

    def _in_work(self, kind: str) -> Array:
        """ln A of batches that are not read backwards, from their portions."""
        charged = self.ops.logsumexp(self.ops.take(self.padded_values, self.x[f"{kind}_portions"]))
        return charged if self.ln_kept is None else charged + self.ops.take(self.ln_kept, self.x[f"{kind}_bm"])

    def _small(self) -> Array:
        """Closed batches with readings of a few digits: forward, as ordinary likelihood."""
        ops, x = self.ops, self.x
        if not self.n["small"]:
            return ops.full(self.theta, 0, 0.0)
        recovery = ops.take(ops.concat(self.ln_recovery), x["sm_e"])
        ln_a = ops.take(self.ln_a, x["sm_bm"])
        ln_p = hold_up(self._in_work("sm") + recovery, ln_a, self.full_from_g, self.exponent, ops)
        ln_yield = ops.logsumexp(ops.take(self.pad(self.ln_yield, NOTHING), x["sm_products"]) + x["sm_ln_share"])
        return log_rounded(x["sm_y"], x["sm_d"], x["sm_t"], ops.exp(ln_p - ln_yield), ops)

    def _limits(self) -> Array:
        """ "Nothing below g": F_e of the recovery that would just show, with part of the liquid gone where it is."""
        ops, x = self.ops, self.x
        if not self.n["limit"]:
            return ops.full(self.theta, 0, 0.0)
        gone = self.pad(ops.log_ndtr(self.unknown("gone")), 0.0)  # ln U, U uniform
        ln_share = ops.take(self.ln_m, x["li_bm"]) - self._in_work("li") - ops.take(gone, x["li_gone"])
        capped = ops.minimum(ln_share, -1e-9)
        logit = capped - ops.log1mexp(capped) - ops.take(self.r_batch, x["li_bm"])
        return log_recovery_cdf(logit, x["li_sd"], x, ops)
