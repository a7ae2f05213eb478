"""A bench's history made from the prior: a plan is filled with what its scales and assays would have shown."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from gradeest.belief.ashes import untracked_logit
from gradeest.belief.assembly import pieces_per_kg
from gradeest.belief.completion import Completion
from gradeest.belief.evidence import dry_share, recovers_of_all
from gradeest.belief.holdup import hold_up
from gradeest.belief.layers import parts_of
from gradeest.belief.network import logit_normal
from gradeest.belief.outflows import loss_logit
from gradeest.belief.places import FILTERS, PLACES, RESIDUE, SOLUTION
from gradeest.belief.readings import balance_scale, handling_sd
from gradeest.belief.spots import limits_ln
from gradeest.materials.catalogue import Catalogue
from gradeest.records.domain import (
    LEFT_OVER,
    METALS,
    AshLink,
    Assay,
    Batch,
    Bench,
    Loss,
    NonDetect,
    Product,
    ProductAssay,
    Settlement,
    SpotTest,
)

FINE_STEP_G = 0.01  # readability of the balance that weighs what was not planned


@dataclass(frozen=True)
class Truth:
    """What is behind a simulated bench; one number each."""

    grade_g_per_t: Mapping[tuple[str, str], float]  # (address, metal)
    is_trace: Mapping[tuple[str, str], bool]
    kind_mean_g_per_t: Mapping[tuple[str, str], float]  # (kind, metal)
    kind_spread: Mapping[tuple[str, str], float]  # (kind, metal), tau: sd between lots on the logit scale
    recovery_logit: Mapping[tuple[str, str], float]  # (route, metal)
    ln_a: Mapping[str, float]
    form_z: Mapping[str, float]
    failed: Mapping[tuple[str, str], bool]  # (batch, metal)
    product_g: Mapping[tuple[str, str], float]  # (batch, metal), fine metal that reached its products
    charge_g: Mapping[tuple[str, str, str], float]  # (batch, address, metal), of fractions that went in
    stream_g: Mapping[tuple[str, str], float]  # (stream, metal), what was set aside


def simulate(plan: Bench, catalogue: Catalogue, rng: np.random.Generator) -> tuple[Bench, Truth]:
    """Draw the truth from the prior and fill the plan's results.

    A planned product of a closed batch gets its reading (the plan's own weight is ignored; several products of a
    metal share it at random). A planned weight on an open batch, or a non-detect, is a limit: what comes out tells
    whether the bench records "so much so far" or "nothing, below that"; more than the limit of a non-detect is weighed.
    Planned spot tests get the colour they would have shown.
    With the liquid gone more than the limit is not recorded: plan such limits so high that it cannot happen.
    """
    return _Simulation(plan, catalogue, rng).run()


class _Simulation:
    def __init__(self, plan: Bench, catalogue: Catalogue, rng: np.random.Generator) -> None:
        self.plan, self.catalogue, self.rng, self.k = plan, catalogue, rng, catalogue.constants
        self.prior = Completion(plan, catalogue, 1, rng)
        self.scale: dict[str, float] = {}  # error of each balance
        self.failed: dict[tuple[str, str], bool] = {}
        self.weighed: dict[str, tuple[str, float, float]] = {}  # product -> metal, its share of what is dry, grams
        self.product: dict[tuple[str, str], float] = {}
        self.shown_g: dict[str, float] = {}  # what every product weighed
        self.operator: dict[str, float] = {}  # factor on the limits of spot tests, by metal
        self.in_work: dict[tuple[str, str], float] = {}  # g, by batch and metal; what of it stayed back, and in liquids
        self.left: dict[tuple[str, str], float] = {}
        self.undropped: dict[tuple[str, str], float] = {}
        self.spilled: dict[str, list[float]] = {}  # shares that recorded losses took of each batch
        self.aside: dict[tuple[str, str], float] = {}  # metal of every (stream, metal), g
        self.spread: dict[tuple[str, str], np.ndarray] = {}  # where the rest went, by batch and metal

    def run(self) -> tuple[Bench, Truth]:
        whole, _, trace = self.prior.grades()
        self.recovery, self.ln_a, self.forms = self.prior.recovery_logit(), self.prior.ln_a(), self.prior.forms()
        addresses = self.plan.addresses()
        self.grade = {(a, m): float(whole[0, f, i]) for f, a in enumerate(addresses) for i, m in enumerate(METALS)}
        self.metal = self._split_fractions()
        batches = {name: self._process(batch) for name, batch in self.plan.batches.items()}
        assays = tuple(self._assay(assay) for assay in self.plan.assays)
        kinds = tuple(dict.fromkeys(self.plan.fraction(a).kind for a in addresses))
        means, _ = self.prior.kind_means(kinds)
        spreads = {(kind, m): float(self.prior.kind_level(kind, m)[1][0]) for kind in kinds for m in METALS}
        routes = list(self.catalogue.routes)
        truth = Truth(
            self.grade,
            {(a, m): bool(trace[0, f, i]) for f, a in enumerate(addresses) for i, m in enumerate(METALS)},
            {(kind, m): float(means[0, n, i]) for n, kind in enumerate(kinds) for i, m in enumerate(METALS)},
            spreads,
            {(r, m): float(self.recovery[0, n, i]) for n, r in enumerate(routes) for i, m in enumerate(METALS)},
            {m: float(self.ln_a[0, i]) for i, m in enumerate(METALS)},
            {form: float(self.forms[0, n]) for n, form in enumerate(self.catalogue.forms)},
            self.failed,
            self.product,
            self.metal,
            self.aside,
        )
        said = tuple(self._product_assay(a) for a in self.plan.product_assays if self._is_of_its_metal(a))
        papers = tuple(self._settle(p) for p in self.plan.settlements if all(a in self.weighed for a in p.products))
        return replace(self.plan, batches=batches, assays=assays, product_assays=said, settlements=papers), truth

    def _split_fractions(self) -> dict[tuple[str, str, str], float]:
        """Metal of every charge, g, by (batch, address, metal): portions are a Dirichlet split of the fraction."""
        out = {}
        for address in self.plan.addresses():
            per_kg = pieces_per_kg(self.plan, self.catalogue, address)
            dry = dry_share(self.plan, address, self.catalogue)
            kg = {
                b.name: c.mass_kg * dry for b in self.plan.batches.values() for c in b.charges if c.address == address
            }
            rest = self.plan.left_kg(address) * dry
            if rest > 1e-6 * self.plan.fraction(address).mass_kg:
                kg["rest"] = rest
            for metal in METALS:
                total = sum(kg.values()) * self.grade[address, metal] / 1000
                shares = list(self.rng.dirichlet([max(mass * per_kg, 1e-2) for mass in kg.values()])) if kg else []
                for name, share in zip(kg, shares, strict=True):
                    out[name, address, metal] = total * float(share)
        return out

    def _process(self, batch: Batch) -> Batch:
        products: list[Product] = []
        nondetects: list[NonDetect] = []
        spots: list[SpotTest] = []
        for metal in METALS:
            planned = [p for p in batch.products if p.metal == metal]
            limits = [n for n in batch.nondetects if n.metal == metal]
            planned_tests = [t for t in batch.spot_tests if t.metal == metal]
            has_result = bool(planned or limits or planned_tests)
            recovers = metal in self.catalogue.routes[batch.route].recovery
            is_run = has_result or (recovers and any(one.sort in LEFT_OVER for one in batch.streams))
            in_work = self._share_out(batch, metal, is_run)
            if not is_run:
                self._leave_all(batch, metal, in_work)
                continue
            holdup = self._holdup_factor(batch, metal, planned)
            grams = self._fine_metal(batch, metal, in_work, holdup, gone=bool(limits) and limits[0].liquid == "gone")
            self._leave_over(batch, metal)
            if not has_result:
                continue
            self.product[batch.name, metal] = grams
            so_far = self._metal_in(planned[0]) if planned and batch.is_open else 0.0
            limit = so_far if planned else limits[0].below_g if limits else 0.0
            is_nothing = grams < limit
            spots += self._test(planned_tests, is_nothing=is_nothing)
            if planned and not batch.is_open:
                products += self._weigh(planned, grams)
            elif planned and not is_nothing:
                products.append(planned[0])
            elif planned:
                nondetects.append(NonDetect(batch.name, metal, so_far, "tested-negative", batch.date))
            elif is_nothing:
                nondetects.append(limits[0])
            elif limits and limits[0].liquid != "gone":
                products += self._weigh([self._unplanned(batch, metal)], grams)
        self.shown_g |= {f"{batch.name}/{product.name}": product.weight_g for product in products}
        shown = self.shown_g  # a product goes in whole: as much of it as it weighed
        charges = tuple(replace(c, mass_kg=shown[c.address] / 1000) if c.address in shown else c for c in batch.charges)
        return replace(
            batch, charges=charges, products=tuple(products), nondetects=tuple(nondetects), spot_tests=tuple(spots)
        )

    def _test(self, planned: list[SpotTest], *, is_nothing: bool) -> list[SpotTest]:
        """What spot tests of one batch and metal show: its liquid is the same for all of them."""
        if not planned:
            return []
        k, rng, learned = self.k, self.rng, self.k["spot.learned_share"]
        batch, metal = planned[0].batch, planned[0].metal
        rest = self._spread(batch, metal) * self.left[batch, metal]
        seen = []
        for test in planned:
            if metal not in self.operator:
                self.operator[metal] = rng.normal()
            noise = math.sqrt(learned) * self.operator[metal] + math.sqrt(1 - learned) * rng.normal()
            after = (rest.sum() - rest[RESIDUE] if is_nothing else rest[SOLUTION]) + self.undropped[batch, metal]
            grams = self.in_work[batch, metal] - rest[RESIDUE] if test.moment == "before-drop" else after
            ln = math.log(max(1000 * grams / test.volume_l, 1e-12)) - k["spot.log_sd"] * noise
            shown = next(name for name, (low, high) in limits_ln(k).items() if low <= ln < high)
            seen.append(replace(test, result=shown))
        return seen

    def _unplanned(self, batch: Batch, metal: str) -> Product:
        """What is weighed where nothing was planned to drop."""
        form = self.catalogue.routes[batch.route].usual_form[metal]
        return Product(f"{metal.lower()}-1", batch.name, metal, form, 1.0, FINE_STEP_G, batch.date)

    def _holdup_factor(self, batch: Batch, metal: str, planned: list[Product]) -> float:
        usual = planned[0].form if planned else self.catalogue.routes[batch.route].usual_form[metal]
        return self.catalogue.forms[usual].holdup_factor

    def _spread(self, batch: str, metal: str) -> np.ndarray:
        """Shares of the places where metal went that did not reach a product, drawn once."""
        if (batch, metal) not in self.spread:
            k = self.k
            weight = [math.log(k[f"rest.{p}"]) + k["rest.log_sd"] * self.rng.normal() for p in PLACES]
            self.spread[batch, metal] = np.exp(weight) / np.exp(weight).sum()
        return self.spread[batch, metal]

    def _behind(self, batch: str, metal: str) -> float:
        """Metal that did not reach the product and was not set aside either, g."""
        left = self.left[batch, metal]
        if recovers_of_all(self.plan.batches[batch].route, self.catalogue):
            streams = (one for one in self.plan.batches[batch].streams if one.sort == "set-aside")
            left -= sum(self.aside.get((one.address, metal), 0.0) for one in streams)
        return left

    def _ash(self, link: AshLink, metal: str) -> float | None:
        """Metal in the ash of filters, g; None where no weight tells of any of it: then it is ash like any other."""
        tracked = [
            self._spread(name, metal)[FILTERS] * self._behind(name, metal)
            for name in link.batches
            if any(p.metal == metal for p in self.plan.batches[name].products) and (name, metal) in self.left
        ]
        if not tracked:
            return None
        keep, more = logit_normal(self.catalogue.shares[f"keep:{link.burning}"]), untracked_logit(link, self.catalogue)
        kept, lost = (1 / (1 + math.exp(-(c + sd * self.rng.normal()))) for c, sd in (keep, more))
        return kept * sum(tracked) / (1 - lost)

    def _charged(self, batch: Batch, metal: str) -> float:
        """All metal that went in, g: portions of fractions, of streams that earlier batches left, products."""
        total = 0.0
        for charge in batch.charges:
            if self.plan.has_product(charge.address):
                product = self.plan.product(charge.address)
                if product.metal == metal:  # it goes in whole
                    known = self.weighed.get(charge.address)
                    total += self._metal_in(product) if known is None else known[2]
                continue
            if self.plan.is_of_batch(charge.address):
                share = charge.mass_kg / (self.plan.stream(charge.address).mass_kg or charge.mass_kg)
                total += self.aside[charge.address, metal] * share
                continue
            ash = self._ash(charge.link, metal) if charge.link is not None else None
            total += self.metal[batch.name, charge.address, metal] if ash is None else ash
            if ash is not None:  # it goes in whole
                dry_kg = charge.mass_kg * dry_share(self.plan, charge.address, self.catalogue)
                self.grade[charge.address, metal] = ash / dry_kg * 1000
                self.metal[batch.name, charge.address, metal] = ash
        return total

    def _share_out(self, batch: Batch, metal: str, is_run: bool) -> float:
        """Metal left in work, g, after what was lost and set aside.

        What a route stated for all that was charged sets aside is part of what its product leaves over (_fine_metal).
        """
        charged = self._charged(batch, metal)
        if batch.name not in self.spilled:  # a spill takes the same share of every metal
            logits = [loss_logit(loss) for loss in batch.losses]
            self.spilled[batch.name] = [1 / (1 + math.exp(-(c + sd * self.rng.normal()))) for c, sd in logits]
        for_all = recovers_of_all(batch.route, self.catalogue)
        if for_all and is_run:
            kept = charged
        else:
            kept = self._set_aside(batch, metal, charged, f"set-aside:{batch.route}" if for_all else "set-aside")
        for loss, share in zip(batch.losses, self.spilled[batch.name], strict=True):
            self._wipe_up(batch, metal, loss, kept * share)
            kept *= 1 - share
        return kept

    def _wipe_up(self, batch: Batch, metal: str, loss: Loss, spill: float) -> None:
        """What was wiped up of a spill."""
        centre, sd = logit_normal(self.catalogue.shares["wiped-up"])
        for one in batch.streams:
            if one.sort == "wiped-up" and one.event == loss.event:
                self.aside[one.address, metal] = spill / (1 + math.exp(-(centre + sd * self.rng.normal())))

    def _leave_over(self, batch: Batch, metal: str) -> None:
        """Metal of the residue and the solution of a batch, of what did not reach its product."""
        for one in batch.streams:
            if one.sort in LEFT_OVER:
                behind = self._behind(batch.name, metal)
                self.aside[one.address, metal] = behind * float(self._spread(batch.name, metal)[PLACES.index(one.sort)])

    def _leave_all(self, batch: Batch, metal: str, in_work: float) -> None:
        """The same of a metal that the route recovers nothing of: all of it stays in one of them."""
        stays_in = self.catalogue.routes[batch.route].stays_in.get(metal)
        for one in batch.streams:
            if one.sort in LEFT_OVER:
                self.aside[one.address, metal] = in_work if one.sort == stays_in else 0.0

    def _set_aside(self, batch: Batch, metal: str, whole: float, row: str) -> float:
        """Share metal out between what is set aside (kept in `aside`) and the rest, which is returned, g."""
        centre, sd = logit_normal(self.catalogue.shares[row])
        streams = [one for one in batch.streams if one.sort == "set-aside"]
        odds = np.exp(centre + sd * self.rng.normal(size=len(streams)))
        for one, part in zip(streams, odds, strict=True):
            self.aside[one.address, metal] = whole * float(part / (1 + odds.sum()))
        return whole / float(1 + odds.sum())

    def _fine_metal(self, batch: Batch, metal: str, charged: float, holdup: float, gone: bool) -> float:
        rng, k, m = self.rng, self.k, METALS.index(metal)
        row = self.catalogue.routes[batch.route].recovery[metal]
        spread = logit_normal(row)[1] * math.sqrt(1 - k["recovery.learned_share"])
        failed = bool(rng.uniform() < k["recovery.failed_share"])
        self.failed[batch.name, metal] = failed
        e = k["recovery.failed_centre"] + k["recovery.failed_sd"] * rng.normal() if failed else spread * rng.normal()
        r = self.recovery[0, list(self.catalogue.routes).index(batch.route), m] + e
        ln_a = self.ln_a[0, m] + math.log(holdup) + k["holdup.batch_log_sd"] * rng.normal()
        if recovers_of_all(batch.route, self.catalogue):
            self._set_aside(batch, metal, charged / (1 + math.exp(r)), f"set-aside-of-rest:{batch.route}")
        kept = rng.uniform() if gone else 1.0
        ln_m = math.log(charged) - math.log1p(math.exp(-r)) + math.log(kept)
        key = batch.name, metal
        self.in_work[key], self.left[key] = charged, charged / (1 + math.exp(r))
        self.undropped[key] = (1 - kept) * charged / (1 + math.exp(-r))
        return float(np.exp(hold_up(np.array(ln_m), np.array(ln_a), k["holdup.full_from_g"], k["holdup.exponent"])))

    def _metal_share(self, product: Product) -> float:
        form = self.catalogue.forms[product.form]
        centre, sd = logit_normal(form.purity)
        learned = self.k["form.learned_share"]
        z = math.sqrt(learned) * self.forms[0, list(self.catalogue.forms).index(product.form)]
        z += math.sqrt(1 - learned) * self.rng.normal()
        share = self.last_share = form.factor / (1 + math.exp(-(centre + sd * z)))
        if product.damp:
            centre, sd = logit_normal(self.catalogue.shares["moisture"])
            share *= 1 - 1 / (1 + math.exp(-(centre + sd * self.rng.normal())))
        return float(share)

    def _metal_in(self, product: Product) -> float:
        """Fine metal that a planned "so far" reading stands for, g."""
        h = self._error_of_scale(product.balance)
        return product.weight_g * self._metal_share(product) / (1 + h)

    def _error_of_scale(self, balance: str) -> float:
        """h of a balance, given what its check weights read."""
        if balance not in self.scale:
            centre, sd = balance_scale(balance, self.plan, self.k)
            self.scale[balance] = centre + sd * self.rng.normal()
        return self.scale[balance]

    def _weigh(self, planned: list[Product], grams: float) -> list[Product]:
        parts = self.rng.dirichlet(np.ones(len(planned)))
        weighed = []
        for product, part in zip(planned, parts, strict=True):
            d = product.readability_g
            true = grams * part / self._metal_share(product)
            self.weighed[f"{product.batch}/{product.name}"] = (product.metal, self.last_share, grams * part)
            shown = true * (1 + self._error_of_scale(product.balance))
            shown += handling_sd(product, self.plan, self.k) * self.rng.normal()
            width = product.interval_g or d  # an old note says between which multiples of its width it lay
            middle = (math.floor(shown / width) + 0.5) * width if product.interval_g else round(shown / d) * d
            weighed.append(replace(product, weight_g=max(middle, 0.0)))
        return weighed

    def _is_of_its_metal(self, assay: ProductAssay) -> bool:
        """Whether an assay is of the product's own metal: what others it holds no row says, so none is drawn."""
        return assay.address in self.weighed and self.weighed[assay.address][0] == assay.metal

    def _product_assay(self, assay: ProductAssay) -> ProductAssay:
        """A share read on the plain scale, never above one."""
        share = self.weighed[assay.address][1]
        read = 2.0
        while read > 1:
            read = share + assay.u * self.rng.normal()
        return replace(assay, share=read)

    def _settle(self, paper: Settlement) -> Settlement:
        """The fineness of each metal as the refiner finds it, the products melted with some loss."""
        centre, sd = logit_normal(self.catalogue.shares["melt-loss"])
        lost = 1 / (1 + math.exp(-(centre + sd * self.rng.normal())))
        lines = []
        for line in paper.metals:
            grams = sum(self.weighed[a][2] for a in paper.products if self.weighed[a][0] == line.name)
            told = grams * (1 - lost) * math.exp(self.k["settlement.log_sd"] * self.rng.normal())
            lines.append(replace(line, fineness=told / paper.melted_g))
        return replace(paper, metals=tuple(lines))

    def _assay(self, assay: Assay) -> Assay:
        grade = sum(share * self.grade[part, assay.metal] for part, share in parts_of(assay))
        value = grade * math.exp(assay.u_rel * self.rng.normal())
        if assay.below_detection and value >= assay.value_g_per_t:
            return replace(assay, value_g_per_t=value, below_detection=False)
        return assay if assay.below_detection else replace(assay, value_g_per_t=value)
