"""The recipe book on one machine: numbers, proportions, channels, order; what is left out, and why."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction

from dosewright.gen.arithmetic import weights
from dosewright.gen.models.calibration import CalibrationFile
from dosewright.gen.models.loaded import LoadedFile
from dosewright.gen.models.machine import MachineFile
from dosewright.gen.models.recipes import Recipe, RecipesFile
from dosewright.gen.source import near, nearest

REGULAR = "regular"  # the serving that amounts are for where a recipe says nothing


class ImproperError(ValueError):
    """Parts or amounts that make no recipe: the path inside it, what was found, wanted, and what to do."""

    def __init__(self, path: tuple[str, ...], found: str, wanted: str, remedy: str) -> None:
        super().__init__(f"found {found}; wanted {wanted}; {remedy}")
        self.path, self.found, self.wanted, self.remedy = path, found, wanted, remedy


@dataclass(frozen=True, slots=True)
class Part:
    """One dose: the liquid, the index of its channel, its exact share of the serving, the stored weight."""

    liquid: str
    channel: int
    share: Fraction
    weight: int


@dataclass(frozen=True, slots=True)
class Pourable:
    """A recipe that this machine can pour with what is loaded; its parts in the order of pouring."""

    number: int
    name: str
    recipe: Recipe
    parts: tuple[Part, ...]


@dataclass(frozen=True, slots=True)
class Book:
    """What can be poured, by ascending number; what is left out, with the reason."""

    recipes: tuple[Pourable, ...]
    left_out: tuple[tuple[str, str], ...]
    channel_of: Mapping[str, str]  # liquid -> the channel that is used


def numbers(recipes: RecipesFile) -> dict[str, int]:
    """The number of each recipe: its own, else the next that is free, in the order of the file."""
    taken = {recipe.number for recipe in recipes.recipe.values()}
    out: dict[str, int] = {}
    following = 1
    for name, recipe in recipes.recipe.items():
        if recipe.number is not None:
            out[name] = recipe.number
            continue
        while following in taken:
            following += 1
        out[name] = following
        following += 1
    return out


def shares(recipe: Recipe, servings: Mapping[str, Fraction]) -> dict[str, Fraction]:
    """Each liquid's share of a serving, exactly; they sum to 1. Raises ImproperError."""
    if (recipe.parts is None) == (recipe.amounts is None):
        found = "neither parts nor amounts" if recipe.parts is None else "both parts and amounts"
        raise ImproperError(
            (), found, "one of the two", "write parts for proportions, amounts for volumes of one serving"
        )
    if recipe.parts is not None:
        field, amounts = "parts", dict(recipe.parts)
    else:
        field, amounts = "amounts", _volumes(recipe, servings)
    total = sum(amounts.values(), Fraction(0))
    if total <= 0:
        raise ImproperError((field,), "no liquid", "at least one liquid", f"write what goes in into {field}")
    return {liquid: amount / total for liquid, amount in amounts.items()}


