"""From boards as they came to a weight on the balance; forecast and bid with shares as unsure as they are."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.cli.conftest import Run
from tests.cli.test_boards import PRICES

RACKS = 'name = "van"\ndate = 2024-02-02\n[[boards]]\nname = "racks"\nkind = "boards-telecom"\nmass = "40 kg"\n'
DISKS = 'name = "disks"\ndate = 2024-02-02\n[[boards]]\nkind = "boards-disk"\nmass = "10 kg"\n'


@pytest.fixture
def bench(run: Run, tmp_path: Path) -> Run:
    """Prices, and lot files that were not added yet."""
    (tmp_path / "van.toml").write_text(RACKS, encoding="utf-8")
    (tmp_path / "disks.toml").write_text(DISKS, encoding="utf-8")
    (tmp_path / "prices.toml").write_text(PRICES, encoding="utf-8")
    return run


def test_the_whole_path_from_boards_to_a_record(bench: Run) -> None:
    run = bench
    assert run("lot", "add", "van.toml").code == 0
    assert "strip-order van" in run("lot", "list").out or "strip-order van" in run().out
    first = run("strip-order", "--json").json["rows"][0]
    before = run("forecast", "--json").json
    assert before["forecast"]["rows"] == []
    (heavy,) = [row for row in before["on_boards"] if row["kind"] == "fingers-heavy"]
    assert first["kind"] in {row["kind"] for row in before["on_boards"]}
    weighed = run("lot", "weigh", "van", "fingers-heavy", "520 g", "--minutes", "20", "--date", "2024-02-03", "--json")
    assert weighed.json["learned"]["part"] == "fingers-heavy"
    after = run("forecast", "--json").json
    assert "fingers-heavy" not in {row["kind"] for row in after["on_boards"]}  # it is off
    (row,) = [r for r in after["forecast"]["rows"] if r["metal"] == "Au"]
    sorted_out, on_boards = (np.log(i["q95"] / i["q5"]) for i in (row["contained_g"], heavy["contained_g"]["Au"]))
    assert sorted_out < on_boards  # the share is known now
    assert run("lot", "weigh", "van", "boards-stripped", "39.3 kg", "--date", "2024-02-04").code == 0
    assert run("forecast", "--json").json["on_boards"] == []
    ranking = run("rank", "--json").json["ranking"]["rows"]
    assert {r["address"] for r in ranking} == {"van/fingers-heavy", "van/boards-stripped"}
    assert run("batch", "add", "--charge", "van/fingers-heavy", "--date", "2024-02-10").code == 0
    words = ("--metal", "Au", "--form", "gold-powder", "--weight", "3.1 g", "--readability", "0.01 g", "--close")
    learned = run("record", "product", "B1", *words, "--date", "2024-02-17", "--json").json
    assert learned["changes"][0]["kind"] == "fingers-heavy"
    assert run("strip-order").code == 3  # nothing is left to take off


def test_what_was_learned_of_a_lot_of_boards_moves_the_next_one(bench: Run, tmp_path: Path) -> None:
    """Rich fingers off the first lot raise the metal expected on the boards of the second, sharper in its share."""
    run = bench
    (tmp_path / "next.toml").write_text(RACKS.replace('"van"', '"next"'), encoding="utf-8")
    assert run("lot", "add", "van.toml").code == run("lot", "add", "next.toml").code == 0

    def fingers() -> dict[str, dict[str, float]]:
        rows = run("forecast", "next", "--json").json["on_boards"]
        (row,) = [row for row in rows if row["kind"] == "fingers-heavy"]
        return {"mass": row["mass_kg"], "gold": row["contained_g"]["Au"]}

    before = fingers()
    assert run("lot", "weigh", "van", "fingers-heavy", "1.9 kg", "--date", "2024-02-03").code == 0
    after = fingers()
    assert after["mass"]["q50"] > 1.3 * before["mass"]["q50"]
    assert after["gold"]["q50"] > 1.2 * before["gold"]["q50"]
    assert np.log(after["mass"]["q95"] / after["mass"]["q5"]) < np.log(before["mass"]["q95"] / before["mass"]["q5"])


def test_metal_on_boards_is_shares_times_grades(bench: Run, tmp_path: Path) -> None:
    """Shares and grades are independent: the mean of a product is the product of means; and a share known to a
    hundredth leaves a narrower forecast than one known to a factor of two, so its uncertainty is inside."""
    run = bench
    assert run("lot", "add", "disks.toml").code == 0
    rows = {row["kind"]: row for row in run("forecast", "--json").json["on_boards"]}
    chips = rows["chips-mixed"]
    grade = run("priors", "show", "chips-mixed", "--json").json["rows"]["Au"]
    assert chips["contained_g"]["Au"]["mean"] / chips["mass_kg"]["mean"] * 1000 > grade["q50"]  # the mean lies above
    sure = tmp_path / "mine"
    sure.mkdir()
    head = "board,part,q5,q50,q95,source,status,why\n"
    row = "boards-disk,chips-mixed,0.1386,0.14,0.1414,judgement,judgement,weighed by the maker\n"
    (sure / "composition.csv").write_text(head + row, encoding="utf-8")
    known = {r["kind"]: r for r in run("forecast", "--priors", str(sure), "--json").json["on_boards"]}["chips-mixed"]

    def width(found: dict[str, float]) -> float:
        return float(np.log(found["q95"] / found["q5"]))

    assert width(known["mass_kg"]) < 0.3 * width(chips["mass_kg"])
    assert width(known["contained_g"]["Au"]) < 0.97 * width(chips["contained_g"]["Au"])
    per_t = [r["contained_g"]["Au"]["mean"] / r["mass_kg"]["mean"] for r in (known, chips)]
    assert per_t[0] == pytest.approx(per_t[1], rel=0.06)  # grades are the same, 20,000 draws of 4,000 lots


def test_a_bid_counts_boards_with_their_best_use(bench: Run, tmp_path: Path) -> None:
    run = bench
    bid = run("bid", "disks.toml", "--price", "50", "--json").json
    (part,) = bid["bid"]["parts"]
    assert part["use"] in ("strip", "sell")
    assert bid["bid"]["mass_kg"] == pytest.approx(10.0)
    assert bid["board_cautions"]
    assert not (tmp_path / "gradeest.ledger").exists()
    assert run("lot", "add", "disks.toml").code == 0
    strip = run("strip-order", "--json").json
    best = strip["whole"]["mean"] + strip["gain"]["mean"]
    assert bid["bid"]["worth"]["mean"] == pytest.approx(best, rel=0.15)  # other draws of the same
    (tmp_path / "prices.toml").write_text(PRICES + "[boards.whole_per_kg]\nboards-disk = 300\n", encoding="utf-8")
    whole = run("bid", "disks.toml", "--json").json["bid"]
    assert whole["parts"][0]["use"] == "sell"
    assert whole["worth"]["mean"] == pytest.approx(3000.0)
    assert whole["hours"]["mean"] == 0.0


def test_a_bid_on_refused_boards_counts_nothing(bench: Run, tmp_path: Path) -> None:
    (tmp_path / "radio.toml").write_text(
        DISKS + '[[boards]]\nkind = "boards-transmitter"\nmass = "5 kg"\n', encoding="utf-8"
    )
    parts = bench("bid", "radio.toml", "--json").json["bid"]["parts"]
    assert [(part["kind"], part["use"], part["worth"]) for part in parts][1] == ("boards-transmitter", "not counted", 0)


def test_a_bid_on_boards_with_many_kinds_of_parts_takes_them_pile_by_pile(bench: Run, tmp_path: Path) -> None:
    text = 'name = "fair"\n' + "".join(f'[[boards]]\nkind = "boards-{k}"\nmass = "5 kg"\n' for k in MANY)
    (tmp_path / "fair.toml").write_text(text, encoding="utf-8")
    parts = bench("bid", "fair.toml", "--json").json["bid"]["parts"]
    assert [part["kind"] for part in parts] == [f"boards-{kind}" for kind in MANY]
    assert all(part["worth"] > 0 for part in parts)
    assert bench("lot", "add", "fair.toml").code == 0
    wide = bench("strip-order", "fair")
    assert wide.code == 3
    assert "--from" in wide.err


MANY = ("cards", "memory", "telecom", "power")


def test_a_bid_on_fractions_and_boards_adds_their_worths(bench: Run, tmp_path: Path) -> None:
    """Expected worths add up, for the two are settled apart."""
    strips = '[[fraction]]\nname = "strips"\nkind = "fingers-memory"\nmass = "4 kg"\n'
    (tmp_path / "strips.toml").write_text(strips, encoding="utf-8")
    (tmp_path / "both.toml").write_text(strips + DISKS.partition("2024-02-02\n")[2], encoding="utf-8")
    worth = {n: bench("bid", f"{n}.toml", "--json").json["bid"]["worth"]["mean"] for n in ("strips", "disks", "both")}
    assert worth["both"] == pytest.approx(worth["strips"] + worth["disks"], rel=0.08)
