"""Entries that contradict each other are saved, said in plain words with their numbers, and end with 5."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from gradeest.belief import posterior
from gradeest.errors import InferenceError
from tests.cli.conftest import Ran, Run

PRODUCT = ("record", "product", "B1", "--metal", "Au", "--form", "gold-powder", "--readability", "0.01 g", "--close")
ASSAY = ("record", "assay", "shed/strips", "--metal", "Au")


def words(done: Ran) -> str:
    return " ".join(done.err.split())


def check_told(done: Ran, *parts: str) -> None:
    """It ended with 5, said the parts on lines of at most 80 columns, and showed no traceback."""
    assert done.code == 5, done.err
    assert "Traceback" not in done.err
    assert max(map(len, done.err.splitlines())) <= 80
    for part in (*parts, "gradeest undo N", "gradeest amend N"):
        assert part in words(done)


def test_a_weight_that_an_assay_rules_out(bench: Run) -> None:
    """5 g from 10 g whose assay found less than 1 g/t: both stand, neither is believed, until one is corrected."""
    assert bench("batch", "add", "--charge", "shed/strips=10 g", "--later").code == 0
    assert bench(*ASSAY, "--value", "1 g/t", "--u", "10 %", "--below", "--later").code == 0
    done = bench(*PRODUCT, "--weight", "5 g", "--sure")
    clash = "event 4 (B1/au-1, 5 g of gold-powder) against event 3 (assay of shed/strips, below 1 g/t Au)"
    check_told(done, "saved as event 4, 5, but: entries contradict each other", clash, "times their uncertainty apart")
    assert [e["kind"] for e in bench("history", "--json").json["events"]][-2:] == ["product", "close"]
    for command in ("forecast", "grades"):
        check_told(bench(command), clash)
    assert "Next: gradeest forecast  (entries contradict each other" in bench().out, "the glance leads there"
    assert bench("amend", "3", "value=490000 g/t", "below_detection=no").code == 0
    assert bench("forecast").code == 0
    assert "contradict" not in bench().out


def test_two_assays_fifty_uncertainties_apart(bench: Run) -> None:
    assert bench(*ASSAY, "--value", "1000 g/t", "--u", "1 %", "--later").code == 0
    second = str(1000 * float(np.exp(50 * 0.01 * np.sqrt(2))))
    done = bench(*ASSAY, "--value", f"{second} g/t", "--u", "1 %")
    check_told(done, "event 2 (assay of shed/strips, 1000 g/t Au) against event 3", "50 times their uncertainty apart")
    started = bench("batch", "add", "--charge", "shed/strips=10 g")
    assert started.code == 0
    assert "entries contradict each other" in " ".join(started.out.split())


@pytest.mark.parametrize("fault", [InferenceError("the fit did not settle", "`gradeest amend N`, `gradeest undo N`"),
                                   np.linalg.LinAlgError("no inverse")])  # fmt: skip
def test_a_fit_that_fails_names_what_pulls_apart(bench: Run, monkeypatch: pytest.MonkeyPatch, fault: Exception) -> None:
    def fail(*_: Any, **__: Any) -> None:
        raise fault

    monkeypatch.setattr(posterior, "sample_network", fail)
    assert bench("batch", "add", "--charge", "shed/strips=1 kg", "--later").code == 0
    assert bench(*ASSAY, "--value", "2500 g/t", "--u", "5 %", "--later").code == 0
    assert bench(*PRODUCT, "--weight", "0.1 g", "--later").code == 0
    done = bench("forecast")
    assert done.code == 5
    assert "event 4 (B1/au-1, 0.1 g of gold-powder) against event 3 (assay of shed/strips" in words(done)
    assert "whether the run failed" in words(done)
