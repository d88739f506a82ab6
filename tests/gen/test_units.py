"""Quantities with units, against published exact factors."""

from __future__ import annotations

from contextlib import suppress
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dosewright.gen import units
from dosewright.gen.arithmetic import planned, quanta, rate
from dosewright.gen.compiled import Calibration
from dosewright.gen.units import CURRENT, PERCENT, RATE, TIME, VOLUME, UnreadableError, parse

# NIST Handbook 44, Appendix C, and NIST SP 811, Appendix B: US measures from 231 cubic inches a gallon.
US_ML = {
    "gal": "3785.411784",
    "qt": "946.352946",
    "pt": "473.176473",
    "cup": "236.5882365",
    "gill": "118.29411825",
    "fl oz": "29.5735295625",
    "tbsp": "14.78676478125",
    "tsp": "4.92892159375",
    "fl dr": "3.6966911953125",
}
# Units of Measurement Regulations 1995 (UK): 4.54609 l a gallon.
IMPERIAL_ML = {
    "gal": "4546.09",
    "qt": "1136.5225",
    "pt": "568.26125",
    "gill": "142.0653125",
    "fl oz": "28.4130625",
}


@pytest.mark.parametrize(("unit", "ml"), US_ML.items())
def test_us_measures_are_exact(unit: str, ml: str) -> None:
    assert parse(f"1 US {unit}", VOLUME) == Fraction(ml)


@pytest.mark.parametrize(("unit", "ml"), IMPERIAL_ML.items())
def test_imperial_measures_are_exact(unit: str, ml: str) -> None:
    assert parse(f"1 imp {unit}", VOLUME) == Fraction(ml)


def test_the_cubic_inch_is_exact() -> None:
    assert parse("1 cu in", VOLUME) == Fraction("16.387064")  # NIST SP 811, from 2.54 cm


def test_the_two_fluid_ounces_differ_by_four_percent_and_the_gills_by_more() -> None:
    ounces = parse("1 imp fl oz", VOLUME) / parse("1 US fl oz", VOLUME)
    assert ounces == Fraction("28.4130625") / Fraction("29.5735295625")
    assert round(float(ounces), 6) == 0.960760  # ratio of the two definitions above
    assert parse("1 imp gill", VOLUME) == 5 * parse("1 imp fl oz", VOLUME)
    assert parse("1 US gill", VOLUME) == 4 * parse("1 US fl oz", VOLUME)


def test_a_us_gallon_a_minute() -> None:
    # NIST SP 811, Appendix B: 1 US gpm = 0.227124707 m3/h
    assert float(parse("1 US gal/min", RATE) * 3600 / 1_000_000) == pytest.approx(0.227124707, abs=5e-10)


# Of the conversions of SP 811 the pound a square inch (6894.757293 Pa) and the ounce of mass (28.349523125 g)
# have nothing to be held against: no field takes a pressure or a mass, and "oz" is refused as a weight.


def test_a_bare_fluid_ounce_needs_the_file_to_say_which() -> None:
    for unit in units.CUSTOMARY:
        with pytest.raises(UnreadableError, match="fluid_ounce"):
            parse(f"1 {unit}", VOLUME)
        assert parse(f"1 {unit}", VOLUME, "us") == Fraction(US_ML[unit])
        assert parse(f"1 {unit}", VOLUME, "imperial") == Fraction(IMPERIAL_ML[unit])
    with pytest.raises(UnreadableError, match="weight"):
        parse("1 oz", VOLUME, "us")


