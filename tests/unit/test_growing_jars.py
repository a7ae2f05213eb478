"""Jars that grow, heaps, sales and discards: whatever comes and goes, the stock is never negative."""

from __future__ import annotations

import datetime as dt

import pytest

from gradeest.materials.catalogue import load_catalogue
from gradeest.records.amending import amendable_fields
from gradeest.records.domain import Bench
from tests.recorder import DAY, Recorder, batch, lot, product

PINS, STRIPS = "shed/pins-mixed", "shed/fingers-memory"
LATER = DAY + dt.timedelta(days=7)


@pytest.fixture(scope="module")
def catalogue():
    return load_catalogue()


@pytest.fixture
def recorder(catalogue):
    recorder = Recorder(catalogue)
    recorder.add("lot", lot(fingers_memory=2.0, pins_mixed=1.0))
    return recorder


def refused(recorder: Recorder, kind: str, payload: dict, date: dt.date = LATER) -> str:
    found = recorder.refusals(kind, payload, date)
    assert found
    return " | ".join(found)


def test_more_before_anything_was_taken_joins_what_stands_there(recorder):
    recorder.add("more", {"address": PINS, "mass_kg": 0.5}, LATER)
    fraction = recorder.bench.fraction(PINS)
    assert (fraction.mass_kg, fraction.layers_kg) == (1.5, ())
    assert recorder.bench.layers_left_kg(PINS) == (1.5,)
    assert recorder.bench.additions[0].source == 0


def test_more_after_something_was_taken_is_a_source_of_its_own_and_later_takings_mix(recorder):
    recorder.add("batch", batch("B1", "pins-nitric", shed__pins_mixed=0.4))
    recorder.add("more", {"address": PINS, "mass_kg": 0.2}, LATER)
    recorder.add("batch", batch("B2", "pins-nitric", shed__pins_mixed=0.4), LATER)
    bench = recorder.bench
    assert bench.fraction(PINS).layers_kg == (1.0, 0.2)
    assert bench.fraction(PINS).mass_kg == pytest.approx(1.2)
    (first,), (second,) = bench.batches["B1"].charges, bench.batches["B2"].charges
    assert first.layers_kg == ()  # all of the only source there was
    assert second.layers_kg == pytest.approx((0.3, 0.1))  # 0.6 and 0.2 stood there: three parts to one
    assert bench.layers_left_kg(PINS) == pytest.approx((0.3, 0.1))
    recorder.add("more", {"address": PINS, "mass_kg": 0.4}, LATER)
    recorder.add("more", {"address": PINS, "mass_kg": 0.1}, LATER)  # nothing taken in between: the same source
    assert recorder.bench.layers_left_kg(PINS) == pytest.approx((0.3, 0.1, 0.5))
    recorder.add("sale", {"address": PINS, "mass_kg": 0.45, "amount": 9.0}, LATER)
    assert recorder.bench.sales[0].layers_kg == pytest.approx((0.15, 0.05, 0.25))


def test_undo_and_amend_of_what_came_before_mix_anew(recorder):
    recorder.add("batch", batch("B1", "pins-nitric", shed__pins_mixed=0.4))
    recorder.add("more", {"address": PINS, "mass_kg": 0.2}, LATER)
    recorder.add("batch", batch("B2", "pins-nitric", shed__pins_mixed=0.4), LATER)
    recorder.add("amend", {"event": 2, "changes": {PINS: 0.8}})
    assert recorder.bench.batches["B2"].charges[0].layers_kg == pytest.approx((0.2, 0.2))
    recorder.add("undo", {"event": 2})  # nothing was taken before the addition then: one source
    assert recorder.bench.batches["B2"].charges[0].layers_kg == ()
    assert recorder.bench.fraction(PINS).layers_kg == ()
    assert recorder.bench.left_kg(PINS) == pytest.approx(0.8)


def test_a_jar_that_was_emptied_grows_again(recorder):
    recorder.add("discard", {"address": PINS})
    recorder.add("more", {"address": PINS, "mass_kg": 0.3}, LATER)
    recorder.add("batch", batch("B1", "pins-nitric", shed__pins_mixed=0.1), LATER)
    assert recorder.bench.batches["B1"].charges[0].layers_kg == (0.0, 0.1)
    assert recorder.bench.layers_left_kg(PINS) == pytest.approx((0.0, 0.2))


