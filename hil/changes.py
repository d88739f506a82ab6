"""What an upload, or going back, changes, in the words of the trade: recipes, amounts and rates.

A controller knows recipes by number, and a number that recipes.toml does not give moves up when a recipe
before it is taken out. So a recipe gets the project's name only where it is the same for certain: the file
gives that number, or the steps under it are those of the project.
"""

from __future__ import annotations

from collections.abc import Container, Iterator, Mapping, Sequence
from dataclasses import dataclass

from dosewright.gen.arithmetic import split
from dosewright.gen.compiled import QUANTA_PER_ML, Calibration, CompiledRecipe, Dose, RecipeTable
from dosewright.gen.lower import Compiled
from dosewright.gen.project import Project
from dosewright.gen.table import decode_calibration, decode_recipes
from dosewright.hil.record import Names
from dosewright.hil.upload import KINDS, Loaded, are


@dataclass(frozen=True, slots=True)
class Words:
    """How the project calls what the controller knows by number."""

    compiled: Compiled
    names: Names
    given: Mapping[int, str]  # number -> name where recipes.toml gives the number; those left out too

    @classmethod
    def of(cls, project: Project, compiled: Compiled, names: Names) -> Words:
        """The words of a project."""
        recipes = project.recipes.recipe.items()
        return cls(compiled, names, {r.number: name for name, r in recipes if r.number is not None})

    def own(self, recipe: CompiledRecipe) -> str | None:
        """The project's name of a recipe of some table, None where it may be of another one."""
        mine = (r for r in self.compiled.recipes.recipes if r.number == recipe.number)
        return self.given.get(recipe.number) or next((r.name for r in mine if r.steps == recipe.steps), None)

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
        return [f"the {name} {are(kind)} new"]
    try:
        if kind == b"R":
            return list(_recipes(words.recipes_of(was), words.recipes_of(now), words))
        return list(_rates(decode_calibration(was).channels, decode_calibration(now).channels, words))
    except ValueError:
        return [f"the {name} there cannot be read; {'they are' if kind == b'R' else 'it is'} replaced"]


@dataclass(frozen=True, slots=True)
class _Matched:
    """Two tables side by side: what leaves, what comes in, and the pairs (old, new) that differ."""

    leave: list[CompiledRecipe]
    come: list[CompiledRecipe]
    moved: list[tuple[CompiledRecipe, CompiledRecipe]]  # the same steps under another number
    other: list[tuple[CompiledRecipe, CompiledRecipe]]  # other steps under the same number


def _match(was: RecipeTable, now: RecipeTable, given: Container[int]) -> _Matched:
    """By equal steps first; by number where both have it, at once where recipes.toml gives the number."""
    before = {recipe.number: recipe for recipe in was.recipes}
    after = {recipe.number: recipe for recipe in now.recipes}
    for number in before.keys() & after.keys():
        if before[number].steps == after[number].steps:
            del before[number], after[number]
    kept = {number for number in before.keys() & after.keys() if number in given}
    moved = []
    for new in [recipe for number, recipe in after.items() if number not in kept]:
        same = (old for number, old in before.items() if number not in kept and old.steps == new.steps)
        if old := next(same, None):
            moved.append((old, new))
            del before[old.number], after[new.number]
    both = [number for number in after if number in before]
    return _Matched(
        [recipe for number, recipe in before.items() if number not in after],
        [recipe for number, recipe in after.items() if number not in before],
        moved,
        [(before[number], after[number]) for number in both],
    )


def _recipes(was: RecipeTable, now: RecipeTable, words: Words) -> Iterator[str]:
    if was.servings != now.servings:
        yield f"servings: {_ml_list(was.servings)} -> {_ml_list(now.servings)}"
    found = _match(was, now, words.given)
    used = {recipe.number for recipe in now.recipes}
    yield from _listed("leave", [_leaving(recipe, used, words) for recipe in found.leave])
    yield from _listed("come in", [words.own(recipe) or f"number {recipe.number}" for recipe in found.come])
    nameless = any(words.own(recipe) is None for recipe in found.leave)
    if nameless and any(recipe.number not in words.given for recipe in found.come):
        yield "what comes in may be what leaves, changed: without a number in recipes.toml nobody can tell"
    yield from _renumbered(found.moved, words)
    for old, new in found.other:
        yield f"{_changed(new, words)}: {_amounts(old, new, was.servings, now.servings, words.names)}"


def _leaving(recipe: CompiledRecipe, used: Container[int], words: Words) -> str:
    number = f"number {recipe.number}"
    return words.own(recipe) or (f"what was {number}" if recipe.number in used else number)


def _changed(recipe: CompiledRecipe, words: Words) -> str:
    """The name alone says that it is the same recipe; *now* says only what the number is from now on."""
    name, number = words.own(recipe), f"number {recipe.number}"
    if recipe.number in words.given or name is None:
        return name or number
    return f"{number}, now {name}"


def _listed(what: str, recipes: list[str]) -> Iterator[str]:
    if len(recipes) == 1:
        first, _, rest = what.partition(" ")
        yield f"{recipes[0]} {first}s {rest}".rstrip()
    elif recipes:
        yield f"{len(recipes)} recipes {what}: {', '.join(recipes)}"


def _renumbered(pairs: list[tuple[CompiledRecipe, CompiledRecipe]], words: Words) -> Iterator[str]:
    told = []
    for old, new in pairs:
        name = words.own(new) or words.own(old)
        told.append(f"{f'{name}: ' if name else ''}number {old.number} -> {new.number}")
    if len(told) > 1:
        yield f"{len(told)} recipes get another number, and pour as before: {'; '.join(told)}"
    else:
        yield from told


def _amounts(
    was: CompiledRecipe, now: CompiledRecipe, earlier: Sequence[int], servings: Sequence[int], names: Names
) -> str:
    """The doses that differ, at the serving called regular, else at the first.

    ``earlier``: the servings that the old recipe was poured at; where there were more or fewer of them nobody
    knows which of them this one was, and both are told at its volume.
    """
    known = len(servings) == len(names.servings)
    serving = names.servings.index("regular") if known and "regular" in names.servings else 0
    volume = servings[serving]
    before = _doses(was, earlier[serving] if len(earlier) == len(servings) else volume)
    after = _doses(now, volume)
    at = names.servings[serving] if known else _ml(volume)
    differ = [
        output for output in sorted(before.keys() | after.keys()) if before.get(output) != after.get(output)
    ]
    told = [(names.outputs[output], _ml(before.get(output)), _ml(after.get(output))) for output in differ]
    shown = [f"{name} {old} -> {new}" for name, old, new in told if old != new]
    if shown:
        return f"{', '.join(shown)} (at {at})"
    return f"amounts differ by 0.1 ml at most (at {at})" if differ else "order or stages differ"


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
