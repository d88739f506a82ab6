"""Ground of the models: strict tables, quantities with units, and fields that explain themselves.

A field is made with ``needed`` or ``setting``. Its description, the reason of its default, and what stands in
for it while the other mistakes of a file are looked for all live in the field, and nowhere else.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Annotated, Any, Literal, NamedTuple

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic.fields import FieldInfo
from pydantic_core import PydanticCustomError, core_schema

from dosewright.gen import units

LONGEST_NAME = 60
WHY = "x-why"
STAND_IN = "x-stand-in"


class Table(BaseModel):
    """A table of a file: unknown keys are mistakes, and nothing is converted on the quiet."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, arbitrary_types_allowed=True)

    def given(self, field: str) -> bool:
        """Whether the file says it, rather than a default."""
        return field in self.model_fields_set

    def _settle(self, **values: object) -> None:
        """Fill in defaults that follow from other fields; they still count as not given."""
        self.__dict__.update({name: value for name, value in values.items() if self.__dict__[name] is None})


def needed(description: str, example: Any, *, stand_in: Any = None) -> Any:
    """A field without a default. ``stand_in`` takes its place while the rest of a wrong file is checked."""
    extra: dict[str, Any] = {} if stand_in is None else {STAND_IN: stand_in}
    return Field(description=description, examples=[example], json_schema_extra=extra)


def setting(default: Any, description: str, why: str) -> Any:
    """A field with a default and the reason for it. None: follows from other fields, or there is none."""
    if default is None:
        return Field(default_factory=lambda: None, description=description, json_schema_extra={WHY: why})
    return Field(
        default=default, validate_default=True, description=description, json_schema_extra={WHY: why}
    )


def extra_of(info: FieldInfo, key: str) -> Any:
    """One of the notes that ``needed`` and ``setting`` leave in a field."""
    extra = info.json_schema_extra
    return extra.get(key) if isinstance(extra, Mapping) else None


def mistake(wanted: str, remedy: str) -> PydanticCustomError:
    """An error that says what is wanted and what to do."""
    return PydanticCustomError("mistake", "{wanted}; {remedy}", {"wanted": wanted, "remedy": remedy})


