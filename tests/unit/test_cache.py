"""Fitted results come back as they were kept; a file that cannot be used is no error, and none runs code."""

from __future__ import annotations

import os
import pickle
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from gradeest.workflow import cache


@dataclass(frozen=True)
class Inner:
    settled: bool
    worst: float
    notes: tuple[str, ...]


@dataclass(frozen=True)
class Kept:
    names: tuple[str, ...]
    draws: NDArray[np.float64]
    flags: NDArray[np.bool_]
    by_pair: Mapping[tuple[str, str], str]
    inner: Inner
    maybe: Inner | None = None
    items: list[NDArray[np.float64]] = field(default_factory=list)


VALUE = Kept(
    ("shed/strips", "shed/ünter"), np.arange(12.0).reshape(2, 2, 3), np.array([True, False]),
    {("shed/strips", "Au"): "3 weights"}, Inner(True, np.float64(1.01), ("a",)), None, [np.array([1.5])],
)  # fmt: skip


def test_what_is_kept_comes_back(tmp_path: Path) -> None:
    path = tmp_path / "hidden" / "key.npz"
    cache.write(path, VALUE)
    back = cache.read(path, Kept)
    assert back is not None
    assert back.names == VALUE.names
    assert back.by_pair == VALUE.by_pair
    assert back.inner == VALUE.inner
    np.testing.assert_array_equal(back.draws, VALUE.draws)
    np.testing.assert_array_equal(back.flags, VALUE.flags)
    assert back.flags.dtype == bool
    np.testing.assert_array_equal(back.items[0], [1.5])


@pytest.mark.parametrize("content", [b"", b"no archive", b"PK\x03\x04 cut off"])
def test_a_broken_file_is_no_result(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "key.npz"
    assert cache.read(path, Kept) is None
    path.write_bytes(content)
    assert cache.read(path, Kept) is None


def test_a_truncated_file_is_no_result(tmp_path: Path) -> None:
    path = tmp_path / "key.npz"
    cache.write(path, VALUE)
    content = path.read_bytes()
    for size in range(0, len(content), 37):
        path.write_bytes(content[:size])
        assert cache.read(path, Kept) is None


def test_another_kind_of_record_is_no_result(tmp_path: Path) -> None:
    path = tmp_path / "key.npz"
    cache.write(path, VALUE.inner)
    assert cache.read(path, Kept) is None


def test_no_code_is_loaded(tmp_path: Path) -> None:
    path = tmp_path / "key.npz"
    marker = tmp_path / "ran"

    class Bomb:
        def __reduce__(self) -> tuple[object, tuple[str]]:
            return (open, (str(marker),))

    np.savez(path, tree=np.array([Bomb()], dtype=object), allow_pickle=True)
    assert cache.read(path, Kept) is None
    path.write_bytes(pickle.dumps(VALUE.inner))
    assert cache.read(path, Kept) is None
    assert not marker.exists()


def test_a_folder_that_cannot_be_written_is_no_error(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    cache.write(tmp_path / "file" / "key.npz", VALUE)


def test_only_the_last_files_of_each_sort_stay(tmp_path: Path) -> None:
    for sort, keep in cache.KEEP.items():
        for i in range(keep + 3):
            cache.write(tmp_path / f"{sort}-{i}.npz", VALUE.inner)
    for sort, keep in cache.KEEP.items():
        assert len(list(tmp_path.glob(f"{sort}-*.npz"))) == keep
    assert list(tmp_path.glob("*.part")) == []


def test_what_a_killed_command_left_half_written_goes_after_an_hour(tmp_path: Path) -> None:
    old, new = tmp_path / "old.part", tmp_path / "new.part"
    for part in (old, new):
        part.write_bytes(b"half")
    hours_ago = time.time() - 2 * cache.ABANDONED
    os.utime(old, (hours_ago, hours_ago))
    cache.write(tmp_path / "fit-x.npz", VALUE)
    assert (old.exists(), new.exists()) == (False, True)  # another command may be writing the new one
