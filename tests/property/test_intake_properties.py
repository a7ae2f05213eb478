"""Any file at all gives a lot or a refusal that names what is wrong: no traceback, and never a number nobody typed."""

from __future__ import annotations

import datetime as dt
import tempfile
from pathlib import Path

from hypothesis import example, given, settings
from hypothesis import strategies as st

from gradeest.errors import InputError
from gradeest.materials.catalogue import load_catalogue
from gradeest.records.intake import read_lot
from gradeest.records.replay_files import read_replay

CATALOGUE = load_catalogue()
TODAY = dt.date(2025, 6, 30)
TOML = b'name = "attic"\ndate = 2025-03-09\nprice_paid = "75"\n[[fraction]]\nkind = "pins-mixed"\nmass = "2 kg"\n'
CSV = b'lot,kind,mass,pieces,note\nattic,pins-mixed,2 kg,7,"a, b"\nattic,unsorted,2 kg,,\n'
WORDS = [
    "[[fraction]]",
    "mass = ",
    '"2 kg"',
    "kind",
    "=",
    '"',
    "'",
    '"""',
    ",",
    ";",
    "\n",
    "[",
    "]",
    "{",
    "}",
    "-",
    "1,5",
]
WORDS += ["wet = true", "nan", "1979-05-27", "#", "\\u0000", "é", "\x00", "pieces = 0x7", "mass_kg", "fraction.x = 1"]


def attempt(data: bytes, name: str, read):
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        path.write_bytes(data)
        try:
            return read(path)
        except InputError as err:
            refusal = err
    assert refusal.issues or refusal.hint
    lines = data.count(b"\n") + data.count(b"\r") + 1
    assert all(str(issue) and (issue.line is None or 1 <= issue.line <= lines) for issue in refusal.issues)
    return None


def read(path):
    return read_lot(path, CATALOGUE, today=TODAY)[0]


@st.composite
def mangled(draw, good: bytes):
    """A good file with pieces cut out, put in and changed."""
    data = good
    for _ in range(draw(st.integers(1, 4))):
        a, b = sorted(draw(st.tuples(st.integers(0, len(data)), st.integers(0, len(data)))))
        b = min(b, a + 12)
        data = data[:a] + draw(st.one_of(st.sampled_from(WORDS).map(str.encode), st.binary(max_size=4))) + data[b:]
    return data


@settings(max_examples=400, deadline=None)
@given(mangled(TOML))
@example(b"fraction = [1]")
@example(b"[fraction]\nkind = 1")
@example(b"[[fraction]]\n[[fraction]]")
@example(b"[[fraction]]\nkind = {a = 1}\nmass = []")
@example(b'fraction = [{kind = "pins-mixed", mass = "1 kg"}]')
@example(b"name = 1\ndate = 07:32:00\nnote = 1979-05-27T07:32:00Z")
def test_mangled_toml(data):
    lot = attempt(data, "lot.toml", read)
    for fraction in lot.fractions if lot else ():
        assert repr(fraction.name)
        assert fraction.kind in CATALOGUE.kinds


@settings(max_examples=400, deadline=None)
@given(mangled(CSV))
def test_mangled_csv(data):
    lot = attempt(data, "lot.csv", read)
    for fraction in lot.fractions if lot else ():
        assert fraction.kind in CATALOGUE.kinds


@settings(max_examples=100, deadline=None)
@given(st.binary(max_size=200))
def test_any_bytes(data):
    for name in ("lot.csv", "lot.toml"):
        attempt(data, name, read)
    attempt(data, "past.toml", read_replay)


@settings(max_examples=200, deadline=None)
@given(mangled(b'[[event]]\ndo = "batch"\ndate = 2024-03-02\nname = "B1"\nroute = "x"\ncharges = { "a/b" = "6 g" }\n'))
def test_mangled_replay(data):
    attempt(data, "past.toml", read_replay)


@settings(max_examples=200, deadline=None)
@given(st.lists(st.tuples(st.sampled_from(sorted(CATALOGUE.kinds)), st.integers(1, 10**7)), min_size=1, max_size=6))
def test_what_is_typed_is_what_is_kept(parts):
    """Masses typed in g come back to the digit, whichever the format."""
    head = "fraction;kind;mass;wet\n"
    rows = "".join(f"f{i};{kind};{grams} g;dry\n" for i, (kind, grams) in enumerate(parts))
    toml = "".join(
        f'[[fraction]]\nname = "f{i}"\nkind = "{kind}"\nmass = "{grams} g"\nwet = false\n'
        for i, (kind, grams) in enumerate(parts)
    )
    from_csv = attempt((head + rows).encode(), "lot.csv", read)
    from_toml = attempt(toml.encode(), "lot.toml", read)
    assert from_csv == from_toml
    assert [(f.kind, round(f.mass_kg * 1000)) for f in from_csv.fractions] == parts
