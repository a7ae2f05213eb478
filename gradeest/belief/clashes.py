"""Entries that contradict each other, found by quick sums before anything is fitted.

No run can bring out more than went in, whatever its recovery: the metal in a batch's products is held against what the
assays of its fractions allow (a fraction without an assay may hold up to L). Two assays of one fraction, or of one
product, are held against each other, and a settlement against assays of all its products and against their weights. A
*clash* lies beyond `BEYOND_SDS` of both sides' uncertainty on the ln scale. What an ordinary run would contradict but a
failed one explains is no clash; it is named only where a fit did not settle (`strains`). Jars of several sources are
left out: what was sampled and what was run need not be the same mixture. So are batches that took a stream of another
one.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial

from gradeest.belief.assembly import grade_scale, pieces_per_kg
from gradeest.belief.evidence import BatchMetal, gather
from gradeest.belief.network import logit_normal
from gradeest.belief.readings import handling_sd
from gradeest.materials.catalogue import Catalogue
from gradeest.records.domain import Assay, Bench, Product, ProductAssay, SettledMetal, Settlement

BEYOND_SDS = 6.0  # of both uncertainties together: by chance once in a thousand million times
STRAINED_SDS = 3.0  # what is named where a fit did not settle


@dataclass(frozen=True)
class Entry:
    """One entry of the ledger in a clash: its event's number, and what it says, in words."""

    event: int
    words: str


@dataclass(frozen=True)
class Clash:
    """Entries that contradict each other by `sds` of their uncertainty, and what to look at."""

    entries: tuple[Entry, ...]
    sds: float
    check: str


@dataclass(frozen=True)
class Amount:
    """ln of an amount of metal (g, or g/t) and the sd of that."""

    ln: float
    sd: float


def find_clashes(bench: Bench, catalogue: Catalogue) -> tuple[Clash, ...]:
    """What cannot be true together, the strongest first."""
    return _Search(bench, catalogue).beyond(BEYOND_SDS, failed_runs_explain=True)


def find_strains(bench: Bench, catalogue: Catalogue) -> tuple[Clash, ...]:
    """What pulls in opposite directions, were every run an ordinary one: for a fit that did not settle."""
    return _Search(bench, catalogue).beyond(STRAINED_SDS, failed_runs_explain=False)


