"""`cost` as a person sees it: one page, budget only, no traceback, nothing said that must not be."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from gradeest.cli.main import main

LOT = """
name = "shed"
[[fraction]]
name = "strips"
kind = "fingers-memory"
mass = "1.5 kg"
[[fraction]]
name = "tilt"
kind = "relays-mercury"
mass = "0.1 kg"
"""
PRICES = 'currency = "EUR"\n[metals]\nAu = "80 / g"\nAg = "1 / g"\nPd = "30 / g"\n[time]\nhours_rate = 10\n'  # invented
WEIGHT = (
    "--metal",
    "Au",
    "--form",
    "gold-powder",
    "--weight",
    "1.2 g",
    "--readability",
    "0.01 g",
    "--close",
    "--later",
)


def test_cost_of_a_fraction_then_of_its_batch_against_recovery(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("GRADEEST_LEDGER", raising=False)
    monkeypatch.setenv("COLUMNS", "80")
    (tmp_path / "shed.toml").write_text(LOT, encoding="utf-8")

    def run(*words: str) -> str:
        capsys.readouterr()
        assert main(list(words)) == 0
        return capsys.readouterr().out

    run("lot", "add", "shed.toml")
    before = run("cost", "shed/strips")  # without a price file
    assert before.splitlines()[1] == "For the budget, not for dosing"
    assert "guesses of the priors" in before
    assert max(len(line.rstrip()) for line in before.splitlines()) <= 80

    (tmp_path / "prices.toml").write_text(PRICES, encoding="utf-8")
    bill = json.loads(run("cost", "shed/strips", "--json"))
    assert bill["unpriced"] == ["iron pieces"]
    assert bill["cost"]["q5"] < bill["cost"]["q50"] < bill["cost"]["q95"]
    assert bill["together"]["mean"] == pytest.approx(bill["cost"]["mean"] + bill["labour"]["mean"])
    for row in bill["rows"]:
        assert row["buy_most"] >= row["buy"] > 0
        assert not {"amount", "used"} & set(row)  # what one buys, never what one pours
    half = json.loads(run("cost", "shed/strips", "--mass", "750 g", "--json"))
    assert half["cost"]["q50"] < bill["cost"]["q50"]

    run("batch", "add", "--charge", "shed/strips", "--later")
    assert "Recovered" not in run("cost", "B1")
    run("record", "product", "B1", *WEIGHT)
    done = json.loads(run("cost", "B1", "--json"))
    assert done["is_done"]
    (gold,) = done["recovered"]
    assert gold["fine_g"]["q50"] == pytest.approx(1.2, rel=0.05)
    worth = gold["value"]["mean"] - done["together"]["mean"]
    assert done["over_cost"]["mean"] == pytest.approx(worth)
    assert "over its cost and hours" in run("cost", "B1")

    for words, told in (
        (("cost", "shed/tilt"), "STOP"),
        (("cost", "B9"), "no batch"),
        (("cost", "B1", "--mass", "1 kg"), "leave"),
        (("cost", "shed/strips"), "nothing is left"),
    ):
        capsys.readouterr()
        assert main(list(words)) == 3
        assert told in capsys.readouterr().err
