"""Kinds of boards in the priors: read, checked, shown; shares that add up."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from gradeest.cli.main import main
from gradeest.errors import InputError
from gradeest.materials.boards import BOARD_TABLES, check_boards, log_odds_of, minutes_row, shares_of
from gradeest.materials.catalogue import Catalogue, load_catalogue

NEEDED = {"cards", "memory", "main-old", "main-new", "telecom", "disk", "power", "phone", "mixed"}


@pytest.fixture(scope="module")
def catalogue() -> Catalogue:
    return load_catalogue()


def test_the_kinds_of_boards_are_there_with_parts_minutes_and_cautions(catalogue: Catalogue) -> None:
    assert {f"boards-{name}" for name in NEEDED} <= set(catalogue.boards)
    for board in catalogue.boards.values():
        assert bool(board.parts) != bool(board.stop)
        assert board.hazards
        for part, share in board.parts.items():
            assert 0 < share.q5 < share.q50 < share.q95 < 1
            assert share.source in catalogue.sources
            assert share.note
            assert not catalogue.kinds[part].stop
            assert minutes_row(catalogue.kinds[part], catalogue.shares) is not None


def test_cautions_of_boards_name_what_can_hurt(catalogue: Catalogue) -> None:
    lines = " ".join(catalogue.hazards[key].line for board in catalogue.boards.values() for key in board.hazards)
    for word in ("capacitors stay charged", "Cells", "mercury", "beryllium", "radioactive", "other people's data"):
        assert word in lines


def test_shares_of_a_board_add_up_in_every_draw(catalogue: Catalogue) -> None:
    rng = np.random.default_rng(1)
    for board in catalogue.boards.values():
        if board.parts:
            centre, sd = log_odds_of(board)
            shares = shares_of(centre + 5 * sd * rng.standard_normal((1000, len(sd))))  # far out, too
            assert (shares > 0).all()
            assert (shares.sum(axis=1) < 1).all()


def test_every_share_is_followed_by_the_form(catalogue: Catalogue) -> None:
    found = check_boards(catalogue, np.random.default_rng(2))
    assert len(found) == sum(len(board.parts) for board in catalogue.boards.values())
    assert [row for row in found if row.verdict == "fails"] == []


def test_a_share_the_form_cannot_follow_fails(tmp_path: Path) -> None:
    """The twin: a row far from what a softmax of normals can be."""
    row = "boards-cards,chips-mixed,0.0001,0.08,0.09,judgement,judgement,skewed"
    (tmp_path / "composition.csv").write_text(header("composition.csv") + row + "\n", "utf-8")
    found = check_boards(load_catalogue(tmp_path), np.random.default_rng(2))
    assert "fails" in {each.verdict for each in found if (each.board, each.part) == ("boards-cards", "chips-mixed")}


def header(name: str) -> str:
    return ",".join(BOARD_TABLES[name][0]) + "\n"


@pytest.mark.parametrize(
    ("name", "row", "said"),
    [
        ("composition.csv", "boards-cards,chips-mixed,0.1,0.2,1.3,judgement,judgement,x", "out of range"),
        ("composition.csv", "boards-cards,chips-mixed,0.3,0.2,0.4,judgement,judgement,x", "do not rise"),
        ("composition.csv", "boards-cards,chips-mixd,0.1,0.2,0.4,judgement,judgement,x", "did you mean chips-mixed"),
        ("composition.csv", "boards-crads,chips-mixed,0.1,0.2,0.4,judgement,judgement,x", "did you mean boards-cards"),
        ("composition.csv", "boards-cards,beo-parts,0.1,0.2,0.4,judgement,judgement,x", "not taken off boards"),
        ("composition.csv", "boards-cards,chips-mixed,0.8,0.93,0.95,judgement,judgement,x", "leave no rest"),
        ("boards.csv", "boards-new,new,by eye,1,2,3,,lead-dust,judgement,judgement,x", "do not fit"),
        ("boards.csv", "pins-mixed,new,by eye,1,2,3,mercury,lead-dust,judgement,judgement,x", "kind of fraction too"),
    ],
)
def test_faulty_rows_of_boards_are_named(tmp_path: Path, name: str, row: str, said: str) -> None:
    (tmp_path / name).write_text(header(name) + row + "\n", "utf-8")
    with pytest.raises(InputError) as refused:
        load_catalogue(tmp_path)
    assert said in " ".join(str(issue) for issue in refused.value.issues)
    assert ".csv:2" in str(refused.value.issues[0])  # an addition that leaves no rest is a fault of the board


@pytest.mark.parametrize("words", [["list"], ["show", "boards-telecom"], ["show", "boards-transmitter"], ["check"]])
def test_priors_commands_show_boards_within_80_columns(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["priors", *words]) == 0
    printed = capsys.readouterr().out
    assert "boards" in printed
    assert max(len(line) for line in printed.splitlines()) <= 80
