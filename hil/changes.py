"""What an upload, or going back, changes, in the words of the trade: recipes, amounts and rates."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from dosewright.gen.arithmetic import split
from dosewright.gen.compiled import QUANTA_PER_ML, Calibration, CompiledRecipe, Dose, RecipeTable
from dosewright.gen.lower import Compiled
from dosewright.gen.table import decode_calibration, decode_recipes
from dosewright.hil.record import Names
from dosewright.hil.upload import KINDS, Loaded


@dataclass(frozen=True, slots=True)
class Words:
    """How the project calls what the controller knows by number."""

    compiled: Compiled
    names: Names
    numbers: Mapping[str, int]  # recipe name -> number, those that are left out too

    def recipe(self, number: int) -> str:
        """A recipe's name, else its number."""
        return next((name for name, its in self.numbers.items() if its == number), f"number {number}")

    def recipes_of(self, record: bytes) -> RecipeTable:
        """A recipes record of this machine. ValueError where it cannot be read."""
        machine = self.compiled.machine
        return decode_recipes(record, machine.channels, machine.stages)


def changes(record: Loaded, words: Words) -> list[str]:
    """What writing a record changes, one line each; [] where nothing changes."""
    return [] if record.same else between(record.kind, record.was, record.now, words)


def between(kind: bytes, was: bytes | None, now: bytes, words: Words) -> list[str]:
    """What is different in ``now``, one line each. ``was`` is None where none was in force."""
    name = KINDS[kind]
    if was is None:
        return [f"the {name} {'are' if kind == b'R' else 'is'} new"]
    try:
        if kind == b"R":
            return list(_recipes(words.recipes_of(was), words.recipes_of(now), words))
        return list(_rates(decode_calibration(was).channels, decode_calibration(now).channels, words))
    except ValueError:
        return [f"the {name} there cannot be read; they are replaced"]


def _recipes(was: RecipeTable, now: RecipeTable, words: Words) -> Iterator[str]:
    if was.servings != now.servings:
        yield f"servings: {_ml_list(was.servings)} -> {_ml_list(now.servings)}"
    before = {recipe.number: recipe for recipe in was.recipes}
    after = {recipe.number: recipe for recipe in now.recipes}
    yield from _listed("leave", [number for number in before if number not in after], words)
    yield from _listed("come in", [number for number in after if number not in before], words)
    for number, recipe in after.items():
        if number in before and before[number].steps != recipe.steps:
            yield f"{words.recipe(number)}: {_amounts(before[number], recipe, now.servings, words.names)}"


def _listed(what: str, numbers: list[int], words: Words) -> Iterator[str]:
    if len(numbers) == 1:
        first, _, rest = what.partition(" ")
        yield f"{words.recipe(numbers[0])} {first}s {rest}".rstrip()
    elif numbers:
        yield f"{len(numbers)} recipes {what}: {', '.join(map(words.recipe, numbers))}"


def _amounts(was: CompiledRecipe, now: CompiledRecipe, servings: tuple[int, ...], names: Names) -> str:
    """The doses that differ, at the serving called regular, else at the first."""
    known = len(servings) == len(names.servings)
    serving = names.servings.index("regular") if known and "regular" in names.servings else 0
    before, after = _doses(was, servings[serving]), _doses(now, servings[serving])
    told = []
    for output in sorted(before.keys() | after.keys()):
        old, new = before.get(output), after.get(output)
        if old != new:
            told.append(f"{names.outputs[output]} {_ml(old)} -> {_ml(new)}")
    if not told:
        return "order or stages differ"
    return f"{', '.join(told)} (at {names.servings[serving] if known else _ml(servings[serving])})"


def _doses(recipe: CompiledRecipe, serving: int) -> dict[int, int]:
    doses = [step for step in recipe.steps if isinstance(step, Dose)]
    volumes = split(serving, [dose.weight for dose in doses])
    return {dose.output: volume for dose, volume in zip(doses, volumes, strict=True)}


def _rates(was: tuple[Calibration, ...], now: tuple[Calibration, ...], words: Words) -> Iterator[str]:
    for index, (old, new) in enumerate(zip(was, now, strict=False)):
        if old != new:
            tick_us = words.compiled.machine.tick_us
            yield f"{words.names.outputs[index]}: {_rate(old, tick_us)} -> {_rate(new, tick_us)}"


def _rate(calibration: Calibration, tick_us: int) -> str:
    if not calibration.rate.m:
        return "not measured"
    quanta_per_tick = 2 ** (32 + calibration.rate.s) / calibration.rate.m
    per_minute = quanta_per_tick / QUANTA_PER_ML * 60e6 / tick_us
    return f"{per_minute:.2f} ml/min {calibration.offset / QUANTA_PER_ML:+.2f} ml"


def _ml(quanta: int | None) -> str:
    return "none" if quanta is None else f"{quanta / QUANTA_PER_ML:.1f} ml"


def _ml_list(servings: tuple[int, ...]) -> str:
    return ", ".join(_ml(serving) for serving in servings)
