"""How a run shared out what went into it, draw by draw, as a fit leaves it behind.

Of every batch and metal that a result speaks of: q, the logit of the recovery; what part of the metal that reached the
product is in it (ln P/M, the rest is hold-up); of an open batch, what part of the final product was weighed so far;
logits of recorded losses; where a spot test speaks of the liquid, or ash of the filters, how
what did not reach the product was shared. `flows.py` turns these into grams; nothing is ever subtracted.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from gradeest.belief.decode import Fitted, charges_of
from gradeest.belief.density import State
from gradeest.belief.evidence import BatchMetal, recovers_of_all
from gradeest.belief.holdup import hold_up
from gradeest.belief.network import BACKWARD, Network, logit_normal
from gradeest.belief.outflows import set_aside_names
from gradeest.belief.places import PLACES
from gradeest.materials.catalogue import Catalogue
from gradeest.records.domain import Bench

Values = NDArray[np.float64]
Shares = dict[tuple[str, str, str], Values]  # (batch, metal or "" for all of them, what): (draw,)
RECOVERY, REACHED, SO_FAR = "recovery", "reached", "so far"
MOST_SHARE = -1e-12  # ln of the largest share of the metal in work that a limit leaves room for


def loss_of(number: int) -> str:
    """What names the logit of a batch's recorded loss, counted from 0."""
    return f"loss {number}"


def rest_of(place: str) -> str:
    """What names the standard normal behind the share of a place in what did not reach the product."""
    return f"rest {place}"


def expit(x: Values) -> Values:
    """1 / (1 + e^-x); 1 - expit(x) is expit(-x), to its last digit."""
    return np.asarray(np.exp(-np.logaddexp(0.0, -x)))


def shares_of(
    bench: Bench, catalogue: Catalogue, network: Network, state: State, fitted: Fitted, theta: Values,
    rng: np.random.Generator,
) -> Shares:  # fmt: skip
    """The shares of every batch and metal that a result speaks of, at draws of theta (draw, unknown).

    Parameters: bench, with every source of a jar as a fraction; rng, for recoveries below a limit, which the density
    has summed out.
    """
    return _Shares(bench, catalogue, network, state, fitted, theta, rng).run()


