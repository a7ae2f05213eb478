"""What a command need not wait for when its process starts."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from gradeest.belief import listing
from gradeest.belief.listing import KeptCode, depth_first

CALL = """
import sys
import numpy as np
from gradeest.belief.listing import depth_first
{before}
nothing = np.zeros(2, dtype=np.int64)
found = depth_first(nothing, nothing, nothing, nothing, nothing, np.array([1]), 1)
print(found.tolist(), sum(depth_first._cache_hits.values()), "numba.np.linalg" in sys.modules)
"""


FORWARD = """
import sys
import gradeest.belief.predictive, gradeest.decision.ranking, gradeest.workflow.outlook
from gradeest.units import parse_mass
parse_mass("1.2 ozt")
print([name for name in ("numba", "scipy", "pint") if name in sys.modules])
"""


def say_anew(code: str) -> str:
    """What a new process prints."""
    return subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.strip()


def test_kept_code_runs_without_the_tables_of_the_compiler() -> None:
    nothing = np.zeros(2, dtype=np.int64)
    assert depth_first(nothing, nothing, nothing, nothing, nothing, np.array([1]), 1).tolist() == [0]  # kept from now
    assert say_anew(CALL.format(before="")) == "[0] 1 False"
    ordinary = """
from numba.core.caching import FunctionCache
type(depth_first._cache).load_overload = FunctionCache.load_overload
"""  # the twin: numba's own way of reading the same files
    assert say_anew(CALL.format(before=ordinary)) == "[0] 1 True"


def test_code_is_kept_for_as_long_as_all_files_with_parts_of_it_stay_as_they_were(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    nothing = np.zeros(2, dtype=np.int64)
    depth_first(nothing, nothing, nothing, nothing, nothing, np.array([1]), 1)
    (signature,), target = depth_first.signatures, depth_first.targetctx
    assert KeptCode(depth_first.py_func).load_overload(signature, target) is not None
    monkeypatch.setattr(listing, "text_of_kernels", lambda: "another text")
    assert KeptCode(depth_first.py_func).load_overload(signature, target) is None
    folder = Path(listing.__file__).parent
    with_parts = {
        path.stem for path in folder.glob("*.py") if re.search(r"^@(part_of_)?compiled", path.read_text(), re.M)
    }
    assert with_parts <= set(listing.KERNELS)


def test_what_runs_will_give_is_drawn_without_the_libraries_of_a_fit() -> None:
    assert say_anew(FORWARD) == "[]"


def test_large_pages_are_not_asked_for_unless_the_person_does(monkeypatch: pytest.MonkeyPatch) -> None:
    told = "from gradeest.__main__ import run; import os, sys; sys.argv[1:] = ['--help']; run(); print(); "
    told += "print(os.environ['NUMPY_MADVISE_HUGEPAGE'])"
    monkeypatch.delenv("NUMPY_MADVISE_HUGEPAGE", raising=False)
    assert say_anew(told).splitlines()[-1] == "0"
    monkeypatch.setenv("NUMPY_MADVISE_HUGEPAGE", "1")
    assert say_anew(told).splitlines()[-1] == "1"
