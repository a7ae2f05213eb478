"""Fitted results kept in files: arrays as arrays, the rest as JSON; no code is ever loaded from them.

A cache that cannot be read or written is no error: the fit is only done again.
"""

from __future__ import annotations

import dataclasses
import json
import os
import tempfile
import typing
import zipfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any, TypeVar

import numpy as np

Kept = TypeVar("Kept")
Array = np.ndarray[Any, Any]
KEEP = {"fit": 40, "belief": 8, "ranking": 40, "tests": 8}  # files of each sort; the oldest go (a belief is large)
ABANDONED = 3600.0  # seconds: no command writes a file for so long


def write(path: Path, value: Any) -> None:
    """Keep a frozen dataclass of arrays, texts, numbers, tuples, mappings and such dataclasses."""
    arrays: dict[str, Array] = {}
    tree = pack(value, arrays)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.NamedTemporaryFile(dir=path.parent, suffix=".part", delete=False) as file:
            try:
                np.savez(file, tree=np.array(json.dumps(tree)), **arrays)  # type: ignore[arg-type]
            except BaseException:
                Path(file.name).unlink(missing_ok=True)
                raise
        os.replace(file.name, path)  # whole or not at all
        drop_old(path)
    except OSError:
        return


def read(path: Path, what: type[Kept], *also: type) -> Kept | None:
    """The dataclass kept at `path`; None where there is none or it cannot be used.

    `also` names dataclasses that its fields hold but do not declare.
    """
    try:
        with path.open("rb") as file, np.load(file, allow_pickle=False) as arrays:
            tree = json.loads(str(arrays["tree"]))
            value = unpack(tree, arrays, {c.__name__: c for c in classes_in(what).union(also)})
        os.utime(path)
    except (OSError, ValueError, KeyError, TypeError, EOFError, zipfile.BadZipFile):
        return None
    return value if isinstance(value, what) else None


def drop_old(path: Path) -> None:
    """Keep the files of this sort (`SORT-....npz`) that were used last, and none a killed command left half done."""
    sort = path.name.partition("-")[0]
    files = sorted(path.parent.glob(f"{sort}-*.npz"), key=lambda file: file.stat().st_mtime, reverse=True)
    for file in files[KEEP.get(sort, 0) :]:
        file.unlink(missing_ok=True)
    now = path.stat().st_mtime
    for part in path.parent.glob("*.part"):
        if now - part.stat().st_mtime > ABANDONED:
            part.unlink(missing_ok=True)


def pack(value: Any, arrays: dict[str, Array]) -> Any:
    """A JSON tree; each array is put aside under a name of its own."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        fields = {f.name: pack(getattr(value, f.name), arrays) for f in dataclasses.fields(value) if f.init}
        return {"record": type(value).__name__, "fields": fields}
    if isinstance(value, np.ndarray):
        name = f"a{len(arrays)}"
        arrays[name] = value
        return {"array": name}
    if isinstance(value, np.generic):
        return value.item()
    if isinstance(value, Mapping):
        return {"mapping": [[pack(k, arrays), pack(v, arrays)] for k, v in value.items()]}
    if isinstance(value, tuple):
        return {"tuple": [pack(v, arrays) for v in value]}
    if isinstance(value, list):
        return {"list": [pack(v, arrays) for v in value]}
    if value is None or isinstance(value, bool | int | float | str):
        return value
    raise TypeError(f"{type(value).__name__} cannot be kept")


def unpack(tree: Any, arrays: Mapping[str, Array], classes: Mapping[str, type]) -> Any:
    """The value a tree stands for. Raises KeyError or TypeError where the classes have changed."""
    if not isinstance(tree, dict):
        return tree
    if "record" in tree:
        fields = {name: unpack(value, arrays, classes) for name, value in tree["fields"].items()}
        return classes[tree["record"]](**fields)
    if "array" in tree:
        return arrays[tree["array"]]
    if "mapping" in tree:
        return {unpack(k, arrays, classes): unpack(v, arrays, classes) for k, v in tree["mapping"]}
    items = [unpack(value, arrays, classes) for value in tree["tuple" if "tuple" in tree else "list"]]
    return tuple(items) if "tuple" in tree else items


def classes_in(what: type) -> set[type]:
    """A dataclass and all dataclasses its fields may hold."""
    found = {what}
    waiting = [what]
    while waiting:
        for hint in typing.get_type_hints(waiting.pop()).values():
            for part in parts_of(hint):
                if isinstance(part, type) and dataclasses.is_dataclass(part) and part not in found:
                    found.add(part)
                    waiting.append(part)
    return found


def parts_of(hint: Any) -> list[Any]:
    """A type and the types inside its brackets."""
    return [hint, *(part for arg in typing.get_args(hint) for part in parts_of(arg))]
