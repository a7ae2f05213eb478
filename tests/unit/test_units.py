"""Quantities as people type them; what could mean two things is asked about, not guessed."""

from __future__ import annotations

import pytest

from gradeest.errors import InputError
from gradeest.units import (
    format_g,
    format_mass_kg,
    parse_grade,
    parse_length,
    parse_mass,
    parse_mass_range,
    parse_money,
    parse_number,
    parse_purity,
    parse_result,
    parse_share,
    parse_share_range,
    parse_volume,
)


@pytest.mark.parametrize(
    ("text", "grams"),
    [
        ("2.45 kg", 2450.0),
        ("430g", 430.0),
        (" 430  g ", 430.0),
        ("1,84 g", 1.84),
        ("0,840 g", 0.840),
        ("1.840 g", 1.840),
        ("1,840.5 g", 1840.5),
        ("1.840,5 g", 1840.5),
        ("1 840 g", 1840.0),
        ("1\u00a0840\u00a0g", 1840.0),
        ("1'840 g", 1840.0),
        ("1,840,000 g", 1_840_000.0),
        ("1234,567 g", 1234.567),
        (".5 g", 0.5),
        ("5. g", 5.0),
        ("1e3 mg", 1.0),
        ("2.45 KG", 2450.0),
        ("0.8 ozt", 24.88278144),
        ("0.8 troy ounces", 24.88278144),
        ("12 dwt", 18.66208608),
        ("3 lb", 1360.77711),
        ("5 µg", 5e-6),
    ],
)
def test_mass_is_read(text: str, grams: float) -> None:
    assert parse_mass(text, metal=True) == pytest.approx(grams, rel=1e-12)


def test_a_plain_ounce_is_avoirdupois_of_feed_and_asked_of_metal() -> None:
    assert parse_mass("2 oz") == pytest.approx(56.69904625)
    with pytest.raises(InputError) as caught:
        parse_mass("2 oz", metal=True)
    assert "troy" in caught.value.hint
    assert "28.35" in caught.value.hint


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("5", "no unit"),
        ("", "not a mass"),
        ("heavy", "not a mass"),
        ("0 g", "not above 0"),
        ("-3 g", "not above 0"),
        ("−3 g", "not above 0"),
        ("5 gr", "two things"),
        ("5 Mg", "two things"),
        ("5 ton", "three things"),
        ("5 stone", "not a unit of mass"),
        ("1,840 g", "two ways"),
        ("1 2 g", "not one number"),
        ("1.2.3 g", "not one number"),
        ("1,2,3 g", "not one number"),
        ("1,23.4 g", "not one number"),
        ("nan g", "not a mass"),
        ("inf kg", "not a mass"),
        ("1e999 g", "out of range"),
        ("5 g/t", "not a unit of mass"),
        ("22 karat", "not a unit of mass"),
    ],
)
def test_mass_is_refused_with_a_hint(text: str, said: str) -> None:
    with pytest.raises(InputError, match=said) as caught:
        parse_mass(text)
    assert caught.value.hint
    assert caught.value.issues[0].message == caught.value.message
    assert caught.value.issues[0].severity == "error"


def test_the_question_offers_both_readings() -> None:
    with pytest.raises(InputError) as caught:
        parse_mass("1,840 g")
    assert "1.840" in caught.value.hint
    assert "1840" in caught.value.hint


@pytest.mark.parametrize(
    ("text", "grade"),
    [
        ("310 g/t", 310.0),
        ("310g/t", 310.0),
        ("310 g per t", 310.0),
        ("0.31 g/kg", 310.0),
        ("0,31 g/kg", 310.0),
        ("1 %", 10_000.0),
        ("310 ppm", 310.0),
        ("2 ‰", 2000.0),
        ("9 ozt/ton", 9 * 240 / 7),
        ("1 g/lb", 1e6 / 453.59237),
        ("100 %", 1e6),
    ],
)
def test_grade_is_read(text: str, grade: float) -> None:
    assert parse_grade(text) == pytest.approx(grade, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("310", "no unit"),
        ("310 g", "not a unit of grade"),
        ("0 g/t", "not above 0"),
        ("-5 g/t", "not above 0"),
        ("1000001 g/t", "more metal than feed"),
        ("2 kg/kg", "more metal than feed"),
        ("3 oz/ton", "two things"),
        ("3 g/ton", "three things"),
        ("3 g/banana", "not a unit of mass"),
    ],
)
def test_grade_is_refused(text: str, said: str) -> None:
    with pytest.raises(InputError, match=said):
        parse_grade(text)