class _Search:
    def __init__(self, bench: Bench, catalogue: Catalogue) -> None:
        self.bench, self.catalogue, self.k = bench, catalogue, catalogue.constants
        self.items = [  # a stream may hold anything its batch did
            i for i in gather(bench, catalogue).batch_metals
            if i.role not in "TX" and not i.streams and min(i.portions.values(), default=0) > 0
        ]  # fmt: skip
        self.assays: dict[tuple[str, str], list[Assay]] = {}  # of fractions of one source
        for assay in bench.assays:
            if not assay.layers_kg and not bench.fraction(assay.address).layers_kg:
                self.assays.setdefault((assay.address, assay.metal), []).append(assay)

    def beyond(self, sds: float, *, failed_runs_explain: bool) -> tuple[Clash, ...]:
        found = [*self.assay_pairs(), *self.too_heavy(), *self.product_pairs(), *self.papers(), *self.too_full()]
        if not failed_runs_explain:
            found += [*self.poorer_than_assayed(), *self.unlike_weights()]
        return tuple(sorted((c for c in found if c.sds > sds), key=lambda c: -c.sds))

    def assays_of(self, address: str, metal: str) -> list[Assay]:
        """Assays of a fraction of one source."""
        return self.assays.get((address, metal), [])

    def assay_pairs(self) -> Iterator[Clash]:
        """Two assays of one fraction and metal."""
        for assays in self.assays.values():
            for one, two in itertools.combinations(assays, 2):
                low, high = sorted((one, two), key=lambda a: a.value_g_per_t)
                if high.below_detection:
                    continue  # below a limit that the other does not reach
                gap = math.log(high.value_g_per_t / low.value_g_per_t)
                check = "unit and metal of both, and whether their uncertainty holds the sampling too"
                yield Clash((self.say_assay(one), self.say_assay(two)), gap / math.hypot(one.u_rel, two.u_rel), check)

    def product_pairs(self) -> Iterator[Clash]:
        """Two assays of one product and metal."""
        for one, two in itertools.combinations(self.bench.product_assays, 2):
            if (one.address, one.metal) == (two.address, two.metal):
                sds = abs(one.share - two.share) / math.hypot(one.u, two.u)
                check = "product and metal of both, and whether their uncertainty is that of the whole product"
                yield Clash((self.say_product_assay(one), self.say_product_assay(two)), sds, check)

    def papers(self) -> Iterator[Clash]:
        """A settlement of products that were all assayed by themselves."""
        for paper in self.bench.settlements:
            for line in paper.metals:
                said = [
                    a for a in self.bench.product_assays
                    if a.metal == line.name == self.bench.product(a.address).metal and a.address in paper.products
                ]  # fmt: skip
                own = [a for a in paper.products if self.bench.product(a).metal == line.name]
                products = [self.bench.product(a) for a in own]
                if not own or set(own) != {a.address for a in said} or any(p.damp or p.interval_g for p in products):
                    continue
                by_product = {a.address: a for a in said}  # the last of each
                grams = {a: p.weight_g * by_product[a].share for a, p in zip(own, products, strict=True)}
                moved = [grams[a] * by_product[a].u / by_product[a].share for a in own]
                moved += [handling_sd(p, self.bench, self.k) for p in products]
                total = sum(grams.values())
                spread = math.hypot(math.hypot(*moved) / total, self.k["settlement.log_sd"], self.k["balance.scale_sd"])
                gap = math.log(paper.melted_g * line.fineness / total)
                gap = min(gap + self.catalogue.shares["melt-loss"].q95, 0.0) if gap < 0 else gap
                entries = (self.say_paper(paper, line), *(self.say_product_assay(a) for a in said))
                yield Clash(
                    entries, abs(gap) / spread, "fineness and weights of the paper, and what was melted together"
                )

    def too_full(self) -> Iterator[Clash]:
        """More metal than there was of the products: a paper's, and what assays say of metals that it does not name.

        A paper by itself adds up to one at most, and so do the assays of one product: the rules see to that.
        """
        for paper in self.bench.settlements:
            named = {line.name for line in paper.metals if line.fineness > 0}
            said = {
                (a.address, a.metal): a for a in self.bench.product_assays
                if a.address in paper.products and a.metal not in named
            }  # fmt: skip
            products = [self.bench.product(address) for address in paper.products]
            if not said or any(p.damp or p.interval_g for p in products):
                continue
            whole = sum(p.weight_g for p in products)
            grams = {a: self.bench.product(a.address).weight_g for a in said.values()}
            filled = sum(paper.melted_g * line.fineness for line in paper.metals) + sum(
                a.share * weight for a, weight in grams.items()
            )
            moved = [a.u * weight for a, weight in grams.items()] + [
                handling_sd(p, self.bench, self.k) for p in products
            ]
            moved += [self.k["product_assay.fire_u"] * paper.melted_g] * len(named)
            spread = math.hypot(*moved, self.k["balance.scale_sd"] * whole)
            entries = [self.say_paper(paper, line) for line in paper.metals if line.name in named]
            entries += [self.say_product_assay(a) for a in said.values()]
            check = "all metals together are more than the products weighed: metals and decimal points of both"
            yield Clash(tuple(entries), (filled - whole) / spread, check)

    def too_heavy(self) -> Iterator[Clash]:
        """More metal in the products of a batch than the assays of what went in allow."""
        for item in self.items:
            if not item.products:
                continue
            for address in item.portions:
                for assay in self.assays_of(address, item.metal):
                    allowed = self.allowed(item, address, assay)
                    sds = self.gap(self.seen(item), allowed)
                    check = "unit, form and dryness of the weight, unit of the assay, and that it is the right batch"
                    yield Clash((*self.say_products(item), self.say_assay(assay)), sds, check)

    def poorer_than_assayed(self) -> Iterator[Clash]:
        """Less metal, or none, where an ordinary run of what was assayed gives more."""
        for item in self.items:
            if item.role == "O" or len(item.portions) > 1:
                continue
            (address,) = item.portions
            for assay in self.assays_of(address, item.metal):
                if not assay.below_detection:
                    sds = self.gap(self.allowed(item, address, assay), self.charge(item))
                    check = "unit of both, what became of the liquid, and whether the run failed"
                    yield Clash((*self.say_result(item), self.say_assay(assay)), sds, check)

    def unlike_weights(self) -> Iterator[Clash]:
        """Two runs of portions of one fraction that gave unlike amounts per kilogram."""
        alone: dict[tuple[str, str], list[BatchMetal]] = {}
        for item in self.items:
            address = next(iter(item.portions))
            if item.role != "O" and len(item.portions) == 1 and not self.bench.fraction(address).layers_kg:
                alone.setdefault((address, item.metal), []).append(item)
        for (address, _), items in alone.items():
            for pair in itertools.combinations(items, 2):
                low, high = sorted(pair, key=partial(self.per_kg, address))
                if not high.products:
                    continue  # two limits
                ratio = math.log(high.portions[address] / low.portions[address])
                rich = self.charge(high)
                sds = self.gap(Amount(rich.ln - ratio, rich.sd), self.charge(low))
                check = "unit and metal of both, and whether one of the runs failed"
                yield Clash((*self.say_result(pair[0]), *self.say_result(pair[1])), sds, check)

    def per_kg(self, address: str, item: BatchMetal) -> float:
        return self.charge(item).ln - math.log(item.portions[address])

    def gap(self, more: Amount, less: Amount) -> float:
        return (more.ln - less.ln) / math.hypot(more.sd, less.sd)

    def seen(self, item: BatchMetal) -> Amount:
        """Metal in the products of a batch as they were read."""
        parts = [self.in_product(product) for product in item.products]
        grams = [math.exp(part.ln) for part in parts]
        sd = sum(g * part.sd for g, part in zip(grams, parts, strict=True)) / sum(grams)
        return Amount(math.log(sum(grams)), sd)

    def in_product(self, product: Product) -> Amount:
        form = self.catalogue.forms[product.form]
        width = product.interval_g or product.readability_g
        reading = math.hypot(handling_sd(product, self.bench, self.k), width / math.sqrt(12)) / product.weight_g
        _, spread = logit_normal(form.purity)
        parts = [reading, spread * (1 - form.purity.q50), self.k["balance.scale_sd"]]
        ln = math.log(product.weight_g * form.factor * form.purity.q50)
        if product.damp:
            moisture = self.catalogue.shares["moisture"]
            ln += math.log1p(-moisture.q50)
            parts.append(logit_normal(moisture)[1] * moisture.q50)
        return Amount(ln, math.hypot(*parts))

    def charge(self, item: BatchMetal) -> Amount:
        """Metal that an ordinary run with this result had in its charge; the most of it for "nothing below g"."""
        row = self.catalogue.routes[item.route].recovery[item.metal]
        _, spread = logit_normal(row)
        if item.products:
            seen = self.seen(item)
        else:
            assert item.nondetect is not None
            seen = Amount(math.log(item.nondetect.below_g), 0.0)
        return Amount(seen.ln - math.log(row.q50), math.hypot(seen.sd, spread * (1 - row.q50)))

    def allowed(self, item: BatchMetal, assayed: str, assay: Assay) -> Amount:
        """The most metal that went into a batch, one of its fractions being as an assay says."""
        total, moved = 0.0, 0.0
        for address, dry_kg in item.portions.items():
            if address == assayed:
                grams = dry_kg * assay.value_g_per_t / 1000
                moved = grams * math.hypot(assay.u_rel, self.portion_sd(item, address))
            else:
                grams = dry_kg * self.most_g_per_t(address, item.metal) / 1000
            total += grams
        return Amount(math.log(total), moved / total)

    def most_g_per_t(self, address: str, metal: str) -> float:
        """The richest that a fraction can be, by its assays at their upper end or by its kind."""
        top = grade_scale(self.bench, self.catalogue, self.bench.fraction(address).kind, metal).limit
        said = [a.value_g_per_t * math.exp(BEYOND_SDS * a.u_rel) for a in self.assays_of(address, metal)]
        return min(max(said, default=top), top)

    def portion_sd(self, item: BatchMetal, address: str) -> float:
        """Relative sd of the grade of a portion against its whole fraction (a Dirichlet share)."""
        fraction = self.bench.fraction(address)
        whole = max(fraction.mass_kg, self.bench.charged_kg(address))
        share = min(item.portions[address] / whole, 1.0)
        pieces = pieces_per_kg(self.bench, self.catalogue, address) * whole
        return math.sqrt((1 - share) / share / (pieces + 1))

    def say_products(self, item: BatchMetal) -> tuple[Entry, ...]:
        return tuple(Entry(p.event, f"{item.batch}/{p.name}, {p.weight_g:g} g of {p.form}") for p in item.products)

    def say_result(self, item: BatchMetal) -> tuple[Entry, ...]:
        if item.nondetect is None:
            return self.say_products(item)
        said = item.nondetect
        return (Entry(said.event, f"{item.batch}, no {item.metal} above {said.below_g:g} g"),)

    def say_assay(self, assay: Assay) -> Entry:
        below = "below " if assay.below_detection else ""
        return Entry(assay.event, f"assay of {assay.address}, {below}{assay.value_g_per_t:g} g/t {assay.metal}")

    def say_product_assay(self, assay: ProductAssay) -> Entry:
        return Entry(assay.event, f"assay of {assay.address}, {100 * assay.share:g} % {assay.metal}")

    def say_paper(self, paper: Settlement, line: SettledMetal) -> Entry:
        return Entry(paper.event, f"settlement, {paper.melted_g:g} g of {100 * line.fineness:g} % {line.name}")
