"""Whatever a person enters in whatever order: the books close, stock is never negative, undo restores every number."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from fractions import Fraction as Exact

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gradeest.materials.catalogue import load_catalogue
from gradeest.records import builder
from gradeest.records.amending import amendable_fields
from gradeest.records.domain import Bench
from gradeest.records.stock import find_broken, next_batch_name, replay, resolve, undone_by
from tests.recorder import DAY, Recorder

CATALOGUE = load_catalogue()
KINDS = ("fingers-memory", "pins-mixed", "contacts-agni", "mlcc-nonmagnetic")
ROUTES = {kind: CATALOGUE.kinds[kind].usual_route for kind in KINDS}
FORMS = {"Au": "gold-powder", "Ag": "silver-chloride", "Pd": "palladium-black"}

days = st.integers(0, 30).map(lambda n: DAY + dt.timedelta(days=n))
picks = st.integers(0, 1000)  # which of what is there, counted round
shares = st.floats(0.001, 1.3)  # of what is there; above 1 more than there is
SORTS = [
    "lot", "batch", "batch", "batch", "product", "product", "nondetect", "close", "undo", "undo", "amend", "amend",
    "more", "more", "split", "sale", "sale", "discard", "setaside", "leave", "loss", "balance", "check",
]  # fmt: skip
entries = st.tuples(st.sampled_from(SORTS), st.lists(picks, min_size=4, max_size=4), shares, days)
histories = st.lists(entries, min_size=12, max_size=40)


def pick(number, choices):
    return choices[number % len(choices)]


def things(bench):
    """Everything that can be sold or discarded, with how much of it is left (None: a solution)."""
    found = [(address, "mass_kg", bench.left_kg(address)) for address in bench.addresses()]
    for batch in bench.batches.values():
        for product in batch.products:
            address = f"{batch.name}/{product.name}"
            found.append((address, "weight_g", bench.product_left_g(address)))
        for stream in batch.streams:
            left = None if stream.mass_kg is None else bench.left_kg(stream.address)
            found.append((stream.address, "mass_kg", left))
    return found


def spell(entry, recorder):
    """The payload of an entry, made to name what is there: else nearly every one would be refused."""
    sort, numbers, share, date = entry
    bench, events = recorder.bench, recorder.events
    a, b, c, d = numbers
    if sort == "lot" or not bench.lots:
        kinds = {pick(n, KINDS) for n in (b, c)}
        fractions = [{"name": kind, "kind": kind, "mass_kg": share * (1 + d % 3)} for kind in sorted(kinds)]
        return "lot", {"name": pick(a, ["shed", "attic", "cellar"]), "fractions": fractions}, DAY
    if sort in ("more", "split", "sale", "discard", "balance", "check"):
        return spell_stock(sort, numbers, share, bench, events)
    batch = pick(a, list(bench.batches.values()) or [None])
    if sort == "batch" or batch is None:
        some = {pick(n, bench.addresses()) for n in ((b, c) if d % 3 == 0 else (b,))}
        charges = [{"address": address, "mass_kg": share * (bench.left_kg(address) or 1)} for address in sorted(some)]
        return (
            "batch",
            {"name": next_batch_name(events), "route": ROUTES[pick(b, KINDS)], "charges": charges},
            min(date, DAY + dt.timedelta(days=a % 5)),
        )
    if sort in ("setaside", "leave", "loss"):
        return *spell_stream(sort, numbers, share, batch, len(events)), date
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


def spell_stock(sort, numbers, share, bench, events):
    """An entry about stock or balances, on a day that moves on with the entries (a little out of order at times)."""
    a, b, c, d = numbers
    date = DAY + dt.timedelta(days=max(len(events) - d % 3, 0))
    if sort == "balance":
        return sort, {"name": pick(a, ["pocket", "lab"]), "readability_g": pick(b, [0.01, 0.001])}, date
    if sort == "check":
        return sort, {"balance": pick(a, ["pocket", "lab"]), "weight_g": 5.0, "reads_g": 4.98}, date
    address = pick(a, bench.addresses())
    if sort == "more":
        return sort, {"address": address, "mass_kg": share}, date
    if sort == "split":
        off = 1 + (share - 0.65) / 25  # from within 2 % to beyond
        parts = [1 + n % 4 for n in (b, c, d)][: 2 + b % 2]
        masses = [off * (bench.left_kg(address) or 1) * part / sum(parts) for part in parts]
        heaps = [{"name": f"h{len(events)}-{n}", "mass_kg": mass} for n, mass in enumerate(masses)]
        return sort, {"address": address, "heaps": heaps}, date
    address, unit, left = pick(a, things(bench))
    payload = {"address": address} if b % 3 == 0 or left is None else {"address": address, unit: share * (left or 1)}
    return sort, payload | ({"amount": round(share * 100, 2)} if sort == "sale" else {}), date


def spell_stream(sort, numbers, share, batch, count):
    """An entry about what a batch left behind (sort and payload)."""
    name, (_, b, _, _) = f"s{count}", numbers
    if sort == "setaside":
        return sort, {"batch": batch.name, "streams": [{"name": name, "mass_kg": share * batch.mass_kg / 3}]}
    if sort == "leave":
        return sort, {"batch": batch.name, "name": name, "volume_l": share}
    wiped = {"wiped": {"name": name, "mass_kg": share * batch.mass_kg / 5}} if b % 2 else {}
    return sort, {"batch": batch.name, "low": share / 3, "high": share / 3 + 0.2, "note": "", **wiped}


def enter(history) -> Recorder:
    """What the rules let in of a history."""
    recorder = Recorder(CATALOGUE)
    for entry in history:
        kind, payload, date = spell(entry, recorder)
        if not recorder.refusals(kind, payload, date):
            recorder.force(kind, payload, date)
    return recorder


class Jars:
    """The books kept a second time, by hand and in exact numbers: jars as lists of what stands of each source."""

    def __init__(self):
        self.came, self.sources, self.touched, self.taken = {}, {}, set(), {}

    def put(self, address, mass_kg):
        mass = Exact(mass_kg)
        sources = self.sources.setdefault(address, [])
        if sources and address not in self.touched:
            sources[-1] += mass
        else:
            sources.append(mass)
        self.touched.discard(address)
        self.came[address] = self.came.get(address, 0) + mass

    def take(self, address, mass_kg):
        sources = self.sources[address]
        total = sum(sources)
        mass = total if mass_kg is None else min(Exact(mass_kg), total)
        if total:
            self.sources[address] = [source - mass * source / total for source in sources]
        self.touched.add(address)
        self.taken[address] = self.taken.get(address, 0) + mass

    def read(self, event):
        data = event.payload
        if event.kind == "lot":
            for item in data["fractions"]:
                self.put(f"{data['name']}/{item['name']}", item["mass_kg"])
        elif event.kind == "more":
            self.put(data["address"], data["mass_kg"])
        elif event.kind == "batch":
            for item in data["charges"]:
                self.take(item["address"], item["mass_kg"])
        elif event.kind == "split":
            lot, whole = data["address"].partition("/")[0], sum(self.sources[data["address"]])
            total = sum(Exact(heap["mass_kg"]) for heap in data["heaps"])
            self.take(data["address"], None)
            for heap in data["heaps"]:
                self.put(f"{lot}/{heap['name']}", Exact(heap["mass_kg"]) * whole / total)
        elif event.kind in ("sale", "discard") and data["address"] in self.sources:
            self.take(data["address"], data.get("mass_kg"))


def check_books(recorder: Recorder) -> None:
    bench, standing = recorder.bench, resolve(recorder.events)
    jars = Jars()
    for event in standing:
        jars.read(event)
    near = {"rel": 1e-9, "abs": 3e-9}  # nanograms of a kilogram: a taking may leave that much and call it nothing
    assert set(bench.addresses()) == set(jars.sources)
    for address, sources in jars.sources.items():
        fraction = bench.fraction(address)
        left = bench.layers_left_kg(address)
        assert min(left) >= 0
        assert left == pytest.approx([float(source) for source in sources], **near)
        assert sum(fraction.layers_kg or (fraction.mass_kg,)) == pytest.approx(fraction.mass_kg, rel=1e-12)
        assert fraction.mass_kg == pytest.approx(float(jars.came[address]), **near)
        taken = sum(taking.mass_kg for taking in bench.takings(address))
        assert bench.left_kg(address) + taken == pytest.approx(fraction.mass_kg, **near)
        for taking in bench.takings(address):
            assert not taking.layers_kg or sum(taking.layers_kg) == pytest.approx(taking.mass_kg, **near)
            assert min(taking.layers_kg, default=0) >= 0
    for split in bench.splits:
        lot = split.address.partition("/")[0]
        put_in = {a.address for a in bench.additions}
        heaps = [f"{lot}/{name}" for name in split.heaps]
        if not put_in & set(heaps):
            assert sum(bench.fraction(heap).mass_kg for heap in heaps) == pytest.approx(split.mass_kg, rel=1e-12)
    check_batches(bench)
    sold = [event.payload["amount"] for event in standing if event.kind == "sale"]
    assert sum(sale.amount for sale in bench.sales) == pytest.approx(sum(sold))
    assert len(bench.sales) == len(sold)


def check_batches(bench: Bench) -> None:
    for batch in bench.batches.values():
        assert batch.charges
        assert all(charge.mass_kg > 0 for charge in batch.charges)
        names = [product.name for product in batch.products] + [stream.name for stream in batch.streams]
        assert len(set(names)) == len(names)
        metal_g = sum(p.weight_g * CATALOGUE.forms[p.form].largest_share for p in batch.products)
        assert metal_g <= 1000 * batch.mass_kg
        assert sum(stream.mass_kg or 0 for stream in batch.streams) <= batch.mass_kg * (1 + 1e-6)
        for result in (*batch.products, *batch.nondetects):
            assert result.date >= batch.date
            assert batch.closed is None or result.date <= batch.closed
            assert result.metal in CATALOGUE.routes[batch.route].recovery
        for product in batch.products:
            address = f"{batch.name}/{product.name}"
            gone = sum(t.weight_g for t in bench.takings(address))
            assert gone + bench.product_left_g(address) == pytest.approx(product.weight_g, rel=1e-9, abs=3e-9)
        for stream in batch.streams:
            assert stream.date >= batch.date
            if stream.mass_kg is not None:
                gone = sum(t.mass_kg for t in bench.takings(stream.address))
                assert gone + bench.left_kg(stream.address) == pytest.approx(stream.mass_kg, rel=1e-9, abs=3e-9)
        for loss in batch.losses:
            assert 0 <= loss.low < loss.high < 1


@settings(max_examples=150, deadline=None)
@given(histories)
def test_stock_is_never_negative_and_no_metal_comes_from_nowhere(history):
    check_books(enter(history))


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


def test_enough_of_every_sort_of_entry_is_let_in():
    """Otherwise the properties above would hold for nothing."""
    rng = np.random.default_rng(3)
    let_in: dict[str, int] = {}
    most_sources = 0
    for _ in range(60):
        history = [
            (
                SORTS[rng.integers(len(SORTS))],
                [int(n) for n in rng.integers(0, 1000, 4)],
                float(rng.uniform(0.001, 1.3)),
                DAY + dt.timedelta(days=int(rng.integers(0, 31))),
            )
            for _ in range(40)
        ]
        recorder = enter(history)
        for event in recorder.events:
            let_in[event.kind] = let_in.get(event.kind, 0) + 1
        layers = [len(recorder.bench.layers_left_kg(address)) for address in recorder.bench.addresses()]
        most_sources = max(most_sources, *layers)
    assert {sort for sort in SORTS if let_in.get(sort, 0) < 15} == set(), let_in
    assert most_sources >= 3


def test_the_checks_can_fail():
    """The twin: without the rules the same books do not close."""
    recorder = Recorder(CATALOGUE)
    recorder.force("lot", {"name": "shed", "fractions": [{"name": "pins-mixed", "kind": "pins-mixed", "mass_kg": 1.0}]})
    charge = {"address": "shed/pins-mixed", "mass_kg": 0.5}
    recorder.force("batch", {"name": "B1", "route": "pins-nitric", "charges": [charge]})
    check_books(recorder)
    recorder.events[1] = replace(recorder.events[1], payload={**recorder.events[1].payload, "route": "silver-nitric"})
    gold = {"batch": "B1", "metal": "Au", "form": "gold-powder", "weight_g": 1.0, "readability_g": 0.01}
    recorder.force("product", gold)
    with pytest.raises(AssertionError):
        check_books(recorder)
    recorder.events[2] = replace(recorder.events[2], payload={**gold, "metal": "Ag", "weight_g": 600.0})
    with pytest.raises(AssertionError):
        check_books(recorder)


def test_the_books_see_a_jar_that_was_not_mixed(monkeypatch):
    """The twin for sources: taken from the oldest first, the same history does not close."""
    recorder = Recorder(CATALOGUE)
    lot = {"name": "shed", "fractions": [{"name": "pins", "kind": "pins-mixed", "mass_kg": 1.0}]}
    recorder.add("lot", lot)
    recorder.add("discard", {"address": "shed/pins", "mass_kg": 0.4})
    recorder.add("more", {"address": "shed/pins", "mass_kg": 0.2})
    recorder.add("sale", {"address": "shed/pins", "mass_kg": 0.4, "amount": 12.0})
    check_books(recorder)
    monkeypatch.setattr(builder, "take_from", lambda left, mass: (mass, (mass, *[0.0] * (len(left) - 1))))
    with pytest.raises(AssertionError):
        check_books(recorder)


def test_the_books_see_money_and_metal_that_went_twice():
    recorder = Recorder(CATALOGUE)
    lot = {"name": "shed", "fractions": [{"name": "pins", "kind": "pins-mixed", "mass_kg": 1.0}]}
    recorder.add("lot", lot)
    recorder.add("batch", {"name": "B1", "route": "pins-nitric", "charges": [{"address": "shed/pins", "mass_kg": 1.0}]})
    gold = {"batch": "B1", "metal": "Au", "form": "gold-powder", "weight_g": 1.0, "readability_g": 0.01}
    recorder.add("product", gold)
    sale = {"address": "B1/au-1", "weight_g": 0.8, "amount": 30.0}
    recorder.add("sale", sale)
    check_books(recorder)
    assert recorder.refusals("sale", sale)
    bench = recorder.bench
    (sold,) = bench.sales
    with pytest.raises(AssertionError):
        check_batches(replace(bench, sales=(sold, replace(sold, event=9))))
