"""What goes wrong around a ledger: killed, locked, read-only, full, damaged, foreign, too new. Nothing half saved."""

from __future__ import annotations

import datetime as dt
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pytest

from gradeest.errors import LedgerError
from gradeest.records.ledger import Ledger
from gradeest.records.migrations import LATEST

resource = pytest.importorskip("resource", reason="these tests kill, fork and limit processes the POSIX way")

# the forked children only touch the ledger and end at once; 3.12 warns where a numerical library keeps threads
pytestmark = pytest.mark.filterwarnings("ignore:This process.*fork:DeprecationWarning")

DAY = dt.date(2025, 3, 1)
NOW = dt.datetime(2025, 6, 30, 12, 30, tzinfo=dt.UTC)
FROZEN = Path(__file__).parent / "data" / "format_1.sqlite"

CHILD = """
import datetime as dt, sys, time
from pathlib import Path
from gradeest.records.ledger import Ledger
DAY, NOW = dt.date(2025, 3, 1), dt.datetime(2025, 6, 30, tzinfo=dt.timezone.utc)
def add(ledger, text):
    return ledger.append("note", {"text": text}, happened_on=DAY, recorded_at=NOW)
path = Path(sys.argv[1])
"""


def start(code: str, path: Path) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", CHILD + code, str(path)], stdout=subprocess.PIPE, text=True, bufsize=1
    )


def add(ledger: Ledger, text: str = "x"):
    return ledger.append("note", {"text": text}, happened_on=DAY, recorded_at=NOW)


@pytest.fixture
def path(tmp_path):
    path = tmp_path / "bench.ledger"
    with Ledger.open(path, create=True) as ledger, ledger.atomic():
        for number in range(30):
            add(ledger, f"entry {number}")
        ledger.keep_shown("forecast", {"gold_g": [1.0, 2.0, 4.0]}, recorded_at=NOW)
    return path


# -- killed ------------------------------------------------------------------------------------------------------------


def test_killed_while_writing_keeps_every_confirmed_entry_and_whole_groups(tmp_path):
    """Groups of three entries; whatever the moment, no group is there in part and none that was confirmed is lost."""
    path = tmp_path / "bench.ledger"
    random_delay = random.Random(1)
    confirmed = 0
    for _ in range(8):
        child = start(
            """
with Ledger.open(path, create=True) as ledger:
    for group in range(100000):
        with ledger.atomic():
            for part in range(3):
                add(ledger, f"{group}.{part}")
        print("saved", flush=True)
""",
            path,
        )
        assert child.stdout is not None
        assert child.stdout.readline() == "saved\n"
        time.sleep(random_delay.uniform(0, 0.05))
        child.send_signal(signal.SIGKILL)
        confirmed += 1 + child.stdout.read().count("saved\n")
        child.wait()
        child.stdout.close()
        with Ledger.open(path, create=False) as ledger:
            texts = [event.payload["text"] for event in ledger.events()]
        assert len(texts) % 3 == 0
        assert confirmed <= len(texts) // 3 <= confirmed + 1
        confirmed = len(texts) // 3


def test_killed_inside_a_transaction_leaves_nothing_of_it(path):
    child = start(
        """
with Ledger.open(path, create=False) as ledger:
    with ledger.atomic():
        ledger._db.execute("PRAGMA cache_size = 1")
        for n in range(300):
            add(ledger, "half" * 500)
        print("inside", flush=True)
        time.sleep(60)
""",
        path,
    )
    assert child.stdout is not None
    assert child.stdout.readline() == "inside\n"
    child.send_signal(signal.SIGKILL)
    child.wait()
    child.stdout.close()
    assert Path(f"{path}-journal").exists()  # it was in the middle
    with Ledger.open(path, create=False) as ledger:
        assert len(ledger.events()) == 30


def test_killed_while_being_made_leaves_nothing_that_stands_in_the_way(tmp_path):
    path = tmp_path / "bench.ledger"
    path.touch()  # what SQLite leaves of a file whose making was cut off
    with pytest.raises(LedgerError, match="is empty"):
        Ledger.open(path, create=False)
    with Ledger.open(path, create=True) as ledger:
        add(ledger)
        assert ledger.verify() == 1


