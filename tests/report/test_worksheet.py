"""The page for the hood and the labels: whole, safe to print, and in the order in which they are typed in."""

from __future__ import annotations

import datetime as dt
import re
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from gradeest.cli import ask as asking
from gradeest.cli.context import Call
from gradeest.cli.worksheet import boxes_of
from gradeest.materials.catalogue import load_catalogue
from gradeest.report.labels import Label, write_labels
from gradeest.report.worksheet import Block, Caution, Field, Worksheet, write_worksheet
from tests.cli.conftest import Run, bench, run
from tests.unit.test_house import RECIPE, STRENGTH

__all__ = ["bench", "run"]  # fixtures
VOID = {"meta", "br", "hr", "img", "link", "input"}
HOSTILE = """<script>alert("x")</script> & 'quoted' </style>\x07"""
CATALOGUE = load_catalogue()


class Reader(HTMLParser):
    """Checks that every tag is closed in its turn; keeps text by tag and class."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[tuple[str, str]] = []
        self.faults: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.pieces: list[tuple[str, str, str]] = []  # tag, class, text
        self.feed(text)
        self.close()
        self.faults += [f"<{tag}> is never closed" for tag, _ in self.open]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append((tag, dict(attrs).get("class") or ""))

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open[-1][0] != tag:
            self.faults.append(f"</{tag}> closes {self.open[-1:]}")
        else:
            self.open.pop()

    def handle_data(self, data: str) -> None:
        if self.open and data.strip():
            self.pieces.append((*self.open[-1], data.strip()))

    def texts(self, tag: str, kind: str = "") -> list[str]:
        return [text for t, c, text in self.pieces if t == tag and (not kind or kind in c.split())]

    @property
    def seen(self) -> str:
        return " ".join(text for tag, _, text in self.pieces if tag != "style")


def hostile_page() -> str:
    box = Block(HOSTILE, HOSTILE, (Field(HOSTILE, HOSTILE), Field("x", "", (HOSTILE, "b"), HOSTILE)))
    return write_worksheet(
        Worksheet(
            HOSTILE, dt.date(2024, 2, 1), HOSTILE, HOSTILE, HOSTILE, (Caution("STOP", HOSTILE, HOSTILE),), HOSTILE,
            ((HOSTILE, HOSTILE, HOSTILE),), ((HOSTILE,) * 5,), HOSTILE, (HOSTILE,), (box,),
        )
    )  # fmt: skip


def hostile_labels() -> str:
    return write_labels(HOSTILE, (Label(HOSTILE, HOSTILE, HOSTILE, HOSTILE, HOSTILE, stop=True),))


@pytest.fixture
def pages(bench: Run, tmp_path: Path) -> dict[str, str]:
    """A worksheet and labels of a batch, labels of a lot and of a fraction."""
    words = ("batch", "add", "--charge", "shed/caps=100 g", "--charge", "shed/strips=0.2 kg", "--route", "mlcc-nitric")
    assert bench(*words, "--note", "second <half> & more").code == 0
    assert bench("worksheet", "B1").code == 0
    assert bench("worksheet", "B1", "--labels").code == 0
    assert bench("worksheet", "shed", "--labels").code == 0
    assert bench("worksheet", "shed/tilt", "--labels").code == 0
    return {path.name: path.read_text(encoding="utf-8") for path in sorted(tmp_path.glob("*.html"))}


def test_every_page_is_well_formed(pages: dict[str, str]) -> None:
    assert set(pages) == {"B1-worksheet.html", "B1-labels.html", "shed-labels.html", "shed-tilt-labels.html"}
    for name, text in {**pages, "hostile": hostile_page(), "labels": hostile_labels()}.items():
        assert Reader(text).faults == [], name
    assert Reader("<p><b>x</p></b>").faults, "what is not well formed is found"


@pytest.mark.parametrize("text", [hostile_page(), hostile_labels()], ids=["worksheet", "labels"])
def test_what_a_person_typed_is_text_and_nothing_else(text: str) -> None:
    page = Reader(text)
    assert "script" not in {tag for tag, _ in page.tags}
    assert [tag for tag, _ in page.tags].count("style") == 1
    assert "<script>alert(\"x\")</script> & 'quoted'" in page.seen
    assert "\x07" not in text
    css = "".join(page.texts("style"))
    assert not re.search(r"<|alert\(|&", css), "a name ends no string and no sheet of styles"


def test_a_page_needs_no_network_and_prints_on_a4_in_black_and_white(pages: dict[str, str]) -> None:
    for text in pages.values():
        assert not re.search(r"https?:|\bsrc=|\bhref=|@import|url\(|<link|<script", text)
        assert re.search(r"@page \{ size: A4;", text)
        assert set(re.findall(r"#[0-9a-fA-F]{3,8}\b", text)) <= {"#fff", "#000", "#555"}
        assert "break-inside: avoid" in text


def test_a_page_can_be_read_aloud(pages: dict[str, str]) -> None:
    for text in pages.values():
        page = Reader(text)
        assert ("html", {"lang": "en"}) in page.tags
        assert page.texts("title")
        levels = [int(tag[1]) for tag, _ in page.tags if re.fullmatch(r"h[1-6]", tag)]
        assert levels[0] == 1
        assert all(b <= a + 1 for a, b in pairwise(levels)), "no level of heading is skipped"
        assert all("scope" in attrs for tag, attrs in page.tags if tag == "th")


def test_cautions_stand_in_front_the_stops_first(pages: dict[str, str]) -> None:
    text = pages["B1-worksheet.html"]
    page = Reader(text)
    levels = page.texts("span", "level")
    assert levels == sorted(levels, key=["STOP", "Beware", "Law"].index)
    assert {"STOP", "Beware", "Law"} == set(levels)
    assert "Defer to local codes" in page.seen
    assert text.index("Before you start") < text.index("What goes in") < text.index("To write down")
    for hazard in ("nitrogen dioxide", "lead and cadmium", "ask your authority"):
        assert hazard in page.seen.lower()


def test_the_page_says_what_goes_in_and_what_to_expect_with_its_interval(pages: dict[str, str]) -> None:
    cells = Reader(pages["B1-worksheet.html"]).texts("td")
    assert cells[:3] == ["shed/caps", CATALOGUE.kinds["mlcc-nonmagnetic"].name, "0.100 kg"]
    assert "0.200 kg" in cells
    assert "Ag" in cells
    assert [c for c in cells if re.fullmatch(r"[\d.<]+ \([\d.<]+-[\d.<]+\)", c)], "a median with its interval"


@pytest.mark.parametrize("route", sorted(CATALOGUE.routes))
def test_no_page_holds_a_recipe(route: str, bench: Run, tmp_path: Path) -> None:
    """Whatever the program puts on the page of a route, with the lines of laws set aside: they name their limits."""
    call = Call(tmp_path / "gradeest.ledger", None, 1, "fast")
    laws = {hazard.line for hazard in CATALOGUE.hazards.values() if hazard.level == "law"}
    from gradeest.materials.hazards import DEFER
    from gradeest.workflow.hood import hazards_of

    cautions = tuple(Caution(h.level, h.line, h.authority) for h in hazards_of(CATALOGUE, route, ["fingers-memory"]))
    sheet = Worksheet(
        "B1", dt.date(2024, 2, 1), route, CATALOGUE.routes[route].line, "", cautions, DEFER, (), (), "", (),
        boxes_of(call, "B1"),
    )  # fmt: skip
    said = Reader(write_worksheet(sheet)).pieces
    prose = [text for tag, _, text in said if tag != "style" and not any(text.startswith(law) for law in laws)]
    assert len(prose) > 40
    assert [text for text in prose if RECIPE.search(text) or STRENGTH.search(text)] == []


# --- the boxes are the prompts

ANSWERS = {
    "Metal": "Ag", "Form": "silver-chloride", "Net weight on the balance": "1.84 g",
    "Smallest step of the balance": "0.01 g", "Balance": "pocket", "Was it damp": "n",
    "Is that all this batch gives, of every metal (close it)": "n",
    "It weighs less than": "0.02 g", "The liquid": "kept", "How much of what was in work": "30 %",
    "What happened": "tipped over", "Wiped up (NAME=MASS)": "floor=5 g", "What to call it": "liquor", "Volume": "1.2 L",
    "What was set aside": "oversize", "Mass": "10 g", "Something else too": "n", "Batch": "B1",
    "The test": "faint", "Volume of the liquid": "4.2 L", "When": "after-drop", "Hands-on hours": "3.5 h",
    "What it is": "spent liquor", "Where it went": "collection point",
}  # fmt: skip


TEACH_NO_GRADE = (("batch", "leave"), ("record", "waste"), ("record", "hours"))  # they have no --later


def prompts_of(monkeypatch: pytest.MonkeyPatch, run: Run, *words: str) -> list[str]:
    """What a person at a terminal is asked by a command, in order."""
    asked: list[str] = []

    def read_line(prompt: str) -> str:
        text = re.sub(r"( \[.*\])?: $", "", prompt).strip()
        asked.append(text)
        return ANSWERS[text]

    with monkeypatch.context() as patch:
        patch.setattr(asking, "at_terminal", lambda: True)
        patch.setattr(asking, "read_line", read_line)
        done = run(*words) if words[:2] in TEACH_NO_GRADE else run(*words, "--later")
    assert done.code == 0, done.err
    return asked


@pytest.mark.parametrize("with_balance", [False, True])
def test_the_boxes_stand_in_the_order_of_the_prompts(
    with_balance: bool, bench: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert bench("batch", "add", "--charge", "shed/caps=100 g", "--later").code == 0
    if with_balance:
        assert bench("balance", "add", "pocket", "--readability", "0.01 g").code == 0
    body = bench("worksheet", "B1", "--json").json
    on_page = re.split(r"<li><div class=\"head\">", (tmp_path / body["path"]).read_text(encoding="utf-8"))[1:]
    assert len(on_page) == len(body["boxes"]) == 10
    typed = {"record product": False, "record none": False}
    for html, box in zip(on_page, body["boxes"], strict=True):
        command = box["command"].removeprefix("gradeest ").removesuffix(" B1")
        labels = [text for text in Reader(html).texts("span", "label") if text != "Date"]
        if typed.get(command) or command == "record none":
            continue  # one product is enough; nothing seen is asked below
        typed[command] = True
        asked = prompts_of(monkeypatch, bench, *command.split(), "B1")
        if command == "batch set-aside":
            asked, labels = asked[:2], labels[:2]
        assert labels == asked, command
        assert len(labels) == 1 or labels != asked[::-1], "another order would be seen"
    assert bench("batch", "add", "--charge", "shed/caps=50 g", "--later").code == 0
    (none,) = [box for box in body["boxes"] if box["command"] == "gradeest record none B1"]
    asked = prompts_of(monkeypatch, bench, "record", "none", "B2")
    assert [field["label"] for field in none["fields"]][:-1] == asked


def test_what_may_close_the_batch_comes_after_what_needs_it_open(pages: dict[str, str]) -> None:
    commands = [text.removeprefix("gradeest ") for text in Reader(pages["B1-worksheet.html"]).texts("code")]
    products = [n for n, text in enumerate(commands) if text.startswith("record product")]
    for early in ("batch set-aside B1", "record loss B1", "record none B1"):
        assert commands.index(early) < products[0]
    assert len(products) == 3, "silver, palladium, and one to spare"
    for seen in ("record spot-test B1", "record waste B1", "record hours B1"):
        assert seen in commands, "what is read off in the hood has a box"


def test_known_balances_are_ticked_on_paper(bench: Run, tmp_path: Path) -> None:
    assert bench("batch", "add", "--charge", "shed/caps=100 g", "--later").code == 0
    for name in ("pocket", "fine"):
        assert bench("balance", "add", name, "--readability", "0.01 g").code == 0
    boxes = bench("worksheet", "B1", "--json").json["boxes"]
    weighed = next(box for box in boxes if box["command"] == "gradeest record product B1")
    assert next(field["choices"] for field in weighed["fields"] if field["label"] == "Balance") == ["pocket", "fine"]


# --- labels


def test_labels_say_id_kind_mass_date_and_hazard(pages: dict[str, str]) -> None:
    page = Reader(pages["shed-labels.html"])
    assert page.texts("h2") == ["shed/strips", "shed/chips", "shed/caps", "shed/tilt"]
    assert CATALOGUE.kinds["fingers-memory"].name in page.texts("p", "what")
    assert "1.00 kg" in page.texts("p", "amount"), "what is left of 1.2 kg"
    assert "2024-01-05" in page.seen
    assert "lead and cadmium dust" in page.seen
    stop = Reader(pages["shed-tilt-labels.html"])
    assert stop.texts("h2") == ["shed/tilt"]
    assert "STOP, not to be processed:" in stop.seen
    assert "Mercury" in stop.seen


def test_a_batch_has_labels_for_what_went_in_what_came_and_what_will_come(bench: Run, tmp_path: Path) -> None:
    assert bench("batch", "add", "--charge", "shed/caps=100 g", "--later").code == 0
    assert bench("batch", "leave", "B1", "liquor", "--volume", "1.2 L").code == 0
    words = ("record", "product", "B1", "--metal", "Ag", "--form", "silver-chloride", "--weight", "1.84 g")
    assert bench(*words, "--readability", "0.01 g", "--damp", "--later").code == 0
    body = bench("worksheet", "B1", "--labels", "--json").json
    page = Reader((tmp_path / body["path"]).read_text(encoding="utf-8"))
    assert page.texts("h2")[:3] == ["shed/caps", "B1/ag-1", "B1/liquor"]
    assert page.texts("h2")[3:] == ["B1/"] * 4
    assert body["labels"] == 7
    assert page.texts("p", "amount")[:3] == ["0.100 kg", "1.84 g", "1.2 L"]
    assert "explosive silver compounds" in page.seen
    assert bench("worksheet", "B1/liquor", "--labels").code == 0


# --- the file


def test_the_same_bench_gives_the_same_page(bench: Run, tmp_path: Path) -> None:
    assert bench("batch", "add", "--charge", "shed/caps=100 g").code == 0
    assert bench("worksheet", "B1", "a.html").code == 0
    assert bench("worksheet", "B1", "b.html").code == 0
    assert (tmp_path / "a.html").read_bytes() == (tmp_path / "b.html").read_bytes()


def test_a_file_that_is_there_is_kept_unless_told(bench: Run, tmp_path: Path) -> None:
    assert bench("batch", "add", "--charge", "shed/caps=100 g", "--later").code == 0
    page = tmp_path / "page.html"
    page.write_text("mine", encoding="utf-8")
    refused = bench("worksheet", "B1", "page.html")
    assert refused.code == 3
    assert "--force" in refused.err
    assert page.read_text(encoding="utf-8") == "mine"
    assert bench("worksheet", "B1", "page.html", "--force").code == 0
    assert page.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    assert bench("worksheet", "B1", str(tmp_path)).code == 3
    assert bench("worksheet", "B1", "nowhere/page.html").code == 3
    assert list(tmp_path.rglob("*.new")) == [], "nothing half written is left"


@pytest.mark.parametrize(
    ("words", "code", "hint"),
    [
        (("worksheet",), 2, "missing BATCH"),
        (("worksheet", "B7"), 3, "batches: none yet"),
        (("worksheet", "shed"), 3, "gradeest worksheet shed"),
        (("worksheet", "shad", "--labels"), 3, "did you mean shed"),
        (("worksheet", "shed/stripz", "--labels"), 3, "did you mean shed/strips"),
    ],
)
def test_what_is_not_there_is_said(words: tuple[str, ...], code: int, hint: str, bench: Run, tmp_path: Path) -> None:
    done = bench(*words)
    assert done.code == code
    assert hint in " ".join(done.err.split())
    assert not list(tmp_path.glob("*.html"))


def test_at_a_terminal_the_batch_is_asked_for(bench: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert bench("batch", "add", "--charge", "shed/caps=100 g", "--later").code == 0
    answers: list[Any] = ["B1"]
    monkeypatch.setattr(asking, "at_terminal", lambda: True)
    monkeypatch.setattr(asking, "read_line", lambda prompt: answers.pop())
    assert bench("worksheet").code == 0
    assert (tmp_path / "B1-worksheet.html").exists()
