"""What load says of a change, against boards and tables whose history is known: never what is not so.

The amounts that are wanted are those of recipes.toml, worked out by hand: weight by weight of the serving.
"""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from dosewright.gen.cli import main
from dosewright.gen.compiled import CompiledRecipe, Dose, RecipeTable, Stage
from dosewright.gen.emit import table_bin
from dosewright.gen.lower import Compiled
from dosewright.hil.changes import Words, between
from dosewright.hil.verdicts import Court
from project_files import changed, example, put
from stand import court_of
from tools import need

SYRUP, LIME, SODA = "ginger syrup (line A)", "lime juice (line C)", "soda (line G)"


def told(was: Court, now: Court) -> list[str]:
    """The change between the recipes of two projects, in the words of the second."""
    old, new = table_bin(was.compiled)[0], table_bin(now.compiled)[0]
    return between(b"R", old, new, Words.of(now.project, now.compiled, now.names))


def cart(folder: Path, *changes: tuple[str, str]) -> Court:
    """The example with some of its recipes.toml replaced."""
    files = changed(example(), *(("recipes.toml", old, new) for old, new in changes))
    return court_of(put(folder, files))


def numberless(text: str, *without: str) -> str:
    """recipes.toml that gives no numbers and has some recipes less."""
    for name in without:
        text, count = re.subn(rf'\[recipe\."{name}"\][^\[]*(\[\{{[^\n]*\n\n)?', "", text)
        assert count == 1
    return re.sub(r"number = \d+\n", "", text)


@pytest.fixture
def numbered_by_order(tmp_path: Path) -> Callable[..., Court]:
    def make(*changes: tuple[str, str], without: tuple[str, ...] = ()) -> Court:
        files = example()
        files["recipes.toml"] = numberless(files["recipes.toml"], *without)
        files = changed(files, *(("recipes.toml", old, new) for old, new in changes))
        return court_of(put(tmp_path / str(len(list(tmp_path.iterdir()))), files))

    return make


def test_recipes_that_only_move_up_are_said_to_move(
    tmp_path: Path, court: Court, built: Callable[[Court], Path], capsys: pytest.CaptureFixture[str]
) -> None:
    """The whole verb: thirteen recipes on the board, and number 11 taken out of a book without numbers."""
    need("cc")
    files = example()
    files["recipes.toml"] = numberless(files["recipes.toml"], "Half Tide")
    folder = put(tmp_path / "cart", files)
    assert main(["load", str(folder), "--rig", f"host://{built(court)}", "--dry-run"]) == 0
    assert capsys.readouterr().out.splitlines()[6:9] == [
        "recipes: 143 bytes to write",
        "  what was number 11 leaves",
        "  2 recipes get another number, and pour as before: Berry Mint Cooler: number 12 -> 11; "
        "Lime Rickey Light: number 13 -> 12",
    ]


def test_one_recipe_that_moves(court: Court, numbered_by_order: Callable[..., Court]) -> None:
    assert told(court, numbered_by_order(without=("Berry Mint Cooler",))) == [
        "what was number 12 leaves",
        "Lime Rickey Light: number 13 -> 12",
    ]


def test_the_last_one_out_is_not_called_by_the_name_of_the_next(
    court: Court, numbered_by_order: Callable[..., Court]
) -> None:
    """Number 13 is what Foghorn, which cannot be poured, has now."""
    now = numbered_by_order(without=("Lime Rickey Light",))
    assert now.project.numbers["Foghorn"] == 13
    assert told(court, now) == ["number 13 leaves"]


def test_a_number_that_the_file_does_not_give_is_no_proof_of_the_recipe(
    court: Court, numbered_by_order: Callable[..., Court]
) -> None:
    less_lime = numbered_by_order(('"lime juice" = "20 ml"', '"lime juice" = "15 ml"'))
    assert told(court, less_lime) == [
        f"number 2, now Dock Sour: {LIME} 20.0 ml -> 15.0 ml, {SODA} 115.0 ml -> 120.0 ml (at regular)"
    ]


def test_one_leaves_and_one_that_moves_up_is_changed(
    court: Court, numbered_by_order: Callable[..., Court]
) -> None:
    """Lime Rickey Light is not found again by its steps: nothing tells that it was number 13."""
    now = numbered_by_order(
        ('"cane syrup" = 1, soda = 14', '"cane syrup" = 4, soda = 11'), without=("Half Tide",)
    )
    assert told(court, now) == [
        "2 recipes leave: what was number 11, number 13",
        "Lime Rickey Light comes in",
        "what comes in may be what leaves, changed: without a number in recipes.toml nobody can tell",
        "Berry Mint Cooler: number 12 -> 11",
    ]


