"""Twenty hours, ten litres of nitric acid and eight invented fractions, from their file to the plan, as typed.

The table and the plan are those of a separate Monte Carlo of 400,000 draws (`test_ranking_eight_fractions.py` has its
inputs); here they go through priors of one's own, a price file and the belief. Grades are lognormal there: silver at
62 % of the feed has the mean and the spread of it on the bounded scale that grades have here.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.cli.conftest import Run
from tests.cli.own_tables import write_prices, write_priors
from tests.unit.test_ranking_eight_fractions import CASES, Z95


@pytest.fixture
def eight(run: Run, tmp_path: Path) -> Run:
    write_priors(tmp_path / "own", CASES.values())
    write_prices(tmp_path / "prices.toml", CASES.values())
    lot = 'name = "x"\ndate = 2024-01-01\n'
    for name, case in CASES.items():
        lot += f'[[fraction]]\nname = "{name}"\nkind = "{case.kind}"\nmass = "{case.mass_kg} kg"\nwet = false\n'
    (tmp_path / "x.toml").write_text(lot, encoding="utf-8")

    def call(*words: str) -> Any:
        return run("--priors", "own", *words)

    assert call("lot", "add", "x.toml").code == 0
    for what in ("fit-equipment", "permit", "licence"):
        assert call("bench", "set", what, "yes").code == 0
    return call


def pilot_by_hand(kg: float, step_g: float) -> float:
    """What a pilot of the pins brings after its cost, apart from the program: means by 400 bins of what it shows.

    Pieces of 0.1 g with a CV of 0.8; six tenths of the recovery's variance are the route's (`priors/`), hours unpaid.
    """
    case, n, rng = CASES["B"], 400_000, np.random.default_rng(31)
    low, mid, high = np.log(case.grade_g_per_kg)
    grade = np.minimum(np.exp(mid + (high - low) / 2 / Z95 * rng.standard_normal(n)), 950)
    r5, r50, _ = (np.log(p / (100 - p)) for p in case.recovery)
    sd = (r50 - r5) / Z95
    of_route = r50 + np.sqrt(0.6) * sd * rng.standard_normal(n)

    def gain(mass: float, grams: Any) -> tuple[Any, Any]:
        dropped = grams / (1 + np.exp(-(of_route + np.sqrt(0.4) * sd * rng.standard_normal(n))))
        held_up = 0.5 * 0.107 * dropped**0.33 * np.exp(0.5 * rng.standard_normal(n))
        came = np.maximum(dropped - held_up, 0)
        return came, 100 * case.payable * came - case.money[0] - (case.money[1] + case.as_is_per_kg) * mass

    spread = 0.8 * np.sqrt(1e-4 / kg * (1 - kg / case.mass_kg))
    in_part = kg * grade * np.maximum(1 + spread * rng.standard_normal(n), 0)
    came, part = gain(kg, in_part)
    _, rest = gain(case.mass_kg - kg, case.mass_kg * grade - in_part)
    _, whole = gain(case.mass_kg, case.mass_kg * grade)
    shown = np.round(came / step_g + rng.standard_normal(n)) * step_g + 1e-9 * rng.random(n)
    told = rest[np.argsort(shown)].reshape(400, -1).mean(axis=1)  # what to expect of the rest, by what is shown
    return float(np.maximum(told, 0).mean() + part.mean() - max(whole.mean(), 0))


def test_the_pilot_is_worth_what_a_calculation_by_hand_says_and_a_larger_one_is_worth_less(eight: Run) -> None:
    # The reference plan has a pilot of 250 g, the least that practice takes of pins. By the numbers a smaller one tells
    # as much on a balance of 0.01 g and leaves more to decide on: 92 at 155 g, 89 at 250 g, 86 at 310 g, 74 at 620 g.
    plan = eight("plan", "--hours", "20", "--limit", "nitric acid=10 L", "--json").json
    pilot = next(step for step in plan["steps"] if step["action"] == "trial")
    by_hand = {kg: pilot_by_hand(kg, 0.01) for kg in (0.155, 0.25, 0.31, 0.62)}
    assert pilot["mass_kg"] == pytest.approx(0.155)
    assert pilot["worth"] == pytest.approx(by_hand[0.155], abs=3 * pilot["worth_mcse"])
    assert list(by_hand.values()) == sorted(by_hand.values(), reverse=True)
    assert by_hand[0.25] > 0.93 * by_hand[0.155]  # it hardly matters
    # On a balance of 0.1 g a pilot so small shows too little, and a larger one is better, here as by hand.
    assert eight("balance", "add", "coarse", "--readability", "0.1 g").code == 0
    (tested,) = eight("test-first", "x/B", "--json").json["rows"]
    trials = [option for option in tested["options"] if option["sort"] == "trial run"]
    assert max(trials, key=lambda option: option["net"])["mass_kg"] == pytest.approx(0.31)
    assert pilot_by_hand(0.31, 0.1) > pilot_by_hand(0.155, 0.1)
    for option in trials[:3]:
        assert option["net"] == pytest.approx(pilot_by_hand(option["mass_kg"], 0.1), abs=3 * option["net_mcse"])


def test_the_table_and_its_plan_come_out_of_the_commands(eight: Run) -> None:
    rows = {row["address"][2:]: row for row in eight("rank", "--json").json["ranking"]["rows"]}
    for name, case in CASES.items():
        gain, bad, chance, per_hour = case.expected
        row, error = rows[name], rows[name]["gain_mcse"]
        near = max(0.05 * abs(gain), 3 * error) + 0.5
        assert row["gain"]["mean"] == pytest.approx(gain, abs=near)
        if case.metal != "Ag":  # the bounded scale has the longer lower tail
            assert row["gain"]["q5"] == pytest.approx(bad, abs=max(0.05 * abs(bad), 6 * error) + 0.5)
            assert row["chance_of_gain"] == pytest.approx(chance, abs=0.02)
        assert row["gain_per_hour"] == pytest.approx(per_hour, abs=near / row["hours"]["mean"] + 0.55)
    assert list(rows)[:2] == ["A", "C"]

    # A, then C, then a pilot of B rather than its run; E is sold.
    plan = eight("plan", "--hours", "20", "--limit", "nitric acid=10 L", "--json").json
    steps = {step["address"][2:]: step for step in plan["steps"]}
    assert [(name, step["action"]) for name, step in steps.items() if step["order"]] == [
        ("A", "process"), ("C", "process"), ("B", "trial"),
    ]  # fmt: skip
    assert steps["A"]["hours"]["mean"] + steps["C"]["hours"]["mean"] == pytest.approx(15.3, abs=0.05)
    pilot = steps["B"]
    assert 0.1 <= pilot["mass_kg"] <= 0.5
    assert 0 < pilot["worth"] < rows["B"]["knowing_all"]
    assert plan["trials_worth"] == pytest.approx(pilot["worth"])
    hours = next(use for use in plan["uses"] if use["limit"] == "hours")
    assert hours["expected"] == pytest.approx(15.3 + pilot["hours"]["mean"], abs=0.05)
    assert steps["E"]["action"] == "sell"
    # Hours unpaid, what gains but finds no room waits: sold now it would bring 38 less (F). Paid, it is sold.
    assert {steps[name]["action"] for name in "DFGH"} <= {"wait", "test first"}
    acid = next(use for use in plan["uses"] if use["limit"] == "nitric acid")
    assert acid["expected"] >= 1  # the pilot's own
    whole = eight("plan", "--must", "x/B", "--limit", "nitric acid=8 L")
    assert whole.code == 6
    assert "nitric acid: " in whole.err  # some 9 to 11 L needed
    text = eight("plan", "--hours", "20", "--limit", "nitric acid=10 L").out
    assert all(len(line) <= 80 for line in text.splitlines())
    assert "3. trial" in text

    # A laboratory's fee decides between pilot and assay: below what the assay is worth more than the pilot it is one.
    (tested,) = eight("test-first", "x/B", "--json").json["rows"]
    best = {sort: max(o["net"] for o in tested["options"] if o["sort"] == sort) for sort in ("assay", "trial run")}
    more = best["assay"] - best["trial run"]
    assert f"costs less than {more:.3g} USD" in pilot["test"]
    for fee, action in ((0.9 * more, "assay"), (1.1 * more, "trial")):
        steps = eight("plan", "--hours", "20", "--fee", str(fee), "--json").json["steps"]
        assert next(step for step in steps if step["address"] == "x/B")["action"] == action

    # The broken twin: with fewer hours than a pilot takes after the runs there is none.
    short = eight("plan", "--hours", "16", "--json").json
    assert {step["action"] for step in short["steps"] if step["order"]} == {"process"}
    assert short["trials_worth"] == 0


def test_an_assay_in_a_plan_counts_with_its_fee_its_hours_and_its_days(eight: Run, tmp_path: Path) -> None:
    text = (tmp_path / "prices.toml").read_text(encoding="utf-8")
    own = text.replace("[time]", "[time]\nassay_hours = 1\nassay_days = 25")
    (tmp_path / "prices.toml").write_text(own, encoding="utf-8")

    def plan(*words: str) -> tuple[dict[str, Any], list[tuple[str, str]]]:
        shown = eight("plan", "--hours", "20", "--fee", "20", *words, "--json").json
        return shown, [(step["address"][2:], step["action"]) for step in shown["steps"] if step["order"]]

    shown, done = plan("--cash", "500", "--days", "30")
    assert done == [("B", "assay"), ("A", "process"), ("C", "process")]
    used = {use["limit"]: use["expected"] for use in shown["uses"]}
    runs = [step for step in shown["steps"] if step["action"] == "process"]
    assert used["hours"] == pytest.approx(1 + sum(step["hours"]["mean"] for step in runs))
    assert used["cash"] == pytest.approx(20 + sum(step["cost"]["mean"] for step in runs))
    assert used["days"] == pytest.approx(25)  # the runs go on meanwhile, and are done before
    assert shown["steps"][0]["cost"]["mean"] == pytest.approx(20)
    assert shown["trials_worth"] == pytest.approx(shown["steps"][0]["worth"])
    assert plan("--cash", "500", "--days", "30")[0] == shown  # from what was kept of the tests
    text = eight("plan", "--hours", "20", "--fee", "20", "--cash", "500", "--days", "30").out
    assert "1. assay" in text
    assert all(len(line) <= 80 for line in text.splitlines())
    # Each limit alone keeps it out: its result comes too late, its hour or its fee is not there.
    for words in (("--days", "24"), ("--cash", str(used["cash"] - 1)), ("--hours", str(used["hours"] - 0.1))):
        shown, done = plan(*words)
        assert ("B", "assay") not in done, words
    assert ("A", "process") in done
    # Paid hours are in its cost.
    free = eight("test-first", "x/B", "--fee", "20", "--json").json["rows"][0]["options"][0]
    (tmp_path / "prices.toml").write_text(own.replace("hours_rate = 0", "hours_rate = 15"), encoding="utf-8")
    paid = eight("test-first", "x/B", "--fee", "20", "--json").json["rows"][0]["options"][0]
    assert (free["sort"], paid["cost"] - free["cost"]) == ("assay", pytest.approx(15, abs=0.1))


def test_a_run_that_an_assay_may_stop_waits_for_it(eight: Run, tmp_path: Path) -> None:
    # With cheap assays and gold down the chips still gain, and not always: their run comes last, after its result.
    words = ("plan", "--fee", "1", "--if", "Au=-25%", "--days", "60", "--json")
    shown = eight(*words).json
    steps = [(step["address"][2:], step["action"], step["test"]) for step in shown["steps"] if step["order"]]
    late = [name for name, action, test in steps if action == "process" and test]
    assert late
    tested = [name for name, action, _ in steps if action == "assay"]
    assert set(late) <= set(tested)
    last = steps[-len(late) :]
    assert [name for name, _, _ in last] == late
    assert all(test == "begun after its assay, if that still says so" for _, _, test in last)


def test_with_gold_an_eighth_down_or_hours_paid_the_fingers_lead(eight: Run, tmp_path: Path) -> None:
    before = {row["address"][2:]: row for row in eight("rank", "--json").json["ranking"]["rows"]}
    down = eight("rank", "--if", "Au=-12%", "--json").json["ranking"]["rows"]
    assert down[0]["address"] == "x/A"
    fall = before["C"]["gain"]["q5"] - next(row for row in down if row["address"] == "x/C")["gain"]["q5"]
    assert fall == pytest.approx(0.12 * before["C"]["revenue"]["q5"], rel=0.01)
    write_prices(tmp_path / "prices.toml", CASES.values(), hours_rate=15)
    paid = {row["address"][2:]: row for row in eight("rank", "--json").json["ranking"]["rows"]}
    plan = eight("plan", "--hours", "20", "--limit", "nitric acid=10 L", "--json").json
    done = {step["address"][2:]: step["action"] for step in plan["steps"]}
    assert [name for name, action in done.items() if action in ("process", "trial")] == ["A", "C", "B"]
    assert {done[name] for name in "EF"} == {"sell"}  # as the reference plan has it
    for name in CASES:
        labour = 15 * before[name]["hours"]["mean"]
        assert paid[name]["gain"]["mean"] == pytest.approx(before[name]["gain"]["mean"] - labour, abs=0.5)
    assert "an hour counts 15" in eight("rank").out


def test_what_the_plan_does_not_look_at_would_not_pay(eight: Run) -> None:
    steps = {step["address"]: step for step in eight("plan", "--json").json["steps"]}
    unclear = [a for a, step in steps.items() if step["action"] in ("trial", "test first", "sell", "keep")]
    assert len(unclear) >= 2
    for address in unclear:
        (tested,) = eight("test-first", address, "--json").json["rows"]
        trials = [option for option in tested["options"] if option["sort"] == "trial run"]
        pays = [option["net"] for option in trials if option["net"] > 2 * option["net_mcse"]]
        assert steps[address]["worth"] == (pytest.approx(max(pays)) if pays else None)


def test_while_a_trial_is_going_no_other_is_planned(eight: Run) -> None:
    assert eight("batch", "add", "--charge", "x/B=0.2 kg", "--trial", "--date", "2024-01-05").code == 0
    plan = eight("plan", "--hours", "20", "--json").json
    step = next(step for step in plan["steps"] if step["address"] == "x/B")
    assert step["action"] != "trial"
    assert plan["trials_worth"] == 0
