"""Where metal went: cases worked by hand, lots and periods, the drawing."""

from __future__ import annotations

import datetime as dt
import io
import math
import sys
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from gradeest.belief.flows import Known, flow_of
from gradeest.belief.places import PLACES
from gradeest.belief.posterior import draw_prior
from gradeest.belief.sharing import REACHED, RECOVERY, SO_FAR, rest_of
from gradeest.cli.where import BAR_WIDTH, EIGHTHS, bar
from gradeest.errors import InputError
from gradeest.materials.catalogue import load_catalogue
from gradeest.records.domain import (
    METALS,
    AshLink,
    Batch,
    Bench,
    Charge,
    Fraction,
    Loss,
    Lot,
    NonDetect,
    Product,
    Sale,
    Stream,
)
from gradeest.records.periods import Period, parse_period
from gradeest.report.flow_drawing import Band, MetalBands, draw_flows, place_slots
from gradeest.workflow.flowing import describe_flow, find_subject, gather_flow, notes_on_flow
from gradeest.workflow.holdings import Holdings
from gradeest.workflow.opening import Opened, Place
from gradeest.workflow.whereabouts import understand

DAY = dt.date(2025, 7, 10)
CATALOGUE = load_catalogue()
DRAWS = 4000
GOLD, SILVER, PALLADIUM = (METALS.index(metal) for metal in ("Au", "Ag", "Pd"))
LOTS = {
    "shed": Lot("shed", DAY, (Fraction("strips", "fingers-memory", 1.0),)),
    "ann": Lot("ann", DAY, (Fraction("cards", "fingers-cards", 0.5),)),
}
BENCH = Bench(LOTS)
PRIOR = draw_prior(BENCH, CATALOGUE, np.random.default_rng(3), DRAWS)


def run(route: str = "foils-peroxide", *, closed: bool = True, **more: Any) -> Batch:
    return Batch("B1", DAY, route, (Charge("shed/strips", 1.0),), closed=DAY if closed else None, **more)


def logit(p: float) -> float:
    return math.log(p / (1 - p))


def flow(
    batch: Batch, shares: dict[tuple[str, str], float], weighed: float = 0.0, aside: float = 0.0, lost: float = 0.0
) -> dict[str, Any]:
    """Mean g by destination of 10 g of each metal, of a batch whose shares are known exactly."""
    told = {("B1", metal, what): np.full(DRAWS, value) for (metal, what), value in shares.items()}
    ten = np.full((DRAWS, len(METALS)), 10.0)
    losses = [np.full(DRAWS, logit(lost)) for _ in batch.losses]
    known = Known(ten, np.full_like(ten, aside), np.full_like(ten, weighed), losses)
    found = flow_of(batch, known, replace(PRIOR, shares=told), CATALOGUE, np.random.default_rng(5))
    return {to: grams.mean(axis=0) for to, grams in found.parts_g.items()}


def test_a_weighed_batch_worked_by_hand() -> None:
    """10 g: a fifth set aside, of the 8 g a quarter spilled, of the 6 g nine tenths reached, 5 % of that hangs."""
    streams = (Stream("wires", "B1", "set-aside", 0.1, None, DAY),)
    batch = run(streams=streams, losses=(Loss("B1", 0.2, 0.3, "", DAY),))
    shares = {("Au", RECOVERY): logit(0.9), ("Au", REACHED): math.log(0.95)}
    got = {to: grams[GOLD] for to, grams in flow(batch, shares, aside=2.0, lost=0.25).items()}
    assert got["set aside"] == pytest.approx(2.0)
    assert got["spilled"] == pytest.approx(2.0)
    assert got["product"] == pytest.approx(5.4 * 0.95)
    assert sum(got[to] for to in PLACES) == pytest.approx(0.6 + 5.4 * 0.05)
    assert got["equipment"] > 5.4 * 0.05  # hold-up stays there, with its part of the rest


def test_what_did_not_reach_is_shared_by_the_rows() -> None:
    """The medians' odds are those of the rows, and every share spreads by the row's sd (log-ratios are exact)."""
    rest = {to: CATALOGUE.constants[f"rest.{to}"] for to in PLACES}
    assert sum(rest.values()) == pytest.approx(1)
    ten = np.full((DRAWS, len(METALS)), 10.0)
    told = {("B1", "Au", RECOVERY): np.full(DRAWS, -50.0), ("B1", "Au", REACHED): np.zeros(DRAWS)}
    posterior = replace(PRIOR, shares=told)
    found = flow_of(run(), Known(ten, 0 * ten, 0 * ten), posterior, CATALOGUE, np.random.default_rng(8)).parts_g
    error = CATALOGUE.constants["rest.log_sd"] * math.sqrt(2 / DRAWS)
    for to, share in rest.items():
        ratio = np.log(found[to][:, GOLD] / found["residue"][:, GOLD])
        assert abs(ratio.mean() - math.log(share / rest["residue"])) < 4 * error
        if to != "residue":
            assert ratio.std() == pytest.approx(
                math.sqrt(2) * CATALOGUE.constants["rest.log_sd"], rel=4 / math.sqrt(DRAWS)
            )


