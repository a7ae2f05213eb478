"""Ctrl-C, a slow fit, a second terminal: what is said, what is kept, which exit code."""

from __future__ import annotations

import signal
import sqlite3
import subprocess
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


STAND_IN = """
import ctypes, signal, sys, time
import gradeest.__main__ as way_in
import gradeest.cli.main as real

@ctypes.CFUNCTYPE(None)
def called_back():
    signal.raise_signal(signal.SIGINT)
    sum(range(10))

def work():
    called_back()
    time.sleep(1)
    return 0

real.main = work
{broken}
sys.exit(way_in.run())
"""
LOADING = """
import signal, sys

class PressedWhileLoading:
    def find_spec(self, name, path, target=None):
        if name == "typer":
            signal.raise_signal(signal.SIGINT)

sys.meta_path.insert(0, PressedWhileLoading())
from gradeest.__main__ import run
sys.exit(run())
"""


def end_of(program: str) -> tuple[int, str]:
    """Exit code and complaints of a program at which Ctrl-C is pressed as written in it."""
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=False, timeout=60,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler),
    )  # fmt: skip
    return done.returncode, done.stderr


def test_ctrl_c_inside_a_callback_from_c_stops_the_program() -> None:
    code, said = end_of(STAND_IN.format(broken=""))
    assert code == 130
    assert "stopped" in said
    assert "Traceback" not in said


def test_without_pressing_again_that_ctrl_c_is_lost() -> None:
    """The broken twin: Python tells of it and goes on."""
    code, said = end_of(STAND_IN.format(broken="way_in.press_again = sys.__unraisablehook__"))
    assert code == 0
    assert "KeyboardInterrupt" in said or "Stopped" in said


def test_ctrl_c_while_the_program_loads_is_no_traceback() -> None:
    code, said = end_of(LOADING)
    assert code == 130
    assert said == "gradeest: stopped. An entry is saved whole or not: `gradeest history` shows it.\n"


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
    assert "Fitting what is recorded: drawing  50 %" in text
    assert "\n" not in text
    assert text.endswith("\r"), "the line is wiped, also after an error"
    assert max(map(len, text.split("\r"))) < 80
    report(0.0, "getting ready (the first time after installing takes some ten seconds more)")
    text = capsys.readouterr().err
    assert "some ten seconds more) ..." in text, "it is not cut where it matters"
    assert len(text.strip("\r")) < 80


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
