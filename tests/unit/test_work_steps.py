"""Hours by steps of the work: they add up, learn from what was told of one step or of all, against outside sums."""

from __future__ import annotations

import math
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from gradeest.decision.hours import Hours, HoursAhead
from gradeest.decision.prices import HoursTold, NamedDraws
from gradeest.decision.steps import Learned, Pattern, Record, learn, ln_softmax, pattern_of
from gradeest.errors import InputError
from gradeest.materials.catalogue import Catalogue, Quantiles, load_catalogue
from gradeest.materials.work_steps import minutes_of
from tests.decision_cases import one

DRAWS = 20_000
ROUTE = "foils-peroxide"
SHARE, NOTED = 0.6, 0.1
Z95 = 1.6448536


@cache
def catalogue() -> Catalogue:
    return load_catalogue()


def ahead(*told: HoursTold, rows: tuple[Quantiles, Quantiles] | None = None, route: str = ROUTE) -> HoursAhead:
    shares = catalogue().shares
    own = rows or (shares[f"hours-fixed:{route}"], shares[f"hours-per-kg:{route}"])
    return HoursAhead(route, own, told, catalogue(), NamedDraws(np.random.default_rng(1), DRAWS))


@cache
def plain(route: str = ROUTE, kg: float = 1.0) -> Hours:
    return ahead(route=route).by_steps(kg)


def test_steps_add_up_to_the_hours_of_the_rows_in_every_draw() -> None:
    for route in catalogue().routes:
        found = plain(route)
        assert np.array_equal(found.total, ahead(route=route).total(1.0))
        assert np.allclose(sum(found.steps.values()), found.total, rtol=1e-12)
    told = ahead(HoursTold(ROUTE, 1.0, None, (("washing", 9.0),))).by_steps(3.0)
    assert np.allclose(sum(told.steps.values()), told.total, rtol=1e-12)


def test_the_steps_of_a_route_alone_come_near_the_hours_of_its_rows() -> None:
    """Both are rough memory of the same work, put down apart: medians of a kilogram within a factor of two."""
    for route in catalogue().routes:
        minutes = sum(math.exp(centre) for centre in pattern_of(route, 1.0, catalogue()).centre)
        assert 0.5 < minutes / 60 / np.median(plain(route).total) < 2, route


def test_what_grows_with_mass_takes_a_larger_part_of_a_larger_batch() -> None:
    small, large = plain(), ahead().by_steps(10.0)
    for step, is_larger in (("sorting", True), ("melting", False), ("weighing", False)):
        part = [np.median(found.steps[step] / found.total) for found in (small, large)]
        assert (part[1] > part[0]) == is_larger, step


def test_a_row_that_names_a_route_stands_there_and_a_step_may_belong_to_some_routes_only() -> None:
    steps = catalogue().work_steps
    own, usual = (minutes_of(route, steps)["preparing"]["kg"].q50 for route in ("chips-burn", ROUTE))
    assert own > usual
    assert "dropping" not in minutes_of("melt-contacts", steps)
    assert "melting" in minutes_of("melt-contacts", steps)


# --- one step told of one batch, against importance sampling of the whole model, nothing made linear

PATTERN = Pattern(("a", "b"), (math.log(2.0), math.log(1.0)), (0.6, 0.4))
PACE = 0.5


@cache
def weighted(told: float) -> tuple[float, float, float, float, float]:
    """Means of pace, v_a and v_b after ln(hours of step a) = `told` over the centre, the sd of v_a; and the error."""
    rng = np.random.default_rng(3)
    n = 400_000
    v = math.sqrt(SHARE) * rng.standard_normal((n, 3))
    z = v + math.sqrt(1 - SHARE) * rng.standard_normal((n, 3))
    log_share = ln_softmax(np.array(PATTERN.centre) + np.array(PATTERN.spread) * z[:, 1:])[:, 0]
    weight = np.exp(-0.5 * ((told - PACE * z[:, 0] - log_share) / NOTED) ** 2)
    weight /= weight.sum()
    mean = weight @ v
    sd = math.sqrt(weight @ (v[:, 1] - mean[1]) ** 2)
    return (*mean, sd, 1 / math.sqrt(1 / (weight**2).sum()))


