"""Every command exists under its promised name and explains itself, quickly."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from typing import Any

import pytest
import typer

from gradeest.cli.main import app, main

# What scripts rely on: the command list of the main job.
PROMISED = {
    "demo",
    "forecast",
    "rank",
    "grades",
    "history",
    "undo",
    "amend",
    "lot add",
    "lot list",
    "lot show",
    "batch add",
    "batch list",
    "batch show",
    "batch close",
    "record product",
    "record none",
    "record assay",
    "bench set",
    "prices new",
    "priors list",
    "priors show",
    "priors check",
}
READING = {
    "forecast", "rank", "grades", "history", "lot list", "lot show", "batch list", "batch show",
    "priors list", "priors show", "priors check", "bench show", "worksheet",
}  # fmt: skip
SLOW = ("pymc", "arviz", "nutpie", "pandas", "pint", "scipy", "numpy", "sqlite3")


def walk(command: Any, path: str = "") -> Iterator[tuple[str, Any]]:
    """All leaf commands with their words."""
    children = getattr(command, "commands", None)
    if children is None:
        yield path, command
        return
    for name, child in children.items():
        yield from walk(child, f"{path} {name}".strip())


COMMANDS = dict(walk(typer.main.get_command(app)))


def test_the_promised_commands_are_there() -> None:
    assert set(COMMANDS) >= PROMISED


@pytest.mark.parametrize("words", sorted(COMMANDS))
def test_every_command_explains_itself(words: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([*words.split(), "--help"]) == 0
    out = capsys.readouterr().out
    assert "Usage: gradeest" in out
    for option in COMMANDS[words].params:
        assert option.help or option.name == "help", f"{words}: {option.name} has no help"
    assert max(map(len, out.splitlines())) <= 80


@pytest.mark.parametrize("words", sorted(READING))
def test_reading_commands_offer_json(words: str) -> None:
    assert "--json" in [name for option in COMMANDS[words].params for name in option.opts]


@pytest.mark.parametrize("words", ["", "lot", "batch", "record", "bench", "prices", "priors"])
def test_every_group_lists_its_commands(words: str, capsys: pytest.CaptureFixture[str]) -> None:
    main([*words.split(), "--help"])
    out = capsys.readouterr().out
    assert "Commands:" in out
    # a summary cut off with dots says less than a shorter one
    assert "..." not in out.partition("Commands:")[2]


def test_help_imports_nothing_slow() -> None:
    code = (
        "import sys; from gradeest.cli.main import main; main(['forecast', '--help']);"
        f"print([m for m in {SLOW!r} if m in sys.modules], file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stderr.strip() == "[]"
