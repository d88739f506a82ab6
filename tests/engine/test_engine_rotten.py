"""Recipes whose bytes are anything: the reader stays within the record, before and after the check of it."""

from __future__ import annotations

import subprocess
from pathlib import Path
from random import Random

import pytest

from dosewright.gen.compiled import CompiledRecipe, Dose, RecipeTable, Stage, Step
from dosewright.gen.table import encode_recipes
from engine.conftest import ENGINE, HOST, TESTS, compile_c

ROUNDS = 4_000
SIZES = [(8, 4), (1, 0), (16, 8), (40, 9)]  # channels, stages
MACHINE = """#define DW_MACHINE_FORMAT 2
#include "dw_machine.h"
#define DW_CHANNELS {channels}
#define DW_OUTPUTS {outputs}
#define DW_STEPS_MAX {steps}
#define DW_INTERFACE 0ul
"""
TABLE = """#include "dw_target.h"
static const uint8_t dw_default_recipes[1] DW_ROM = { 0 };
static const uint8_t dw_default_calibration[1] DW_ROM = { 0 };
"""


def book(channels: int, stages: int, rng: Random) -> RecipeTable:
    """Short and long recipes, numbers with a gap."""
    recipes = []
    ends = (Stage(channels, 1 << 30),) if stages else ()
    for number in range(1, 21):
        chosen = rng.sample(range(channels), rng.randint(1, min(6, channels)))
        steps: list[Step] = [Dose(channel, rng.choice((1, 2, 3, 300))) for channel in chosen]
        if stages and rng.random() < 0.5:
            steps.insert(0, Stage(channels + rng.randrange(stages), rng.choice((1000, 5000, 77_777))))
        if stages and rng.random() < 0.3:
            steps.append(Stage(channels, 5000, True))
        recipes.append(CompiledRecipe(number + number // 15, "", tuple(steps)))
    recipes.append(CompiledRecipe(30, "", (Dose(0, 3, True), *ends)))  # a long one at the very end
    return RecipeTable((1000, 2000), tuple(recipes))


def build(name: str, channels: int, stages: int, folder: Path) -> Path:
    """The program of this name, with the reader for a machine of this size. A short recipe may have 15 steps:
    there is room for 14, or on the large machine for a sum of weights that is too great."""
    steps = 14 if channels <= 16 else 17
    machine = MACHINE.format(channels=channels, outputs=channels + stages, steps=steps)
    (folder / "machine.h").write_text(machine)
    (folder / "table.h").write_text(TABLE)
    parts = ("dw_recipes", "dw_recipes_check", "dw_record", "dw_crc")
    sources = [TESTS / f"{name}.c", *(ENGINE / f"{part}.c" for part in parts)]
    return compile_c(sources, [folder, ENGINE, HOST], folder / name)


@pytest.mark.parametrize(("channels", "stages"), SIZES)
def test_nothing_outside_the_record_is_read(channels: int, stages: int, tmp_path: Path) -> None:
    program = build("rotten", channels, stages, tmp_path)
    record = encode_recipes(book(channels, stages, Random(channels)), 0, channels, stages)
    done = subprocess.run([program, str(ROUNDS)], input=record, capture_output=True)
    assert done.returncode == 0, done.stdout.decode() + done.stderr.decode()[-2000:]
    refused, taken, whole, rotten = map(int, done.stdout.split())
    assert refused + taken == ROUNDS
    assert refused > 0 and taken > 0 and whole > 0 and rotten > 0


@pytest.mark.parametrize(("channels", "stages"), SIZES)
def test_a_recipe_ends_where_the_body_does_and_has_no_more_steps_than_there_is_room_for(
    channels: int, stages: int, tmp_path: Path
) -> None:
    done = subprocess.run([build("ends", channels, stages, tmp_path)], capture_output=True)
    assert done.returncode == 0, done.stdout.decode() + done.stderr.decode()[-2000:]
