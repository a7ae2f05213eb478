"""README keeps its word: its two commands, every command with its help, the JSON keys, the exit codes."""

from __future__ import annotations

import json
import re
import shlex
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import typer

from gradeest import errors
from gradeest.cli.main import app, main

TOP = Path(__file__).resolve().parents[2]
README = (TOP / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (TOP / "DEVELOPERS.md").read_text(encoding="utf-8")


def command_under(marker: str) -> list[str]:
    """Lines of the code block that follows a marker: what `.ci/run` reads."""
    _, _, rest = README.partition(f"<!-- command: {marker} -->\n")
    block = re.match(r"```\w*\n(.*?)```", rest, re.DOTALL)
    assert block is not None, f"no code block follows the marker of {marker}"
    return block.group(1).splitlines()


@pytest.mark.parametrize(
    ("marker", "ends"), [("job", "gradeest demo"), ("tests", "python -m pytest -n 2 --dist loadfile")]
)
def test_each_of_the_two_commands_is_one_line_that_does_all_its_set_up(marker: str, ends: str) -> None:
    (line,) = command_under(marker)
    assert line.startswith("python3 -m venv .venv && .venv/bin/pip install -q ")
    assert line.endswith(ends)


def test_the_job_comes_first() -> None:
    title, first, *_ = README.split("\n\n")
    assert title == "# gradeest"
    for word in ("forecast", "rank", "interval", "gold, silver and palladium"):
        assert word in first


def walk(command: Any, path: str = "") -> Iterator[tuple[str, Any]]:
    """All leaf commands with their words."""
    children = getattr(command, "commands", None)
    if children is None:
        yield path, command
        return
    for name, child in children.items():
        yield from walk(child, f"{path} {name}".strip())


def commands_in(text: str) -> dict[str, str]:
    """Rows of README's table of commands: words -> help."""
    rows = re.findall(r"^\| `gradeest ([a-z]+(?:[ -][a-z]+)*)[^`]*` \| (.*?) \|$", text, re.MULTILINE)
    return dict(rows)


def test_every_command_stands_in_readme_with_its_help() -> None:
    helps = {words: " ".join(command.help.split()) for words, command in walk(typer.main.get_command(app))}
    assert len(helps) > 20
    assert commands_in(README) == helps


LOT = """
name = "shed"
[[fraction]]
name = "strips"
kind = "fingers-memory"
mass = "1 kg"
[[fraction]]
name = "caps"
kind = "mlcc-nonmagnetic"
mass = "0.2 kg"
[[fraction]]
name = "tilt"
kind = "relays-mercury"
mass = "0.1 kg"
[[boards]]
name = "cards"
kind = "boards-cards"
mass = "4 kg"
"""
PRICES = 'currency = "EUR"\n[metals]\nAu = "80 / g"\nAg = "1 / g"\nPd = "30 / g"\n'  # invented
WEIGHT = ("--metal", "Au", "--form", "gold-powder", "--weight", "1.2 g", "--readability", "0.01 g", "--close", "--json")
SAME_AS_PRODUCT = {
    *("record none", "record spot-test", "record assay", "record plating", "record loss"),
    *("batch set-aside", "batch close"),
}
ARGUMENTS = {
    "strip-order": ("shed", "--hours", "3"),
    "lot show": ("shed",),
    "batch show": ("B1",),
    "where": ("B1",),
    "why": ("shed/strips",),
    "bid": ("shed.toml",),
    "compare": ("shed/strips", "--monthly", "100 g"),
    "cost": ("B1",),
    "plan": ("--hours", "20"),
    "save-up": ("fingers-memory", "--monthly", "350 g"),
    "test-first": ("shed/strips", "--fee", "1"),
    "priors show": ("fingers-memory",),
    "lot more": ("shed/caps", "50 g"),
    "lot weigh": ("shed", "fingers-cards", "30 g", "--boards", "1 kg", "--minutes", "9"),
    "lot split": ("shed/caps", "fine=100 g", "rest=150 g"),
    "sell": ("B1/au-1", "0.2 g", "--for", "15"),
    "discard": ("shed/tilt",),
    "batch leave": ("B1", "liquor", "--volume", "1.2 L"),
    "record product-assay": ("B1/au-1", "--metal", "Au", "--value", "97 %"),
    "settle": (
        *("B1/au-1", "--received", "1.2 g", "--melted", "1.19 g", "--assay", "Au=.97", "--payable", "Au=98 %"),
        *("--price", "Au=50 / g", "--paid", "56.56"),  # invented
    ),
    "worksheet": ("B1",),
    "record hours": ("B1", "3.5 h", "--step", "melting"),
    "record cost": ("B1", "42.50"),
    "record waste": ("B1", "6 L", "--what", "spent liquor", "--went", "stored"),
    "waste": ("waste.html",),
    "balance check": ("pocket", "--weight", "5 g", "--reads", "4.98 g"),
    "import sheet": ("notes.csv",),
}
NOTES = """what,date,lot,fraction,kind,mass,batch,charges
lot,2024-01-05,attic,strips,fingers-memory,1 kg,,
batch,2024-02-03,,,,,run 7,attic/strips=500 g
"""


def keys_in_readme() -> dict[str, set[str]]:
    """Backticked keys by command, from the table of JSON keys."""
    section = README.partition("## JSON and exit codes")[2].partition("\n## ")[0]
    found = {}
    for row in re.findall(r"^\| (`[a-z].*) \|$", section, re.MULTILINE):
        commands, _, keys = row.partition(" | ")
        for command in re.findall(r"`([a-z -]+)`", commands):
            found[command] = set(re.findall(r"`(\w+)`", keys))
    return found


def all_keys(value: Any) -> set[str]:
    """Keys at any depth."""
    if isinstance(value, dict):
        return set(value).union(*(all_keys(v) for v in value.values()))
    return set().union(*(all_keys(v) for v in value)) if isinstance(value, list) else set()


def test_the_json_keys_in_readme_are_those_printed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def run(*words: str) -> Any:
        capsys.readouterr()
        assert main(list(words)) == 0
        return json.loads(capsys.readouterr().out)

    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("GRADEEST_LEDGER", raising=False)
    (tmp_path / "shed.toml").write_text(LOT, encoding="utf-8")
    (tmp_path / "prices.toml").write_text(PRICES, encoding="utf-8")
    (tmp_path / "notes.csv").write_text(NOTES, encoding="utf-8")
    written = keys_in_readme()
    printed = {
        "lot add": run("lot", "add", "shed.toml", "--json"),
        "batch add": run("batch", "add", "--charge", "shed/strips=0.5 kg", "--json"),
        "bench set": run("bench", "set", "permit", "--json"),
        "record product": run("record", "product", "B1", *WEIGHT),
        "balance add": run("balance", "add", "pocket", "--readability", "0.01 g", "--json"),
        "lot more": run("lot", "more", *ARGUMENTS["lot more"], "--json"),
    }
    for words in sorted(set(written) - set(printed) - SAME_AS_PRODUCT - {"undo", "amend"}):
        printed[words] = run(*words.split(), *ARGUMENTS.get(words, ()), "--json")
    printed["amend"] = run("amend", "4", "weight=1.3 g", "--json")
    printed["undo"] = run("undo", "3", "--json")
    assert len(printed) > 10
    for words, result in printed.items():
        assert set(result) - {"command"} <= written[words], f"{words}: printed, but not in README"
        assert written[words] <= all_keys(result), f"{words}: in README, but not printed"


WALKS = {"A five-minute walk": "shed.toml", "Boards not taken apart": "van.toml"}


def walk_commands(title: str) -> list[tuple[list[str], list[str]]]:
    """The commands of a walk as words, each with the lines printed below it; dots stand for what is cut."""
    section = README.partition(f"## {title}\n")[2].partition("\n## ")[0]
    blocks = re.findall(r"^```(\w*)\n(.*?)^```$", section, re.MULTILINE | re.DOTALL)
    text = re.sub(r"(^\$ .*) \\\n\s+", r"\1 ", "".join(body for kind, body in blocks if not kind), flags=re.MULTILINE)
    found: list[tuple[list[str], list[str]]] = []
    for line in text.splitlines():
        if line.startswith("$ gradeest "):
            found.append((shlex.split(line)[2:], []))
        elif line.strip() not in ("", "..."):
            found[-1][1].append(line)
    return found


def without_figures(line: str) -> str:
    """A line with its numbers blurred: they depend on the machine's arithmetic in the last digits."""
    return " ".join(re.sub(r"[\d.<-]+", "#", line).split())


@pytest.mark.gates
@pytest.mark.parametrize("title", WALKS)
def test_the_walk_runs_and_prints_what_readme_shows(
    title: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("GRADEEST_LEDGER", raising=False)
    monkeypatch.setenv("COLUMNS", "80")
    section = README.partition(f"## {title}\n")[2].partition("\n## ")[0]
    (lot,) = re.findall(r"^```toml\n(.*?)^```", section, re.MULTILINE | re.DOTALL)
    (tmp_path / WALKS[title]).write_text(lot, encoding="utf-8")
    (tmp_path / "prices.toml").write_text(PRICES.replace("EUR", "USD"), encoding="utf-8")
    shown, missing = 0, []
    for words, lines in walk_commands(title):
        capsys.readouterr()
        assert main(words) == 0, words
        printed = {without_figures(line) for line in capsys.readouterr().out.splitlines()}
        missing += [line for line in lines if without_figures(line) not in printed]
        shown += len(lines)
    assert shown > (40 if title == "A five-minute walk" else 20)
    assert len(missing) <= 0.1 * shown, missing  # a reason may turn on the last digits


def offers_json(command: Any) -> bool:
    """Whether a command has --json."""
    return "--json" in [name for option in command.params for name in option.opts]


def test_every_command_with_json_has_its_keys_in_readme() -> None:
    offering = {words for words, command in walk(typer.main.get_command(app)) if offers_json(command)}
    assert offering == set(keys_in_readme())


def test_the_exit_codes_in_readme_are_those_of_the_errors() -> None:
    rows = dict(re.findall(r"^\| (\d+) \| (.*?) \|$", README, re.MULTILINE))
    codes = {kind.exit_code for kind in vars(errors).values() if isinstance(kind, type) and hasattr(kind, "exit_code")}
    assert {int(code) for code in rows} == codes | {0, 2, 130, 141}


def test_the_picture_of_the_house_names_every_module() -> None:
    picture = re.findall(r"^```\n(gradeest/.*?)^```", DEVELOPERS, re.DOTALL | re.MULTILINE)[0]
    rooms = ("materials", "records", "belief", "decision", "report", "workflow")
    modules = {p.stem for room in rooms for p in (TOP / "gradeest" / room).glob("*.py") if p.stem != "__init__"}
    assert [name for name in sorted(modules) if not re.search(rf"\b{name}\b", picture)] == []
    named = set(re.findall(r"\b(\w+)\.py\b", picture))
    assert named <= modules | {p.stem for p in (TOP / "gradeest").glob("*.py")} | {"tables", "complaints"}


@pytest.mark.parametrize("text", [README, DEVELOPERS], ids=["README", "DEVELOPERS"])
def test_every_file_named_is_there(text: str) -> None:
    paths = re.findall(r"`((?:gradeest|tests|priors|demo_lots|\.ci)/[\w./-]*)`", text)
    assert paths
    assert [path for path in paths if not (TOP / path).exists()] == []
    assert [
        n
        for n in re.findall(r"`(test_\w+)`", text)
        if f"def {n}(" not in "".join(p.read_text(encoding="utf-8") for p in (TOP / "tests").rglob("*.py"))
    ] == []


def test_readme_says_to_whom_it_defers() -> None:
    assert re.search(r"defer to local codes and\s+licensed practice", README, re.IGNORECASE)
