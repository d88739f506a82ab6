"""Checks of recipes.toml by itself and against the names in machine.toml."""

from __future__ import annotations

from fractions import Fraction

from dosewright.gen import arithmetic, units
from dosewright.gen.book import ImproperError, shares
from dosewright.gen.compiled import QUANTA_PER_ML, steps_max
from dosewright.gen.models.machine import MachineFile
from dosewright.gen.models.recipes import Recipe, RecipesFile
from dosewright.gen.source import Source, near, shown


def check_recipes(source: Source[RecipesFile], book: RecipesFile, machine: Source[MachineFile]) -> None:
    """Everything that can be wrong in the recipe book whatever is loaded."""
    _servings(source, book, machine.model if machine.sound("machine", "vessel") else None)
    owner: dict[int, str] = {}
    for name, recipe in book.recipe.items():
        if recipe.number is not None:
            if recipe.number in owner:
                found = f"the number {recipe.number}, which {shown(owner[recipe.number])} has already"
                source.report(
                    ("recipe", name, "number"),
                    found,
                    "a number of its own",
                    "choose another, or leave it out",
                )
            owner.setdefault(recipe.number, name)
        liquids = _parts(source, name, recipe, book)
        _stages(source, name, recipe, machine, len(liquids))


def _servings(source: Source[RecipesFile], book: RecipesFile, machine: MachineFile | None) -> None:
    for name, volume in book.serving.items():
        if machine is not None and volume > machine.machine.vessel:
            source.report(
                ("serving", name),
                f"a serving of {units.ml(volume)}",
                f"at most the vessel, {units.ml(machine.machine.vessel)}",
                "lower it, or correct the vessel in machine.toml",
            )
        elif volume * QUANTA_PER_ML > arithmetic.SERVING_MAX:
            most = Fraction(arithmetic.SERVING_MAX, QUANTA_PER_ML)
            source.report(
                ("serving", name), f"a serving of {units.ml(volume)}", f"at most {units.ml(most)}", "lower it"
            )


def _parts(source: Source[RecipesFile], name: str, recipe: Recipe, book: RecipesFile) -> list[str]:
    """The liquids of a recipe, whether the recipe is proper or not."""
    path = ("recipe", name)
    field = "amounts" if recipe.amounts is not None else "parts"
    liquids = list(getattr(recipe, field) or ())
    if all(source.sound(*path, key) for key in ("parts", "amounts", "amounts_for")):
        try:
            arithmetic.weights(list(shares(recipe, book.serving).values()))
        except ImproperError as error:
            source.report(
                (*path, *error.path), error.found, error.wanted, error.remedy, at_key=not error.path
            )
        except ValueError:
            wanted = "parts of which the smallest is at least 1/4000 of the greatest"
            remedy = "mix the small ones beforehand and load the mixture"
            source.report((*path, field), "one part that is far smaller than another", wanted, remedy)
        if recipe.last is not None and recipe.last not in liquids:
            remedy = near(recipe.last, liquids, "leave it out")
            source.report(
                (*path, "last"), f"the liquid {shown(recipe.last)}", "a liquid of this recipe", remedy
            )
    return liquids


def _stages(
    source: Source[RecipesFile], name: str, recipe: Recipe, machine: Source[MachineFile], doses: int
) -> None:
    if machine.model is None:
        return
    known = machine.names("stage")
    for index, use in enumerate(recipe.stages):
        path = ("recipe", name, "stages", index)
        if use.stage not in known:
            remedy = near(use.stage, known, "add it to machine.toml as a table [stage.NAME]")
            source.report(
                (*path, "stage"), f"the stage {shown(use.stage)}", "a stage of machine.toml", remedy
            )
            continue
        stage = machine.model.stage.get(use.stage)
        if stage is not None and use.time > stage.max_on:
            found, wanted = units.seconds(use.time), f"at most its max_on, {units.seconds(stage.max_on)}"
            source.report((*path, "time"), found, wanted, "shorten it, or raise max_on in machine.toml")
    most = steps_max(len(machine.model.channel) + len(machine.model.stage))
    steps = doses + len(recipe.stages)
    if steps > most:
        found, wanted = f"{steps} doses and stages", f"at most {most} on this machine"
        source.report(("recipe", name), found, wanted, "make two recipes of it", at_key=True)
