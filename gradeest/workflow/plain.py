"""Results as plain values, as JSON knows them: the names of fields are the keys, and they are stable."""

from __future__ import annotations

import dataclasses
import datetime as dt
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any


def plain(value: Any) -> Any:
    """Records, mappings, arrays and dates as what JSON knows; what is no number becomes null."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, dt.date | Path):
        return value.isoformat() if isinstance(value, dt.date) else str(value)
    if isinstance(value, list | tuple | set | frozenset):
        return [plain(v) for v in value]
    if hasattr(value, "tolist"):  # numpy scalars and arrays
        return plain(value.tolist())
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value
