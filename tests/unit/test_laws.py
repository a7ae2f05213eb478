"""Law lines by jurisdiction: those of where the bench stands, dated, with whom to ask; a gap is said, never silent."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest

from gradeest.errors import InputError
from gradeest.materials.catalogue import Catalogue, load_catalogue
from gradeest.materials.hazards import law_lines, purchase_lines
from gradeest.materials.laws import in_jurisdiction, jurisdictions, read_jurisdiction

PRECURSORS = {"law-nitric": "3 %", "law-peroxide": "12 %", "law-sulphuric": "15 %"}


@cache
def catalogue() -> Catalogue:
    return load_catalogue()


def all_lines(of: Catalogue) -> list[str]:
    return [*purchase_lines(of), *(line for route in of.routes for line in law_lines(route, of))]


def test_a_bench_that_has_not_said_where_it_stands_sees_the_general_lines() -> None:
    for value in ("", "no", "None"):
        assert in_jurisdiction(catalogue(), value).hazards == catalogue().hazards


# EU Regulation 2019/1148, Annex I: limits above which private persons need a licence.
def test_the_limits_of_the_european_union_are_those_of_its_annex() -> None:
    shown = in_jurisdiction(catalogue(), "eu").hazards
    for law, limit in PRECURSORS.items():
        assert limit in shown[law].line
        assert "2019/1148" in shown[law].authority


@pytest.mark.parametrize("where", ["eu", "gb", "us", "elsewhere"])
def test_only_lines_of_the_place_are_shown_and_each_sends_to_the_authority(where: str) -> None:
    lines = all_lines(in_jurisdiction(catalogue(), where))
    assert len(lines) == len(all_lines(catalogue()))  # none is dropped
    foreign = {"eu": ("England", "40 CFR"), "gb": ("2019/1148", "40 CFR"), "us": ("2019/1148", "England")}
    for line in lines:
        assert "ask your authority." in line
        assert not any(word in line for word in foreign.get(where, ("2019/1148", "England", "40 CFR", "Basel")))
        assert "[read 20" in line or "no line is held" in line


def test_where_no_line_is_held_that_is_said() -> None:
    (line,) = [one for one in law_lines("pins-nitric", in_jurisdiction(catalogue(), "us")) if "Nitric" in one]
    assert "no line is held of us, which does not mean there is none" in line
    assert all("no line is held there" in h.line for h in elsewhere() if h.id in PRECURSORS)
    assert not any("no line" in h.line for h in elsewhere() if h.id in ("law-trade", "law-transport"))  # general ones


def elsewhere() -> list:
    return list(in_jurisdiction(catalogue(), "elsewhere").hazards.values())


def test_a_place_is_changed_back_and_forth_without_a_trace() -> None:
    there = in_jurisdiction(in_jurisdiction(catalogue(), "us"), "gb")
    assert there.hazards == in_jurisdiction(catalogue(), "gb").hazards
    assert in_jurisdiction(there, "").hazards == catalogue().hazards
    assert there.version == catalogue().version  # no number rests on a law line


def test_a_place_that_the_rows_no_longer_know_is_one_without_lines() -> None:
    assert "no line is held" in in_jurisdiction(catalogue(), "atlantis").hazards["law-nitric"].line
    with pytest.raises(InputError) as refused:
        read_jurisdiction("atlantis", catalogue().laws)
    assert refused.value.hint.startswith(f"one of: {', '.join(jurisdictions(catalogue().laws))}")
    assert read_jurisdiction(" GB ", catalogue().laws) == "gb"


def test_rows_of_ones_own_add_a_place_and_faults_are_all_told(tmp_path: Path) -> None:
    head = "law,jurisdiction,line,authority,status,dated\n"
    own = "law-nitric,xx,An invented line; ask your authority.,an invented office,from memory,2026\n"
    (tmp_path / "laws.csv").write_text(head + own, encoding="utf-8")
    found = load_catalogue(tmp_path)
    assert in_jurisdiction(found, "xx").hazards["law-nitric"].line.startswith("An invented line")
    assert "xx" in jurisdictions(found.laws)
    bad = "law-tax,no,Pay.,office,read,\n"
    (tmp_path / "laws.csv").write_text(head + bad, encoding="utf-8")
    with pytest.raises(InputError) as refused:
        load_catalogue(tmp_path)
    told = " ".join(str(issue) for issue in refused.value.issues)
    for text in ("'law-tax' is not known", "is no jurisdiction", "ask your authority", "dated"):
        assert text in told
