"""Ground samples, powder with oversize, and plated areas through the commands."""

from __future__ import annotations

import math

import numpy as np
import pytest

from gradeest.belief.posterior import fit
from gradeest.materials.catalogue import load_catalogue
from gradeest.records.domain import METALS, Fraction
from tests import engine_bench as made
from tests.cli.conftest import Run

ASSAY = ("record", "assay", "shed/strips", "--metal", "Au")
PLATING = ("record", "plating", "shed/strips", "--metal", "Au")


def last(run: Run) -> str:
    return str(run("history", "--json").json["events"][-1]["text"])


def test_the_error_of_the_sample_is_added_and_explained(bench: Run) -> None:
    kept = bench(*ASSAY, "--value", "2500 g/t", "--u", "3 %", "--sample", "2 g", "--top-size", "1 mm", "--later")
    assert kept.code == 0
    said = " ".join(kept.out.split())
    # Gy by hand: a = 0.25, m = 3 (0.75 x 9 + 0.25 x 2.5) = 22.125, C = 2.7656; sd = sqrt(C 0.001 (1/2 - 1/1200))
    by_chance = math.sqrt(0.125 * 22.125 * 0.001 * (1 / 2 - 1 / 1200))
    assert f"off by {100 * by_chance:.2g} %" in said
    assert f"together {100 * math.hypot(0.03, by_chance):.2g} %" in said
    assert "half the size is an eighth of the mass" in said
    assert "2 g sampled below 1000 um" in last(bench)


def test_a_handful_of_coarse_pieces_is_told_to_be_a_handful(bench: Run) -> None:
    kept = bench(*ASSAY, "--value", "2500 g/t", "--u", "3 %", "--sample", "5 g", "--top-size", "5 mm", "--later")
    assert "that is like counting" in " ".join(kept.out.split())


def test_powder_and_oversize_are_one_grade_by_mass(bench: Run) -> None:
    words = ("--powder", "930 g 1250 g/t", "--oversize", "70 g 9200 g/t", "--u", "5 %")
    assert bench(*ASSAY, *words, "--later").code == 0
    grade = 0.93 * 1250 + 0.07 * 9200
    u = 5 * math.hypot(0.93 * 1250, 0.07 * 9200) / grade
    assert last(bench) == (
        f"assay of shed/strips, Au: {grade:.6g} g/t, {u:.4g} %, powder 930 g of 1250 g/t + oversize 70 g of 9200 g/t"
    )
    assert bench(*ASSAY, *words, "--sample", "2 g", "--top-size", "0.5 mm", "--later").code == 0


def test_halves_and_nonsense_are_refused(bench: Run) -> None:
    assert "--powder without --oversize" in bench(*ASSAY, "--powder", "9 g 3 g/t", "--u", "5 %").err
    assert "--sample without --top-size" in bench(*ASSAY, "--value", "3 g/t", "--u", "5 %", "--sample", "2 g").err
    both = (*ASSAY, "--powder", "9 g 3 g/t", "--oversize", "1 g 9 g/t", "--value", "4 g/t", "--u", "5 %")
    assert "take the place of --value" in " ".join(bench(*both).err.split())
    wrong = bench(*ASSAY, "--powder", "much", "--oversize", "1 g", "--u", "120")
    assert wrong.code == 3
    assert wrong.err.count("no mass with a grade") == 2
    assert "--u" in wrong.err
    more = bench(*ASSAY, "--value", "2500 g/t", "--u", "3 %", "--sample", "9 kg", "--top-size", "1 mm")
    assert "more than there is" in more.err
    large = bench(*ASSAY, "--value", "2500 g/t", "--u", "3 %", "--sample", "9 g", "--top-size", "90 mm")
    assert "cannot be the size" in large.err
    assert "assay" not in bench("history").out


@pytest.mark.parametrize(("metal", "grade", "u"), [("Au", 292.0, 0.0068), ("Ag", 692.0, 0.0094), ("Pd", 90.5, 0.0133)])
def test_a_certified_powder_is_recovered(metal: str, grade: float, u: float) -> None:
    """ERM-EZ505, electronic scrap, read: certified 292, 692, 90.5 mg/kg; expanded uncertainties halved (k = 2)."""
    said = fit(bench_of(made.assay("L/powder", metal, grade, u)), load_catalogue(), seed=3)
    ln_grade = np.log(said.grade_g_per_t[:, 0, METALS.index(metal)])
    assert abs(ln_grade.mean() - math.log(grade)) < 0.1 * u + 4 * u / math.sqrt(said.diagnostics.ess_min)
    assert ln_grade.std() == pytest.approx(u, rel=0.2)
    assert said.is_trace[:, 0, METALS.index(metal)].mean() < 0.005  # by hand 0.0012 for palladium


def bench_of(*assays):
    return made.bench([made.lot("L", Fraction("powder", "chips-mixed", 0.2))], (), assays)


def test_a_plated_area_is_a_rough_grade(bench: Run) -> None:
    """100 cm2 at 30 micro-inches are 147.1 mg of gold; on 50 g 2941 g/t, to 30 %, nominal to 55 %."""
    words = ("--area", "100 cm2", "--thickness", "30 uin", "--mass", "50 g", "--later")
    kept = bench(*PLATING, *words)
    assert kept.code == 0
    assert "1.47 mg of Au per cm2" in " ".join(kept.out.split())
    assert last(bench) == "assay of shed/strips, Au: 2941.32 g/t, 30 %, 100 cm2 plated 0.762 um on 50 g"
    assert bench(*PLATING, *words, "--nominal").code == 0
    assert ", 55 %," in last(bench)
    rows = bench("grades", "fingers-memory", "--json").json["rows"]
    (row,) = [r for r in rows if (r["address"], r["metal"]) == ("shed/strips", "Au")]
    assert row["rests_on"] == "2 plated areas"
    assert 2000 < row["contained"][1] < 4000


def test_micro_inches_typed_as_microns_are_caught(bench: Run) -> None:
    words = ("--area", "100 cm2", "--mass", "50 kg", "--later", "--thickness")
    thick = bench(*PLATING, *words, "30 um")
    assert thick.code == 3
    assert "micro-inches? 30 uin are 0.762 um" in " ".join(thick.err.split())
    assert "is no plate" in bench(*PLATING, *words, "51 um", "--sure").err
    assert "is no plate" in bench(*PLATING, *words, "5 nm", "--sure").err
    assert "mil can mean two things" in bench(*PLATING, *words, "30 mil").err
    assert "history" not in bench("history").out
    assert bench(*PLATING, *words, "30 um", "--sure").code == 0