def learned(told: float, record_share: float = SHARE) -> Learned:
    return learn((Record(PATTERN, PACE, None, ((0, told),)),), 2, record_share, NOTED)


@pytest.mark.parametrize("factor", [0.6, 1.0, 2.0])
def test_hours_of_one_step_move_that_step_and_the_pace_as_importance_sampling_says(factor: float) -> None:
    """The softmax made linear: within a tenth of a sd of the exact means, whatever the error of the sampling."""
    told = math.log(2 / 3 * factor)
    *exact, sd, error = weighted(told)
    found = learned(told)
    assert error < 0.02
    for value, truth in zip(found.mean, exact, strict=True):
        assert value == pytest.approx(truth, abs=0.07 + 3 * error)
    assert math.sqrt(found.cov[1, 1]) == pytest.approx(sd, rel=0.05)


def test_a_step_told_is_not_taken_for_all_the_work() -> None:
    """The broken twin: the hours of one step counted as all hours of the batch declare the bench much too fast."""
    told = math.log(2 / 3)
    exact = weighted(told)
    twin = learn((Record(PATTERN, PACE, told, ()),), 2, SHARE, NOTED)
    assert abs(learned(told).mean[0] - exact[0]) < 0.07
    assert abs(twin.mean[0] - exact[0]) > 0.3


def test_in_the_linear_limit_it_is_gaussian_conditioning() -> None:
    """Tiny spreads: v_a after n batches of which all hours and those of step a are told, by the conjugate normal.

    ln share_a = const + (1 - w_a) s z_a - w_b s z_b with w = (2/3, 1/3): one direction of (z_a, z_b) is seen.
    """
    s, n, seen = 1e-3, 5, 0.7
    pattern = Pattern(("a", "b"), PATTERN.centre, (s, s))
    slope = np.array([1 / 3, -1 / 3])
    size = float(np.linalg.norm(slope))
    step = math.log(2 / 3) + s * size * seen
    records = tuple(Record(pattern, PACE, 0.0, ((0, step),)) for _ in range(n))
    found = learn(records, 2, SHARE, NOTED * s)
    noise = (1 - SHARE) + (NOTED / size) ** 2
    mean = seen * (n / noise) / (1 / SHARE + n / noise)
    assert found.mean[1:] == pytest.approx(mean * slope / size, rel=0.01)
    along = slope / size @ found.cov[1:, 1:] @ slope / size
    assert along == pytest.approx(1 / (1 / SHARE + n / noise), rel=0.01)


def simulate(rng: np.random.Generator, batches: int) -> tuple[list[HoursTold], np.ndarray, Pattern]:
    """A bench made by the model: batches with all steps told, and the steps of one more."""
    pattern = pattern_of(ROUTE, 1.0, catalogue())
    centre, sd = math.log(6.0), 0.3
    v = math.sqrt(SHARE) * rng.standard_normal(1 + len(pattern.steps))
    told = []
    for b in range(batches + 1):
        z = v + math.sqrt(1 - SHARE) * rng.standard_normal(len(v))
        share = ln_softmax(np.array(pattern.centre) + np.array(pattern.spread) * z[1:])
        hours = np.exp(centre + sd * z[0] + share)
        if b < batches:
            noted = hours * np.exp(NOTED * rng.standard_normal(len(hours)))
            told.append(HoursTold(ROUTE, 1.0, float(noted.sum()), tuple(zip(pattern.steps, noted, strict=True))))
    return told, hours, pattern


