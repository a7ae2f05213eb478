"""What a grade rests on, as a person asks for it."""

from __future__ import annotations

import pytest

from gradeest.belief.moves import Piece
from gradeest.workflow.reasons import MOST_ALONE, part_pieces
from tests.cli.conftest import Run

GOLD = ("--metal", "Au", "--form", "gold-powder", "--readability", "0.01 g", "--later")


@pytest.fixture
def weighed(bench: Run) -> Run:
    """Half the strips were run, and assayed twice to the same effect; the chips gave a weight too."""
    for words in (
        ("batch", "add", "--charge", "shed/strips=600 g", "--date", "2024-02-01"),
        ("record", "product", "B1", *GOLD, "--weight", "1.8 g", "--date", "2024-02-03", "--close"),
        ("record", "assay", "shed/strips", "--metal", "Au", "--value", "3200 g/t", "--u", "3 %", "--later"),
        ("record", "assay", "shed/strips", "--metal", "Au", "--value", "3210 g/t", "--u", "3 %", "--later"),
        ("bench", "set", "permit"), ("bench", "set", "fit-equipment"),
        ("batch", "add", "--charge", "shed/chips=400 g", "--date", "2024-02-05"),
        ("record", "product", "B2", *GOLD, "--weight", "0.31 g", "--date", "2024-02-06", "--close"),
    ):  # fmt: skip
        done = bench(*words)
        assert done.code == 0, done.err
    return bench


def test_why_names_every_entry_and_the_grade_without_it(weighed: Run) -> None:
    found = weighed("why", "shed/strips", "--json").json
    (gold,) = found["metals"]
    assert {tuple(reason["events"]) for reason in gold["reasons"]} == {(3,), (5,), (6,), (10,)}
    assert found["fits"] == 4
    told = [reason["moved"]["bits"] for reason in gold["reasons"]]
    assert told == sorted(told, reverse=True)
    assert gold["hold_each_other"]  # two assays that say the same
    assert gold["prior"][2] / gold["prior"][0] > 3 > gold["grade"][2] / gold["grade"][0]
    assert gold["moved"]["bits"] > 2 * max(told)
    by_event = {reason["events"][0]: reason for reason in gold["reasons"]}
    assert (by_event[3]["sort"], by_event[5]["sort"], by_event[10]["sort"]) == ("weight", "assay", "other fractions")
    assert not by_event[10]["moved"]["is_clear"]  # a weight of chips tells nothing of strips
    for reason in gold["reasons"]:
        low, mid, high = reason["without"]
        assert low < mid < high
    done = weighed("why", "shed/strips")
    assert max(map(len, done.out.splitlines())) <= 80
    text = " ".join(done.out.split())
    for word in ("without it", "event 5", "1.8 g", "hold", "the prior alone", "hardly"):
        assert word in text, word


def test_why_of_what_nothing_was_recorded_of_is_the_prior(bench: Run) -> None:
    found = bench("why", "shed/caps", "--json").json
    assert {one["metal"] for one in found["metals"]} == {"Ag", "Pd"}
    assert all(one["reasons"] == [] and one["rests_on"] == "prior only" for one in found["metals"])
    assert "it is the prior" in bench("why", "shed/caps").out


def test_everything_wrong_with_the_question_is_said(bench: Run) -> None:
    done = bench("why", "shed", "--metal", "gold")
    assert done.code == 3
    for word in ("whole lot", "shed/strips", "type Au"):
        assert word in done.err
    assert bench("why").code == 2


def test_the_earliest_of_many_entries_are_left_out_together() -> None:
    pieces = [Piece("assay", ("shed/strips",), "Au", (event,)) for event in range(1, 13)]
    alone, together = part_pieces(pieces, everything=False)
    assert len(alone) + 1 == MOST_ALONE
    assert {piece.events[0] for piece in together} == set(range(1, 13)) - {piece.events[0] for piece in alone}
    assert min(piece.events for piece in alone) > max(piece.events for piece in together)
    assert part_pieces(pieces, everything=True)[1] == []
