"""Project files written anew from what a controller holds, for one whose folder is lost.

A controller knows recipes, servings and liquids by number alone, so they get names to be replaced. Amounts
are written so that they compile to the very bytes that were read.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from fractions import Fraction

from dosewright.gen.arithmetic import quanta, rate, weights
from dosewright.gen.compiled import (
    QUANTA_PER_ML,
    Calibration,
    CalibrationTable,
    CompiledRecipe,
    Dose,
    Rate,
    RecipeTable,
    Stage,
)

RENAME = "# Read back from the controller, which keeps no names: give them their own again.\n"
NUDGE = Fraction(1, 10**9)  # of a weight: far below what tells two scales of 12 bits apart


@dataclass(frozen=True, slots=True)
class Labels:
    """What channels and stages are called, the liquid on each channel, and what is known of other names."""

    channels: tuple[str, ...]
    stages: tuple[str, ...]
    tick_us: int
    recipes: Mapping[int, str] = field(default_factory=dict)  # by number
    servings: Mapping[int, str] = field(default_factory=dict)  # by place

    @classmethod
    def unknown(cls, channels: int, stages: int, tick_us: int) -> Labels:
        """Letters for channels and numbers for stages, where there is no machine.toml."""
        letters = [_letters(index) for index in range(channels)]
        return cls(tuple(letters), tuple(f"stage {n + 1}" for n in range(stages)), tick_us)

    def liquid(self, channel: int) -> str:
        return f"liquid on {self.channels[channel]}"

    def recipe(self, number: int) -> str:
        return self.recipes.get(number) or _free(f"Recipe {number}", self.recipes)

    def serving(self, place: int) -> str:
        return self.servings.get(place) or _free(f"serving {place + 1}", self.servings)


def recipes_file(table: RecipeTable, labels: Labels) -> str:
    """The text of recipes.toml. ValueError for a table that no recipes.toml describes."""
    text = f"{RENAME}\n[serving]\n"
    for index, serving in enumerate(table.servings):
        text += f'{_quoted(labels.serving(index))} = "{_ml(serving)}"\n'
    return text + "".join(_recipe(recipe, labels) for recipe in table.recipes)


def loaded_file(labels: Labels) -> str:
    """The text of loaded.toml."""
    rows = (
        f"{_quoted(name)} = {{ liquid = {_quoted(labels.liquid(index))} }}\n"
        for index, name in enumerate(labels.channels)
    )
    return RENAME + "".join(rows)


def calibration_file(table: CalibrationTable, labels: Labels) -> str:
    """The text of calibration.toml; when and how well it was measured is not stored."""
    text = "# Read back from the controller, which keeps neither dates nor uncertainties.\n"
    text += f"unit = {_quoted(table.unit)}\n\n[channel]\n"
    for name, channel in zip(labels.channels, table.channels, strict=True):
        if channel.rate.m:
            text += f"{_quoted(name)} = {{ {_measured(channel, labels.tick_us)} }}\n"
    return text


def _recipe(recipe: CompiledRecipe, labels: Labels) -> str:
    doses = [step for step in recipe.steps if isinstance(step, Dose)]
    parts = zip(doses, _parts([dose.weight for dose in doses]), strict=True)
    text = f"\n[recipe.{_quoted(labels.recipe(recipe.number))}]\nnumber = {recipe.number}\n"
    text += 'order = "as written"\n'
    text += (
        f"parts = {{ {', '.join(f'{_quoted(labels.liquid(d.output))} = {part}' for d, part in parts)} }}\n"
    )
    if doses[-1].after_all and len(doses) > 1:
        text += f"last = {_quoted(labels.liquid(doses[-1].output))}\n"
    uses = [
        f"{{ stage = {_quoted(labels.stages[stage.output - len(labels.channels)])}, "
        f'when = "{when}", time = "{_decimal(Fraction(stage.ticks * labels.tick_us, 1_000_000))} s" }}'
        for stage, when in _stages(recipe)
    ]
    return text + (f"stages = [{', '.join(uses)}]\n" if uses else "")


def _stages(recipe: CompiledRecipe) -> list[tuple[Stage, str]]:
    """Each stage with its when. Those ahead of the doses are *before* up to the last barrier among them."""
    first = next(index for index, step in enumerate(recipe.steps) if isinstance(step, Dose))
    barriers = [index for index in range(1, first + 1) if recipe.steps[index].after_all]
    before = barriers[-1] if barriers else 0
    return [
        (step, "before" if index < before else "during" if index < first else "after")
        for index, step in enumerate(recipe.steps)
        if isinstance(step, Stage)
    ]


def _parts(stored: Sequence[int]) -> list[str]:
    """Proportions that give these weights. Where all have a common factor, which would be taken out of them,
    one of them is moved by so little that it rounds back."""
    for index in (None, *range(len(stored))):
        parts = [Fraction(weight) + (NUDGE if at == index else 0) for at, weight in enumerate(stored)]
        if weights(parts) == tuple(stored):
            return [_decimal(part) for part in parts]
    return [str(weight) for weight in stored]


def _measured(channel: Calibration, tick_us: int) -> str:
    exact = Fraction(1_000_000, tick_us) * 2 ** (32 + channel.rate.s) * 60 / (channel.rate.m * QUANTA_PER_ML)

    def gives(per_minute: Fraction) -> bool:
        try:
            return rate(per_minute / 60, tick_us) == Rate(channel.rate.m, channel.rate.s)
        except ValueError:
            return False

    text = f'rate = "{_shortest(exact, gives)} ml/min"'
    return text + (f', offset = "{_ml(channel.offset)}"' if channel.offset else "")


def _ml(volume: int) -> str:
    return f"{_shortest(Fraction(volume, QUANTA_PER_ML), lambda ml: quanta(ml) == volume)} ml"


def _shortest(exact: Fraction, is_good: Callable[[Fraction], bool]) -> str:
    """The decimal with the fewest digits that is as good as the exact value."""
    for digits in range(20):
        scaled = round(exact * 10**digits)
        if is_good(Fraction(scaled, 10**digits)):
            return _decimal(Fraction(scaled, 10**digits))
    raise ValueError(f"{float(exact)} cannot be written as a decimal")


def _decimal(value: Fraction) -> str:
    """A fraction whose denominator divides a power of ten, in digits."""
    text = format(Decimal(value.numerator) / Decimal(value.denominator), "f")
    return text.rstrip("0").rstrip(".") if "." in text else text


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def _free(name: str, taken: Mapping[int, str]) -> str:
    """A name for what has none, other than those that are given."""
    return f"{name}, read back" if name in taken.values() else name


def _letters(index: int) -> str:
    """A .. Z, then AA, AB and so on."""
    return (_letters(index // 26 - 1) if index >= 26 else "") + chr(ord("A") + index % 26)


def files(
    recipes: RecipeTable | None, calibration: CalibrationTable | None, labels: Labels
) -> Mapping[str, str]:
    """The texts by file name. ValueError for what no file describes."""
    made = {"loaded.toml": loaded_file(labels)}
    if recipes:
        made["recipes.toml"] = recipes_file(recipes, labels)
    if calibration:
        made["calibration.toml"] = calibration_file(calibration, labels)
    return made
