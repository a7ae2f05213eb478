"""The ledger: one SQLite file of numbered events that are only ever added to.

Each row carries a SHA-256 over itself and the row before, so a changed, lost or reordered row shows; SQLite's own
check does not see a flipped bit inside a value. A correction is a new event. What was shown to the user (forecasts,
rankings) stands in a second chain: it never changes the head under which fits are cached.

A rollback journal with synchronous=EXTRA: after a power cut an event is there whole or not at all.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import os
import sqlite3
import uuid as uuids
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from gradeest.errors import LedgerError
from gradeest.records import migrations
from gradeest.records.ledger_file import FAULTS, check_file, connect, explain, open_lock_free

GENESIS = ""  # the hash "before" the first row


@dataclass(frozen=True)
class Event:
    """One entry of the ledger. `number` counts from 1; `payload` is plain JSON data."""

    number: int
    uuid: str
    kind: str
    payload: dict[str, Any]
    happened_on: dt.date
    recorded_at: dt.datetime
    hash: str


@dataclass(frozen=True)
class Shown:
    """A forecast or ranking as it was shown, with the head of the bench's events at that moment."""

    number: int
    uuid: str
    what: str
    content: dict[str, Any]
    recorded_at: dt.datetime
    bench_head: str
    hash: str


class Ledger:
    """An open ledger file. Use it as a context manager, or `close` it.

    Check and append in one `with ledger.atomic():`, or another process may change the bench in between.
    """

    def __init__(self, path: Path, connection: sqlite3.Connection, wait_s: float) -> None:
        self.path = path
        self._db = connection
        self._wait_s = wait_s
        self._last_uuid = ""  # of the transaction in progress

    @classmethod
    def open(cls, path: Path, *, create: bool, wait_s: float = 5.0) -> Ledger:
        """Open and verify a ledger.

        `create`: make it when there is none. `wait_s`: how long to wait for another process, in s.
        Raises LedgerError: missing, foreign, too new, damaged, locked, or not writable where a change of format is due.
        """
        path = Path(path)
        version = check_file(path, create=create)
        db: sqlite3.Connection | None = None
        try:
            db = connect(path, create=create, wait_s=wait_s)
            if version < migrations.LATEST:
                (version,) = db.execute("PRAGMA user_version").fetchone()
            if version == 0 and not create:
                raise LedgerError(f"{path} is empty", "`gradeest lot add` starts a ledger there")
            if version < migrations.LATEST:
                migrations.migrate(db)
            ledger = cls(path, db, wait_s)
            ledger.verify()
        except FAULTS as err:
            if db is not None:
                db.close()
            raise explain(err, path) from err
        except BaseException:
            if db is not None:
                db.close()
            raise
        return ledger

    def close(self) -> None:
        """Close the file."""
        self._db.close()

    def __enter__(self) -> Ledger:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # -- writing ---------------------------------------------------------------------------------------------------

    @contextmanager
    def atomic(self) -> Iterator[None]:
        """All that is appended inside is saved together or not at all; the file is locked for writers meanwhile.

        Raises LedgerError (locked, full, read-only, outcome unknown); what the body raises passes through.
        """
        if self._db.in_transaction:
            yield from self._savepoint()
            return
        self._last_uuid = ""
        self._execute("BEGIN IMMEDIATE")
        try:
            yield
        except BaseException:
            self._roll_back()
            raise
        try:
            self._db.execute("COMMIT")
        except FAULTS as err:
            self._roll_back()
            self._settle(err)

    def append(
        self,
        kind: str,
        payload: Mapping[str, Any],
        *,
        happened_on: dt.date,
        recorded_at: dt.datetime,
        uuid: str | None = None,
    ) -> Event:
        """Add one event; repeating it with the same `uuid` changes nothing and returns the first.

        `payload` is JSON data without NaN or infinity. Raises LedgerError.
        """
        uuid = uuid or str(uuids.uuid4())
        text = _dump(payload)
        with self.atomic():
            length, previous = self._head_of("event")
            found = self._execute("SELECT number, kind, payload FROM event WHERE uuid = ?", (uuid,)).fetchone()
            if found is not None:
                if found[1:] != (kind, text):
                    raise LedgerError(f"entry {uuid} exists with other contents", "enter it anew")
                return self.events()[found[0] - 1]
            row = (length + 1, uuid, kind, happened_on.isoformat(), recorded_at.isoformat(), text)
            digest = _link(previous, row)
            self._execute("INSERT INTO event VALUES (?, ?, ?, ?, ?, ?, ?)", (*row, digest))
            self._move_head("event", length + 1, digest)
            self._last_uuid = uuid
        return _event((*row, digest))

    def keep_shown(
        self, what: str, content: Mapping[str, Any], *, recorded_at: dt.datetime, uuid: str | None = None
    ) -> Shown:
        """Keep a forecast or ranking as shown (put prices and catalogue version into `content`); events are untouched.

        The same thing shown again on an unchanged bench is kept once. Raises LedgerError.
        """
        uuid = uuid or str(uuids.uuid4())
        text = _dump(content)
        with self.atomic():
            length, previous = self._head_of("shown")
            same = "SELECT number FROM shown WHERE uuid = ? OR (what = ? AND bench_head = ? AND content = ?)"
            found = self._execute(same, (uuid, what, self.head, text)).fetchone()
            if found is not None:
                return self.shown()[found[0] - 1]
            row = (length + 1, uuid, what, recorded_at.isoformat(), self.head, text)
            digest = _link(previous, row)
            self._execute("INSERT INTO shown VALUES (?, ?, ?, ?, ?, ?, ?)", (*row, digest))
            self._move_head("shown", length + 1, digest)
            self._last_uuid = uuid
        return _shown((*row, digest))

    # -- reading ---------------------------------------------------------------------------------------------------

    @property
    def head(self) -> str:
        """Hash of the last event ("" for none): it stands for everything recorded. Nothing shown changes it."""
        return self._head_of("event")[1]

    @property
    def bench_head(self) -> str:
        """The same as `head`: the key under which what follows from the bench is cached."""
        return self.head

    def events(self) -> list[Event]:
        """All events in order. Raises LedgerError when the chain does not hold."""
        return [_event(row) for row in self._chained("event")]

    def shown(self, what: str | None = None) -> list[Shown]:
        """All that was shown, in order; `what` picks one sort. Raises LedgerError when the chain does not hold."""
        rows = [_shown(row) for row in self._chained("shown")]
        return [row for row in rows if what is None or row.what == what]

    def verify(self) -> int:
        """Check structure, indices and both hash chains; returns the number of events. Raises LedgerError."""
        answer = self._execute("PRAGMA integrity_check").fetchall()
        if answer != [("ok",)]:
            raise _damaged(self.path, str(answer[0][0]))
        if self._execute("PRAGMA application_id").fetchone() != (migrations.APPLICATION_ID,):
            raise _damaged(self.path, "its mark is gone")
        if migrations.read_schema(self._db) != migrations.expected_schema():
            raise _damaged(self.path, "its tables are not as they were made")
        steps = [(step.version, step.name, step.digest) for step in migrations.MIGRATIONS]
        if self._execute("SELECT version, name, digest FROM migration ORDER BY version").fetchall() != steps:
            raise _damaged(self.path, "its list of formats is wrong")
        self._chained("shown")
        return len(self._chained("event"))

    # -- inside ----------------------------------------------------------------------------------------------------

    def _execute(self, sql: str, values: tuple[Any, ...] = ()) -> sqlite3.Cursor:
        try:
            return self._db.execute(sql, values)
        except FAULTS as err:
            raise explain(err, self.path) from err

    def _savepoint(self) -> Iterator[None]:
        self._execute("SAVEPOINT part")
        try:
            yield
        except BaseException:
            if self._db.in_transaction:  # a full disk has already rolled back everything
                self._db.execute("ROLLBACK TO part")
                self._db.execute("RELEASE part")
            raise
        self._execute("RELEASE part")

    def _roll_back(self) -> None:
        try:
            if self._db.in_transaction:
                self._db.execute("ROLLBACK")
        except FAULTS:
            self._db.close()  # closing rolls back as well, or leaves a journal that the next opening rolls back

    def _settle(self, err: Exception) -> None:
        """After a failed commit: look with fresh eyes whether the entry is there, and say which it is.

        A directory that cannot be synchronised reports an error although the entry is saved.
        """
        error = explain(err, self.path)
        if not self._last_uuid:
            raise error from err
        try:
            with open_lock_free(self.path, wait_s=self._wait_s) as fresh:
                query = "SELECT 1 FROM event WHERE uuid = ? UNION SELECT 1 FROM shown WHERE uuid = ?"
                saved = fresh.execute(query, (self._last_uuid, self._last_uuid)).fetchone() is not None
            if saved:
                _sync_folder(self.path.parent)
        except (*FAULTS, OSError) as second:
            raise LedgerError(
                f"{self.path}: it is not known whether the entry was saved ({err})",
                "see `gradeest history` before you enter it again",
            ) from second
        if not saved:
            raise error from err

    def _head_of(self, chain: str) -> tuple[int, str]:
        row = self._execute("SELECT length, hash FROM chain WHERE name = ?", (chain,)).fetchone()
        if row is None:
            raise _damaged(self.path, f"the end of the {chain} chain is missing")
        return row[0], row[1]

    def _move_head(self, chain: str, length: int, digest: str) -> None:
        self._execute("UPDATE chain SET length = ?, hash = ? WHERE name = ?", (length, digest, chain))

    def _chained(self, table: str) -> list[tuple[Any, ...]]:
        # one statement, so that rows and the chain's end are of one moment even while another process writes
        columns = (
            "kind, happened_on, recorded_at, payload" if table == "event" else "what, recorded_at, bench_head, content"
        )
        sql = (
            f"SELECT t.number, t.uuid, {', '.join('t.' + c for c in columns.split(', '))}, t.hash, c.length, c.hash "
            f"FROM chain c LEFT JOIN {table} t WHERE c.name = ? ORDER BY t.number"
        )
        try:
            rows = self._db.execute(sql, (table,)).fetchall()
        except FAULTS as err:
            raise explain(err, self.path) from err
        if not rows:
            raise _damaged(self.path, f"the end of the {table} chain is missing")
        length, end = rows[0][-2:]
        what = "event" if table == "event" else "kept forecast"
        rows = [] if rows[0][0] is None else [row[:-2] for row in rows]
        previous = GENESIS
        for count, row in enumerate(rows, start=1):
            if row[0] != count:
                raise _damaged(self.path, f"{what} {count} is missing")
            if _link(previous, row[:-1]) != row[-1]:
                raise _damaged(self.path, f"{what} {count} was changed after it was written")
            previous = row[-1]
        if (length, end) != (len(rows), previous):
            raise _damaged(self.path, f"it should end with {what} {length}, it ends with {len(rows)}")
        return rows