@dataclass(frozen=True, slots=True)
class Quantity:
    """Annotation of a Fraction that is written with a unit, or as a plain number in the unit of its kind.

    The bounds are in the unit of a plain number.
    """

    kind: units.Kind
    above: int | None = None
    least: int | None = None
    most: Fraction | int | None = None

    def __get_pydantic_core_schema__(
        self, source: Any, handler: GetCoreSchemaHandler
    ) -> core_schema.CoreSchema:
        return core_schema.with_info_plain_validator_function(self.validate)

    def __get_pydantic_json_schema__(
        self, schema: core_schema.CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        plain: dict[str, Any] = {"type": "number"}
        if self.above is not None:
            plain["exclusiveMinimum"] = self.above
        if self.least is not None:
            plain["minimum"] = self.least
        if self.most is not None:
            plain["maximum"] = float(self.most)
        text = {"type": "string", "maxLength": units.LONGEST_TEXT, "pattern": r"^\s*[+-]?\.?[0-9].*\S\s*$"}
        return {"anyOf": [text, plain]}

    def validate(self, value: object, info: core_schema.ValidationInfo) -> Fraction:
        try:
            amount = units.parse(value, self.kind, (info.context or {}).get("fluid_ounce"))
        except units.UnreadableError as error:
            raise mistake(error.wanted, error.remedy) from None
        plain = amount / units.parse(1, self.kind)
        kind, unit = self.kind.name, self.kind.plain
        if self.above is not None and plain <= self.above:
            raise mistake(f"{kind} above {self.above} {unit}", "write a larger one")
        if self.least is not None and plain < self.least:
            raise mistake(f"{kind} of at least {self.least} {unit}", "write a larger one")
        if self.most is not None and plain > self.most:
            raise mistake(f"{kind} of at most {float(self.most):g} {unit}", "write a smaller one")
        return amount


class RateSpan(NamedTuple):
    """A slowest and a fastest rate, ml/s."""

    slowest: Fraction
    fastest: Fraction


class _Span:
    """Annotation of a RateSpan written as ``"20 ml/min .. 200 ml/min"``."""

    def __get_pydantic_core_schema__(
        self, source: Any, handler: GetCoreSchemaHandler
    ) -> core_schema.CoreSchema:
        return core_schema.with_info_plain_validator_function(self.validate)

    def __get_pydantic_json_schema__(
        self, schema: core_schema.CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        return {"type": "string", "pattern": r"^.+\.\..+$"}

    @staticmethod
    def validate(value: object, info: core_schema.ValidationInfo) -> RateSpan:
        wanted = 'two rates such as "20 ml/min .. 200 ml/min"'
        parts = value.split("..") if isinstance(value, str) else []
        if len(parts) != 2:
            raise mistake(wanted, "write the slowest, two points, the fastest")
        rate = Quantity(units.RATE, above=0)
        slowest, fastest = rate.validate(parts[0], info), rate.validate(parts[1], info)
        if slowest >= fastest:
            raise mistake(wanted, "write the slower rate first")
        return RateSpan(slowest, fastest)


class _Number:
    """Annotation of a Fraction that is a plain number above 0, without a unit."""

    def __get_pydantic_core_schema__(
        self, source: Any, handler: GetCoreSchemaHandler
    ) -> core_schema.CoreSchema:
        return core_schema.no_info_plain_validator_function(self.validate)

    def __get_pydantic_json_schema__(
        self, schema: core_schema.CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        return {"type": "number", "exclusiveMinimum": 0}

    @staticmethod
    def validate(value: object) -> Fraction:
        wanted = "a number above 0"
        if isinstance(value, bool) or not isinstance(value, (int, Decimal)):
            raise mistake(wanted, "write a plain number without quotes; amounts with units go into amounts")
        try:
            amount = units.number(value)
        except units.UnreadableError as error:
            raise mistake(error.wanted, error.remedy) from None
        if amount <= 0:
            raise mistake(wanted, "leave out what is not poured")
        return amount


class _AmountOrRest(Quantity):
    """A volume, or the word "rest"."""

    def __get_pydantic_json_schema__(
        self, schema: core_schema.CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        inner = Quantity.__get_pydantic_json_schema__(self, schema, handler)
        return {"anyOf": [{"const": "rest"}, *inner["anyOf"]]}

    def validate(self, value: object, info: core_schema.ValidationInfo) -> Any:
        return "rest" if value == "rest" else Quantity.validate(self, value, info)


def _name(text: str) -> str:
    if not text.strip() or text != text.strip():
        raise mistake("a name with no space before or behind it", "write at least one letter or digit")
    if len(text) > LONGEST_NAME:
        raise mistake(f"a name of at most {LONGEST_NAME} characters", "shorten it")
    if any(unicodedata.category(char) in ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp") for char in text):
        raise mistake("a name of visible characters", "leave out line ends, tabs and invisible characters")
    return text


Name = Annotated[str, AfterValidator(_name)]
Volume = Annotated[Fraction, Quantity(units.VOLUME, above=0)]
AnyVolume = Annotated[Fraction, Quantity(units.VOLUME, least=-500, most=500)]
NoVolume = Annotated[Fraction, Quantity(units.VOLUME, least=0)]
Rate = Annotated[Fraction, Quantity(units.RATE, above=0)]
NoRate = Annotated[Fraction, Quantity(units.RATE, least=0)]
Time = Annotated[Fraction, Quantity(units.TIME, above=0, most=86_400)]
LinkTime = Annotated[Fraction, Quantity(units.TIME, least=2, most=86_400)]
NoTime = Annotated[Fraction, Quantity(units.TIME, least=0, most=86_400)]
Wait = Annotated[Fraction, Quantity(units.TIME, least=0, most=60)]
Debounce = Annotated[Fraction, Quantity(units.TIME, above=0, most=1)]
Current = Annotated[Fraction, Quantity(units.CURRENT, least=0, most=65)]
Percent = Annotated[Fraction, Quantity(units.PERCENT, above=0, most=100)]
NoPercent = Annotated[Fraction, Quantity(units.PERCENT, least=0, most=100)]
Span = Annotated[RateSpan, _Span()]
Number = Annotated[Fraction, _Number()]
Amount = Annotated[Fraction | Literal["rest"], _AmountOrRest(units.VOLUME, above=0)]
FluidOunce = Literal["us", "imperial"]
