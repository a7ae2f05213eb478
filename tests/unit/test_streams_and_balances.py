"""What a batch leaves and loses, and what a balance is worth: refused, asked back, kept."""

from __future__ import annotations

import datetime as dt

import pytest

from gradeest.materials.catalogue import load_catalogue
from gradeest.records.balance_rules import last_used, with_readability
from gradeest.records.findings import Findings
from tests.recorder import DAY, Recorder, batch, lot, product

LATER = DAY + dt.timedelta(days=7)


@pytest.fixture(scope="module")
def catalogue():
    return load_catalogue()


@pytest.fixture
def recorder(catalogue):
    recorder = Recorder(catalogue)
    recorder.add("lot", lot(fingers_memory=2.0))
    recorder.add("batch", batch())
    return recorder


def refused(recorder: Recorder, kind: str, payload: dict, date: dt.date = LATER) -> str:
    found = recorder.refusals(kind, payload, date)
    assert found
    return " | ".join(found)


def aside(**masses: float) -> dict:
    return {"batch": "B1", "streams": [{"name": name, "mass_kg": kg} for name, kg in masses.items()]}


def loss(low: float = 0.2, high: float = 0.5, **other) -> dict:
    return {"batch": "B1", "low": low, "high": high, "note": "tipped", **other}


def test_what_a_batch_leaves_is_kept_with_it(recorder):
    recorder.add("setaside", aside(oversize=0.08, magnetic=0.03), LATER)
    recorder.add("leave", {"batch": "B1", "name": "liquor", "volume_l": 1.2}, LATER)
    recorder.add("loss", loss(wiped={"name": "floor", "mass_kg": 0.06}), LATER)
    b1 = recorder.bench.batches["B1"]
    assert [(s.name, s.sort, s.mass_kg, s.volume_l, s.event) for s in b1.streams] == [
        ("oversize", "set-aside", 0.08, None, 3),
        ("magnetic", "set-aside", 0.03, None, 3),
        ("liquor", "solution", None, 1.2, 4),
        ("floor", "wiped-up", 0.06, None, 5),
    ]
    (lost,) = b1.losses
    assert (lost.low, lost.high, lost.note, lost.date) == (0.2, 0.5, "tipped", LATER)
    assert recorder.bench.left_kg("B1/floor") == 0.06
    recorder.add("undo", {"event": 5})
    assert [s.name for s in recorder.bench.batches["B1"].streams] == ["oversize", "magnetic", "liquor"]
    assert recorder.bench.batches["B1"].losses == ()


def test_no_more_comes_out_of_a_batch_than_went_in(recorder):
    recorder.add("setaside", aside(oversize=0.6), LATER)
    assert "1.1 kg would have come out of B1, 1 kg went in" in refused(recorder, "setaside", aside(dies=0.5))
    assert "all of B1 would be set aside" in refused(recorder, "setaside", aside(dies=0.4))
    wiped = loss(wiped={"name": "floor", "mass_kg": 0.5})
    assert "1.1 kg would have come out" in refused(recorder, "loss", wiped)
    recorder.add("setaside", aside(dies=0.3), LATER)
    amended = {"event": 3, "changes": {"oversize.mass_kg": 0.8}}
    assert "rest on it: 4 (set aside from B1)" in refused(recorder, "amend", amended)


def test_streams_need_names_of_their_own(recorder):
    recorder.add("setaside", aside(oversize=0.1), LATER)
    text = refused(recorder, "setaside", aside(**{"Oversize": 0.1, "au-1": 0.1, "a b": -1}))
    for word in ("has a stream 'Oversize' already", "'au-1' is how products are called", "'a b' cannot be a name",
                 "mass of -1 kg"):  # fmt: skip
        assert word in text
    assert "nothing was set aside" in refused(recorder, "setaside", aside())
    assert "nothing that can be set aside" in refused(recorder, "setaside", {"batch": "B1", "streams": "all"})
    assert "stream 'oversize' already" in refused(
        recorder, "leave", {"batch": "B1", "name": "oversize", "volume_l": 1.0}
    )
    assert "cannot be a volume" in refused(recorder, "leave", {"batch": "B1", "name": "liquor", "volume_l": 0})
    assert "more than any bench" in refused(recorder, "leave", {"batch": "B1", "name": "liquor", "volume_l": 1e6})


