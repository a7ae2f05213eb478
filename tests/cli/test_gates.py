"""Gates: a person types the word asked for, or nothing is begun; a STOP has none. Also a box of contacts and relays."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path
from typing import Any

import pytest

from gradeest.cli import ask
from gradeest.cli.main import main
from gradeest.materials.catalogue import load_catalogue
from gradeest.workflow import gates

pytestmark = pytest.mark.gates
BOX = """
name = "box"
date = 2024-01-05

[[fraction]]
name = "cadmium"
kind = "contacts-agcdo"
mass = "1.9 kg"

[[fraction]]
name = "nickel"
kind = "contacts-agni"
mass = "0.4 kg"

[[fraction]]
name = "unknown"
kind = "contacts-unknown"
mass = "0.2 kg"

[[fraction]]
name = "wetted"
kind = "relays-mercury"
mass = "0.2 kg"

[[fraction]]
name = "radio"
kind = "beo-parts"
mass = "0.06 kg"
"""
PRICES = """currency = "USD"
[metals]
Au = "100 / g"
Ag = "1 / g"
Pd = "35 / g"
[buyers.refiner]
payable.Ag = 0.95
fee = 300
fee_per_g_received = 0.03215
takes_as_is = ["contacts-agcdo"]
"""  # invented round prices


class Bench:
    """The program in an empty folder, with what a person at a terminal would type."""

    def __init__(self, folder: Path, patch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
        self.folder, self.patch, self.capsys = folder, patch, capsys

    def run(self, *words: str, typed: str | None = None) -> tuple[int, str]:
        """Exit code and all that was printed; `typed`: the answer of a person (None: nobody is there)."""
        self.patch.setattr(ask, "at_terminal", lambda: typed is not None)
        self.patch.setattr(ask, "read_line", lambda _: typed)
        self.capsys.readouterr()
        code = main(list(words))
        out = self.capsys.readouterr()
        return code, " ".join((out.out + out.err).split())

    def gate(self, route: str) -> dict[str, object]:
        (found,) = self.json("gate", route)["gates"]
        return found

    def json(self, *words: str) -> Any:
        """What a command prints with --json."""
        self.capsys.readouterr()
        assert main([*words, "--json"]) == 0, words
        return json.loads(self.capsys.readouterr().out)

    def kinds(self) -> list[str]:
        """Sorts of all events."""
        return [event["kind"] for event in self.json("history")["events"]]


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Bench:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("GRADEEST_LEDGER", raising=False)
    monkeypatch.setenv("COLUMNS", "80")
    (tmp_path / "box.toml").write_text(BOX, encoding="utf-8")
    (tmp_path / "prices.toml").write_text(PRICES, encoding="utf-8")
    found = Bench(tmp_path, monkeypatch, capsys)
    assert found.run("lot", "add", "box.toml")[0] == 0
    return found


BATCH = ("batch", "add", "--charge", "box/nickel=0.1 kg", "--later")


def test_a_batch_begun_today_meets_the_gate_of_its_route(bench: Bench) -> None:
    code, out = bench.run(*BATCH)
    assert code == 3
    assert "gradeest gate silver-nitric" in out
    code, out = bench.run(*BATCH, typed="yes")
    assert code == 3
    assert "is not the word asked for" in out
    assert bench.kinds() == ["lot"]  # nothing half saved
    word = str(bench.gate("silver-nitric")["word"])
    code, out = bench.run(*BATCH, typed=f" {word.upper()} ")
    assert code == 0
    assert "nitrogen dioxide" in out.lower()
    assert bench.kinds() == ["lot", "gate", "batch"]
    assert bench.run(*BATCH)[0] == 0  # open now, also for a script
    assert "gate of silver-nitric" in bench.run("history")[1]
    bench.run("undo", "2")
    assert bench.run(*BATCH)[0] == 3  # taken back, it is closed again


def test_what_was_run_on_an_earlier_day_is_recorded_as_it_was_with_its_cautions(bench: Bench) -> None:
    code, out = bench.run(*BATCH, "--date", "2024-02-01")
    assert code == 0
    assert "recorded as it was run; for the next: the gate of silver-nitric is closed: never passed" in out
    assert "! Nitrogen dioxide warns little" in out
    assert bench.kinds() == ["lot", "batch"]
    assert bench.run(*BATCH)[0] == 3  # and the next of today meets it


def test_a_correction_makes_no_batch_of_today_past_a_closed_gate(bench: Bench) -> None:
    bench.run(*BATCH, "--date", "2024-02-01")
    today = dt.date.today().isoformat()
    code, out = bench.run("amend", "2", f"date={today}")
    assert (code, "gradeest gate silver-nitric" in out) == (3, True)
    assert bench.run("amend", "2", "date=2024-02-02", "note=late")[0] == 0
    bench.run("gate", "silver-nitric", typed=str(bench.gate("silver-nitric")["word"]))
    assert bench.run("amend", "2", f"date={today}")[0] == 0
    code, out = bench.run("amend", "2", "route=melt-contacts")
    assert (code, "gradeest gate melt-contacts" in out) == (3, True)
    code, out = bench.run("amend", "2", "route=smelt-lead")
    assert (code, "STOP" in out) == (3, True)
    assert bench.kinds() == ["lot", "batch", "amend", "gate", "amend"]


def test_a_row_of_a_sheet_is_no_way_past_a_closed_gate(bench: Bench, tmp_path: Path) -> None:
    row = "batch;{};run 1;box/nickel=100 g;silver-nitric"
    for day, code in ((dt.date.today(), 3), (dt.date(2024, 2, 1), 0)):
        text = "what;date;batch;charges;route\n" + row.format(day) + "\n"
        (tmp_path / "notes.csv").write_text(text, encoding="utf-8")
        found, out = bench.run("import", "sheet", "notes.csv")
        assert found == code, out
        assert "the gate of silver-nitric is closed" in out
        assert "gradeest gate silver-nitric" in out
    assert bench.kinds() == ["lot", "batch"]


def test_the_ranking_marks_closed_gates_and_missing_licences_on_the_row_and_the_plan_names_them(bench: Bench) -> None:
    (bench.folder / "prices.toml").write_text(PRICES.replace('Ag = "1 /', 'Ag = "20 /'), encoding="utf-8")
    shown = bench.json("rank")
    assert shown["marks"]["box/nickel"] == "!LG"
    assert "G its gate is closed" in shown["marks_explained"]
    assert shown["marks"]["box/wetted"] == "STOP"
    assert "nickel !LG" in bench.run("rank")[1]
    plan = bench.json("plan")
    runs = {step["route"] for step in plan["steps"] if step["action"] == "process"}
    assert runs
    assert set(plan["gates_closed"]) == runs
    assert "not yet those of: silver-nitric" in bench.run("plan")[1]
    bench.run("gate", "silver-nitric", typed=str(bench.gate("silver-nitric")["word"]))
    assert bench.json("rank")["marks"]["box/nickel"] == "!L"
    assert bench.json("plan")["gates_closed"] == []
    bench.run("bench", "set", "licence", "no")
    shown = bench.json("rank")
    assert shown["marks"]["box/nickel"] == "!LN"
    assert "no licence" in shown["marks_explained"]


OFFER = """
name = "crate"

