"""The bench that events add up to: corrections, names, what is left."""

from __future__ import annotations

import datetime as dt

import pytest

from gradeest.errors import LedgerError
from gradeest.materials.catalogue import load_catalogue
from gradeest.records.amending import amendable_fields
from gradeest.records.stock import find_broken, next_batch_name, resolve, undone_by
from tests.recorder import DAY, Recorder, assay, batch, lot, nothing, product

LATER = DAY + dt.timedelta(days=7)


@pytest.fixture(scope="module")
def catalogue():
    return load_catalogue()


@pytest.fixture
def bench_with_product(catalogue):
    recorder = Recorder(catalogue)
    recorder.add("lot", lot(fingers_memory=2.0, pins_mixed=1.0))
    recorder.add("batch", batch())
    recorder.add("product", product(), LATER)
    return recorder


def test_events_add_up_to_the_bench(bench_with_product):
    recorder = bench_with_product
    recorder.add("close", {"batch": "B1"}, LATER)
    recorder.add("assay", assay(value=2400.0), LATER)
    recorder.add("setting", {"name": "permit", "value": "no. 7"}, LATER)
    bench = recorder.bench
    assert bench.left_kg("shed/fingers-memory") == 1.0
    assert bench.left_kg("shed/pins-mixed") == 1.0
    b1 = bench.batches["B1"]
    assert (b1.date, b1.closed, b1.mass_kg) == (DAY, LATER, 1.0)
    (au,) = b1.products
    assert (au.name, au.weight_g, au.readability_g, au.damp, au.event) == ("au-1", 2.51, 0.01, False, 3)
    assert bench.assays[0].value_g_per_t == 2400.0
    assert bench.settings["permit"].date == LATER


def test_charge_a_little_above_what_is_left_takes_all(catalogue):
    recorder = Recorder(catalogue)
    recorder.add("lot", lot(fingers_memory=2.0))
    recorder.add("batch", batch(shed__fingers_memory=2.04))
    assert recorder.bench.batches["B1"].charges[0].mass_kg == 2.0
    assert recorder.bench.left_kg("shed/fingers-memory") == 0.0
    assert "nothing is left" in recorder.refusals("batch", batch("B2", shed__fingers_memory=0.001))[0]


def test_charges_in_tenths_leave_no_crumbs(catalogue):
    recorder = Recorder(catalogue)
    recorder.add("lot", lot(fingers_memory=0.3))
    recorder.add("batch", batch("B1", shed__fingers_memory=0.1))
    recorder.add("batch", batch("B2", shed__fingers_memory=0.2))  # 0.1 + 0.2 > 0.3 in floating point
    assert recorder.bench.left_kg("shed/fingers-memory") == 0.0


def test_products_are_counted_per_batch_and_metal_and_names_are_not_given_twice(bench_with_product):
    recorder = bench_with_product
    recorder.add("product", product(weight_g=0.12), LATER)
    recorder.add("undo", {"event": 4})
    recorder.add("product", product(weight_g=0.13), LATER)
    assert [p.name for p in recorder.bench.batches["B1"].products] == ["au-1", "au-3"]
    recorder.add("undo", {"event": 6})
    recorder.add("undo", {"event": 3})
    recorder.add("undo", {"event": 2})
    assert next_batch_name(recorder.events) == "B2"


def test_undo_takes_an_event_back_and_can_be_taken_back_itself(bench_with_product):
    recorder = bench_with_product
    before = recorder.bench
    recorder.add("undo", {"event": 3})
    assert not recorder.bench.batches["B1"].products
    assert undone_by(recorder.events) == {3: 4}
    recorder.add("undo", {"event": 4})
    assert recorder.bench == before
    recorder.add("undo", {"event": 5})  # takes the taking back back
    assert not recorder.bench.batches["B1"].products


def test_undo_of_what_others_rest_on_is_refused_with_the_list(bench_with_product):
    (refusal,) = bench_with_product.refusals("undo", {"event": 1})
    assert "2 (batch B1), 3 (product B1/au-1)" in refusal
    assert "3 2" in refusal
    (refusal,) = bench_with_product.refusals("undo", {"event": 2})
    assert "3 (product B1/au-1)" in refusal
    assert "batch B1)" in refusal


def test_undo_of_nothing_or_twice_is_refused(bench_with_product):
    assert "no event 9" in bench_with_product.refusals("undo", {"event": 9})[0]
    assert "no event None" in bench_with_product.refusals("undo", {})[0]
    bench_with_product.add("undo", {"event": 3})
    assert "undone already, by event 4" in bench_with_product.refusals("undo", {"event": 3})[0]


def test_undo_of_a_declaration_that_a_batch_rests_on_is_refused(catalogue):
    recorder = Recorder(catalogue)
    recorder.add("lot", lot(chips_to_2008=2.0))
    burn = batch(route="chips-burn", shed__chips_to_2008=1.0)
    assert recorder.refusals("batch", burn)
    recorder.add("setting", {"name": "fit-equipment", "value": "afterburner"})
    recorder.add("setting", {"name": "permit", "value": "no. 7"})
    recorder.add("batch", burn)
    assert "4 (batch B1)" in recorder.refusals("undo", {"event": 2})[0]


