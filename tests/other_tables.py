"""The example compiled, and what it becomes when somebody changes the menu and measures a pump again."""

from __future__ import annotations

import dataclasses

from dosewright.gen.compiled import Dose, Rate
from dosewright.gen.lower import Compiled


def changed(compiled: Compiled) -> Compiled:
    """Dock Sour with less lime, one recipe out, another in, and line C measured again."""
    kept = [r for r in compiled.recipes.recipes if r.name != "Plain Soda"]
    new = dataclasses.replace(kept[0], number=99, name="Noon Gun")
    sour = next(r for r in kept if r.name == "Dock Sour")
    steps = tuple(
        dataclasses.replace(s, weight=s.weight + 1) if isinstance(s, Dose) and s.output == 2 else s
        for s in sour.steps
    )
    recipes = (*(dataclasses.replace(r, steps=steps) if r is sour else r for r in kept), new)
    channels = list(compiled.calibration.channels)
    channels[2] = dataclasses.replace(
        channels[2], rate=Rate(channels[2].rate.m - (1 << 24), channels[2].rate.s)
    )
    return dataclasses.replace(
        compiled,
        recipes=dataclasses.replace(compiled.recipes, recipes=recipes),
        calibration=dataclasses.replace(compiled.calibration, channels=tuple(channels)),
    )
