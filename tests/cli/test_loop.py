"""The main job end to end: forecast, rank, record a weight, learn, rank again; and what each step leaves behind."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from tests.cli.conftest import Run

PRICES = """
currency = "EUR"
[metals]
Au = "100 / g"
Ag = "1 / g"
Pd = "35 / g"
[time]
hours_rate = 0
"""


@pytest.fixture
def priced(bench: Run, tmp_path: Path) -> Run:
    (tmp_path / "prices.toml").write_text(PRICES, encoding="utf-8")
    return bench


def rows_by(rows: list[dict[str, Any]], address: str, metal: str | None = None) -> dict[str, Any]:
    return next(row for row in rows if row["address"] == address and metal in (None, row.get("metal")))


def kept(folder: Path) -> list[str]:
    with sqlite3.connect(folder / "gradeest.ledger") as db:
        found = [what for (what,) in db.execute("SELECT what FROM shown ORDER BY number")]
    db.close()
    return found


def test_a_forecast_needs_no_prices_and_is_kept(bench: Run, tmp_path: Path) -> None:
    done = bench("forecast", "shed", "--json")
    assert done.code == 0
    assert done.err == "", "before the first evidence nothing is fitted"
    body = done.json
    assert set(body) == {
        "command", "lot", "forecast", "not_processed", "marks", "marks_explained", "cautions", "unsorted_kg",
        "invented", "trust", "catalogue_version", "seed", "engine", "kept", "on_boards",
    }  # fmt: skip
    gold = rows_by(body["forecast"]["rows"], "shed/strips", "Au")
    for name in ("contained_g", "recovered_g", "weight_g"):
        assert 0 < gold[name]["q5"] < gold[name]["q50"] < gold[name]["q95"]
    # less comes out than is in, and what is weighed is not pure
    assert gold["recovered_g"]["q50"] < gold["contained_g"]["q50"]
    assert gold["recovered_g"]["q50"] < gold["weight_g"]["q50"]
    assert gold["rests_on"] == "prior only"
    assert [item["address"] for item in body["not_processed"] if item["kind"] == "relays-mercury"] == ["shed/tilt"]
    assert kept(tmp_path) == ["forecast"]


def test_the_same_question_has_the_same_answer(bench: Run) -> None:
    first = bench("forecast", "--json").json["forecast"]
    assert bench("forecast", "--json").json["forecast"] == first
    assert bench("forecast", "--json", "--seed", "2").json["forecast"] != first


def test_the_forecast_reads_in_80_columns(bench: Run) -> None:
    for words in (("forecast",), ("forecast", "shed", "--all")):
        done = bench(*words)
        assert max(map(len, done.out.splitlines())) <= 80
        assert "…" not in done.out, "nothing may be cut off"
        assert "prior only" in done.out
        assert "Marks: ! see the cautions, L a law line comes with it" in done.out, (
            "marks are explained where they stand"
        )


def test_no_metal_price_is_ever_shipped(bench: Run, tmp_path: Path) -> None:
    assert bench("rank").code == 3
    assert bench("prices", "new").code == 0
    done = bench("rank")
    assert done.code == 3
    for metal in ("Au", "Ag", "Pd"):
        assert metal in done.err
    before = (tmp_path / "prices.toml").read_text()
    assert bench("prices", "new").code == 3, "a file with the user's own prices is not replaced"
    assert (tmp_path / "prices.toml").read_text() == before
    assert kept(tmp_path) == []


@pytest.mark.parametrize("price", ['"-5 / g"', '"100"', '"100 / kg of"', "100"])
def test_prices_in_a_wrong_unit_are_refused(bench: Run, tmp_path: Path, price: str) -> None:
    (tmp_path / "prices.toml").write_text(PRICES.replace('"100 / g"', price), encoding="utf-8")
    done = bench("rank")
    assert done.code == 3
    assert "prices.toml, line 4" in done.err


def test_what_must_not_be_processed_is_never_ranked(priced: Run, tmp_path: Path) -> None:
    done = priced("rank", "--json")
    assert done.code == 0, done.err
    rows = done.json["ranking"]["rows"]
    assert rows_by(rows, "shed/tilt")["verdict"] == "blocked"
    assert rows_by(rows, "shed/chips")["verdict"] == "blocked", "burning needs declarations"
    for row in rows:
        if row["verdict"] == "blocked":
            assert row["rank"] is None
            assert row["gain"] is None
    assert priced("bench", "set", "fit-equipment", "afterburner").code == 0
    assert priced("bench", "set", "permit", "yes").code == 0
    rows = priced("rank", "--json").json["ranking"]["rows"]
    assert rows_by(rows, "shed/tilt")["verdict"] == "blocked"
    assert rows_by(rows, "shed/chips")["verdict"] != "blocked"
    assert kept(tmp_path) == ["ranking", "ranking"]


def test_a_ranking_names_its_cautions_and_fits(priced: Run) -> None:
    for words in (("rank",), ("rank", "shed", "--all")):
        out = priced(*words).out
        assert max(map(len, out.splitlines())) <= 80
        assert "…" not in out
    body = priced("rank", "--json").json
    routes = {row["route"] for row in body["ranking"]["rows"] if row["route"]}
    assert {line["route"] for line in body["cautions"]} == routes
    assert all(line["hazards"] and line["laws"] for line in body["cautions"])
    for route in routes:
        assert f"! {route}:" in out


def test_a_change_of_price_is_tried_and_said(priced: Run) -> None:
    before = rows_by(priced("rank", "--json").json["ranking"]["rows"], "shed/strips")
    done = priced("rank", "--json", "--if", "Au=-12%")
    after = rows_by(done.json["ranking"]["rows"], "shed/strips")
    # the same draws: revenue of a gold-only fraction falls by exactly as much, before fees (payable is a share)
    assert after["revenue"]["mean"] < before["revenue"]["mean"]
    assert done.json["changes"] == ["Au=-12%"]
    assert "if Au=-12%" in priced("rank", "--if", "Au=-12%").out


@pytest.mark.slow
def test_a_weight_moves_grades_and_ranking_and_the_fit_is_kept(priced: Run, tmp_path: Path) -> None:
    assert priced("batch", "add", "--charge", "shed/strips=500 g", "--date", "2024-02-01").code == 0
    words = ("record", "product", "B1", "--metal", "Au", "--form", "gold-powder", "--weight", "2.10 g")
    done = priced(*words, "--readability", "0.01 g", "--date", "2024-02-08", "--close", "--json")
    assert done.code == 0, done.err
    assert done.err == "", "progress is for a terminal"
    body = done.json
    gold = rows_by(body["changes"], "shed/strips", "Au")
    assert gold["touched"]
    # 2.10 g from 0.5 kg is 4200 g/t brought out, purity and readability apart
    assert gold["recoverable_before"][1] < 3500
    assert gold["contained_after"][1] > gold["contained_before"][1]
    width = [gold[f"contained_{when}"][2] / gold[f"contained_{when}"][0] for when in ("before", "after")]
    assert width[1] < 0.7 * width[0]
    assert gold["rests_on"] != "prior only"
    assert body["ranking"]["ranking"]["rows"], "the next ranking comes with it"
    assert not body["batch_open"]
    assert list((tmp_path / ".gradeest-cache").glob("*.npz")), "the fit is kept beside the ledger"
    start = time.perf_counter()
    again = priced("forecast", "--json")
    assert again.err == "", "nothing is fitted twice"
    assert time.perf_counter() - start < 10
    gold = rows_by(again.json["forecast"]["rows"], "shed/strips", "Au")
    assert gold["mass_kg"] == pytest.approx(0.7), "only what is left is forecast"
    assert gold["rests_on"] != "prior only"
    grades = priced("grades", "--json").json["rows"]
    assert rows_by(grades, "shed/strips", "Au")["contained"][1] == pytest.approx(
        body["changes"][0]["contained_after"][1]
    )
    assert max(map(len, priced("grades").out.splitlines())) <= 80


def test_a_demo_that_fails_or_is_stopped_leaves_nothing_behind(tmp_path: Path) -> None:
    environment = {**os.environ, "TMPDIR": str(tmp_path)}
    words = [sys.executable, "-m", "gradeest", "demo"]
    failed = subprocess.run([*words, "nothing-like-it"], env=environment, capture_output=True, text=True, check=False)
    assert failed.returncode == 3
    assert list(tmp_path.iterdir()) == []
    with subprocess.Popen(words, env=environment, stdout=subprocess.PIPE, text=True) as running:
        assert running.stdout is not None
        assert "INVENTED" in running.stdout.readline()
        assert len(list(tmp_path.iterdir())) == 1  # the twin: it is there while the demo runs
        running.terminate()
    assert running.returncode == 128 + signal.SIGTERM
    assert list(tmp_path.iterdir()) == []


@pytest.mark.slow
def test_the_demo_shows_the_whole_loop_in_under_a_minute(tmp_path: Path) -> None:
    environment = {**os.environ, "TMPDIR": str(tmp_path), "COLUMNS": "80"}
    start = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-m", "gradeest", "demo"], cwd=tmp_path, env=environment, capture_output=True,
        text=True, check=False,
    )  # fmt: skip
    seconds = time.perf_counter() - start
    assert done.returncode == 0, done.stderr
    assert seconds < 60
    for text in (
        "INVENTED",
        "1. What will it give?",
        "2. What first?",
        "What it changed",
        "The next ranking",
        "4. Go on",
    ):
        assert text in done.stdout
    lines = [line for line in done.stdout.splitlines() if str(tmp_path) not in line]
    assert max(map(len, lines)) <= 80
    ledgers = list(tmp_path.glob("gradeest-demo-*/gradeest.ledger"))
    assert len(ledgers) == 1
    assert str(ledgers[0]) in done.stdout
    assert list(tmp_path.glob("gradeest.ledger")) == [], "the demo leaves the folder of the user alone"
    for command in ("grades", "history", "rank"):
        again = subprocess.run(
            [sys.executable, "-m", "gradeest", command, "--ledger", str(ledgers[0]), "--json"],
            cwd=tmp_path, env=environment, capture_output=True, text=True, check=False,
        )  # fmt: skip
        assert again.returncode == 0, again.stderr
