"""All uses of one fraction: what saving up is worth, worked by hand, and which use is called the best."""

from __future__ import annotations

import numpy as np
import pytest

from gradeest.belief.outcome import Run
from gradeest.decision.alternatives import Later, Use, mark_best, save_up_with
from gradeest.decision.prices import Basis, NamedDraws
from gradeest.materials.catalogue import load_catalogue
from tests.decision_cases import METALS, costs, one, prices

CATALOGUE = load_catalogue()
KIND = "fingers-memory"


def saved(own_g: float, months: dict[int, float], as_is: float = 0.0) -> Use:
    """1 kg of `own_g` of gold and 1 kg a month of `months[n]` together; 100 a g; a batch costs 60 and takes 4 h."""

    def gold(grams: float) -> tuple[np.ndarray, np.ndarray]:
        fine = np.tile([grams, 0.0, 0.0], (10, 1))
        return fine, fine

    choices = [Later(METALS, n, float(n), gold(own_g + grams), gold(grams)) for n, grams in months.items()]
    terms = prices({"r": costs(60, 0, 4)}, as_is_per_kg={KIND: one(as_is)})
    alternative = np.full(10, as_is)
    named = NamedDraws(np.random.default_rng(1), 10)
    return save_up_with(Run("L/f", 1.0, "r"), KIND, alternative, choices, Basis(terms, CATALOGUE, named))


def test_beside_a_batch_that_is_made_anyhow_nothing_fixed_is_paid_twice() -> None:
    use = saved(1.0, {2: 2.0})
    assert use.worth == pytest.approx(100)  # 300 - 60 together, 200 - 60 without: all of its own metal
    assert use.worth != pytest.approx((300 - 60) / 3)  # the broken twin: an equal share of the fixed cost
    assert use.hours == pytest.approx(0)


def test_beside_material_that_no_batch_is_made_of_all_that_is_fixed_is_paid() -> None:
    use = saved(1.0, {1: 0.5})
    assert use.worth == pytest.approx(150 - 60)
    assert use.hours == pytest.approx(4)
    sold = saved(1.0, {1: 0.5}, as_is=40.0)  # then the later kilogram would be sold for 40
    assert sold.worth == pytest.approx(150 - 60 - 40)


def test_the_fewest_months_that_bring_most_of_it_are_taken() -> None:
    assert "within 2 months" in saved(1.0, {1: 0.2, 2: 2.0, 6: 6.0}).remark
    assert "within 1 month;" in saved(1.0, {1: 2.0, 2: 4.0}).remark


def test_a_price_that_moves_meanwhile_widens_what_saving_up_brings_and_moves_no_mean() -> None:
    # The lognormal of mean 1: its 5 % point is exp(-1.645 s - s^2 / 2), s = 0.16 sqrt(6 / 12) (common practice).
    draws = 40_000
    fine = np.tile([4.0, 0.0, 0.0], (draws, 1))
    nothing = np.zeros_like(fine)
    later = [Later(METALS, 6, 1.0, (fine, fine), (nothing, nothing))]
    terms, named = prices({"r": costs(60, 0, 4)}), NamedDraws(np.random.default_rng(2), draws)
    args = Run("L/f", 1.0, "r"), KIND, np.zeros(draws), later, Basis(terms, CATALOGUE, named)
    still, moving = save_up_with(*args), save_up_with(*args, volatility=0.16)
    assert still.spread is not None
    assert moving.spread is not None
    assert (still.worth, still.spread.q5) == (pytest.approx(340), pytest.approx(340))
    assert moving.worth == pytest.approx(340, abs=4 * moving.mcse)
    s = 0.16 * np.sqrt(0.5)
    for z, point in ((-1.645, moving.spread.q5), (1.645, moving.spread.q95)):
        assert point == pytest.approx(400 * np.exp(s * z - s**2 / 2) - 60, abs=5)
        assert point != pytest.approx(400 * np.exp(0.16 * z - 0.16**2 / 2) - 60, abs=5)  # the broken twin: a year's
    assert "11 %" in moving.remark


def use(name: str, worth: float | None, mcse: float = 1.0, hours: float | None = 0.0, is_partial: bool = False) -> Use:
    return Use(name, worth, None if worth is None else mcse, None, hours, "", is_partial)


def test_the_best_use_is_clearly_better_or_takes_the_fewest_hours() -> None:
    def best(*uses: Use) -> list[str]:
        return [each.name for each in mark_best(uses) if each.is_best]

    assert best(use("process", 100, hours=5), use("sell", 90)) == ["process"]
    assert best(use("process", 100, hours=5), use("sell", 98)) == ["sell"]  # 2 is within 2 errors of both (2.8)
    assert best(use("trial first", 101, hours=None), use("process", 100, hours=5)) == ["process"]
    assert best(use("assay first", 150, hours=None, is_partial=True), use("process", 100, hours=5)) == ["process"]
    assert best(use("process", None)) == []
    order = [each.name for each in mark_best([use("process", None), use("keep", 0), use("sell", 5)])]
    assert order == ["sell", "keep", "process"]
