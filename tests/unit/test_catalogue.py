"""The shipped priors hold what the model needs; an overlay replaces rows; every fault is reported at once."""

from __future__ import annotations

import csv
import math
import re
from pathlib import Path

import pytest

from gradeest.errors import InputError
from gradeest.materials.building import TABLES
from gradeest.materials.catalogue import METALS, Catalogue, load_catalogue, nearest, shipped_folder

CLASSES = {"fingers", "chips", "pins", "capacitors", "switches", "sweepings", "other"}
LACKING = {"chips-2009-2013", "contacts-agcdo", "contacts-agni", "contacts-unknown", "boards-enig", "boards-stripped"}
REFUSED = {"relays-mercury", "beo-parts", "caps-oil"}


@pytest.fixture(scope="module")
def catalogue() -> Catalogue:
    return load_catalogue()


def issues_of(folder: Path) -> list[str]:
    with pytest.raises(InputError) as caught:
        load_catalogue(folder)
    assert str(len(caught.value.issues)) in caught.value.message
    return [str(issue) for issue in caught.value.issues]


def header(name: str) -> str:
    return ",".join(TABLES[name][0]) + "\n"


def test_every_kind_says_something_of_every_metal(catalogue: Catalogue) -> None:
    assert set(catalogue.classes) == CLASSES
    assert {kind.cls for kind in catalogue.kinds.values()} == CLASSES
    assert set(catalogue.kinds) >= LACKING | REFUSED
    for kind in catalogue.kinds.values():
        assert set(kind.grades) == set(METALS), kind.id
        for metal, row in kind.grades.items():
            assert (row.kind, row.metal) == (kind.id, metal)
            assert row.basis in ("own row", "unlikely") or row.basis.startswith("as "), kind.id
            assert 0 < row.q5 < row.q50 < row.q95 < row.max_g_per_t <= 1e6
            assert row.why
            assert row.source in catalogue.sources


def test_a_row_as_another_kind_lends_its_numbers(catalogue: Catalogue) -> None:
    lent = [row for kind in catalogue.kinds.values() for row in kind.grades.values() if row.basis.startswith("as ")]
    assert lent
    for row in lent:
        own = catalogue.kinds[row.basis[3:]].grades[row.metal]
        assert own.basis == "own row"
        assert (row.q5, row.q50, row.q95, row.p_absent) == (own.q5, own.q50, own.q95, own.p_absent)
        assert (row.gsd_between, row.gsd_class_mean) == (own.gsd_between, own.gsd_class_mean)


def test_unlikely_is_nine_tenths_absent(catalogue: Catalogue) -> None:
    rows = [row for kind in catalogue.kinds.values() for row in kind.grades.values() if row.basis == "unlikely"]
    assert rows
    assert {(r.p_absent, r.q5, r.q50, r.q95, r.gsd_between, r.gsd_class_mean) for r in rows} == {
        (0.9, 20.0, 150.0, 2000.0, 2.4, 3.0)
    }


def test_upper_ends_of_the_grade_scale(catalogue: Catalogue) -> None:
    kinds = catalogue.kinds
    assert kinds["contacts-unknown"].grades["Ag"].max_g_per_t == 925_000
    assert kinds["contacts-agcdo"].grades["Ag"].max_g_per_t == 925_000
    for kind in ("mlcc-unsorted", "mlcc-nonmagnetic", "mlcc-magnetic"):
        assert kinds[kind].grades["Pd"].max_g_per_t == 60_000
    assert kinds["ash-filters"].grades["Au"].max_g_per_t == 300_000
    assert kinds["fingers-mixed"].grades["Au"].max_g_per_t == 1_000_000


