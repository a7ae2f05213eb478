"""What boards are made of, and minutes: calibrated, narrowed by as much as a calculation of its own says, bounded."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from functools import cache

import numpy as np
import pytest
from scipy.stats import chi2

from gradeest.belief.composition import Portion, Timing, draw_stripped, learn_composition, learn_minutes
from gradeest.materials.boards import Z95, log_odds_of, minutes_row, shares_of
from gradeest.materials.catalogue import Catalogue
from tests.statistical.bench_maker import SHIPPED, with_constants

KEPT = ("fingers-cards", "chips-mixed", "connectors")  # enough parts for the sum to matter, few enough to be fast
CARDS = dataclasses.replace(
    SHIPPED.boards["boards-cards"], parts={part: SHIPPED.boards["boards-cards"].parts[part] for part in KEPT}
)
RUNS, DRAWS, BINS = 100, 99, 10  # ranks 0..99 in ten bins of ten
STRIPPED = SHIPPED.shares["stripped-share"]


def simulate(rng: np.random.Generator) -> tuple[np.ndarray, dict[str, np.ndarray], dict[str, list[Portion]]]:
    """A kind of board, three lots of it, and the weights of some of their parts, drawn forwards."""
    centre, sd = log_odds_of(CARDS)
    learned, board_sd = (SHIPPED.constants[f"composition.{k}"] for k in ("learned_share", "board_log_sd"))
    nu = centre + math.sqrt(learned) * sd * rng.standard_normal(len(sd))
    lots, piles = {}, {}
    for n, masses in enumerate(((0.12, 3.0), (6.0,), (2.0,))):
        y = nu + math.sqrt(1 - learned) * sd * rng.standard_normal(len(sd))
        portions = []
        for mass in masses:
            boards = max(mass * 1000 / CARDS.piece_mass_g.q50, 1.0)
            z = y + board_sd / math.sqrt(boards) * rng.standard_normal(len(sd))
            came = draw_stripped(SHIPPED, (len(sd),), rng) * shares_of(z) * mass
            portions.append(Portion(mass, {part: w for part, w in zip(KEPT, came, strict=True) if rng.uniform() < 0.7}))
        lots[f"lot{n}"], piles[f"lot{n}"] = y, portions
    return nu, lots, piles


@cache
def ranks(catalogue_name: str) -> np.ndarray:
    """Ranks of the true nu and of the first lot's y among the draws, (run, 2 x part)."""
    catalogue = CATALOGUES[catalogue_name]
    rng = np.random.default_rng(41)
    found = []
    for _ in range(RUNS):
        nu, lots, piles = simulate(rng)
        learned = learn_composition(CARDS, piles, catalogue, rng, DRAWS)
        found.append([*(learned.nu < nu).sum(axis=0), *(learned.y["lot0"] < lots["lot0"]).sum(axis=0)])
    return np.array(found)


CATALOGUES: dict[str, Catalogue] = {
    "as shipped": SHIPPED,
    "broken": with_constants(SHIPPED, composition__board_log_sd=0.02),  # the twin: single boards believed too much
}


