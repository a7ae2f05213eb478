"""The house: which room may use which, what no room may do, and what the project's files must not hold."""

from __future__ import annotations

import ast
import fnmatch
import re
import subprocess
from collections.abc import Iterable, Iterator
from pathlib import Path

import pytest

from gradeest.decision.price_file import read_prices, write_prices
from gradeest.errors import InputError
from gradeest.materials.catalogue import METALS, load_catalogue

TOP = Path(__file__).resolve().parents[2]
PACKAGE = TOP / "gradeest"
# Each room uses only itself and the rooms before it.
ROOMS = ("errors", "units", "materials", "records", "belief", "decision", "report", "workflow", "cli", "__main__")
BELOW_WORKFLOW = ROOMS[: ROOMS.index("workflow")]
REFERENCE_ENGINE = {"pymc", "pytensor", "nutpie", "arviz", "xarray"}
TOP_LEVEL = {"README.md", "DEVELOPERS.md", "pyproject.toml", "gradeest", "priors", "tests", "demo_lots"}
LONGEST_FILE = 450
LONGEST_FUNCTION = 60


def modules() -> dict[str, str]:
    """Source text of every module, by path inside the package."""
    return {str(path.relative_to(PACKAGE)): path.read_text(encoding="utf-8") for path in sorted(PACKAGE.rglob("*.py"))}


def imports(source: str) -> Iterator[tuple[str, int]]:
    """Everything a module imports, at its top or late, in full, with the line."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            yield from ((alias.name, node.lineno) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.module and not node.level, "imports are absolute"  # noqa: PT018
            yield from ((f"{node.module}.{alias.name}", node.lineno) for alias in node.names)


def faults_of_module(name: str, source: str) -> list[str]:
    """What a module imports against the house's rules."""
    room = name.split("/")[0].removesuffix(".py")
    if room == "__init__":
        return [
            f"{name}:{line}: the package itself imports nothing" for _, line in imports(source) if _ != "__future__"
        ]
    found = []
    for full, line in imports(source):
        first, *rest = full.split(".")
        if first == "gradeest" and rest and rest[0] in ROOMS and ROOMS.index(rest[0]) > ROOMS.index(room):
            found.append(f"{name}:{line}: {room} must not use {rest[0]}")
        if first == "gradeest" and rest and rest[0] not in (*ROOMS, "__version__"):
            found.append(f"{name}:{line}: {rest[0]} is no room of the house")
        if first == "click":
            found.append(f"{name}:{line}: click is typer's own copy, never imported")
        if first in REFERENCE_ENGINE and name != "belief/nuts.py":
            found.append(f"{name}:{line}: {first} belongs to belief/nuts.py alone")
        if first == "sqlite3" and room != "records":
            found.append(f"{name}:{line}: only records knows how the ledger is stored")
        if full.startswith("gradeest.records.ledger") and room not in ("records", "workflow"):
            found.append(f"{name}:{line}: only workflow opens a ledger")
        if room == "cli" and full.startswith(("gradeest.belief", "gradeest.decision", "gradeest.materials")):
            found.append(f"{name}:{line}: the command line talks to workflow")
    return found


def test_every_import_goes_up_the_house() -> None:
    assert [fault for name, source in modules().items() for fault in faults_of_module(name, source)] == []


@pytest.mark.parametrize(
    ("name", "line"),
    [
        ("materials/rows.py", "from gradeest.records.domain import Lot"),
        ("belief/density.py", "import pymc as pm"),
        ("belief/density.py", "def f():\n    import arviz"),
        ("workflow/demo.py", "from gradeest import cli"),
        ("cli/main.py", "import click"),
        ("cli/lot.py", "from gradeest.records.ledger import Ledger"),
        ("cli/lot.py", "from gradeest.belief.posterior import Posterior"),
        ("belief/network.py", "import sqlite3"),
        ("errors.py", "from gradeest import helpers"),
        ("__init__.py", "import numpy"),
    ],
)
def test_a_wrong_import_is_found(name: str, line: str) -> None:
    assert faults_of_module(name, line)


def hidden_inputs(name: str, source: str) -> list[str]:
    """Clock, environment and global random state, which no room below `workflow` may read."""
    found = []
    for node in ast.walk(ast.parse(source)):
        text = ast.unparse(node) if isinstance(node, ast.Attribute | ast.Call) else ""
        clock = re.fullmatch(r"(dt|datetime|date|time)(\.\w+)*\.(now|today|utcnow|time|monotonic|perf_counter)", text)
        environment = text in ("os.environ", "os.getenv", "Path.home", "Path.cwd", "os.getcwd")
        chance = re.fullmatch(r"np\.random\.(?!default_rng$|Generator$|SeedSequence$)\w+", text)
        if clock or environment or chance or text == "np.random.default_rng()":
            found.append(f"{name}:{getattr(node, 'lineno', 0)}: {text}")
    return found


