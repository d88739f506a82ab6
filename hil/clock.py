"""How fast the controller's clock runs beside that of the computer, and what that does to the doses.

A board with a ceramic resonator may be off by half a percent, and with it every dose whose rate was measured
with another clock. The slope of ticks over time is found by weighted least squares. A reading is as good as
the tick is short and the answer quick: within both, one moment is as likely as another, so its variance is
(tick^2 + delay^2)/12 (GUM, JCGM 100:2008, 4.3.7). Where the readings scatter more, they are trusted less.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from dosewright.gen.compiled import QUANTA_PER_ML, CompiledRecipe
from dosewright.gen.lower import Compiled
from dosewright.gen.plan import PlanError, plan
from dosewright.hil.record import Names, later

FEWEST = 8  # readings; of fewer nobody can tell how much they scatter
COVERAGE = 2  # standard uncertainties behind a "±": about 95 % (GUM, G.6.6)


@dataclass(frozen=True, slots=True)
class Reading:
    """The controller's tick, told at some moment from ``before`` to ``after``, seconds of the computer."""

    before: float
    after: float
    tick: int


@dataclass(frozen=True, slots=True)
class Fit:
    """``error``: how much faster than the computer's the controller's clock runs (0.003: by 0.3 %).

    ``uncertainty`` is that of ``error``, one standard deviation; ``seconds`` is how long it was watched.
    """

    error: float
    uncertainty: float
    readings: int
    seconds: float

    @property
    def seen(self) -> bool:
        """Whether it is more than what may be chance."""
        return abs(self.error) > COVERAGE * self.uncertainty


@dataclass(frozen=True, slots=True)
class LongestDose:
    """What suffers most: ``flow_ml`` is what the on-time brings, run-on left out; ``seconds`` is it."""

    words: str
    flow_ml: float
    seconds: float

    def change_ml(self, error: float) -> float:
        """What a clock that is off by ``error`` adds to the dose: a fast one ends it early."""
        return -self.flow_ml * error / (1 + error)


def fit(readings: Sequence[Reading], tick_us: int) -> Fit | None:
    """The clock's error over the readings since the last reset, None where they are too few to tell."""
    since = _since_the_last_reset(readings)
    if len(since) < FEWEST:
        return None
    tick = tick_us / 1e6
    start = since[0]
    times = [(reading.before + reading.after) / 2 - start.before for reading in since]
    told = [later(reading.tick, start.tick) * tick for reading in since]
    weights = [12 / (tick**2 + (reading.after - reading.before) ** 2) for reading in since]
    total = math.fsum(weights)
    mean_time = math.fsum(w * t for w, t in zip(weights, times, strict=True)) / total
    mean_told = math.fsum(w * y for w, y in zip(weights, told, strict=True)) / total
    spread = math.fsum(w * (t - mean_time) ** 2 for w, t in zip(weights, times, strict=True))
    if not spread:
        return None
    slope = (
        math.fsum(w * (t - mean_time) * (y - mean_told) for w, t, y in zip(weights, times, told, strict=True))
        / spread
    )
    scatter = math.fsum(
        w * (y - mean_told - slope * (t - mean_time)) ** 2
        for w, t, y in zip(weights, times, told, strict=True)
    ) / (len(since) - 2)
    return Fit(slope - 1, math.sqrt(max(scatter, 1) / spread), len(since), times[-1] - times[0])


def longest_dose(
    compiled: Compiled, names: Names, pours: Iterable[tuple[CompiledRecipe, int]]
) -> LongestDose | None:
    """The dose that is on for longest in these pours; None where there is none."""
    longest: LongestDose | None = None
    for recipe, serving in pours:
        try:
            planned = plan(compiled, recipe, serving)
        except PlanError:
            continue
        for dose in planned.doses:
            seconds = dose.ticks * compiled.machine.tick_us / 1e6
            if longest is None or seconds > longest.seconds:
                flow = dose.realised_ml - dose.calibration.offset / QUANTA_PER_ML
                what = f"{names.outputs[dose.output]} in {recipe.name}, {names.servings[serving]}"
                longest = LongestDose(f"{what}: {float(dose.asked_ml):.2f} ml", float(flow), seconds)
    return longest


def words(found: Fit | None, dose: LongestDose | None) -> list[str]:
    """What to tell a person."""
    if found is None:
        return ["clock: too few readings to tell how fast the controller's runs; pour more or longer"]
    margin = COVERAGE * found.uncertainty
    over = f"{found.readings} readings over {found.seconds:.1f} s"
    if not found.seen:
        told = [f"clock: no error of the controller's seen, within {_margin(margin * 100, '%')} ({over})"]
        if dose:
            most = abs(dose.flow_ml) * (abs(found.error) + margin)
            told.append(f"  in the longest dose ({dose.words}) that is less than {_ml(most)}")
        return told
    way = "fast" if found.error > 0 else "slow"
    size = f"{_percent(abs(found.error))} {way}, {_margin(margin * 100, '%')}"
    told = [f"clock: the controller's runs {size} ({over})"]
    if dose:
        change = dose.change_ml(found.error)
        told.append(
            f"  the longest dose ({dose.words}) gets {_ml(abs(change))} too "
            f"{'little' if change < 0 else 'much'}, {_margin(dose.flow_ml * margin, 'ml')}; "
            "unless its rate was measured with this very controller"
        )
    return told


def as_json(found: Fit | None, dose: LongestDose | None) -> dict[str, object] | None:
    """The same as plain values."""
    if found is None:
        return None
    return {
        "fast_by": found.error,
        "standard_uncertainty": found.uncertainty,
        "readings": found.readings,
        "seconds": found.seconds,
        "longest_dose": dose.words if dose else None,
        "longest_dose_change_ml": dose.change_ml(found.error) if dose else None,
    }


def _since_the_last_reset(readings: Sequence[Reading]) -> Sequence[Reading]:
    """A tick that goes back is one of a controller that began anew."""
    for index in range(len(readings) - 1, 0, -1):
        if later(readings[index].tick, readings[index - 1].tick) < 0:
            return readings[index:]
    return readings


def _percent(ratio: float) -> str:
    """In percent, to three decimals below one."""
    return f"{ratio * 100:.3f} %" if ratio < 0.01 else f"{ratio * 100:.2f} %"


def _margin(value: float, unit: str) -> str:
    """A ± to three decimals, rounded up: none is ever shown as nothing."""
    return f"± {max(1, math.ceil(value * 1000 - 1e-6)) / 1000:.3f} {unit}"


def _ml(volume: float) -> str:
    return f"{volume:.3f} ml" if volume < 0.1 else f"{volume:.2f} ml"
