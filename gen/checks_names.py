"""Checks of names that become C identifiers: two that come out alike would clash in the headers."""

from __future__ import annotations

from collections.abc import Iterable

from dosewright.gen.identifiers import identifier
from dosewright.gen.models.machine import MachineFile
from dosewright.gen.models.recipes import RecipesFile
from dosewright.gen.source import Source, shown


def check_names(machine: Source[MachineFile], recipes: Source[RecipesFile]) -> None:
    """Channels and stages together, servings, recipes: each must differ in its letters and digits."""
    _differ(machine, [(kind, name) for kind in ("channel", "stage") for name in machine.names(kind)])
    for kind in ("serving", "recipe"):
        _differ(recipes, [(kind, name) for name in recipes.names(kind)])


def _differ(source: Source[MachineFile] | Source[RecipesFile], paths: Iterable[tuple[str, str]]) -> None:
    owner: dict[str, tuple[str, str]] = {}
    for path in paths:
        made = identifier(path[1])
        if made in owner:
            source.report(
                path,
                f"the name {shown(path[1])}, which is {made} in C like {shown(owner[made][1])}",
                "names that differ in letters or digits",
                "rename one of the two",
                at_key=True,
            )
        owner.setdefault(made, path)
