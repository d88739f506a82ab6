"""Quantities as a person writes them ("45 ml", "1.5 fl oz", "98 ml/min"), kept as exact fractions.

Every kind of quantity is kept in one unit, in which a plain number is read too: volumes in millilitres, times
in seconds, currents in amperes, percentages in percent; rates are kept in ml/s but read in ml/min. Factors
are exact: US measures follow from 231 cubic inches a gallon (NIST Handbook 44, Appendix C), imperial ones
from 4.54609 l a gallon (Units of Measurement Regulations 1995).
"""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

US_GALLON = 231 * Fraction("2.54") ** 3
IMPERIAL_GALLON = Fraction("4546.09")
CUSTOMARY = ("gal", "qt", "pt", "gill", "fl oz")
LONGEST_TEXT = 60
_EXPONENTS = 30  # a number of more than so many digits before or behind the point is a slip

_US = {
    "gal": US_GALLON,
    "qt": US_GALLON / 4,
    "pt": US_GALLON / 8,
    "cup": US_GALLON / 16,
    "gill": US_GALLON / 32,
    "fl oz": US_GALLON / 128,
    "tbsp": US_GALLON / 256,
    "tsp": US_GALLON / 768,
    "fl dr": US_GALLON / 1024,
}
_IMPERIAL = {
    "gal": IMPERIAL_GALLON,
    "qt": IMPERIAL_GALLON / 4,
    "pt": IMPERIAL_GALLON / 8,
    "gill": IMPERIAL_GALLON / 32,
    "fl oz": IMPERIAL_GALLON / 160,
}
_VOLUMES = {
    "ml": Fraction(1),
    "mL": Fraction(1),
    "cl": Fraction(10),
    "dl": Fraction(100),
    "l": Fraction(1000),
    "L": Fraction(1000),
    "ul": Fraction(1, 1000),
    "µl": Fraction(1, 1000),  # the micro sign
    "μl": Fraction(1, 1000),  # the Greek letter, which looks the same
    "cu in": Fraction("2.54") ** 3,
    **{f"US {unit}": ml for unit, ml in _US.items()},
    **{f"imp {unit}": ml for unit, ml in _IMPERIAL.items()},
}
_TIMES = {
    "us": Fraction(1, 1_000_000),
    "ms": Fraction(1, 1000),
    "s": Fraction(1),
    "min": Fraction(60),
    "h": Fraction(3600),
}
_CURRENTS = {"mA": Fraction(1, 1000), "A": Fraction(1)}
_PERCENT = {"%": Fraction(1)}
_WRITTEN_OUT = {
    "millilitre": "ml", "milliliter": "ml", "centilitre": "cl", "centiliter": "cl", "litre": "l",
    "liter": "l", "gallon": "gal", "quart": "qt", "pint": "pt", "fluid ounce": "fl oz", "tablespoon": "tbsp",
    "teaspoon": "tsp", "millisecond": "ms", "sec": "s", "second": "s", "minute": "min", "hour": "h",
    "amp": "A", "ampere": "A", "milliampere": "mA", "percent": "%",
}  # fmt: skip
_NUMBER = r"[+-]?(?:\d{1,15}(?:\.\d{1,15})?|\.\d{1,15})(?:[eE][+-]?\d{1,2})?"
_TEXT = re.compile(rf"\s*({_NUMBER})(?![eE]\d)\s*((?:[^\s\d.,+-].*?)?)\s*", re.DOTALL)


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of quantity: what it is called, the unit of a plain number, and an example to show."""

    name: str
    plain: str
    example: str


VOLUME = Kind("a volume", "ml", '"45 ml"')
RATE = Kind("a rate", "ml/min", '"98 ml/min"')
TIME = Kind("a time", "s", '"20 ms"')
CURRENT = Kind("a current", "A", '"0.9 A"')
PERCENT = Kind("a percentage", "%", '"5 %"')


class UnreadableError(ValueError):
    """A quantity that cannot be understood: what was wanted, and what to do."""

    def __init__(self, wanted: str, remedy: str) -> None:
        super().__init__(f"wanted {wanted}; {remedy}")
        self.wanted, self.remedy = wanted, remedy


def parse(value: object, kind: Kind, fluid_ounce: str | None = None) -> Fraction:
    """Read a quantity: ml, ml/s, s, A or percent, exactly.

    ``value`` is a text with a unit or a plain number; ``fluid_ounce`` ("us", "imperial" or None) says what a
    bare "fl oz", gill, pint, quart or gallon means in this file. Raises UnreadableError.
    """
    wanted = f"{kind.name} such as {kind.example}"
    if isinstance(value, bool) or not isinstance(value, (int, Decimal, str)):
        raise UnreadableError(wanted, "write a number with its unit, in quotes")
    if not isinstance(value, str):
        return number(value) * _factor(kind.plain, kind, None, wanted)
    if len(value) > LONGEST_TEXT:
        raise UnreadableError(wanted, "shorten it to one number and one unit")
    match = _TEXT.fullmatch(value)
    if match is None:
        remedy = "write a number, then its unit"
        if re.match(r"\s*[+-]?\d+,\d", value):
            remedy = "write the decimals after a point, not a comma"
        elif re.match(r"\s*[+-]?\d", value):
            remedy = "write fewer digits"
        raise UnreadableError(wanted, remedy)
    amount, unit = match.groups()
    if not unit:
        raise UnreadableError(wanted, f"add the unit: {quoted(f'{amount} {kind.plain}')}")
    return Fraction(amount) * _factor(" ".join(unit.split()), kind, fluid_ounce, wanted)


def quoted(text: str) -> str:
    """The text in quotes as it would stand in a file."""
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def number(value: int | Decimal) -> Fraction:
    """A plain number exactly. Raises UnreadableError for NaN, infinities and sizes nobody means."""
    if isinstance(value, Decimal) and not value.is_finite():
        raise UnreadableError("an ordinary number", "write a number with digits")
    size = value.adjusted() if isinstance(value, Decimal) else value.bit_length() * 3 // 10
    digits = len(value.as_tuple().digits) if isinstance(value, Decimal) else 0
    if value and (abs(size) > _EXPONENTS or digits > _EXPONENTS):
        raise UnreadableError(
            f"a number of at most {_EXPONENTS} digits", "write a number that a machine can meet"
        )
    return Fraction(value)


def _factor(unit: str, kind: Kind, fluid_ounce: str | None, wanted: str) -> Fraction:
    if kind is VOLUME:
        return _volume(unit, fluid_ounce, wanted)
    if kind is RATE:
        above, slash, below = unit.partition("/")
        below = below.strip()
        if not slash or below not in ("s", "min", "h"):
            raise UnreadableError(wanted, "write a volume, a stroke, and one of s, min, h")
        return _volume(above.strip(), fluid_ounce, wanted) / _TIMES[below]
    table = {TIME: _TIMES, CURRENT: _CURRENTS, PERCENT: _PERCENT}[kind]
    if unit not in table:
        raise UnreadableError(wanted, _instead(unit, table))
    return table[unit]


def _volume(unit: str, fluid_ounce: str | None, wanted: str) -> Fraction:
    if unit in _VOLUMES:
        return _VOLUMES[unit]
    bare = "fl oz" if unit in ("floz", "fl.oz.", "fl. oz.") else unit
    if bare in CUSTOMARY:
        if fluid_ounce is None:
            raise UnreadableError(
                f"a volume that says whose {bare} it is (US {bare}: {_round(_US[bare])} ml, imperial: "
                f"{_round(_IMPERIAL[bare])} ml)",
                f'write "US {bare}" or "imp {bare}", or once for this file fluid_ounce = "us" or "imperial"',
            )
        return (_US if fluid_ounce == "us" else _IMPERIAL)[bare]
    if unit in _US:
        raise UnreadableError(wanted, f'write "US {unit}" if that is meant, or millilitres')
    if unit in ("oz", "oz.", "ounce"):
        raise UnreadableError(wanted, 'an ounce may be a weight: write "fl oz" for the volume')
    raise UnreadableError(wanted, _instead(unit, _VOLUMES))


def _instead(unit: str, known: dict[str, Fraction]) -> str:
    names = list(known)
    whose, _, bare = unit.rpartition(" ") if unit.startswith(("US ", "imp ")) else ("", "", unit)
    short = _WRITTEN_OUT.get(bare.lower().removesuffix("s"))
    if short and (short in known or f"US {short}" in known):
        return f'write it short: "{f"{whose} {short}".strip()}"'
    near = [n for n in names if n.lower() == unit.lower()] or difflib.get_close_matches(unit, names, 1, 0.6)
    if near:
        return f'did you mean the unit "{near[0]}"?'
    usual = [n for n in names if n not in ("mL", "L", "µl", "μl") and " " not in n]
    more = ', also "US fl oz", "imp fl oz" and the like' if "ml" in known else ""
    return f"known units: {', '.join(usual)}{more}"


def _round(value: Fraction) -> str:
    return f"{float(value):.4g}"


def ml(value: Fraction) -> str:
    """A volume for people: "45 ml", "2 l"."""
    return f"{_short(value / 1000)} l" if abs(value) >= 1000 else f"{_short(value)} ml"


def seconds(value: Fraction) -> str:
    """A time for people: "20 ms", "4.5 s", "20 min"."""
    if abs(value) < 1:
        return f"{_short(value * 1000)} ms"
    if abs(value) >= 120 and value % 60 == 0:
        return f"{_short(value / 60)} min"
    return f"{_short(value)} s"


def ml_per_min(value: Fraction) -> str:
    """A rate, given in ml/s, for people: "98 ml/min"."""
    return f"{_short(value * 60)} ml/min"


def amperes(value: Fraction) -> str:
    """A current for people."""
    return f"{_short(value)} A"


def percent(value: Fraction) -> str:
    """A percentage for people."""
    return f"{_short(value)} %"


def _short(value: Fraction) -> str:
    """At most four figures, and all digits of whole numbers."""
    if value.denominator == 1:
        return str(value.numerator)
    text = f"{float(value):.4g}"
    if "e" in text:
        text = f"{float(value):.0f}" if abs(value) >= 1 else f"{float(value):.6f}".rstrip("0").rstrip(".")
    return text


def shown(value: Fraction, kind: Kind) -> str:
    """A quantity of any kind for people."""
    table = {VOLUME: ml, RATE: ml_per_min, TIME: seconds, CURRENT: amperes, PERCENT: percent}
    return table[kind](value)
