"""A residue, a solution and what was wiped up go into later batches: typed as commands, metal closing in every draw."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np
import pytest

from gradeest.records.domain import METALS
from gradeest.workflow.believing import believe
from gradeest.workflow.flowing import find_subject, gather_flow
from gradeest.workflow.holdings import Holdings
from gradeest.workflow.opening import Place, open_bench
from tests.cli.conftest import Run

GOLD = METALS.index("Au")
LOT = 'name = "edges"\ndate = 2025-01-05\n[[fraction]]\nname = "strips"\nkind = "fingers-mixed"\nmass = "2 kg"\n'
WEIGHT = ("--metal", "Au", "--form", "gold-powder", "--readability", "0.01 g", "--later", "--close")


def typed(run: Run, *commands: tuple[str, ...]) -> None:
    for words in commands:
        done = run(*words)
        assert done.code == 0, (words, done.err)


@pytest.fixture
def second_passes(run: Run, tmp_path: Path) -> Run:
    """2 kg of finger strips gave 1.90 g; the residue gave 0.21 g more, what was wiped up of a spill 0.30 g."""
    (tmp_path / "edges.toml").write_text(LOT)
    add, leach = ("batch", "add", "--charge"), ("--route", "ash-leach", "--date", "2025-03-02", "--later")
    typed(
        run,
        ("lot", "add", "edges.toml"),
        (*add, "edges/strips", "--route", "foils-peroxide", "--date", "2025-01-06", "--later"),
        ("record", "loss", "B1", "--share", "10-30 %", "--wiped", "floor=40 g", "--date", "2025-01-06", "--later"),
        ("batch", "leave", "B1", "cake", "--residue", "350 g", "--date", "2025-01-07"),
        ("batch", "leave", "B1", "liquor", "--volume", "2 L", "--date", "2025-01-07"),
        ("record", "product", "B1", "--weight", "1.90 g", *WEIGHT, "--date", "2025-01-07"),
        (*add, "B1/cake", *leach),
        ("record", "product", "B2", "--weight", "0.21 g", *WEIGHT, "--date", "2025-03-03"),
        (*add, "B1/floor", *leach),
        ("record", "product", "B3", "--weight", "0.30 g", *WEIGHT, "--date", "2025-03-03"),
    )
    return run


def test_second_passes_correct_the_first_and_metal_closes_in_every_draw(second_passes: Run, tmp_path: Path) -> None:
    run = second_passes
    (row,) = [r for r in run("grades", "--json").json["rows"] if (r["address"], r["metal"]) == ("edges/strips", "Au")]
    assert row["rests_on"] == "1 weight, 2 later weights"
    assert row["contained"][1] > 1000 * (1.90 + 0.21 + 0.30) * 0.8 / 2  # at least what was weighed, of powders
    for words in (("where", "B1"), ("where", "B2"), ("where",), ("open",), ("batch", "show", "B1"), ("history",)):
        done = run(*words)
        assert done.code == 0, done.err
    place = Place(tmp_path / "gradeest.ledger", None, 1, "fast", dt.datetime(2025, 6, 1, tzinfo=dt.UTC))
    with open_bench(place) as opened:
        holdings = Holdings(opened, believe(opened))
        batches = opened.bench.batches
        for name, place in (("cake", "residue"), ("floor", "spilled")):
            held = holdings.streams(batches["B1"])[name][:, GOLD]
            part = holdings.flow(batches["B1"]).parts_g[place][:, GOLD]
            taken = next(iter(holdings.charged(batches["B2" if name == "cake" else "B3"]).values()))[:, GOLD]
            np.testing.assert_allclose(taken, held, rtol=1e-9)
            assert np.all(held <= part * (1 + 1e-9))
        np.testing.assert_allclose(
            holdings.streams(batches["B1"])["cake"][:, GOLD],
            holdings.flow(batches["B1"]).parts_g["residue"][:, GOLD], rtol=1e-9,
        )  # fmt: skip
        for about in ("B1", "B2", "B3", "edges", None):
            flow = gather_flow(holdings, find_subject(opened.bench, about))
            total = np.sum(list(flow.parts_g.values()), axis=0)
            np.testing.assert_allclose(total, flow.contained_g, rtol=1e-9, atol=1e-12)


def test_palladium_in_a_solution_is_expected_of_the_batch_that_takes_it(second_passes: Run) -> None:
    started = second_passes(
        "batch", "add", "--charge", "B1/liquor", "--route", "mlcc-nitric", "--date", "2025-03-05", "--json"
    )
    assert started.code == 0, started.err
    assert started.json["charges"] == [["B1/liquor", pytest.approx(2.2)]]  # by the density of the priors
    assert {row["metal"] for row in started.json["expected"]} >= {"Pd"}
    again = second_passes("batch", "add", "--charge", "B1/liquor", "--route", "mlcc-nitric", "--date", "2025-03-05")
    assert again.code == 3
    assert "B1/liquor went into B4 already" in " ".join(again.err.split())


def test_a_residue_of_an_open_batch_stays_and_nothing_is_saved(run: Run, tmp_path: Path) -> None:
    (tmp_path / "edges.toml").write_text(LOT)
    typed(
        run,
        ("lot", "add", "edges.toml"),
        ("batch", "add", "--charge", "edges/strips", "--route", "foils-peroxide", "--date", "2025-01-06", "--later"),
        ("batch", "leave", "B1", "cake", "--residue", "350 g", "--date", "2025-01-07"),
    )
    events = len(run("history", "--json").json["events"])
    done = run("batch", "add", "--charge", "B1/cake", "--charge", "B2/cake", "--route", "ash-leach")
    assert done.code == 3
    text = " ".join(done.err.split())
    for words in ("B1/cake is the residue of B1, which is open", "gradeest batch close B1", "B2 -> B2/cake -> B2"):
        assert words in text
    both = run("batch", "leave", "B1", "mud", "--residue", "10 g", "--volume", "1 L")
    assert both.code == 2
    assert len(run("history", "--json").json["events"]) == events