def test_an_addition_out_of_order_is_asked_back(recorder):
    recorder.add("batch", batch("B1", "pins-nitric", shed__pins_mixed=0.4), LATER)
    early = DAY + dt.timedelta(days=2)
    (ask,) = recorder.asks("more", {"address": PINS, "mass_kg": 0.2}, early)
    assert "counts as made after that" in ask
    recorder.add("more", {"address": PINS, "mass_kg": 0.2}, LATER)
    for kind, payload in (
        ("batch", batch("B2", "pins-nitric", shed__pins_mixed=0.1)),
        ("sale", {"address": PINS, "amount": 3.0}),
        ("discard", {"address": PINS}),
    ):
        (ask,) = recorder.asks(kind, payload, early)
        assert "counts as taken after that" in ask
        assert not recorder.asks(kind, payload, LATER)


def test_an_addition_that_was_used_up_cannot_be_taken_back(recorder):
    recorder.add("more", {"address": PINS, "mass_kg": 0.5}, LATER)
    recorder.add("sale", {"address": PINS, "mass_kg": 1.4, "amount": 40.0}, LATER)
    assert "3 (sale of shed/pins-mixed)" in refused(recorder, "undo", {"event": 2})
    assert "3 (sale of shed/pins-mixed)" in refused(recorder, "amend", {"event": 2, "changes": {"mass_kg": 0.3}})
    assert not recorder.refusals("amend", {"event": 2, "changes": {"mass_kg": 0.4}})


def test_a_count_of_pieces_ends_with_the_first_addition(catalogue):
    recorder = Recorder(catalogue)
    payload = lot(pins_mixed=1.0)
    payload["fractions"][0]["pieces"] = 2000
    recorder.add("lot", payload)
    more = {"address": PINS, "mass_kg": 0.2}
    assert [issue.severity for issue in recorder.check("more", more)] == ["warning"]
    recorder.add("more", more)
    assert recorder.bench.fraction(PINS).pieces is None


def heaps(**masses: float) -> dict:
    return {"address": PINS, "heaps": [{"name": name, "mass_kg": kg} for name, kg in masses.items()]}


def test_heaps_close_exactly_and_the_parent_has_nothing_left(recorder):
    recorder.add("discard", {"address": PINS, "mass_kg": 0.1})
    payload = heaps(strong=0.3, weak=0.4, none=0.21)  # 0.91 for 0.9
    payload["heaps"][2]["kind"] = "pins-full"
    (issue,) = recorder.check("split", payload, LATER)
    assert issue.severity == "warning"
    assert "scaled to the 0.9 kg" in issue.message
    recorder.add("split", payload, LATER)
    bench = recorder.bench
    made = [bench.fraction(f"shed/{name}") for name in ("strong", "weak", "none")]
    assert sum(fraction.mass_kg for fraction in made) == bench.splits[0].mass_kg == pytest.approx(0.9)
    assert made[0].mass_kg == pytest.approx(0.3 * 0.9 / 0.91)
    assert [fraction.kind for fraction in made] == ["pins-mixed", "pins-mixed", "pins-full"]
    assert bench.left_kg(PINS) == 0.0
    assert bench.since("shed/weak") == LATER
    assert bench.lot_mass_kg("shed") == pytest.approx(3.0)  # heaps are not counted twice
    assert "into the heaps strong, weak, none" in refused(recorder, "batch", batch("B1", shed__pins_mixed=0.1))
    assert "is there since" in refused(recorder, "batch", batch("B1", "pins-nitric", shed__weak=0.1), DAY)
    recorder.add("batch", batch("B1", "pins-nitric", shed__weak=0.1), LATER)
    assert "4 (batch B1)" in refused(recorder, "undo", {"event": 3})


