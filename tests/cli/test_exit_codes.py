"""0 success, 2 usage, 3 input, 4 ledger: a mistake is explained, nothing is saved, no traceback is shown."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from gradeest.cli import main as entry
from gradeest.errors import InferenceError, PlanInfeasible
from tests.cli.conftest import LOT, Ran, Run

PRODUCT = ("record", "product", "B1", "--metal", "Au", "--form", "gold-powder", "--readability", "0.01 g", "--later")

PLATED = ("record", "plating", "shed/strips", "--metal", "Au", "--area", "120 cm2", "--mass", "100 g")
ASSAYED = ("record", "assay", "shed/strips", "--metal", "Au", "--u", "5 %")


def count_events(run: Run) -> int:
    return len(run("history", "--json").json["events"])


def check_refused(run: Run, events: int, done: Ran, code: int = 3) -> None:
    """The call failed with words and a hint, and the ledger is as it was."""
    assert done.code == code, done.err
    assert done.out == ""
    assert "Traceback" not in done.err
    assert done.err.startswith(("gradeest:", "Usage:"))
    if not done.err.startswith("Usage:"):  # those lines are the parser's own
        assert max(map(len, done.err.splitlines())) <= 80
    assert count_events(run) == events


@pytest.mark.parametrize(
    ("words", "code"),
    [
        (("nonsense",), 2),
        (("forecast", "--no-such-option"), 2),
        (("undo", "zero"), 2),
        (("lot", "add"), 2),
        (("batch", "add"), 2),
        (("record", "product"), 2),
        (("record", "none", "B1"), 2),
        (("record", "assay", "shed/strips", "--metal", "Au"), 2),
        (("bench", "set"), 2),
        (("amend", "1"), 2),
        (("lot", "add", "missing.toml"), 3),
        (("lot", "show", "shde"), 3),
        (("forecast", "shde"), 3),
        (("batch", "show", "B7"), 3),
        (("batch", "close", "B7"), 3),
        (("batch", "add", "--charge", "shed/strips=5"), 3),
        (("batch", "add", "--charge", "shed/strips=-5 g"), 3),
        (("batch", "add", "--charge", "shed/strips=1.3 kg"), 3),  # 1.2 kg is there
        (("batch", "add", "--charge", "strips"), 3),
        (("batch", "add", "--charge", "shed/tilt"), 3),  # mercury
        (("batch", "add", "--charge", "shed/strips", "--route", "chips-burn"), 3),
        (("record", "product", "B7", "--metal", "Au", "--form", "gold-powder", "--weight", "1 g", "--readability",
          "0.01 g"), 3),
        (("record", "assay", "shed/strip", "--metal", "Au", "--value", "310 g/t", "--u", "5 %"), 3),
        (("record", "assay", "shed/strips", "--metal", "Au", "--value", "310", "--u", "500"), 3),
        (("bench", "set", "fit-equipmnt", "yes"), 3),
        (("undo", "99"), 3),
        (("amend", "99", "note=x"), 3),
        (("amend", "1", "name=x"), 3),
        (("amend", "1", "strips.mass=0.5"), 3),
        (("priors", "show", "fingers-memry"), 3),
        (("priors", "check", "no-such-folder"), 3),
        (("lot", "list", "--priors", "no-such-folder"), 3),
        (("rank",), 3),  # no prices
        (("rank", "--prices", "missing.toml"), 3),
        (("history", "--date", "2024-01-01"), 2),
        (("batch", "add", "--charge", "shed/strips", "--date", "tomorrow"), 3),
        (("batch", "add", "--charge", "shed/strips", "--date", "2999-01-01"), 3),
    ],
)  # fmt: skip
def test_a_mistake_is_explained_and_nothing_is_saved(bench: Run, words: tuple[str, ...], code: int) -> None:
    check_refused(bench, 1, bench(*words), code)


def test_all_problems_of_a_lot_file_come_at_once(run: Run, tmp_path: Path) -> None:
    text = LOT.replace('"1.2 kg"', '"1.2"').replace('"chips-to-2008"', '"chips-to-2007"').replace('"150 g"', '"-1 g"')
    (tmp_path / "bad.toml").write_text(text, encoding="utf-8")
    done = run("lot", "add", "bad.toml")
    assert done.code == 3
    for line in (9, 13, 19):
        assert f"bad.toml, line {line}" in done.err
    assert "chips-to-2008" in done.err
    assert not (tmp_path / "gradeest.ledger").exists(), "a refused first lot must not leave a ledger behind"


def test_all_wrong_values_of_a_command_come_at_once(bench: Run) -> None:
    done = bench(
        "record",
        "product",
        "B1",
        "--metal",
        "Xx",
        "--form",
        "?",
        "--weight",
        "1 oz",
        "--readability",
        "0.01",
        "--date",
        "9.3.2024",
    )
    check_refused(bench, 1, done)
    for option in ("--metal", "--form", "--weight", "--readability", "--date"):
        assert option in done.err


@pytest.mark.parametrize(("typed", "code"), [("7,5", 0), ("1 200,50", 0), ("1,200", 2), ("abc", 2)])
def test_amounts_may_have_a_decimal_comma(bench: Run, tmp_path: Path, typed: str, code: int) -> None:
    (tmp_path / "prices.toml").write_text(
        'currency = "EUR"\n[metals]\nAu = "80 / g"\nAg = 0\nPd = 0\n', encoding="utf-8"
    )
    done = bench("plan", "--hours", typed, "--cash", typed, "--json")
    assert done.code == code
    if code:
        assert "'--hours'" in done.err
        assert "type" in done.err
    else:
        assert {use["most"] for use in done.json["uses"]} == {float(typed.replace(" ", "").replace(",", "."))}


def test_wrong_charges_and_a_wrong_day_come_at_once(bench: Run) -> None:
    done = bench("batch", "add", "--charge", "strips=1 kg", "--charge", "shed/strips=3", "--date", "1.7.2024")
    check_refused(bench, 1, done)
    for field in ("--charge strips=1 kg", "--charge shed/strips=3", "--date"):
        assert f"- {field}: " in done.err


def test_everything_missing_is_named_at_once(bench: Run) -> None:
    done = bench("record", "product", "B1", "--metal", "Au")
    assert done.code == 2
    assert "missing --form, --weight, --readability" in done.err


def test_a_closed_batch_takes_no_more(bench: Run) -> None:
    assert bench("batch", "add", "--charge", "shed/strips=500 g").code == 0
    assert bench(*PRODUCT, "--weight", "1.25 g", "--close").code == 0
    assert count_events(bench) == 4
    check_refused(bench, 4, bench(*PRODUCT, "--weight", "0.2 g"))


def test_a_refused_closing_takes_the_weight_back_with_it(bench: Run) -> None:
    """`--close` and the weight are saved together or not at all."""
    assert bench("batch", "add", "--charge", "shed/caps=100 g", "--date", "2024-02-01").code == 0
    none = ("record", "none", "B1", "--metal", "Pd", "--below", "0.02 g", "--liquid", "kept", "--later")
    check_refused(bench, 2, bench(*none, "--close"))
    assert bench(*none).code == 0


def test_what_cannot_be_is_refused_and_what_is_hardly_credible_asked_back(bench: Run) -> None:
    assert bench("batch", "add", "--charge", "shed/caps=100 g").code == 0
    palladium = ("record", "product", "B1", "--metal", "Pd", "--form", "palladium-black", "--readability", "0.01 g")
    # more metal than charge
    check_refused(bench, 2, bench(*palladium, "--later", "--weight", "101 g"))
    check_refused(bench, 2, bench(*palladium, "--later", "--weight", "101 g", "--sure"))
    # more than such capacitors can hold (6 %), less than the charge
    done = bench(*palladium, "--later", "--weight", "9 g")
    check_refused(bench, 2, done)
    assert "--sure" in done.err
    assert bench(*palladium, "--later", "--weight", "9 g", "--sure").code == 0
    assert "kept as sure" in " ".join(bench("batch", "show", "B1").out.split())


def test_undo_names_what_rests_on_an_event(bench: Run) -> None:
    assert bench("batch", "add", "--charge", "shed/strips=500 g").code == 0
    done = bench("undo", "1")
    check_refused(bench, 2, done)
    assert "2 (batch B1)" in done.err
    assert bench("undo", "2").code == 0
    assert bench("undo", "1").code == 0
    assert bench("lot", "list", "--json").json["lots"] == []


@pytest.mark.parametrize("command", [("lot", "list"), ("history",), ("forecast",), ("bench", "show")])
def test_no_ledger_is_4(run: Run, command: tuple[str, ...], tmp_path: Path) -> None:
    done = run(*command)
    assert done.code == 4
    assert "lot add" in done.err
    assert list(tmp_path.iterdir()) == []


def test_a_foreign_file_is_4_and_is_left_alone(bench: Run, tmp_path: Path) -> None:
    for name, content in (("text.ledger", b"not a ledger\n" * 30), ("short.ledger", b"x")):
        (tmp_path / name).write_bytes(content)
        assert bench("--ledger", name, "lot", "list").code == 4
        assert bench("lot", "add", "shed.toml", "--ledger", name).code == 4
        assert (tmp_path / name).read_bytes() == content
    with sqlite3.connect(tmp_path / "other.db") as db:
        db.execute("CREATE TABLE t (x)")
    db.close()
    assert bench("lot", "add", "shed.toml", "--ledger=other.db").code == 4


def test_a_flipped_bit_is_4(bench: Run, tmp_path: Path) -> None:
    ledger = tmp_path / "gradeest.ledger"
    content = bytearray(ledger.read_bytes())
    content[content.index(b"fingers-memory")] ^= 1
    ledger.write_bytes(bytes(content))
    done = bench("lot", "list")
    assert done.code == 4
    assert "damaged" in done.err


@pytest.mark.parametrize(("error", "code"), [(InferenceError("not settled", "try"), 5), (PlanInfeasible("none"), 6)])
def test_other_errors_have_their_own_code(
    run: Run, monkeypatch: pytest.MonkeyPatch, error: Exception, code: int
) -> None:
    def fail(*_: object, **__: object) -> None:
        raise error

    monkeypatch.setattr(entry, "app", fail)
    assert run("forecast").code == code


def test_a_bug_is_1_in_two_lines_without_a_traceback(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object, **__: object) -> None:
        raise ZeroDivisionError("division by zero")

    monkeypatch.setattr(entry, "app", fail)
    monkeypatch.delenv("GRADEEST_DEBUG", raising=False)
    done = run("forecast")
    assert done.code == 1
    assert "Traceback" not in done.err
    monkeypatch.setenv("GRADEEST_DEBUG", "1")
    assert "Traceback" in run("forecast").err


def test_global_options_may_stand_anywhere(bench: Run) -> None:
    for words in (
        ("--ledger", "gradeest.ledger", "lot", "list"),
        ("lot", "--ledger", "gradeest.ledger", "list"),
        ("lot", "list", "--ledger=gradeest.ledger"),
    ):
        assert bench(*words).code == 0
    assert bench("lot", "list", "--ledger").code == 2


def test_the_environment_names_the_ledger(bench: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("GRADEEST_LEDGER", "elsewhere.ledger")
    assert bench("lot", "list").code == 4
    assert bench("lot", "list", "--ledger", "gradeest.ledger").code == 0


BALANCE_MISTAKES = [
    (("batch", "set-aside", "B1", "more=600 g"), "0.68 kg would have come out of B1, 0.6 kg went in"),
    (("batch", "add", "--charge", "B1/oversize", "--route", "ash-leach"), "B1/oversize went into B2 already"),
    (("record", "spot-test", "B1", "negative", "--metal", "Au"), "missing --volume"),
    (("record", "spot-test", "B1", "negative", "--metal", "Au", "--volume", "-3"), "'-3' is below 0"),
    ((*PLATED, "--thickness", "0.001 um"), "record plating: 1 problem"),
    ((*PLATED, "--thickness", "60 um"), "micro-inches? 60 uin are 1.52 um"),
    ((*PLATED, "--thickness", "30 um"), "record plating: hardly credible"),
    ((*ASSAYED, "--value", "1200 g/t", "--method", "xrf"), "of plated ones a thickness comes out, not a grade"),
    ((*ASSAYED, "--value", "120 %"), "is more metal than feed"),
    (("record", "product-assay", "B1/au-1", "--metal", "Au", "--value", "101 %"), "is out of range"),
    ((*PRODUCT, "--weight", "1 g damp"), "--damp says it of a weight"),
    (("record", "waste", "B1", "-6 L", "--what", "liquor", "--went", "stored"), "'−6 L' is not above 0"),
    (("record", "cost", "B1", "-42.5"), "'−42.5' is below 0"),
]


def test_what_cannot_be_in_a_metal_balance_is_said_plainly_and_not_saved(bench: Run) -> None:
    """Taken twice, more than went in, no volume, no plate, a skin taken for a grade, over 100 %, below zero."""
    day = ("--date", "2024-02-01", "--later")
    assert bench("batch", "add", "--charge", "shed/strips=600 g", *day).code == 0
    assert bench("batch", "set-aside", "B1", "oversize=80 g", *day).code == 0
    assert bench("batch", "add", "--charge", "B1/oversize", "--route", "ash-leach", *day).code == 0
    events = count_events(bench)
    for words, said in BALANCE_MISTAKES:
        done = bench(*words, *(("--date", "2024-02-02") if words[1] != "spot-test" else ()))
        check_refused(bench, events, done, 2 if "missing" in said else 3)
        assert said in " ".join(done.err.split()), (words, done.err)
