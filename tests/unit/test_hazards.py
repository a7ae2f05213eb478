"""STOPs are refused, burning waits for what the bench declares, gates and law lines are shown; no recipe anywhere."""

from __future__ import annotations

import pytest

from gradeest.materials.catalogue import Catalogue, load_catalogue
from gradeest.materials.hazards import (
    check_batch,
    gates_for,
    law_lines,
    list_hazards,
    missing_declarations,
    purchase_lines,
    stop_reason,
)


@pytest.fixture(scope="module")
def catalogue() -> Catalogue:
    return load_catalogue()


@pytest.mark.parametrize(
    ("kind", "hazard"), [("relays-mercury", "mercury"), ("beo-parts", "beryllium-oxide"), ("caps-oil", "pcb-oil")]
)
def test_stop_kinds_are_refused_by_every_route(catalogue: Catalogue, kind: str, hazard: str) -> None:
    declared = {"fit-equipment": "afterburner", "permit": "no. 12", "licence": "yes"}
    for route in (*catalogue.routes, ""):
        stop = stop_reason(kind, route, catalogue)
        assert stop is not None
        assert stop.id == hazard
        issues = check_batch([kind], route, declared, catalogue)
        assert any("is refused (STOP)" in issue.message and stop.authority in issue.message for issue in issues)


# OSHA cadmium pages: heating what may hold cadmium. Contacts of unknown metal count as such.
@pytest.mark.parametrize("kind", ["contacts-agcdo", "contacts-unknown", "relays-power", "contactors"])
def test_what_may_hold_cadmium_is_not_heated_but_may_go_to_acid_behind_a_gate(catalogue: Catalogue, kind: str) -> None:
    assert check_batch([kind], "melt-contacts", {}, catalogue)
    assert check_batch([kind], "silver-nitric", {}, catalogue) == []
    assert "cadmium-wet" in {hazard.id for hazard in gates_for(kind, "silver-nitric", catalogue)}


def test_cadmium_free_contacts_may_be_melted(catalogue: Catalogue) -> None:
    assert check_batch(["contacts-agni"], "melt-contacts", {}, catalogue) == []


def test_lead_smelting_is_refused_whatever_the_kind(catalogue: Catalogue) -> None:
    for kind in catalogue.kinds:
        assert any(issue.field == "route" for issue in check_batch([kind], "smelt-lead", {}, catalogue))


def test_burning_waits_for_equipment_and_permit(catalogue: Catalogue) -> None:
    for route in ("chips-burn", "smelt-copper", "smelt-boards"):
        assert missing_declarations(route, {}, catalogue) == ("fit-equipment", "permit")
        assert len(check_batch(["chips-mixed"], route, {}, catalogue)) == 2
        half = {"fit-equipment": "afterburner"}
        assert [i.hint for i in check_batch(["chips-mixed"], route, half, catalogue) if "permit" in i.hint]
        assert check_batch(["chips-mixed"], route, half | {"permit": "no"}, catalogue)
        assert check_batch(["chips-mixed"], route, half | {"permit": "no. 12 of 2026"}, catalogue) == []


def test_every_route_that_burns_needs_a_declaration(catalogue: Catalogue) -> None:
    for route in catalogue.routes.values():
        if "burning" in route.hazards:
            assert {"fit-equipment", "permit"} <= set(route.needs)


def test_all_reasons_come_at_once_each_once(catalogue: Catalogue) -> None:
    issues = check_batch(["relays-mercury", "caps-oil", "relays-mercury", "nonsense"], "chips-burn", {}, catalogue)
    assert len(issues) == 5
    assert all(issue.severity == "error" and issue.hint for issue in issues if "nonsense" not in issue.message)


def test_an_unknown_route_is_named_with_the_nearest(catalogue: Catalogue) -> None:
    (issue,) = check_batch(["pins-mixed"], "pins-nitrik", {}, catalogue)
    assert "pins-nitric" in issue.hint


def test_a_kind_without_a_route_is_said(catalogue: Catalogue) -> None:
    (issue,) = check_batch(["caps-film"], "", {}, catalogue)
    assert "no route is offered" in issue.message


# EU Regulation 2019/1148: nitric acid, hydrogen peroxide and sulphuric acid are restricted explosives precursors.
@pytest.mark.parametrize(
    ("route", "acid"),
    [
        ("pins-nitric", "nitric acid"),
        ("mixed-chloride", "nitric acid"),
        ("silver-nitric", "nitric acid"),
        ("mlcc-nitric", "nitric acid"),
        ("foils-peroxide", "hydrogen peroxide"),
        ("stripping-cell", "sulphuric acid"),
    ],
)
def test_precursor_law_is_shown(catalogue: Catalogue, route: str, acid: str) -> None:
    lines = [line for line in law_lines(route, catalogue) if "2019/1148" in line]
    assert len(lines) == 1
    assert acid in lines[0]


def test_law_lines_are_dated_and_send_to_the_authority(catalogue: Catalogue) -> None:
    lines = [*purchase_lines(catalogue), *(line for route in catalogue.routes for line in law_lines(route, catalogue))]
    assert len(purchase_lines(catalogue)) == 4
    for line in lines:
        assert "ask your authority. [read 20" in line


def test_every_hazard_is_one_line_and_names_whom_to_ask(catalogue: Catalogue) -> None:
    used = {h.id for kind in catalogue.kinds for h in list_hazards(kind, "", catalogue)}
    used |= {h.id for route in catalogue.routes for h in list_hazards("", route, catalogue)}
    used |= {key for board in catalogue.boards.values() for key in board.hazards}
    for hazard in catalogue.hazards.values():
        assert "\n" not in hazard.line
        assert hazard.authority
        assert hazard.id in used or hazard.applies == "purchase", hazard.id


def test_acid_routes_have_gates(catalogue: Catalogue) -> None:
    for route in catalogue.routes:
        if stop_reason("", route, catalogue) is None:
            assert gates_for("", route, catalogue), route
