"""Benches made from the prior: what is read follows from what is behind it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from gradeest.belief.layers import split_layers
from gradeest.belief.simulate import simulate
from gradeest.materials.catalogue import load_catalogue
from gradeest.records.domain import Fraction
from tests.engine_bench import assay, bench, every_evidence, lot

CATALOGUE = load_catalogue()


def test_an_assay_of_a_jar_that_grew_is_of_its_mixture() -> None:
    jar = Fraction("jar", "chips-dip", 1.0, layers_kg=(0.6, 0.4))
    sampled = replace(assay("L/jar", "Au", 1.0, 1e-12), layers_kg=(0.3, 0.1))
    made, truth = simulate(split_layers(bench([lot("L", jar)], (), [sampled])), CATALOGUE, np.random.default_rng(1))
    first, second = (truth.grade_g_per_t[f"L/jar#{n}", "Au"] for n in (1, 2))
    assert made.assays[0].value_g_per_t == pytest.approx(0.75 * first + 0.25 * second, rel=1e-9)
    assert first != pytest.approx(second, rel=0.01)


def test_every_kind_of_evidence_can_be_made() -> None:
    plan = split_layers(every_evidence())
    made, truth = simulate(plan, CATALOGUE, np.random.default_rng(2))
    assert set(made.batches) == set(plan.batches)
    assert len(made.assays) == len(plan.assays)
    assert {kind for kind, _ in truth.kind_spread} == {plan.fraction(a).kind for a in plan.addresses()}
    assert min(truth.kind_spread.values()) > 0
