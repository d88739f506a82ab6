"""What an upload changes, in the words of the trade: recipes, amounts and rates."""

from __future__ import annotations

from collections.abc import Iterator

from dosewright.gen.arithmetic import split
from dosewright.gen.compiled import QUANTA_PER_ML, Calibration, CompiledRecipe, Dose, RecipeTable
from dosewright.gen.lower import Compiled
from dosewright.gen.table import decode_calibration, decode_recipes
from dosewright.hil.record import Names
from dosewright.hil.upload import Loaded


def changes(record: Loaded, compiled: Compiled, names: Names) -> list[str]:
    """One line a change; [] where nothing changes."""
    if record.same:
        return []
    if record.was is None:
        return [f"the {record.name} are new"] if record.kind == b"R" else [f"the {record.name} is new"]
    try:
        if record.kind == b"R":
            return list(_recipes(decode_recipes(record.was, compiled.machine.channels), compiled, names))
        return list(_rates(decode_calibration(record.was).channels, compiled, names))
    except ValueError:
        return [f"the {record.name} there cannot be read; they are replaced"]


def _recipes(was: RecipeTable, compiled: Compiled, names: Names) -> Iterator[str]:
    now = compiled.recipes
    if was.servings != now.servings:
        yield f"servings: {_ml_list(was.servings)} -> {_ml_list(now.servings)}"
    before = {recipe.number: recipe for recipe in was.recipes}
    after = {recipe.number: recipe for recipe in now.recipes}
    left_out = [number for number in before if number not in after]
    if left_out:
        yield f"{_count(len(left_out))} out: number {', '.join(map(str, left_out))}"
    for number, recipe in after.items():
        if number not in before:
            yield f"{recipe.name} comes in as number {number}"
        elif before[number].steps != recipe.steps:
            yield f"{recipe.name}: {_amounts(before[number], recipe, now.servings, names)}"


def _amounts(was: CompiledRecipe, now: CompiledRecipe, servings: tuple[int, ...], names: Names) -> str:
    """The doses that differ, at the serving called regular, else at the first."""
    serving = names.servings.index("regular") if "regular" in names.servings else 0
    before, after = _doses(was, servings[serving]), _doses(now, servings[serving])
    told = []
    for output in sorted(before.keys() | after.keys()):
        old, new = before.get(output), after.get(output)
        if old != new:
            told.append(f"{names.outputs[output]} {_ml(old)} -> {_ml(new)}")
    if not told:
        return "order or stages differ"
    return f"{', '.join(told)} (at {names.servings[serving]})"


def _doses(recipe: CompiledRecipe, serving: int) -> dict[int, int]:
    doses = [step for step in recipe.steps if isinstance(step, Dose)]
    volumes = split(serving, [dose.weight for dose in doses])
    return {dose.output: volume for dose, volume in zip(doses, volumes, strict=True)}


def _rates(was: tuple[Calibration, ...], compiled: Compiled, names: Names) -> Iterator[str]:
    for index, (old, new) in enumerate(zip(was, compiled.calibration.channels, strict=False)):
        if old != new:
            yield f"{names.outputs[index]}: {_rate(old, compiled)} -> {_rate(new, compiled)}"


def _rate(calibration: Calibration, compiled: Compiled) -> str:
    if not calibration.rate.m:
        return "not measured"
    quanta_per_tick = 2 ** (32 + calibration.rate.s) / calibration.rate.m
    per_minute = quanta_per_tick / QUANTA_PER_ML * 60e6 / compiled.machine.tick_us
    return f"{per_minute:.2f} ml/min {calibration.offset / QUANTA_PER_ML:+.2f} ml"


def _ml(quanta: int | None) -> str:
    return "none" if quanta is None else f"{quanta / QUANTA_PER_ML:.1f} ml"


def _ml_list(servings: tuple[int, ...]) -> str:
    return ", ".join(_ml(serving) for serving in servings)


def _count(recipes: int) -> str:
    return "one recipe goes" if recipes == 1 else f"{recipes} recipes go"
