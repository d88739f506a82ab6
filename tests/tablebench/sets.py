"""Recipe sets to measure encodings on. All of it is invented.

``stored("S")`` and ``stored("M")`` are two fixed sets (8 channels, 24 recipes; 16 channels, 100 recipes);
``drawn`` makes others of the same nature, so that a figure does not hang on one lucky set.
"""

from __future__ import annotations

import json
import random
from dataclasses import dataclass
from pathlib import Path

HERE = Path(__file__).parent


@dataclass(frozen=True)
class Recipe:
    """Doses are (channel, half millilitres), stages (kind, tenths of a second); flags are four bits."""

    doses: tuple[tuple[int, int], ...]
    given: bool  # the order of the doses matters
    stages: tuple[tuple[int, int], ...]
    flags: int

    def in_pour_order(self) -> Recipe:
        """With its doses largest first, ties by channel, unless their order is given."""
        if self.given:
            return self
        doses = tuple(sorted(self.doses, key=lambda dose: (-dose[1], dose[0])))
        return Recipe(doses, False, self.stages, self.flags)

    def plain(self) -> Recipe:
        """With doses whose order does not matter by channel, as the sets have them."""
        return self if self.given else Recipe(tuple(sorted(self.doses)), False, self.stages, self.flags)


@dataclass(frozen=True)
class RecipeSet:
    channels: int
    stages: int
    recipes: tuple[Recipe, ...]


def stored(name: str) -> RecipeSet:
    """The set ``S`` or ``M``."""
    data = json.loads((HERE / f"{name}.json").read_text())
    recipes = tuple(
        Recipe(tuple(map(tuple, doses)), bool(given), tuple(map(tuple, stages)), flags)
        for doses, given, stages, flags in data["recipes"]
    )
    return RecipeSet(data["channels"], data["stages"], recipes)


COMMON = {30: 26, 60: 24, 90: 12, 120: 9, 20: 8, 10: 6, 40: 5, 50: 4, 100: 3, 80: 2, 180: 2, 240: 1}
TIMES = (10, 20, 30, 50, 50, 100, 100, 150, 200, 300)


def _amount(rng: random.Random) -> int:
    grid = rng.choices(("common", "5 ml", "1 ml", "any"), (64, 20, 11, 5))[0]
    if grid == "common":
        return rng.choices(list(COMMON), list(COMMON.values()))[0]
    step, least = {"5 ml": (10, 10), "1 ml": (2, 10), "any": (1, 10)}[grid]
    return rng.randrange(least, 241, step)


def _tenths(rng: random.Random) -> int:
    grid = rng.choices(("common", "1 s", "any"), (60, 30, 10))[0]
    return rng.choice(TIMES) if grid == "common" else rng.randrange(10, 301, 10 if grid == "1 s" else 1)


def drawn(channels: int, recipes: int, stages: int, seed: int) -> RecipeSet:
    """Another set of this nature: two to seven doses, mostly round; popular channels; few stages, flags."""
    rng = random.Random(seed)
    popular = [1 / (rank + 1.5) ** 0.7 for rank in range(channels)]
    rng.shuffle(popular)
    made = []
    for _ in range(recipes):
        count = rng.choices(range(2, 8), (12, 27, 28, 19, 9, 5))[0]
        chosen: list[int] = []
        while len(chosen) < count:
            channel = rng.choices(range(channels), popular)[0]
            if channel not in chosen:
                chosen.append(channel)
        given = rng.random() < 0.25
        doses = tuple((channel, _amount(rng)) for channel in (chosen if given else sorted(chosen)))
        timed = tuple(
            (rng.randrange(stages), _tenths(rng)) for _ in range(rng.choices((0, 1, 2), (50, 35, 15))[0])
        )
        flags = sum((rng.random() < chance) << bit for bit, chance in enumerate((0.10, 0.05, 0.20, 0.02)))
        made.append(Recipe(doses, given, timed, flags))
    return RecipeSet(channels, stages, tuple(made))