class _Shares:
    def __init__(
        self, bench: Bench, catalogue: Catalogue, network: Network, state: State, fitted: Fitted, theta: Values,
        rng: np.random.Generator,
    ) -> None:  # fmt: skip
        self.bench, self.catalogue, self.net, self.state, self.fitted = bench, catalogue, network, state, fitted
        self.theta, self.rng, self.x = theta, rng, network.arrays
        self.items = network.evidence.batch_metals
        self.charges = charges_of(fitted)
        self.found: Shares = {}

    def unknown(self, name: str, index: int) -> Values:
        return self.theta[:, self.net.layout[name].start + index]

    def run(self) -> Shares:
        for n, item in enumerate(self.items):
            ln_kept = self._outflows(n, item)
            if item.role == "X":
                continue
            if item.role == "R":
                row = sum(other.role == "R" for other in self.items[:n])
                self.found[(*item.batch_metal, RECOVERY)] = self.state.again_logit[:, row]
                self.found[(*item.batch_metal, REACHED)] = np.minimum(self.state.again_reached[:, row], 0.0)
            elif item.role == "N":
                self.found[(*item.batch_metal, RECOVERY)] = self._below_limit(n, item, ln_kept)
            else:
                q = self.state.recovery_logit[:, self.x["bm_rm"][n]] + self._noise(n, item)
                self.found[(*item.batch_metal, RECOVERY)] = q
                self._reached(n, item, q, ln_kept)
        for batch_metal, row in self.net.rest_rows.items():
            for number, place in enumerate(PLACES):
                z = self.unknown("liquid", row * len(PLACES) + number)
                self.found[(*batch_metal, rest_of(place))] = z
            self._told_places(batch_metal)
        return self.found

    def _told_places(self, batch_metal: tuple[str, str]) -> None:
        """What is behind the share of a place that a later weight tells of: its stream over what was left over."""
        told = self.net.told_places.get(batch_metal, {})
        if not told:
            return
        k = self.catalogue.constants
        (n,) = [number for number, item in enumerate(self.items) if item.batch_metal == batch_metal]
        side = self.fitted.failed[batch_metal] * self.net.sizes["backward"]
        ln_work = self.state.ln_in_work[np.arange(len(self.theta)), n + side]
        rest = np.exp(ln_work) * expit(-self.found[(*batch_metal, RECOVERY)])
        if batch_metal in self.net.stated_for_all:
            batch = self.bench.batches[batch_metal[0]]
            asides = [(f"{batch.name}/{name}", batch_metal[1]) for name in set_aside_names(batch)]
            rest = rest - np.sum([np.zeros(len(rest)), *(self.fitted.stream_g[one] for one in asides)], axis=0)
        grams = {place: self.fitted.stream_g[address, batch_metal[1]] for place, address in told.items()}
        left = np.log(np.maximum(rest - np.sum(list(grams.values()), axis=0), 1e-300))
        others = [
            math.log(k[f"rest.{p}"]) + k["rest.log_sd"] * self.found[(*batch_metal, rest_of(p))]
            for p in PLACES if p not in told
        ]  # fmt: skip
        kept = left - np.logaddexp.reduce(others, axis=0)
        for place, held in grams.items():
            z = (np.log(held) - kept - math.log(k[f"rest.{place}"])) / k["rest.log_sd"]
            self.found[(*batch_metal, rest_of(place))] = z

    def _reached(self, n: int, item: BatchMetal, q: Values, ln_kept: Values) -> None:
        """What part of the metal is in the product, and of an open batch what was weighed of that so far."""
        if item.role in BACKWARD:
            self.found[(*item.batch_metal, REACHED)] = np.minimum(self.state.ln_p[:, n] - self.state.ln_m[:, n], 0.0)
        elif item.role == "S":
            self.found[(*item.batch_metal, REACHED)] = self._forward(n, item, q, ln_kept)
        if item.role == "O":
            counted = self.net.sizes["reading"] + self.net.sizes["open_product"]
            rows = [row for row in self.x["bm_products"][n].tolist() if row < counted]
            so_far = np.logaddexp.reduce(self.state.ln_in_product[:, rows], axis=1)
            self.found[(*item.batch_metal, SO_FAR)] = np.minimum(so_far - self.state.ln_p[:, n], 0.0)

    def _noise(self, n: int, item: BatchMetal) -> Values:
        """Recovery noise of the run, on the side that the draw chose."""
        (e,) = np.flatnonzero(self.x["e_bm"] == n).tolist()
        ordinary, failed = self.state.noise[:, e], self.state.noise[:, e + len(self.x["e_bm"])]
        return np.where(self.fitted.failed[item.batch_metal], failed, ordinary)

    def _outflows(self, n: int, item: BatchMetal) -> Values:
        """Notes recorded losses; returns ln of what stayed in work of all that went in."""
        batch = self.bench.batches[item.batch]
        kept = np.zeros(len(self.theta))
        for number, row in enumerate(self.x["bm_losses"][n][: len(batch.losses)].tolist()):
            logit = self.x["loss_centre"][row] + self.x["loss_sd"][row] * self.unknown("loss", row)
            self.found[item.batch, "", loss_of(number)] = logit
            kept = kept - np.logaddexp(0.0, logit)
        streams = [(f"{item.batch}/{name}", item.metal) for name in set_aside_names(batch)]
        if not streams or recovers_of_all(item.route, self.catalogue):
            return kept
        aside = np.sum([self.fitted.stream_g[stream] for stream in streams], axis=0)
        return np.asarray(kept + np.log1p(-aside / self.charges[item.batch_metal]))

    def _in_work(self, item: BatchMetal, ln_kept: Values) -> Values:
        """ln of the metal in work, from all that went in."""
        return np.asarray(np.log(self.charges[item.batch_metal]) + ln_kept)

    def _forward(self, n: int, item: BatchMetal, q: Values, ln_kept: Values) -> Values:
        """ln of what part of the metal is in the product, of readings of a few digits."""
        ln_a = self.state.ln_a[:, self.x["bm_am"][n]] + self.x["bm_ln_holdup"][n]
        ln_a = ln_a + self.x["ln_a_batch"] * self.unknown("a", n)
        ln_m = self._in_work(item, ln_kept) - np.logaddexp(0.0, -q)
        return np.asarray(np.minimum(hold_up(ln_m, ln_a, self.net.full_from_g, self.net.exponent) - ln_m, 0.0))

    def _below_limit(self, n: int, item: BatchMetal, ln_kept: Values) -> Values:
        """Logit of a recovery that would not have shown: the run's noise from its mixture, cut above.

        With spot tests beside, side and quantile are unknowns of the fit; else both were summed out and are drawn.
        """
        from scipy.special import log_ndtr, ndtri_exp  # slow to import, and most benches need neither

        dropped = np.zeros(len(self.theta))
        gone = [other for other in self.items if other.nondetect is not None and other.nondetect.liquid == "gone"]
        if item in gone:
            dropped = log_ndtr(self.unknown("gone", gone.index(item)))
        most = np.minimum(self.state.ln_m[:, n] - self._in_work(item, ln_kept) - dropped, MOST_SHARE)
        r = self.state.recovery_logit[:, self.x["bm_rm"][n]]
        top = most - np.log(-np.expm1(most)) - r
        k, row = self.catalogue.constants, self.catalogue.routes[item.route].recovery[item.metal]
        spread = logit_normal(row)[1] * math.sqrt(1 - k["recovery.learned_share"])
        sides = ((0.0, spread), (self.x["failed_centre"], self.x["failed_sd"]))
        bound = [log_ndtr((top - centre) / sd) for centre, sd in sides]
        if item.tells_recovery:
            is_failed = self.fitted.failed[item.batch_metal]
            (e,) = np.flatnonzero(self.x["e_bm"] == n).tolist()
            below = [log_ndtr(self.unknown(name, e)) for name in ("e_ok", "e_failed")]
        else:
            weight = [self.x["ln_ok"] + bound[0], self.x["ln_failed"] + bound[1]]
            is_failed = np.log(self.rng.uniform(size=len(top))) > weight[0] - np.logaddexp(*weight)
            below = [np.log(self.rng.uniform(size=len(top)))] * 2
        drawn = [c + sd * ndtri_exp(b + q) for (c, sd), b, q in zip(sides, bound, below, strict=True)]
        return np.asarray(r + np.where(is_failed, drawn[1], drawn[0]))