@pytest.mark.parametrize("share", [(0.5, 0.2), (0.3, 0.3), (0.5, 1.0), (-0.1, 0.2), ("a", 0.2)])
def test_a_loss_is_a_range_of_shares(recorder, share):
    assert "cannot be the share that was lost" in refused(recorder, "loss", loss(*share))


def test_a_closed_batch_is_set_aside_from_no_more_but_may_have_lost_and_leave_liquids(recorder):
    recorder.add("product", product(), LATER)
    recorder.add("close", {"batch": "B1"}, LATER)
    assert "is closed since" in refused(recorder, "setaside", aside(dies=0.1))
    after = LATER + dt.timedelta(days=3)
    assert "did not touch its weights" in refused(recorder, "loss", loss(), after)
    assert not recorder.refusals("loss", loss(), LATER)
    assert not recorder.refusals("leave", {"batch": "B1", "name": "liquor", "volume_l": 1.0}, after)


def test_a_batch_is_not_closed_before_its_last_entry(recorder):
    recorder.add("product", product(), DAY)
    recorder.add("loss", loss(), LATER)
    assert "cannot be closed before" in refused(recorder, "close", {"batch": "B1"}, DAY)


# -- streams as charges ------------------------------------------------------------------------------------------------


def test_what_was_set_aside_goes_into_a_later_batch_once(recorder):
    recorder.add("setaside", aside(oversize=0.08, dies=0.02), LATER)
    recorder.add("batch", batch("B2", B1__oversize=0.06, shed__fingers_memory=0.2), LATER)
    bench = recorder.bench
    assert [(c.address, c.mass_kg) for c in bench.batches["B2"].charges] == [
        ("B1/oversize", 0.06), ("shed/fingers-memory", 0.2),
    ]  # fmt: skip
    assert bench.left_kg("B1/oversize") == pytest.approx(0.02)
    assert bench.kinds_in(bench.batches["B2"]) == ["fingers-memory"]
    assert "B1/oversize went into B2 already" in refused(recorder, "batch", batch("B3", B1__oversize=0.01))
    assert "B1/dies has 0.02 kg left, 0.05 kg is more" in refused(recorder, "batch", batch("B3", B1__dies=0.05))
    assert "rest on it: 4 (batch B2)" in refused(recorder, "undo", {"event": 3})
    smaller = {"event": 3, "changes": {"oversize.mass_kg": 0.05}}
    assert "rest on it: 4 (batch B2)" in refused(recorder, "amend", smaller)
    recorder.add("undo", {"event": 4})
    assert recorder.bench.left_kg("B1/oversize") == 0.08


def test_only_what_was_set_aside_before_goes_in_and_never_in_a_circle(recorder):
    recorder.add("setaside", aside(oversize=0.08), LATER)
    recorder.add("leave", {"batch": "B1", "name": "liquor", "volume_l": 1.0}, LATER)
    recorder.add("product", product(), LATER)
    text = refused(
        recorder,
        "batch",
        batch("B2", B1__oversize=0.08, B1__liquor=0.1, B1__dust=0.1, B2__dust=0.1, B7__x=0.1, B1__au_1=1.0),
    )
    for words in (
        "B1/liquor is a solution of B1, which is open", "B1 has nothing called 'dust'", "there is no batch 'B7'",
        "B2 cannot take what it leaves itself: B2 -> B2/dust -> B2", "products go into a batch by themselves",
    ):  # fmt: skip
        assert words in text
    trial = {**batch("B2", B1__oversize=0.01), "trial": True}
    assert "a trial is of one fraction" in refused(recorder, "batch", trial)
    assert "B1/oversize is there since" in refused(recorder, "batch", batch("B2", B1__oversize=0.08), DAY)
    recorder.add("sale", {"address": "B1/oversize", "amount": 1.0}, LATER)
    assert "nothing is left of B1/oversize" in refused(recorder, "batch", batch("B2", B1__oversize=0.08))


def residue(mass_kg: float = 0.3, name: str = "cake", **more) -> dict:
    return {"batch": "B1", "name": name, "mass_kg": mass_kg, **more}


def closed(recorder, *events) -> None:
    """B1 weighed, with these events, and closed."""
    for kind, payload in (("product", product()), *events, ("close", {"batch": "B1"})):
        recorder.add(kind, payload, LATER)


