"""From the project's own quantities to what the checker is told: no integer of the compiler passes through here."""

from __future__ import annotations

from fractions import Fraction

from dosewright.gen.load import Project
from dosewright.gen.models.recipes import Recipe
from dosewright.hil.checker import Line, Part, Pour, Rules, Timed


def rules(project: Project) -> Rules:
    """The machine's limits; outputs in the order of the file, channels before stages."""
    machine = project.machine
    wired = [*machine.channel.items(), *machine.stage.items()]
    return Rules(
        lines=tuple(Line(name, o.current * 1000, o.group or "", o.max_on) for name, o in wired),
        supply_ma=machine.machine.supply * 1000,
        inrush_gap=machine.machine.inrush_gap,
        dead_times={name: group.dead_time for name, group in machine.group.items()},
        tick=machine.machine.tick,
    )


def pour(project: Project, recipe_name: str, serving_name: str) -> Pour:
    """What one recipe asks for at one serving."""
    recipe = project.recipes.recipe[recipe_name]
    volume = project.recipes.serving[serving_name]
    shares = _shares(project, recipe)
    whole = sum(shares.values(), start=Fraction(0))
    channels = list(project.machine.channel)
    parts = []
    for liquid, share in shares.items():
        channel = _channel_of(project, liquid)
        measured = project.calibration.channel[channel]
        ml = volume * share / whole
        line = channels.index(channel)
        parts.append(Part(line, ml, measured.rate, measured.offset, last=liquid == recipe.last))
    stages = list(project.machine.stage)
    timed = [Timed(len(channels) + stages.index(use.stage), use.time, use.when) for use in recipe.stages]
    return Pour(tuple(parts), tuple(timed), largest_first=recipe.order == "largest first")


def _shares(project: Project, recipe: Recipe) -> dict[str, Fraction]:
    """What is written for each liquid, in any common unit."""
    if recipe.parts is not None:
        return dict(recipe.parts)
    assert recipe.amounts is not None
    written = {liquid: ml for liquid, ml in recipe.amounts.items() if not isinstance(ml, str)}
    servings = project.recipes.serving
    named = recipe.amounts_for or ("regular" if "regular" in servings else next(iter(servings)))
    rest = servings[named] - sum(written.values(), start=Fraction(0))
    return {liquid: written.get(liquid, rest) for liquid in recipe.amounts}


def _channel_of(project: Project, liquid: str) -> str:
    """The first channel of the machine that holds the liquid and was measured."""
    return next(
        name
        for name in project.machine.channel
        if name in project.loaded.channels
        and project.loaded.channels[name].liquid == liquid
        and name in project.calibration.channel
    )
