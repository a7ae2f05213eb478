"""Every shipped row holds against its own prior predictive; the check itself can fail."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from gradeest.materials.catalogue import Catalogue, check_catalogue, load_catalogue
from gradeest.materials.prior_check import check_row, predict_present


@pytest.fixture(scope="module")
def catalogue() -> Catalogue:
    return load_catalogue()


def test_no_shipped_row_fails(catalogue: Catalogue) -> None:
    checks = check_catalogue(catalogue)
    assert not [check for check in checks if check.verdict == "fails"]
    assert any(check.verdict == "named" for check in checks)  # rows are skewed, the form is not
    own = sum(row.basis == "own row" for kind in catalogue.kinds.values() for row in kind.grades.values())
    assert len(checks) == own + 1  # and "unlikely" once


@pytest.mark.parametrize(
    ("kind", "metal"),
    [("fingers-mixed", "Au"), ("contacts-unknown", "Ag"), ("mlcc-nonmagnetic", "Pd"), ("pins-mixed", "Ag")],
)
def test_quadrature_agrees_with_drawing_the_model(catalogue: Catalogue, kind: str, metal: str) -> None:
    """The model of a lot's grade, drawn two million times as it is written, against the quantiles by quadrature."""
    row = catalogue.kinds[kind].grades[metal]
    rng = np.random.default_rng(20260101)
    draws = 2_000_000
    z = rng.standard_normal(int(draws * 1.06))
    z = z[np.abs(z) < 2][:draws]
    scale = 1 - row.q50 / row.max_g_per_t
    tau = np.log(row.gsd_between) / scale * np.exp(0.3 * z)
    mean = np.log(row.q50 / row.max_g_per_t / scale) + np.log(row.gsd_class_mean) / scale * rng.standard_normal(z.size)
    x = mean + tau * rng.standard_normal(z.size)
    by_draws = np.quantile(x, [0.05, 0.5, 0.95])
    share = predict_present(row, catalogue.constants, (0.05, 0.5, 0.95)) / row.max_g_per_t
    by_quadrature = np.log(share / (1 - share))
    # Monte Carlo error of a 5 % point: sqrt(p (1-p) / n) / density
    error = x.std() * np.sqrt(0.05 * 0.95 / z.size) / 0.1
    assert by_quadrature == pytest.approx(by_draws, abs=5 * error)


def test_a_row_that_states_a_wrong_tail_is_named_and_fails(catalogue: Catalogue) -> None:
    row = catalogue.kinds["fingers-mixed"].grades["Au"]
    assert check_row(row, catalogue.constants).verdict == "ok"
    assert check_row(replace(row, q95=row.q95 * 1.5), catalogue.constants).verdict == "named"
    assert check_row(replace(row, q95=row.q95 * 2.2), catalogue.constants).verdict == "fails"
    assert check_row(replace(row, gsd_class_mean=4.0), catalogue.constants).verdict == "fails"
