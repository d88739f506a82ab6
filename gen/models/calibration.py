"""calibration.toml: how fast each channel of one unit really flows."""

from __future__ import annotations

from datetime import date
from fractions import Fraction
from typing import Annotated

from pydantic import AfterValidator, Field, model_validator

from dosewright.gen.models.base import (
    AnyVolume,
    FluidOunce,
    Name,
    NoRate,
    NoVolume,
    Rate,
    Table,
    mistake,
    needed,
    setting,
)

LONGEST_UNIT = 16  # bytes in the table


def _unit(text: str) -> str:
    if len(text.encode()) > LONGEST_UNIT or not text.isprintable():
        raise mistake(
            f"a name of at most {LONGEST_UNIT} bytes", "shorten it; letters beyond a-z take two or more bytes"
        )
    return text


class Measured(Table):
    """Calibration of one channel: volume = rate x on-time + offset."""

    rate: Rate = needed("How fast it flows. A plain number is ml/min.", "98 ml/min")
    offset: AnyVolume = setting(
        "0 ml",
        "Run-on after switching off, less what is lost at the start. A plain number is ml.",
        "a peristaltic pump has hardly any; measure it for small doses",
    )
    rate_u: NoRate = setting(
        None,
        "Standard uncertainty of the rate. A plain number is ml/min.",
        "one percent of the rate, as a careful measurement by hand gives (common practice, no source)",
    )
    offset_u: NoVolume = setting(
        "0.05 ml",
        "Standard uncertainty of the offset. A plain number is ml.",
        "about one drop (common practice, no source)",
    )
    measured: date | None = setting(None, "The day it was measured, as 2026-05-02.", "not known")

    @model_validator(mode="after")
    def _defaults(self) -> Measured:
        self._settle(rate_u=self.rate * Fraction(1, 100))
        return self


class CalibrationFile(Table):
    """Calibrations of one unit, by channel. A channel that is not in it was never measured."""

    fluid_ounce: FluidOunce | None = setting(
        None,
        'What a bare "fl oz", gill, pint, quart or gallon means in this file: "us" or "imperial".',
        "nothing is assumed: the two differ by four percent",
    )
    unit: Annotated[str, AfterValidator(_unit)] = setting(
        "",
        "The name of the unit that was measured; another unit refuses it.",
        "no name: there is only one unit",
    )
    channel: dict[Name, Measured] = Field({}, description="What was measured, by channel.")
