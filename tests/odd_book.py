"""Recipes of many shapes, and the headers of a machine that could pour them, for trials of a reader alone."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from random import Random

from dosewright.gen.compiled import CompiledRecipe, Dose, RecipeTable, Stage, Step
from dosewright.gen.table import encode_recipes

SIZES = [(8, 4), (5, 2), (1, 0), (16, 8), (40, 9)]  # channels, stages

_MACHINE = """#define DW_MACHINE_FORMAT 2
#include "dw_machine.h"
#define DW_CHANNELS {channels}
#define DW_OUTPUTS {outputs}
#define DW_STEPS_MAX {steps}
#define DW_INTERFACE 0ul
"""
_TABLE = """#include "dw_target.h"
static const uint8_t dw_default_recipes[1] DW_ROM = { 0 };
static const uint8_t dw_default_calibration[1] DW_ROM = { 0 };
"""


def write_headers(channels: int, stages: int, folder: Path) -> None:
    """A short recipe may have 15 steps: there is room for 14, or on a large machine for a sum of weights that
    is too great."""
    steps = 14 if channels <= 16 else 17
    machine = _MACHINE.format(channels=channels, outputs=channels + stages, steps=steps)
    (folder / "machine.h").write_text(machine)
    (folder / "table.h").write_text(_TABLE)


def record(channels: int, stages: int) -> bytes:
    """A record of short and long recipes, their numbers with a gap."""
    rng = Random(channels)
    recipes = []
    ends = (Stage(channels, 1_000_000_000),) if stages else ()
    for number in range(1, 21):
        chosen = rng.sample(range(channels), rng.randint(1, min(6, channels)))
        steps: list[Step] = [Dose(channel, rng.choice((1, 2, 3, 300))) for channel in chosen]
        if stages and rng.random() < 0.5:
            steps.insert(0, Stage(channels + rng.randrange(stages), rng.choice((1000, 5000, 77_000))))
        if stages and rng.random() < 0.3:
            steps.append(Stage(channels, 5000, True))
        if number % 7 == 3 and len(steps) > 2:  # only a long one can say it
            steps[1] = replace(steps[1], after_all=True)
        recipes.append(CompiledRecipe(number + number // 15, "", tuple(steps)))
    doses = [Dose(channel, 1 + channel % 3) for channel in range(min(channels, 13))]
    staged = [Stage(channels, 5000)] * (14 - len(doses)) if stages else []
    recipes.append(CompiledRecipe(25, "", (*staged, *doses)))  # takes all the room there is
    recipes.append(CompiledRecipe(30, "", (Dose(0, 3, True), *ends)))  # a long one at the very end
    return encode_recipes(RecipeTable((1000, 2000), tuple(recipes)), 0, channels, stages)


def many(channels: int, stages: int) -> bytes:
    """A record of 300 recipes of one step: more than a byte counts."""
    recipes = tuple(CompiledRecipe(number, "", (Dose(number % channels, 1),)) for number in range(1, 301))
    return encode_recipes(RecipeTable((1000,), recipes), 0, channels, stages)
