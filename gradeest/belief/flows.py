"""Where the metal of a batch went, draw by draw: the balance run forward from what went in, closing in every draw.

Of the metal C that went in:

    set aside   what its streams hold; the rest was kept
    spilled     sigma of what was kept, loss by loss;  what stays is in work: A
    product     P = M exp(ln P/M),  M = R A;  hold-up M - P = -M expm1(ln P/M) stays in the equipment
    not reached (1 - R) A, shared by softmax(ln share_i + sd z_i) among equipment, residue, solution, filters, lost

with R = expit(q), 1 - R = expit(-q): what was not reached is not found by subtraction and keeps its digits. Where a
route's recovery is a share of all that was charged, what was set aside comes out of what was not reached instead. Where
nothing dropped, all that dissolved is in the liquid, or went with it. An open batch holds everything but what was
weighed, set aside and spilled so far. What no result speaks of is drawn as for a new run.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gradeest.belief.draws import Posterior
from gradeest.belief.evidence import recovers_of_all
from gradeest.belief.places import PLACES
from gradeest.belief.predictive import new_recovery
from gradeest.belief.sharing import REACHED, RECOVERY, SO_FAR, expit, rest_of
from gradeest.materials.catalogue import Catalogue
from gradeest.records.domain import METALS, Batch

Values = NDArray[np.float64]
# product: in what was weighed; not weighed: what a closed batch would have given, of a metal that nobody noted a weight
# of; bar: in the bar of another metal; in work: still in an open batch; in jars: not processed yet.
DESTINATIONS = ("product", "not weighed", "bar", "in work", "set aside", "spilled", *PLACES, "in jars")


@dataclass(frozen=True)
class Flow:
    """Metal that went in, and where it is: g, (draw, metal) each; the parts add up to what went in."""

    contained_g: Values
    parts_g: Mapping[str, Values]  # by destination, only those that hold any


@dataclass(frozen=True)
class Known:
    """What is known of a batch beside its shares: g, (draw, metal) each, and logits of its losses, (draw,) each.

    What went in, what the streams set aside hold, fine metal in the products (used for metals that the route does not
    recover, of which the fit knows no more than the reading).
    """

    contained_g: Values
    aside_g: Values
    weighed_g: Values
    loss_logits: Sequence[Values] = ()


def flow_of(batch: Batch, known: Known, posterior: Posterior, catalogue: Catalogue, rng: np.random.Generator) -> Flow:
    """Where the metal of one batch went."""
    run = _Run(batch, known, posterior, catalogue, rng)
    parts: dict[str, Values] = {}
    for m, metal in enumerate(METALS):
        for to, grams in run.share_out(metal):
            parts.setdefault(to, np.zeros_like(known.contained_g))[:, m] += grams
    return Flow(known.contained_g, {to: parts[to] for to in DESTINATIONS if to in parts and parts[to].any()})


def add_up(flows: Iterable[Flow]) -> Flow:
    """Several flows together, draw by draw."""
    flows = tuple(flows)
    parts: dict[str, Values] = {}
    for flow in flows:
        for to, grams in flow.parts_g.items():
            parts[to] = parts[to] + grams if to in parts else grams
    contained = np.sum([flow.contained_g for flow in flows], axis=0)
    return Flow(contained, {to: parts[to] for to in DESTINATIONS if to in parts})


def part_of(flow: Flow, share: Values) -> Flow:
    """What belongs to a share of all that went in, (draw, metal): recovery is taken as the same for all of it."""
    return Flow(flow.contained_g * share, {to: grams * share for to, grams in flow.parts_g.items()})


class _Run:
    """One batch, metal by metal."""

    def __init__(
        self, batch: Batch, known: Known, posterior: Posterior, catalogue: Catalogue, rng: np.random.Generator
    ) -> None:
        self.batch, self.known, self.posterior, self.catalogue, self.rng = batch, known, posterior, catalogue, rng
        self.route = catalogue.routes[batch.route]
        self.draws = posterior.draws

    def _told(self, metal: str, what: str) -> Values | None:
        return self.posterior.shares.get((self.batch.name, metal, what))

    def share_out(self, metal: str) -> list[tuple[str, Values]]:
        """(destination, g) of all that went in; a destination may come more than once."""
        m = METALS.index(metal)
        contained, weighed = self.known.contained_g[:, m], self.known.weighed_g[:, m]
        aside, found = np.minimum(self.known.aside_g[:, m], contained), []
        of_all = recovers_of_all(self.batch.route, self.catalogue)
        work = contained
        if not of_all:
            found.append(("set aside", aside))
            work = contained - aside
        for logit in self.known.loss_logits:
            found.append(("spilled", work * expit(logit)))
            work = work * expit(-logit)
        q = self._told(metal, RECOVERY)
        if metal not in self.route.recovery:
            reached = np.minimum(weighed, work)
            behind, ends = work - reached, [("product", reached)]
        elif q is None and self.batch.is_open:
            behind, ends = work, []
        else:
            if q is None:
                origin = np.arange(self.draws)
                q = new_recovery(self.posterior, self.batch.route, metal, self.catalogue, origin, self.rng)
            behind, ends = work * expit(-q), self._reached(metal, work * expit(q))
        if of_all:  # at most all of what was not reached was set aside
            taken = np.minimum(aside, behind)
            found.append(("set aside", taken))
            behind = behind - taken
        return [*found, *ends, *self._behind(metal, behind)]

    def _liquid(self, metal: str) -> str | None:
        """Where all that dissolved is, of a closed batch of which nothing dropped; None where a product may be."""
        said = [one.liquid for one in self.batch.nondetects if one.metal == metal]
        if self.batch.is_open or not said or self._told(metal, REACHED) is not None:
            return None
        return "lost" if said[-1] == "gone" else "solution"

    def _reached(self, metal: str, grams: Values) -> list[tuple[str, Values]]:
        """Metal that would be in a product: there, hung up, still to come, in the liquid, or no weight was noted."""
        in_product, so_far = self._told(metal, REACHED), self._told(metal, SO_FAR)
        if self.batch.is_open:
            if in_product is None or so_far is None:
                return [("in work", grams)]
            product = grams * np.exp(in_product)
            to_come = [("in work", -product * np.expm1(so_far)), ("in work", -grams * np.expm1(in_product))]
            return [("product", product * np.exp(so_far)), *to_come]
        if in_product is not None:
            return [("product", grams * np.exp(in_product)), ("equipment", -grams * np.expm1(in_product))]
        return [(self._liquid(metal) or "not weighed", grams)]

    def _behind(self, metal: str, grams: Values) -> list[tuple[str, Values]]:
        """Metal that did not reach a product."""
        if self.batch.is_open:
            return [("in work", grams)]
        if metal not in self.route.recovery:
            return [(self.route.stays_in[metal], grams)]
        liquid = self._liquid(metal)
        rest = self._share_rest(metal, grams).items()
        return [(to if liquid is None or to == "residue" else liquid, part) for to, part in rest]

    def _share_rest(self, metal: str, grams: Values) -> dict[str, Values]:
        """Metal that did not reach the product, shared by softmax(ln share_i + sd z_i) among `PLACES` (`[rest]`)."""
        k, ln_weight = self.catalogue.constants, []
        for to in PLACES:
            z = self._told(metal, rest_of(to))
            z = self.rng.normal(size=self.draws) if z is None else z
            ln_weight.append(math.log(k[f"rest.{to}"]) + k["rest.log_sd"] * z)
        whole = np.logaddexp.reduce(ln_weight, axis=0)
        return {to: grams * np.exp(ln_weight[n] - whole) for n, to in enumerate(PLACES)}
