"""Plans: when each output switches in an undisturbed pour of one recipe, and what volumes that realises."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import Protocol

from dosewright.gen.codes import Reason, Result
from dosewright.gen.compiled import (
    QUANTA_PER_ML,
    Calibration,
    CalibrationTable,
    CompiledMachine,
    CompiledRecipe,
    RecipeTable,
)
from dosewright.gen.compiled import Dose as DoseStep
from dosewright.gen.twin import Twin
from dosewright.gen.twin_log import Edge, Input, Pour


class Compiled(Protocol):
    """What a plan is made of."""

    @property
    def machine(self) -> CompiledMachine: ...

    @property
    def recipes(self) -> RecipeTable: ...

    @property
    def calibration(self) -> CalibrationTable: ...


@dataclass(frozen=True, slots=True)
class PlannedDose:
    """One channel's amount: ``weight`` of ``weights`` parts of the serving (quanta), in so many ticks.

    What is exact here is exact for the stored weights and the stored calibration.
    """

    output: int
    weight: int
    weights: int
    serving: int
    calibration: Calibration
    ticks: int

    @property
    def asked_ml(self) -> Fraction:
        return Fraction(self.serving * self.weight, self.weights * QUANTA_PER_ML)

    @property
    def exact_ticks(self) -> Fraction:
        """The on-time that would bring exactly the volume asked for."""
        return (self.asked_ml * QUANTA_PER_ML - self.calibration.offset) * self._ticks_per_quantum

    @property
    def realised_ml(self) -> Fraction:
        """What the whole ticks bring."""
        return (self.ticks / self._ticks_per_quantum + self.calibration.offset) / QUANTA_PER_ML

    @property
    def error_ticks(self) -> Fraction:
        return self.ticks - self.exact_ticks

    @property
    def error_ml(self) -> Fraction:
        return self.realised_ml - self.asked_ml

    @property
    def _ticks_per_quantum(self) -> Fraction:
        return Fraction(self.calibration.rate.m, 1 << (32 + self.calibration.rate.s))


@dataclass(frozen=True, slots=True)
class Plan:
    """``edges`` and ``duration`` are in ticks after the pour's own tick; ``serving`` is the index."""

    recipe: CompiledRecipe
    serving: int
    edges: tuple[Edge, ...]
    doses: tuple[PlannedDose, ...]
    duration: int


class PlanError(ValueError):
    """The engine would refuse this pour, or abort it although nothing disturbs it."""

    def __init__(self, recipe: CompiledRecipe, serving: int, reason: Reason, argument: int) -> None:
        self.recipe, self.serving, self.reason, self.argument = recipe, serving, reason, argument
        self.words = reason.name.lower().replace("_", " ")
        super().__init__(
            f"recipe {recipe.number} {recipe.name!r}, serving {serving}: {self.words} ({argument})"
        )


def plan(compiled: Compiled, recipe: CompiledRecipe, serving: int) -> Plan:
    """The plan of one recipe of the table at one serving (its index). PlanError where there can be none."""
    return _plan(_twin(compiled), recipe, serving)


def plans(compiled: Compiled) -> Iterator[Plan]:
    """The plans of every recipe at every serving, in the order of the table."""
    twin = _twin(compiled)
    for recipe in compiled.recipes.recipes:
        for serving in range(len(compiled.recipes.servings)):
            yield _plan(twin, recipe, serving)


def _twin(compiled: Compiled) -> Twin:
    return Twin(compiled.machine, compiled.recipes, compiled.calibration)


def _plan(twin: Twin, recipe: CompiledRecipe, serving: int) -> Plan:
    assert twin.recipes is not None and twin.calibration is not None
    closed = [Input(1, index, True) for index in range(len(twin.machine.interlocks))]
    outcome = twin.run([*closed, Pour(2, recipe.number, serving)], debounced=True)
    (answer,) = outcome.answers
    if answer.reason:
        raise PlanError(recipe, serving, Reason(answer.reason), answer.argument)
    if outcome.result != Result.DONE:
        raise PlanError(recipe, serving, outcome.reason, outcome.argument)
    volume = twin.recipes.servings[serving]
    weights = sum(step.weight for step in recipe.steps if isinstance(step, DoseStep))
    channels = twin.calibration.channels
    return Plan(
        recipe,
        serving,
        edges=tuple([Edge(tick - 2, output, on) for tick, output, on in outcome.edges()]),
        doses=tuple(
            [
                PlannedDose(step.output, step.weight, weights, volume, channels[step.output], booked.planned)
                for step, booked in zip(recipe.steps, outcome.booked, strict=True)
                if isinstance(step, DoseStep)
            ]
        ),
        duration=outcome.tick - 2,
    )
