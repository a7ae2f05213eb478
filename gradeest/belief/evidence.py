"""Which records say something about which grade: the evidence, sorted by how it enters the balance.

W  a closed batch with a weight above one digit: read backwards
O  an open batch with weights so far, a lower bound: read backwards from an unknown final product
N  nothing dropped, below a limit, the liquid tested negative or gone
S  a closed batch whose weights are all of one digit, or whose charge holds a stream of a batch that is none of W and O
   for this metal: ordinary likelihood
R  a closed batch of products of earlier ones with a weight above one digit: it tells what those held (rerefining.py)
X  no result of its own; a stream that it left went into a batch that has one
T  nothing but spot tests of its liquid; or no result, but what it left over went into a batch that has one

Spot tests of a batch's liquid stand beside any of these.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

from gradeest.belief.layers import jar_of, parts_of
from gradeest.belief.papers import CarriedLine, read_assays, read_papers
from gradeest.materials.catalogue import Catalogue
from gradeest.records.domain import (
    LEFT_OVER,
    METALS,
    AshLink,
    Assay,
    Batch,
    Bench,
    NonDetect,
    Product,
    ProductAssay,
    Settlement,
    SpotTest,
    StreamSort,
)
from gradeest.records.refined import takes_products

Role = Literal["W", "O", "N", "R", "S", "T", "X"]
ROLES: tuple[Role, ...] = ("W", "O", "N", "R", "S", "T", "X")
WORDS = {"W": "weight", "S": "weight", "R": "weight", "O": "weight so far", "N": "non-detect"}  # what a role rests on
WHOLE = 1e-9  # of a stream: less than this is no part of it
DIGITS_TO_READ_BACKWARDS = 1.5  # readability steps in the heaviest product; below, it may be nothing but handling


@dataclass(frozen=True)
class StreamPart:
    """A stream (BATCH/STREAM) that went into a later batch, and the share of its mass that did: it is well mixed."""

    address: str
    share: float
    sort: StreamSort = "set-aside"

    @property
    def left_by(self) -> str:
        """The batch that left it."""
        return self.address.partition("/")[0]


@dataclass(frozen=True)
class ProductPart:
    """A product (BATCH/PRODUCT) that went into a later batch, and the share of its weight that did."""

    address: str
    share: float

    @property
    def made_by(self) -> str:
        """The batch that gave it."""
        return self.address.partition("/")[0]


@dataclass(frozen=True)
class BatchMetal:
    """What one batch says about one metal. `portions` are dry masses in kg by fraction address."""

    batch: str
    route: str
    metal: str
    role: Role
    products: tuple[Product, ...]  # heaviest first
    nondetect: NonDetect | None
    portions: dict[str, float]
    tests: tuple[SpotTest, ...] = ()  # of its liquid
    streams: tuple[StreamPart, ...] = ()
    leaves: bool = False  # whether what it left over, residue or solution, went into a batch with a result
    through: Mapping[str, str] = field(default_factory=dict)  # fractions that came whole as what a batch left: stream
    refined: tuple[ProductPart, ...] = ()  # products of this metal, of a batch that refines products

    @property
    def tells_recovery(self) -> bool:
        """Whether the run's own recovery is an unknown: with a bare limit, or of products, it is summed out."""
        return self.role not in "RX" and (self.role != "N" or bool(self.tests) or self.leaves)

    @property
    def members(self) -> int:
        """How many fractions and streams went in."""
        return len(self.portions) + len(self.streams)

    @property
    def batch_metal(self) -> tuple[str, str]:
        """What names it."""
        return self.batch, self.metal