def test_metals_a_route_does_not_recover_stay_where_its_row_says() -> None:
    got = flow(run(), {})
    assert got["residue"][SILVER] == pytest.approx(10)
    assert got["solution"][PALLADIUM] == pytest.approx(10)
    assert flow(run("smelt-copper"), {})["bar"][GOLD] == pytest.approx(10)
    found = flow(run("mlcc-nitric"), {}, weighed=3.0)  # gold in a product all the same
    assert (found["product"][GOLD], found["residue"][GOLD]) == (pytest.approx(3), pytest.approx(7))
    assert flow(run("mlcc-nitric"), {}, weighed=30.0)["product"][GOLD] == pytest.approx(10)  # no more than went in


def test_an_open_batch_holds_what_was_not_weighed() -> None:
    shares = {("Au", RECOVERY): logit(0.8), ("Au", REACHED): 0.0, ("Au", SO_FAR): math.log(0.25)}
    got = flow(run(closed=False), shares)
    assert (got["product"][GOLD], got["in work"][GOLD]) == (pytest.approx(2), pytest.approx(8))
    assert got["in work"][SILVER] == pytest.approx(10)
    assert set(got) == {"product", "in work"}


def test_nothing_dropped_stays_in_the_liquid_or_went_with_it() -> None:
    said = (NonDetect("B1", "Au", 0.02, "tested-negative", DAY),)
    known = {("Au", RECOVERY): logit(0.001), **{("Au", rest_of(to)): 0.0 for to in PLACES}}
    residue = CATALOGUE.constants["rest.residue"] * 9.99
    got = flow(run(nondetects=said), known)
    assert (got["residue"][GOLD], got["solution"][GOLD]) == (pytest.approx(residue), pytest.approx(10 - residue))
    gone = flow(run(nondetects=(replace(said[0], liquid="gone"),)), known)
    assert (gone["residue"][GOLD], gone["lost"][GOLD]) == (pytest.approx(residue), pytest.approx(10 - residue))


def test_a_closed_batch_without_a_result_is_not_weighed() -> None:
    got = flow(run(), {})
    recovery = CATALOGUE.routes["foils-peroxide"].recovery["Au"]
    assert 0.8 * recovery.q50 < got["not weighed"][GOLD] / 10 < recovery.q50  # failed runs are in it
    assert "product" not in got


def test_recovery_of_all_that_was_charged_counts_what_was_set_aside() -> None:
    """Burnt chips: the row is a share of all, so what was set aside comes out of what was not reached."""
    streams = (Stream("wires", "B1", "set-aside", 0.1, None, DAY),)
    shares = {("Au", RECOVERY): logit(0.7), ("Au", REACHED): 0.0}
    got = flow(run("chips-burn", streams=streams), shares, aside=2.5)
    assert (got["product"][GOLD], got["set aside"][GOLD]) == (pytest.approx(7), pytest.approx(2.5))
    assert sum(got[to][GOLD] for to in PLACES) == pytest.approx(0.5)
    too_much = flow(run("chips-burn", streams=streams), {**shares, ("Au", RECOVERY): logit(0.9)}, aside=2.5)
    assert too_much["set aside"][GOLD] == pytest.approx(1)  # not more than the product leaves over


# --- lots, periods, the bench


def mixed_bench(tmp_path: Path) -> Holdings:
    """B1 holds 3 g of shed's gold and 1 g of ann's; B2, later and open, half of what shed has left."""
    gold = Product("au-1", "B1", "Au", "gold-powder", 3.5, 0.01, DAY)
    charges = (Charge("shed/strips", 0.4), Charge("ann/cards", 0.5))
    later = dt.date(2025, 9, 1)
    batches = {
        "B1": Batch("B1", DAY, "foils-peroxide", charges, closed=DAY, products=(gold,)),
        "B2": Batch("B2", later, "foils-peroxide", (Charge("shed/strips", 0.3),)),
    }
    bench = replace(BENCH, batches=batches)
    shares = {("B1", "Au", RECOVERY): np.full(DRAWS, logit(0.9)), ("B1", "Au", REACHED): np.zeros(DRAWS)}
    grams = {("B1", "shed/strips", "Au"): np.full(DRAWS, 3.0), ("B1", "ann/cards", "Au"): np.full(DRAWS, 1.0)}
    posterior = replace(draw_prior(bench, CATALOGUE, np.random.default_rng(3), DRAWS), shares=shares, charge_g=grams)
    ledger: Any = None
    place = Place(tmp_path / "x.ledger", None, 1, "fast", dt.datetime(2025, 12, 1, tzinfo=dt.UTC))
    return Holdings(Opened(place, ledger, CATALOGUE, bench), posterior)