def test_bottles_that_are_changed_about_do_not_change_the_numbers(tmp_path: Path) -> None:
    """Two recipes of one ratio: what one of them poured, by channels, is what the other one pours now."""
    twins = (
        ("number = 10\nparts = { soda = 1 }", 'number = 10\nparts = { "lime juice" = 1, soda = 3 }'),
        (
            "number = 11\nparts = { soda = 1, water = 1 }",
            'number = 11\nparts = { "lemon juice" = 1, soda = 3 }',
        ),
    )
    was = cart(tmp_path / "was", *twins)
    files = {name: (tmp_path / "was" / name).read_text(encoding="utf-8") for name in example()}
    files["loaded.toml"] = re.sub(
        "lime|lemon", lambda found: "lemon" if found[0] == "lime" else "lime", files["loaded.toml"]
    )
    now = court_of(put(tmp_path / "now", files))
    lines = [line for line in told(was, now) if "Plain Soda" in line or "Half Tide" in line]
    assert lines == [
        "Plain Soda: lemon juice (line C) 37.5 ml -> none, lime juice (line D) none -> 37.5 ml (at regular)",
        "Half Tide: lemon juice (line C) none -> 37.5 ml, lime juice (line D) 37.5 ml -> none (at regular)",
    ]


def test_a_larger_serving_is_told_and_the_amounts_before_are_those_that_were_poured(
    tmp_path: Path, court: Court
) -> None:
    now = cart(tmp_path / "cart", ('regular = "150 ml"', 'regular = "160 ml"'))
    assert told(court, now) == [
        "servings: 30.0 ml, 150.0 ml, 250.0 ml -> 30.0 ml, 160.0 ml, 250.0 ml",
        f"Dock Sour: {SODA} 115.0 ml -> 125.0 ml (at regular)",
        "Slack Water: water (line H) 135.2 ml -> 145.2 ml (at regular)",
    ]


def test_with_another_serving_more_both_sides_are_told_at_one_volume(tmp_path: Path, court: Court) -> None:
    now = cart(
        tmp_path / "cart",
        ('sample = "30 ml"', 'sip = "15 ml"\nsample = "30 ml"'),
        ('"lime juice" = "20 ml"', '"lime juice" = "15 ml"'),
    )
    assert told(court, now) == [
        "servings: 30.0 ml, 150.0 ml, 250.0 ml -> 15.0 ml, 30.0 ml, 150.0 ml, 250.0 ml",
        f"Dock Sour: {LIME} 20.0 ml -> 15.0 ml, {SODA} 115.0 ml -> 120.0 ml (at regular)",
    ]


def test_other_stages_or_another_order_alone(tmp_path: Path, court: Court) -> None:
    now = cart(tmp_path / "cart", ('when = "after", time = "2 s" }', 'when = "after", time = "5 s" }'))
    assert told(court, now) == ["Dock Sour: order or stages differ"]


def test_amounts_that_look_the_same(tmp_path: Path, court: Court) -> None:
    """15.00 ml and 15.02 ml are both 15.0 ml on paper."""
    now = cart(tmp_path / "cart", ('"ginger syrup" = "15 ml"', '"ginger syrup" = "15.02 ml"'))
    assert told(court, now) == ["Dock Sour: amounts differ by 0.1 ml at most (at regular)"]


def with_recipes(compiled: Compiled, *recipes: CompiledRecipe) -> bytes:
    table = RecipeTable(compiled.recipes.servings, recipes)
    return table_bin(dataclasses.replace(compiled, recipes=table))[0]


def test_names_of_a_project_that_neither_table_is_of(stand: Court) -> None:
    """Going back may put in force what the project knows nothing of: then numbers are all that is known."""
    compiled = stand.compiled
    everything, apart = compiled.recipes.recipes
    stranger = CompiledRecipe(9, "", (Dose(0, 1), Stage(3, 700, True)))
    words = Words.of(stand.project, compiled, stand.names)
    old = with_recipes(compiled, everything, stranger)
    new = with_recipes(compiled, everything, dataclasses.replace(stranger, number=12))
    assert between(b"R", old, new, words) == ["number 9 -> 12"]
    assert between(b"R", old, with_recipes(compiled, everything), words) == ["number 9 leaves"]
    assert between(b"R", with_recipes(compiled, everything), old, words) == ["number 9 comes in"]
    assert between(b"R", with_recipes(compiled, everything), table_bin(compiled)[0], words) == [
        "Apart comes in"
    ]
    elsewhere = with_recipes(compiled, everything, dataclasses.replace(apart, number=7))
    assert between(b"R", table_bin(compiled)[0], elsewhere, words) == ["Apart: number 2 -> 7"]


def test_records_that_are_new_or_no_records(stand: Court) -> None:
    words = Words.of(stand.project, stand.compiled, stand.names)
    recipes, calibration = table_bin(stand.compiled)
    assert between(b"R", None, recipes, words) == ["the recipes are new"]
    assert between(b"C", None, calibration, words) == ["the calibration is new"]
    assert between(b"R", b"x" * 40, recipes, words) == ["the recipes there cannot be read; they are replaced"]
    assert between(b"C", b"x" * 40, calibration, words) == [
        "the calibration there cannot be read; it is replaced"
    ]
