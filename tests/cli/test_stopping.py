"""Ctrl-C, a slow fit, a second terminal: what is said, what is kept, which exit code."""

from __future__ import annotations

import sqlite3
import sys
import threading
import time
from pathlib import Path

import pytest

from gradeest.cli.progress import Progress
from tests.cli.conftest import LOT, Run
from tests.cli.test_asking import Person, call

RESULT = (
    "record", "product", "B1", "--metal", "Au", "--form", "gold-powder", "--weight", "0.84 g", "--readability",
    "0.01 g", "--close",
)  # fmt: skip


@pytest.mark.slow
def test_ctrl_c_in_a_fit_keeps_what_was_said_to_be_saved(tmp_path: Path) -> None:
    (tmp_path / "shed.toml").write_text(LOT, encoding="utf-8")
    call(tmp_path, "lot", "add", "shed.toml")
    call(tmp_path, "batch", "add", "--charge", "shed/strips=300 g", "--later", "--date", "2024-02-01")
    person = Person(tmp_path, *RESULT)
    person.see("Saved B1/au-1 (event 3")
    person.see("Fitting what is recorded")
    person.child.sendintr()
    person.see("stopped")
    assert person.leave() == 130
    assert "Traceback" not in person.child.before
    events = call(tmp_path, "history", "--json")["events"]
    assert [event["kind"] for event in events] == ["lot", "batch", "product", "close"]
    gold = call(tmp_path, "forecast", "--json")["forecast"]["rows"][0]
    assert gold["rests_on"] == "1 weight", "the next forecast learns from it"
    assert list((tmp_path / ".gradeest-cache").glob("*.part")) == []


def test_progress_is_for_a_terminal_only(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    with Progress() as report:
        report(0.5, "drawing")
    assert capsys.readouterr().err == ""
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True, raising=False)
    report = Progress()
    report(0.5, "drawing")
    report.__exit__(KeyError, KeyError(), None)
    text = capsys.readouterr().err
    assert "drawing  50 %" in text
    assert "\n" not in text
    assert text.endswith("\r"), "the line is wiped, also after an error"
    assert max(map(len, text.split("\r"))) < 80


def test_a_second_terminal_waits_for_the_first(bench: Run, tmp_path: Path) -> None:
    busy = threading.Event()

    def write_slowly() -> None:
        db = sqlite3.connect(tmp_path / "gradeest.ledger", isolation_level=None)
        db.execute("BEGIN EXCLUSIVE")
        busy.set()
        time.sleep(1.0)
        db.execute("ROLLBACK")
        db.close()

    other = threading.Thread(target=write_slowly)
    other.start()
    busy.wait()
    start = time.monotonic()
    assert bench("bench", "set", "permit", "yes").code == 0
    assert time.monotonic() - start > 0.5
    other.join()