def test_a_lot_counts_by_its_share_of_a_mixed_batch(tmp_path: Path) -> None:
    holdings = mixed_bench(tmp_path)
    ann = gather_flow(holdings, find_subject(holdings.bench, "ann"))
    assert ann.contained_g[:, GOLD] == pytest.approx(1.0)
    assert ann.parts_g["product"][:, GOLD] == pytest.approx(0.9)
    assert "in jars" not in ann.parts_g  # all of it was charged
    shed = gather_flow(holdings, find_subject(holdings.bench, "shed"))
    assert shed.parts_g["product"][:, GOLD] == pytest.approx(2.7)
    assert shed.parts_g["in jars"][:, GOLD] == pytest.approx(holdings.in_jar("shed/strips")[:, GOLD])
    assert shed.parts_g["in work"][:, GOLD] == pytest.approx(holdings.contained(holdings.bench.batches["B2"])[:, GOLD])


def test_lots_add_up_to_the_bench_and_a_period_to_its_batches(tmp_path: Path) -> None:
    holdings = mixed_bench(tmp_path)
    lots = [gather_flow(holdings, find_subject(holdings.bench, name)) for name in ("shed", "ann")]
    whole = gather_flow(holdings, find_subject(holdings.bench, None))
    for to, grams in whole.parts_g.items():
        assert np.sum([lot.parts_g.get(to, 0 * grams) for lot in lots], axis=0) == pytest.approx(grams)
    july = gather_flow(holdings, find_subject(holdings.bench, "2025-07"))
    assert july.contained_g[:, GOLD] == pytest.approx(4.0)
    both = gather_flow(holdings, find_subject(holdings.bench, "2025-07..2025-12"))
    one = gather_flow(holdings, find_subject(holdings.bench, "B2"))
    assert both.contained_g == pytest.approx(july.contained_g + one.contained_g)
    for found in (*lots, whole, july, both):
        gap = np.sum(list(found.parts_g.values()), axis=0) / found.contained_g - 1
        assert np.abs(gap).max() < 1e-9


def test_a_stream_that_was_run_later_is_counted_once(tmp_path: Path) -> None:
    """0.5 g of B1's gold were set aside and run in B3: a part of B3 by itself, but no new metal of lot or period."""
    holdings = mixed_bench(tmp_path)
    first = holdings.bench.batches["B1"]
    first = replace(first, streams=(Stream("wires", "B1", "set-aside", 0.1, None, DAY),))
    later = Batch("B3", dt.date(2025, 10, 1), "foils-peroxide", (Charge("B1/wires", 0.1),))
    bench = replace(holdings.bench, batches={**holdings.bench.batches, "B1": first, "B3": later})
    half = np.full(DRAWS, 0.5)
    known = replace(
        holdings.posterior, stream_g={("B1/wires", "Au"): half},
        charge_g={**holdings.posterior.charge_g, ("B3", "B1/wires", "Au"): half},
    )  # fmt: skip
    holdings = Holdings(replace(holdings.opened, bench=bench), known)

    def gold(about: str | None) -> tuple[Any, dict[str, Any]]:
        found = gather_flow(holdings, find_subject(bench, about))
        gap = np.sum(list(found.parts_g.values()), axis=0) - found.contained_g
        assert np.abs(gap).max() < 1e-9 * max(found.contained_g.max(), 1)  # in every draw and metal
        return found.contained_g[:, GOLD], {to: grams[:, GOLD] for to, grams in found.parts_g.items()}

    contained, parts = gold("B1")
    assert (contained, parts["set aside"]) == (pytest.approx(4.0), pytest.approx(0.5))
    contained, parts = gold("B3")
    assert (contained, parts["in work"]) == (pytest.approx(0.5), pytest.approx(0.5))
    whole, parts = gold("2025-07..2025-10")
    assert whole == pytest.approx(4.0 + gold("B2")[0])
    assert parts["set aside"] == pytest.approx(0.0)
    assert parts["in work"] == pytest.approx(0.5 + gold("B2")[0])
    assert gold("2025-09..2025-10")[0] == pytest.approx(0.5 + gold("B2")[0])  # B1 lies before it
    contained, parts = gold("ann")
    assert (contained, parts["in work"]) == (pytest.approx(1.0), pytest.approx(0.5 / 4))
    assert gold(None)[0] == pytest.approx(gold("ann")[0] + gold("shed")[0])


