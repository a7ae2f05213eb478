"""What is refused or asked back before anything is saved, sort by sort."""

from __future__ import annotations

import datetime as dt
import math

import pytest

from gradeest.materials.catalogue import load_catalogue
from tests.recorder import DAY, TODAY, Recorder, assay, batch, lot, nothing, product

BEFORE, TOMORROW = DAY - dt.timedelta(days=1), TODAY + dt.timedelta(days=1)


@pytest.fixture(scope="module")
def catalogue():
    return load_catalogue()


@pytest.fixture
def recorder(catalogue):
    recorder = Recorder(catalogue)
    recorder.add("lot", lot(fingers_memory=2.0, contacts_agni=1.5, relays_mercury=0.4, contacts_agcdo=0.5))
    recorder.add("batch", batch())
    return recorder


def refused(recorder, kind, payload, date=DAY):
    """The one refusal there is."""
    (text,) = recorder.refusals(kind, payload, date)
    return text


def test_good_entries_pass(recorder):
    assert recorder.check("product", product()) == []
    assert recorder.check("nondetect", nothing()) == []
    assert recorder.check("assay", assay()) == []
    assert recorder.check("lot", lot("cellar")) == []
    assert recorder.check("batch", batch("B2")) == []


@pytest.mark.parametrize("name", ["", "B7", "b7", "a b", "a/b", "-a", "ä", "x" * 41, "shed", "Shed", None, 7])
def test_lot_names(recorder, name):
    assert refused(recorder, "lot", {**lot(), "name": name})


def test_lots_are_not_empty_and_masses_are_masses(recorder):
    assert "empty" in refused(recorder, "lot", {**lot("cellar"), "fractions": []})
    assert recorder.check("lot", {**lot("cellar"), "fractions": [], "unsorted_kg": 3.0}) == []
    for mass in (0, -1.0, math.nan, math.inf, 2e6):
        assert refused(recorder, "lot", lot("cellar", pins_mixed=mass))
    assert "not how a lot is stored" in refused(recorder, "lot", lot("cellar", pins_mixed="much"))


def test_all_faults_of_a_lot_are_told_at_once(recorder):
    faulty = lot("B1", fingrs_memory=-1.0, pins_mixed=0.0)
    faulty |= {"price_paid": -5.0, "date": TOMORROW.isoformat(), "note": "a\x07b"}
    faulty["fractions"][1] |= {"pieces": 0, "name": "fingrs-memory", "kind": ""}
    refusals = "\n".join(recorder.refusals("lot", faulty))
    for words in (
        "how batches are called",
        "no kind 'fingrs-memory' -> did you mean fingers-memory",
        "a mass of -1 kg",
        "a mass of 0 kg",
        "cannot be a price",
        "future",
        "cannot be printed",
        "cannot be a count",
        "two fractions are called",
        "the kind is missing",
    ):
        assert words in refusals


def test_unknown_kinds_name_the_nearest(recorder):
    assert "fingers-memory" in refused(recorder, "lot", lot("cellar", finger_memory=1.0))


def test_kinds_that_are_never_processed_may_be_kept_but_are_said(recorder):
    (issue,) = recorder.check("lot", lot("cellar", relays_mercury=1.0))
    assert issue.severity == "warning"


def test_charges_name_fractions(recorder):
    assert "'shed' is a whole lot -> one of its fractions: shed/fingers-memory" in refused(
        recorder, "batch", {**batch("B2"), "charges": [{"address": "shed", "mass_kg": 1.0}]}
    )
    assert "did you mean shed/fingers-memory" in refused(recorder, "batch", batch("B2", shed__fingers_memry=1.0))
    assert "B1 has no product 'au-1'" in refused(
        recorder, "batch", {**batch("B2", "melt-products"), "charges": [{"address": "B1/au-1", "mass_kg": 1.0}]}
    )
    twice = {**batch("B2"), "charges": batch()["charges"] * 2}
    twice["charges"][0]["mass_kg"] = twice["charges"][1]["mass_kg"] = 0.1
    assert "named twice" in refused(recorder, "batch", twice)
    assert "nothing went in" in refused(recorder, "batch", {**batch("B2"), "charges": []})


def test_charge_beyond_what_is_left_by_more_than_2_percent_is_refused(recorder):
    # 1 kg of 2 kg is left
    assert "1 kg left, 1.021 kg is more" in refused(recorder, "batch", batch("B2", shed__fingers_memory=1.021))
    assert recorder.check("batch", batch("B2", shed__fingers_memory=1.019)) == []
    for mass in (0, -0.1, math.nan, None, "much"):
        assert refused(recorder, "batch", batch("B2", shed__fingers_memory=mass))


