"""Checks of every dose: can the channel meter it, is there enough, and how far may it be off.

The largest and the smallest serving bound all others. Figures of warnings are floats; what refuses is
integers, the same that the controller computes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from math import hypot
from statistics import NormalDist

from dosewright.gen import units
from dosewright.gen.arithmetic import planned, quanta, rate, split, worst_error_ticks
from dosewright.gen.book import Book, Part, Pourable, channels_of
from dosewright.gen.compiled import QUANTA_PER_ML, Calibration
from dosewright.gen.models.calibration import CalibrationFile, Measured
from dosewright.gen.models.loaded import LoadedFile
from dosewright.gen.models.machine import Channel, MachineFile
from dosewright.gen.models.recipes import RecipesFile
from dosewright.gen.source import Source, shown

COVERAGE = 0.95  # of the doses lie within what is said here


@dataclass(frozen=True, slots=True)
class _Line:
    """A channel with its calibration, in the controller's integers and in floats."""

    name: str
    channel: Channel
    measured: Measured
    calibration: Calibration
    tick_us: int

    @property
    def tick(self) -> Fraction:
        return Fraction(self.tick_us, 1_000_000)


def check_doses(
    machine: Source[MachineFile],
    recipes: Source[RecipesFile],
    loaded: Source[LoadedFile],
    calibration: Source[CalibrationFile],
    book: Book,
) -> None:
    """Every dose of every recipe that can be poured; and liquids that stand twice."""
    assert machine.model and recipes.model and loaded.model and calibration.model
    _twice(machine.model, loaded, calibration.model)
    servings = {
        name: volume
        for name, volume in recipes.model.serving.items()
        if volume <= machine.model.machine.vessel
    }
    if not servings:
        return
    smallest, largest = min(servings, key=servings.__getitem__), max(servings, key=servings.__getitem__)
    lines = _lines(machine, calibration)
    needed: dict[str, tuple[int, str]] = {}  # channel -> its largest dose and the recipe
    for item in book.recipes:
        if not recipes.sound("recipe", item.name):
            continue
        weights = [part.weight for part in item.parts]
        least, most = (split(quanta(servings[name]), weights) for name in (smallest, largest))
        for part, low, high in zip(item.parts, least, most, strict=True):
            line = lines.get(part.channel)
            if line is None:
                continue
            if (high, item.name) > needed.get(line.name, (0, "")):
                needed[line.name] = (high, item.name)
            if _meters(recipes, item, part, line, (smallest, low), (largest, high)):
                tolerance = item.recipe.tolerance or line.channel.tolerance or machine.model.machine.tolerance
                share_off = abs(Fraction(part.weight, sum(weights)) - part.share) * servings[smallest]
                _tolerance(recipes, item, part, line, smallest, low, float(share_off), float(tolerance))
    _reservoirs(machine, loaded, needed, largest)


def _lines(machine: Source[MachineFile], calibration: Source[CalibrationFile]) -> dict[int, _Line]:
    assert machine.model and calibration.model
    tick_us = int(machine.model.machine.tick * 1_000_000)
    lines: dict[int, _Line] = {}
    for index, (name, channel) in enumerate(machine.model.channel.items()):
        measured = calibration.model.channel.get(name)
        doubtful = not machine.sound("channel", name) or not calibration.sound("channel", name)
        slowest, fastest = channel.plausible_rate
        if measured is None or doubtful or not slowest <= measured.rate <= fastest:  # reported elsewhere
            continue
        try:
            integers = Calibration(rate(measured.rate, tick_us), quanta(measured.offset))
        except ValueError:  # as well
            continue
        lines[index] = _Line(name, channel, measured, integers, tick_us)
    return lines