# -- locked ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("how", "can_read"), [("IMMEDIATE", True), ("EXCLUSIVE", False)])
def test_locked_by_a_second_process(path, how, can_read):
    child = start(
        f"""
import sqlite3
db = sqlite3.connect(path, isolation_level=None)
db.execute("BEGIN {how}")
print("locked", flush=True)
time.sleep(60)
""",
        path,
    )
    assert child.stdout is not None
    assert child.stdout.readline() == "locked\n"
    try:
        if can_read:
            with Ledger.open(path, create=False, wait_s=0.1) as ledger:
                assert len(ledger.events()) == 30
                with pytest.raises(LedgerError, match="locked: another program"):
                    add(ledger)
        else:
            with pytest.raises(LedgerError, match="locked: another program"):
                Ledger.open(path, create=False, wait_s=0.1)
    finally:
        child.kill()
        child.wait()
        child.stdout.close()
    with Ledger.open(path, create=False) as ledger:
        assert len(ledger.events()) == 30
        add(ledger)
        assert ledger.verify() == 31


def test_a_reader_in_the_way_of_the_commit_means_nothing_saved(path):
    reader = sqlite3.connect(path, isolation_level=None)
    reader.execute("BEGIN")
    reader.execute("SELECT count(*) FROM event").fetchall()
    with Ledger.open(path, create=False, wait_s=0.1) as ledger:
        with pytest.raises(LedgerError, match="locked"):
            add(ledger)
        reader.execute("ROLLBACK")
        reader.close()
        assert len(ledger.events()) == 30
        add(ledger)
        assert ledger.verify() == 31


def test_two_processes_write_at_once_and_nothing_is_lost(tmp_path):
    path = tmp_path / "bench.ledger"
    Ledger.open(path, create=True).close()
    code = """
with Ledger.open(path, create=False, wait_s=30) as ledger:
    for n in range(20):
        with ledger.atomic():
            add(ledger, str(len(ledger.events())))
"""
    children = [start(code, path) for _ in range(2)]
    for child in children:
        assert child.wait() == 0
        assert child.stdout is not None
        child.stdout.close()
    with Ledger.open(path, create=False) as ledger:
        # each read the length and appended in one step: no length was seen twice
        assert [event.payload["text"] for event in ledger.events()] == [str(n) for n in range(40)]


# -- read-only, full ---------------------------------------------------------------------------------------------------


def as_a_plain_user(action) -> str:
    """What `action` says in a child process without the rights of root."""
    read_end, write_end = os.pipe()
    child = os.fork()
    if child == 0:  # pragma: no cover
        said = "child failed"
        try:
            if os.geteuid() == 0:
                os.setgid(65534)
                os.setuid(65534)
            said = action()
        except BaseException as err:
            said = f"{type(err).__name__}: {err}"
        finally:
            os.write(write_end, said.encode()[:4000])
            os._exit(0)
    os.close(write_end)
    with os.fdopen(read_end) as pipe:
        said = pipe.read()
    os.waitpid(child, 0)
    return said


@pytest.fixture
def public_folder():
    """A folder that another user may enter; pytest's own are closed."""
    folder = Path(tempfile.mkdtemp())
    folder.chmod(0o755)
    yield folder
    folder.chmod(0o755)
    shutil.rmtree(folder)


@pytest.mark.parametrize(("file_mode", "folder_mode"), [(0o444, 0o777), (0o444, 0o555), (0o666, 0o555)])
def test_a_read_only_ledger_is_read_and_not_written(path, public_folder, file_mode, folder_mode):
    copy = public_folder / "bench.ledger"
    shutil.copy(path, copy)
    copy.chmod(file_mode)
    public_folder.chmod(folder_mode)
    before = copy.read_bytes()

    def read_and_try() -> str:
        with Ledger.open(copy, create=False) as ledger:
            count = len(ledger.events())
            try:
                add(ledger)
            except LedgerError as err:
                return f"{count} read; {err.message}"
        return "written"

    said = as_a_plain_user(read_and_try)
    assert said.startswith("30 read; ")
    assert "read-only" in said or "cannot be opened" in said
    assert copy.read_bytes() == before


def test_a_folder_that_may_not_be_written(public_folder):
    public_folder.chmod(0o555)
    said = as_a_plain_user(lambda: str(Ledger.open(public_folder / "new.ledger", create=True)))
    assert said.startswith("LedgerError")
    assert "cannot be opened" in said
    assert list(public_folder.iterdir()) == []


def test_a_file_that_may_not_be_read(path, public_folder):
    copy = public_folder / "bench.ledger"
    shutil.copy(path, copy)
    copy.chmod(0o000)
    said = as_a_plain_user(lambda: str(Ledger.open(copy, create=False)))
    assert said.startswith("LedgerError")
    assert "cannot be read" in said


