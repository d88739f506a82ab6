"""Checks of what a controller has to keep: would it take the recipes over the link?"""

from __future__ import annotations

from dosewright.gen.lower import Compiled, lower
from dosewright.gen.models.recipes import RecipesFile
from dosewright.gen.project import Project
from dosewright.gen.source import Source
from dosewright.gen.table import encode_recipes

# the layout of TABLE.md, section Store, in bytes
UNUSED_AND_UNIT = 1 + 21
SLOT_HEAD = 4
CALIBRATION = 16 + 17 + 4  # head, name of the unit and number of channels, CRC
A_CHANNEL = 9


def space_for_recipes(store: int, channels: int) -> int:
    """Bytes of the longest recipes record that a store of so many bytes takes in one of its two slots."""
    calibrations = 2 * (SLOT_HEAD + CALIBRATION + A_CHANNEL * channels)
    return (store - UNUSED_AND_UNIT - calibrations) // 2 - SLOT_HEAD


def recipes_bytes(compiled: Compiled) -> int:
    """Bytes of the recipes record."""
    machine = compiled.machine
    return len(encode_recipes(compiled.recipes, 0, machine.channels, machine.stages))


def check_store(recipes: Source[RecipesFile], project: Project) -> None:
    """Once all else is right: the recipes fit into one slot of the target's store."""
    compiled = lower(project)
    space = space_for_recipes(project.target.store_bytes, compiled.machine.channels)
    needs = recipes_bytes(compiled)
    store, title = project.target.store_bytes, project.target.title
    if needs > space:
        recipes.report(
            ("recipe",),
            f"recipes that take {needs} bytes",
            f"at most {space}: {title} keeps two sets of recipes in {store} bytes, so that the older one is "
            "whole until the newer one is",
            "remove recipes, or load fewer liquids: what cannot be poured takes no room",
            at_key=True,
        )