def _dump(payload: Mapping[str, Any]) -> str:
    return json.dumps(payload, sort_keys=True, separators=(",", ":"), allow_nan=False)


def _link(previous: str, row: tuple[Any, ...]) -> str:
    """SHA-256 over the row before and this one; JSON keeps fields apart that would run together otherwise."""
    try:
        text = json.dumps([previous, *row], separators=(",", ":"))
    except TypeError:  # a damaged cell may come back as bytes
        return "unreadable"
    return hashlib.sha256(text.encode()).hexdigest()


def _event(row: tuple[Any, ...]) -> Event:
    number, uuid, kind, happened_on, recorded_at, payload, digest = row
    date, time = dt.date.fromisoformat(happened_on), dt.datetime.fromisoformat(recorded_at)
    return Event(number, uuid, kind, json.loads(payload), date, time, digest)


def _shown(row: tuple[Any, ...]) -> Shown:
    number, uuid, what, recorded_at, bench_head, content, digest = row
    time = dt.datetime.fromisoformat(recorded_at)
    return Shown(number, uuid, what, json.loads(content), time, bench_head, digest)


def _damaged(path: Path, detail: str) -> LedgerError:
    return LedgerError(f"{path} is damaged: {detail}", "restore a copy of the file; nothing was written to it")


def _sync_folder(folder: Path) -> None:
    if os.name == "nt":
        return  # Windows cannot open a folder for this
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
