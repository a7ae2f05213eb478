"""Twenty hours, ten litres of nitric acid and eight invented fractions, from their file to the plan, as typed.

The table and the plan are those of a separate Monte Carlo of 400,000 draws (`test_ranking_eight_fractions.py` has its
inputs); here they go through priors of one's own, a price file and the belief. Grades are lognormal there: silver at
62 % of the feed has the mean and the spread of it on the bounded scale that grades have here.
"""

from __future__ import annotations

import csv
import math
from pathlib import Path
from typing import Any

import pytest

from gradeest.materials.catalogue import load_catalogue
from tests.cli.conftest import Run
from tests.unit.test_ranking_eight_fractions import CASES, Z95, Case

ROUTES = {name: load_catalogue().kinds[case.kind].usual_route for name, case in CASES.items()}
SILVER_ROW = (380, 650, 831)  # g/kg, at most 950: mean 633, sd 138, as the lognormal's


def write_priors(folder: Path) -> None:
    """Rows of the table's grades and recoveries; no failed runs, hold-up as it stands (half of it comes back)."""
    folder.mkdir()
    grades = []
    for case in CASES.values():
        low, mid, high = SILVER_ROW if case.metal == "Ag" else case.grade_g_per_kg
        most = 950
        spread = math.log(high / low) / 2 / Z95
        if case.metal == "Ag":
            spread = (math.log(mid / (most - mid)) - math.log(low / (most - low))) / Z95 * (1 - mid / most)
        row = [1000 * low, 1000 * mid, 1000 * high, 1e-6, math.exp(spread), 1.001, 1000 * most]
        grades.append([case.kind, case.metal, "own", *row, "judgement", "judgement", "judgement", "invented"])
    grades.append(["mlcc-nonmagnetic", "Ag", "own", 0.5, 1, 2, 1e-6, 1.5, 1.001, 1e6, *["judgement"] * 3, "invented"])
    head = "kind,metal,basis,q5,q50,q95,p_absent,gsd_between,gsd_class_mean,max_g_per_t,founded,source,status,why"
    _write(folder / "grades.csv", head, grades)
    forms = {"Au": "gold-powder", "Ag": "silver-cement", "Pd": "palladium-dmg"}
    rows = {
        (ROUTES[name], case.metal): [r / 100 for r in case.recovery] + [forms[case.metal]]
        for name, case in CASES.items()
    }
    recovery = [[route, metal, *row, "", "judgement", "judgement", ""] for (route, metal), row in rows.items()]
    _write(folder / "recovery.csv", "route,metal,q5,q50,q95,usual_form,stays_in,source,status,note", recovery)
    given = {"grade.ln_tau_sd": 1e-3, "recovery.failed_share": 1e-9, "holdup.a_gsd": math.exp(0.4)}
    given["holdup.full_from_g"] = 1e6
    lines = []
    for name, value in given.items():
        table, key = name.split(".")
        lines.append(f'[{table}]\n{key} = {{ value = {value}, source = "judgement", status = "judgement" }}\n')
    text = "".join(lines).replace("[holdup]\nfull", "full")
    (folder / "model.toml").write_text(text, encoding="utf-8")


def _write(path: Path, head: str, rows: list[list[Any]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows([head.split(","), *rows])


def write_prices(path: Path, hours_rate: float = 0) -> None:
    lines = ['currency = "USD"', "[metals]", 'Au = "100 / g"', 'Ag = "1 / g"', 'Pd = "35 / g"']
    lines += ["[time]", f"hours_rate = {hours_rate}", "[settlement]", "fee = 0"]
    lines += ["[settlement.payable]", "Au = 0.97", "Ag = 0.95", "Pd = 0.85", "[sell_as_is.per_kg]"]
    lines += [f"{case.kind} = {case.as_is_per_kg}" for case in CASES.values()]
    money: dict[str, Case] = {ROUTES[name]: case for name, case in CASES.items()}
    names = ("cost_fixed", "cost_per_kg", "hours_fixed", "hours_per_kg")
    for route, case in money.items():
        lines += [f"[routes.{route}]", *(f"{n} = {v}" for n, v in zip(names, case.money, strict=True))]
    path.write_text("\n".join(lines), encoding="utf-8")


@pytest.fixture
def eight(run: Run, tmp_path: Path) -> Run:
    write_priors(tmp_path / "own")
    write_prices(tmp_path / "prices.toml")
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
    assert {steps[name]["action"] for name in "DFGH"} <= {"wait", "test first"}
    acid = next(use for use in plan["uses"] if use["limit"] == "nitric acid")
    assert acid["expected"] >= 1  # the pilot's own
    whole = eight("plan", "--must", "x/B", "--limit", "nitric acid=8 L")
    assert whole.code == 6
    assert "nitric acid: " in whole.err  # some 9 to 11 L needed
    text = eight("plan", "--hours", "20", "--limit", "nitric acid=10 L").out
    assert all(len(line) <= 80 for line in text.splitlines())
    assert "3. trial" in text

    # The broken twin: with fewer hours than a pilot takes after the runs there is none.
    short = eight("plan", "--hours", "16", "--json").json
    assert {step["action"] for step in short["steps"] if step["order"]} == {"process"}
    assert short["trials_worth"] == 0


def test_with_gold_an_eighth_down_or_hours_paid_the_fingers_lead(eight: Run, tmp_path: Path) -> None:
    before = {row["address"][2:]: row for row in eight("rank", "--json").json["ranking"]["rows"]}
    down = eight("rank", "--if", "Au=-12%", "--json").json["ranking"]["rows"]
    assert down[0]["address"] == "x/A"
    fall = before["C"]["gain"]["q5"] - next(row for row in down if row["address"] == "x/C")["gain"]["q5"]
    assert fall == pytest.approx(0.12 * before["C"]["revenue"]["q5"], rel=0.01)
    write_prices(tmp_path / "prices.toml", hours_rate=15)
    paid = {row["address"][2:]: row for row in eight("rank", "--json").json["ranking"]["rows"]}
    for name in CASES:
        labour = 15 * before[name]["hours"]["mean"]
        assert paid[name]["gain"]["mean"] == pytest.approx(before[name]["gain"]["mean"] - labour, abs=0.5)
    assert "an hour counts 15" in eight("rank").out


def test_while_a_trial_is_going_no_other_is_planned(eight: Run) -> None:
    assert eight("batch", "add", "--charge", "x/B=0.2 kg", "--trial", "--date", "2024-01-05").code == 0
    plan = eight("plan", "--hours", "20", "--json").json
    step = next(step for step in plan["steps"] if step["address"] == "x/B")
    assert step["action"] != "trial"
    assert plan["trials_worth"] == 0