@dataclass(frozen=True)
class Evidence:
    """All evidence of a bench, batch metals ordered by role, and the notes a person should read."""

    batch_metals: tuple[BatchMetal, ...]
    assays: tuple[Assay, ...]
    notes: tuple[str, ...]
    links: Mapping[tuple[str, str], AshLink]  # (address, metal) of ash, to batches with a weight of that metal
    product_assays: tuple[ProductAssay, ...] = ()
    settlements: tuple[Settlement, ...] = ()  # lines of metals whose products are all followed
    carried_lines: tuple[CarriedLine, ...] = ()

    def cells(self) -> tuple[tuple[str, str], ...]:
        """(address, metal) of every grade that some evidence touches, in order of first mention."""
        found: dict[tuple[str, str], None] = {}
        for item in self.batch_metals:
            found.update({(address, item.metal): None for address in item.portions})
        found.update({(address, assay.metal): None for assay in self.assays for address, _ in parts_of(assay)})
        return tuple(found)

    def carried_into(self, item: BatchMetal) -> tuple[tuple[ProductAssay, ...], tuple[CarriedLine, ...]]:
        """What assays and papers found of the metal in other products of a batch that has a weight of its own."""
        if item.role != "W":
            return (), ()
        of_other = {
            f"{one.batch}/{product.name}" for one in self.batch_metals
            if one.batch == item.batch and one.metal != item.metal for product in one.products
        }  # fmt: skip
        assays = (a for a in self.product_assays if a.metal == item.metal and a.address in of_other)
        lines = (one for one in self.carried_lines if one.metal == item.metal and of_other.intersection(one.products))
        return tuple(assays), tuple(lines)

    def said_of_products(self, item: BatchMetal) -> tuple[tuple[str, int], ...]:
        """How many assays of its products and settlements speak of a batch and metal."""
        names = {f"{item.batch}/{product.name}" for product in item.products}
        assays = sum(a.metal == item.metal and a.address in names for a in self.product_assays)
        told = [s for s in self.settlements if names.intersection(s.products)]
        settled = sum(any(line.name == item.metal for line in s.metals) for s in told)
        carried = self.carried_into(item)
        assays, settled = assays + len(carried[0]), settled + len(carried[1])
        return ("product assay", assays), ("settlement", settled)

    def rests_on(self) -> dict[tuple[str, str], str]:
        """In words, what each touched grade rests on; the sources of a jar together."""
        counts: dict[tuple[str, str], dict[str, int]] = {}
        for item in self.batch_metals:
            word = WORDS.get(item.role, "")
            many = len(item.products) if item.role in "WSR" else 1
            own = [address for address in item.portions if address not in item.through]
            for before, addresses in (("", own), ("later ", (*item.through, *self.behind(item)))):
                for address in dict.fromkeys(jar_of(part) for part in addresses):
                    cell = counts.setdefault((address, item.metal), {})
                    for name, more in ((word, many), ("spot test", len(item.tests)), *self.said_of_products(item)):
                        if name and more:
                            cell[before + name] = cell.get(before + name, 0) + more
        for assay in self.assays:
            cell = counts.setdefault((jar_of(assay.address), assay.metal), {})
            word = "plated area" if assay.method == "plating" else "assay"
            cell[word] = cell.get(word, 0) + 1
        return {
            key: ", ".join(f"{n} {word}{'s' if n > 1 and 'so far' not in word else ''}" for word, n in cell.items())
            for key, cell in counts.items()
        }

    def behind(self, item: BatchMetal) -> tuple[str, ...]:
        """Fractions whose metal is in what earlier batches left or gave that went into a batch."""
        found: dict[str, None] = {}
        links = [self.links[address, item.metal] for address in item.portions if (address, item.metal) in self.links]
        before = [part.left_by for part in item.streams] + [name for link in links for name in link.batches]
        before += [part.made_by for part in item.refined]
        for name in before:
            for other in self.batch_metals:
                if other.batch_metal == (name, item.metal):
                    found.update(dict.fromkeys((*other.portions, *self.behind(other))))
        return tuple(found)


def least_weight_g(product: Product) -> float:
    """What a product weighs at least as it was noted: the reading, or the lower end of an old note's interval, g."""
    return product.weight_g - product.interval_g / 2