def test_ash_of_filters_is_counted_once(tmp_path: Path) -> None:
    """What B1's filters hold was burnt and run in B3: more than that came from elsewhere, less is with the filters."""
    holdings = mixed_bench(tmp_path)
    filters = holdings.flow(holdings.bench.batches["B1"]).parts_g["filters"][:, GOLD]
    linked = AshLink(("B1",), "furnace")
    for link, share, elsewhere in ((linked, 0.5, 0.0), (linked, 3.0, 2.0), (None, 0.5, 0.0), (None, 3.0, 2.0)):
        lots = {**holdings.bench.lots, "sweep": Lot("sweep", DAY, (Fraction("ash", "ash-filters", 0.1),))}
        later = Batch("B3", dt.date(2025, 10, 1), "ash-leach", (Charge("sweep/ash", 0.1, (), link),))
        bench = replace(holdings.bench, lots=lots, batches={**holdings.bench.batches, "B3": later})
        prior = draw_prior(bench, CATALOGUE, np.random.default_rng(3), DRAWS)
        told = {**holdings.posterior.charge_g, ("B3", "sweep/ash", "Au"): share * filters}
        known = replace(prior, shares=holdings.posterior.shares, charge_g=told)
        held = Holdings(replace(holdings.opened, bench=bench), known)
        whole = gather_flow(held, find_subject(bench, "2025-07..2025-12"))
        apart = [gather_flow(held, find_subject(bench, name)) for name in ("B1", "B2", "B3")]
        gold = np.sum([one.contained_g[:, GOLD] for one in apart], axis=0)
        assert whole.contained_g[:, GOLD] == pytest.approx(gold - np.minimum(share, 1) * filters)
        assert whole.parts_g["filters"][:, GOLD] == pytest.approx(np.maximum(1 - share, 0) * filters)
        assert gold - whole.contained_g[:, GOLD] == pytest.approx((share - elsewhere) * filters)
        gap = np.sum(list(whole.parts_g.values()), axis=0) - whole.contained_g
        assert np.abs(gap).max() < 1e-9 * whole.contained_g.max()
        notes = notes_on_flow(bench, CATALOGUE, find_subject(bench, "2025-07..2025-12"), ())
        assert any("sweep/ash is linked to no batch" in text for text in notes) == (link is None)
        assert not any("linked" in text for text in notes_on_flow(bench, CATALOGUE, find_subject(bench, "B3"), ()))


def test_ash_in_a_jar_is_counted_once_unless_it_was_bought(tmp_path: Path) -> None:
    """Nothing was run of it yet: of the whole bench it is in its jar, and no longer with the filters."""
    holdings = mixed_bench(tmp_path)
    filters = holdings.flow(holdings.bench.batches["B1"]).parts_g["filters"][:, GOLD]
    for paid in (None, 20.0):
        lot = Lot("sweep", DAY, (Fraction("ash", "ash-filters", 0.1),), price_paid=paid)
        bench = replace(holdings.bench, lots={**holdings.bench.lots, "sweep": lot})
        prior = draw_prior(bench, CATALOGUE, np.random.default_rng(3), DRAWS)
        known = replace(prior, shares=holdings.posterior.shares, charge_g=holdings.posterior.charge_g)
        held = Holdings(replace(holdings.opened, bench=bench), known)
        whole = gather_flow(held, find_subject(bench, None))
        ash = held.in_jar("sweep/ash")[:, GOLD]
        left = np.maximum(filters - ash, 0.0) if paid is None else filters
        assert whole.parts_g["filters"][:, GOLD] == pytest.approx(left)
        gap = np.sum(list(whole.parts_g.values()), axis=0) - whole.contained_g
        assert np.abs(gap).max() < 1e-9 * whole.contained_g.max()


def test_shares_add_up_and_every_number_has_its_interval(tmp_path: Path) -> None:
    holdings = mixed_bench(tmp_path)
    for flow_shown in describe_flow(holdings, find_subject(holdings.bench, "shed")):
        assert sum(part.share for part in flow_shown.parts) == pytest.approx(1)
        assert all(part.grams.q5 <= part.grams.q50 <= part.grams.q95 for part in flow_shown.parts)