def test_metals_that_go_together(catalogue: Catalogue) -> None:
    for kind in ("mlcc-unsorted", "mlcc-nonmagnetic", "mlcc-magnetic"):
        pair = catalogue.kinds[kind].correlation
        assert pair is not None
        assert (pair.first, pair.second, pair.correlation, pair.second_needs_first) == ("Ag", "Pd", 0.7, True)
        grades = catalogue.kinds[kind].grades
        # palladium needs silver, so it is absent at least as often
        assert grades["Pd"].p_absent >= grades["Ag"].p_absent
    late = catalogue.kinds["chips-from-2014"].correlation
    assert late is not None
    assert (late.first, late.second, late.correlation, late.second_needs_first) == ("Au", "Pd", -0.3, False)
    relays = catalogue.kinds["relays-power"].correlation
    assert relays is not None
    assert relays.correlation == 0.3
    assert catalogue.kinds["fingers-mixed"].correlation is None


def test_routes_recover_or_say_where_the_metal_stays(catalogue: Catalogue) -> None:
    for route in catalogue.routes.values():
        for metal in METALS:
            assert (metal in route.recovery) != (metal in route.stays_in), (route.id, metal)
        for metal, form in route.usual_form.items():
            assert catalogue.forms[form].metal == metal
        assert set(route.usual_form) == set(route.recovery)
        assert route.hazards
    assert catalogue.routes["foils-peroxide"].stays_in["Ag"] == "residue"
    assert catalogue.routes["foils-peroxide"].stays_in["Pd"] == "solution"
    assert catalogue.routes["silver-nitric"].stays_in["Au"] == "residue"


def test_every_route_has_hours_and_days_and_every_class_a_buyer(catalogue: Catalogue) -> None:
    for route in catalogue.routes:
        for head in ("hours-fixed", "hours-per-kg", "days"):
            assert f"{head}:{route}" in catalogue.shares
    for metal in METALS:
        assert catalogue.shares[f"payable:{metal}"].q95 < 1
    for cls in catalogue.classes:
        assert f"as-is:{cls}" in catalogue.shares
    assert (catalogue.shares["moisture"].q5, catalogue.shares["moisture"].q95) == (0.05, 0.30)


def test_every_kind_but_the_refused_has_a_route_or_says_none(catalogue: Catalogue) -> None:
    without = {kind.id for kind in catalogue.kinds.values() if not kind.usual_route}
    assert without == REFUSED | {"caps-film", "boards-stripped"}
    assert {kind.id for kind in catalogue.kinds.values() if kind.stop} == REFUSED
    for kind in catalogue.kinds.values():
        if kind.usual_route:
            recovered = catalogue.routes[kind.usual_route].recovery
            assert any(kind.grades[metal].basis != "unlikely" for metal in recovered), kind.id


def test_wetness_is_asked_of_ash_and_sweepings_only(catalogue: Catalogue) -> None:
    assert {kind.cls for kind in catalogue.kinds.values() if kind.ask_wet} == {"sweepings"}


def test_constants_carry_source_and_status(catalogue: Catalogue) -> None:
    assert catalogue.constants["grade.shared_kind_share"] == 0.3
    assert catalogue.constants["holdup.exponent"] == pytest.approx(2 / 3)
    assert catalogue.constants["balance.checked_handling"] == pytest.approx(1 / math.sqrt(6))
    rest = [catalogue.constants[f"rest.{where}"] for where in ("equipment", "residue", "solution", "filters", "lost")]
    assert sum(rest) == pytest.approx(1.0)
    for name, row in catalogue.constant_rows.items():
        assert row.source in catalogue.sources, name
        assert row.why, name


def test_no_metal_price_is_shipped(catalogue: Catalogue) -> None:
    assert not [key for key in (*catalogue.shares, *catalogue.constants) if "price" in key]


# What would make a text a recipe: temperatures, strengths, volumes, doses, times, numbers of washes.
RECIPE = re.compile(
    r"\b\d+([.,]\d+)?\s*(°|deg|ml\b|mL\b|l/kg|L/kg|ml/g|mL/g|molar|M HCl|M HNO3|N HCl|minutes|hours|h\b|times|washes)"
    r"|wash \d|\bthen\b|\bafter that\b",
)


