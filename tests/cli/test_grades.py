"""`grades`: the next lot of a kind, what it rests on, and what is only believed together."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from gradeest.belief import posterior
from tests.cli.conftest import LOT, Run


def row_of(body: Any, address: str | None, metal: str) -> Any:
    return next(row for row in body["rows"] if (row["address"], row["metal"]) == (address, metal))


def test_a_kind_that_is_not_on_the_bench_is_as_in_the_priors(bench: Run) -> None:
    """Against the prior drawn by `priors show`, which sums nothing over a bench."""
    body = bench("grades", "fingers-cards", "--json").json
    prior = bench("priors", "show", "fingers-cards", "--json").json["quantiles"]["Au"]
    gold = row_of(body, None, "Au")
    assert gold["rests_on"] == "prior only"
    assert gold["contained"] == pytest.approx(prior, rel=0.12)
    assert gold["recoverable"][1] < gold["contained"][1]
    assert [row["address"] for row in body["rows"]] == [None] * 3


def test_mean_and_absence_are_told_together(bench: Run) -> None:
    body = bench("grades", "--json").json
    for row in body["rows"]:
        assert (row["level"] is None) == (row["address"] is not None)
        if row["level"] is not None:
            assert set(row["level"]) == {"mean_g_per_t", "absent", "told_apart"}
    # a lot without silver has no palladium either: the chance counts both ways of having none
    silver, palladium = (row_of(bench("grades", "mlcc-unsorted", "--json").json, None, m) for m in ("Ag", "Pd"))
    assert palladium["level"]["absent"][1] > silver["level"]["absent"][1]
    assert palladium["p_trace"] == pytest.approx(palladium["level"]["absent"][1], abs=0.08)
    out = " ".join(bench("grades", "mlcc-unsorted").out.split())
    assert out.count("lots that hold it have") == out.count("of lots hold next to none") == 2  # gold: --all


def test_a_row_that_reaches_down_to_traces_says_so(bench: Run) -> None:
    kinds = {kind["id"]: kind["grades"] for kind in bench("priors", "list", "--json").json["kinds"]}
    assert kinds["chips-mixed"]["Pd"][0] < 25 < kinds["chips-mixed"]["Au"][0], "five times the trace level, 5 g/t"
    body = bench("grades", "chips-mixed", "--json").json
    for metal, apart in (("Pd", False), ("Au", True)):
        assert row_of(body, None, metal)["level"]["told_apart"] is apart
        lines = " ".join(bench("grades", "chips-mixed").out.split()).split("chips-mixed ")
        (line,) = [line for line in lines if line.startswith(f"{metal}: lots that hold it")]
        assert ("only believed together" in line) is not apart


def test_an_unknown_kind_is_refused_with_the_nearest(bench: Run) -> None:
    done = bench("grades", "fingers-memry")
    assert done.code == 3
    assert "fingers-memory" in done.err


@pytest.mark.slow
def test_the_next_lot_learns_less_than_the_lot_itself_and_nothing_is_fitted_twice(
    bench: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = row_of(bench("grades", "fingers-memory", "--json").json, None, "Au")["contained"]
    assert bench("batch", "add", "--charge", "shed/strips=500 g", "--date", "2024-02-01", "--later").code == 0
    done = bench(
        "record", "product", "B1", "--metal", "Au", "--form", "gold-powder", "--weight", "2.10 g", "--readability",
        "0.01 g", "--date", "2024-02-08", "--close",
    )  # fmt: skip
    assert done.code == 0, done.err
    body = bench("grades", "fingers-memory", "--json").json
    following, own = row_of(body, None, "Au"), row_of(body, "shed/strips", "Au")
    assert following["rests_on"] == "1 result from 1 lot"
    assert before[1] < following["contained"][1] < own["contained"][1]
    assert following["contained"][2] / following["contained"][0] > 2 * own["contained"][2] / own["contained"][0]
    other = row_of(bench("grades", "fingers-flash", "--json").json, None, "Au")
    assert other["rests_on"] == "1 result of its class"

    def refuse(*_: Any, **__: Any) -> Any:
        raise AssertionError("fitted again")

    monkeypatch.setattr(posterior, "sample_network", refuse)
    (tmp_path / "barn.toml").write_text(LOT.replace('"shed"', '"barn"'), encoding="utf-8")
    assert bench("lot", "add", "barn.toml").code == 0
    assert bench("batch", "add", "--charge", "barn/strips=200 g").code == 0
    after = row_of(bench("grades", "fingers-memory", "--json").json, "shed/strips", "Au")
    assert after["contained"] == pytest.approx(own["contained"], rel=1e-6)