def test_heaps_take_over_what_is_known_of_their_parent(catalogue):
    recorder = Recorder(catalogue)
    payload = lot(pins_mixed=1.0)
    payload["fractions"][0] |= {"wet": True, "mixed": True, "pieces": 500}
    recorder.add("lot", payload)
    recorder.add("split", heaps(a=0.5, b=0.5), LATER)
    for name in ("a", "b"):
        heap = recorder.bench.fraction(f"shed/{name}")
        assert (heap.wet, heap.mixed, heap.pieces, heap.kind) == (True, True, None, "pins-mixed")


@pytest.mark.parametrize(
    ("payload", "words"),
    [
        (heaps(a=1.0), ["two heaps or more"]),
        (heaps(a=0.5, b=0.53), ["add up to 1.03 kg", "+3.0%"]),
        (heaps(a=0.5, b=0.47), ["-3.0%"]),
        ({**heaps(a=0.5, b=0.5), "address": "shed/pinz"}, ["there is no fraction 'shed/pinz'"]),
        (heaps(**{"fingers-memory": 0.5, "b": 0.5}), ["has a fraction 'fingers-memory' already"]),
        (heaps(a=0.5, A=0.5), ["two heaps are called 'A'"]),
        ({"address": PINS, "heaps": "a, b"}, ["these are no heaps"]),
        (
            {"address": PINS, "heaps": [{"name": "a b", "mass_kg": -1}, {"name": "b", "mass_kg": 1, "kind": "pinz"}]},
            ["'a b' cannot be a name", "mass of -1 kg cannot be", "no kind 'pinz'"],
        ),
    ],
)
def test_heaps_that_cannot_be_are_refused_with_every_problem(recorder, payload, words):
    text = refused(recorder, "split", payload)
    for word in words:
        assert word in text


def test_a_kind_that_is_no_text_is_refused_also_where_a_batch_rests_on_the_heap(recorder):
    number = recorder.add("split", heaps(a=0.5, b=0.5), LATER)
    recorder.add("batch", batch("B1", "pins-nitric", shed__a=0.1), LATER)
    assert "no kind '1.0'" in refused(recorder, "amend", {"event": number, "changes": {"a.kind": 1.0}})


def test_a_correction_that_leaves_a_later_batch_without_anything_is_refused(recorder):
    recorder.add("batch", batch("B1", "pins-nitric", shed__pins_mixed=0.5))
    for name in ("B2", "B3"):
        recorder.add("batch", batch(name, "pins-nitric", shed__pins_mixed=0.25))
        recorder.add("product", product(name, weight_g=0.5 + int(name[1]) / 10))
    text = refused(recorder, "amend", {"event": 2, "changes": {PINS: 1.0}})
    assert "3 (batch B2), 4 (product B2/au-1), 5 (batch B3), 6 (product B3/au-1)" in text


def test_heaps_amended_to_nothing_are_refused(recorder):
    number = recorder.add("split", heaps(a=0.5, b=0.5), LATER)
    assert "mass of 0 kg" in refused(
        recorder, "amend", {"event": number, "changes": {"a.mass_kg": 0.0, "b.mass_kg": 0.0}}
    )
    assert "mass of -1 kg" in refused(recorder, "amend", {"event": number, "changes": {"a.mass_kg": -1.0}})


def test_sales_and_discards_take_what_is_there_and_no_more(recorder):
    sale = {"address": PINS, "mass_kg": 0.6, "amount": 25.0, "to": "a buyer"}
    recorder.add("sale", sale, LATER)
    assert recorder.bench.left_kg(PINS) == pytest.approx(0.4)
    assert "0.4 kg left, 0.6 kg is more" in refused(recorder, "sale", sale)
    recorder.add("discard", {"address": PINS, "mass_kg": 0.407, "note": "rust"}, LATER)  # two balances: all of it
    assert recorder.bench.left_kg(PINS) == 0.0
    assert recorder.bench.discards[0].mass_kg == pytest.approx(0.4)
    text = refused(recorder, "discard", {"address": PINS})
    assert "nothing is left" in text
    assert "to a buyer; to waste" in text
    (sold,) = recorder.bench.sales
    assert (sold.amount, sold.to, sold.date, sold.event) == (25.0, "a buyer", LATER, 2)


