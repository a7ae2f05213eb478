"""Metal draw by draw: in what went into a batch, in what a batch left for later, in products, in jars; and its worth.

Contained metal of a charge comes from the belief where a result speaks of it. Elsewhere it is a random portion of
what the fraction holds beyond those charges (Dirichlet split, as everywhere), so that the parts add up to the whole.
What a stream holds nobody has measured: those estimates are rough, and every reader is told so.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gradeest.belief.ashes import untracked_logit
from gradeest.belief.evidence import recovers_of_all
from gradeest.belief.flows import Flow, Known, flow_of
from gradeest.belief.network import logit_normal
from gradeest.belief.outflows import loss_logit, set_aside_names
from gradeest.belief.posterior import Posterior
from gradeest.belief.predictive import purity
from gradeest.belief.sharing import REACHED, expit, loss_of
from gradeest.decision.prices import NamedDraws, Prices
from gradeest.decision.settlement import paid_per_g
from gradeest.decision.summary import Interval
from gradeest.records.domain import LEFT_OVER, METALS, AshLink, Batch, Bench, Charge, Product, Stream
from gradeest.workflow.believing import stream
from gradeest.workflow.opening import Opened

Values = NDArray[np.float64]  # (draw, metal) in g unless said
LEAST_KG = 1e-9
PRIOR_ONLY = "prior only"


@dataclass(frozen=True)
class MetalHeld:
    """Metal in something, in g, and what the estimate rests on. `is_recovered`: its usual route brings it out."""

    metal: str
    grams: Interval
    rests_on: str
    is_recovered: bool


class Holdings:
    """Draws of the metal in the things on a bench. The same thing has the same draws whenever it is asked for."""

    def __init__(self, opened: Opened, posterior: Posterior) -> None:
        self.opened, self.posterior = opened, posterior
        self.bench: Bench = opened.bench
        self.catalogue = opened.catalogue
        self.draws = posterior.draws

    def rng(self, what: str) -> np.random.Generator:
        """A generator of its own for each thing."""
        return stream(self.opened.place, what)

    def in_jar(self, address: str) -> Values:
        """Metal in what is left of a fraction."""
        f = self.posterior.fractions.index(address)
        return self.posterior.rest_grade_g_per_t[:, f] * float(self.posterior.dry_left_kg[f]) / 1000

    # -- batches ---------------------------------------------------------------------------------------------------

    def charged(self, batch: Batch) -> dict[str, Values]:
        """Metal that went into a batch, by the address of the fraction or stream it came from."""
        return {
            address: np.stack([self._charged(batch, address, metal) for metal in METALS], axis=1)
            for address in dict.fromkeys(charge.address for charge in batch.charges)
        }

    def _charged(self, batch: Batch, address: str, metal: str) -> Values:
        known = self.posterior.charge_g.get((batch.name, address, metal))
        if known is not None:
            return known
        link = next((c.link for c in batch.charges if c.address == address), None)
        tracked = self.tracked(link, metal) if link is not None else None
        if link is not None and tracked is not None:
            return self.ash_of(link, tracked, f"{address} {metal}")
        if self.bench.is_of_batch(address):
            held = self.of_left(address, charged_kg(batch, address))[:, METALS.index(metal)]
            return np.asarray(held)
        f, m = self.posterior.fractions.index(address), METALS.index(metal)
        fraction, dry = self.bench.fraction(address), float(self.posterior.dry_share[f])
        pool_g = self.posterior.grade_g_per_t[:, f, m] * fraction.mass_kg * dry / 1000
        pool_kg = fraction.mass_kg
        for other in self.bench.batches.values():
            told = self.posterior.charge_g.get((other.name, address, metal))
            if told is not None:
                pool_g = pool_g - told
                pool_kg -= charged_kg(other, address)
        own_kg = charged_kg(batch, address)
        pool_g = np.maximum(pool_g, 0.0)
        if own_kg >= pool_kg - LEAST_KG:
            return pool_g
        per_kg = float(self.posterior.pieces_per_kg[f]) * dry
        parts = max(own_kg * per_kg, 1e-2), max((pool_kg - own_kg) * per_kg, 1e-2)
        return pool_g * self.rng(f"portion {batch.name} {address} {metal}").beta(*parts, size=self.draws)

    def contained(self, batch: Batch) -> Values:
        """Metal that went into a batch, all charges together."""
        return np.sum(list(self.charged(batch).values()), axis=0)

    def flow(self, batch: Batch) -> Flow:
        """Where the metal of a batch went, draw by draw."""
        contained, streams = self.contained(batch), self._set_aside(batch)
        aside = np.sum([np.zeros_like(contained), *(streams[name] for name in set_aside_names(batch))], axis=0)
        rng = self.rng(f"flow {batch.name}")
        losses = [self._loss_logit(batch, number) for number in range(len(batch.losses))]
        known = Known(contained, aside, self.weighed(batch), losses)
        return flow_of(batch, known, self.posterior, self.catalogue, rng)

    def streams(self, batch: Batch) -> dict[str, Values]:
        """Metal in each stream as the batch left it, by the stream's name; rough but for what the belief knows.

        What a closed batch left over is what went to that place, of solutions each by its volume. What was wiped up is
        a share of its spill (the row `wiped-up`).
        """
        found = self._set_aside(batch)
        found |= {} if batch.is_open else self._left_over(batch, list(found.values()))
        for one in batch.streams:
            if one.sort == "wiped-up":
                found[one.name] = self._wiped_up(batch, one, found)
            for m, metal in enumerate(METALS):
                if (one.address, metal) in self.posterior.stream_g:
                    found[one.name][:, m] = self.posterior.stream_g[one.address, metal]
        return found

    def _left_over(self, batch: Batch, aside: Sequence[Values]) -> dict[str, Values]:
        """Residue and solutions of a closed batch: no more than its products and what was set aside leave over."""
        left = [one for one in batch.streams if one.sort in LEFT_OVER]
        if not left:
            return {}
        parts, zero = self.flow(batch).parts_g, np.zeros((self.draws, len(METALS)))
        litres = sum(one.volume_l or 0.0 for one in left)
        shares = {one.name: 1.0 if one.volume_l is None else one.volume_l / litres for one in left}
        found = {one.name: parts.get(one.sort, zero) * shares[one.name] for one in left}
        over = np.maximum(self.contained(batch) - self.weighed(batch) - np.sum([zero, *aside], axis=0), 0.0)
        together = np.sum(list(found.values()), axis=0)
        fits = np.minimum(1.0, over / np.maximum(together, 1e-300))
        most = {one.name: 1000 * one.mass_kg if one.mass_kg else np.inf for one in left}
        return {name: np.minimum(grams * fits, most[name]) for name, grams in found.items()}

    def _set_aside(self, batch: Batch) -> dict[str, Values]:
        """Of what was set aside, and of an open batch what is left over.

        The belief knows what was set aside of a batch with a result. Elsewhere these share the contained metal by the
        row `set-aside` (of the route where it has one), each taken alone as the belief takes them and never more than
        its own mass; not more than the products leave over where the batch is closed.
        """
        contained = self.contained(batch)
        row = self.catalogue.shares.get(f"set-aside:{batch.route}", self.catalogue.shares["set-aside"])
        centre, sd = logit_normal(row)
        kept_back = [o for o in batch.streams if o.sort == "set-aside" or (o.sort in LEFT_OVER and batch.is_open)]
        odds = {one.name: np.exp(centre + sd * self._share_z(one, contained, centre, sd)) for one in kept_back}
        whole = 1 + np.sum(list(odds.values()), axis=0) if odds else np.ones_like(contained)
        found = {name: contained * part / whole for name, part in odds.items()}
        if not batch.is_open and found:
            over = np.maximum(contained - self.weighed(batch), 0.0)
            together = np.sum(list(found.values()), axis=0)
            fits = np.minimum(1.0, over / np.maximum(together, 1e-300))
            found = {name: grams * fits for name, grams in found.items()}
        for one in kept_back:
            for m, metal in enumerate(METALS):
                if (one.address, metal) in self.posterior.stream_g:
                    found[one.name][:, m] = self.posterior.stream_g[one.address, metal]
        return found

    def _share_z(self, one: Stream, contained: Values, centre: float, sd: float) -> Values:
        """Normals behind the odds of a stream, at the same quantile of those that leave it no more than its mass."""
        z = self.rng(f"stream {one.address}").normal(size=contained.shape)
        if one.mass_kg is None:
            return z
        from scipy.special import log_ndtr, ndtri_exp

        most = np.minimum(1000 * one.mass_kg / np.maximum(contained, 1e-300), 1 - 1e-12)
        bound = (np.log(most) - np.log1p(-most) - centre) / sd
        return np.asarray(ndtri_exp(log_ndtr(z) + log_ndtr(bound)))

    def _wiped_up(self, batch: Batch, one: Stream, others: Mapping[str, Values]) -> Values:
        """Metal in what was wiped up: a share of the spill, of what was in work then."""
        grams = self.contained(batch)
        if not recovers_of_all(batch.route, self.catalogue):
            grams = grams - np.sum([np.zeros_like(grams), *(others[name] for name in set_aside_names(batch))], axis=0)
        number = [loss.event for loss in batch.losses].index(one.event)
        for before in range(number):
            grams = grams * expit(-self._loss_logit(batch, before))[:, None]
        centre, sd = logit_normal(self.catalogue.shares["wiped-up"])
        share = expit(centre + sd * self.rng(f"stream {one.address}").normal(size=grams.shape))
        return np.asarray(grams * expit(self._loss_logit(batch, number))[:, None] * share)

    def _loss_logit(self, batch: Batch, number: int) -> Values:
        """Its logit: as the fit has it, else drawn."""
        told = self.posterior.shares.get((batch.name, "", loss_of(number)))
        if told is not None:
            return told
        loss = batch.losses[number]
        centre, sd = loss_logit(loss)
        return centre + sd * self.rng(f"loss {batch.name} {loss.event}").normal(size=self.draws)

    def of_charge(self, charge: Charge) -> Values:
        """Metal of a charge that comes from earlier batches, (draw, metal): of a stream, a product, or linked ash.

        Of a metal that is not tracked linked ash is as rich as any other of its kind; of one that it was assayed for,
        as rich as that says.
        """
        if charge.link is None:
            return self.of_left(charge.address, charge.mass_kg)
        found = self.in_jar_of(charge)
        for m, metal in enumerate(METALS):
            tracked = self.tracked(charge.link, metal)
            if tracked is not None and (charge.address, metal) not in self.posterior.rests_on:
                found[:, m] = self.ash_of(charge.link, tracked, f"{charge.address} {metal}")
        return found

    def in_jar_of(self, charge: Charge) -> Values:
        """Metal of a charge by the grade of its whole fraction."""
        f = self.posterior.fractions.index(charge.address)
        kg = charge.mass_kg * float(self.posterior.dry_share[f])
        return np.array(self.posterior.grade_g_per_t[:, f] * kg / 1000)

    def tracked(self, link: AshLink, metal: str) -> Values | None:
        """Metal in the filters of the batches that an ash is linked to, (draw,); None where no weight tells of any."""
        told = [self.bench.batches[name] for name in link.batches if (name, metal, REACHED) in self.posterior.shares]
        parts = [self.flow(batch).parts_g.get("filters") for batch in told]
        found = [part[:, METALS.index(metal)] for part in parts if part is not None]
        return np.sum(found, axis=0) if found else None

    def ash_of(self, link: AshLink, filters: Values, what: str) -> Values:
        """Metal in the ash of filters: keep x filters / (1 - u), (draw,)."""
        rng = self.rng(f"ash {what}")
        keep = logit_normal(self.catalogue.shares[f"keep:{link.burning}"])
        from_elsewhere = untracked_logit(link, self.catalogue)
        logits = [centre + sd * rng.normal(size=self.draws) for centre, sd in (keep, from_elsewhere)]
        return np.asarray(filters * expit(logits[0]) / expit(-logits[1]))

    def of_left(self, address: str, mass_kg: float) -> Values:
        """Metal in some of what a batch left or gave: a stream, or a product with its own metal alone."""
        if not self.bench.has_product(address):
            return self.of_stream(address, mass_kg)
        product = self.bench.product(address)
        found = np.zeros((self.draws, len(METALS)))
        found[:, METALS.index(product.metal)] = self.fine(product, 1000 * mass_kg)
        return found

    def of_stream(self, address: str, mass_kg: float) -> Values:
        """Metal in some of a stream: it is well mixed."""
        one = self.bench.stream(address)
        whole = self.streams(self.bench.batches[one.batch])[one.name]
        return whole * (mass_kg / one.mass_kg if one.mass_kg else 1.0)

    def left_of_stream(self, one: Stream, grams: Values) -> Values:
        """Metal in what is left of a stream, of the metal it held."""
        if one.mass_kg is None:
            return grams if self.bench.solution_left_l(one.address) > 0 else grams * 0.0
        return grams * (self.bench.left_kg(one.address) / one.mass_kg)

    def at_work(self, batch: Batch) -> Values:
        """Metal still in an open batch: what went in, less what was set aside, lost, and weighed so far.

        A solution that waits is part of it. Only the metals that the route recovers.
        """
        held = self.flow(batch).parts_g.get("in work", np.zeros((self.draws, len(METALS))))
        recovered = np.array([metal in self.catalogue.routes[batch.route].recovery for metal in METALS])
        return np.where(recovered, held, 0.0)

    # -- products --------------------------------------------------------------------------------------------------

    def share_of(self, product: Product) -> Values:
        """Metal share of a product as it was weighed (damp where it was noted as damp), (draw,)."""
        rng = self.rng(f"product {product.batch}/{product.name}")
        share = purity(self.posterior, product.form, self.catalogue, np.arange(self.draws), rng)
        if product.damp:
            centre, sd = logit_normal(self.catalogue.shares["moisture"])
            share = share / (1 + np.exp(centre + sd * rng.normal(size=self.draws)))
        return share

    def fine(self, product: Product, weight_g: float | None = None) -> Values:
        """Fine metal in a product (or in `weight_g` of it), (draw,): weight x purity, with the step of the balance.

        As fitted, with all that was said of it, where its weight was read as the result of a closed batch.
        """
        rng = self.rng(f"reading {product.batch}/{product.name}")
        step = max(product.readability_g, product.interval_g)
        reading = np.maximum(product.weight_g + step * rng.uniform(-0.5, 0.5, size=self.draws), 0.0)
        part = 1.0 if weight_g is None or product.weight_g <= 0 else weight_g / product.weight_g
        told = self.posterior.product_g.get((product.batch, product.name))
        if told is not None:
            return told * part
        return reading * part * self.share_of(product)

    def weighed(self, batch: Batch) -> Values:
        """Fine metal weighed of a batch so far."""
        found = np.zeros((self.draws, len(METALS)))
        for product in batch.products:
            found[:, METALS.index(product.metal)] += self.fine(product)
        return found

    def rests_on(self, batch: Batch, metal: str) -> str:
        """What the metal that went into a batch rests on, in words."""
        of_metal = [c for c in batch.charges if not self._is_of_other_metal(c, metal)]
        if of_metal and all((batch.name, charge.address, metal) in self.posterior.charge_g for charge in of_metal):
            return f"results of {batch.name}"
        texts = [self._charge_rests_on(charge, metal) for charge in batch.charges]
        return ", ".join(dict.fromkeys(texts))

    def _is_of_other_metal(self, charge: Charge, metal: str) -> bool:
        """Whether a charge is a product of another metal."""
        return self.bench.has_product(charge.address) and self.bench.product(charge.address).metal != metal

    def _charge_rests_on(self, charge: Charge, metal: str) -> str:
        if self.bench.has_product(charge.address) and not self._is_of_other_metal(charge, metal):
            return f"weight of {charge.address}"
        return self.posterior.rests_on.get((charge.address, metal), PRIOR_ONLY)


def charged_kg(batch: Batch, address: str) -> float:
    """Mass of a fraction that a batch took, kg."""
    return sum(charge.mass_kg for charge in batch.charges if charge.address == address)


def summarise(grams: Values, rests_on: Mapping[str, str], recovered: Collection[str] = METALS) -> tuple[MetalHeld, ...]:
    """Metal by metal, of those that `rests_on` names; `recovered` are those that the usual route brings out."""
    return tuple(
        MetalHeld(metal, Interval.of(grams[:, m]), rests_on[metal], metal in recovered)
        for m, metal in enumerate(METALS)
        if metal in rests_on
    )


def sort_charges(bench: Bench, posterior: Posterior, batch: Batch) -> tuple[list[Charge], list[Charge]]:
    """The charges of a batch that a bench and a belief know: fractions by themselves, and what earlier batches left."""
    alone = [c for c in batch.charges if c.link is None and c.address in posterior.fractions]
    left = [
        c for c in batch.charges
        if bench.has_stream(c.address) or bench.has_product(c.address) or (c.link and c.address in posterior.fractions)
    ]  # fmt: skip
    return alone, left


def metal_of_streams(opened: Opened, posterior: Posterior, charges: Sequence[Charge]) -> Values | None:
    """Metal of charges that come from earlier batches, streams or ash, (draw, metal); None where there are none."""
    holdings = Holdings(opened, posterior)
    return np.sum([holdings.of_charge(c) for c in charges], axis=0) if charges else None


class Worth:
    """What metal is worth at the user's prices: price x the share that a refiner pays, before fees, work and losses."""

    def __init__(self, opened: Opened, prices: Prices, draws: int) -> None:
        self.named = NamedDraws(stream(opened.place, "prices"), draws)
        self.paid_per_g = paid_per_g(METALS, prices, self.named)
        self.currency = prices.currency

    def of(self, grams: Values) -> Values:
        """Money draw by draw, (draw,)."""
        return (grams * self.paid_per_g).sum(axis=1)
