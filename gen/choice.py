"""Which recipe and which serving are meant by what somebody typed."""

from __future__ import annotations

from dosewright.gen.compiled import CompiledRecipe
from dosewright.gen.lower import Compiled
from dosewright.gen.problems import Exit, UserError
from dosewright.gen.source import near, shown


def recipe(compiled: Compiled, name: str) -> CompiledRecipe:
    """A recipe by name or number. UserError for one that is unknown, or left out with the reason."""
    for item in compiled.recipes.recipes:
        if name in (item.name, str(item.number)):
            return item
    for left_out, reason in compiled.left_out:
        if name == left_out:
            raise UserError(f"recipe {name}: left out of the table: {reason}", exit_code=Exit.USAGE)
    raise _unknown("recipe", name, [item.name for item in compiled.recipes.recipes])


def serving(compiled: Compiled, name: str) -> int:
    """The index of a serving. UserError for one that is unknown."""
    if name in compiled.serving_names:
        return compiled.serving_names.index(name)
    raise _unknown("serving", name, list(compiled.serving_names))


def _unknown(kind: str, name: str, known: list[str]) -> UserError:
    return UserError(
        f"{kind} {shown(name)}: not found; {near(name, known, 'choose another')}", exit_code=Exit.USAGE
    )
