"""Where metal went: whatever a run did, the parts add up to what went in, and none is below nothing."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gradeest.belief import flows
from gradeest.belief.draws import Posterior
from gradeest.belief.flows import Flow, Known, add_up, flow_of, part_of
from gradeest.belief.places import PLACES
from gradeest.belief.posterior import draw_prior
from gradeest.belief.sharing import REACHED, RECOVERY, SO_FAR, rest_of
from gradeest.materials.catalogue import load_catalogue
from gradeest.records.domain import METALS, Batch, Bench, Charge, Fraction, Loss, Lot, NonDetect, Stream

DAY = dt.date(2025, 1, 1)
CATALOGUE = load_catalogue()
DRAWS = 6
CLOSES = 1e-9
PRIOR = draw_prior(
    Bench({"L": Lot("L", DAY, (Fraction("a", "fingers-memory", 1.0),))}), CATALOGUE, np.random.default_rng(1), DRAWS
)
LOGIT = st.floats(-700, 700)
LN_SHARE = st.floats(-700, 0)
GRAMS = st.floats(1e-12, 1e5)
Run = tuple[Batch, Posterior, Known]


@st.composite
def a_run(draw: st.DrawFn) -> Run:
    """A batch by any route, open or closed, with streams and losses, and any shares that a fit may leave behind."""
    names = draw(st.lists(st.sampled_from(["wires", "dies", "dust"]), unique=True))
    losses = tuple(Loss("B1", 0.1, 0.5, "", DAY) for _ in range(draw(st.integers(0, 2))))
    liquid = draw(st.sampled_from(["tested-negative", "kept", "gone"]))
    batch = Batch(
        "B1", DAY, draw(st.sampled_from(sorted(CATALOGUE.routes))), (Charge("L/a", 1.0),),
        closed=draw(st.sampled_from([None, DAY])), losses=losses,
        nondetects=tuple(NonDetect("B1", metal, 0.02, liquid, DAY) for metal in draw(st.sets(st.sampled_from(METALS)))),
        streams=tuple(Stream(name, "B1", "set-aside", 0.01, None, DAY) for name in names),
    )  # fmt: skip

    def values(numbers: st.SearchStrategy[float]) -> np.ndarray:
        return np.array(draw(st.lists(numbers, min_size=DRAWS, max_size=DRAWS)))

    shares = {}
    for metal in METALS:
        if draw(st.booleans()):
            shares |= {("B1", metal, RECOVERY): values(LOGIT)}
            if draw(st.booleans()):
                shares |= {("B1", metal, REACHED): values(LN_SHARE)}
                shares |= {("B1", metal, SO_FAR): values(LN_SHARE)} if batch.is_open else {}
        shares |= {("B1", metal, rest_of(to)): values(st.floats(-8, 8)) for to in PLACES if draw(st.booleans())}
    contained = np.stack([values(GRAMS) for _ in METALS], axis=1)
    aside = contained * np.stack([values(st.floats(0, 1.1)) for _ in METALS], axis=1) if names else 0 * contained
    weighed = np.stack([values(st.floats(0, 10)) for _ in METALS], axis=1)
    return batch, replace(PRIOR, shares=shares), Known(contained, aside, weighed, [values(LOGIT) for _ in losses])


def gap(flow: Flow) -> float:
    """Largest relative gap between what went in and the sum of the parts."""
    return float(np.max(np.abs(np.sum(list(flow.parts_g.values()), axis=0) / flow.contained_g - 1)))


@settings(max_examples=100, deadline=None)
@given(a_run())
def test_the_balance_closes_in_every_draw(run: Run) -> None:
    batch, posterior, known = run
    flow = flow_of(batch, known, posterior, CATALOGUE, np.random.default_rng(2))
    assert gap(flow) < CLOSES
    assert all((grams >= 0).all() for grams in flow.parts_g.values())
    third = np.full_like(known.contained_g, 1 / 3)
    assert gap(add_up([flow, part_of(flow, third)])) < CLOSES
    if batch.is_open:
        assert set(flow.parts_g) <= {"product", "in work", "set aside", "spilled"}
    else:
        assert "in work" not in flow.parts_g


def test_a_part_that_is_forgotten_does_not_close(monkeypatch: pytest.MonkeyPatch) -> None:
    """Twin: what hangs in the equipment left out."""
    batch = Batch("B1", DAY, "foils-peroxide", (Charge("L/a", 1.0),), closed=DAY)
    shares = {("B1", "Au", RECOVERY): np.full(DRAWS, 2.0), ("B1", "Au", REACHED): np.full(DRAWS, -0.1)}
    contained = np.ones((DRAWS, len(METALS)))

    def flow() -> Flow:
        rng = np.random.default_rng(2)
        return flow_of(
            batch, Known(contained, 0 * contained, 0 * contained), replace(PRIOR, shares=shares), CATALOGUE, rng
        )

    assert gap(flow()) < CLOSES
    whole = flows._Run._share_rest
    monkeypatch.setattr(
        flows._Run, "_share_rest",
        lambda *given: {to: grams for to, grams in whole(*given).items() if to != "equipment"},
    )  # fmt: skip
    assert gap(flow()) > 1e-3
