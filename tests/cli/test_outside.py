"""What the world outside does: full disks, files that may not be read, pipes that nobody reads, narrow code pages."""

from __future__ import annotations

import errno
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.cli.conftest import LOT, Run

FULL = Path("/dev/full")  # Linux: takes nothing, as a full disk does
PROGRAM = (sys.executable, "-m", "gradeest")


def process(folder: Path, *words: str, out: Any = subprocess.PIPE, encoding: str = "utf-8") -> Any:
    """The program as a process of its own; its end, with what it said."""
    return subprocess.run(
        [*PROGRAM, *words], cwd=folder, stdout=out, stderr=subprocess.PIPE, check=False, timeout=60,
        env=os.environ | {"PYTHONIOENCODING": encoding},
    )  # fmt: skip


@pytest.mark.parametrize(
    "words",
    [
        ("prices", "new"),
        ("template", "notes.csv"),
        ("template", "notes.xlsx"),
        ("worksheet", "shed/strips", "--labels"),
    ],
)
def test_a_full_disk_leaves_no_half_file(
    bench: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...]
) -> None:
    def write_half(path: Path, data: bytes) -> int:
        with path.open("wb") as file:
            file.write(data[: len(data) // 2])
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    before = sorted(tmp_path.iterdir())
    with monkeypatch.context() as patch:
        patch.setattr(Path, "write_bytes", write_half)
        refused = bench(*words)
    assert refused.code == 3
    assert "free some space" in refused.err
    assert sorted(tmp_path.iterdir()) == before
    assert bench(*words).code == 0, "nothing is in the way of the next try"


def test_a_ledger_that_may_not_be_read_is_told_by_the_ledger(bench: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    """Not by the parser of options, as a fault of usage: it would look before, by os.access."""
    monkeypatch.setattr(os, "access", lambda *_, **__: False)
    assert bench("lot", "list").code == 0

    def refuse(path: Path, *_: Any, **__: Any) -> Any:
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(path))

    monkeypatch.setattr(Path, "open", refuse)
    refused = bench("lot", "list")
    assert refused.code == 4
    assert "gradeest.ledger cannot be read (Permission denied)" in refused.err


def test_a_price_file_that_may_not_be_read_says_so(bench: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert bench("prices", "new").code == 0

    def refuse(path: Path) -> bytes:
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(path))

    monkeypatch.setattr(Path, "read_bytes", refuse)
    refused = bench("rank")
    assert refused.code == 3
    assert "prices.toml cannot be read: Permission denied" in refused.err


@pytest.mark.skipif(not FULL.exists(), reason="needs /dev/full")
@pytest.mark.parametrize("words", [("priors", "list"), ("priors", "list", "--json")])
def test_output_that_has_no_room_is_no_fault_of_the_program(tmp_path: Path, words: tuple[str, ...]) -> None:
    with FULL.open("wb") as full:
        done = process(tmp_path, *words, out=full)
    assert done.returncode == 3
    assert b"cannot be written" in done.stderr


@pytest.mark.skipif(os.name != "posix", reason="pipes that break are POSIX")
@pytest.mark.parametrize("words", [("priors", "list"), ("priors", "list", "--json")])
def test_a_pipe_that_nobody_reads_ends_the_program_quietly(tmp_path: Path, words: tuple[str, ...]) -> None:
    read, write = os.pipe()
    os.close(read)
    done = process(tmp_path, *words, out=write)
    os.close(write)
    assert (done.returncode, done.stderr) == (141, b"")


def test_lines_in_a_pipe_end_at_their_last_letter(bench: Run) -> None:
    lines = bench("lot", "show", "shed").out.splitlines()
    assert len(lines) > 5
    assert [line for line in lines if line != line.rstrip()] == []


def test_json_is_whole_on_a_narrow_code_page(tmp_path: Path) -> None:
    (tmp_path / "shed.toml").write_text(LOT.replace('"shed"', '"shed"\nnote = "Käfer"'), encoding="utf-8")
    assert process(tmp_path, "lot", "add", "shed.toml").returncode == 0
    done = process(tmp_path, "lot", "list", "--json", encoding="ascii")
    assert json.loads(done.stdout.decode("ascii"))["lots"][0]["note"] == "Käfer"


def test_a_result_below_detection_is_typed_as_it_stands_on_the_paper(bench: Run) -> None:
    assay = ("record", "assay", "shed/strips", "--metal", "Au", "--u", "10 %", "--date", "2024-02-01", "--later")
    assert bench(*assay, "--value", "<5 g/t").code == 0
    assert bench(*assay, "--value", "5 g/t", "--below", "--sure").code == 0
    first, second = (event["text"] for event in bench("history", "--json").json["events"][1:])
    assert "below 5 g/t" in first
    assert first == second
    refused = bench(*assay, "--value", "0 g/t")
    assert '"<5 g/t"' in refused.err
    assert bench("amend", "2", "value=<8 g/t").code == 0
    assert "below 8 g/t" in bench("history", "--json").json["events"][1]["text"]