def coverage(share: float, benches: int = 120) -> float:
    """How often 90 % intervals hold the hours of the steps of the next batch; `share` of variance taken as learned."""
    rng = np.random.default_rng(5)
    rows = (Quantiles(*(6.0 * math.exp(0.3 * z) for z in (-Z95, 0, Z95))), one(0.0))
    hits = []
    for _ in range(benches):
        told, true, pattern = simulate(rng, 3)
        run = HoursAhead(ROUTE, rows, told, catalogue(), NamedDraws(rng, 1_000))
        count = len(pattern.steps)
        records = tuple(run._record(each) for each in told)
        run.share, run.learned = share, learn(records, count, share, NOTED)
        low, high = np.quantile(np.stack(list(run.by_steps(1.0).steps.values())), (0.05, 0.95), axis=1)
        hits.append(((true > low) & (true < high)).mean())
    return float(np.mean(hits))


def test_intervals_of_steps_hold_what_they_say() -> None:
    error = math.sqrt(0.9 * 0.1 / 120 / 3)  # nine steps of a bench hang together: they count as three
    assert catalogue().constants["hours.learned_share"] == SHARE
    assert coverage(SHARE) == pytest.approx(0.9, abs=3 * error)
    assert coverage(0.97) < 0.9 - 4 * error  # the broken twin: a batch's own luck taken for the bench's


def test_learning_settles_also_far_out() -> None:
    """A step that took ten times, another a twentieth of what was expected: finite, and the same again."""
    pattern = pattern_of(ROUTE, 1.0, catalogue())
    hours = [("washing", 15.0), ("melting", 0.02), ("dropping", 10.0)]
    found = ahead(HoursTold(ROUTE, 1.0, None, tuple(hours)), HoursTold(ROUTE, 1.0, 30.0, (("cleaning", 12.0),)))
    assert np.isfinite(found.learned.mean).all()
    assert (np.linalg.eigvalsh(found.learned.cov) > 0).all()
    steps = found.by_steps(1.0).steps
    assert np.median(steps["washing"]) > 1.5 * np.median(plain().steps["washing"])
    assert np.median(steps["melting"]) < np.median(plain().steps["melting"])
    assert len(pattern.steps) == len(steps)


def test_years_of_batches_with_every_step_told_are_learned_at_once_and_the_pace_is_found() -> None:
    """Sixty batches of one bench: what is learned comes within its own error of the truth it was made with."""
    rng = np.random.default_rng(11)
    told, _, _ = simulate(rng, 60)
    rows = (Quantiles(*(6.0 * math.exp(0.3 * z) for z in (-Z95, 0, Z95))), one(0.0))
    found = ahead(*told, rows=rows)
    true = math.sqrt(SHARE) * np.random.default_rng(11).standard_normal(len(found.learned.mean))
    off = (found.learned.mean - true) / np.sqrt(np.diag(found.learned.cov))
    assert np.abs(off).max() < 4
    assert np.sqrt(np.diag(found.learned.cov)).max() < 0.6 * math.sqrt(SHARE)


def test_a_users_single_number_of_hours_parts_among_steps() -> None:
    rows = (one(4.0), one(0.0))
    found = ahead(HoursTold(ROUTE, 1.0, 9.0, (("washing", 5.0),)), rows=rows).by_steps(1.0)
    assert (found.total == 4.0).all()
    assert np.median(found.steps["washing"]) > np.median(ahead(rows=rows).by_steps(1.0).steps["washing"])


def test_rows_of_steps_are_checked_like_all_rows(tmp_path: Path) -> None:
    head = (Path(__file__).resolve().parents[2] / "priors" / "steps.csv").read_text(encoding="utf-8").splitlines()[0]
    rows = (
        "Sorting,kg,,1,2,3,judgement,judgement,",
        "melting,hour,,1,2,3,judgement,judgement,",
        "melting,batch,nowhere,3,2,1,judgement,judgement,",
        "preparing,kg,chips-burn tumbling,1,2,3,nobody,judgement,",
    )
    (tmp_path / "steps.csv").write_text("\n".join([head, *rows]), encoding="utf-8")
    with pytest.raises(InputError) as refused:
        load_catalogue(tmp_path)
    told = " ".join(str(issue) for issue in refused.value.issues)
    for text in ("one word in small letters", "'hour' is not known", "'nowhere'", "do not rise", "already", "'nobody'"):
        assert text in told