def _volumes(recipe: Recipe, servings: Mapping[str, Fraction]) -> dict[str, Fraction]:
    """The amounts in millilitres, with the rest worked out."""
    assert recipe.amounts is not None
    rests = [liquid for liquid, amount in recipe.amounts.items() if amount == "rest"]
    known = {liquid: amount for liquid, amount in recipe.amounts.items() if isinstance(amount, Fraction)}
    if len(rests) > 1:
        raise ImproperError(
            ("amounts", rests[1]), '"rest" twice', '"rest" once', "write the volume of one of the two"
        )
    if not rests and recipe.amounts_for is None:
        return known
    name = recipe.amounts_for
    if name is None:
        name = REGULAR if REGULAR in servings else next(iter(servings)) if len(servings) == 1 else None
    if name is None:
        listed = ", ".join(servings)
        raise ImproperError(
            ("amounts", rests[0]),
            '"rest" without a serving',
            "the serving that the amounts are for",
            f'add amounts_for = "...", one of {listed}',
        )
    if name not in servings:
        raise ImproperError(
            ("amounts_for",), f'"{name}"', "a serving", near(name, servings, "use a serving of this file")
        )
    total = sum(known.values(), Fraction(0))
    serving = servings[name]
    if rests and total >= serving:
        raise ImproperError(
            ("amounts", rests[0]),
            f"{float(total):g} ml without the rest",
            f"less than the {float(serving):g} ml of the serving {name}",
            "lower an amount, or say another serving in amounts_for",
        )
    if not rests and total != serving:
        raise ImproperError(
            ("amounts",),
            f"amounts of {float(total):g} ml in all",
            f"the {float(serving):g} ml of the serving {name}",
            'write "rest" for one of them, or take amounts_for out if they are mere proportions',
        )
    return {
        liquid: serving - total if amount == "rest" else known[liquid]
        for liquid, amount in recipe.amounts.items()
    }


def channels_of(
    machine: MachineFile, loaded: LoadedFile, calibration: CalibrationFile
) -> dict[str, list[str]]:
    """The channels of each liquid, the one in use first: measured ones, then as in the machine."""
    out: dict[str, list[str]] = {}
    for channel in sorted(machine.channel, key=lambda name: name not in calibration.channel):
        if channel in loaded.channels:
            out.setdefault(loaded.channels[channel].liquid, []).append(channel)
    return out


def make(
    machine: MachineFile, recipes: RecipesFile, loaded: LoadedFile, calibration: CalibrationFile
) -> Book:
    """The book of one machine. Recipes that are improper are passed over: the checks report them."""
    index_of = {name: index for index, name in enumerate(machine.channel)}
    channel_of = {liquid: found[0] for liquid, found in channels_of(machine, loaded, calibration).items()}
    numbered = numbers(recipes)
    pourable: list[Pourable] = []
    left_out: list[tuple[str, str]] = []
    for name, recipe in recipes.recipe.items():
        try:
            share_of = shares(recipe, recipes.serving)
        except ImproperError:
            continue
        missing = [liquid for liquid in share_of if liquid not in channel_of]
        unmeasured = [
            liquid
            for liquid in share_of
            if liquid not in missing and channel_of[liquid] not in calibration.channel
        ]
        if missing:
            meant = {liquid: nearest(liquid, channel_of) for liquid in missing}
            listed = ", ".join(
                f"{liquid} (which is a channel; recipes name liquids)"
                if liquid in index_of
                else f'{liquid} (did you mean "{like}"?)'
                if like
                else liquid
                for liquid, like in meant.items()
            )
            left_out.append((name, f"not loaded: {listed}"))
        elif unmeasured:
            listed = ", ".join(f"{channel_of[liquid]} ({liquid})" for liquid in unmeasured)
            left_out.append((name, f"never measured: channel {listed}"))
        else:
            located = {liquid: index_of[channel_of[liquid]] for liquid in share_of}
            try:
                parts = _ordered(recipe, share_of, located)
            except ValueError:
                continue
            pourable.append(Pourable(numbered[name], name, recipe, parts))
    return Book(tuple(sorted(pourable, key=lambda p: p.number)), tuple(left_out), channel_of)


def _ordered(
    recipe: Recipe, share_of: Mapping[str, Fraction], channel: Mapping[str, int]
) -> tuple[Part, ...]:
    """In the order of pouring: largest weight first, then as the channels stand; or as written."""
    stored = weights(list(share_of.values()))
    parts = [
        Part(liquid, channel[liquid], share, weight)
        for (liquid, share), weight in zip(share_of.items(), stored, strict=True)
    ]
    if recipe.order == "largest first":
        parts.sort(key=lambda part: (-part.weight, part.channel))
    parts.sort(key=lambda part: part.liquid == recipe.last)
    return tuple(parts)