def uneven(counted: np.ndarray) -> float:
    """Worst chi-square tail of the columns' histograms, times the number of columns (Bonferroni)."""
    tails = []
    for column in counted.T:
        histogram = np.bincount(column * BINS // (DRAWS + 1), minlength=BINS)
        expected = len(column) / BINS
        tails.append(chi2.sf(((histogram - expected) ** 2 / expected).sum(), BINS - 1))
    return float(min(tails) * counted.shape[1])


def test_composition_is_calibrated() -> None:
    """Simulation-based calibration (Talts et al. 2018): ranks of the truth among posterior draws are uniform."""
    assert uneven(ranks("as shipped")) > 0.01


def test_a_composition_that_trusts_single_boards_is_caught() -> None:
    """The twin."""
    assert uneven(ranks("broken")) < 1e-3


def sort_three(truth: np.ndarray, rng: np.random.Generator, kg: float = 20.0) -> dict[str, list[Portion]]:
    """Three whole lots of many boards, all parts weighed."""
    learned = SHIPPED.constants["composition.learned_share"]
    sd = math.sqrt(1 - learned) * log_odds_of(CARDS)[1]
    piles = {}
    for n in range(3):
        noise = SHIPPED.constants["composition.board_log_sd"] / math.sqrt(kg * 1000 / CARDS.piece_mass_g.q50)
        z = truth + np.hypot(sd, noise) * rng.standard_normal(len(sd))
        came = draw_stripped(SHIPPED, (len(sd),), rng) * shares_of(z) * kg
        piles[f"lot{n}"] = [Portion(kg, dict(zip(KEPT, came, strict=True)))]
    return piles


def test_three_lots_narrow_the_composition_as_calculated() -> None:
    """Normal mean, known variance: 1/var = 1/kind^2 + 3/(lot^2 + boards^2 + stripped^2); the sum to 1 matters little.

    The independent calculation is conjugate by hand on ln shares (JCGM 101-like propagation); within 12 %, of which
    half is the closing of the shares. Over forty lots the truth lies in the 90 % interval as often as it should.
    """
    centre, sd = log_odds_of(CARDS)
    learned = SHIPPED.constants["composition.learned_share"]
    boards = SHIPPED.constants["composition.board_log_sd"] ** 2 / (20_000 / CARDS.piece_mass_g.q50)
    rng = np.random.default_rng(43)
    came = draw_stripped(SHIPPED, (100_000,), rng)
    stripped = float(np.log(came).std()) ** 2
    kind, lot = learned * sd**2, (1 - learned) * sd**2
    by_hand = np.sqrt(1 / (1 / kind + 3 / (lot + boards + stripped)))
    inside, widths = [], []
    for _ in range(40):
        nu = centre + np.sqrt(kind) * rng.standard_normal(len(sd))
        found = learn_composition(CARDS, sort_three(nu, rng), SHIPPED, rng, 800)
        low, high = np.quantile(found.nu, (0.05, 0.95), axis=0)
        inside.append((low <= nu) & (nu <= high))
        widths.append(found.nu.std(axis=0))
    print("sd before, after, by hand:", np.sqrt(kind), np.mean(widths, axis=0), by_hand)
    assert np.mean(widths, axis=0) == pytest.approx(by_hand, rel=0.12)
    assert (by_hand < 0.65 * np.sqrt(kind)).all()  # it is a narrowing worth the name
    covered = float(np.mean(inside))
    assert abs(covered - 0.9) < 4 * math.sqrt(0.9 * 0.1 / 40)  # parts of a lot are not independent: counted by lots


def test_parts_that_weigh_more_than_their_boards_are_no_portion() -> None:
    with pytest.raises(ValueError, match="weigh less"):
        learn_composition(CARDS, {"a": [Portion(1.0, {"chips-mixed": 1.1})]}, SHIPPED, np.random.default_rng(1), 10)


def test_nearly_everything_may_come_off() -> None:
    """Shares stay shares: nothing is above 1, whatever was weighed."""
    heavy = {"a": [Portion(1.0, {"chips-mixed": 0.55, "connectors": 0.4})]}
    found = learn_composition(CARDS, heavy, SHIPPED, np.random.default_rng(2), 200)
    (shares,) = found.shares["a"]
    assert (shares.sum(axis=1) < 1).all()
    assert (shares > 0).all()


# -- minutes -----------------------------------------------------------------------------------------------------------


def minutes_ranks(trusted: Callable[[float], float]) -> np.ndarray:
    """Ranks of the true mean of ln minutes per kg of chips after four timings, (run, 1)."""
    name = minutes_row(SHIPPED.kinds["chips-mixed"], SHIPPED.shares)
    assert name == "strip-minutes:chips"
    row, share = SHIPPED.shares[name], SHIPPED.constants["minutes.learned_share"]
    sd = math.log(row.q95 / row.q5) / (2 * Z95)
    rng = np.random.default_rng(44)
    found = []
    for _ in range(2000):
        mean = math.log(row.q50) + math.sqrt(share) * sd * rng.standard_normal()
        timings = [
            Timing(math.exp(mean + math.sqrt(1 - share) * sd * rng.standard_normal()) * kg, kg) for kg in (0.2, 1, 2, 5)
        ]
        learned = learn_minutes(row, timings, trusted(share))
        draws = learned.mean + learned.mean_sd * rng.standard_normal(DRAWS)
        found.append([int((draws < mean).sum())])
    return np.array(found)


def test_minutes_are_calibrated() -> None:
    assert uneven(minutes_ranks(lambda share: share)) > 0.01


def test_minutes_that_trust_a_timing_too_much_are_caught() -> None:
    """The twin: nearly all of the spread is taken for the bench's own."""
    assert uneven(minutes_ranks(lambda share: 0.95)) < 1e-3


def test_minutes_follow_the_conjugate_form() -> None:
    """Two timings, worked by hand: precision-weighted mean of ln 60 and ln 90, ln 90 (closed form)."""
    row = SHIPPED.shares["strip-minutes:chips"]
    sd = math.log(120 / 30) / (2 * Z95)
    found = learn_minutes(row, [Timing(90, 1.0), Timing(45, 0.5)], 0.6)
    prior, data = 1 / (0.6 * sd**2), 2 / (0.4 * sd**2)
    assert found.mean == pytest.approx((prior * math.log(60) + data * math.log(90)) / (prior + data), rel=1e-12)
    assert found.mean_sd == pytest.approx((prior + data) ** -0.5, rel=1e-12)
