"""Hours, money and waste of batches as they are typed, undone and amended; books, bill and log show them."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path
from typing import Any

import pytest

from gradeest.cli.main import main
from tests.cli.conftest import Run
from tests.cli.test_cost import LOT, PRICES

STRONG = (
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


def test_hours_money_and_waste_enter_the_books(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("GRADEEST_LEDGER", raising=False)
    monkeypatch.setenv("COLUMNS", "80")
    (tmp_path / "shed.toml").write_text(LOT, encoding="utf-8")
    (tmp_path / "prices.toml").write_text(PRICES, encoding="utf-8")

    def run(*words: str, code: int = 0) -> str:
        capsys.readouterr()
        assert main(list(words)) == code, words
        out = capsys.readouterr()
        return out.out if code == 0 else out.err

    def result(*words: str) -> dict[str, object]:
        return json.loads(run(*words, "--json"))

    run("lot", "add", "shed.toml")
    run("batch", "add", "--charge", "shed/strips=0.75 kg", "--later")
    first = result("record", "hours", "B1", "3.5", "h", "--step", "sorting")
    assert (first["total_hours"], first["is_open"], first["after"]) == (3.5, True, None)
    before = result("rank")["ranking"]["rows"][0]["hours"]["q50"]
    run("record", "product", "B1", *STRONG)
    second = result("record", "hours", "B1", "330 min")
    assert second["total_hours"] == pytest.approx(9.0)
    assert second["is_all"]  # hours without a step are those of all other work
    assert second["before"]["q50"] < second["after"]["q50"] < 9.0
    after = result("rank")["ranking"]["rows"][0]["hours"]["q50"]
    assert after > before  # a slow batch: the ranking's hours learn
    beliefs = list((tmp_path / ".gradeest-cache").glob("belief-*"))

    assert result("record", "cost", "B1", "42.50", "--what", "acid")["total"] == 42.5
    waste = ("record", "waste", "B1", "6", "L", "--what", "spent liquor", "--went", "collection point")
    assert result(*waste)["total_l"] == 6.0
    year = result("year")["money"]
    assert year["told"] == {"spent": 42.5, "hours": 9.0, "without_spent": 0, "without_hours": 0}
    assert (year["consumables"]["q5"], year["hours"]["q95"]) == (42.5, 9.0)
    assert "as recorded" in run("year")
    bill = result("cost", "B1")
    assert (bill["spent"], bill["worked"], bill["steps"]) == (42.5, 9.0, {"sorting": 3.5, "": 5.5})
    assert bill["together"]["mean"] == pytest.approx(42.5 + 10 * 9.0)
    assert "it counts instead of the bill" in " ".join(run("cost", "B1").split())
    assert list((tmp_path / ".gradeest-cache").glob("belief-*")) == beliefs  # none of this asked for another fit

    log = run("waste", "log.html")
    assert "collection point" in log
    assert "6 L" in log
    page = (tmp_path / "log.html").read_text(encoding="utf-8")
    assert "spent liquor" in page
    assert "http" not in page
    assert "exists already" in run("waste", "log.html", code=3)

    history = run("history")
    for text in ("hours of B1: 3.5 h, sorting", "cost of B1: 42.5, acid", "waste of B1: 6 L spent liquor"):
        assert text in history
    numbers = {row["kind"]: row["number"] for row in result("history")["events"]}
    run("amend", str(numbers["spending"]), "amount=50")
    run("amend", str(numbers["hours"]), "hours=4 h")
    assert result("cost", "B1")["spent"] == 50.0
    assert result("cost", "B1")["worked"] == 7.5
    run("undo", str(numbers["waste"]))
    assert result("waste")["rows"] == []
    assert "these rest on it" in run("undo", "2", code=3)

    for words, told in (
        (("record", "hours", "B1", "3.5"), "no unit"),
        (("record", "hours", "B1", "3 h", "--step", "polishing"), "one of: sorting, preparing"),
        (("amend", str(numbers["hours"]), "step=polishing"), "no step of foils-peroxide"),
        (("record", "hours", "B1", "0 h"), "not above 0"),
        (("record", "hours", "B9", "1 h"), "no batch"),
        (("record", "hours", "B1", "5000 h"), "hands-on"),
        (("record", "cost", "B1", "5 / kg"), "not an amount of money"),
        (("record", "waste", "B1", "6", "--what", "x", "--went", "y"), "no unit"),
        (("record", "waste", "B1", "6 L", "--what", "x", "--went", "y", "--date", "2001-01-01"), "before"),
    ):
        assert told in run(*words, code=3), words


def test_hours_of_a_step_teach_that_step_and_leave_the_others_expected(run: Run, tmp_path: Path) -> None:
    (tmp_path / "shed.toml").write_text(LOT, encoding="utf-8")
    (tmp_path / "prices.toml").write_text(PRICES, encoding="utf-8")

    def result(*words: str) -> Any:
        return run(*words, "--json").json

    run("lot", "add", "shed.toml")
    run("batch", "add", "--charge", "shed/strips=0.75 kg", "--later")
    run("record", "product", "B1", *STRONG)
    expected = result("cost", "B1")
    assert expected["steps"] == {}
    assert sum(row["mean"] for row in expected["by_step"].values()) == pytest.approx(expected["hours"]["mean"])
    assert expected["by_step"].keys() >= {"sorting", "washing", "melting", "waste", "cleaning"}

    done = result("record", "hours", "B1", "6 h", "--step", " Washing ")
    assert (done["step"], done["is_all"]) == ("washing", False)
    assert done["step_after"]["q50"] > 1.3 * done["step_before"]["q50"]
    assert done["step_before"]["q50"] == pytest.approx(expected["by_step"]["washing"]["q50"], rel=0.05)
    assert done["after"]["q50"] > done["before"]["q50"]  # it may have been slow work altogether
    bill = result("cost", "B1")
    assert (bill["worked"], bill["steps"]) == (None, {"washing": 6.0})
    told = bill["by_step"]
    rest = sum(row["mean"] for step, row in told.items() if step != "washing")
    assert bill["labour"]["mean"] == pytest.approx(10 * (6.0 + rest))  # at the rate of 10: told, and as expected
    books = result("year")["money"]
    assert (books["told"]["hours"], books["told"]["without_hours"]) == (0.0, 1)
    assert books["hours"]["q5"] > 6.0
    assert result("rank")["ranking"]["rows"][0]["hours"]["q50"] > 0
    text = run("cost", "B1").out
    assert "those of some steps are recorded" in " ".join(text.split())
    assert max(len(line) for line in text.splitlines()) <= 80
    for step in told:  # once every step is told nothing is missing
        if step != "washing":
            done = result("record", "hours", "B1", "1 h", "--step", step)
    assert done["is_all"]
    assert result("cost", "B1")["worked"] == pytest.approx(6.0 + len(told) - 1)

    assert bill["days"] == expected["days"]  # begun and weighed on one day: written down then, it tells no days
    early = dt.date.today() - dt.timedelta(25)
    for event in ("1", "2"):
        run("amend", event, f"date={early}")
    assert result("cost", "shed/strips")["days"]["q50"] > 1.3 * expected["days"]["q50"]
    assert result("rank", "--per", "day")["ranking"]["per"] == "day"