def dry_share(bench: Bench, address: str, catalogue: Catalogue) -> float:
    """Share of a fraction's recorded mass that is dry feed (the moisture row's median where it is wet)."""
    return 1.0 - catalogue.shares["moisture"].q50 if bench.fraction(address).wet else 1.0


def recovers_of_all(route: str, catalogue: Catalogue) -> bool:
    """Whether a route's recovery is a share of all that was charged, what is set aside included."""
    return f"set-aside:{route}" in catalogue.shares


def gather(bench: Bench, catalogue: Catalogue) -> Evidence:
    """Sort the records of a bench into evidence. Routes that recover none of a metal say nothing about it."""
    found: dict[tuple[str, str], BatchMetal] = {}
    notes: list[str] = []
    for batch in bench.batches.values():
        for metal in METALS:
            if metal not in catalogue.routes[batch.route].recovery:
                continue
            if takes_products(batch):
                refined = _refined(bench, batch, metal, found, notes)
                if refined is not None:
                    found[refined.batch_metal] = refined
                continue
            item = _batch_metal(bench, batch, metal, catalogue)
            if item is None:
                continue
            item = _pass_through(item, bench, catalogue)
            if not _can_be_followed(item, bench, catalogue, found, notes):
                continue
            if not all(_is_told(part, metal, found) for part in item.streams):
                if item.role == "O":
                    notes.append(f"{batch.name} is open: its {metal} so far counts once it is closed")
                    if not item.tests:
                        continue
                    item = replace(item, role="T", products=())
                elif item.role == "W":
                    item = replace(item, role="S")
            found[batch.name, metal] = item
            if item.role == "O":
                notes.append(f"{batch.name} is open: its {metal} so far counts as a lower bound")
    for item in list(found.values()):
        _add_silent(item, bench, catalogue, found)
    for item in list(found.values()):
        for part in item.streams:
            earlier = found[part.left_by, item.metal]
            if part.sort in LEFT_OVER and earlier.role != "X":
                found[earlier.batch_metal] = replace(found[earlier.batch_metal], leaves=True)
    in_order = sorted(found.values(), key=lambda item: ROLES.index(item.role))  # stable: ledger order within a role
    links = _links(bench, found, notes)
    papers, carried = read_papers(bench, found, notes)
    assays = read_assays(bench, found, notes)
    return Evidence(tuple(in_order), bench.assays, tuple(notes), links, assays, papers, carried)


def _refined(
    bench: Bench, batch: Batch, metal: str, found: Mapping[tuple[str, str], BatchMetal], notes: list[str]
) -> BatchMetal | None:
    """What a batch of products says of one metal: its weights, once it is closed and all its products were followed."""
    parts = []
    for charge in batch.charges:
        name = charge.address.partition("/")[2]
        if not name.startswith(f"{metal.lower()}-"):
            continue
        earlier = found.get((charge.address.partition("/")[0], metal))
        if earlier is None or all(product.name != name for product in earlier.products):
            if batch.products:
                notes.append(f"what {batch.name} gave says nothing of {charge.address}: its {metal} is not followed")
            return None
        weight = bench.product(charge.address).weight_g
        parts.append(ProductPart(charge.address, min(1000 * charge.mass_kg / weight, 1.0) if weight > 0 else 1.0))
    products = tuple(sorted((p for p in batch.products if p.metal == metal), key=lambda p: -p.weight_g))
    tests = tuple(t for t in batch.spot_tests if t.metal == metal)
    if not parts or not products:
        if parts and (tests or any(one.metal == metal for one in batch.nondetects)):
            notes.append(f"{batch.name} has no weight of {metal}: its liquid says nothing of the products that went in")
        return None
    if batch.is_open:
        notes.append(f"{batch.name} is open: its {metal} so far counts once it is closed")
        return None
    if products[0].weight_g <= DIGITS_TO_READ_BACKWARDS * products[0].readability_g:
        notes.append(f"{batch.name}: a weight of one digit says nothing of the products that went in")
        return None
    return BatchMetal(batch.name, batch.route, metal, "R", products, None, {}, tests, refined=tuple(parts))


