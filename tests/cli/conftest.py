"""A bench in an empty folder, driven through the command line."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from gradeest.cli.main import main

LOT = """
name = "shed"
date = 2024-01-05
price_paid = 40

[[fraction]]
name = "strips"
kind = "fingers-memory"
mass = "1.2 kg"

[[fraction]]
name = "chips"
kind = "chips-to-2008"
mass = "800 g"

[[fraction]]
name = "caps"
kind = "mlcc-nonmagnetic"
mass = "150 g"

[[fraction]]
name = "tilt"
kind = "relays-mercury"
mass = "200 g"
"""


@dataclass(frozen=True)
class Ran:
    """What one call did."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        return json.loads(self.out)


Run = Callable[..., Ran]


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """Call the program in an empty folder; nobody sits at a terminal."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("GRADEEST_LEDGER", raising=False)
    monkeypatch.setenv("COLUMNS", "80")

    def call(*words: str) -> Ran:
        capsys.readouterr()
        code = main(list(words))
        captured = capsys.readouterr()
        return Ran(code, captured.out, captured.err)

    return call


@pytest.fixture
def bench(run: Run, tmp_path: Path) -> Run:
    """The same, with a lot recorded."""
    (tmp_path / "shed.toml").write_text(LOT, encoding="utf-8")
    assert run("lot", "add", "shed.toml").code == 0
    return run