def test_what_a_closed_batch_left_over_goes_into_a_later_one_once(recorder):
    liquor = {"batch": "B1", "name": "liquor", "volume_l": 1.0}
    spilled = loss(wiped={"name": "floor", "mass_kg": 0.02})
    closed(recorder, ("leave", residue()), ("leave", liquor), ("loss", spilled))
    assert [(s.name, s.sort, s.mass_kg) for s in recorder.bench.batches["B1"].streams] == [
        ("cake", "residue", 0.3), ("liquor", "solution", None), ("floor", "wiped-up", 0.02),
    ]  # fmt: skip
    recorder.add("batch", batch("B2", B1__cake=0.2, B1__liquor=1.1, B1__floor=0.02), LATER)
    assert recorder.bench.left_kg("B1/cake") == pytest.approx(0.1)
    assert recorder.bench.solution_left_l("B1/liquor") == 0
    text = refused(recorder, "batch", batch("B3", B1__cake=0.1, B1__liquor=1.1, B1__floor=0.02))
    for name in ("cake", "liquor", "floor"):
        assert f"B1/{name} went into B2 already" in text
    more = {"batch": "B1", "name": "rinse", "volume_l": 0.5}
    assert "B1/liquor went into B2 as all there was of it" in refused(recorder, "leave", more)
    assert "rest on it" in refused(recorder, "undo", {"event": 4})


def test_a_residue_is_refused_where_it_cannot_be(recorder):
    recorder.add("leave", residue(), LATER)
    assert "B1 has its residue already: B1/cake" in refused(recorder, "leave", residue(name="mud"))
    assert "a mass of -1 kg cannot be" in refused(recorder, "leave", residue(-1, "mud"))
    assert "a solution has a volume, a residue a mass" in refused(recorder, "leave", residue(name="mud", volume_l=1.0))
    assert "cannot be a volume" in refused(recorder, "leave", {"batch": "B1", "name": "mud"})
    recorder.add("undo", {"event": 3})
    assert "1.2 kg of residue, and 1 kg went into B1" in " ".join(recorder.asks("leave", residue(1.2)))


def test_what_a_batch_left_over_stays_with_it_while_more_may_come_of_it(recorder):
    recorder.add("leave", residue(), LATER)
    text = refused(recorder, "batch", batch("B2", B1__cake=0.3))
    assert "B1/cake is the residue of B1, which is open" in text
    assert "gradeest batch close B1" in text
    nothing = {"batch": "B1", "metal": "Au", "below_g": 0.05, "liquid": "tested-negative"}
    for kind, payload in (
        ("leave", {"batch": "B1", "name": "liquor", "volume_l": 1.0}),
        ("leave", {"batch": "B1", "name": "rinse", "volume_l": 1.0}),
        ("nondetect", nothing), ("close", {"batch": "B1"}),
    ):  # fmt: skip
        recorder.add(kind, payload, LATER)
    text = refused(recorder, "batch", batch("B2", B1__liquor=1.0, B2__cake=0.1))
    for words in ("nothing of Au was found in B1", "left another solution too (B1/rinse)", "B2 -> B2/cake -> B2"):
        assert words in text
    assert not recorder.refusals("batch", batch("B2", B1__cake=0.3), LATER)


def test_metal_never_runs_in_a_circle_through_several_batches(recorder):
    """What a batch takes is there before it: neither its own residue nor that of a batch after it."""
    closed(recorder, ("leave", residue()))
    recorder.add("batch", batch("B2", B1__cake=0.3), LATER)
    assert "B3 -> B3/mud -> B3" in refused(recorder, "batch", batch("B3", B3__mud=0.1))
    assert "there is no batch 'B4'" in refused(recorder, "batch", batch("B3", B4__mud=0.1))
    change = {"event": 2, "changes": {"B2/mud": 0.1}}
    assert "B2/mud" in refused(recorder, "amend", change)


def test_a_weight_of_a_stream_is_held_against_what_its_kinds_can_hold(recorder):
    recorder.add("setaside", aside(oversize=0.001), LATER)
    recorder.add("batch", batch("B2", B1__oversize=0.001), LATER)
    heavy = {**product(), "batch": "B2", "weight_g": 1.5}
    assert "more than the 0.001 kg that went in" in refused(recorder, "product", heavy)


# -- balances ----------------------------------------------------------------------------------------------------------