def _links(
    bench: Bench, found: Mapping[tuple[str, str], BatchMetal], notes: list[str]
) -> dict[tuple[str, str], AshLink]:
    """Ash of filters, by metal: only a weight tells how much of it a batch left over, what others left is untracked."""
    links = {}
    for batch in bench.batches.values():
        for charge in batch.charges:
            for metal in METALS if charge.link is not None else ():
                assert charge.link is not None
                weighed = [name for name in charge.link.batches if _role(found, name, metal) in ("W", "O")]
                if not weighed:
                    continue  # nothing is tracked of this metal: it is ash like any other
                links[charge.address, metal] = replace(charge.link, batches=tuple(weighed))
                others = [name for name in charge.link.batches if name not in weighed]
                if others:
                    without = "has" if len(others) == 1 else "have"
                    notes.append(
                        f"{', '.join(others)} {without} no weight of {metal} that tells what was left over: what the "
                        f"filters held of it counts as untracked in {charge.address}"
                    )
    return links


def _role(found: Mapping[tuple[str, str], BatchMetal], batch: str, metal: str) -> str:
    item = found.get((batch, metal))
    return "" if item is None else item.role


def _is_told(part: StreamPart, metal: str, found: Mapping[tuple[str, str], BatchMetal]) -> bool:
    """Whether the batch that left a stream is read backwards for a metal: what it left can then be read off it."""
    earlier = found.get((part.left_by, metal))
    return earlier is not None and earlier.role in "WO"


def _pass_through(item: BatchMetal, bench: Bench, catalogue: Catalogue) -> BatchMetal:
    """The batch with what earlier ones left over of metals that their routes recover nothing of.

    All of such a metal is in the residue or in the solution, none in the other. Where that went in whole, and nothing
    of the earlier batch went elsewhere, this batch holds all that fractions brought there: as if it had taken them.
    """
    portions, kept = dict(item.portions), []
    through: dict[str, str] = {}
    for part in item.streams:
        if not _holds_any(part, item.metal, bench, catalogue):
            continue
        passed = _all_of(part, item.metal, bench, catalogue)
        if passed and not passed.keys() & portions.keys():
            portions |= passed
            through |= dict.fromkeys(passed, part.address)
        else:
            kept.append(part)
    return replace(item, portions=portions, streams=tuple(kept), through=through)


def _holds_any(part: StreamPart, metal: str, bench: Bench, catalogue: Catalogue) -> bool:
    """Whether a stream may hold a metal: not where all of that is elsewhere, or there was none of it."""
    batch = bench.batches[part.left_by]
    stays_in = catalogue.routes[batch.route].stays_in.get(metal)
    if stays_in and part.sort in LEFT_OVER and stays_in != part.sort:
        return False
    portions, streams = _charge(bench, batch, catalogue)
    return bool(portions) or any(_holds_any(before, metal, bench, catalogue) for before in streams)


def _all_of(part: StreamPart, metal: str, bench: Bench, catalogue: Catalogue) -> dict[str, float]:
    """What fractions brought into the batch that left a stream, where that and nothing else is in it; else nothing."""
    batch = bench.batches[part.left_by]
    if part.sort not in LEFT_OVER or metal in catalogue.routes[batch.route].recovery or part.share < 1 - WHOLE:
        return {}
    elsewhere = batch.losses or any(one.sort == "set-aside" for one in batch.streams)
    if elsewhere or any(charge.link or bench.is_of_batch(charge.address) for charge in batch.charges):
        return {}
    return _charge(bench, batch, catalogue)[0]


