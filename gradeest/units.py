"""Quantities as people type them: "2.45 kg", "1,84 g", "0.8 ozt", "310 g/t", "5 %", "22 kt", "30 uin".

What could mean two things ("oz" of metal, "1,840 g") is not guessed: the error asks which one is meant.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Final, NoReturn

from gradeest.errors import InputError, Issue

# In whole nanograms and picometers, so that every factor is exact. The pound is (international yard and pound, 1959);
# an ounce is a sixteenth of it, a grain 1/7000, the troy ounce 480 grains, a pennyweight 24; an inch is 25.4 mm.
POUND: Final = 453_592_370_000
NANOGRAMS: Final = {
    "gram": 10**9,
    "kilogram": 10**12,
    "milligram": 10**6,
    "microgram": 10**3,
    "tonne": 10**15,
    "pound": POUND,
    "ounce": POUND // 16,
    "grain": POUND // 7000,
    "troy_ounce": 480 * POUND // 7000,
    "pennyweight": 24 * POUND // 7000,
    "short_ton": 2000 * POUND,
    "long_ton": 2240 * POUND,
}
PICOMETERS: Final = {
    "micrometer": 10**6,
    "millimeter": 10**9,
    "nanometer": 10**3,
    "inch": 25_400_000_000,
    "thou": 25_400_000,
    "microinch": 25_400,
}

# What people write -> the name in the tables above. Matched in lower case.
MASS_WORDS: Final[dict[str, str]] = {
    **dict.fromkeys(("g", "gram", "grams", "gramme", "grammes"), "gram"),
    **dict.fromkeys(("kg", "kilo", "kilos", "kilogram", "kilograms"), "kilogram"),
    **dict.fromkeys(("mg", "milligram", "milligrams"), "milligram"),
    **dict.fromkeys(("ug", "μg", "µg", "microgram", "micrograms"), "microgram"),
    **dict.fromkeys(("t", "tonne", "tonnes", "metric ton", "metric tons"), "tonne"),
    **dict.fromkeys(("lb", "lbs", "pound", "pounds"), "pound"),
    **dict.fromkeys(("ozt", "troy ounce", "troy ounces", "troy oz", "oz t", "t oz"), "troy_ounce"),
    **dict.fromkeys(("dwt", "pennyweight", "pennyweights"), "pennyweight"),
    **dict.fromkeys(("grain", "grains"), "grain"),
    **dict.fromkeys(("short ton", "short tons"), "short_ton"),
    **dict.fromkeys(("long ton", "long tons"), "long_ton"),
}
AVOIRDUPOIS_WORDS: Final = ("oz", "ounce", "ounces")
LENGTH_WORDS: Final[dict[str, str]] = {
    **dict.fromkeys(("um", "μm", "µm", "micron", "microns", "micrometer", "micrometers", "micrometre"), "micrometer"),
    **dict.fromkeys(("mm", "millimeter", "millimetre"), "millimeter"),
    **dict.fromkeys(("nm", "nanometer", "nanometre"), "nanometer"),
    **dict.fromkeys(("in", "inch", "inches"), "inch"),
    **dict.fromkeys(("thou",), "thou"),
    **dict.fromkeys(("uin", "μin", "µin", "u-in", "uinch", "microinch", "microinches", "micro-inch"), "microinch"),
}
VOLUME_WORDS: Final[dict[str, float]] = {  # litres; exact by definition (BIPM, SI brochure, table 8)
    **dict.fromkeys(("l", "liter", "liters", "litre", "litres"), 1.0),
    **dict.fromkeys(("dl", "deciliter", "decilitre"), 0.1),
    **dict.fromkeys(("cl", "centiliter", "centilitre"), 0.01),
    **dict.fromkeys(("ml", "milliliter", "milliliters", "millilitre", "millilitres", "cc"), 0.001),
}
DAY_WORDS: Final[dict[str, int]] = {
    **dict.fromkeys(("d", "day", "days"), 1),
    **dict.fromkeys(("week", "weeks"), 7),
    **dict.fromkeys(("month", "months"), 30),
    **dict.fromkeys(("year", "years"), 365),
}
HOUR_WORDS: Final[dict[str, float]] = {
    **dict.fromkeys(("h", "hr", "hrs", "hour", "hours"), 1.0),
    **dict.fromkeys(("min", "mins", "minute", "minutes"), 1 / 60),
}
PPM_WORDS: Final[dict[str, float]] = {"%": 1e4, "wt%": 1e4, "wt %": 1e4, "‰": 1e3, "ppm": 1.0, "ppb": 1e-3}
LARGEST_GRADE_G_PER_T: Final = 1e6
KARAT_WORDS: Final = ("k", "kt", "karat", "karats", "carat", "ct")

# "2-3 g", "2 g to 3 g", "20 % - 50 %": a dash between two numbers; never that of an exponent ("1e-3 g")
_RANGE = re.compile(
    r"(?P<low>[0-9.,][0-9.,' ]*?)\s*(?P<unit>(?![eE]\s*[-−])[^0-9\-–—−]*?)\s*(?:[-–—−]|\bto\b)\s*(?P<high>[0-9.,].*)"
)
_NUMBER = re.compile(r"[+-]?(?:[0-9][0-9.,' ]*|[.,][0-9]+)(?:[eE][+-]?[0-9]+)?")


def _factor(unit: str, target: str) -> float:
    """How many of `target` one `unit` is."""
    sizes = NANOGRAMS if unit in NANOGRAMS else PICOMETERS
    return sizes[unit] / sizes[target]


def _refuse(message: str, hint: str) -> NoReturn:
    raise InputError(message, hint, (Issue("error", message, hint),))


def parse_number(text: str) -> float:
    """Read a number with a decimal point or comma.

    Parameters: text such as "2.45", "1,84", "1,840.5", "1 840"; no unit.
    Returns: the number. Raises InputError where there is none, or where "1,840" could be 1.84 or 1840.
    """
    clean = text.strip().replace("\u00a0", " ").replace("\u202f", " ").replace("\u2009", " ").replace("−", "-")
    if not _NUMBER.fullmatch(clean):
        _refuse(f"{text!r} is not a number", 'type a number such as "2.45"')
    mantissa, exponent = clean, ""
    power = re.search(r"[eE][+-]?[0-9]+$", clean)
    if power:
        mantissa, exponent = clean[: power.start()], power.group()
    sign = mantissa[0] if mantissa[0] in "+-" else ""
    number = float(sign + _plain_digits(mantissa.lstrip("+-"), text) + exponent)
    if not abs(number) < 1e300:
        _refuse(f"{text!r} is out of range", "type a smaller number")
    return number


def _plain_digits(digits: str, text: str) -> str:
    """The digits with a decimal point and without marks between thousands."""
    if re.fullmatch(r"[0-9]{1,3}([ '][0-9]{3})+([.,][0-9]*)?", digits):
        return re.sub(r"[ ']", "", digits).replace(",", ".")
    if " " in digits.strip() or "'" in digits:
        _refuse(f"{text!r} is not one number", "type it without blanks, such as 1840 or 1.84")
    digits = digits.strip()
    points, commas = digits.count("."), digits.count(",")
    if points and commas:
        thousands, decimal = (",", ".") if digits.rfind(".") > digits.rfind(",") else (".", ",")
        if re.fullmatch(rf"[0-9]{{1,3}}(\{thousands}[0-9]{{3}})+\{decimal}[0-9]*", digits):
            return digits.replace(thousands, "").replace(decimal, ".")
        _refuse(f"{text!r} is not one number", "type it without marks between thousands, such as 1840.5")
    if points > 1 or commas > 1:
        if re.fullmatch(r"[1-9][0-9]{0,2}([.,])[0-9]{3}(\1[0-9]{3})+", digits):
            return digits.replace(",", "").replace(".", "")
        _refuse(f"{text!r} is not one number", "type it without marks between thousands, such as 1840000")
    if re.fullmatch(r"[1-9][0-9]{0,2},[0-9]{3}", digits):
        as_decimal, as_thousands = digits.replace(",", "."), digits.replace(",", "")
        _refuse(f"{text!r} can be read in two ways", f"is it {as_decimal} or {as_thousands}? type one of them")
    return digits.replace(",", ".")


def _split(text: str, what: str, example: str) -> tuple[float, str]:
    """The number at the start of a text, and the unit behind it (blanks joined)."""
    clean = text.strip().replace("\u00a0", " ").replace("\u202f", " ")
    found = _NUMBER.match(clean.replace("−", "-"))
    if not found:
        _refuse(f"{text!r} is not {what}", f'type it like "{example}"')
    digits = found.group().rstrip(" '")
    number, word = parse_number(digits), " ".join(clean[len(digits) :].split())
    if number < 0 and not word:
        _refuse(f"{text!r} is below 0", f'type it like "{example}"')
    return number, word


def _mass_unit(word: str, *, metal: bool, text: str) -> str:
    lower = word.lower()
    if word == "Mg":
        _refuse(f"{text!r}: Mg can mean two things", "milligrams (mg) or tonnes (t)? type one of them")
    if lower.split()[-1] in ("damp", "wet", "moist", "dry"):
        hint = "type the mass alone: --damp says it of a weight, `wet` of a fraction in its lot"
        _refuse(f"{text!r} says how moist it was too", hint)
    if lower in ("gr", "grs"):
        _refuse(f"{text!r}: gr can mean two things", "grams (g) or grains (grain)? type one of them")
    if lower in AVOIRDUPOIS_WORDS:
        if metal:
            hint = "troy ounces (ozt, 31.1 g) or kitchen ounces (28.35 g)? type ozt or grams"
            _refuse(f"{text!r}: an ounce of metal can mean two things", hint)
        return "ounce"
    if lower in ("ton", "tons"):
        _refuse(f"{text!r}: ton can mean three things", "tonnes (t), short ton or long ton? type one of them")
    if lower not in MASS_WORDS:
        _refuse(f"{text!r}: {word!r} is not a unit of mass", "use g, kg, mg, t, lb, ozt, dwt or grain")
    return MASS_WORDS[lower]


def parse_mass(text: str, *, metal: bool = False) -> float:
    """Read a mass.

    Parameters: text such as "2.45 kg", "430g", "1,84 g", "0.8 ozt", "12 dwt", "3 lb"; metal, whether it is the weight
        of a metal product (then a plain "oz" is asked about; of feed it is avoirdupois).
    Returns: grams, above 0. Raises InputError without a unit, with one that can mean two things, or at 0 and below.
    """
    number, word = _split(text, "a mass", "1.84 g")
    if not word:
        _refuse(f"{text!r} has no unit", f'type the unit too, such as "{text.strip()} g" or "{text.strip()} kg"')
    grams = number * _factor(_mass_unit(word, metal=metal, text=text), "gram")
    if not grams > 0:
        _refuse(f"{text!r} is not above 0", "type a mass above 0")
    return grams


def split_range(text: str) -> tuple[str, str] | None:
    """The two ends of a range as typed, the unit lent to the first where it has none; None where it is no range.

    Parameters: text such as "2-3 g", "2 g - 3 g", "20 to 50 %".
    """
    found = _RANGE.fullmatch(text.strip().replace("\u00a0", " "))
    if found is None:
        return None
    low, unit, high = found["low"], found["unit"].strip(), found["high"].strip()
    number = _NUMBER.match(high)
    return f"{low} {unit or high[number.end() if number else 0 :]}".strip(), high


def _parse_range(text: str, parse: Callable[[str], float]) -> tuple[float, float]:
    ends = split_range(text)
    if ends is None:
        value = parse(text)
        return value, value
    low, high = (parse(end) for end in ends)
    if not low < high:
        _refuse(f"{text!r} does not rise", 'type the smaller end first, such as "2-3 g"')
    return low, high


def parse_mass_range(text: str, *, metal: bool = False) -> tuple[float, float]:
    """Read a mass or a range of it, as old notes have it.

    Parameters: text such as "2.51 g" or "2-3 g"; metal as in `parse_mass`.
    Returns: lower and upper end in g, equal for a plain mass. Raises InputError as `parse_mass` does.
    """
    return _parse_range(text, lambda end: parse_mass(end, metal=metal))


def parse_share_range(text: str) -> tuple[float, float]:
    """Read a share or a range of it.

    Parameters: text such as "30 %" or "20-50 %".
    Returns: lower and upper end, 0 to 1, equal for a plain share. Raises InputError as `parse_share` does.
    """
    return _parse_range(text, parse_share)


def parse_volume(text: str) -> float:
    """Read the volume of a liquid.

    Parameters: text such as "1.2 L", in litres or parts of one.
    Returns: litres, above 0. Raises InputError without a unit, or for one that means several things.
    """
    number, word = _split(text, "a volume", "1.2 L")
    if not word:
        _refuse(f"{text!r} has no unit", f'type the unit too, such as "{text.strip()} L" or "{text.strip()} ml"')
    if word.lower() not in VOLUME_WORDS:
        hint = "gallons, quarts and fluid ounces differ by country: type L or ml"
        _refuse(f"{text!r}: {word!r} is not a unit of volume", hint)
    litres = number * VOLUME_WORDS[word.lower()]
    if not litres > 0:
        _refuse(f"{text!r} is not above 0", "type a volume above 0")
    return litres


def parse_hours(text: str) -> float:
    """Read hours of work.

    Parameters: text such as "3.5 h", "90 min".
    Returns: hours, above 0. Raises InputError without a unit.
    """
    number, word = _split(text, "hours", "3.5 h")
    if not word:
        _refuse(f"{text!r} has no unit", f'type the unit too, such as "{text.strip()} h" or "{text.strip()} min"')
    if word.lower() not in HOUR_WORDS:
        _refuse(f"{text!r}: {word!r} is not a unit of working time", "use h or min")
    hours = number * HOUR_WORDS[word.lower()]
    if not hours > 0:
        _refuse(f"{text!r} is not above 0", "type a time above 0")
    return hours


def parse_days(text: str) -> int:
    """Read a span of time.

    Parameters: text such as "180 days", "26 weeks", "6 months", "1 year"; a month counts 30 days and a year 365, so
        that a limit is not met too late.
    Returns: whole days, above 0. Raises InputError without a unit.
    """
    number, word = _split(text, "a span of time", "180 days")
    if not word:
        _refuse(f"{text!r} has no unit", f'type the unit too, such as "{text.strip()} days"')
    if word.lower() not in DAY_WORDS:
        _refuse(f"{text!r}: {word!r} is not a unit of time", "use days, weeks, months or years")
    days = int(number * DAY_WORDS[word.lower()] + 1e-9)
    if not 0 < days < 100_000:
        _refuse(f"{text!r} is not a span of days", 'type it like "180 days"')
    return days


def parse_grade(text: str) -> float:
    """Read a grade: metal per dry feed.

    Parameters: text such as "310 g/t", "0.31 g/kg", "1 %", "9 ozt/ton" (a short ton, as troy ounces go), "80 ppm".
    Returns: g/t, above 0, at most 1,000,000. Raises InputError without a unit or out of range.
    """
    number, word = _split(text, "a grade", "310 g/t")
    if not word:
        _refuse(f"{text!r} has no unit", f'type the unit too, such as "{text.strip()} g/t"')
    grade = number * _grade_factor(word, text)
    if not grade > 0:
        _refuse(f"{text!r} is not above 0", 'type a grade above 0; a result below detection as "<5 g/t"')
    if grade > LARGEST_GRADE_G_PER_T * (1 + 1e-12):
        _refuse(f"{text!r} is more metal than feed", "a grade is at most 1000000 g/t (100 %): check the unit")
    return min(grade, LARGEST_GRADE_G_PER_T)


def _grade_factor(word: str, text: str) -> float:
    if word.lower() in PPM_WORDS:
        return PPM_WORDS[word.lower()]
    above, slash, below = re.sub(r"\bper\b", "/", word).partition("/")
    above, below = above.strip(), below.strip()
    if not slash or not above or not below:
        _refuse(f"{text!r}: {word!r} is not a unit of grade", "use g/t, g/kg, mg/kg, ppm, % or ozt/ton")
    top = _mass_unit(above, metal=True, text=text)
    if below.lower() in ("ton", "tons") and top == "troy_ounce":
        bottom = "short_ton"  # troy ounces per ton are per short ton by custom
    else:
        bottom = _mass_unit(below, metal=False, text=text)
    return _factor(top, "gram") / _factor(bottom, "tonne")


def parse_result(text: str) -> tuple[float, bool]:
    """Read an assay result, which may be below a detection limit.

    Parameters: text such as "310 g/t" or "<5 g/t".
    Returns: (g/t, whether it is a detection limit). Raises InputError as `parse_grade` does.
    """
    clean = text.strip()
    below = clean.startswith("<")
    return parse_grade(clean.lstrip("<").strip()), below


def parse_share(text: str) -> float:
    """Read a share of something.

    Parameters: text such as "5 %" or "0.05".
    Returns: 0 to 1. Raises InputError out of that range, or for a plain number above 1.
    """
    number, word = _split(text, "a share", "5 %")
    if word and word != "%":
        _refuse(f"{text!r}: {word!r} is not a unit of a share", 'type it like "5 %" or "0.05"')
    share = number / 100 if word else number
    if not word and number > 1:
        _refuse(f"{text!r} is above 1", f'type "{text.strip()} %" if percent are meant')
    if not 0 <= share <= 1:
        _refuse(f"{text!r} is out of range", "a share lies between 0 and 100 %")
    return share


def parse_money(text: str) -> float:
    """Read an amount of money in the user's own currency; a sign or a three-letter code beside it is left out.

    Parameters: text such as "75", "75.50", "$ 75", "75 EUR".
    Returns: currency units, 0 or more. Raises InputError below 0, or for a price per something.
    """
    clean = re.sub(r"^([A-Z]{3}|[$€£])\s*|\s*([A-Z]{3}|[$€£])$", "", text.strip())
    number, word = _split(clean, "an amount of money", "75.50")
    if word:
        _refuse(f"{text!r} is not an amount of money", 'type the amount alone, such as "75.50"')
    if number < 0:
        _refuse(f"{text!r} is below 0", "type an amount of 0 or more")
    return number


def parse_length(text: str) -> float:
    """Read the thickness of a plating.

    Parameters: text such as "0.76 um", "30 uin", "1 thou".
    Returns: micrometres, above 0. Raises InputError without a unit, or for `mil`, which is asked about.
    """
    number, word = _split(text, "a thickness", "0.76 um")
    if not word:
        _refuse(f"{text!r} has no unit", 'microns or micro-inches are 25-fold apart: type "um" or "uin"')
    if word.lower() in ("mil", "mils"):
        _refuse(
            f"{text!r}: mil can mean two things", "thousandths of an inch (thou) or millimetres (mm)? type one of them"
        )
    if word.lower() not in LENGTH_WORDS:
        _refuse(f"{text!r}: {word!r} is not a unit of thickness", "use um, uin, thou, mm or nm")
    length = number * _factor(LENGTH_WORDS[word.lower()], "micrometer")
    if not length > 0:
        _refuse(f"{text!r} is not above 0", "type a thickness above 0")
    return length


def parse_purity(text: str) -> float:
    """Read how pure a metal is: fineness, a share, percent or karat.

    Parameters: text such as "925" (parts per thousand), ".9761", "97.61 %", "22 kt".
    Returns: 0 to 1. Equation: karat / 24. Raises InputError out of range, or where 24 could be karat or percent.
    """
    number, word = _split(text, "a purity", "925")
    lower = word.lower()
    if lower in KARAT_WORDS:
        purity = number / 24
    elif lower == "%":
        purity = number / 100
    elif lower in ("", "‰"):
        if not lower and 1 < number <= 100:
            meant = f"{number:g} % or {number:g} kt" if number <= 24 else f"{number:g} %"
            _refuse(f"{text!r} can be read in more than one way", f"is it {meant}? type the unit")
        purity = number if number <= 1 and not lower else number / 1000
    else:
        _refuse(f"{text!r}: {word!r} is not a unit of purity", 'type it like "925", ".925", "92.5 %" or "22 kt"')
    if not 0 < purity <= 1:
        _refuse(f"{text!r} is out of range", "a purity lies above 0 and at most at 1 (1000 fine, 24 kt)")
    return purity


def format_g(grams: float) -> str:
    """A weight of metal for reading: three significant digits, in g (mg below 0.01 g, kg from 10 kg)."""
    if grams != 0 and abs(grams) < 0.01:
        return f"{_three_digits(grams * 1000)} mg"
    if abs(grams) >= 10_000:
        return f"{_three_digits(grams / 1000)} kg"
    return f"{_three_digits(grams)} g"


def format_mass_kg(kilograms: float) -> str:
    """A mass of feed for reading: three significant digits, in kg (g below 1 kg)."""
    if abs(kilograms) < 1:
        return f"{_three_digits(kilograms * 1000)} g"
    return f"{_three_digits(kilograms)} kg"


def _three_digits(number: float) -> str:
    if number == 0:
        return "0"
    if abs(number) >= 1000:
        return f"{number:.0f}"
    text = f"{number:#.3g}"
    return text.rstrip(".") if "e" not in text else f"{number:.3g}"


def slip_factors(*, grade: bool = False) -> tuple[float, ...]:
    """By what factors a weight (or a grade) comes out wrong when a unit or a decimal point slips, both ways.

    Milligrams, grams and kilograms; troy ounces or pennyweights for grams; in grades troy ounces per short ton for g/t.
    """
    mixed_up = (
        [_factor("troy_ounce", "gram") / _factor("short_ton", "tonne")]
        if grade
        else [_factor("troy_ounce", "gram"), _factor("pennyweight", "gram")]
    )
    factors = [_factor("kilogram", "gram"), *mixed_up, 10.0]
    return (*factors, *(1 / factor for factor in factors))
