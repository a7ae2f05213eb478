"""Spot tests through the commands: nothing dropped and no colour, what is refused, how they are shown and changed."""

from __future__ import annotations

import numpy as np

from tests.cli.conftest import Run
from tests.statistical.forward_model import Weighted
from tests.statistical.test_spot_tests import BOARDS, nothing_dropped

BOARDS_LOT = """
name = "attic"
date = 2024-01-05
[[fraction]]
name = "boards"
kind = "boards-enig"
mass = "4 kg"
"""
NOTHING = ("record", "none", "B1", "--metal", "Au", "--below", "0.02 g", "--liquid", "tested-negative")
TEST = ("record", "spot-test", "B1", "negative", "--metal", "Au")
SEEDS = range(1, 5)


def start(run: Run) -> None:
    from pathlib import Path

    Path("attic.toml").write_text(BOARDS_LOT, encoding="utf-8")
    assert run("lot", "add", "attic.toml").code == 0
    assert run("batch", "add", "--charge", "attic/boards", "--later", "--date", "2024-01-06").code == 0


def test_nothing_dropped_from_boards_and_no_colour_in_the_liquid(run: Run) -> None:
    """An invented evening: 4.0 kg, below 0.02 g, no colour in 4.2 L. The grade is low, known to a factor, never 0."""
    start(run)
    assert run(*NOTHING, "--later").code == 0
    assert run(*TEST, "--volume", "4.2 L", "--later").code == 0
    points = []
    for seed in SEEDS:
        rows = run("grades", BOARDS, "--seed", str(seed), "--json").json["rows"]
        points += [row["contained"] for row in rows if (row["address"], row["metal"]) == ("attic/boards", "Au")]
    low, median, high = np.exp(np.log(np.array(points)).mean(axis=0)) / 1000  # g/kg
    case = nothing_dropped()
    exact = Weighted(case.weight).quantile(case.world.grade("L1", BOARDS, "Au"), 0.5) / 1000
    assert abs(median / exact - 1) < 0.03, (median, exact)
    assert 0.001 <= low < high <= 0.030


def test_without_the_volume_it_is_refused_with_what_to_type(run: Run) -> None:
    start(run)
    refused = run(*TEST)
    assert refused.code == 2
    assert "--volume" in refused.err
    assert '"4.2 L"' in refused.err
    assert run(*TEST, "--volume", "4.2").code == 3  # no unit
    assert "spot test" not in run("history").out


def test_all_that_is_wrong_is_told_at_once(run: Run) -> None:
    start(run)
    refused = run("record", "spot-test", "B9", "drak", "--metal", "Pt", "--volume", "0 L")
    assert refused.code == 3
    for words in ("'drak'", "'Pt'", "'0 L'"):
        assert words in refused.err
    refused = run("record", "spot-test", "B9", "clear", "--metal", "Pd", "--volume", "3 L")
    assert "there is no batch 'B9'" in refused.err
    refused = run("record", "spot-test", "B1", "clear", "--metal", "Pd", "--volume", "3 L")
    assert "stays in the solution" in refused.err


def test_a_colour_against_a_liquid_noted_as_negative_is_asked_back(run: Run) -> None:
    start(run)
    assert run(*NOTHING, "--later").code == 0
    again = ("record", "spot-test", "B1", "clear", "--metal", "Au", "--volume", "3 L", "--later")
    assert "says the opposite" in run(*again).err
    assert run(*again, "--sure").code == 0


def test_it_is_shown_amended_and_undone(run: Run) -> None:
    start(run)
    assert run(*TEST, "--volume", "4.2 L", "--before-drop", "--later").code == 0
    assert run("history", "--json").json["events"][-1]["text"] == (
        "spot test of B1, Au: negative in 4.2 L, before the drop"
    )
    assert run("amend", "3", "result=faint", "volume=2 L", "moment=after-drop").code == 0
    (kept,) = run("batch", "show", "B1", "--json").json["batch"]["spot_tests"]
    assert (kept["result"], kept["volume_l"], kept["moment"]) == ("faint", 2.0, "after-drop")
    assert "spot test faint, after the drop" in run("batch", "show", "B1").out
    assert run("undo", "3").code == 0
    assert run("batch", "show", "B1", "--json").json["batch"]["spot_tests"] == []
