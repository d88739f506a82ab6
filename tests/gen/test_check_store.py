"""Recipes that one slot of the target's store does not hold are refused before anything is built."""

from __future__ import annotations

from pathlib import Path

import pytest

from dosewright.gen.emit import table_bin
from dosewright.gen.load import examine
from dosewright.gen.lower import lower
from project_files import example, put

HEAD = 4  # bytes of mark and number before a record, TABLE.md
BEFORE = 1 + 21  # address 0 and the unit's name


def with_recipes(folder: Path, more: int, target: str) -> Path:
    """The soda cart and some recipes more, each of parts of its own."""
    files = example()
    files["machine.toml"] = files["machine.toml"].replace('target = "atmega328p"', f'target = "{target}"')
    parts = [
        f'{{ "ginger syrup" = {201 + n % 97}, "lime juice" = {199 + n % 89}, soda = 1009 }}'
        for n in range(more)
    ]
    files["recipes.toml"] += "".join(
        f'\n[recipe."Extra {n}"]\nnumber = {100 + n}\nparts = {part}\n' for n, part in enumerate(parts)
    )
    folder.mkdir()
    return put(folder, files)


@pytest.mark.parametrize(("target", "store"), [("atmega328p", 1024), ("atmega2560", 4096)])
def test_one_recipe_too_many_is_named_with_both_sizes(tmp_path: Path, target: str, store: int) -> None:
    fits, too_many = 0, 512
    while too_many - fits > 1:
        middle = (fits + too_many) // 2
        project, _ = examine(with_recipes(tmp_path / f"{middle}", middle, target))
        fits, too_many = (middle, too_many) if project else (fits, middle)
    project, _ = examine(with_recipes(tmp_path / "fits", fits, target))
    assert project
    recipes, calibration = map(len, table_bin(lower(project)))
    space = (store - BEFORE - 2 * (HEAD + calibration)) // 2 - HEAD
    none, problems = examine(with_recipes(tmp_path / "too many", too_many, target))
    assert none is None
    found = next(problem for problem in problems if not problem.warning)
    needs = int(found.found.split()[3])
    assert found.file == "recipes.toml"
    assert recipes <= space < needs <= recipes + 16, "the next recipe is a few bytes longer than what is left"
    assert f"at most {space}:" in found.wanted