def test_undo_of_an_undo_that_no_longer_fits_is_refused(catalogue):
    recorder = Recorder(catalogue)
    recorder.add("lot", lot(fingers_memory=2.0))
    recorder.add("undo", {"event": 1})
    recorder.add("lot", lot(fingers_memory=3.0))
    assert recorder.refusals("undo", {"event": 2})
    assert recorder.bench.left_kg("shed/fingers-memory") == 3.0


def test_amend_changes_a_field_where_it_stands(bench_with_product):
    recorder = bench_with_product
    recorder.add("close", {"batch": "B1"}, LATER)
    recorder.add("amend", {"event": 3, "changes": {"weight_g": 1.48, "damp": True}})
    (au,) = recorder.bench.batches["B1"].products
    assert (au.name, au.weight_g, au.damp, au.event) == ("au-1", 1.48, True, 3)
    recorder.add("amend", {"event": 1, "changes": {"fingers-memory.mass_kg": 1.9, "price_paid": 75.0}})
    recorder.add("amend", {"event": 2, "changes": {"shed/fingers-memory": 0.9, "date": "2025-03-02"}})
    bench = recorder.bench
    assert bench.left_kg("shed/fingers-memory") == pytest.approx(1.0)
    assert bench.lots["shed"].price_paid == 75.0
    assert bench.batches["B1"].date == dt.date(2025, 3, 2)
    recorder.add("undo", {"event": 5})
    assert recorder.bench.batches["B1"].products[0].weight_g == 2.51


def test_amend_that_breaks_later_events_or_the_event_itself_is_refused(bench_with_product):
    recorder = bench_with_product
    assert "2 (batch B1)" in recorder.refusals("amend", {"event": 1, "changes": {"fingers-memory.mass_kg": 0.9}})[0]
    assert "weight of zero" in recorder.refusals("amend", {"event": 3, "changes": {"weight_g": 0}})[0]
    assert "began on" in recorder.refusals("amend", {"event": 3, "changes": {"date": "2025-02-01"}})[0]
    assert "no date" in recorder.refusals("amend", {"event": 3, "changes": {"date": "1/2/25"}})[0]
    assert "no form" in recorder.refusals("amend", {"event": 3, "changes": {"form": "gold-dust"}})[0]
    assert "more than" in recorder.refusals("amend", {"event": 3, "changes": {"weight_g": 1500.0}})[0]
    assert "fingers-memory" in recorder.refusals("amend", {"event": 1, "changes": {"fingers-memory.kind": "fingrs"}})[0]
    assert (
        "neither yes nor no" in recorder.refusals("amend", {"event": 1, "changes": {"fingers-memory.wet": "maybe"}})[0]
    )
    assert "neither yes nor no" in recorder.refusals("amend", {"event": 3, "changes": {"damp": "maybe"}})[0]
    assert "cannot be changed" in recorder.refusals("amend", {"event": 3, "changes": {"metal": "Ag"}})[0]
    assert "nothing to change" in recorder.refusals("amend", {"event": 3, "changes": {}})[0]
    recorder.add("amend", {"event": 3, "changes": {"weight_g": 1.48}})
    assert "itself a correction" in recorder.refusals("amend", {"event": 4, "changes": {"weight_g": 1.0}})[0]


def test_amend_to_a_hardly_credible_weight_is_asked_back(catalogue):
    recorder = Recorder(catalogue)
    recorder.add("lot", lot(mlcc_nonmagnetic=1.0))
    recorder.add("batch", batch(route="mlcc-nitric", shed__mlcc_nonmagnetic=1.0))
    recorder.add("product", product(metal="Pd", form="palladium-black", weight_g=12.0))
    (ask,) = recorder.asks("amend", {"event": 3, "changes": {"weight_g": 120.0}})
    assert "thought to hold (60 g)" in ask  # 1 kg x 60,000 g/t: the kind's own limit


def test_every_amendable_field_is_one_of_the_payload_or_a_default(bench_with_product):
    recorder = bench_with_product
    recorder.add("assay", assay(value=2400.0), LATER)
    known = {"date", "damp", "balance", "sure", "note", "price_paid", "owner", "unsorted_kg", "below_detection"}
    known |= {"interval_g", "trial"}
    for event in recorder.events:
        for name in amendable_fields(event.kind, event.payload):
            assert name in known or name in event.payload or "." in name or "/" in name


def test_nothing_found_then_dropped(catalogue):
    recorder = Recorder(catalogue)
    recorder.add("lot", lot())
    recorder.add("batch", batch())
    recorder.add("nondetect", nothing(liquid="kept"))
    assert "stays open" in recorder.refusals("close", {"batch": "B1"})[0]
    recorder.add("product", product())
    recorder.add("close", {"batch": "B1"})
    assert recorder.bench.batches["B1"].nondetects[0].liquid == "kept"


def test_what_a_stranger_wrote_is_named(catalogue):
    recorder = Recorder(catalogue)
    recorder.force("product", product("B9"))
    with pytest.raises(LedgerError, match=r"event 1 .*no batch B9"):
        _ = recorder.bench
    recorder.events.clear()
    recorder.force("dance", {})
    with pytest.raises(LedgerError, match="does not know: dance"):
        _ = recorder.bench


def test_a_good_history_has_nothing_broken(bench_with_product):
    assert find_broken(bench_with_product.events, bench_with_product.catalogue) == {}
    # and the check can fail: the same history without its lot
    assert set(find_broken(bench_with_product.events[1:], bench_with_product.catalogue))
    assert [event.kind for event in resolve(bench_with_product.events)] == ["lot", "batch", "product"]
