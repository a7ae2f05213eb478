"""Owners of a mixed batch: hand-made draws give hand-worked shares, and the split adds up exactly."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gradeest.belief.posterior import Posterior, draw_prior
from gradeest.materials.catalogue import load_catalogue
from gradeest.records.domain import METALS, Assay, Batch, Bench, Charge, Fraction, Lot, Product
from gradeest.workflow.holdings import Holdings
from gradeest.workflow.opening import Opened, Place
from gradeest.workflow.whereabouts import WhereShown, share_out, split_weight, trace_batch

DAY = dt.date(2024, 3, 1)
CATALOGUE = load_catalogue()
GOLD = Product("au-1", "B1", "Au", "gold-powder", 3.0, 0.01, DAY)
CHARGES = (Charge("mine/strips", 0.6), Charge("ann/cards", 0.4), Charge("mine/pins", 0.2))
BATCH = Batch("B1", DAY, "foils-peroxide", CHARGES, closed=DAY, products=(GOLD,))
LOTS = {
    "mine": Lot("mine", DAY, (Fraction("strips", "fingers-memory", 1.0), Fraction("pins", "fingers-memory", 0.5))),
    "ann": Lot("ann", DAY, (Fraction("cards", "fingers-cards", 0.4),), owner="ann"),
}
BENCH = Bench(LOTS, {"B1": BATCH})
# Invented draws, in turn: gold in g of each charge. Shares of mine: 3/4, 1/2, 3/4, 1/2; their mean is 5/8.
CHARGED = {"mine/strips": (2.0, 1.0, 4.0, 1.5), "ann/cards": (1.0, 2.0, 2.0, 2.0), "mine/pins": (1.0, 1.0, 2.0, 0.5)}


def make_holdings(tmp_path: Path, bench: Bench = BENCH, **charged: Any) -> Holdings:
    place = Place(tmp_path / "x.ledger", None, 1, "fast", dt.datetime(2024, 6, 1, tzinfo=dt.UTC))
    ledger: Any = None
    posterior = draw_prior(bench, CATALOGUE, np.random.default_rng(3), 4000)
    told = charged.get("charged", CHARGED)
    charge_g = {("B1", address, "Au"): np.resize(np.array(grams), 4000) for address, grams in told.items()}
    made = Posterior(**{**posterior.__dict__, "charge_g": charge_g})
    return Holdings(Opened(place, ledger, CATALOGUE, bench), made)


def by_owner(holdings: Holdings) -> WhereShown:
    return trace_batch(holdings, holdings.bench.batches["B1"], "owner")


def test_owners_shares_are_those_worked_by_hand(tmp_path: Path) -> None:
    shown = by_owner(make_holdings(tmp_path))
    mine, ann = (row for row in shown.brought if row.metal == "Au")
    assert (mine.name, ann.name) == ("mine", "ann")
    assert (mine.mass_kg, ann.mass_kg) == (pytest.approx(0.8), pytest.approx(0.4))
    assert mine.contained_g.mean == pytest.approx((3 + 2 + 6 + 2) / 4)
    assert ann.contained_g.mean == pytest.approx((1 + 2 + 2 + 2) / 4)
    assert (mine.share.q5, mine.share.q95) == (pytest.approx(0.5), pytest.approx(0.75))
    (product,) = shown.products
    assert [part.share for part in product.parts] == [pytest.approx(5 / 8), pytest.approx(3 / 8)]
    # 300 steps of 0.01 g: 187.5 and 112.5; of equal remainders the first gets the step
    assert [part.split_g for part in product.parts] == [1.88, 1.12]
    assert sum(part.fine_g.mean for part in product.parts) == pytest.approx(product.fine_g.mean)


def test_a_split_by_mass_would_be_another(tmp_path: Path) -> None:
    """The twin: who is rich matters, so shares by mass (2/3) are not what comes out."""
    shown = by_owner(make_holdings(tmp_path))
    assert abs(shown.products[0].parts[0].share - 0.8 / 1.2) > 0.03
    rich = {**CHARGED, "ann/cards": tuple(10 * grams for grams in CHARGED["ann/cards"])}
    other = by_owner(make_holdings(tmp_path, charged=rich))
    assert other.products[0].parts[0].share < 0.5


def test_by_charge_every_charge_has_its_row(tmp_path: Path) -> None:
    holdings = make_holdings(tmp_path)
    shown = trace_batch(holdings, BATCH, "charge")
    assert [part.name for part in shown.products[0].parts] == ["mine/strips", "ann/cards", "mine/pins"]
    assert sum(part.share for part in shown.products[0].parts) == pytest.approx(1)


def test_what_parts_the_owners_is_said_beside_the_batch(tmp_path: Path) -> None:
    assays = (Assay("ann/cards", "Au", 900.0, 0.05, DAY, event=9),)
    shown = by_owner(make_holdings(tmp_path, Bench(LOTS, {"B1": BATCH}, assays)))
    assert [row.beside for row in shown.brought if row.metal == "Au"] == ["prior only", "1 assay"]
    assert shown.rests_on["Au"] == "results of B1"
    assert any("speak of the sum" in note for note in shown.notes)


def test_one_owner_has_nothing_to_split(tmp_path: Path) -> None:
    lots = {**LOTS, "ann": Lot("ann", DAY, LOTS["ann"].fractions)}
    shown = by_owner(make_holdings(tmp_path, Bench(lots, {"B1": BATCH})))
    assert [part.split_g for part in shown.products[0].parts] == [3.0]
    assert "nothing is to be split" in shown.notes[0]


def test_without_a_result_charges_add_up_to_what_the_fraction_holds(tmp_path: Path) -> None:
    """Silver: no result speaks of it; two batches that take all of a fraction share what is in it."""
    halves = {
        name: Batch(name, DAY, "foils-peroxide", (Charge("ann/cards", kg),)) for name, kg in (("B1", 0.1), ("B2", 0.3))
    }
    holdings = make_holdings(tmp_path, Bench(LOTS, halves), charged={})
    grade = holdings.posterior.grade_g_per_t[:, holdings.posterior.fractions.index("ann/cards")]
    for name, kg in (("B1", 0.1), ("B2", 0.3)):
        got = holdings.contained(halves[name])
        error = np.std(got - grade * kg / 1000, axis=0) / np.sqrt(len(got))
        assert (np.abs(got.mean(axis=0) - grade.mean(axis=0) * kg / 1000) < 4 * error + 1e-12).all()
    whole = Batch("B1", DAY, "foils-peroxide", (Charge("ann/cards", 0.4),))
    all_of_it = make_holdings(tmp_path, Bench(LOTS, {"B1": whole}), charged={})
    assert all_of_it.contained(whole) == pytest.approx(grade * 0.4 / 1000)


def test_what_a_result_speaks_of_is_not_in_the_rest(tmp_path: Path) -> None:
    first = Batch("B1", DAY, "foils-peroxide", (Charge("ann/cards", 0.1),), closed=DAY)
    second = Batch("B2", DAY, "foils-peroxide", (Charge("ann/cards", 0.3),))
    holdings = make_holdings(tmp_path, Bench(LOTS, {"B1": first, "B2": second}), charged={"ann/cards": (1e-6,)})
    gold = METALS.index("Au")
    grade = holdings.posterior.grade_g_per_t[:, holdings.posterior.fractions.index("ann/cards"), gold]
    assert holdings.contained(second)[:, gold] == pytest.approx(np.maximum(grade * 0.4 / 1000 - 1e-6, 0))


def test_shares_of_nothing_are_even() -> None:
    shares = share_out({"a": np.zeros((2, 3)), "b": np.zeros((2, 3))})
    assert (shares["a"] == 0.5).all()


@given(
    st.integers(1, 5000), st.sampled_from(["0.001", "0.01", "0.02", "0.1"]),
    st.lists(st.floats(0.001, 1.0), min_size=1, max_size=6),
)  # fmt: skip
def test_a_split_adds_up_to_the_product_exactly(steps: int, step: str, weights: list[float]) -> None:
    weight = float(steps * Decimal(step))
    shares = [w / sum(weights) for w in weights]
    parts = split_weight(weight, float(step), shares)
    assert sum(Decimal(repr(part)) for part in parts) == Decimal(repr(weight))
    for part, share in zip(parts, shares, strict=True):
        assert abs(part - weight * share) <= float(step) * (1 + 1e-6)


def test_a_weight_between_steps_is_split_whole() -> None:
    assert split_weight(2.505, 0.01, [0.4, 0.6]) == (1.0, 1.505)
    assert split_weight(1.0, 0.0, [0.4, 0.6]) == (0.4, 0.6)
