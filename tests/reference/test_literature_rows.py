"""The shipped grade rows hold the numbers compiled from the literature: every row, none lost, none changed in passing.

Grades in g/t given present, geometric standard deviations between lots and of the class mean. The table is a
compilation from the published works and pages named in priors/sources.csv (hobby pages
and refiners' pages among them); what no source gives is a judgement and said so there.
"""

from __future__ import annotations

import pytest

from gradeest.materials.catalogue import load_catalogue

CATALOGUE = load_catalogue()

# kind, metal, q5, q50, q95, gsd between lots, gsd of the class mean, chance of absence in the compilation
COMPILED = (
    ("fingers-mixed", "Au", 800, 2500, 7000, 1.6, 1.59, 0.02),
    ("fingers-memory", "Au", 1000, 2500, 5500, 1.4, 1.48, 0.02),
    ("fingers-cards", "Au", 700, 2200, 5000, 1.5, 1.55, 0.03),
    ("fingers-heavy", "Au", 2200, 5000, 11000, 1.5, 1.31, 0.01),
    ("fingers-flash", "Au", 100, 350, 1200, 1.8, 1.61, 0.1),
    ("fingers-mixed", "Ag", 100, 300, 900, 1.6, 1.61, 0.65),
    ("fingers-mixed", "Pd", 20, 100, 600, 2.4, 1.73, 0.85),
    ("chips-mixed", "Au", 250, 1300, 4500, 1.8, 1.92, 0.02),
    ("chips-to-2008", "Au", 600, 1500, 3800, 1.5, 1.47, 0.01),
    ("chips-from-2014", "Au", 40, 500, 3000, 2.2, 2.86, 0.12),
    ("chips-dip", "Au", 150, 600, 2200, 1.7, 1.86, 0.03),
    ("bga-wirebond", "Au", 2000, 6000, 12000, 1.5, 1.44, 0.02),
    ("chips-flipchip", "Au", 30, 150, 800, 2.0, 2.05, 0.1),
    ("chips-memory", "Au", 500, 1500, 4000, 1.6, 1.53, 0.03),
    ("cpu-ceramic", "Au", 1500, 3500, 9000, 1.5, 1.44, 0.02),
    ("cpu-organic", "Au", 250, 650, 1400, 1.4, 1.49, 0.03),
    ("cpu-pinless", "Au", 50, 180, 500, 1.5, 1.77, 0.05),
    ("chips-mixed", "Ag", 500, 2200, 8000, 1.7, 1.92, 0.04),
    ("chips-mixed", "Pd", 20, 60, 200, 1.7, 1.58, 0.45),
    ("pins-mixed", "Au", 300, 1200, 4500, 1.8, 1.78, 0.03),
    ("pins-selective", "Au", 200, 650, 1800, 1.6, 1.61, 0.04),
    ("pins-full", "Au", 2500, 7000, 20000, 1.7, 1.41, 0.01),
    ("connectors", "Au", 40, 130, 500, 1.7, 1.74, 0.05),
    ("pins-mixed", "Ag", 100, 400, 4000, 2.4, 2.02, 0.6),
    ("pins-mixed", "Pd", 20, 250, 3000, 2.6, 3.27, 0.75),
    ("mlcc-unsorted", "Pd", 50, 900, 8000, 2.6, 3.36, 0.3),
    ("mlcc-unsorted", "Ag", 200, 3000, 18000, 2.3, 2.96, 0.2),
    ("mlcc-nonmagnetic", "Pd", 3000, 13000, 40000, 1.9, 1.58, 0.06),
    ("mlcc-nonmagnetic", "Ag", 3000, 15000, 80000, 2.2, 1.84, 0.06),
    ("mlcc-magnetic", "Pd", 20, 120, 1500, 2.4, 2.66, 0.65),
    ("tantalum-moulded", "Ag", 1500, 6000, 20000, 1.6, 1.88, 0.04),
    ("tantalum-wet", "Ag", 180000, 300000, 450000, 1.25, 1.18, 0.02),
    ("tantalum-moulded", "Pd", 20, 70, 300, 2.0, 1.56, 0.97),
    ("mlcc-unsorted", "Au", 20, 100, 600, 2.4, 1.73, 0.85),
    ("caps-film", "Pd", 20, 60, 200, 1.8, 1.46, 0.98),
    ("relays-power", "Ag", 1800, 5200, 15000, 1.6, 1.55, 0.02),
    ("contactors", "Ag", 2000, 10000, 50000, 1.9, 2.09, 0.03),
    ("switches-small", "Ag", 100, 700, 4000, 2.0, 2.41, 0.15),
    ("contacts-unknown", "Ag", 100000, 350000, 750000, 1.5, 1.58, 0.02),
    ("switches-mixed", "Ag", 500, 4000, 20000, 2.2, 2.22, 0.05),
    ("relays-signal", "Pd", 100, 1200, 9000, 2.2, 3.06, 0.45),
    ("switches-mixed", "Pd", 20, 200, 4000, 2.6, 3.66, 0.8),
    ("switches-mixed", "Au", 20, 150, 1500, 2.2, 2.86, 0.6),
    ("ash-filters", "Au", 60, 1500, 40000, 4.0, 4.09, 0.1),
    ("ash-filters", "Ag", 100, 1500, 50000, 4.0, 3.61, 0.2),
    ("ash-filters", "Pd", 20, 300, 5000, 3.5, 3.06, 0.5),
    ("dust-polishing", "Au", 3000, 25000, 120000, 2.4, 2.02, 0.02),
    ("sweeps-floor", "Au", 200, 3000, 30000, 3.0, 2.87, 0.04),
    ("filings-bench", "Au", 70000, 220000, 600000, 1.7, 1.46, 0.01),
)
# Where gold is seen by eye, absent means that what looks like gold is none (judgement): smaller than compiled.
SEEN = 0.003
GOLD_IS_SEEN = ("fingers-", "pins-", "connectors", "cpu-")


def test_the_compilation_has_49_rows() -> None:
    assert len(COMPILED) == 49
    assert len({(kind, metal) for kind, metal, *_ in COMPILED}) == 49


@pytest.mark.parametrize(
    ("kind", "metal", "q5", "q50", "q95", "between", "mean", "absent"),
    COMPILED,
    ids=[f"{r[0]}-{r[1]}" for r in COMPILED],
)
def test_shipped_row_is_the_compiled_one(
    kind: str, metal: str, q5: float, q50: float, q95: float, between: float, mean: float, absent: float
) -> None:
    row = CATALOGUE.kinds[kind].grades[metal]
    assert row.basis == "own row"
    assert (row.q5, row.q50, row.q95) == (q5, q50, q95)
    assert (row.gsd_between, row.gsd_class_mean) == (between, mean)
    if metal == "Au" and kind.startswith(GOLD_IS_SEEN):
        assert row.p_absent <= SEEN
    else:
        assert row.p_absent == absent
