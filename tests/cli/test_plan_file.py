"""A plan file as a person writes it: it says what may be typed, and is refused line by line where it cannot be."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.cli.conftest import Run

PRICES = 'currency = "EUR"\n[metals]\nAu = "300 / g"\nAg = "1 / g"\nPd = "300 / g"\n'  # invented
FILE = """
hours = 30
days = 20
at_once = 2
limits = ["nitric acid=9 L"]

[[run]]
fraction = "shed/caps"
must = true
"""


@pytest.fixture
def priced(bench: Run, tmp_path: Path) -> Run:
    (tmp_path / "prices.toml").write_text(PRICES, encoding="utf-8")
    (tmp_path / "week.toml").write_text(FILE, encoding="utf-8")
    return bench


def test_a_plan_file_says_what_may_be_typed_and_what_is_typed_counts_instead(priced: Run) -> None:
    written = priced("plan", "--file", "week.toml", "--json").json
    typed = ("--hours", "30", "--days", "20", "--at-once", "2", "--limit", "nitric acid=9 L", "--must", "shed/caps")
    same = priced("plan", *typed, "--json").json
    assert (written.pop("plan_file"), same.pop("plan_file")) == ("week.toml", "")
    assert written == same
    shorter = priced("plan", "--file", "week.toml", "--hours", "14", "--json").json
    assert {use["limit"]: use["most"] for use in shorter["uses"]} == {"hours": 14, "days": 20, "nitric acid": 9}
    assert priced("plan", "--file", "week.toml", "--hours", "1").code == 6  # what must be in it does not fit


def test_a_run_may_go_by_another_route_and_it_is_said(priced: Run, tmp_path: Path) -> None:
    (tmp_path / "other.toml").write_text('[[run]]\nfraction = "shed/strips"\nroute = "stripping-cell"\n', "utf-8")
    plan = priced("plan", "--file", "other.toml", "--json").json
    steps = {step["address"]: step for step in plan["steps"]}
    assert steps["shed/strips"]["route"] == "stripping-cell"
    assert any("shed/strips by stripping-cell" in text for text in plan["notes"])
    usual = {step["address"]: step for step in priced("plan", "--json").json["steps"]}
    assert steps["shed/strips"]["gain"] != usual["shed/strips"]["gain"]
    assert steps["shed/caps"]["route"] == usual["shed/caps"]["route"]


def test_a_route_that_is_never_run_is_refused_in_a_plan_file_with_its_line(priced: Run, tmp_path: Path) -> None:
    text = """hours = -3
hors = 20
at_once = 0
limits = ["nitrc acid=10 L"]

[[run]]
fraction = "shed/strips"
route = "smelt-lead"

[[run]]
fraction = "shed/tilt"
must = true

[[run]]
fraction = "shed/caps"
route = "foil-peroxide"

[[run]]
fraction = "shed/nothing"
must = true
"""
    (tmp_path / "wrong.toml").write_text(text, encoding="utf-8")
    refused = priced("plan", "--file", "wrong.toml")
    assert refused.code == 3
    said = " ".join(refused.err.split())
    for line, what in {
        1: "hours: -3 cannot be",
        2: "hors: unknown row did you mean hours?",
        3: "at_once: 0 runs at once",
        4: "nothing is called 'nitrc acid' did you mean nitric acid",
        8: "run.route: shed/strips must not be processed by smelt-lead route 'smelt-lead' is refused (STOP)",
        11: "run.fraction: shed/tilt must not be processed",
        16: "run.route: there is no route 'foil-peroxide' did you mean foils-peroxide",
        19: "run.fraction: there is nothing left to process at 'shed/nothing'",
    }.items():
        at = said.index(f"wrong.toml, line {line}:")
        assert what in said[at : at + 220], (line, said[at : at + 220])
    assert priced("plan", "--file", "none.toml").code == 3
    (tmp_path / "twice.toml").write_text('[[run]]\nfraction = "shed/caps"\nmust = true\n' * 2, "utf-8")
    assert "stands in it twice" in priced("plan", "--file", "twice.toml").err
    (tmp_path / "idle.toml").write_text('at_once = 2\n[[run]]\nfraction = "shed/caps"\n', "utf-8")
    idle = priced("plan", "--file", "idle.toml").err
    assert "nothing is said of shed/caps" in idle
    assert "no days are given" in idle
