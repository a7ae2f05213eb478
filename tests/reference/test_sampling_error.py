"""The fundamental sampling error: a textbook's galena case, its spreadsheet companion, counting statistics.

And what counted pieces say of a portion of them."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from gradeest.belief.outcome import Run
from gradeest.belief.posterior import draw_prior
from gradeest.belief.predictive import run_forward
from gradeest.materials.catalogue import load_catalogue
from gradeest.materials.sampling_error import (
    chance_within,
    composition,
    counted,
    liberation,
    mass_weighted,
    relative_sd,
    sample_mass_g,
    sampling_constant,
    scrap_constant,
)
from gradeest.records.domain import METALS, Fraction
from tests.engine_bench import bench, lot

Values = NDArray[np.float64]
FINGERS, DRAWS = "fingers-memory", 20_000

# Galena: 5 % lead as PbS (86.6 % lead, textbook), densities 7.5 and 2.65 g/cm3, free at 0.015 cm, pieces up to 2.5 cm.
CARRIER, REST, FREE_CM = 7.5, 2.65, 0.015
CATALOGUE = load_catalogue()


def galena(a: float, size_cm: float) -> float:
    return sampling_constant(composition(a, CARRIER, REST), liberation(size_cm, FREE_CM))


def test_the_textbook_case_of_galena() -> None:
    """+-0.1 % lead of 5 %, 95 times of 100 (sd 1 %): inputs read, about 177 kg from memory, digits computed."""
    assert composition(0.058, CARRIER, REST) == pytest.approx(117.24, rel=1e-4)
    assert liberation(2.5, FREE_CM) == pytest.approx(0.07746, rel=1e-4)
    assert galena(0.058, 2.5) == pytest.approx(1.1352, rel=1e-4)
    assert sample_mass_g(galena(0.058, 2.5), 2.5, 0.01) / 1000 == pytest.approx(177.37, rel=1e-4)
    assert sample_mass_g(galena(5 / 86.6, 2.5), 2.5, 0.01) / 1000 == pytest.approx(178.26, rel=1e-4)


@pytest.mark.parametrize(("size_cm", "mass_g"), [(2.5, 1369632), (0.5, 24501), (0.1, 438), (0.004, 0.07)])
def test_its_spreadsheet_companion(size_cm: float, mass_g: float) -> None:
    """Published masses; its "error 2 %" is the full width, and it doubles for safety: 8 C d^3 / (0.02 / 1.96)^2."""
    mass = 2 * sample_mass_g(galena(5 / 86.6, size_cm), size_cm, 0.02 / 2 / 1.96)
    assert mass == pytest.approx(mass_g, rel=5e-6 if mass_g > 1e6 else 0.04 if mass_g < 1 else 2e-3)


def test_mass_goes_as_size_to_the_two_and_a_half_above_liberation_and_cubed_below() -> None:
    def mass(size_cm: float) -> float:
        return sample_mass_g(galena(0.058, size_cm), size_cm, 0.01)

    assert mass(2.5) / mass(0.5) == pytest.approx(5**2.5)
    assert mass(0.01) / mass(0.005) == pytest.approx(8)


def test_all_of_it_is_no_sample() -> None:
    assert relative_sd(1.0, 0.1, 50.0, 50.0) == 0
    assert sample_mass_g(1.0, 0.1, relative_sd(1.0, 0.1, 20.0, 50.0), 50.0) == pytest.approx(20)


def test_twenty_particles_are_within_half_in_ninety_eight_of_a_hundred() -> None:
    """USGS Professional Paper 625-C: 20 particles for +-50 % at 95 % (read second-hand); digits from a Poisson law."""
    assert counted(1 / math.sqrt(20)) == pytest.approx(20)
    assert chance_within(20, 0.5) == pytest.approx(0.98153, abs=1e-5)
    assert chance_within(5, 0.5) == pytest.approx(0.7420, abs=1e-4)
    assert chance_within(10, 0.5) == pytest.approx(0.9220, abs=1e-4)


def of_a_portion(pieces: int, counted_of_lot: int | None) -> Values:
    """Metal of a portion of so many pieces, of a lot of 2,000 that differ as much as they weigh, over its expectation.

    As the program draws it forward; counted_of_lot, what was counted when it came in (None: nobody did).
    """
    kinds = {**CATALOGUE.kinds, FINGERS: replace(CATALOGUE.kinds[FINGERS], piece_cv=1.0)}
    catalogue, kg = replace(CATALOGUE, kinds=kinds), 0.005 * pieces
    heap = bench([lot("L", Fraction("a", FINGERS, 10.0, pieces=counted_of_lot))])
    rng = np.random.default_rng(20)
    posterior = draw_prior(heap, catalogue, rng, DRAWS)
    trial = run_forward(posterior, [Run("L/a", kg, "foils-peroxide")], catalogue, rng, DRAWS)
    grade = posterior.rest_grade_g_per_t[trial.origin, 0, METALS.index("Au")]
    return np.asarray(trial.contained_g[:, 0, METALS.index("Au")] / (grade * kg / 1000))


@pytest.mark.parametrize(("pieces", "sd"), [(5, 0.447), (10, 0.316), (20, 0.2236), (50, 0.141)])
def test_a_portion_of_counted_pieces_spreads_as_their_number_says(pieces: int, sd: float) -> None:
    """USGS Professional Paper 625-C (read second-hand): 20 particles for +-50 % at 95 %; sd of a Poisson count."""
    share = of_a_portion(pieces, 2000)
    error = 1.5 / math.sqrt(2 * DRAWS)  # of an sd, relative; 1.5: their tail is longer than a normal's
    assert share.mean() == pytest.approx(1, abs=4 * sd / math.sqrt(DRAWS))
    assert share.std() == pytest.approx(sd, rel=4 * error + 0.01)  # the portion is no more than a fortieth of the lot
    within = float(np.mean(np.abs(share - 1) < 0.5))
    assert (within > 0.95) == (pieces >= 20)


def test_pieces_that_were_not_counted_weigh_what_their_kind_does() -> None:
    """The twin: 20 pieces of 5 g taken for the hundred and more small ones of the row."""
    row = CATALOGUE.kinds[FINGERS].piece_mass_g
    assert of_a_portion(20, None).std() == pytest.approx(math.sqrt(row / 100), rel=0.05)
    assert of_a_portion(20, None).std() < 0.5 * of_a_portion(20, 2000).std()


@pytest.mark.parametrize(
    ("metal", "grade", "between"), [("Au", 292, 0.0043), ("Ag", 692, 0.0076), ("Pd", 90.5, 0.0088)]
)
def test_the_rows_give_a_certified_powder_the_spread_of_its_bottles(metal: str, grade: float, between: float) -> None:
    """ERM-EZ505, pieces below 150 um, 5 g: its spread between bottles (read). The rows were set by it: consistency."""
    sd = relative_sd(scrap_constant(metal, grade, CATALOGUE.constants), 0.015, 5.0)
    assert sd == pytest.approx(between, rel=0.25)


def test_pieces_drawn_one_by_one_spread_as_the_formula_says() -> None:
    """Equal cubes-turned-grains of two kinds, drawn many times: f = g = 1 for grains of one mass d^3 rho."""
    rng, a, n = np.random.default_rng(1), 0.02, 4000
    carriers = rng.binomial(n, a, size=4000)  # of one density: a is the share of the grains
    sd = float(np.std(carriers / n) / a)
    constant = sampling_constant(composition(a, 3.0, 3.0), 1.0, 1.0, 1.0)
    assert relative_sd(constant, 0.1, n * 3.0 * 0.1**3) == pytest.approx(sd, rel=0.05)
    wrong = sampling_constant(composition(2 * a, 3.0, 3.0), 1.0, 1.0, 1.0)  # twin: half as many grains carry it
    assert relative_sd(wrong, 0.1, n * 3.0 * 0.1**3) != pytest.approx(sd, rel=0.05)


def test_powder_and_oversize_add_up_by_mass() -> None:
    grade, sd = mass_weighted([(930.0, 250.0, 0.04), (70.0, 4200.0, 0.10)])
    assert grade == pytest.approx(0.93 * 250 + 0.07 * 4200)
    assert sd == pytest.approx(math.hypot(0.93 * 250 * 0.04, 0.07 * 4200 * 0.10) / grade)