def test_batches_are_named_once_and_go_by_a_known_route(recorder):
    assert "is a batch B1 already" in refused(recorder, "batch", batch("B1", shed__fingers_memory=0.1))
    assert "how batches are called" in refused(recorder, "batch", batch("lot", shed__fingers_memory=0.1))
    assert "foils-peroxide" in refused(recorder, "batch", batch("B2", "foils-peroxid", shed__fingers_memory=0.1))
    assert "no route" in refused(recorder, "batch", batch("B2", "", shed__fingers_memory=0.1))


def test_stops_and_burning_are_refused(recorder):
    assert "Mercury" in refused(recorder, "batch", batch("B2", "silver-nitric", shed__relays_mercury=0.1))
    assert "Mercury" in refused(recorder, "batch", batch("B2", "", shed__relays_mercury=0.1))
    assert "Cadmium" in refused(recorder, "batch", batch("B2", "melt-contacts", shed__contacts_agcdo=0.1))
    assert not recorder.refusals("batch", batch("B2", "silver-nitric", shed__contacts_agcdo=0.1))
    recorder.add("lot", lot("cellar", chips_to_2008=1.0))
    burn = batch("B2", "chips-burn", cellar__chips_to_2008=0.5)
    assert len(recorder.refusals("batch", burn)) == 2  # equipment, permit
    recorder.add("setting", {"name": "fit-equipment", "value": "afterburner"})
    recorder.add("setting", {"name": "permit", "value": "no"})
    assert len(recorder.refusals("batch", burn)) == 1
    recorder.add("setting", {"name": "permit", "value": "no. 7"})
    assert recorder.refusals("batch", burn) == []


def test_products_belong_to_an_open_batch(recorder):
    assert "no batch 'B9' -> batches: B1" in refused(recorder, "product", product("B9"))
    assert "belongs to the batch that gave it" in refused(recorder, "product", product("shed/fingers-memory"))
    assert "its batches: B1" in refused(recorder, "product", product("shed"))
    recorder.add("product", product())
    recorder.add("close", {"batch": "B1"})
    assert "closed since 2025-03-01" in refused(recorder, "product", product(weight_g=0.1))
    assert "closed since 2025-03-01" in refused(recorder, "nondetect", nothing(metal="Au"))
    assert "closed already" in refused(recorder, "close", {"batch": "B1"})


def test_product_fields(recorder):
    assert "type Au" in refused(recorder, "product", product(metal="gold"))
    assert "type Au" in refused(recorder, "product", product(metal="au"))
    assert "Au, Ag, Pd" in refused(recorder, "product", product(metal="Cu"))
    assert "gold-powder" in refused(recorder, "product", product(form="gold-powdr"))
    assert "is a form of Ag" in refused(recorder, "product", product(form="silver-cement"))
    assert "record none" in refused(recorder, "product", product(weight_g=0))
    assert "record none" in refused(recorder, "product", product(weight_g=0.004))
    for value in (-1.0, math.nan, "much"):
        assert "cannot be a weight" in refused(recorder, "product", product(weight_g=value))
        assert "cannot be a balance's step" in refused(recorder, "product", product(readability_g=value))
    assert "readability_g is missing" in refused(recorder, "product", product(readability_g=None))
    assert "before that" in refused(recorder, "product", product(), BEFORE)
    assert "future" in refused(recorder, "product", product(), TOMORROW)
    (issue,) = recorder.check("product", product(weight_g=2.513))
    assert "more digits" in issue.message
    assert issue.severity == "ask"


def test_more_metal_than_material_is_refused_by_the_forms_largest_share(catalogue):
    """1 kg of contacts may well give 1.08 kg of silver chloride: 75.3 % of it is silver (IUPAC weights)."""
    recorder = Recorder(catalogue)
    recorder.add("lot", lot(contacts_agni=2.0))
    recorder.add("batch", batch(route="silver-nitric", shed__contacts_agni=1.0))
    salt = {"metal": "Ag", "form": "silver-chloride", "readability_g": 1.0}
    assert not recorder.check("product", product(weight_g=1080.0, **salt))
    limit = 1000 * (107.8682 + 35.45) / 107.8682  # all of it silver
    assert not recorder.refusals("product", product(weight_g=limit - 1, **salt))
    assert "more than the 1 kg" in refused(recorder, "product", product(weight_g=limit + 1, **salt))
    # weights of one batch add up
    recorder.add("product", product(weight_g=1080.0, **salt))
    assert "with what was weighed before" in refused(recorder, "product", product(weight_g=300.0, **salt))


