"""Priors and prices of one's own, written from the rows of an invented table, for commands to be run on."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable
from functools import cache
from pathlib import Path
from typing import Any

from gradeest.materials.catalogue import load_catalogue
from tests.unit.test_ranking_eight_fractions import Z95, Case

SILVER_ROW = (380, 650, 831)  # g/kg, at most 950: mean 633, sd 138, as the lognormal's


@cache
def route_of(kind: str) -> str:
    return load_catalogue().kinds[kind].usual_route


def write_priors(folder: Path, cases: Iterable[Case]) -> None:
    """Rows of grades and recoveries; no failed runs, hold-up as it stands (half of it comes back)."""
    folder.mkdir()
    cases, grades = list(cases), []
    for case in cases:
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
    rows = {(route_of(case.kind), case.metal): [r / 100 for r in case.recovery] + [forms[case.metal]] for case in cases}
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


def write_prices(path: Path, cases: Iterable[Case], hours_rate: float = 0) -> None:
    """The prices of the tables: 100, 1 and 35 a g, no fee, one offer per kind."""
    cases = list(cases)
    lines = ['currency = "USD"', "[metals]", 'Au = "100 / g"', 'Ag = "1 / g"', 'Pd = "35 / g"']
    lines += ["[time]", f"hours_rate = {hours_rate}", "[settlement]", "fee = 0"]
    lines += ["[settlement.payable]", "Au = 0.97", "Ag = 0.95", "Pd = 0.85", "[sell_as_is.per_kg]"]
    lines += [f"{case.kind} = {case.as_is_per_kg}" for case in cases]
    money: dict[str, Case] = {route_of(case.kind): case for case in cases}
    names = ("cost_fixed", "cost_per_kg", "hours_fixed", "hours_per_kg")
    for route, case in money.items():
        lines += [f"[routes.{route}]", *(f"{n} = {v}" for n, v in zip(names, case.money, strict=True))]
    path.write_text("\n".join(lines), encoding="utf-8")
