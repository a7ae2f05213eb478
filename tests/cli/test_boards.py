"""Boards not taken apart: written down, stripped, weighed; the mass balance closes; what cannot be is refused."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.cli.conftest import Run

LOT = """
name = "attic"
date = 2024-01-05

[[boards]]
name = "cards"
kind = "boards-cards"
mass = "6 kg"

[[boards]]
kind = "boards-transmitter"
pieces = 2
"""
DAY = ("--date", "2024-01-06")


@pytest.fixture
def attic(run: Run, tmp_path: Path) -> Run:
    """A bench with a lot of boards."""
    (tmp_path / "attic.toml").write_text(LOT, encoding="utf-8")
    ran = run("lot", "add", "attic.toml")
    assert ran.code == 0
    assert ran.out.index("STOP") < ran.out.index("other people's data") < ran.out.index("Next:")
    return run


def weigh(run: Run, kind: str, mass: str, *more: str) -> dict[str, object]:
    """Weigh a part and return what is printed as JSON."""
    ran = run("lot", "weigh", "attic", kind, mass, *DAY, *more, "--json")
    assert ran.code == 0, ran.err
    return ran.json


def test_stripped_left_and_dust_are_what_was_received(attic: Run) -> None:
    weigh(attic, "fingers-cards", "30 g", "--boards", "1 kg")
    weigh(attic, "chips-mixed", "90 g", "--boards", "1 kg")
    trial = weigh(attic, "boards-stripped", "870 g", "--boards", "1 kg")
    assert (trial["is_ended"], trial["left_kg"]) == (True, pytest.approx(0.01))
    rest = weigh(attic, "chips-mixed", "400 g")  # all that still carry them
    assert rest["boards_kg"] == pytest.approx(5.0)
    assert rest["fraction_kg"] == pytest.approx(0.49)
    (cards, other) = attic("lot", "show", "attic", "--json").json["boards"]
    came_off = sum(cards["taken_kg"].values())
    assert came_off + cards["left_kg"] + cards["dust_kg"] == pytest.approx(6.0)
    assert other["mass_kg"] is None
    (line,) = attic("lot", "list", "--json").json["lots"]
    assert line["mass_kg"] == pytest.approx(6.0)  # what came off came with the boards
    assert line["left_kg"] == pytest.approx(6.0 - 0.01)
    feed = attic("year", "2024", "--json").json["feed"]
    assert [(row["cls"], row["mass_kg"]) for row in feed] == [("boards", pytest.approx(6.0))]


def test_the_balance_closes_after_any_sorting(attic: Run) -> None:
    """Six weighings at random: some are refused, and what is kept adds up."""
    rng = np.random.default_rng(7)
    kinds = ("fingers-cards", "chips-mixed", "connectors", "boards-stripped")
    codes = set()
    for _ in range(6):
        boards, part = rng.uniform(0.2, 2.5), rng.uniform(0.005, 1.2)
        words = ("lot", "weigh", "attic", str(rng.choice(kinds)), f"{part:.3f} kg", "--boards", f"{boards:.3f} kg")
        codes.add(attic(*words, "--from", "cards", *DAY).code)
        cards = attic("lot", "show", "attic", "--json").json["boards"][0]
        assert sum(cards["taken_kg"].values()) + cards["left_kg"] + cards["dust_kg"] == pytest.approx(6.0)
        assert cards["whole_kg"] >= 0
    assert codes == {0, 3}


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("fingers-cards", "7 kg"), "more than the 6 kg of boards"),
        (("fingers-cards", "1 kg", "--boards", "900 g"), "more than the 0.9 kg of boards"),
        (("fingers-cards", "30 g", "--boards", "9 kg"), "there are no 9 kg of boards"),
        (("fingers-crads", "30 g"), "did you mean fingers-cards"),
        (("fingers-cards", "30"), "no unit"),
        (("fingers-cards", "30 g", "--minutes", "-3"), "minutes above zero"),
        (("fingers-cards", "30 g", "--from", "crads"), "its boards: cards"),
        (("fingers-cards", "30 g", "--from", "boards-transmitter"), "STOP"),
        (("fingers-cards", "30 g", "--from", "transmitter"), "Leave it whole to a licensed handler"),
        (("fingers-cards", "30 g", "--name", "cards"), "what the boards are called"),
    ],
)
def test_a_weighing_that_cannot_be_is_refused_with_what_to_type(attic: Run, words: tuple[str, ...], said: str) -> None:
    before = attic("history", "--json").json["events"]
    ran = attic("lot", "weigh", "attic", *words, *DAY)
    assert ran.code == 3
    if said != "STOP" or "boards-transmitter" not in words:
        assert said in " ".join(ran.err.split())
    assert "Traceback" not in ran.err
    assert attic("history", "--json").json["events"] == before


def test_which_boards_is_asked_where_it_is_not_clear(attic: Run) -> None:
    weigh(attic, "fingers-cards", "30 g", "--boards", "1 kg")
    ran = attic("lot", "weigh", "attic", "chips-mixed", "90 g", *DAY)
    assert ran.code == 3
    assert "--boards 1 kg or 5 kg" in ran.err
    again = attic("lot", "weigh", "attic", "fingers-cards", "30 g", "--boards", "1 kg", *DAY)
    assert again.code == 0  # other boards: these gave theirs


def test_a_timed_sorting_narrows_minutes_and_share(attic: Run) -> None:
    learned = weigh(attic, "fingers-cards", "180 g", "--minutes", "9")["learned"]
    assert isinstance(learned, dict)

    def width(row: dict[str, float]) -> float:
        return float(np.log(row["q95"] / row["q5"]))

    assert width(learned["share_after"]) < width(learned["share_before"])
    assert width(learned["minutes_after"]) < width(learned["minutes_before"])
    assert learned["minutes_after"]["q50"] > learned["minutes_before"]["q50"]  # 50 minutes per kg, 35 expected


def test_weighings_are_undone_and_amended(attic: Run) -> None:
    weigh(attic, "fingers-cards", "30 g", "--boards", "1 kg")
    weigh(attic, "chips-mixed", "90 g", "--boards", "1 kg")
    assert attic("amend", "3", "mass=80 g", "minutes=6").code == 0
    heavy = attic("amend", "3", "mass=8 kg")
    assert heavy.code == 3
    assert "more than the 1 kg of boards" in " ".join(heavy.err.split())
    assert attic("undo", "2").code == 0
    (fraction,) = attic("lot", "show", "attic", "--json").json["fractions"]
    assert (fraction["name"], fraction["mass_kg"]) == ("chips-mixed", pytest.approx(0.08))
    assert weigh(attic, "fingers-cards", "30 g", "--boards", "1 kg")["whole_kg"] == pytest.approx(5.0)
    light = attic("amend", "1", "cards.mass=100 g")
    assert light.code == 3
    assert "these rest on it" in light.err
    assert attic("amend", "1", "cards.note=clipped").code == 0


def test_whole_boards_are_sold_and_those_begun_are_not(attic: Run) -> None:
    weigh(attic, "fingers-cards", "30 g", "--boards", "1 kg")
    assert attic("sell", "attic/cards", "6 kg", "--for", "10", *DAY).code == 3
    sold = attic("sell", "attic/cards", "--for", "25", *DAY, "--json").json
    assert (sold["mass_kg"], sold["left"]) == (pytest.approx(5.0), 0.0)
    more = attic("sell", "attic/cards", "--for", "5", *DAY)
    assert more.code == 3
    assert "boards-stripped" in more.err
    given = attic("discard", "attic/transmitter", "--json")
    assert given.code == 0
    assert "gone" in attic("lot", "show", "attic").out


def test_boards_go_into_no_batch(attic: Run) -> None:
    ran = attic("batch", "add", "--charge", "attic/cards=1 kg")
    assert ran.code == 3
    assert "boards, not taken apart" in ran.err


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('[[boards]]\nkind = "boards-crads"\nmass = "1 kg"', "boards-cards"),
        ('[[boards]]\nkind = "boards-cards"', "neither mass nor count"),
        ('[[boards]]\nkind = "boards-cards"\nmass = "1"', "no unit"),
        ('[[boards]]\nkind = "boards-cards"\npieces = 0', "cannot be a count"),
        ('[[boards]]\nkind = "boards-cards"\nmass = "1 kg"\nwet = true', "has no 'wet'"),
        ('[[boards]]\nkind = "boards-cards"\nmass = "1 kg"\n[[boards]]\nkind = "boards-cards"\npieces = 1', "called"),
    ],
)
def test_faulty_boards_of_a_lot_file_are_named(run: Run, tmp_path: Path, text: str, said: str) -> None:
    (tmp_path / "bad.toml").write_text(text, encoding="utf-8")
    ran = run("lot", "add", "bad.toml")
    assert ran.code == 3
    assert said in " ".join(ran.err.split())
    assert not (tmp_path / "gradeest.ledger").exists()


def test_boards_in_a_csv_file(run: Run, tmp_path: Path) -> None:
    (tmp_path / "van.csv").write_text(
        "fraction,kind,mass,pieces\npile,boards-memory,2 kg,\n,boards-phone,,12\n", "utf-8"
    )
    lot = run("lot", "add", "van.csv", "--json").json["lot"]
    assert [(p["name"], p["kind"], p["mass_kg"], p["pieces"]) for p in lot["boards"]] == [
        ("pile", "boards-memory", 2.0, None),
        ("phone", "boards-phone", None, 12),
    ]


PRICES = 'currency = "EUR"\n[metals]\nAu = "80 / g"\nAg = "1 / g"\nPd = "30 / g"\n'  # invented


def test_strip_order_says_the_cautions_first_and_where_to_stop(attic: Run, tmp_path: Path) -> None:
    (tmp_path / "prices.toml").write_text(PRICES, encoding="utf-8")
    ran = attic("strip-order")
    assert ran.code == 0, ran.err
    assert max(len(line) for line in ran.out.splitlines()) <= 80
    order = (
        "STOP",
        "capacitors stay charged",
        "refused, nothing is taken off",
        "in this order",
        "The numbers are settled",
    )
    assert [ran.out.index(words) for words in order] == sorted(ran.out.index(words) for words in order)
    shown = attic("strip-order", "attic", "--json").json
    assert shown["refused"] == ["attic/transmitter"]
    assert {row["kind"] for row in shown["rows"]} >= {"fingers-cards", "chips-mixed", "bga-wirebond", "connectors"}
    taken = [row for row in shown["rows"] if row["step"] is not None]
    assert sum(row["gain"]["mean"] for row in taken) == pytest.approx(shown["gain"]["mean"], abs=1e-6)
    for row in shown["rows"]:
        assert row["mass_kg"]["q5"] < row["mass_kg"]["q50"] < row["mass_kg"]["q95"] < 6.0
        if row["step"] is None:
            assert row["gain"]["mean"] <= 1e-9
    assert attic("strip-order", "--json").json["gain"] == shown["gain"]  # the same seed, the same numbers


def test_prices_of_boards_decide_and_hours_limit(attic: Run, tmp_path: Path) -> None:
    file = tmp_path / "prices.toml"
    file.write_text(PRICES + "[boards.whole_per_kg]\nboards-cards = 500\n", encoding="utf-8")
    whole = attic("strip-order", "--json").json
    assert all(row["step"] is None for row in whole["rows"])
    assert whole["whole"]["mean"] == pytest.approx(3000.0)
    assert "Take nothing off" in attic("strip-order").out
    assert "the boards then lose more of their price" in {row["why"] for row in whole["rows"]}
    file.write_text(
        PRICES + "[boards.whole_per_kg]\nboards-cards = 1\n[boards.picked_per_kg]\nboards-cards = 1\n", encoding="utf-8"
    )
    much = attic("strip-order", "--json").json
    little = attic("strip-order", "--hours", "0.5", "--json").json
    assert much["gain"]["mean"] > little["gain"]["mean"] > 0
    assert little["hours"]["mean"] <= 0.5
    file.write_text(PRICES + "[boards.whole_per_kg]\nboards-crads = 1\n[boards.share]\nwhole = 1.4\n", encoding="utf-8")
    wrong = attic("strip-order")
    assert wrong.code == 3
    assert "boards.whole_per_kg.boards-cards" in wrong.err
    assert "boards.share.whole" in wrong.err


def test_strip_order_without_prices_or_boards_says_what_to_do(attic: Run, tmp_path: Path) -> None:
    ran = attic("strip-order", "attic")
    assert ran.code == 3
    assert "prices new" in ran.err
    (tmp_path / "prices.toml").write_text(PRICES, encoding="utf-8")
    assert attic("strip-order", "attc").code == 3
    assert attic("strip-order", "attic", "--from", "crads").code == 3
    refused = attic("strip-order", "attic", "--from", "transmitter")
    assert refused.code == 3
    assert "nothing is to be taken off" in refused.err


def test_boards_kept_too_long_are_named(attic: Run) -> None:
    assert attic("bench", "set", "storage-clock", "30 days", *DAY).code == 0
    assert set(attic("open", "--json").json["untouched_over"]) == {"attic/cards", "attic/transmitter"}
    assert attic("sell", "attic/cards", "--for", "10", *DAY).code == 0
    assert attic("open", "--json").json["untouched_over"] == ["attic/transmitter"]