def test_what_a_sale_leaves_open_is_all_that_is_left_also_after_a_correction(recorder):
    recorder.add("batch", batch("B1", "pins-nitric", shed__pins_mixed=0.4))
    recorder.add("sale", {"address": PINS, "amount": 20.0}, LATER)
    assert recorder.bench.sales[0].mass_kg == pytest.approx(0.6)
    recorder.add("amend", {"event": 2, "changes": {PINS: 0.3}})
    assert recorder.bench.sales[0].mass_kg == pytest.approx(0.7)
    assert recorder.bench.left_kg(PINS) == 0.0


def test_products_and_streams_are_stock_too(recorder):
    recorder.add("batch", batch())
    recorder.add("setaside", {"batch": "B1", "streams": [{"name": "oversize", "mass_kg": 0.08}]})
    recorder.add("leave", {"batch": "B1", "name": "liquor", "volume_l": 1.2})
    recorder.add("product", product(), LATER)
    recorder.add("sale", {"address": "B1/au-1", "weight_g": 1.0, "amount": 60.0}, LATER)
    assert recorder.bench.product_left_g("B1/au-1") == pytest.approx(1.51)
    assert "1.51 g left" in refused(recorder, "sale", {"address": "B1/au-1", "weight_g": 2.0, "amount": 1.0})
    assert "rest on it: 6 (sale of B1/au-1)" in refused(recorder, "undo", {"event": 5})
    assert "rest on it" in refused(recorder, "amend", {"event": 5, "changes": {"weight_g": 0.9}})
    recorder.add("sale", {"address": "B1/au-1", "amount": 90.0}, LATER)
    assert recorder.bench.product_left_g("B1/au-1") == 0.0
    recorder.add("discard", {"address": "B1/oversize", "mass_kg": 0.02}, LATER)
    assert recorder.bench.left_kg("B1/oversize") == pytest.approx(0.06)
    assert recorder.bench.solution_left_l("B1/liquor") == 1.2
    assert "goes as a whole" in refused(recorder, "discard", {"address": "B1/liquor", "mass_kg": 0.5})
    recorder.add("discard", {"address": "B1/liquor"}, LATER)
    assert recorder.bench.solution_left_l("B1/liquor") == 0.0
    assert "nothing is left of B1/liquor" in refused(recorder, "discard", {"address": "B1/liquor"})


@pytest.mark.parametrize(
    ("payload", "words"),
    [
        ({"address": PINS, "amount": -1.0}, ["cannot be an amount"]),
        ({"address": PINS, "amount": "much", "mass_kg": 0}, ["cannot be an amount", "mass of 0 kg cannot be"]),
        ({"address": PINS, "amount": 1.0, "weight_g": 3.0}, ["of a fraction a mass is taken"]),
        ({"address": "B1/au-1", "amount": 1.0, "mass_kg": 0.1}, ["of a product a weight is taken"]),
        ({"address": "shed", "amount": 1.0}, ["is a whole lot"]),
        ({"address": "B1", "amount": 1.0}, ["'B1' is a whole batch", "B1/au-1"]),
        ({"address": "B1/ag-1", "amount": 1.0}, ["B1 has nothing called 'ag-1'"]),
        ({"address": "B7/au-1", "amount": 1.0}, ["there is no batch 'B7'"]),
        ({"address": PINS}, ["amount is missing"]),
    ],
)
def test_a_sale_that_cannot_be_is_refused(recorder, payload, words):
    recorder.add("batch", batch())
    recorder.add("product", product(), LATER)
    text = refused(recorder, "sale", payload)
    for word in words:
        assert word in text


