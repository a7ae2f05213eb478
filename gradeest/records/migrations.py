"""How the ledger's file format came about: each step is applied and recorded in one transaction.

A published step is never edited: a ledger that has it would no longer match. Changes are new steps at the end.
"""

from __future__ import annotations

import hashlib
import sqlite3
from dataclasses import dataclass

APPLICATION_ID = 0x67724541  # "grEA": written in the file's header, tells our ledgers from other SQLite files


@dataclass(frozen=True)
class Migration:
    """One step of the file format: `version` is the one the file has afterwards."""

    version: int
    name: str
    statements: tuple[str, ...]

    @property
    def digest(self) -> str:
        """SHA-256 of the statements, kept in the file so that an edited step shows."""
        return hashlib.sha256("\n".join(self.statements).encode()).hexdigest()


def _append_only(table: str) -> tuple[str, ...]:
    return tuple(
        f"CREATE TRIGGER {table}_no_{action.lower()} BEFORE {action} ON {table} "
        f"BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END"
        for action in ("UPDATE", "DELETE")
    )


MIGRATIONS: tuple[Migration, ...] = (
    Migration(
        1,
        "events, and what was shown before results",
        (
            "CREATE TABLE migration (version INTEGER PRIMARY KEY, name TEXT NOT NULL, digest TEXT NOT NULL) STRICT",
            "CREATE TABLE event (number INTEGER PRIMARY KEY, uuid TEXT NOT NULL UNIQUE, kind TEXT NOT NULL, "
            "happened_on TEXT NOT NULL, recorded_at TEXT NOT NULL, payload TEXT NOT NULL, hash TEXT NOT NULL) STRICT",
            "CREATE TABLE shown (number INTEGER PRIMARY KEY, uuid TEXT NOT NULL UNIQUE, what TEXT NOT NULL, "
            "recorded_at TEXT NOT NULL, bench_head TEXT NOT NULL, content TEXT NOT NULL, hash TEXT NOT NULL) STRICT",
            # the length and last hash of both chains: without them a lost last row would leave a valid chain
            "CREATE TABLE chain (name TEXT PRIMARY KEY, length INTEGER NOT NULL, hash TEXT NOT NULL) STRICT",
            "INSERT INTO chain (name, length, hash) VALUES ('event', 0, ''), ('shown', 0, '')",
            *_append_only("event"),
            *_append_only("shown"),
        ),
    ),
)

LATEST = MIGRATIONS[-1].version


def migrate(connection: sqlite3.Connection) -> list[int]:
    """Bring a new or older ledger to the latest format, all steps in one transaction.

    `connection` is in autocommit mode. Returns the versions applied. Raises sqlite3.Error, with nothing changed.
    """
    connection.execute("BEGIN IMMEDIATE")
    try:
        # read inside the transaction: a second process may have done it meanwhile
        (version,) = connection.execute("PRAGMA user_version").fetchone()
        todo = [step for step in MIGRATIONS if step.version > version]
        for step in todo:
            for statement in step.statements:
                connection.execute(statement)
            connection.execute(
                "INSERT INTO migration (version, name, digest) VALUES (?, ?, ?)", (step.version, step.name, step.digest)
            )
        if todo:
            connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            connection.execute(f"PRAGMA user_version = {todo[-1].version}")
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise
    return [step.version for step in todo]


def read_schema(connection: sqlite3.Connection) -> list[tuple[str, str, str, str | None]]:
    """All tables, indices and triggers of a file with their SQL, in a fixed order."""
    return connection.execute("SELECT type, name, tbl_name, sql FROM sqlite_master ORDER BY type, name").fetchall()


def expected_schema() -> list[tuple[str, str, str, str | None]]:
    """What `read_schema` gives for an undamaged ledger of the latest format."""
    connection = sqlite3.connect(":memory:", isolation_level=None)
    try:
        migrate(connection)
        return read_schema(connection)
    finally:
        connection.close()