def test_no_hidden_input_below_workflow() -> None:
    rooms = {name: source for name, source in modules().items() if name.split("/")[0] in BELOW_WORKFLOW}
    assert len(rooms) > 20
    assert [fault for name, source in rooms.items() for fault in hidden_inputs(name, source)] == []


@pytest.mark.parametrize(
    "line",
    [
        "dt.date.today()",
        "time.time()",
        "os.environ['X']",
        "np.random.normal()",
        "np.random.default_rng()",
        "Path.cwd()",
    ],
)
def test_a_hidden_input_is_found(line: str) -> None:
    assert hidden_inputs("belief/x.py", line)


def test_only_the_edge_catches_everything() -> None:
    catching = [
        name
        for name, source in modules().items()
        for node in ast.walk(ast.parse(source))
        if isinstance(node, ast.ExceptHandler) and (node.type is None or ast.unparse(node.type) == "Exception")
    ]
    assert catching == ["cli/main.py"]


def test_files_and_functions_fit_a_page_or_ten() -> None:
    too_long = []
    for name, source in modules().items():
        if (lines := len(source.splitlines())) > LONGEST_FILE:
            too_long.append(f"{name}: {lines} lines")
        for node in ast.walk(ast.parse(source)):
            if isinstance(node, ast.FunctionDef) and node.end_lineno is not None:
                length = node.end_lineno - node.lineno + 1
                if length > LONGEST_FUNCTION:
                    too_long.append(f"{name}: {node.name} has {length} lines")
    assert too_long == []


def test_no_module_is_called_after_nothing() -> None:
    names = {part.removesuffix(".py") for path in modules() for part in path.split("/")}
    assert not names & {"utils", "util", "helpers", "helper", "misc", "common"}


def project_files() -> list[str]:
    """What is tracked; without git, what lies there and is not ignored."""
    try:
        done = subprocess.run(["git", "ls-files"], cwd=TOP, capture_output=True, text=True, check=True)
        if done.stdout:
            return done.stdout.splitlines()
    except (OSError, subprocess.CalledProcessError):
        pass
    ignored = [line.strip() for line in (TOP / ".gitignore").read_text(encoding="utf-8").splitlines()]
    patterns = [pattern.rstrip("/") for pattern in ignored if pattern and not pattern.startswith("#")]
    files = [path.relative_to(TOP) for path in sorted(TOP.rglob("*")) if path.is_file()]
    return [str(path) for path in files if not any(is_ignored(path, pattern) for pattern in (*patterns, ".git"))]


def is_ignored(path: Path, pattern: str) -> bool:
    """Whether a line of .gitignore covers a file: one that begins with / from the top only, else at any depth."""
    if pattern.startswith("/"):
        return fnmatch.fnmatch(path.parts[0], pattern[1:])
    return any(fnmatch.fnmatch(part, pattern) for part in path.parts)


def test_files_that_are_shipped_are_found_without_git() -> None:
    assert is_ignored(Path("prices.toml"), "/prices.toml")
    assert not is_ignored(Path("demo_lots/radio-club/prices.toml"), "/prices.toml")
    assert is_ignored(Path("gradeest/cli/__pycache__/x.pyc"), "__pycache__")


def test_the_top_level_holds_only_what_is_agreed() -> None:
    names = {name.split("/")[0] for name in project_files()}
    assert {name for name in names if not name.startswith(".")} == TOP_LEVEL


def readable(names: Iterable[str]) -> dict[str, str]:
    """Text of the files that are text."""
    suffixes = (".py", ".md", ".toml", ".csv", ".txt", "")
    return {
        name: (TOP / name).read_text(encoding="utf-8")
        for name in names
        if Path(name).suffix in suffixes and (TOP / name).is_file()
    }


def test_no_path_of_somebodys_machine() -> None:
    found = [
        f"{name}: {match.group()}"
        for name, text in readable(project_files()).items()
        for match in re.finditer(r"(?<![\w.])/(?:home|root|Users)/\w+", text)
    ]
    assert found == []


# --- no recipe: what would let somebody follow an instruction