def test_priors_hold_no_recipe() -> None:
    folder = shipped_folder("priors")
    for name in TABLES:
        for row in csv.DictReader((folder / name).read_text(encoding="utf-8").splitlines()):
            for field in ("line", "note", "why", "text", "name", "how_to_tell"):
                assert not RECIPE.search(row.get(field, "") or ""), (name, row)
            if name != "laws.csv" and row.get("level") != "law" and "line" in row:
                assert "%" not in row["line"], row


def test_the_recipe_check_can_fail() -> None:
    for text in ("soak in 50 ml per gram", "keep at 60 °C", "dissolve, then drop", "rinse 3 times"):
        assert RECIPE.search(text)


def test_overlay_replaces_by_key_and_adds(tmp_path: Path, catalogue: Catalogue) -> None:
    (tmp_path / "kinds.csv").write_text(
        header("kinds.csv") + "fingers-own,fingers,own fingers,by label,2,0.3,foils-peroxide,,lead-dust,no\n", "utf-8"
    )
    (tmp_path / "grades.csv").write_text(
        header("grades.csv")
        + "fingers-own,Au,own,1000,2000,4000,0.003,1.3,1.4,,some,judgement,judgement,own assays\n"
        + "fingers-own,Ag,unlikely,,,,,,,,judgement,judgement,judgement,none seen\n"
        + "fingers-own,Pd,as fingers-mixed,,,,,,,,judgement,judgement,judgement,as the others\n"
        + "pins-mixed,Au,own,500,1500,4000,0.003,1.5,1.5,,some,judgement,judgement,own assays\n",
        "utf-8",
    )
    (tmp_path / "model.toml").write_text(
        '[grade]\nrichness_share = { value = 0.4, unit = "share of variance", source = "judgement", '
        'status = "judgement", why = "ours" }\n',
        "utf-8",
    )
    overlaid = load_catalogue(tmp_path)
    assert overlaid.kinds["fingers-own"].grades["Au"].q50 == 2000
    assert overlaid.kinds["pins-mixed"].grades["Au"].q50 == 1500
    assert overlaid.kinds["pins-mixed"].grades["Ag"] == catalogue.kinds["pins-mixed"].grades["Ag"]
    assert overlaid.constants["grade.richness_share"] == 0.4
    assert overlaid.constants["grade.shared_kind_share"] == 0.3
    assert overlaid.version != catalogue.version


def test_chances_of_causes_must_leave_most_runs_ordinary(tmp_path: Path) -> None:
    row = '{ value = VALUE, unit = "probability", source = "judgement", status = "judgement", why = "ours" }'
    (tmp_path / "model.toml").write_text(f"[cause]\nwet = {row.replace('VALUE', '0.1')}\n", "utf-8")
    assert load_catalogue(tmp_path).constants["cause.wet"] == 0.1
    (tmp_path / "model.toml").write_text(f"[cause]\nwet = {row.replace('VALUE', '0.6')}\n", "utf-8")
    (said,) = issues_of(tmp_path)
    assert "model.toml:2, cause.wet" in said
    assert "most runs would not be ordinary" in said


def test_version_is_that_of_the_numbers(tmp_path: Path, catalogue: Catalogue) -> None:
    assert load_catalogue().version == catalogue.version
    assert load_catalogue(tmp_path).version == catalogue.version  # an empty overlay changes nothing


