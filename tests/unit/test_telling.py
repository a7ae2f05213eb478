"""What a result tells about other fractions: against the closed form, and on draws of the prior."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest

from gradeest.belief.outcome import Run
from gradeest.belief.posterior import draw_prior
from gradeest.belief.predictive import run_forward
from gradeest.decision.information import first_draws, gained_elsewhere, mean_by_origin
from gradeest.decision.ranking import rank_runs
from gradeest.decision.summary import mcse
from gradeest.decision.testing import Material, assay_options
from gradeest.materials.catalogue import load_catalogue
from gradeest.records.domain import Bench, Fraction, Lot
from tests.decision_cases import costs, one, prices

N = 100_000
UNIT_LOSS = {0.0: 0.398942, 0.5: 0.197797, 1.0: 0.083315}  # phi(u) - u(1 - Phi(u))


@pytest.mark.parametrize("repeats", [1, 5])
def test_a_result_tells_of_another_gain_what_the_unit_normal_loss_says(repeats: int) -> None:
    # The other gain is N(m, 1) and what is expected of it given the result N(m, r^2): worth r L(m / r). Draws may share
    # an origin; what is new in each of them (here a noise of sd 2 in the other gain) then averages out.
    rng = np.random.default_rng(1)
    r, common = 0.6, rng.standard_normal(N // repeats)
    origin = None if repeats == 1 else np.resize(rng.permutation(len(common)), N)
    base = common if origin is None else common[origin]
    result = r * base + np.sqrt(1 - r**2) * rng.standard_normal(N)
    gains = np.stack([u * r + base + 2 * rng.standard_normal(N) for u in UNIT_LOSS], axis=1)
    shown = result[first_draws(origin, N), None]
    for i, loss in enumerate(UNIT_LOSS.values()):
        found = gained_elsewhere(mean_by_origin(gains[:, [i]], origin), shown)
        assert found.mean() == pytest.approx(r * loss, abs=4 * mcse(found))
    together = gained_elsewhere(mean_by_origin(gains, origin), shown)
    assert together.mean() == pytest.approx(r * sum(UNIT_LOSS.values()), abs=4 * mcse(together))
    assert mcse(together) < 0.02
    alone = gained_elsewhere(mean_by_origin(np.random.default_rng(2).permutation(gains), origin), shown)
    assert abs(alone.mean()) < 4 * mcse(alone) < together.mean()  # the broken twin: nothing in common, nothing told


def test_what_decides_itself_is_not_told_about() -> None:
    rng = np.random.default_rng(3)
    sure = np.stack([50 + rng.random(2_000), -50 - rng.random(2_000)], axis=1)
    assert (gained_elsewhere(sure, sure[:, [0]]) == 0).all()


def test_the_twin_of_a_fraction_tells_most_about_it_and_a_stranger_nothing() -> None:
    catalogue = load_catalogue()
    names = {"pins": "pins-mixed", "more-pins": "pins-mixed", "caps": "mlcc-nonmagnetic"}
    lot = Lot("L", dt.date(2024, 1, 1), tuple(Fraction(name, kind, 1.0) for name, kind in names.items()))
    posterior = draw_prior(Bench({"L": lot}, {}), catalogue, np.random.default_rng(4), 4_000)
    runs = [Run(f"L/{name}", 1.0, catalogue.kinds[kind].usual_route) for name, kind in names.items()]
    found = run_forward(posterior, runs, catalogue, np.random.default_rng(5), draws=20_000)
    kinds = {f"L/{name}": kind for name, kind in names.items()}
    middle = 100 * found.recovered_g[:, 0, 0].mean()  # what pins bring on average: whether to run them is open
    terms = prices(
        {run.route: costs(hours_fixed=5) for run in runs},
        as_is_per_kg={"pins-mixed": one(middle), "mlcc-nonmagnetic": one(1.0)},
    )
    rows = rank_runs(found, kinds, terms, catalogue, np.random.default_rng(6), origin=found.origin).rows
    told = {row.address: (row.tells_others, row.tells_others_mcse) for row in rows}
    for name in ("L/pins", "L/more-pins"):
        assert told[name][0] > 4 * told[name][1]
    assert told["L/caps"][0] < 3 * told["L/caps"][1]


def test_an_assay_on_draws_of_the_model_is_worth_what_weighting_the_draws_gives() -> None:
    # Another way to the same number: E[gain | reading] as the mean of all draws weighted by how well each explains the
    # reading (self-normalised importance weights), no regression; the readings are those of other draws.
    catalogue = load_catalogue()
    lot = Lot("L", dt.date(2024, 1, 1), (Fraction("pins", "pins-mixed", 1.0),))
    posterior = draw_prior(Bench({"L": lot}, {}), catalogue, np.random.default_rng(7), 20_000)
    run = Run("L/pins", 1.0, catalogue.kinds["pins-mixed"].usual_route)
    found = run_forward(posterior, [run], catalogue, np.random.default_rng(8), draws=20_000)
    gold, held = found.recovered_g[:, 0, 0], found.contained_g[:, 0, :1]
    gain = 100 * (gold - gold.mean()) + 5
    rng = np.random.default_rng(9)
    material = Material(1.0, 1e9)  # ever so many pieces: the laboratory alone is unsure
    option = assay_options(gain, np.zeros_like(gain), held, material, u=0.4, fee=0.0, rng=rng)[-1]
    log_held = np.log(held[:, 0])
    readings = log_held[:1_500] + 0.4 * rng.standard_normal(1_500)
    weights = np.exp(-(((readings[:, None] - log_held[1_500:]) / 0.4) ** 2) / 2)
    expected = weights @ gain[1_500:] / weights.sum(axis=1)
    nested = np.maximum(expected, 0) - expected  # without the assay it is processed
    error = np.hypot(option.worth_mcse, nested.std() / np.sqrt(1_500))
    assert option.worth == pytest.approx(nested.mean(), abs=3 * error)
    assert option.worth > 8 * error  # it can fail: an assay worth nothing would not pass
