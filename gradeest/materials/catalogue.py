"""What is known of the stuff before anyone weighs it: reads `priors/` (and an overlay) into frozen rows.

Every number carries its source and says whether it was read, is from memory, or is a judgement.
"""

from __future__ import annotations

from functools import cache
from importlib import resources
from pathlib import Path

from gradeest.errors import InputError
from gradeest.materials.building import TABLES, build_catalogue
from gradeest.materials.prior_check import PriorCheck, check_catalogue
from gradeest.materials.rows import (
    METALS,
    Board,
    Catalogue,
    Constant,
    Form,
    Founded,
    GradeRow,
    Hazard,
    Item,
    Kind,
    Law,
    MetalCorrelation,
    Quantiles,
    Route,
    Status,
    Use,
    WorkStep,
)
from gradeest.materials.tables import Faults, Folder, nearest, read_entries, read_table, suggest

__all__ = [
    "METALS",
    "Board",
    "Catalogue",
    "Constant",
    "Form",
    "Founded",
    "GradeRow",
    "Hazard",
    "Item",
    "Kind",
    "Law",
    "MetalCorrelation",
    "PriorCheck",
    "Quantiles",
    "Route",
    "Status",
    "Use",
    "WorkStep",
    "check_catalogue",
    "load_catalogue",
    "nearest",
    "shipped_folder",
    "suggest",
]

CONSTANTS_FILE = "model.toml"


def shipped_folder(name: str) -> Folder:
    """The folder `name` that travels with the program: inside the installed package, else at the top of the checkout.

    Parameters: name, "priors" or "demo_lots". Raises InputError where neither exists.
    """
    installed = resources.files("gradeest") / name
    if installed.is_dir():
        return installed
    checkout = Path(__file__).resolve().parents[2] / name
    if checkout.is_dir():
        return checkout
    raise InputError(f"the folder {name!r} is missing from this installation", "install gradeest again")


def load_catalogue(overlay: Path | None = None) -> Catalogue:
    """Read and validate all rows of `priors/`, overlaid by the files of the same name in a folder of one's own.

    Parameters: overlay, a folder; a row with the same key replaces the shipped row, new rows add.
    Returns: Catalogue. Raises InputError that carries every problem found, with file, line and field.
    """
    return _shipped() if overlay is None else _read(overlay)


@cache
def _shipped() -> Catalogue:
    """The shipped rows alone: one command asks for them several times, and they do not change while it runs."""
    return _read(None)


def _read(overlay: Path | None) -> Catalogue:
    folders: list[Folder] = [shipped_folder("priors")]
    faults = Faults([])
    if overlay is not None:
        if not overlay.is_dir():
            raise InputError(f"there is no folder {str(overlay)!r}", "give a folder that holds files like kinds.csv")
        folders.append(overlay)
        _check_names(overlay, faults)
    tables = {name: read_table(folders, name, columns, key, faults) for name, (columns, key) in TABLES.items()}
    catalogue = build_catalogue(tables, read_entries(folders, CONSTANTS_FILE, faults), faults)
    if faults.issues:
        count = len(faults.issues)
        message = f"the priors cannot be used: {count} problem{'s' if count > 1 else ''}"
        raise InputError(message, "mend the rows named and try again", faults.issues)
    return catalogue


def _check_names(overlay: Path, faults: Faults) -> None:
    known = [*TABLES, CONSTANTS_FILE]
    for path in sorted(overlay.iterdir()):
        if path.suffix in (".csv", ".toml") and path.name not in known:
            faults.add(str(path), None, "", "is not a file of the priors", suggest(path.name, known))
