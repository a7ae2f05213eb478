"""Whatever a person enters in whatever order: the books close, stock is never negative, undo restores every number."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gradeest.materials.catalogue import load_catalogue
from gradeest.records.amending import amendable_fields
from gradeest.records.domain import Bench
from gradeest.records.stock import find_broken, next_batch_name, replay, undone_by
from tests.recorder import DAY, Recorder

CATALOGUE = load_catalogue()
KINDS = ("fingers-memory", "pins-mixed", "contacts-agni", "mlcc-nonmagnetic")
ROUTES = {kind: CATALOGUE.kinds[kind].usual_route for kind in KINDS}
FORMS = {"Au": "gold-powder", "Ag": "silver-chloride", "Pd": "palladium-black"}

days = st.integers(0, 30).map(lambda n: DAY + dt.timedelta(days=n))
picks = st.integers(0, 1000)  # which of what is there, counted round
shares = st.floats(0.001, 1.3)  # of what is there; above 1 more than there is
SORTS = ["lot", "batch", "batch", "batch", "product", "product", "nondetect", "close", "undo", "undo", "amend", "amend"]
entries = st.tuples(st.sampled_from(SORTS), st.lists(picks, min_size=4, max_size=4), shares, days)
histories = st.lists(entries, min_size=12, max_size=40)


def pick(number, choices):
    return choices[number % len(choices)]


def spell(entry, recorder):
    """The payload of an entry, made to name what is there: else nearly every one would be refused."""
    sort, (a, b, c, d), share, date = entry
    bench, events = recorder.bench, recorder.events
    batch = pick(a, list(bench.batches.values()) or [None])
    if sort == "lot" or not bench.lots:
        kinds = {pick(n, KINDS) for n in (b, c)}
        fractions = [{"name": kind, "kind": kind, "mass_kg": share * (1 + d % 3)} for kind in sorted(kinds)]
        return "lot", {"name": pick(a, ["shed", "attic", "cellar"]), "fractions": fractions}, date
    if sort == "batch" or batch is None:
        some = {pick(n, bench.addresses()) for n in ((b, c) if d % 3 == 0 else (b,))}
        charges = [{"address": address, "mass_kg": share * (bench.left_kg(address) or 1)} for address in sorted(some)]
        return (
            "batch",
            {"name": next_batch_name(events), "route": ROUTES[pick(b, KINDS)], "charges": charges},
            min(date, DAY + dt.timedelta(days=a % 5)),
        )
    metal = pick(b, sorted(CATALOGUE.routes[batch.route].recovery))
    if sort == "product":
        weight = round(share**4 * batch.mass_kg * 700, 2)
        form = FORMS[metal]
        return (
            sort,
            {"batch": batch.name, "metal": metal, "form": form, "weight_g": weight, "readability_g": 0.01},
            date,
        )
    if sort == "nondetect":
        liquid = pick(c, ["tested-negative", "kept", "gone"])
        return sort, {"batch": batch.name, "metal": metal, "below_g": 0.02, "liquid": liquid}, date
    if sort == "close":
        return sort, {"batch": batch.name}, date
    target = pick(a, events)
    if sort == "undo":
        return sort, {"event": target.number}, date
    name = pick(b, amendable_fields(target.kind, target.payload) or ["note"])
    value = date.isoformat() if name == "date" else pick(c, [share, share * 3, True, "x", None])
    return sort, {"event": target.number, "changes": {name: value}}, date


def enter(history) -> Recorder:
    """What the rules let in of a history."""
    recorder = Recorder(CATALOGUE)
    for entry in history:
        kind, payload, date = spell(entry, recorder)
        if not recorder.refusals(kind, payload, date):
            recorder.force(kind, payload, date)
    return recorder


def check_books(bench: Bench) -> None:
    for address in bench.addresses():
        mass = bench.fraction(address).mass_kg
        charged = bench.charged_kg(address)
        assert charged >= 0
        assert charged <= mass * (1 + 1e-12)  # never negative: not by the max() in left_kg
        assert bench.left_kg(address) + charged == pytest.approx(mass, rel=1e-12)
    for batch in bench.batches.values():
        assert batch.charges
        assert all(charge.mass_kg > 0 for charge in batch.charges)
        assert len({product.name for product in batch.products}) == len(batch.products)
        metal_g = sum(p.weight_g * CATALOGUE.forms[p.form].largest_share for p in batch.products)
        assert metal_g <= 1000 * batch.mass_kg
        for result in (*batch.products, *batch.nondetects):
            assert result.date >= batch.date
            assert batch.closed is None or result.date <= batch.closed
            assert result.metal in CATALOGUE.routes[batch.route].recovery


@settings(max_examples=150, deadline=None)
@given(histories)
def test_stock_is_never_negative_and_no_metal_comes_from_nowhere(history):
    check_books(enter(history).bench)


@settings(max_examples=150, deadline=None)
@given(histories, entries)
def test_undo_restores_every_derived_number(history, entry):
    recorder = enter(history)
    before = recorder.bench
    kind, payload, date = spell(entry, recorder)
    if recorder.refusals(kind, payload, date):
        return
    number = recorder.force(kind, payload, date)
    after = recorder.bench
    recorder.add("undo", {"event": number})
    assert recorder.bench == before
    recorder.add("undo", {"event": number + 1})
    assert recorder.bench == after


@settings(max_examples=100, deadline=None)
@given(histories)
def test_undoing_everything_from_the_end_empties_the_bench(history):
    recorder = enter(history)
    while True:
        undone = undone_by(recorder.events)
        standing = [e.number for e in recorder.events if e.number not in undone and e.kind != "undo"]
        if not standing:
            break
        recorder.add("undo", {"event": standing[-1]})
    assert recorder.bench == Bench()


@settings(max_examples=100, deadline=None)
@given(histories)
def test_what_the_rules_let_in_stays_sound(history):
    recorder = enter(history)
    assert find_broken(recorder.events, CATALOGUE) == {}
    assert replay(recorder.events) == replay(list(recorder.events))


def test_the_checks_can_fail():
    """The twin: without the rules the same books do not close."""
    recorder = Recorder(CATALOGUE)
    recorder.force("lot", {"name": "shed", "fractions": [{"name": "pins-mixed", "kind": "pins-mixed", "mass_kg": 1.0}]})
    charge = {"address": "shed/pins-mixed", "mass_kg": 0.5}
    recorder.force("batch", {"name": "B1", "route": "pins-nitric", "charges": [charge]})
    check_books(recorder.bench)
    recorder.events[1] = replace(recorder.events[1], payload={**recorder.events[1].payload, "route": "silver-nitric"})
    gold = {"batch": "B1", "metal": "Au", "form": "gold-powder", "weight_g": 1.0, "readability_g": 0.01}
    recorder.force("product", gold)
    with pytest.raises(AssertionError):
        check_books(recorder.bench)
    recorder.events[2] = replace(recorder.events[2], payload={**gold, "metal": "Ag", "weight_g": 600.0})
    with pytest.raises(AssertionError):
        check_books(recorder.bench)
