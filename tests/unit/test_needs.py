"""What runs take beside hours and money, and limits of it as people type them."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from gradeest.belief.outcome import Run
from gradeest.decision.needs import Needs, find_needs, whole
from gradeest.decision.prices import Basis, NamedDraws
from gradeest.errors import InputError
from gradeest.materials.catalogue import Catalogue, load_catalogue
from gradeest.workflow.supplies import read_limits
from tests.decision_cases import costs, outcome, prices

DRAWS = 4_000


@cache
def shipped() -> Catalogue:
    return load_catalogue()


@cache
def pins_and_bar() -> Needs:
    """3.1 kg of plated pins in the nitric family, and a kilogram of capacitors smelted."""
    given = outcome(np.full((DRAWS, 2), 1.0), (Run("x/pins", 3.1, "pins-nitric"), Run("x/bar", 1.0, "smelt-copper")))
    terms = prices({"pins-nitric": costs(), "smelt-copper": costs()})
    kinds = {"x/pins": "pins-mixed", "x/bar": "mlcc-nonmagnetic"}
    return find_needs(given, kinds, Basis(terms, shipped(), NamedDraws(np.random.default_rng(1), DRAWS)))


def test_acid_in_all_is_the_sum_of_the_acids_and_days_are_those_of_the_route() -> None:
    needs = pins_and_bar()
    acids = needs.items["nitric-acid"] + needs.items["hydrochloric-acid"]
    assert needs.acid == pytest.approx(acids)
    assert (needs.acid[:, 1] == 0).all()
    for i, route in enumerate(("pins-nitric", "smelt-copper")):
        row = shipped().shares[f"days:{route}"]
        assert np.median(needs.days[:, i]) == pytest.approx(row.q50, rel=0.05)


def test_solid_pins_take_the_litres_that_an_outside_figure_has() -> None:
    # 3.5 L of nitric acid a kg of solid pins: a worked figure of others for copper alloy and strong acid.
    low, high = np.quantile(pins_and_bar().items["nitric-acid"][:, 0], (0.05, 0.95))
    assert low < 3.5 * 3.1 < high
    assert not low < 3.5 * 3.1 / 3 < high  # the broken twin: a third of it


@pytest.mark.parametrize(
    ("amount", "step", "told"), [(1.2, 1, 2), (2.0, 1, 2), (0.3, 0.5, 0.5), (1.2, 0, 1.2), (0, 1, 0)]
)
def test_packs_are_whole(amount: float, step: float, told: float) -> None:
    assert whole(amount, step) == pytest.approx(told)


def test_limits_are_read_by_name_or_id_in_any_unit_of_their_sort() -> None:
    found = read_limits(
        ["nitric acid=10 L", "Hydrochloric-Acid=500 ml", "washing soda=2 kg", "filters=20", "peroxide=0 L"], shipped()
    )
    assert found == pytest.approx(
        {"nitric-acid": 10, "hydrochloric-acid": 0.5, "soda": 2, "filters": 20, "peroxide": 0}
    )
    assert read_limits(["filter papers=20 pieces"], shipped()) == {"filters": 20}


def test_every_limit_that_cannot_be_is_named_at_once() -> None:
    wrong = ["nitric acid", "nitrc acid=2 L", "soda=2 L", "filters=-2", "peroxide=1 L", "hydrogen peroxide=2 L", "=3 L"]
    with pytest.raises(InputError) as told:
        read_limits(wrong, shipped())
    assert [issue.field for issue in told.value.issues] == [
        f'--limit "{text}"' for text in wrong if text != "peroxide=1 L"
    ]
    assert "limited twice" in told.value.issues[4].message
