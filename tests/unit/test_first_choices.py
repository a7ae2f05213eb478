"""Twenty hours and eight invented fractions: the plan is the one their reference table goes with."""

from __future__ import annotations

import numpy as np
import pytest

from gradeest.decision.economics import value_runs
from gradeest.decision.plan import Limit, Question, choose_runs, next_step, order_runs
from gradeest.decision.prices import Basis, NamedDraws
from gradeest.materials.catalogue import load_catalogue
from tests.unit.test_ranking_eight_fractions import CASES, lay_out


def test_twenty_hours_go_to_the_fingers_then_the_chips() -> None:
    # The plan that the reference table of the eight fractions goes with: A, then C, 15.3 h; nothing else fits.
    given, kinds, terms = lay_out()
    money = value_runs(given, kinds, Basis(terms, load_catalogue(), NamedDraws(np.random.default_rng(21), 100_000)))
    gain, hours = money.advantage.mean(axis=0), money.hours.mean(axis=0)
    asked = Question(gain, [Limit("hours", "h", 20.0, hours)])
    chosen = choose_runs(asked)
    order = order_runs(chosen, {i: gain[i] / hours[i] for i in chosen})
    assert [list(CASES)[i] for i in order] == ["A", "C"]
    assert hours[list(chosen)].sum() == pytest.approx(15.3, abs=0.05)
    more = next_step(asked, 0)
    assert more is not None
    names = list(CASES)
    with_filters = sum(hours[names.index(name)] for name in "ACH") - 20  # the least of what would come in next
    assert more.extra == pytest.approx(with_filters, rel=1e-6)
    assert more.gain == pytest.approx(gain[names.index("H")], rel=1e-6)
