"""The ledger: numbered events, one chain, everything or nothing."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import math
import sqlite3
from pathlib import Path

import pytest

from gradeest.errors import LedgerError
from gradeest.records import migrations
from gradeest.records.ledger import Ledger
from gradeest.records.migrations import MIGRATIONS, Migration, expected_schema, migrate, read_schema

DAY = dt.date(2025, 3, 1)
NOW = dt.datetime(2025, 6, 30, 12, 30, tzinfo=dt.UTC)


@pytest.fixture
def path(tmp_path):
    return tmp_path / "bench.ledger"


@pytest.fixture
def ledger(path):
    with Ledger.open(path, create=True) as ledger:
        yield ledger


def add(ledger, number=1, uuid=None, kind="note"):
    return ledger.append(kind, {"text": f"entry {number}"}, happened_on=DAY, recorded_at=NOW, uuid=uuid)


def fail_after(ledger, *numbers):
    with ledger.atomic():
        for number in numbers:
            add(ledger, number)
            assert ledger.events()[-1].payload["text"] == f"entry {number}"
        _ = 1 / 0


def test_what_is_appended_is_read_back(ledger, path):
    first = ledger.append("lot", {"name": "ä", "mass_kg": 0.1, "n": None}, happened_on=DAY, recorded_at=NOW)
    second = add(ledger)
    assert (first.number, second.number) == (1, 2)
    assert ledger.events() == [first, second]
    with Ledger.open(path, create=False) as again:
        assert again.events() == [first, second]
        assert again.head == second.hash == again.bench_head
        assert again.verify() == 2


def test_the_chain_is_sha256_over_the_row_before_and_the_row(ledger):
    """Recomputed here from the documented form, without the code under test."""
    add(ledger, 1, "u1")
    add(ledger, 2, "u2")
    previous = ""
    for number in (1, 2):
        row = [previous, number, f"u{number}", "note", "2025-03-01", "2025-06-30T12:30:00+00:00"]
        row.append(f'{{"text":"entry {number}"}}')
        previous = hashlib.sha256(json.dumps(row, separators=(",", ":")).encode()).hexdigest()
    assert ledger.head == previous


def test_an_empty_ledger_has_no_head(ledger):
    assert ledger.head == ""
    assert ledger.events() == []
    assert ledger.verify() == 0


def test_the_same_uuid_changes_nothing(ledger):
    first = add(ledger, 1, "u1")
    head = ledger.head
    later = ledger.append(
        "note", {"text": "entry 1"}, happened_on=DAY, recorded_at=NOW + dt.timedelta(hours=1), uuid="u1"
    )
    assert later == first
    assert ledger.head == head
    with pytest.raises(LedgerError, match="other contents"):
        add(ledger, 2, "u1")
    assert len(ledger.events()) == 1


def test_atomic_saves_all_or_nothing(ledger):
    with pytest.raises(ZeroDivisionError):
        fail_after(ledger, 1, 2)
    assert ledger.events() == []
    with ledger.atomic():
        add(ledger, 1)
        add(ledger, 2)
    assert len(ledger.events()) == 2


def test_a_part_that_fails_inside_atomic_takes_only_itself_back(ledger):
    with ledger.atomic():
        add(ledger, 1)
        with pytest.raises(LedgerError, match="other contents"):
            add(ledger, 2, ledger.events()[0].uuid)
        with pytest.raises(ZeroDivisionError):
            fail_after(ledger, 3)
    assert [event.payload["text"] for event in ledger.events()] == ["entry 1"]
    assert ledger.verify() == 1


def test_what_is_no_json_is_not_half_saved(ledger):
    for bad in ({"x": math.nan}, {"x": math.inf}, {"x": object()}):
        with pytest.raises((ValueError, TypeError)):
            ledger.append("note", bad, happened_on=DAY, recorded_at=NOW)
    assert ledger.events() == []


def test_bytes_that_were_no_text_do_not_break_the_ledger(ledger):
    ledger.append("note", {"text": "\udcff"}, happened_on=DAY, recorded_at=NOW)
    assert ledger.verify() == 1


def test_what_was_shown_never_changes_the_head(ledger):
    add(ledger)
    head = ledger.head
    shown = ledger.keep_shown("forecast", {"catalogue": "abc", "prices": None}, recorded_at=NOW)
    assert ledger.head == head == shown.bench_head
    ledger.keep_shown("ranking", {"catalogue": "abc"}, recorded_at=NOW)
    assert [one.what for one in ledger.shown()] == ["forecast", "ranking"]
    assert [one.number for one in ledger.shown("ranking")] == [2]


def test_the_same_thing_shown_again_is_kept_once_until_the_bench_changes(ledger):
    first = ledger.keep_shown("forecast", {"x": 1}, recorded_at=NOW)
    assert ledger.keep_shown("forecast", {"x": 1}, recorded_at=NOW + dt.timedelta(hours=1)) == first
    add(ledger)
    assert ledger.keep_shown("forecast", {"x": 1}, recorded_at=NOW).number == 2


def test_rows_cannot_be_changed_or_deleted(ledger, path):
    add(ledger)
    ledger.keep_shown("forecast", {"x": 1}, recorded_at=NOW)
    other = sqlite3.connect(path)
    for sql in (
        "UPDATE event SET payload = '{}'",
        "DELETE FROM event",
        "UPDATE shown SET what = ''",
        "DELETE FROM shown",
    ):
        with pytest.raises(sqlite3.IntegrityError, match="append-only"):
            other.execute(sql)
    other.close()


def test_the_file_is_made_durable(ledger):
    assert ledger._db.execute("PRAGMA synchronous").fetchone() == (3,)  # EXTRA
    assert ledger._db.execute("PRAGMA journal_mode").fetchone() == ("delete",)


def test_no_ledger_is_made_unless_asked(path):
    with pytest.raises(LedgerError, match="no ledger"):
        Ledger.open(path, create=False)
    assert not path.exists()


def test_an_older_format_is_brought_up_in_one_step(ledger, path, monkeypatch):
    add(ledger)
    ledger.close()
    more = Migration(2, "a test", ("CREATE TABLE more (x INTEGER) STRICT",))
    monkeypatch.setattr(migrations, "MIGRATIONS", (*MIGRATIONS, more))
    monkeypatch.setattr(migrations, "LATEST", 2)
    with Ledger.open(path, create=False) as newer:
        assert newer.verify() == 1
        assert ("table", "more", "more", more.statements[0]) in read_schema(newer._db)
    broken = Migration(3, "a broken test", ("CREATE TABLE even_more (x INTEGER) STRICT", "NONSENSE"))
    monkeypatch.setattr(migrations, "MIGRATIONS", (*MIGRATIONS, more, broken))
    monkeypatch.setattr(migrations, "LATEST", 3)
    before = path.read_bytes()
    with pytest.raises(LedgerError):
        Ledger.open(path, create=False)
    assert path.read_bytes() == before


def test_migrations_count_from_one_and_are_recorded():
    assert [step.version for step in MIGRATIONS] == list(range(1, len(MIGRATIONS) + 1))
    connection = sqlite3.connect(":memory:", isolation_level=None)
    assert migrate(connection) == [step.version for step in MIGRATIONS]
    assert migrate(connection) == []
    assert read_schema(connection) == expected_schema()
    rows = connection.execute("SELECT version, digest FROM migration").fetchall()
    assert rows == [(step.version, step.digest) for step in MIGRATIONS]
    connection.close()


def test_published_formats_are_never_edited():
    """The digest of format 1 as published; a change belongs into a new step."""
    assert MIGRATIONS[0].digest == FORMAT_1


FORMAT_1 = "35bded7a1098c816739022e94260a1a8c3f0fd561e6255ec7e2d82d1e6f589d4"


def test_paths_with_odd_characters(tmp_path):
    for name in ("a b?.ledger", "ä#%20.ledger", "x&mode=ro.ledger"):
        with Ledger.open(tmp_path / name, create=True) as ledger:
            add(ledger)
        assert (tmp_path / name).exists()
        with Ledger.open(Path(str(tmp_path / name)), create=False) as ledger:
            assert len(ledger.events()) == 1
