"""recipes.toml: what can be poured, in liquids, never in channels."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from dosewright.gen.models.base import (
    WHY,
    Amount,
    FluidOunce,
    Name,
    Number,
    Percent,
    Table,
    Time,
    Volume,
    needed,
    setting,
)

MOST_SERVINGS = 16
MOST_RECIPES = 65_535


class StageUse(Table):
    """A stage inside a recipe."""

    stage: str = needed("Which stage of the machine.", "stirrer")
    when: Literal["before", "during", "after"] = needed(
        "Before all doses, beside them, or after them.", "after", stand_in="after"
    )
    time: Time = needed("How long. A plain number is s.", "2 s", stand_in="1 ms")


class Recipe(Table):
    """One recipe: proportions in ``parts``, or ``amounts`` for one serving that scale with it."""

    number: int | None = Field(
        default_factory=lambda: None,
        ge=1,
        le=65_535,
        description="The number it is chosen by, 1 to 65535.",
        json_schema_extra={WHY: "the next that is free, in the order of the file"},
    )
    parts: dict[Name, Number] | None = Field(
        default_factory=lambda: None,
        description="Proportions by liquid: plain numbers. Either parts or amounts is needed.",
    )
    amounts: dict[Name, Amount] | None = Field(
        default_factory=lambda: None,
        description='Volumes by liquid; one of them may be "rest". A plain number is ml.',
    )
    amounts_for: str | None = setting(
        None,
        "The serving that the amounts are for; they must fill it. The other servings are scaled.",
        'with "rest" the serving called regular, or the only one; without it the amounts are proportions',
    )
    order: Literal["largest first", "as written"] = setting(
        "largest first", "The order in which the doses start.", "the rule of the trade"
    )
    last: str | None = setting(
        None, "A liquid that starts only after all others are in.", "none is held back"
    )
    stages: list[StageUse] = setting(
        [], "Steps that are no doses, each before, during or after.", "it has none"
    )
    tolerance: Percent | None = setting(
        None, "How far a dose of this recipe may be off. A plain number is percent.", "that of the channel"
    )


class RecipesFile(Table):
    """The recipe book and the servings."""

    fluid_ounce: FluidOunce | None = setting(
        None,
        'What a bare "fl oz", gill, pint, quart or gallon means in this file: "us" or "imperial".',
        "nothing is assumed: the two differ by four percent",
    )
    serving: dict[Name, Volume] = Field(
        description="The volumes that can be asked for, by name. A plain number is ml.",
        min_length=1,
        max_length=MOST_SERVINGS,
    )
    recipe: dict[Name, Recipe] = Field(
        description="The recipes, by name.", min_length=1, max_length=MOST_RECIPES
    )
