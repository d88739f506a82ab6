"""Which of the recipes that were read back are those that machine.toml calls by name.

A controller keeps no names. But a button that pours one recipe has its number compiled in, and the build
digest is over all that was compiled in: the numbers by which machine.toml comes to the controller's digest
are the right ones.
"""

from __future__ import annotations

import dataclasses
import math
import shutil
import tempfile
from collections.abc import Mapping, Sequence
from itertools import permutations, product
from pathlib import Path

from dosewright.gen.compiled import CompiledMachine, RecipeTable
from dosewright.gen.fingerprint import build_digest
from dosewright.gen.load import examine
from dosewright.gen.lower import lower
from dosewright.gen.models.machine import Button, MachineFile
from dosewright.hil import readback
from dosewright.hil.readback import Labels

MOST_TRIED = 6_000  # digests, some seconds; where buttons name more than that, a person gives the names back


def named(
    folder: Path,
    machine: MachineFile,
    made: Mapping[str, str],
    table: RecipeTable,
    labels: Labels,
    build: bytes,
) -> Labels:
    """The labels with the names of machine.toml, as they were where it is not sure whose they are.

    ``made`` are the texts of the files that are missing in the folder; ``build`` is the controller's digest.
    """
    recipes = list(dict.fromkeys(b.recipe for b in machine.button.values() if isinstance(b.recipe, str)))
    servings = list(dict.fromkeys(b.serving for b in machine.button.values() if b.serving))
    numbers, places = [recipe.number for recipe in table.recipes], range(len(table.servings))
    tries = math.perm(len(numbers), len(recipes)) * math.perm(len(places), len(servings))
    if not (recipes or servings) or not 0 < tries <= MOST_TRIED:
        return labels
    ways = (
        dataclasses.replace(labels, recipes=_called(chosen, recipes), servings=_called(which, servings))
        for chosen, which in product(permutations(numbers, len(recipes)), permutations(places, len(servings)))
    )
    first = next(ways)
    compiled = _compiled(folder, {**made, "recipes.toml": readback.recipes_file(table, first)})
    if compiled is None:
        return labels
    for way in (first, *ways):
        if build_digest(_with(compiled, machine.button, way)) == build:
            return way
    return labels


def _called(numbers: Sequence[int], names: Sequence[str]) -> dict[int, str]:
    return dict(zip(numbers, names, strict=True))


def _compiled(folder: Path, made: Mapping[str, str]) -> CompiledMachine | None:
    """The machine that the folder comes to with these files; None where something is wrong with it."""
    with tempfile.TemporaryDirectory() as elsewhere:
        for file in folder.glob("*.toml"):
            shutil.copy(file, elsewhere)
        for name, text in made.items():
            (Path(elsewhere) / name).write_text(text, encoding="utf-8")
        project, _ = examine(Path(elsewhere))
    return lower(project).machine if project else None


def _with(machine: CompiledMachine, buttons: dict[str, Button], labels: Labels) -> CompiledMachine:
    """The machine with its buttons pouring what these names mean."""
    numbers = {name: number for number, name in labels.recipes.items()}
    places = {name: place for place, name in labels.servings.items()}
    pouring = []
    for button in machine.buttons:
        asked = buttons.get(button.name)
        if asked and isinstance(asked.recipe, str):
            button = dataclasses.replace(button, recipe=numbers[asked.recipe])
        if asked and asked.serving:
            button = dataclasses.replace(button, serving=places[asked.serving])
        pouring.append(button)
    return dataclasses.replace(machine, buttons=tuple(pouring))