def _meters(
    source: Source[RecipesFile],
    item: Pourable,
    part: Part,
    line: _Line,
    smallest: tuple[str, int],
    largest: tuple[str, int],
) -> bool:
    """Whether the on-times at both ends lie between min_on and max_on."""
    channel = line.channel
    path = _path(item, part)
    (serving, low), shortest = smallest, planned(smallest[1], line.calibration)
    if shortest == 0 or shortest * line.tick < channel.min_on:
        least = units.ml(channel.min_on * line.measured.rate + line.measured.offset)
        source.report(
            path,
            f"{_ml(low)} of {shown(part.liquid)} at the serving {serving}, "
            f"{units.seconds(shortest * line.tick)} on channel {line.name}",
            f"at least {units.seconds(channel.min_on)}, which is {least}",
            "raise the part or the smallest serving, or dilute the liquid and pour more of it",
        )
        return False
    (serving, high), longest = largest, planned(largest[1], line.calibration)
    if longest * line.tick > channel.max_on:
        source.report(
            path,
            f"{_ml(high)} of {shown(part.liquid)} at the serving {serving}, "
            f"{units.seconds(longest * line.tick)} on channel {line.name}",
            f"at most its max_on, {units.seconds(channel.max_on)}",
            "lower the part or the serving, or raise max_on in machine.toml if the hardware bears it",
        )
        return False
    return True


def _tolerance(
    source: Source[RecipesFile],
    item: Pourable,
    part: Part,
    line: _Line,
    serving: str,
    volume: int,
    share_off: float,
    tolerance: float,
) -> None:
    """Calibration at 95 %, plus the tick, plus the rounding of the weights, against the tolerance."""
    dose = volume / QUANTA_PER_ML
    flow = float(line.measured.rate)
    on_time = (dose - float(line.measured.offset)) / flow
    factor = NormalDist().inv_cdf((1 + COVERAGE) / 2)
    calibrated = factor * hypot(on_time * float(line.measured.rate_u), float(line.measured.offset_u))
    tick = float(
        worst_error_ticks(line.measured.rate, line.tick_us, int(on_time / float(line.tick)))
    ) * float(line.tick)
    off = calibrated + tick * flow + share_off
    percent = 100 * off / dose
    if percent > tolerance:
        source.report(
            _path(item, part),
            f"{dose:.3g} ml of {shown(part.liquid)} at the serving {serving}, which may be {off:.2g} ml "
            f"({percent:.3g} %) off on channel {line.name}: calibration {calibrated:.2g} ml, "
            f"tick {tick * flow:.2g} ml, "
            f"weights {share_off:.2g} ml",
            f"at most {tolerance:.3g} %, so {percent - tolerance:.2g} % less",
            "measure the channel better, raise the part or the smallest serving, or allow a wider tolerance",
            warning=True,
        )


def _reservoirs(
    machine: Source[MachineFile],
    loaded: Source[LoadedFile],
    needed: Mapping[str, tuple[int, str]],
    serving: str,
) -> None:
    assert machine.model and loaded.model
    for name, (volume, recipe) in needed.items():
        dose = Fraction(volume, QUANTA_PER_ML)
        reservoir = machine.model.channel[name].reservoir
        wanted = f"at least {_ml(volume)}, one dose of {shown(recipe)} at the serving {serving}"
        if reservoir is not None and reservoir < dose:
            found = f"a reservoir of {units.ml(reservoir)}"
            machine.report(
                ("channel", name, "reservoir"), found, wanted, "fit a larger one, or lower the serving"
            )
        left = loaded.model.channels[name].left
        if left is not None and left < dose:
            loaded.report(
                (name, "left"),
                f"{units.ml(left)} left",
                wanted,
                "fill it up before the next pour",
                warning=True,
            )


def _twice(machine: MachineFile, loaded: Source[LoadedFile], calibration: CalibrationFile) -> None:
    assert loaded.model
    for liquid, (used, *others) in channels_of(machine, loaded.model, calibration).items():
        for name in others:
            loaded.report(
                (name, "liquid"),
                f"{shown(liquid)}, which is on channel {used} too",
                "one channel a liquid",
                f"channel {used} is used; load the other one in its place when it is empty",
                warning=True,
            )


def _path(item: Pourable, part: Part) -> tuple[str, ...]:
    return ("recipe", item.name, "amounts" if item.recipe.parts is None else "parts", part.liquid)


def _ml(volume: int) -> str:
    return units.ml(Fraction(volume, QUANTA_PER_ML))
