"""Checks of whole pours: those that the controller would end by itself although nothing disturbs them."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from math import ceil

from dosewright.gen import units
from dosewright.gen.arithmetic import planned, split
from dosewright.gen.codes import Reason
from dosewright.gen.compiled import CompiledRecipe, Dose
from dosewright.gen.lower import Compiled, lower
from dosewright.gen.models.machine import MachineFile
from dosewright.gen.models.recipes import RecipesFile
from dosewright.gen.plan import PlanError, plan
from dosewright.gen.project import Project
from dosewright.gen.source import Source, shown

WITHOUT_LIMIT = (1 << 31) - 1  # ticks


def check_pours(machine: Source[MachineFile], recipes: Source[RecipesFile], project: Project) -> None:
    """Every recipe at every serving, once all else is right: does it end within the pour limit?"""
    compiled = lower(project)
    endless = replace(compiled, machine=replace(compiled.machine, pour_limit=WITHOUT_LIMIT))
    longest, whose = 0, ""
    for recipe in compiled.recipes.recipes:
        for serving, name in enumerate(compiled.serving_names):
            if _one_by_one(compiled, recipe, serving) <= compiled.machine.pour_limit:
                continue
            try:
                plan(compiled, recipe, serving)
            except PlanError as error:
                if error.reason != Reason.POUR_LIMIT:
                    recipes.report(
                        ("recipe", recipe.name),
                        f"a pour at the serving {name} that the controller would not do: {error.words}",
                        "a pour that it does",
                        "look at the limits of the outputs it needs",
                        at_key=True,
                    )
                    continue
                takes = plan(endless, recipe, serving).duration
                if takes > longest:
                    longest, whose = takes, f"{shown(recipe.name)} at the serving {name}"
    tick = project.machine.machine.tick
    if longest:
        machine.report(
            ("machine", "pour_limit"),
            f"a pour_limit of {units.seconds(project.machine.machine.pour_limit)}",
            f"at least {units.seconds(Fraction(ceil(longest * tick)))}, for {whose}",
            "raise it, or lower the serving",
        )


def _one_by_one(compiled: Compiled, recipe: CompiledRecipe, serving: int) -> int:
    """Ticks that are enough even if no two steps ran together: most pours need no closer look."""
    machine, channels = compiled.machine, compiled.calibration.channels
    weights = [step.weight for step in recipe.steps if isinstance(step, Dose)]
    volumes = iter(split(compiled.recipes.servings[serving], weights))
    gap = machine.inrush_gap + max((group.dead_time for group in machine.groups), default=0) + 2
    return sum(
        gap + (planned(next(volumes), channels[step.output]) if isinstance(step, Dose) else step.ticks)
        for step in recipe.steps
    )