def test_nothing_happens_before_its_lot_or_batch_was_there(recorder):
    recorder.add("batch", batch(), LATER)
    recorder.add("setaside", {"batch": "B1", "streams": [{"name": "oversize", "mass_kg": 0.1}]}, LATER)
    recorder.add("product", product(), LATER)
    before_lot, before_batch = DAY - dt.timedelta(days=1), LATER - dt.timedelta(days=1)
    assay = {"address": PINS, "metal": "Au", "value_g_per_t": 300.0, "u_rel": 0.05}
    for kind, payload, date in (
        ("batch", batch("B2", "pins-nitric", shed__pins_mixed=0.1), before_lot),
        ("more", {"address": PINS, "mass_kg": 0.1}, before_lot),
        ("split", heaps(a=0.5, b=0.5), before_lot),
        ("sale", {"address": PINS, "amount": 1.0}, before_lot),
        ("discard", {"address": PINS}, before_lot),
        ("assay", assay, before_lot),
        ("sale", {"address": "B1/au-1", "amount": 1.0}, before_batch),
        ("discard", {"address": "B1/oversize"}, before_batch),
        ("setaside", {"batch": "B1", "streams": [{"name": "dies", "mass_kg": 0.1}]}, before_batch),
        ("leave", {"batch": "B1", "name": "liquor", "volume_l": 1.0}, before_batch),
        ("loss", {"batch": "B1", "low": 0.2, "high": 0.5}, before_batch),
    ):
        text = refused(recorder, kind, payload, date)
        assert "before that" in text, kind
        assert not recorder.refusals(kind, payload, LATER), kind


def test_every_field_of_the_new_events_can_be_amended_and_taken_back(recorder):
    recorder.add("batch", batch())
    recorder.add("more", {"address": PINS, "mass_kg": 0.5}, LATER)
    recorder.add("setaside", {"batch": "B1", "streams": [{"name": "oversize", "mass_kg": 0.1}]}, LATER)
    recorder.add("leave", {"batch": "B1", "name": "liquor", "volume_l": 1.0}, LATER)
    wiped = {"name": "floor", "mass_kg": 0.05}
    recorder.add("loss", {"batch": "B1", "low": 0.2, "high": 0.5, "note": "", "wiped": wiped}, LATER)
    recorder.add("product", product(), LATER)
    recorder.add("sale", {"address": "B1/au-1", "weight_g": 1.0, "amount": 60.0}, LATER)
    recorder.add("sale", {"address": STRIPS, "mass_kg": 0.2, "amount": 60.0}, LATER)
    recorder.add("discard", {"address": PINS, "mass_kg": 0.2, "note": ""}, LATER)
    recorder.add("split", heaps(a=0.65, b=0.65), LATER)
    recorder.add("balance", {"name": "pocket", "readability_g": 0.01}, LATER)
    recorder.add("check", {"balance": "pocket", "weight_g": 5.0, "reads_g": 4.98}, LATER)
    before = recorder.bench
    values = {
        "date": (LATER + dt.timedelta(days=1)).isoformat(), "mass_kg": 0.1, "note": "rust", "to": "a buyer",
        "amount": 61.0, "weight_g": 0.9, "volume_l": 1.1, "low": 0.3, "high": 0.6, "readability_g": 0.001,
        "reads_g": 4.99, "kind": "pins-full",
    }  # fmt: skip
    values_of_part = {"oversize.mass_kg": 0.12, "floor.mass_kg": 0.04, "a.mass_kg": 0.655, "b.mass_kg": 0.655}
    tried = 0
    for event in list(recorder.events[2:]):
        if event.kind == "product":
            continue
        for name in amendable_fields(event.kind, event.payload):
            key = name.rpartition(".")[2]
            value = values_of_part.get(name, values[key])
            if key in ("mass_kg", "weight_g") and event.payload.get(key) is None and "." not in name:
                continue  # the other unit of a sale or discard
            if event.kind == "check" and key == "weight_g":
                value = 4.99
            if key == "mass_kg" and event.payload.get("address") == PINS:  # the heaps must close all the same
                value = {"more": 0.51, "discard": 0.21}.get(event.kind, value)
            number = recorder.add("amend", {"event": event.number, "changes": {name: value}})
            assert recorder.bench != before or key in ("note",), (event.kind, name)
            recorder.add("undo", {"event": number})
            assert recorder.bench == before, (event.kind, name)
            tried += 1
    assert tried > 20


def test_undo_of_everything_empties_the_bench_again(recorder):
    recorder.add("more", {"address": PINS, "mass_kg": 0.5}, LATER)
    recorder.add("split", heaps(a=0.75, b=0.75), LATER)
    recorder.add("sale", {"address": "shed/a", "amount": 12.0}, LATER)
    for number in (4, 3, 2, 1):
        recorder.add("undo", {"event": number})
    assert recorder.bench == Bench()