def _can_be_followed(
    item: BatchMetal, bench: Bench, catalogue: Catalogue, found: Mapping[tuple[str, str], BatchMetal], notes: list[str]
) -> bool:
    """Whether the metal of a batch can be traced to what it took; else it is said, and the result tells nothing."""
    if not item.members:
        if item.products:
            notes.append(f"{item.batch}: there should be no {item.metal} in what it took, so its weight tells nothing")
        return False
    lost = [part.address for part in item.streams if _is_untraced(part, item.metal, bench, catalogue, found)]
    if lost:
        notes.append(
            f"{item.batch}: what it gave of {item.metal} is not traced back through {', '.join(lost)}: where a route's "
            "recovery counts what was set aside as missing, only a weight tells what is in the rest"
        )
    return not lost


def _is_untraced(
    part: StreamPart, metal: str, bench: Bench, catalogue: Catalogue, found: Mapping[tuple[str, str], BatchMetal]
) -> bool:
    """Whether a stream, or one that it came through, is what was left over beside streams set aside of the rest too."""
    if _is_told(part, metal, found):
        return False
    batch = bench.batches[part.left_by]
    is_run = part.sort in LEFT_OVER and metal in catalogue.routes[batch.route].recovery
    if is_run and recovers_of_all(batch.route, catalogue) and any(one.sort == "set-aside" for one in batch.streams):
        return True
    return any(_is_untraced(one, metal, bench, catalogue, found) for one in _charge(bench, batch, catalogue)[1])


def _add_silent(item: BatchMetal, bench: Bench, catalogue: Catalogue, found: dict[tuple[str, str], BatchMetal]) -> None:
    """Add the batches without a result of their own that the metal of a batch's streams came through."""
    for part in item.streams:
        if (part.left_by, item.metal) not in found:
            batch = bench.batches[part.left_by]
            portions, streams = _charge(bench, batch, catalogue)
            is_run = part.sort in LEFT_OVER and item.metal in catalogue.routes[batch.route].recovery
            role: Role = "T" if is_run else "X"
            silent = BatchMetal(batch.name, batch.route, item.metal, role, (), None, portions, (), streams)
            silent = found[silent.batch_metal] = _pass_through(silent, bench, catalogue)
            _add_silent(silent, bench, catalogue, found)


def _charge(bench: Bench, batch: Batch, catalogue: Catalogue) -> tuple[dict[str, float], tuple[StreamPart, ...]]:
    """Dry masses in kg by fraction, and streams of earlier batches, that went into a batch."""
    portions: dict[str, float] = {}
    streams: list[StreamPart] = []
    for charge in batch.charges:
        if bench.is_of_batch(charge.address):
            stream = bench.stream(charge.address)
            whole = stream.mass_kg or charge.mass_kg
            streams.append(StreamPart(charge.address, min(charge.mass_kg / whole, 1.0), stream.sort))
        else:
            dry = charge.mass_kg * dry_share(bench, charge.address, catalogue)
            portions[charge.address] = portions.get(charge.address, 0.0) + dry
    return portions, tuple(streams)


def _batch_metal(bench: Bench, batch: Batch, metal: str, catalogue: Catalogue) -> BatchMetal | None:
    portions, streams = _charge(bench, batch, catalogue)
    products = tuple(sorted((p for p in batch.products if p.metal == metal), key=lambda p: -p.weight_g))
    tests = tuple(t for t in batch.spot_tests if t.metal == metal)
    role: Role
    if products:
        if not batch.is_open:
            heavy = products[0].weight_g > DIGITS_TO_READ_BACKWARDS * products[0].readability_g
            role = "W" if heavy else "S"
            return BatchMetal(batch.name, batch.route, metal, role, products, None, portions, tests, streams)
        if max(least_weight_g(p) for p in products) > 0:
            return BatchMetal(batch.name, batch.route, metal, "O", products, None, portions, tests, streams)
    else:
        said = [n for n in batch.nondetects if n.metal == metal]
        if said and said[-1].liquid != "kept":
            return BatchMetal(batch.name, batch.route, metal, "N", (), said[-1], portions, tests, streams)
    return BatchMetal(batch.name, batch.route, metal, "T", (), None, portions, tests, streams) if tests else None