def test_all_faults_are_reported_at_once_with_file_line_and_field(tmp_path: Path) -> None:
    (tmp_path / "grades.csv").write_text(
        header("grades.csv")
        + "pins-mixed,Au,own,5000,1500,4000,1.5,0.9,x,,somewhat,nowhere,heard,\n"
        + "fingers-memmory,Au,own,100,200,400,0.1,1.3,1.4,,some,judgement,judgement,w\n"
        + "pins-full,Ag,as pins-mixd,,,,,,,,judgement,judgement,judgement,w\n",
        "utf-8",
    )
    (tmp_path / "model.toml").write_text("[grade]\nrichnes_share = { value = 0.4 }\n", "utf-8")
    (tmp_path / "kind.csv").write_text("", "utf-8")
    said = "\n".join(issues_of(tmp_path))
    for piece in (
        "grades.csv:2, p_absent",
        "grades.csv:2, gsd_between",
        "grades.csv:2, gsd_class_mean",
        "grades.csv:2, q5, q50, q95",
        "grades.csv:2, founded",
        "grades.csv:2, source",
        "grades.csv:2, status",
        "grades.csv:2, why",
        "grades.csv:3, kind",
        "fingers-memory",
        "grades.csv:4, basis",
        "did you mean pins-mixed",
        "model.toml:2, grade.richnes_share",
        "did you mean grade.richness_share",
        "kind.csv: is not a file of the priors",
        "did you mean kinds.csv",
    ):
        assert piece in said, piece


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [
        ("kinds.csv", b"", None),
        ("kinds.csv", b"\xff\xfe\x00kinds", "is not UTF-8 text"),
        ("kinds.csv", b"id,cls\nx,fingers\n", "column is missing"),
        ("kinds.csv", b"ident" + header("kinds.csv").encode(), "is not a column of this file"),
        ("classes.csv", b"id,name\nfingers,a\nfingers,b\n", "stands already in line 2"),
        ("classes.csv", b"id,name\n,a\n", "is empty"),
        ("classes.csv", b"id,name\nfingers,edge, trimmed\n", "has 3 cells"),
        ("classes.csv", b'id,name\nfingers,"edge\n', "is not a CSV table"),
        ("model.toml", b"[grade\n", "is not TOML"),
        ("model.toml", b"[grade]\nrichness_share = 0.3\n", "has no value table"),
        ("model.toml", b'[grade]\nrichness_share = { value = "a lot" }\n', "is not a number"),
        ("model.toml", b'[grade]\nrichness_share = { value = 3, unit = "share" }\n', "is out of range"),
        ("forms.csv", header("forms.csv").encode() + b"x,Au,n,.5,.6,.7,AgCl,1,judgement,judgement,\n", "holds no Au"),
        (
            "shares.csv",
            header("shares.csv").encode() + b"hours-fixed:nowhere,1,2,3,h,judgement,judgement,\n",
            "no route",
        ),
        ("routes.csv", header("routes.csv").encode() + b"new,line,no,,hcl,feed\n", "recovery.csv does not say"),
        ("hazards.csv", header("hazards.csv").encode() + b"l,law,always,s,A line.,a,read,2026\n", "ask your authority"),
    ],
)
def test_a_broken_file_is_refused(tmp_path: Path, name: str, content: bytes, said: str | None) -> None:
    (tmp_path / name).write_bytes(content)
    if said is None:
        load_catalogue(tmp_path)  # an empty file replaces nothing
        return
    assert said in "\n".join(issues_of(tmp_path))


def test_a_kind_that_is_silent_on_a_metal_is_refused(tmp_path: Path) -> None:
    (tmp_path / "kinds.csv").write_text(
        header("kinds.csv") + "fingers-own,fingers,own fingers,by label,2,0.3,foils-peroxide,,lead-dust,no\n", "utf-8"
    )
    said = issues_of(tmp_path)
    assert len(said) == 3
    assert all("does not say what 'fingers-own' holds" in line for line in said)


def test_a_missing_overlay_folder_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no folder"):
        load_catalogue(tmp_path / "nothing")


def test_nearest_finds_slips_and_parts(catalogue: Catalogue) -> None:
    assert nearest("fingers-memmory", catalogue.kinds)[0] == "fingers-memory"
    assert "fingers-memory" in nearest("memory", catalogue.kinds)
    assert "mlcc-magnetic" in nearest("MLCC-magnetc", catalogue.kinds)
    assert nearest("zzzzzz", catalogue.kinds) == []