def test_a_balance_is_added_once_and_checked_with_a_known_weight(recorder):
    recorder.add("balance", {"name": "pocket", "readability_g": 0.01})
    recorder.add("check", {"balance": "pocket", "weight_g": 5.0, "reads_g": 4.98}, LATER)
    bench = recorder.bench
    assert bench.balances["pocket"].readability_g == 0.01
    (check,) = bench.checks
    assert (check.balance, check.weight_g, check.reads_g, check.date, check.event) == ("pocket", 5.0, 4.98, LATER, 4)
    assert "a balance 'Pocket' already" in refused(recorder, "balance", {"name": "Pocket", "readability_g": 0.01})
    assert "cannot be a balance's step" in refused(recorder, "balance", {"name": "lab", "readability_g": 0.0})
    assert "did you mean pocket" in refused(recorder, "check", {"balance": "poket", "weight_g": 5.0, "reads_g": 5.0})
    assert "4 (check of balance pocket)" in refused(recorder, "undo", {"event": 3})


@pytest.mark.parametrize(
    ("reads", "words"),
    [(4.98, ""), (5.25, ""), (5.26, "off by +5.2%"), (4.7, "off by -6.0%"), (4.985, "does not fit steps of 0.01 g")],
)
def test_an_absurd_check_is_asked_back(recorder, reads, words):
    recorder.add("balance", {"name": "pocket", "readability_g": 0.01})
    asked = recorder.asks("check", {"balance": "pocket", "weight_g": 5.0, "reads_g": reads})
    assert bool(asked) == bool(words)
    assert words in " ".join(asked)


def test_decimals_that_do_not_fit_the_balance_are_asked_about(recorder):
    (ask,) = recorder.asks("product", product(weight_g=2.513), LATER)
    assert "more digits" in ask
    assert not recorder.asks("product", product(weight_g=2.51), LATER)


def test_a_weight_on_a_named_balance_takes_its_step(recorder):
    recorder.add("balance", {"name": "pocket", "readability_g": 0.01})
    on_pocket = product(balance="pocket")
    (ask,) = recorder.asks("product", {**on_pocket, "readability_g": 0.1, "weight_g": 2.5}, LATER)
    assert "pocket shows steps of 0.01 g, not 0.1 g" in ask
    del on_pocket["readability_g"]
    found = Findings()
    filled = with_readability(recorder.bench, on_pocket, found)
    assert filled["readability_g"] == 0.01
    assert not found.issues
    recorder.add("product", filled, LATER)
    assert last_used(recorder.bench) == "pocket"


def test_no_balance_is_guessed_unless_there_is_exactly_one_and_then_it_is_said(recorder):
    bare = product()
    del bare["readability_g"]
    found = Findings()
    with_readability(recorder.bench, bare, found)
    assert [issue.severity for issue in found.issues] == ["error"]
    recorder.add("balance", {"name": "pocket", "readability_g": 0.01})
    found = Findings()
    filled = with_readability(recorder.bench, bare, found)
    assert (filled["balance"], filled["readability_g"]) == ("pocket", 0.01)
    assert [issue.severity for issue in found.issues] == ["warning"]
    recorder.add("balance", {"name": "lab", "readability_g": 0.001})
    found = Findings()
    with_readability(recorder.bench, bare, found)
    assert "pocket, lab" in str(found.issues[0])
    assert last_used(recorder.bench) == "lab"


def test_an_old_record_with_a_step_of_its_own_keeps_working(recorder):
    recorder.add("product", product(), LATER)
    (au,) = recorder.bench.batches["B1"].products
    assert (au.balance, au.readability_g, au.interval_g) == ("bench", 0.01, 0.0)
    (note,) = recorder.check("product", product(balance="kitchen"), LATER)
    assert note.severity == "warning"


def test_a_range_from_old_notes_needs_no_balance_and_fits_any_step(recorder):
    old = product(weight_g=2.5, interval_g=1.0)
    del old["readability_g"]
    found = Findings()
    filled = with_readability(recorder.bench, old, found)
    assert filled["readability_g"] == pytest.approx(0.1)
    assert not recorder.check("product", filled, LATER)
    recorder.add("product", filled, LATER)
    assert recorder.bench.batches["B1"].products[0].interval_g == 1.0
    for width in (5.0, -1.0, "wide"):  # from below nothing, turned round, no number
        assert "cannot be" in refused(recorder, "product", {**filled, "interval_g": width})