def test_incredible_weights_are_asked_back(catalogue):
    recorder = Recorder(catalogue)
    recorder.add("lot", lot(mlcc_nonmagnetic=1.0))
    recorder.add("batch", batch(route="mlcc-nitric", shed__mlcc_nonmagnetic=0.5))
    palladium = {"metal": "Pd", "form": "palladium-black"}
    assert not recorder.check("product", product(weight_g=29.9, **palladium))  # 0.5 kg x 60,000 g/t = 30 g
    (ask,) = recorder.asks("product", product(weight_g=30.1, **palladium))
    assert "thought to hold (30 g)" in ask


def test_a_metal_the_route_does_not_recover_is_refused(recorder):
    text = refused(recorder, "product", product(metal="Ag", form="silver-cement", weight_g=1.0))
    assert "brings no Ag" in text
    assert "residue" in text
    assert "brings no Pd" in refused(recorder, "nondetect", nothing(metal="Pd"))


def test_nothing_dropped(recorder):
    for value in (0, -1, math.nan, "much"):
        assert "cannot be a limit" in refused(recorder, "nondetect", nothing(below_g=value))
    assert "more than went into" in refused(recorder, "nondetect", nothing(below_g=1001.0))
    assert "tested-negative" in refused(recorder, "nondetect", nothing(liquid="tested"))
    recorder.add("nondetect", nothing())
    assert "dropped already" in refused(recorder, "nondetect", nothing())
    assert "no Au dropped" in refused(recorder, "product", product())
    recorder.add("undo", {"event": 3})
    recorder.add("product", product())
    assert "weighed already (au-1)" in refused(recorder, "nondetect", nothing())


def test_one_drop_shared_out_pro_rata_over_several_batches_is_refused(catalogue):
    """4.31 g of 1.20 + 0.85 + 0.40 kg typed as three results that agree to the last digit."""
    recorder = Recorder(catalogue)
    recorder.add("lot", lot(fingers_memory=1.2, fingers_cards=0.85, fingers_heavy=0.4))
    for name, fraction, mass in (("B1", "memory", 1.2), ("B2", "cards", 0.85), ("B3", "heavy", 0.4)):
        recorder.add("batch", batch(name, **{f"shed__fingers_{fraction}": mass}))
    recorder.add("product", product("B1", round(4.31 * 1.2 / 2.45, 2)))
    second = product("B2", round(4.31 * 0.85 / 2.45, 2))
    (ask,) = recorder.asks("product", second)
    assert "one drop" in ask
    recorder.add("product", second)
    assert "as B1, B2" in refused(recorder, "product", product("B3", round(4.31 * 0.4 / 2.45, 2)))
    # what does not agree is welcome, and so is another day
    assert not recorder.check("product", product("B3", 0.9))
    assert not recorder.check("product", product("B3", 0.70), DAY + dt.timedelta(days=1))


def test_assays(recorder):
    assert "whole lot" in refused(recorder, "assay", assay("shed"))
    assert "is a batch" in refused(recorder, "assay", assay("B1"))
    assert "no fraction" in refused(recorder, "assay", assay("cellar/x"))
    for value in (0, -1.0, math.nan, "much", 2e6):
        assert refused(recorder, "assay", assay(value=value))
    for u in (0, -0.1, math.nan, 5.0):
        assert refused(recorder, "assay", assay(u_rel=u))
    assert recorder.asks("assay", assay(u_rel=0.0001))
    silver = assay("shed/contacts-agni", 930_000.0, metal="Ag")
    assert "925000" in recorder.asks("assay", silver)[0]


def test_closing(recorder):
    assert "no batch 'B9'" in refused(recorder, "close", {"batch": "B9"})
    assert "cannot be closed before" in refused(recorder, "close", {"batch": "B1"}, BEFORE)
    (issue,) = recorder.check("close", {"batch": "B1"})
    assert issue.severity == "warning"
    assert "nothing was recorded" in issue.message


def test_declarations(recorder):
    for good in ("permit", "fit-equipment", "licence", "licence:nitric"):
        assert recorder.check("setting", {"name": good, "value": "yes"}) == []
    assert "did you mean permit" in refused(recorder, "setting", {"name": "permits", "value": "yes"})
    assert refused(recorder, "setting", {"name": "licence:", "value": "yes"})
    assert "value is missing" in refused(recorder, "setting", {"name": "permit", "value": ""})
    assert refused(recorder, "setting", {"name": "permit", "value": "\udcff"})


def test_unknown_sorts_of_events(recorder):
    assert "no events of the sort 'dance'" in refused(recorder, "dance", {})
