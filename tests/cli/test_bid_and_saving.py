"""A bid and saving up as typed, against tables of a separate Monte Carlo of 400,000 draws (invented inputs).

The inputs stand in `test_bid.py` and `test_saving.py`, which hold the calculation to the same tables; here they go
through priors of one's own, a price file and the belief.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.cli.conftest import Run
from tests.cli.own_tables import write_prices, write_priors
from tests.unit.test_ranking_eight_fractions import Case
from tests.unit.test_saving import TABLE

KIND = "fingers-memory"


def lay_out(folder: Path, grade: tuple[float, float, float], hours_per_kg: float) -> None:
    case = Case(KIND, "Au", 5.0, grade, (80, 93, 98), (35, 6, 3, hours_per_kg), 0, 0.97, (0, 0, 0, 0))
    write_priors(folder / "own", [case])
    write_prices(folder / "prices.toml", [case], hours_rate=15)


def offer(price: float) -> str:
    return f'name = "o"\nprice_paid = {price}\n[[fraction]]\nname = "f"\nkind = "{KIND}"\nmass = "5 kg"\n'


def test_a_bid_as_typed_is_that_of_the_table_and_sunk_once_it_is_paid(run: Run, tmp_path: Path) -> None:
    lay_out(tmp_path, (1.0, 2.2, 4.8), 1.3)
    (tmp_path / "offer.toml").write_text(offer(375), encoding="utf-8")
    words = ("--priors", "own", "bid", "offer.toml", "--chance", "0.75", "--json")
    found = run(*words).json["bid"]
    assert found["asked"]["chance_of_gain"] == pytest.approx(0.85, abs=0.02)
    assert found["asked"]["gain"]["mean"] == pytest.approx(500, rel=0.05)
    assert found["asked"]["gain"]["q5"] == pytest.approx(-150, abs=20)
    assert 93 < found["highest"]["per_kg"] < 101  # "just under 100"; +-2 of the calculation itself
    for price, chance in ((500, 0.74), (625, 0.62), (750, 0.50)):
        asked = run(*words, "--price", str(price)).json["bid"]["asked"]
        assert asked["chance_of_gain"] == pytest.approx(chance, abs=0.025)
    gains = []
    for name, price in (("dear", 375), ("gift", 0)):
        (tmp_path / "lot.toml").write_text(offer(price), encoding="utf-8")
        own = ("--priors", "own", "--ledger", f"{name}.ledger")
        assert run(*own, "lot", "add", "lot.toml").code == 0
        forecast = run(*own, "forecast", "--json").json["forecast"]["rows"]
        gold = next(row for row in forecast if row["metal"] == "Au")["recovered_g"]
        assert [gold[q] for q in ("q5", "q50", "q95")] == pytest.approx([4.5, 9.9, 22], rel=0.04)
        gains.append(run(*own, "rank", "--json").json["ranking"]["rows"][0]["gain"])
    assert gains[0] == gains[1]


def test_saving_up_as_typed_is_that_of_the_table(run: Run, tmp_path: Path) -> None:
    lay_out(tmp_path, (1.3, 2.4, 4.4), 1.2)
    words = ("--priors", "own", "save-up", KIND, "--monthly", "350 g", "--volatility", "16 %", "--json")
    shown = run(*words).json
    for row in shown["rows"]:
        if row["months"] in TABLE:
            net = TABLE[row["months"]]
            assert row["net_per_month"] == pytest.approx(net, abs=0.05 * abs(net) + 3 * row["net_per_month_mcse"] + 0.5)
    assert 4 <= shown["knee"] <= 6
    assert shown["rows"][5]["price_sd"] == pytest.approx(0.113, abs=0.001)