def test_result_below_detection() -> None:
    assert parse_result("<5 g/t") == (5.0, True)
    assert parse_result("< 0.005 g/kg") == (pytest.approx(5.0), True)
    assert parse_result("310 g/t") == (310.0, False)


def test_share() -> None:
    assert parse_share("5 %") == 0.05
    assert parse_share("5%") == 0.05
    assert parse_share("0.05") == 0.05
    assert parse_share("0,05") == 0.05
    for text in ("5", "120 %", "-1 %", "5 g", "much"):
        with pytest.raises(InputError):
            parse_share(text)


def test_money() -> None:
    assert parse_money("75") == 75.0
    assert parse_money("$ 75.50") == 75.5
    assert parse_money("75,50 EUR") == 75.5
    assert parse_money("0") == 0.0
    for text in ("-3", "75/kg", "1,840", "cheap"):
        with pytest.raises(InputError):
            parse_money(text)


def test_purity() -> None:
    assert parse_purity("925") == 0.925
    assert parse_purity(".9761") == 0.9761
    assert parse_purity("97.61 %") == pytest.approx(0.9761)
    assert parse_purity("999.9") == pytest.approx(0.9999)
    assert parse_purity("22 kt") == pytest.approx(22 / 24)
    assert parse_purity("22k") == pytest.approx(22 / 24)
    for text in ("22", "97.61", "25 kt", "1001", "0", "-5 %", "5 g"):
        with pytest.raises(InputError):
            parse_purity(text)


def test_length_wants_its_unit() -> None:
    assert parse_length("0.76 µm") == pytest.approx(0.76)
    assert parse_length("30 µin") == pytest.approx(0.762)
    for text in ("30", "1 mil", "0 um", "5 g"):
        with pytest.raises(InputError) as caught:
            parse_length(text)
        assert caught.value.hint


def test_number() -> None:
    assert parse_number("-1,5") == -1.5
    assert parse_number("1,") == 1.0
    for text in ("", "-", ".", "e5", "0x10", "١٢"):
        with pytest.raises(InputError):
            parse_number(text)


@pytest.mark.parametrize(
    ("grams", "text"),
    [
        (0, "0 g"),
        (0.004, "4.00 mg"),
        (0.0123, "0.0123 g"),
        (1.84, "1.84 g"),
        (12.345, "12.3 g"),
        (123.4, "123 g"),
        (1234, "1234 g"),
        (12345, "12.3 kg"),
    ],
)
def test_metal_is_written_with_three_digits(grams: float, text: str) -> None:
    assert format_g(grams) == text


@pytest.mark.parametrize(
    ("kilograms", "text"), [(0.43, "430 g"), (2.45, "2.45 kg"), (12.3, "12.3 kg"), (1000.4, "1000 kg")]
)
def test_feed_is_written_with_three_digits(kilograms: float, text: str) -> None:
    assert format_mass_kg(kilograms) == text


@pytest.mark.parametrize(
    ("text", "low", "high"),
    [
        ("2-3 g", 2.0, 3.0),
        ("2 g - 3 g", 2.0, 3.0),
        ("2,1–2,4 g", 2.1, 2.4),
        ("500 mg to 1 g", 0.5, 1.0),
        ("2.51 g", 2.51, 2.51),
        ("1e-3 g", 0.001, 0.001),
    ],
)
def test_a_weight_from_old_notes_may_be_a_range(text: str, low: float, high: float) -> None:
    assert parse_mass_range(text, metal=True) == pytest.approx((low, high))


@pytest.mark.parametrize("text", ["3-2 g", "2-2 g", "2-3", "2-3 oz", "-2 g", "2-x g", "0-3 g"])
def test_a_range_that_cannot_be_a_weight_is_refused(text: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_mass_range(text, metal=True)
    assert caught.value.hint


def test_a_share_may_be_a_range() -> None:
    assert parse_share_range("20-50 %") == pytest.approx((0.2, 0.5))
    assert parse_share_range("20 % to 50 %") == pytest.approx((0.2, 0.5))
    assert parse_share_range("0.2-0.5") == pytest.approx((0.2, 0.5))
    assert parse_share_range("30 %") == (0.3, 0.3)
    for text in ("50-20 %", "20-120 %", "a third", "20-50"):
        with pytest.raises(InputError):
            parse_share_range(text)


def test_volume_wants_its_unit() -> None:
    assert parse_volume("1.2 L") == 1.2
    assert parse_volume("800 ml") == pytest.approx(0.8)
    assert parse_volume("1,5 litres") == 1.5
    for text in ("1.2", "1 gal", "0 L", "-1 L", "1 kg"):
        with pytest.raises(InputError) as caught:
            parse_volume(text)
        assert caught.value.hint