RECIPE = re.compile(
    r"""\d\s*(?:°|deg(?:rees)?\b)\s*[CFK]?          # a temperature
    | \d\s*(?:mL|ml|litres?|liters?|cc)\b           # a volume to pour
    | \b\d+(?:[.,]\d+)?\s*(?:M|N|molar)\s+(?:\w+\s+)?(?:acid|HNO3|HCl|H2SO4|NaOH|peroxide)
    | \bmol/L\b
    | \b\d+\s*:\s*\d+\s+(?:\w+\s+)?(?:acid|mix|parts)
    | \bparts?\s+of\s+\w*\s*acid
    | \b(?:\d+|two|three|four|five|six|several)\s+(?:washes|rinses)\b
    | \b(?:wash|rinse)(?:ed)?\s+(?:\d+|two|three|four|five)\s+times\b
    | \b(?:boil|simmer|overnight|dropwise|stir\s+for)\b
    | \b\d+\s*(?:g|ml|mL)\s+(?:of\s+\w+\s+)?per\s+(?:g|gram|kg)\s+of\s+(?:gold|silver|palladium)""",
    re.VERBOSE,
)
STRENGTH = re.compile(r"\d\s*%[^.;,]{0,30}\b(?:acid|peroxide|HNO3|HCl)|\b(?:acid|peroxide)\b[^.;,]{0,20}\d\s*%")


def prose_of_priors() -> Iterator[tuple[str, str]]:
    """Every line of the shipped data; law lines name the limits of a law, which are no strengths to mix."""
    for path in sorted((TOP / "priors").iterdir()):
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), start=1):
            yield f"{path.name}:{number}", line


def prose_of_program() -> Iterator[tuple[str, str]]:
    """Every text literal of the program: all that it could print."""
    for name, source in modules().items():
        for node in ast.walk(ast.parse(source)):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                yield f"{name}:{node.lineno}", node.value


def test_no_recipe_in_data_or_program() -> None:
    prose = [*prose_of_priors(), *prose_of_program()]
    assert len(prose) > 1000
    assert [f"{place}: {text}" for place, text in prose if RECIPE.search(text)] == []
    strong = [place for place, text in prose if STRENGTH.search(text)]
    laws = {
        f"{name}:{n}"
        for name in ("hazards.csv", "laws.csv")
        for n, line in enumerate(lines(name), start=1)
        if line.startswith("law-")
    }
    assert set(strong) <= laws


def lines(name: str) -> list[str]:
    """Lines of a file of the priors."""
    return (TOP / "priors" / name).read_text(encoding="utf-8").splitlines()


@pytest.mark.parametrize(
    "text",
    [
        "warm to 60 °C",
        "keep at 80 deg C",
        "add 200 mL",
        "in 6 M nitric acid",
        "three washes with water",
        "rinse 3 times",
        "leave overnight",
        "3:1 acid mix",
        "2 g of salt per g of gold",
    ],
)
def test_a_recipe_is_found(text: str) -> None:
    assert RECIPE.search(text)


@pytest.mark.parametrize("text", ["a detection limit of 10 mg/L", "purity 98.5-99.5 % gold", "ash of 2 g, dry"])
def test_a_fact_is_no_recipe(text: str) -> None:
    assert not RECIPE.search(text)
    assert not STRENGTH.search(text)


def test_a_strength_is_found() -> None:
    assert STRENGTH.search("nitric acid of 35 %")
    assert STRENGTH.search("use 35 % nitric acid")


# --- no metal price

PRICE = re.compile(r"\d\s*(?:EUR|USD|GBP|CHF|[€$£])?\s*/\s*(?:g|gram|ozt|oz|troy)\b(?!/)", re.IGNORECASE)


def test_no_metal_price_is_shipped(tmp_path: Path) -> None:
    path = tmp_path / "prices.toml"
    write_prices(path, load_catalogue())
    with pytest.raises(InputError) as refused:
        read_prices(path, load_catalogue())
    asked = " ".join(str(issue) for issue in refused.value.issues)
    assert all(metal in asked for metal in METALS)
    assert not [place for place, line in prose_of_priors() if PRICE.search(line)]


def test_the_only_metal_prices_are_the_demo_lots_and_say_so() -> None:
    shipped = [name for name in project_files() if name.endswith("prices.toml")]
    assert shipped
    assert all(name.startswith("demo_lots/") for name in shipped)
    for name in shipped:
        assert "invented" in (TOP / name).read_text(encoding="utf-8").splitlines()[0].lower()
