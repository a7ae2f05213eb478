"""The table of published results is sound; the assays among it against the priors' own quantiles.

Held against the priors it is a consistency check only: the priors were compiled from the same pages.
"""

from __future__ import annotations

import pytest

from gradeest.materials.catalogue import load_catalogue
from gradeest.materials.prior_check import predict_present
from tests.reference.published import PUBLISHED, Published

CATALOGUE = load_catalogue()


def test_at_least_twelve_results_from_at_least_eight_sources() -> None:
    assert sum(row.what in ("recovered", "assay") for row in PUBLISHED) >= 12
    assert len({row.group for row in PUBLISHED if row.what in ("recovered", "assay")}) >= 8


@pytest.mark.parametrize("row", PUBLISHED, ids=[f"{r.kind}-{r.metal}-{r.value_g_per_t:g}" for r in PUBLISHED])
def test_rows_are_sound(row: Published) -> None:
    assert row.source in CATALOGUE.sources
    assert CATALOGUE.kinds[row.kind].grades[row.metal].basis == "own row"
    if row.weight_g is not None and row.feed_kg is not None:
        assert row.weight_g / row.feed_kg * 1000 == pytest.approx(row.value_g_per_t, rel=1e-3)


def outside(shift: float) -> list[str]:
    """Assays that fall outside the 90 % interval of the present part, with grades multiplied by `shift`."""
    found = []
    for row in PUBLISHED:
        if row.what == "assay":
            grade = CATALOGUE.kinds[row.kind].grades[row.metal]
            low, high = predict_present(grade, CATALOGUE.constants, (0.05, 0.95))
            if not low <= row.value_g_per_t * shift <= high:
                found.append(row.kind)
    return found


def test_assays_lie_within_the_prior_predictive() -> None:
    assert outside(1.0) == []


def test_assays_in_the_wrong_unit_would_fall_out() -> None:
    """The twin: read as g/kg instead of g/t nearly all fall out."""
    assert len(outside(1000.0)) >= 3
    assert len(outside(1e-3)) >= 3
