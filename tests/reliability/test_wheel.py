"""The wheel in an empty environment, outside the checkout: the data travels inside, and the demo runs."""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from dataclasses import dataclass
from pathlib import Path

import pytest

TOP = Path(__file__).resolve().parents[2]
REFERENCE_ENGINE = ("pymc", "pytensor", "nutpie", "arviz")
ASSAY = ("--metal", "Au", "--value", "2600 g/t", "--u", "10 %", "--later")
pytestmark = pytest.mark.slow


@dataclass(frozen=True)
class Installed:
    """An environment that holds the wheel and what it asks for, nothing else; `away` is an empty folder."""

    python: Path
    away: Path

    def run(self, *words: str) -> subprocess.CompletedProcess[str]:
        """Run a program of the environment as somebody would who knows nothing of the checkout."""
        env = {k: v for k, v in os.environ.items() if not k.startswith(("PYTHON", "GRADEEST", "VIRTUAL_ENV"))}
        program = self.python.parent / words[0]
        return subprocess.run([program, *words[1:]], cwd=self.away, env=env, capture_output=True, text=True)

    def demo(self) -> str:
        """What `gradeest demo` prints; it must succeed."""
        done = self.run("gradeest", "demo")
        assert done.returncode == 0, done.stdout + done.stderr
        assert "Traceback" not in done.stderr
        return done.stdout


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("wheel")
    words = [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", str(folder), str(TOP)]
    done = subprocess.run(words, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr
    (built,) = folder.glob("*.whl")
    return built


@pytest.fixture(scope="module")
def installed(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Installed:
    """Made once: it takes a minute or two, and needs a package index."""
    folder = tmp_path_factory.mktemp("empty")
    python = folder / "venv" / "bin" / "python"
    away = folder / "away"
    away.mkdir()
    subprocess.run([sys.executable, "-m", "venv", str(folder / "venv")], check=True)
    done = subprocess.run([python, "-m", "pip", "install", "-q", str(wheel)], capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr
    return Installed(python, away)


def test_the_wheel_holds_the_data_and_no_tests(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        names = set(archive.namelist())
    shipped = [p for folder in ("priors", "demo_lots") for p in (TOP / folder).rglob("*") if p.is_file()]
    assert len(shipped) > 10
    assert {f"gradeest/{path.relative_to(TOP).as_posix()}" for path in shipped} <= names
    assert {name.split("/")[0] for name in names if ".dist-info" not in name} == {"gradeest"}


def test_the_demo_runs_from_the_wheel_with_and_without_pymc(
    installed: Installed,
) -> None:
    where = installed.run("python", "-c", "import gradeest; print(gradeest.__file__)").stdout
    assert str(TOP) not in where
    assert "site-packages" in where
    full = installed.demo()
    assert "INVENTED" in full
    assert "The next ranking" in full

    done = installed.run("python", "-m", "pip", "uninstall", "-q", "-y", *REFERENCE_ENGINE)
    assert done.returncode == 0, done.stderr
    assert installed.run("python", "-c", "import pymc").returncode != 0
    assert without_paths(installed.demo()) == without_paths(full)  # the fast engine is the same with or without it

    assert installed.run("gradeest", "lot", "add", str(lot_file(installed.away))).returncode == 0
    assert installed.run("gradeest", "record", "assay", "shed/strips", *ASSAY).returncode == 0
    refused = installed.run("gradeest", "--engine", "pymc", "forecast")
    assert refused.returncode == 5
    assert "pymc" in refused.stderr
    assert "fault of the program" not in refused.stderr


def lot_file(folder: Path) -> Path:
    """A lot to try the missing engine on."""
    path = folder / "shed.toml"
    path.write_text('[[fraction]]\nname = "strips"\nkind = "fingers-memory"\nmass = "1 kg"\n', encoding="utf-8")
    return path


def without_paths(text: str) -> list[str]:
    """The lines that do not name the throw-away ledger."""
    return [line for line in text.splitlines() if "gradeest-demo-" not in line and line.strip() != "gradeest.ledger"]
