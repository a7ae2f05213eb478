"""Files of past batches: read whole or refused whole, and the shipped ones fit the bench they are played into."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest

from gradeest.errors import InputError
from gradeest.materials.catalogue import load_catalogue, shipped_folder
from gradeest.records.intake import lot_payload, read_lot
from gradeest.records.replay_files import read_replay
from tests.recorder import TODAY, Recorder

GOOD = """
[[event]]
do = "batch"
date = 2024-03-02
name = "B1"
route = "foils-peroxide"
charges = { "shed/strips" = "600 g" }

[[event]]
do = "product"
date = 2024-03-09
batch = "B1"
metal = "Au"
form = "gold-powder"
weight = "2.11 g"
readability = "10 mg"
damp = true

[[event]]
do = "none"
date = 2024-03-09
batch = "B1"
metal = "Pd"
below = "0.02 g"
liquid = "gone"

[[event]]
do = "assay"
date = 2024-03-10
address = "shed/strips"
metal = "Au"
value = "0.31 g/kg"
u = "5 %"
"""


@pytest.fixture
def read(tmp_path):
    def read(text):
        path = tmp_path / "past.toml"
        path.write_text(text, encoding="utf-8")
        return read_replay(path)

    return read


def test_events_are_read_in_order(read):
    batch, product, none, assay = read(GOOD)
    charges = [{"address": "shed/strips", "mass_kg": 0.6}]
    assert batch == ("batch", {"name": "B1", "route": "foils-peroxide", "charges": charges}, dt.date(2024, 3, 2))
    assert product[1]["weight_g"] == pytest.approx(2.11)
    assert product[1]["readability_g"] == pytest.approx(0.01)
    assert product[1]["damp"] is True
    assert none[0] == "nondetect"
    assert none[1] == {"batch": "B1", "metal": "Pd", "below_g": pytest.approx(0.02), "liquid": "gone"}
    assert assay[1]["value_g_per_t"] == pytest.approx(310)
    assert assay[1]["u_rel"] == pytest.approx(0.05)


def test_every_fault_at_once_with_its_line(read):
    faulty = GOOD.replace('"600 g"', '"600"').replace('"2.11 g"', "2.11").replace('"none"', '"nothing"')
    faulty = faulty.replace("2024-03-10", "2024-03-01").replace('u = "5 %"', 'uu = "5 %"').replace("= true", '= "yes"')
    with pytest.raises(InputError) as caught:
        read(faulty)
    found = [(issue.line, issue.field) for issue in caught.value.issues]
    assert found == [(7, "charges"), (15, "weight"), (17, "damp"), (20, "do"), (33, "uu"), (27, "u"), (29, "date")]


@pytest.mark.parametrize(
    "text", ["", 'invented = "x"', "[[events]]\nx = 1", "[[event]]\ndate = 2024-01-01", "[[event]]"]
)
def test_files_without_events_are_refused(read, text):
    with pytest.raises(InputError):
        read(text)


@pytest.mark.parametrize("folder", sorted(p.name for p in shipped_folder("demo_lots").iterdir() if p.is_dir()))
def test_the_shipped_past_fits_its_lot_and_asks_nothing(folder):
    catalogue = load_catalogue()
    source = Path(str(shipped_folder("demo_lots"))) / folder
    recorder = Recorder(catalogue)
    lot, _ = read_lot(source / "lot.toml", catalogue, today=TODAY)
    recorder.add("lot", lot_payload(lot), lot.date)
    past = read_replay(source / "replay.toml")
    for kind, payload, date in past:
        assert recorder.check(kind, payload, date) == []
        recorder.add(kind, payload, date)
    assert any(batch.products for batch in recorder.bench.batches.values())
    assert "invented" in (source / "prices.toml").read_text(encoding="utf-8").lower()
    # there is something left to go on with, by a route this bench may run
    last = recorder.bench.addresses()[-1]
    assert recorder.bench.left_kg(last) > 0
    kind = catalogue.kinds[recorder.bench.fraction(last).kind]
    charge = {"address": last, "mass_kg": recorder.bench.left_kg(last)}
    assert not recorder.refusals("batch", {"name": "B9", "route": kind.usual_route, "charges": [charge]}, TODAY)