def test_a_full_disk_saves_nothing_and_the_ledger_goes_on(path):
    with Ledger.open(path, create=False) as ledger:
        (pages,) = ledger._db.execute("PRAGMA page_count").fetchone()
        ledger._db.execute(f"PRAGMA max_page_count = {pages}")  # SQLite then answers as on a full disk
        with pytest.raises(LedgerError, match="disk is full"):
            add(ledger, "x" * 20_000)
        assert len(ledger.events()) == 30
        ledger._db.execute("PRAGMA max_page_count = 1000000")
        add(ledger, "x" * 20_000)
        assert ledger.verify() == 31


def test_a_file_that_may_not_grow_saves_nothing(path):
    """The kernel refuses to let the file grow, as a quota or a full disk does."""
    size = path.stat().st_size

    def write() -> str:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))
        with Ledger.open(path, create=False) as ledger:
            try:
                with ledger.atomic():
                    for _ in range(50):
                        add(ledger, "x" * 1000)
            except LedgerError as err:
                return f"{err.exit_code} {err.message}"
        return "written"

    read_end, write_end = os.pipe()
    child = os.fork()
    if child == 0:  # pragma: no cover
        try:
            said = write()
        except BaseException as err:
            said = f"{type(err).__name__}: {err}"
        os.write(write_end, said.encode())
        os._exit(0)
    os.close(write_end)
    with os.fdopen(read_end) as pipe:
        said = pipe.read()
    os.waitpid(child, 0)
    assert said.startswith("4 ")
    assert "nothing was saved" in said
    with Ledger.open(path, create=False) as ledger:
        assert len(ledger.events()) == 30


# -- the outcome of a commit -------------------------------------------------------------------------------------------


class FaultyCommit:
    """A connection whose COMMIT reports a fault, after it was done or before."""

    def __init__(self, db: sqlite3.Connection, *, done: bool) -> None:
        self.db, self.done = db, done

    def execute(self, sql, *args):
        if sql != "COMMIT":
            return self.db.execute(sql, *args)
        if self.done:
            self.db.execute(sql)
        raise sqlite3.OperationalError("disk I/O error")

    def __getattr__(self, name):
        return getattr(self.db, name)


def test_a_commit_that_complains_although_it_was_done_counts(path):
    with Ledger.open(path, create=False) as ledger:
        ledger._db = FaultyCommit(ledger._db, done=True)
        assert add(ledger).number == 31
    with Ledger.open(path, create=False) as ledger:
        assert ledger.verify() == 31


def test_a_commit_that_failed_saves_nothing(path):
    with Ledger.open(path, create=False) as ledger:
        ledger._db = FaultyCommit(ledger._db, done=False)
        with pytest.raises(LedgerError):
            add(ledger)
    with Ledger.open(path, create=False) as ledger:
        assert ledger.verify() == 30


def test_a_commit_whose_outcome_cannot_be_seen_says_so(path, monkeypatch):
    with Ledger.open(path, create=False) as ledger:
        ledger._db = FaultyCommit(ledger._db, done=True)

        def fail(*args, **kwargs):
            raise sqlite3.OperationalError("unable to open")

        monkeypatch.setattr("gradeest.records.ledger.open_lock_free", fail)
        with pytest.raises(LedgerError, match="not known whether") as caught:
            add(ledger)
        assert "history" in caught.value.hint


# -- damaged, foreign, too new -----------------------------------------------------------------------------------------


def test_no_flipped_bit_changes_a_value_unseen(path, tmp_path):
    """300 flips of single bits: each is refused, or all that is read is as it was.

    The twin: of those refused SQLite's own check passes many, so the hash chain is what finds them.
    """
    with Ledger.open(path, create=False) as ledger:
        before = (ledger.events(), ledger.shown())
    data = path.read_bytes()
    used = [place for place, byte in enumerate(data) if byte]  # most of a small file is empty room
    dice = random.Random(7)
    seen = unseen_by_sqlite = 0
    for count in range(300):
        copy = tmp_path / f"flip{count}.ledger"
        flipped = bytearray(data)
        place = dice.choice(used)
        flipped[place] ^= 1 << dice.randrange(8)
        copy.write_bytes(flipped)
        try:
            with Ledger.open(copy, create=False) as ledger:
                assert (ledger.events(), ledger.shown()) == before
        except LedgerError:
            seen += 1
            unseen_by_sqlite += passes_sqlite_alone(copy)
        copy.unlink()
    assert seen > 200
    assert unseen_by_sqlite > 100