def test_a_lot_without_a_batch_is_in_its_jars_and_one_that_was_sold_is_nowhere(tmp_path: Path) -> None:
    holdings = mixed_bench(tmp_path)
    whole = replace(holdings.bench, batches={})
    sold = Sale("ann/cards", 30.0, DAY, mass_kg=0.5)
    for bench, about, places in ((whole, "shed", ["in jars"]), (replace(whole, sales=(sold,)), "ann", [])):
        held = Holdings(
            replace(holdings.opened, bench=bench), draw_prior(bench, CATALOGUE, np.random.default_rng(4), 200)
        )
        gold = describe_flow(held, find_subject(bench, about))[GOLD]
        assert [part.to for part in gold.parts] == places
        assert gold.is_recovered == bool(places)


def test_open_and_where_say_the_same_of_an_open_batch(tmp_path: Path) -> None:
    holdings = mixed_bench(tmp_path)
    batch = holdings.bench.batches["B2"]
    assert holdings.at_work(batch)[:, GOLD] == pytest.approx(holdings.flow(batch).parts_g["in work"][:, GOLD])


@pytest.mark.parametrize(
    ("text", "first", "last"),
    [
        ("2025", (2025, 1, 1), (2025, 12, 31)),
        ("2024-02", (2024, 2, 1), (2024, 2, 29)),
        ("2025-07..2025-12", (2025, 7, 1), (2025, 12, 31)),
        ("2025-07-03..2025-8", (2025, 7, 3), (2025, 8, 31)),
    ],
)
def test_a_period_is_typed_as_people_say_it(text: str, first: tuple[int, ...], last: tuple[int, ...]) -> None:
    assert parse_period(text) == Period(dt.date(*first), dt.date(*last))


@pytest.mark.parametrize("text", ["2025-13", "2025-02-30", "2025..", "2025-12..2025-07", "2025..2026..2027", "25-07"])
def test_no_period_says_what_to_type(text: str) -> None:
    with pytest.raises(InputError) as refused:
        parse_period(text)
    assert refused.value.hint


def test_everything_wrong_with_the_question_is_said_at_once(tmp_path: Path) -> None:
    with pytest.raises(InputError) as refused:
        understand(BENCH, "shad", "colour", tmp_path / "flow.doc", replace_old=False)
    assert len(refused.value.issues) == 3
    assert "did you mean shed" in refused.value.issues[0].hint
    with pytest.raises(InputError, match="one batch"):
        understand(BENCH, "shed", "owner", None, replace_old=False)
    with pytest.raises(InputError, match="no batch began in 2025"):
        understand(BENCH, "2025", None, None, replace_old=False)


# --- the bars and the drawing


def test_a_bar_is_as_long_as_its_share_and_needs_neither_colour_nor_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    def columns(share: float) -> float:
        return sum(1 if sign == "█" else EIGHTHS.index(sign) / 8 for sign in bar("Au", share).plain)

    for share in (1.0, 0.5, 0.37, 0.02):
        assert abs(columns(share) - share * BAR_WIDTH) <= 1 / 16 + 1e-9
    assert columns(1e-6) > 0  # what is there is seen
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(io.BytesIO(), encoding="ascii"))
    assert bar("Au", 0.5).plain == "#" * (BAR_WIDTH // 2)


DRAWN = (
    MetalBands(
        "Au", "4.0 (3.5-5.0) g", (Band("product", 0.9, "3.6 (3.5-3.7) g"), Band("lost", 0.1, "0.4 (0.1-1.2) g"))
    ),
    MetalBands("Ag", "2.0 (1.0-3.0) g", (Band("residue", 1.0, "2.0 (1.0-3.0) g"),)),
)


def test_the_drawing_says_what_the_table_says_and_is_the_same_each_time() -> None:
    svg = draw_flows("lot a$b$", DRAWN, ".svg")
    text = svg.decode()
    for word in ("lot a$b$", "product", "90 %", "3.6 (3.5-3.7) g", "lost", "0.4 (0.1-1.2) g", "Silver", "residue"):
        assert word in text
    assert svg == draw_flows("lot a$b$", DRAWN, ".svg")
    assert "<dc:date>" not in text
    png = draw_flows("lot a$b$", DRAWN, ".png")
    assert png.startswith(b"\x89PNG")


def test_every_band_has_room_for_its_name() -> None:
    slots = place_slots([0.97, *[0.005] * 6])
    assert slots[0][1] <= 1
    assert slots[-1][0] >= -1e-9
    centres = [(low + top) / 2 for low, top in slots]
    assert min(a - b for a, b in pairwise(centres)) > 0.05