[[fraction]]
name = "nickel"
kind = "contacts-agni"
mass = "3 kg"

[[boards]]
name = "cards"
kind = "boards-cards"
mass = "6 kg"
"""
DEAR = 'currency = "USD"\n[metals]\nAu = "300 / g"\nAg = "20 / g"\nPd = "35 / g"\n'  # so that all is processed


def test_a_bid_saving_up_stripping_and_tests_name_closed_gates_and_missing_licences(bench: Bench) -> None:
    (bench.folder / "prices.toml").write_text(DEAR, encoding="utf-8")
    (bench.folder / "crate.toml").write_text(OFFER, encoding="utf-8")
    bench.run("lot", "add", "crate.toml")
    for what in ("fit-equipment", "permit"):
        bench.run("bench", "set", what, "yes")
    words = {
        "bid": ("bid", "crate.toml"),
        "save-up": ("save-up", "contacts-agni", "--monthly", "2 kg"),
        "test-first": ("test-first",),
        "strip-order": ("strip-order",),
    }
    shown = {name: bench.json(*call) for name, call in words.items()}
    stripped = {row["kind"] for row in shown["strip-order"]["rows"] if row["step"] and row["use"] == "process"}
    assert stripped
    routes = {load_catalogue().kinds[kind].usual_route for kind in stripped}
    assert set(shown["strip-order"]["gates_closed"]) == routes
    assert set(shown["bid"]["gates_closed"]) == {"silver-nitric", *routes}
    assert shown["save-up"]["gates_closed"] == ["silver-nitric"]
    assert "silver-nitric" in shown["test-first"]["gates_closed"]
    assert {row["address"] for row in shown["test-first"]["blocked"]} == {"box/wetted", "box/radio"}
    for name, call in words.items():
        out = bench.run(*call)[1]
        assert out.count("not yet those of: ") == 1, name
        assert all(route in out.partition("not yet those of: ")[2] for route in shown[name]["gates_closed"])
    # A gate that is passed is named no more; a licence that is denied is.
    bench.run("gate", "silver-nitric", typed=str(bench.gate("silver-nitric")["word"]))
    bench.run("bench", "set", "licence", "no")
    now = {name: bench.json(*words[name]) for name in ("bid", "test-first", "strip-order")}
    for name, found in now.items():
        assert "silver-nitric" not in found["gates_closed"], name
        assert "silver-nitric" in found["no_licence"], name
    assert "no licence for what is taken by: silver-nitric" in bench.run(*words["bid"])[1]
    # What may not be begun is in no advice: it is sold in the bid and on the boards, not weighed, not saved up for.
    nickel = next(part for part in now["bid"]["bid"]["parts"] if part["address"] == "nickel")
    assert (nickel["use"], "no licence" in nickel["why"]) == ("sell", True)
    assert now["bid"]["bid"]["worth"]["mean"] < shown["bid"]["bid"]["worth"]["mean"]
    assert now["test-first"]["rows"] == []
    used = {row["kind"] for row in now["strip-order"]["rows"] if row["use"] == "process"}
    assert not {load_catalogue().kinds[kind].usual_route for kind in used} & set(now["strip-order"]["no_licence"])
    assert "chips-burn" in now["strip-order"]["no_licence"]
    assert set(now["strip-order"]["gates_closed"]) < set(shown["strip-order"]["gates_closed"])
    code, out = bench.run(*words["save-up"])
    assert (code, "no licence" in out) == (3, True)
    code, out = bench.run("test-first", "box/nickel")
    assert (code, "no licence" in out) == (3, True)


def test_a_bill_and_a_comparison_say_what_stands_before_a_batch(bench: Bench) -> None:
    for words in (("cost", "box/nickel"), ("compare", "box/nickel")):
        assert "before a batch is begun: the gate of silver-nitric is closed" in bench.run(*words)[1]
    assert "needs a permit, which is not declared here" in bench.run("cost", "box/nickel", "--route", "smelt-copper")[1]
    bench.run("gate", "silver-nitric", typed=str(bench.gate("silver-nitric")["word"]))
    for words in (("cost", "box/nickel"), ("compare", "box/nickel")):
        assert "before a batch is begun" not in bench.run(*words)[1]
    bench.run("bench", "set", "licence", "no")
    for words in (("cost", "box/nickel"), ("compare", "box/nickel")):
        assert "before a batch is begun: silver-nitric takes nitric acid" in bench.run(*words)[1]


@pytest.mark.parametrize("address", ["box/wetted", "box/radio"])
def test_nothing_advises_to_process_what_is_refused(bench: Bench, address: str) -> None:
    """A STOP in a plan, a bill, a comparison, a save-up: refused, or shown as not to be processed; never a run."""
    kind = {"box/wetted": "relays-mercury", "box/radio": "beo-parts"}[address]
    refused = (
        ("plan", "--must", address),
        ("cost", address),
        ("cost", "box/nickel", "--route", "smelt-lead"),
        ("save-up", kind, "--monthly", "100 g"),
        ("batch", "add", "--charge", address, "--route", "silver-nitric", "--date", "2024-02-01"),
        ("batch", "add", "--charge", "box/nickel=10 g", "--route", "smelt-lead", "--date", "2024-02-01"),
    )
    for words in refused:
        code, out = bench.run(*words)
        assert code == 3, words
        assert "refused" in out or "STOP" in out, (words, out)
    steps = {step["address"]: step for step in bench.json("plan")["steps"]}
    assert address not in steps or steps[address]["action"] in ("sell", "keep", "leave")
    uses = {use["name"]: use for use in bench.json("compare", address)["uses"]}
    assert not {"assay first", "trial first", "save up"} & set(uses)
    assert uses["process"]["worth"] is None
    assert "STOP" in uses["process"]["remark"]


def test_a_gate_is_passed_by_a_person_only_and_a_stop_has_none(bench: Bench) -> None:
    assert bench.run("gate", "silver-nitric")[0] == 2
    word = str(bench.gate("silver-nitric")["word"])
    assert bench.run("gate", "silver-nitric", typed=word)[0] == 0
    listed = bench.run("gate")[1]
    assert "open since" in listed
    assert "STOP: refused, whatever is typed" in listed
    for typed in ("smelting", "fume", "yes"):
        code, out = bench.run("gate", "smelt-lead", typed=typed)
        assert (code, "refused (STOP)" in out) == (3, True)
    assert bench.run("gate", "nowhere", typed="x")[0] == 3
    assert bench.kinds() == ["lot", "gate"]


def test_a_gate_closes_after_a_year_and_when_its_text_changes(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    from gradeest.records.domain import Bench as Records
    from gradeest.records.work import GatePassed

    catalogue = load_catalogue()
    import datetime as dt

    today = dt.date(2024, 6, 1)
    text = gates.gate_of(Records(), catalogue, "silver-nitric", today).text
    most = int(catalogue.constants[gates.AGAIN_AFTER])
    assert 360 <= most <= 366
    for days, kept, is_open in ((0, text, True), (most, text, True), (most + 1, text, False), (0, "other", False)):
        passed = (GatePassed("silver-nitric", kept, today - dt.timedelta(days)),)
        found = gates.gate_of(Records(gates=passed), catalogue, "silver-nitric", today)
        assert (found.open_since is not None) == is_open
        assert bool(found.closed_because) != is_open


def test_a_bench_without_a_licence_begins_no_batch_with_restricted_acid(bench: Bench) -> None:
    bench.run("gate", "silver-nitric", typed=str(bench.gate("silver-nitric")["word"]))
    assert bench.run("bench", "set", "licence", "no")[0] == 0
    code, out = bench.run(
        "batch", "add", "--charge", "box/nickel=0.1 kg", "--route", "pins-nitric", "--later", typed="x"
    )
    assert (code, "no licence" in out, "type the word" in out) == (3, True, False)  # no word helps: none is asked for
    code, out = bench.run(*BATCH)
    assert (code, "nitric acid" in out) == (3, True)
    assert bench.run("bench", "set", "licence", "number 7")[0] == 0
    assert bench.run(*BATCH)[0] == 0


def test_a_box_of_contacts_relays_and_radio_parts(bench: Bench) -> None:
    """Contacts that hold or may hold cadmium are never heated, mercury relays and suspect ceramic never processed, with
    all gates passed; silver-nickel alone may be ranked, and cadmium contacts go to the refiner as they are."""
    for route in ("melt-contacts", "silver-nitric"):
        assert bench.run("gate", route, typed=str(bench.gate(route)["word"]))[0] == 0
    for address in ("cadmium", "unknown"):
        code, out = bench.run("batch", "add", "--charge", f"box/{address}", "--route", "melt-contacts", typed="y")
        assert (code, "STOP" in out) == (3, True)
    for address in ("wetted", "radio"):
        code, out = bench.run("batch", "add", "--charge", f"box/{address}", "--route", "silver-nitric", typed="y")
        assert (code, "STOP" in out) == (3, True)
    bench.capsys.readouterr()
    assert main(["rank", "--json"]) == 0
    shown = json.loads(bench.capsys.readouterr().out)
    rows = {row["address"]: row for row in shown["ranking"]["rows"]}
    assert {address for address, row in rows.items() if row["verdict"] == "blocked"} == {"box/wetted", "box/radio"}
    assert rows["box/nickel"]["verdict"] != "blocked"
    assert rows["box/cadmium"]["alternative"] == "sell"
    assert shown["gates_closed"] == []
    assert "closed" in bench.run("gate")[1]


def test_law_lines_are_those_of_where_the_bench_stands_and_the_gate_asks_again(bench: Bench) -> None:
    """Others are shown on demand only; before a place is said, the general lines, as ever."""
    word = str(bench.gate("silver-nitric")["word"])
    bench.run("gate", "silver-nitric", typed=word)
    out = bench.run(*BATCH)[1]
    assert "EU Regulation 2019/1148" in out
    assert "Great Britain" in out
    code, out = bench.run("bench", "set", "jurisdiction", "atlantis")
    assert (code, "one of: eu, gb, us, elsewhere" in out) == (3, True)
    assert bench.run("bench", "set", "jurisdiction")[0] == 2
    code, out = bench.run("bench", "set", "jurisdiction", typed="GB")
    assert (code, "a gate whose text has changed asks again" in out) == (0, True)
    assert "jurisdiction" in bench.run("bench", "show")[1]
    code, out = bench.run(*BATCH)
    assert (code, "its text has changed" in out) == (3, True)
    code, out = bench.run("gate", "silver-nitric", typed=str(bench.gate("silver-nitric")["word"]))
    assert code == 0
    assert "Great Britain asks private persons" in out
    assert "2019/1148" not in out
    out = bench.run(*BATCH)[1]
    assert "England: the T11 exemption" in out
    assert "2019/1148" not in out
    assert "2019/1148" in bench.run("laws", "eu")[1]
    assert "40 CFR" in bench.run("laws", "all")[1]
    assert "2019/1148" not in bench.run("priors", "show", "contacts-agni")[1]
    own = bench.json("laws")
    assert (own["of"], own["stands_in"]) == ("gb", "gb")
    assert {row["jurisdiction"] for row in own["rows"]} == {"gb"}
    assert bench.run("laws", "atlantis")[0] == 3
    assert bench.run("bench", "set", "jurisdiction", "no")[0] == 0
    assert bench.json("laws")["of"] == ""
    assert "2019/1148" in bench.run(*BATCH, "--date", "2024-02-01")[1]
