"""Compiled code that is kept is there at once: a new process loads nothing that only compiling needs."""

from __future__ import annotations

import subprocess
import sys

import numpy as np

from gradeest.belief.listing import depth_first

CALL = """
import sys
import numpy as np
from gradeest.belief.listing import depth_first
{before}
nothing = np.zeros(2, dtype=np.int64)
found = depth_first(nothing, nothing, nothing, nothing, nothing, np.array([1]), 1)
print(found.tolist(), sum(depth_first._cache_hits.values()), "numba.np.linalg" in sys.modules)
"""


def call_anew(before: str = "") -> str:
    """What a new process says: the order it finds, how many functions it found kept, and what it loaded for that."""
    words = [sys.executable, "-c", CALL.format(before=before)]
    return subprocess.run(words, capture_output=True, text=True, check=True).stdout.strip()


def test_kept_code_runs_without_the_tables_of_the_compiler() -> None:
    nothing = np.zeros(2, dtype=np.int64)
    assert depth_first(nothing, nothing, nothing, nothing, nothing, np.array([1]), 1).tolist() == [0]  # kept from now
    assert call_anew() == "[0] 1 False"
    ordinary = "depth_first.enable_caching()"  # the twin: numba's own way of reading the same files
    assert call_anew(ordinary) == "[0] 1 True"
