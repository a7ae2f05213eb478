"""Causes of a surprise: Bayes' rule worked by hand, densities that are densities, chances that come true."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence

import numpy as np
import pytest
from numpy.typing import NDArray

from gradeest.belief.causes import (
    Added,
    Anywhere,
    Candidate,
    Forward,
    How,
    Likely,
    Lost,
    Move,
    Near,
    Seen,
    causes_of_assay,
    causes_of_weight,
    weigh_causes,
)
from gradeest.materials.catalogue import Catalogue, load_catalogue
from gradeest.units import slip_factors

CATALOGUE = load_catalogue()
ONE_GRAM = Forward(np.ones(50), np.ones(50), 50)
MOVES: dict[str, Move] = {
    "near": Near(0.4),
    "slips": Near(0.3, (-2.0, 3.0)),
    "lost": Lost(-0.5, 1.1),
    "gained": Lost(-1.7, 0.7, gained=True),
    "added": Added(math.log(0.4), 1.2),
    "anywhere": Anywhere((0.0, 2.0), (1.0, 0.5)),
}


def chance(found: Sequence[Likely], cause: str) -> float:
    return next(one.probability for one in found if one.cause == cause)


@pytest.mark.parametrize(
    ("how", "spill"),
    [
        # 0.3 g where exactly 1 g was to come. Ordinary: z = ln 0.3 / 0.5 = -2.40795, density 0.021972 / 0.5 = 0.043945.
        # Spill: logit of the share kept -0.847298, density 0.278629 / 0.7 = 0.398041. 0.2 x 0.398041 = 0.079608 against
        # 0.8 x 0.043945 = 0.035156.
        ("exactly", 0.69368),
        # Tails instead: 0.008022 and 0.198414 below, so 0.0396828 against 0.0064176.
        ("below", 0.86079),
        # 0.2 x 0.801586 = 0.160317 against 0.8 x 0.991978 = 0.793582
        ("at least", 0.16806),
    ],
)
def test_bayes_rule_as_worked_by_hand(how: How, spill: float) -> None:
    two = (Candidate("ordinary", 0.8, Near(0.5)), Candidate("spill", 0.2, Lost(0.0, 1.0)))
    found = weigh_causes(Seen(0.3, how), ONE_GRAM, two)
    assert chance(found, "spill") == pytest.approx(spill, abs=2e-5)
    assert chance(found, "ordinary") == pytest.approx(1 - spill, abs=2e-5)
    swapped = (Candidate("ordinary", 0.2, Near(0.5)), Candidate("spill", 0.8, Lost(0.0, 1.0)))
    twin = weigh_causes(Seen(0.3, how), ONE_GRAM, swapped)
    assert abs(chance(twin, "spill") - spill) > 0.05


@pytest.mark.parametrize("name", MOVES)
def test_each_density_integrates_to_its_own_tails(name: str) -> None:
    move, ln_b = MOVES[name], math.log(1.7)
    edges = np.linspace(-14, 14, 400_001)
    d, width = (edges[1:] + edges[:-1]) / 2, edges[1] - edges[0]
    base = np.full_like(d, ln_b)
    density = np.exp(move.log_density(d, base, "exactly"))
    assert density.sum() * width == pytest.approx(1, abs=2e-4)
    below = np.cumsum(density) * width
    told = np.exp(move.log_density(edges[1:], base, "below"))
    assert np.abs(told - below).max() < 5e-4
    assert np.exp(move.log_density(edges[1:], base, "at least")) == pytest.approx(1 - told, abs=1e-9)


def precise(sd: float, n: int = 4000) -> Forward:
    """A forecast of 2 g, good to `sd` in the logarithm; failed runs give a hundredth, more or less."""
    rng = np.random.default_rng(5)
    good = 2 * np.exp(sd * rng.standard_normal(n))
    return Forward(good, good * 0.01 * np.exp(rng.standard_normal(n)), n)


@pytest.mark.parametrize(
    ("cause", "grams", "sd"),
    [
        ("failed", 0.015, 0.5),
        ("spill", 1.3, 0.08),
        ("undropped", 0.6, 0.15),
        ("foreign", 6.0, 0.15),
        ("wet", 2.35, 0.03),
        ("impure", 3.2, 0.08),
        ("unit", 2 * 31.1035, 0.3),
        ("unit", 2 / 31.1035, 0.05),
        ("unit", 2000.0, 0.5),
        ("other", 2e6, 0.5),
        ("ordinary", 2.1, 0.5),
    ],
)
def test_a_cause_that_happened_is_among_the_first_two(cause: str, grams: float, sd: float) -> None:
    forward, seen = precise(sd), Seen(grams, step=0.01)
    found = weigh_causes(seen, forward, causes_of_weight(CATALOGUE, "Au", forward, seen))
    assert cause in [one.cause for one in found[:2]], found
    assert sum(one.probability for one in found) == pytest.approx(1)


def test_too_much_and_too_little_have_other_causes() -> None:
    forward = precise(0.15)
    little, much = (
        {
            one.cause: one.probability
            for one in weigh_causes(seen, forward, causes_of_weight(CATALOGUE, "Au", forward, seen))
        }
        for seen in (Seen(0.4), Seen(5.0))
    )
    assert all(little[cause] > 0.01 > much[cause] for cause in ("failed", "spill", "undropped"))
    assert all(much[cause] > 0.01 > little[cause] for cause in ("foreign", "impure"))


def test_where_nothing_was_weighed_nothing_can_be_in_it() -> None:
    forward = precise(0.5)
    seen = Seen(0.02, "below")
    names = {c.cause for c in causes_of_weight(CATALOGUE, "Au", forward, seen, weighed=False)}
    assert not names & {"foreign", "wet", "impure"}
    damp = {c.cause for c in causes_of_weight(CATALOGUE, "Au", forward, seen, can_be_wet=False)}
    assert "wet" not in damp


@pytest.mark.parametrize("metal", ["Au", "Ag", "Pd"])
def test_the_chances_of_all_causes_leave_most_to_an_ordinary_run(metal: str) -> None:
    forward = precise(0.5)
    found = causes_of_weight(CATALOGUE, metal, forward, Seen(1.0))
    assert sum(c.chance for c in found) == pytest.approx(1)
    assert found[0].cause == "ordinary"
    assert found[0].chance > 0.5


# --- chances that come true: results made cause by cause, in code of its own

LIKELIER = {"spill": 0.12, "undropped": 0.08, "foreign": 0.15, "wet": 0.05, "impure": 0.15, "unit": 0.1, "other": 0.02}


def with_chances(chances: Mapping[str, float]) -> Catalogue:
    """The catalogue with causes so frequent that a few hundred results tell."""
    new = {f"cause.{name}": value for name, value in chances.items()} | {"recovery.failed_share": 0.1}
    return dataclasses.replace(CATALOGUE, constants={**CATALOGUE.constants, **new})


def logistic(x: float) -> float:
    return 1 / (1 + math.exp(-x))


def happen(cause: str, good: float, failed: float, rng: np.random.Generator) -> float:
    """What a balance would show of a run that gives `good` g, or `failed` g, when the cause happened."""
    k = CATALOGUE.constants
    row = CATALOGUE.shares["moisture"]
    if cause in ("spill", "undropped"):
        return good * (1 - logistic(k[f"cause.{cause}_centre"] + k[f"cause.{cause}_sd"] * rng.standard_normal()))
    if cause == "impure":
        return good / (1 - logistic(k["cause.impure_centre"] + k["cause.impure_sd"] * rng.standard_normal()))
    if cause == "wet":  # the lower side of a row of shares sets its spread
        centre = math.log(row.q50 / (1 - row.q50))
        sd = (centre - math.log(row.q5 / (1 - row.q5))) / 1.6448536
        return good / (1 - logistic(centre + sd * rng.standard_normal()))
    if cause == "foreign":
        return good + k["cause.foreign_g.Au"] * math.exp(k["cause.foreign_log_sd"] * rng.standard_normal())
    if cause == "unit":
        return good * float(
            rng.choice([1000, 31.1034768, 1.55517384, 10, 1 / 1000, 1 / 31.1034768, 1 / 1.55517384, 0.1])
        )
    if cause == "other":
        return 2 * math.exp(k["cause.other_log_sd"] * rng.standard_normal())
    return failed if cause == "failed" else good


def draw_runs(rng: np.random.Generator, n: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    good = 2 * np.exp(0.3 * rng.standard_normal(n))
    return good, good * 0.03 * np.exp(1.2 * rng.standard_normal(n))


def miscalibration(told: Catalogue, true: Mapping[str, float], seed: int, results: int = 600) -> float:
    """The largest |observed - expected| count of a cause, in standard deviations, over many made results."""
    rng = np.random.default_rng(seed)
    forward = Forward(*draw_runs(rng, 3000), 3000)
    names = [*true, "failed", "ordinary"]
    chances = np.array([*true.values(), 0.1])
    chances = np.append(chances, 1 - chances.sum())
    hits = dict.fromkeys(names, 0.0)
    spread = dict.fromkeys(names, 0.0)
    for _ in range(results):
        cause = names[int(rng.choice(len(names), p=chances))]
        good, failed = (float(x[0]) for x in draw_runs(rng, 1))
        seen = Seen(happen(cause, good, failed, rng))
        for one in weigh_causes(seen, forward, causes_of_weight(told, "Au", forward, seen)):
            hits[one.cause] += (one.cause == cause) - one.probability
            spread[one.cause] += one.probability * (1 - one.probability)
    return max(abs(hits[name]) / math.sqrt(spread[name]) for name in names)


def test_chances_of_causes_come_true() -> None:
    """Of results told to be a spill with chance p, a share p were one, for every cause; 9 causes: 4 sd is never."""
    assert miscalibration(with_chances(LIKELIER), LIKELIER, seed=11) < 4
    swapped = LIKELIER | {"spill": LIKELIER["other"], "other": LIKELIER["spill"]}
    assert miscalibration(with_chances(swapped), LIKELIER, seed=11) > 4, "chances of two causes swapped"


def test_the_monte_carlo_error_is_the_spread_over_other_draws() -> None:
    shares, errors = [], []
    for seed in range(40):
        good, failed = draw_runs(np.random.default_rng(seed), 500)
        forward = Forward(np.tile(good, 3), np.tile(failed, 3), 500)  # draws used three times tell no more
        seen = Seen(0.9)
        two = (Candidate("ordinary", 0.9, Near(0.1)), Candidate("spill", 0.1, Lost(-0.6, 1.1)))
        one = next(one for one in weigh_causes(seen, forward, two) if one.cause == "spill")
        shares.append(one.probability)
        errors.append(one.mcse)
    assert 0.6 < float(np.mean(errors)) / float(np.std(shares)) < 1.6  # 40 values: the sd is good to 11 %


def test_slips_are_those_of_the_units() -> None:
    """International pound of 1959 and its grain: 1 ozt = 31.1034768 g, 1 dwt = 1.55517384 g; 907.18474 kg in a ton."""
    assert slip_factors()[:4] == pytest.approx((1000, 31.1034768, 1.55517384, 10))
    assert slip_factors(grade=True)[1] == pytest.approx(34.2857, rel=1e-5)
    assert np.prod(slip_factors()) == pytest.approx(1)


@pytest.mark.parametrize(("cause", "factor"), [("unit", 1000.0), ("sample", 0.2), ("ordinary", 1.1)])
def test_an_assay_has_causes_of_its_own(cause: str, factor: float) -> None:
    good, _ = draw_runs(np.random.default_rng(2), 3000)
    forward = Forward(1000 * good, np.zeros(0), 3000)
    found = weigh_causes(Seen(2000 * factor), forward, causes_of_assay(CATALOGUE, "Au", forward))
    assert cause in [one.cause for one in found[:2]], found


def told_share(results: NDArray[np.float64], forward: Forward) -> float:
    """How many results get causes: far out on either side of the forecast, and no ordinary run likely."""
    rng = np.random.default_rng(1)
    mixed = np.where(rng.uniform(size=forward.ordinary.size) < 0.03, forward.failed, forward.ordinary)
    low, high = np.quantile(mixed, (0.05, 0.95))
    told = 0
    for grams in results[(results <= low) | (results >= high)]:
        seen = Seen(float(grams), step=0.01)
        told += chance(weigh_causes(seen, forward, causes_of_weight(CATALOGUE, "Au", forward, seen)), "ordinary") < 0.5
    return told / results.size


@pytest.mark.parametrize("sd", [0.1, 0.3, 0.8])
def test_an_ordinary_result_is_seldom_asked_about(sd: float) -> None:
    forward = precise(sd)
    results = 2 * np.exp(sd * np.random.default_rng(4).standard_normal(400))
    assert told_share(results, forward) < 0.04  # 1 to 2 of 100; sd of a share of 400 at 0.02: 0.007
    assert told_share(0.3 * results, precise(0.1)) > 0.5, "what lost two thirds on a known bench is asked about"
