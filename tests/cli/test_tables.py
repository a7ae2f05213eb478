"""Numbers and tables read at a glance in 80 columns, in a pipe as well."""

from __future__ import annotations

import io
import math
import sys
from types import SimpleNamespace
from typing import TYPE_CHECKING, cast

import pytest
from rich.console import Console
from rich.table import Table

from gradeest.cli import ask, wrapping
from gradeest.cli.outlook import ranking_parts
from gradeest.cli.tables import fitted, grade, interval, make_table, mass, money, number, percent, show, with_unit

if TYPE_CHECKING:
    from gradeest.workflow.outlook import RankingShown


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.0, "0"), (9.87, "9.9"), (0.0487, "0.049"), (0.996, "1.0"), (2213.0, "2200"),
        (310.0, "310"), (-150.4, "-150"),
        (0.0004, "<0.001"), (99.6, "100"), (math.nan, "-"), (1e6, "1000000"), (1.0, "1.0"),
    ],
)  # fmt: skip
def test_numbers_have_two_digits_and_no_exponent(value: float, text: str) -> None:
    assert number(value) == text


@pytest.mark.parametrize("power", range(-3, 7))
def test_a_rounded_number_is_within_half_a_digit(power: int) -> None:
    for lead in (1.04, 1.06, 4.449, 9.94, 9.96):
        value = lead * 10**power
        assert float(number(value)) == pytest.approx(value, rel=0.05)


def test_intervals_show_the_median_first() -> None:
    assert interval((4.5, 9.9, 22.0)) == "9.9 (4.5-22)"
    assert grade((1000.0, 2500.0, 5500.0)) == "2500 (1000-5500)"
    assert grade((96e3, 350e3, 710e3)) == "350 (96-710) kg/t"
    assert with_unit((1.0, 2.0, 3.0)).endswith(" g/t")


def test_shares_are_never_certain() -> None:
    assert percent(0.0) == "<1 %"
    assert percent(1.0) == ">99 %"
    assert percent(0.37) == "37 %"


def test_money_and_mass() -> None:
    assert money(1272.4) == "1270"
    assert money(-4.256) == "-4.26"
    assert (money(0.00469), money(-0.001), money(0.938), money(0)) == ("0.00", "0.00", "0.94", "0"), "cents at the most"
    assert mass(2.45) == "2.45 kg"
    assert mass(0.0305) == "30.5 g"


def test_a_table_in_a_pipe_has_no_colour_and_fits(capsys: pytest.CaptureFixture[str]) -> None:
    from gradeest.cli.tables import metal_text

    table = make_table([("fraction", "<"), ("", "<"), ("gain", ">"), ("why", "w")])
    table.add_row("lot-of-many-years/fingers-memory", metal_text("Au"), "1270", "a reason of many words " * 8)
    show(table)
    out = capsys.readouterr().out
    assert "\x1b" not in out
    assert max(map(len, out.splitlines())) <= 80
    assert out.count("reason") == 8, "wrapped, not cut off"


def test_addresses_in_narrow_columns_break_at_their_slash() -> None:
    from gradeest.cli.wrapping import break_address, part_address

    assert part_address("loft/strips") == "loft/strips", "whole where it is short"
    assert part_address("garage/strips") == "garage/\n  strips"

    assert break_address("loft/strips", 16) == "loft/strips"
    assert break_address("garage-shelf/strips-old", 16) == "garage-shelf/\n  strips-old"


def test_a_table_on_a_terminal_keeps_the_symbol_beside_the_colour() -> None:
    from gradeest.cli.tables import METAL_STYLES, metal_text

    # Okabe and Ito's colour-blind-safe palette (from memory): three different colours, never colour alone
    assert len(set(METAL_STYLES.values())) == 3
    assert [metal_text(m).plain for m in METAL_STYLES] == ["Au", "Ag", "Pd"]


def test_a_ranking_after_a_result_says_when_all_together_lack_a_fee(capsys: pytest.CaptureFixture[str]) -> None:
    """Else everything falls below the line in one step, and nobody sees why."""
    ranking = SimpleNamespace(
        rows=[SimpleNamespace(gain=None, hours=None, tells_others=None)], currency="EUR", hours_rate=0.0, stake=None,
        per="hour", shared_fee=88.0, lacking=39.8,
    )  # fmt: skip
    trust = SimpleNamespace(settled=True, notes=())
    shown = SimpleNamespace(ranking=ranking, lot="", changes=(), invented="", blocked=(), cautions=(), trust=trust)
    show(*ranking_parts(cast("RankingShown", shown), brief=True))
    assert "they lack 40 EUR" in capsys.readouterr().out
    ranking.lacking = 0.0
    show(*ranking_parts(cast("RankingShown", shown), brief=True))
    assert "lack" not in capsys.readouterr().out


def narrow_table() -> Table:
    table = make_table([("", "<"), ("fraction", "f"), ("fine metal g", ">"), ("on the balance g", ">"), ("why", "w")])
    table.add_row("sell", "garage/\n  strips !L\n  0.600 kg", "10 (0.015-61)", "14 (0.021-83)", "beats processing it")
    table.add_row("", "", "8.6 (0.0012-27)", "28 (0.0038-87)", "")
    return table


@pytest.mark.parametrize(("width", "stacked"), [(46, True), (60, True), (80, False)])
def test_a_narrow_terminal_hides_no_number_and_breaks_no_word(
    width: int, stacked: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(wrapping, "columns", lambda: width)
    out = Console(width=width, file=io.StringIO(), force_terminal=True, color_system=None)
    out.print(fitted(out, narrow_table()))
    text = cast("io.StringIO", out.file).getvalue()
    assert max(map(len, text.splitlines())) <= width
    said = " ".join(text.split())
    for word in ("sell", "garage/", "strips", "0.600 kg", "10 (0.015-61)", "28 (0.0038-87)", "processing"):
        assert word in said
    assert ("fine metal g: 10 (0.015-61)" in said) is stacked
    assert ("garage/strips !L, 0.600 kg" in said) is stacked


def test_lines_are_wrapped_at_what_a_narrow_terminal_has(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "46")
    assert wrapping.columns() == 80, "in a pipe"
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True, raising=False)
    assert wrapping.columns() == 46
    assert max(map(len, wrapping.wrap("what was not said of it " * 8).splitlines())) <= 45


def test_a_wrong_answer_is_told_in_eighty_columns(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    kinds = [(f"kind-of-fraction-{n}", "") for n in range(12)]
    answers = iter(("strips", "kind-of-fraction-3"))
    monkeypatch.setattr(ask, "read_line", lambda _: next(answers))
    question = ask.Question("kind", "", "Kind", ask.parse_choice(kinds, "kind"))
    assert ask.ask(question) == "kind-of-fraction-3"
    told = capsys.readouterr().err.splitlines()
    assert "'strips' is no kind" in told[0]
    assert max(map(len, told)) <= 80
