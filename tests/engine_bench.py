"""Invented benches for the tests of the belief room, built from records without a ledger."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from gradeest.materials.catalogue import Catalogue
from gradeest.records.domain import (
    AshLink,
    Assay,
    Balance,
    BalanceCheck,
    Batch,
    Bench,
    Charge,
    Fraction,
    Loss,
    Lot,
    Moment,
    NonDetect,
    Product,
    ProductAssay,
    SettledMetal,
    Settlement,
    SpotResult,
    SpotTest,
    Stream,
    StreamSort,
)

DAY = dt.date(2025, 1, 1)


def lot(name: str, *fractions: Fraction) -> Lot:
    return Lot(name, DAY, fractions)


def product(
    name: str, batch: str, metal: str, form: str, weight_g: float, step_g: float = 0.01, **more: Any
) -> Product:
    return Product(name, batch, metal, form, weight_g, step_g, DAY, **more)


def batch(
    name: str,
    route: str,
    charges: Sequence[tuple[str, float]],
    *products: Product,
    closed: bool = True,
    nondetects: Sequence[NonDetect] = (),
    aside: Sequence[str] = (),
    lost: Sequence[tuple[float, float]] = (),
    left: Mapping[str, StreamSort] | None = None,
) -> Batch:
    taken = tuple(Charge(address, mass_kg) for address, mass_kg in charges)
    streams = tuple(Stream(each, name, "set-aside", 0.01, None, DAY) for each in aside)
    streams += tuple(Stream(each, name, sort, 0.01, None, DAY) for each, sort in (left or {}).items())
    losses = tuple(Loss(name, low, high, "", DAY) for low, high in lost)
    return Batch(
        name, DAY, route, taken, DAY if closed else None, products, tuple(nondetects), streams=streams, losses=losses
    )


def bench(
    lots: Sequence[Lot],
    batches: Sequence[Batch] = (),
    assays: Sequence[Assay] = (),
    checks: Sequence[BalanceCheck] = (),
    product_assays: Sequence[ProductAssay] = (),
    settlements: Sequence[Settlement] = (),
) -> Bench:
    return Bench(
        {each.name: each for each in lots},
        {each.name: each for each in batches},
        tuple(assays),
        balances={each.balance: Balance(each.balance, 0.01, DAY) for each in checks},
        checks=tuple(checks),
        product_assays=tuple(product_assays),
        settlements=tuple(settlements),
    )


def assay(address: str, metal: str, value_g_per_t: float, u_rel: float, below: bool = False) -> Assay:
    return Assay(address, metal, value_g_per_t, u_rel, DAY, below_detection=below)


def assayed(kind: str, metal: str, *results: tuple[float, float, bool]) -> Bench:
    """One fraction of 1 kg, L/a, with assays (g/t, relative sd, below detection) and nothing else."""
    return bench([lot("L", Fraction("a", kind, 1.0))], (), [assay("L/a", metal, *each) for each in results])


def spot_test(
    batch: str, result: SpotResult, volume_l: float, moment: Moment = "after-drop", metal: str = "Au"
) -> SpotTest:
    return SpotTest(batch, metal, result, volume_l, moment, DAY)


def product_assay(address: str, share: float, u: float = 0.002, metal: str = "Au") -> ProductAssay:
    return ProductAssay(address, metal, share, u, "fire", DAY)


def settlement(products: Sequence[str], melted_g: float, **fineness: float) -> Settlement:
    lines = tuple(SettledMetal(metal, share) for metal, share in fineness.items())
    return Settlement(tuple(products), melted_g, melted_g, lines, 0.0, 0.0, 0.0, DAY)


def every_evidence() -> Bench:
    """Every kind of evidence on one bench: 27 batches, three lots, three metals.

    Closed weights with two products, on two balances, one of them checked, damp, and as salts; a pooled drop;
    portions and rests; an open batch; nothing dropped with the liquid tested and gone; readings of a few digits; an
    old note's interval after a spill, with a stream set aside; counted pieces; a plated area; a jar of two sources,
    run and assayed; spot tests before and after the drop, beside weights, limits and alone; assays of a powder and
    a salt, a settlement of products of three, one of them coarse; assays, one of a weighed fraction and one below
    detection; correlated silver and palladium; wet and mixed fractions; undecided switches; streams that a later
    batch weighed, weighed as part of a pool, or found nothing in, of routes of both sorts, and some that stand still;
    ash of their filters, weighed and with nothing found; products of an open batch, of few digits and of a stream
    melted together after a spill, two weights, and one of these refined once more, its liquid tested, assayed and
    settled; residues run again, of weighed batches with spot tests, ash and streams beside, of one where nothing
    dropped, of one without a result, of a metal that a route leaves there; what was wiped up of a spill; an assay of
    silver in a palladium salt, which a refiner found too.
    """
    lots = [
        lot(
            "L1", Fraction("fing", "fingers-memory", 2.0, pieces=400), Fraction("pins", "pins-mixed", 1.0, mixed=True),
            Fraction("late", "chips-from-2014", 1.5), Fraction("mlcc", "mlcc-unsorted", 0.4),
            Fraction("wet", "chips-mixed", 1.0, wet=True), Fraction("few", "chips-from-2014", 0.6),
        ),
        lot(
            "L2", Fraction("fing", "fingers-memory", 1.0), Fraction("pins", "pins-mixed", 0.2),
            Fraction("mlcc", "mlcc-unsorted", 0.3), Fraction("late", "chips-from-2014", 0.5),
            Fraction("jar", "chips-dip", 0.9, layers_kg=(0.5, 0.4)),
        ),
        lot("L3", Fraction("ash", "ash-filters", 0.05), Fraction("wipes", "ash-filters", 0.03)),
    ]  # fmt: skip
    gone = NonDetect("B4", "Au", 0.02, "gone", DAY)
    negative = NonDetect("B6", "Pd", 0.02, "tested-negative", DAY)
    batches = [
        batch(
            "B1", "foils-peroxide", [("L1/fing", 1.0)],
            product("au-1", "B1", "Au", "gold-powder", 2.2), product("au-2", "B1", "Au", "gold-powder", 0.11),
        ),
        batch(
            "B2", "pins-nitric", [("L1/fing", 0.5), ("L1/pins", 0.6)],
            product("au-1", "B2", "Au", "gold-button", 1.9, balance="pocket"), aside=["bits"],
        ),
        batch(
            "B3", "mlcc-nitric", [("L1/mlcc", 0.2)],
            product("ag-1", "B3", "Ag", "silver-chloride", 1.1), product("pd-1", "B3", "Pd", "palladium-dmg", 0.72),
        ),
        batch("B4", "chips-burn", [("L2/late", 0.5)], nondetects=[gone]),
        batch(
            "B5", "foils-peroxide", [("L2/fing", 0.4)], product("au-1", "B5", "Au", "gold-powder", 0.8, damp=True),
            closed=False,
        ),
        batch("B6", "mlcc-nitric", [("L2/mlcc", 0.1)], nondetects=[negative]),
        batch("B7", "chips-burn", [("L1/wet", 0.3)], product("au-1", "B7", "Au", "gold-powder", 0.01)),
        batch("B8", "chips-burn", [("L1/few", 0.6)], product("au-1", "B8", "Au", "gold-powder", 0.06, damp=True)),
        batch(
            "B9", "foils-peroxide", [("L2/fing", 0.3)],
            product("au-1", "B9", "Au", "gold-powder", 0.5, interval_g=0.4), aside=["wires"], lost=[(0.2, 0.5)],
        ),
        batch(
            "B10", "chips-burn", [("L2/jar", 0.6)], product("au-1", "B10", "Au", "gold-powder", 0.09),
            aside=["dies", "legs", "grit"],
        ),
        batch("B12", "mlcc-nitric", [("L2/mlcc", 0.1)], nondetects=[replace(negative, batch="B12")], aside=["bits"]),
        batch("B13", "chips-burn", [("L1/late", 0.2)], nondetects=[replace(gone, batch="B13")]),
        batch("B14", "ash-leach", [("B9/wires", 0.005)], product("au-1", "B14", "Au", "gold-powder", 0.12)),
        batch(
            "B15", "ash-leach", [("L2/pins", 0.2), ("B10/dies", 0.005)],
            product("au-1", "B15", "Au", "gold-powder", 0.31),
        ),
        batch("B16", "ash-leach", [("B10/legs", 0.01)], nondetects=[NonDetect("B16", "Au", 0.05, "gone", DAY)]),
    ]  # fmt: skip
    tests = {
        "B1": [spot_test("B1", "faint", 2.0), spot_test("B1", "strong", 2.0, "before-drop")],
        "B4": [spot_test("B4", "clear", 0.5)], "B5": [spot_test("B5", "clear", 1.0)],
        "B12": [spot_test("B12", "negative", 1.5, metal="Pd")], "B8": [spot_test("B8", "faint", 3.0, "before-drop")],
    }  # fmt: skip
    batches = [replace(one, spot_tests=tuple(tests.get(one.name, ()))) for one in batches]
    waiting = batch("B11", "chips-burn", [("L1/late", 0.3)], closed=False)
    only_tested = replace(waiting, spot_tests=(spot_test("B11", "clear", 1.0, "before-drop"),))
    ash = batch("B17", "ash-leach", [], product("au-1", "B17", "Au", "gold-powder", 0.06))
    none = batch("B18", "ash-leach", [], nondetects=[NonDetect("B18", "Au", 0.3, "tested-negative", DAY)])
    of_dies = Charge("L3/ash", 0.05, (), AshLink(("B10",), "furnace"))
    of_strips = Charge("L3/wipes", 0.03, (), AshLink(("B1",), "open-flame", (0.01, 0.2)))
    batches += [replace(ash, charges=(of_dies,)), replace(none, charges=(of_strips,))]
    batches[9] = replace(batches[9], charges=(Charge("L2/jar", 0.6, (0.3, 0.3)),))
    batches.append(only_tested)
    batches += second_passes()
    again = {"B1": "residue", "B3": "residue", "B10": "residue", "B13": "residue", "B9": "wiped-up"}
    batches = [
        replace(one, streams=(*one.streams, Stream("again", one.name, again[one.name], 0.01, None, DAY)))
        if one.name in again else one for one in batches
    ]  # fmt: skip
    small = {"B10/grit": 2e-4, "B12/bits": 2e-4}  # kg: little enough to be full of metal
    batches = [
        replace(one, streams=tuple(replace(s, mass_kg=small.get(s.address, s.mass_kg)) for s in one.streams))
        for one in batches
    ]
    batches += [
        batch(
            "B19", "melt-products", [("B5/au-1", 0.0008), ("B7/au-1", 1e-5), ("B14/au-1", 0.00012)],
            product("au-1", "B19", "Au", "gold-button", 0.78),
            product("au-2", "B19", "Au", "gold-button", 0.05, damp=True),
            lost=[(0.02, 0.1)],
        ),
        replace(
            batch(
                "B20", "refine-gold", [("B19/au-1", 0.00078)],
                product("au-1", "B20", "Au", "gold-powder-refined", 0.72),
            ),
            spot_tests=(spot_test("B20", "faint", 0.5), spot_test("B20", "strong", 0.4, "before-drop")),
        ),
    ]  # fmt: skip
    assays = [
        replace(assay("L2/jar", "Au", 180, 0.2), layers_kg=(0.5, 0.4)),
        assay("L1/late", "Au", 310, 0.05), assay("L1/fing", "Au", 2600, 0.1), assay("L2/mlcc", "Ag", 25, 0.3, True),
        replace(assay("L2/fing", "Au", 1900, 0.3), method="plating"),
    ]  # fmt: skip
    return bench(lots, batches, assays, [BalanceCheck("pocket", 5.0, 4.98, DAY)],
        [product_assay("B1/au-2", 0.97), product_assay("B3/ag-1", 0.74, 0.004, "Ag"), product_assay("B19/au-1", 0.98),
            product_assay("B3/pd-1", 0.03, 0.01, "Ag")],
        [
            settlement(["B1/au-1", "B2/au-1", "B8/au-1"], 4.1, Au=0.965, Ag=0.01),
            settlement(["B20/au-1", "B15/au-1"], 1.0, Au=0.99),
            settlement(["B3/pd-1"], 0.7, Pd=0.3, Ag=0.035, Au=0.01),
        ],
    )  # fmt: skip


def second_passes() -> list[Batch]:
    """Batches of what others left over, and of what was wiped up; B24 has no result of its own."""

    def weighed(name: str, of: str, grams: float, step: float = 0.01) -> Batch:
        return batch(name, "ash-leach", [(of, 0.01)], product("au-1", name, "Au", "gold-powder", grams, step))

    return [
        weighed("B21", "B1/again", 0.05), weighed("B22", "B13/again", 0.02, 0.02), weighed("B23", "B3/again", 0.06),
        batch("B24", "foils-peroxide", [("L2/fing", 0.1)], left={"again": "residue"}),
        weighed("B25", "B24/again", 0.03, 0.02), weighed("B26", "B9/again", 0.04),
        batch("B27", "ash-leach", [("B10/again", 0.005)], nondetects=[NonDetect("B27", "Au", 0.02, "gone", DAY)]),
    ]  # fmt: skip


def with_row(catalogue: Catalogue, kind: str, metal: str, **changes: Any) -> Catalogue:
    """The catalogue with one grade row changed."""
    grades = {**catalogue.kinds[kind].grades, metal: replace(catalogue.kinds[kind].grades[metal], **changes)}
    return replace(catalogue, kinds={**catalogue.kinds, kind: replace(catalogue.kinds[kind], grades=grades)})


def with_constants(catalogue: Catalogue, **changes: float) -> Catalogue:
    """The catalogue with constants changed; a dot in a name is written as two underscores."""
    named = {name.replace("__", "."): value for name, value in changes.items()}
    unknown = set(named) - set(catalogue.constants)
    assert not unknown, unknown
    return replace(catalogue, constants={**catalogue.constants, **named})