@pytest.mark.parametrize(
    ("text", "kind", "value"),
    [
        ("45 ml", VOLUME, 45),
        ("2l", VOLUME, 2000),
        (" 1.5 cl ", VOLUME, 15),
        ("250 µl", VOLUME, Fraction(1, 4)),
        ("250 \N{GREEK SMALL LETTER MU}l", VOLUME, Fraction(1, 4)),
        (".5 ml", VOLUME, Fraction(1, 2)),
        ("-0.06 ml", VOLUME, Fraction(-6, 100)),
        ("98 ml/min", RATE, Fraction(98, 60)),
        ("3.6 l / h", RATE, 1),
        ("20 ms", TIME, Fraction(1, 50)),
        ("3 min", TIME, 180),
        ("0.9 A", CURRENT, Fraction(9, 10)),
        ("900 mA", CURRENT, Fraction(9, 10)),
        ("5 %", PERCENT, 5),
        ("5%", PERCENT, 5),
        (45, VOLUME, 45),
        (Decimal("0.1"), VOLUME, Fraction(1, 10)),
        (98, RATE, Fraction(98, 60)),
        (2, TIME, 2),
    ],
)
def test_quantities_are_exact(text: object, kind: units.Kind, value: Fraction | int) -> None:
    assert parse(text, kind) == value


@pytest.mark.parametrize(
    ("text", "kind", "remedy"),
    [
        ("45", VOLUME, '"45 ml"'),
        ("45 m", VOLUME, "unit"),
        ("45 Ml", VOLUME, '"ml"'),
        ("1,5 ml", VOLUME, "point"),
        ("1 tsp", VOLUME, '"US tsp"'),
        ("1 pint", VOLUME, 'write it short: "pt"'),
        ("2 US Pints", VOLUME, 'write it short: "US pt"'),
        ("2 litres", VOLUME, 'write it short: "l"'),
        ("2 seconds", TIME, 'write it short: "s"'),
        ("3 furlongs", VOLUME, '"US fl oz"'),
        ("ml", VOLUME, "number"),
        ("", VOLUME, "number"),
        ("1e400 ml", VOLUME, "fewer digits"),
        ("9" * 400 + " ml", VOLUME, "shorten"),
        ("nan ml", VOLUME, "number"),
        ("98 ml", RATE, "stroke"),
        ("98 ml/day", RATE, "min"),
        ("3 s", VOLUME, "unit"),
        ("0.9 V", CURRENT, "mA, A"),
        (True, VOLUME, "quotes"),
        ([], VOLUME, "quotes"),
        (Decimal("NaN"), VOLUME, "digits"),
        (Decimal("Infinity"), VOLUME, "digits"),
        (Decimal("1e400"), VOLUME, "machine"),
        (Decimal("1e-400"), VOLUME, "machine"),
        (10**400, VOLUME, "machine"),
    ],
)
def test_what_cannot_be_read_says_what_to_do(text: object, kind: units.Kind, remedy: str) -> None:
    with pytest.raises(UnreadableError) as caught:
        parse(text, kind)
    assert remedy in caught.value.remedy
    assert kind.name in caught.value.wanted or "number" in caught.value.wanted


@given(st.text(max_size=80), st.sampled_from([VOLUME, RATE, TIME, CURRENT, PERCENT]))
def test_no_text_gives_anything_but_a_fraction_or_unreadable(text: str, kind: units.Kind) -> None:
    with suppress(UnreadableError):
        assert isinstance(parse(text, kind), Fraction)


@given(st.fractions(min_value=0, max_value=10**6), st.sampled_from([VOLUME, RATE, TIME, CURRENT, PERCENT]))
def test_what_is_shown_to_people_reads_back_within_its_figures(value: Fraction, kind: units.Kind) -> None:
    back = parse(units.shown(value, kind), kind)
    assert abs(back - value) <= abs(value) / 1000 + Fraction(1, 1_000_000)


def test_the_pump_of_the_trade() -> None:
    # A peristaltic pump built to order delivers 98 ml a minute: 45 ml take 27.551 s (common practice,
    # no source).
    flow = parse("98 ml/min", RATE)
    assert round(float(parse("45 ml", VOLUME) / flow), 3) == 27.551
    assert planned(quanta(parse("45 ml", VOLUME)), Calibration(rate(flow, 1000), 0)) == 27_551