def passes_sqlite_alone(path: Path) -> bool:
    db = sqlite3.connect(path)
    try:
        return db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    except (sqlite3.Error, UnicodeDecodeError):
        return False
    finally:
        db.close()


TRIGGER = "SELECT sql FROM sqlite_master WHERE type = 'trigger'"


@pytest.mark.parametrize(
    ("sql", "says"),
    [
        ("UPDATE event SET payload = replace(payload, 'entry 7', 'entry 8') WHERE number = 8", "event 8 was changed"),
        ("UPDATE event SET happened_on = '2025-03-02' WHERE number = 1", "event 1 was changed"),
        ("UPDATE shown SET content = '{}'", "kept forecast 1 was changed"),
        ("DELETE FROM event WHERE number = 12", "event 12 is missing"),
        ("DELETE FROM event WHERE number = 30", "should end with event 30, it ends with 29"),
        ("DELETE FROM event", "should end with event 30, it ends with 0"),
        ("DELETE FROM chain", "the end of the shown chain is missing"),
        ("DELETE FROM migration", "list of formats"),
        ("CREATE TABLE more (x)", "tables are not as they were made"),
        ("DROP TABLE shown", "tables are not as they were made"),
    ],
)
def test_changes_by_hand_are_seen(path, sql, says):
    db = sqlite3.connect(path, isolation_level=None)
    triggers = [row[0] for row in db.execute(TRIGGER).fetchall()]
    for trigger in triggers:
        db.execute(f"DROP TRIGGER {trigger.split()[2]}")
    db.execute(sql)
    for trigger in triggers:
        if "DROP TABLE shown" not in sql or " ON shown" not in trigger:
            db.execute(trigger)
    db.close()
    with pytest.raises(LedgerError, match=says) as caught:
        Ledger.open(path, create=False)
    assert caught.value.exit_code == 4


@pytest.mark.parametrize("share", [0.999, 0.6, 0.3, 0.02])
def test_a_truncated_ledger_is_seen(path, share):
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * share)])
    with pytest.raises(LedgerError, match="damaged"):
        Ledger.open(path, create=False)


@pytest.mark.parametrize("create", [True, False])
@pytest.mark.parametrize("what", ["text", "short", "zip", "sqlite", "wal"])
def test_a_foreign_file_is_refused_and_left_alone(tmp_path, what, create):
    path = tmp_path / "other.db"
    if what in ("sqlite", "wal"):
        db = sqlite3.connect(path)
        db.execute(f"PRAGMA journal_mode = {'WAL' if what == 'wal' else 'DELETE'}")
        db.execute("CREATE TABLE event (x)")
        db.commit()
        db.close()
    else:
        path.write_bytes({"text": b"notes\n" * 100, "short": b"x", "zip": b"PK\x03\x04" + bytes(200)}[what])
    before = path.read_bytes()
    with pytest.raises(LedgerError, match="not a gradeest ledger"):
        Ledger.open(path, create=create)
    assert path.read_bytes() == before
    assert list(tmp_path.iterdir()) == [path]


def test_a_ledger_of_a_newer_program_is_refused_and_left_alone(path):
    db = sqlite3.connect(path)
    db.execute(f"PRAGMA user_version = {LATEST + 1}")
    db.close()
    before = path.read_bytes()
    for create in (True, False):
        with pytest.raises(LedgerError, match="newer gradeest") as caught:
            Ledger.open(path, create=create)
        assert "upgrade" in caught.value.hint
    assert path.read_bytes() == before


def test_folders_and_missing_folders(tmp_path):
    with pytest.raises(LedgerError, match="is a folder"):
        Ledger.open(tmp_path, create=True)
    with pytest.raises(LedgerError, match="does not exist"):
        Ledger.open(tmp_path / "none" / "bench.ledger", create=True)
    assert list(tmp_path.iterdir()) == []


# -- stored formats ----------------------------------------------------------------------------------------------------


def test_a_ledger_of_format_1_still_opens(tmp_path):
    """A frozen file, written once when the format was published; it is never written anew."""
    path = tmp_path / "old.ledger"
    shutil.copy(FROZEN, path)
    with Ledger.open(path, create=False) as ledger:
        events = ledger.events()
        assert [event.kind for event in events] == ["lot", "batch", "product", "close"]
        assert events[2].payload["weight_g"] == 2.51
        assert ledger.head == "af43d8e096ecf8c0e419c1ba92d75b4e04399591187af3b0dc79eb228e221ebe"
        add(ledger)
        assert ledger.verify() == 5
