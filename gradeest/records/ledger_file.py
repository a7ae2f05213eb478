"""The ledger as a file: is it ours, how it is opened, and what SQLite's errors mean to a person."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from gradeest.errors import LedgerError
from gradeest.records import migrations

MAGIC = b"SQLite format 3\x00"
HEADER_BYTES = 100  # SQLite file format: user_version at byte 60, application_id at byte 68, both big-endian

# sqlite3 builds its messages from the file's own text: of a damaged file that may fail first
FAULTS = (sqlite3.Error, UnicodeDecodeError)

RESTORE = "restore a copy of the file; nothing was written to it"


def check_file(path: Path, *, create: bool) -> int:
    """Look at a file before SQLite touches it (SQLite may add files beside a foreign database).

    Returns the version of its format, 0 for a new or empty file. Raises LedgerError: missing, foreign, too new.
    """
    if path.is_dir():
        raise LedgerError(f"{path} is a folder", "name a file, e.g. --ledger bench.ledger")
    if not path.exists():
        if not create:
            raise LedgerError(
                f"there is no ledger at {path}",
                "`gradeest lot add` starts one; or name yours with --ledger or GRADEEST_LEDGER",
            )
        if not path.parent.is_dir():
            raise LedgerError(f"the folder {path.parent} does not exist", "make it first, or name another --ledger")
        return 0
    try:
        with path.open("rb") as file:
            header = file.read(HEADER_BYTES)
    except OSError as err:
        raise LedgerError(f"{path} cannot be read ({err.strerror})", "check who may read it") from err
    if not header:
        return 0
    version = int.from_bytes(header[60:64], "big")
    ours = int.from_bytes(header[68:72], "big") == migrations.APPLICATION_ID
    if len(header) < HEADER_BYTES or not header.startswith(MAGIC) or not ours:
        raise LedgerError(
            f"{path} is not a gradeest ledger, or its beginning is damaged",
            "name another file with --ledger, or restore a copy; nothing was written to it",
        )
    if version > migrations.LATEST:
        raise LedgerError(
            f"{path} was written by a newer gradeest (format {version}, this one knows {migrations.LATEST})",
            "upgrade gradeest; nothing was written to it",
        )
    return version


def connect(path: Path, *, create: bool, wait_s: float) -> sqlite3.Connection:
    """Open with our durability settings, in autocommit mode. Raises sqlite3.Error."""
    mode = "rwc" if create else "rw"
    uri = f"{path.resolve().as_uri()}?mode={mode}"
    connection = sqlite3.connect(uri, uri=True, timeout=wait_s, isolation_level=None)
    try:
        connection.execute("PRAGMA trusted_schema = OFF")
        connection.execute("PRAGMA cell_size_check = ON")
        connection.execute("PRAGMA synchronous = EXTRA")
        connection.execute("PRAGMA journal_mode = DELETE")
    except BaseException:
        connection.close()
        raise
    return connection


@contextmanager
def open_lock_free(path: Path, *, wait_s: float) -> Iterator[sqlite3.Connection]:
    """A second, short-lived connection to look at the file as another process would. Raises sqlite3.Error."""
    connection = connect(path, create=False, wait_s=wait_s)
    try:
        yield connection
    finally:
        connection.close()


def explain(err: Exception, path: Path) -> LedgerError:
    """What an SQLite error means to a person, by its primary result code (the low byte)."""
    code = getattr(err, "sqlite_errorcode", sqlite3.SQLITE_CORRUPT) & 0xFF  # no code: a cell that is no text
    if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return LedgerError(
            f"{path} is locked: another program is writing to it", "wait until it is done, then try again"
        )
    if code == sqlite3.SQLITE_FULL:
        return LedgerError(f"the disk is full: nothing was saved to {path}", "free some space, then enter it again")
    if code in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM):
        return LedgerError(
            f"{path} or its folder is read-only: nothing was saved", "allow writing to it, or name another --ledger"
        )
    if code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_FORMAT):
        return LedgerError(f"{path} is damaged: {err}", RESTORE)
    if code == sqlite3.SQLITE_CANTOPEN:
        return LedgerError(f"{path} or its journal cannot be opened", "check that its folder exists and is writable")
    return LedgerError(f"{path}: {err}; nothing was saved", "check the disk, then try again")
