"""A lost folder written anew from the controller: what is written builds to the very bytes that were read."""

from __future__ import annotations

import dataclasses
import shutil
import tomllib
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from random import Random

import pytest

from dosewright.gen import book, files
from dosewright.gen.arithmetic import weights
from dosewright.gen.cli import main
from dosewright.gen.compiled import CompiledRecipe, Dose, RecipeTable, Stage, Step
from dosewright.gen.emit import table_bin
from dosewright.gen.load import Project
from dosewright.gen.lower import Compiled, lower
from dosewright.gen.models.calibration import CalibrationFile
from dosewright.gen.models.loaded import LoadedFile
from dosewright.gen.models.machine import MachineFile
from dosewright.gen.models.recipes import RecipesFile
from dosewright.gen.problems import Exit, UserError
from dosewright.gen.table import decode_calibration, decode_recipes
from dosewright.gen.targets import read as read_target
from dosewright.hil import naming, readback
from dosewright.hil.readback import Labels
from dosewright.hil.recovery import read_back
from dosewright.hil.trouble import RigTrouble
from dosewright.hil.verdicts import Court
from stand import court_of

Built = Callable[[Court], Path]


def labels_of(compiled: Compiled) -> Labels:
    names = [output.name for output in compiled.machine.outputs]
    channels = compiled.machine.channels
    return Labels(tuple(names[:channels]), tuple(names[channels:]), compiled.machine.tick_us)


def rebuilt(machine: str, made: dict[str, str], folder: Path) -> Compiled:
    """What the texts compile to on a machine, without the checks of pins, doses and times."""
    for name, text in {"machine.toml": machine, **made}.items():
        (folder / name).write_text(text, encoding="utf-8")
    models = (
        files.read(folder, "machine.toml", MachineFile),
        files.read(folder, "recipes.toml", RecipesFile),
        files.read(folder, "loaded.toml", LoadedFile),
        files.read(folder, "calibration.toml", CalibrationFile),
    )
    assert not any(source.problems for source in models), [source.problems for source in models]
    hardware, recipes, loaded, calibration = (source.model for source in models)
    assert hardware and recipes and loaded and calibration
    return lower(
        Project(
            hardware, recipes, loaded, calibration, read_target(hardware.machine.target),
            book.numbers(recipes), book.make(hardware, recipes, loaded, calibration), (),
        )
    )  # fmt: skip


def without_buttons(folder: Path) -> str:
    """A machine.toml whose buttons name no recipe."""
    return (folder / "machine.toml").read_text(encoding="utf-8").partition("[button.")[0]


def read_and_written(compiled: Compiled, machine: str, folder: Path) -> tuple[bytes, ...]:
    recipes, calibration = table_bin(compiled)
    made = readback.files(
        decode_recipes(recipes, compiled.machine.channels, compiled.machine.stages),
        decode_calibration(calibration),
        labels_of(compiled),
    )
    return table_bin(rebuilt(machine, dict(made), folder))


def test_the_example_comes_back_byte_for_byte(court: Court, tmp_path: Path) -> None:
    example = Path(__file__).parents[2] / "examples" / "soda-cart"
    assert read_and_written(court.compiled, without_buttons(example), tmp_path) == table_bin(court.compiled)
    text = (tmp_path / "calibration.toml").read_text()
    assert tomllib.loads(text)["channel"]["A"] == {"rate": "96.4 ml/min", "offset": "0.21 ml"}, "as written"
    recipes = tomllib.loads((tmp_path / "recipes.toml").read_text())
    assert recipes["serving"]["serving 1"] == "30 ml"
    assert recipes["recipe"]["Recipe 1"] == {
        "number": 1,
        "order": "as written",
        "parts": {"liquid on A": 2, "liquid on C": 1, "liquid on G": 7},
        "last": "liquid on G",
    }


def random_recipe(rng: Random, number: int) -> CompiledRecipe:
    """Any recipe that the compiler makes for three channels and two stages."""
    channels = rng.sample(range(3), rng.randint(1, 3))
    parts = [rng.randint(1, rng.choice((3, 40, 4095))) for _ in channels]
    doses: list[Step] = [Dose(c, w) for c, w in zip(channels, weights(parts), strict=True)]  # type: ignore[arg-type]
    if len(doses) > 1 and rng.random() < 0.5:
        doses[-1] = Dose(doses[-1].output, doses[-1].weight, True)  # type: ignore[union-attr]

    def stages(after_all: bool) -> list[Step]:
        return [
            Stage(3 + rng.randrange(2), rng.randint(1, 90_000), after_all) for _ in range(rng.randrange(3))
        ]

    before, middle = stages(True), [*stages(False), *doses]
    if before:
        first = middle[0]
        middle[0] = (
            Dose(first.output, first.weight, True)
            if isinstance(first, Dose)
            else Stage(first.output, first.ticks, True)
        )
    steps = [*before, *middle, *stages(True)]
    first = steps[0]
    steps[0] = (
        Dose(first.output, first.weight) if isinstance(first, Dose) else Stage(first.output, first.ticks)
    )
    return CompiledRecipe(number, "", tuple(steps))


def test_any_table_comes_back_byte_for_byte(stand: Court, every_reaction: Path, tmp_path: Path) -> None:
    rng = Random(11)
    machine = (every_reaction / "machine.toml").read_text()
    labels = labels_of(stand.compiled)
    calibration = readback.calibration_file(stand.compiled.calibration, labels)
    for _ in range(20):
        servings = tuple(rng.randint(1, 25_600_000) for _ in range(rng.randint(1, 16)))
        numbers = sorted(rng.sample(range(1, 65_536), 20))
        table = RecipeTable(servings, tuple(random_recipe(rng, number) for number in numbers))
        made = {
            "recipes.toml": readback.recipes_file(table, labels),
            "loaded.toml": readback.loaded_file(labels),
            "calibration.toml": calibration,
        }
        again = rebuilt(machine, made, tmp_path).recipes
        assert again.servings == servings
        assert [(r.number, r.steps) for r in again.recipes] == [(r.number, r.steps) for r in table.recipes]


def test_weights_with_a_common_factor_are_kept() -> None:
    """Two of 4094 and 2046, as they come of parts without a small ratio, would be taken for 2047 and 1023."""
    for stored in ((4094, 2046), (4095, 3), (4000, 2000, 4), (2, 1), (1,)):
        parts = [tomllib.loads(f"x = {part}", parse_float=str)["x"] for part in readback._parts(stored)]
        assert weights([Fraction(part) for part in parts]) == stored


def test_a_lost_folder_is_written_from_the_controller(
    stand: Court, every_reaction: Path, built: Built, tmp_path: Path
) -> None:
    folder = tmp_path / "found again"
    folder.mkdir()
    (folder / "machine.toml").write_text((every_reaction / "machine.toml").read_text())
    url = f"host://{built(stand)}"
    said: list[str] = []
    done = read_back(folder, url, said.append, said.append)
    assert done == {"files": ["calibration.toml", "loaded.toml", "recipes.toml"], "same": True}
    assert said[-1] == "what is in the folder builds to the bytes on the controller"
    with pytest.raises(UserError, match="nothing is overwritten"):
        read_back(folder, url, said.append, said.append)
    (folder / "calibration.toml").write_text(
        (folder / "calibration.toml").read_text().replace("120 ml/min", "121 ml/min")
    )
    (folder / "recipes.toml").unlink()
    assert read_back(folder, url, said.append, said.append) == {"files": ["recipes.toml"], "same": False}


@pytest.mark.parametrize(
    ("example", "old", "new"),
    [
        ("soda-cart", 'recipe = "Harbour Fizz"', 'recipe = "Lime Rickey Light"'),
        (
            "soda-cart",
            'does = "go on"',
            'does = "pour"\nrecipe = "Half Tide"\nserving = "sample"',
        ),
        ("night-ferry", "", ""),
    ],
)
def test_what_buttons_pour_by_name_gets_its_name_again(
    example: str, old: str, new: str, built: Built, tmp_path: Path
) -> None:
    """The numbers and places that the example's own recipes.toml gives are the right ones."""
    folder = tmp_path / "original"
    shutil.copytree(Path(__file__).parents[2] / "examples" / example, folder)
    machine = (folder / "machine.toml").read_text(encoding="utf-8").replace(old, new, 1)
    assert new in machine
    (folder / "machine.toml").write_text(machine, encoding="utf-8")
    original = court_of(folder)
    tmp_path = tmp_path / "found"
    tmp_path.mkdir()
    (tmp_path / "machine.toml").write_text(machine, encoding="utf-8")
    said: list[str] = []
    done = read_back(tmp_path, f"host://{built(original)}", said.append, said.append)
    assert done["same"] is True, said
    recipes = tomllib.loads((tmp_path / "recipes.toml").read_text(encoding="utf-8"))
    buttons = tomllib.loads(machine)["button"].values()
    names = {button["recipe"] for button in buttons if "recipe" in button}
    assert names and names <= recipes["recipe"].keys()
    for name in names:
        number = original.project.numbers[name]
        assert recipes["recipe"][name]["number"] == number and f"Recipe {number}" not in recipes["recipe"]
        assert f"recipe {number} is {name}: a button of machine.toml pours it by name" in said
    for serving in {button["serving"] for button in buttons if "serving" in button}:
        place = list(original.project.recipes.serving).index(serving)
        assert list(recipes["serving"])[place] == serving
        assert f"serving {place + 1} is {serving}: a button of machine.toml pours it by name" in said


@pytest.mark.parametrize(
    ("old", "new", "most"),
    [
        ('pause_limit = "', 'pause_limit = "1', 6_000),  # changed since: nothing tells what the button pours
        ('pin = "A3"', 'pin = "A99"', 6_000),  # no such pin
        ('pin = "A3"', 'pin = "A3"', 38),  # 13 recipes and 3 servings are 39 ways
    ],
)
def test_names_are_not_guessed(
    court: Court, built: Built, tmp_path: Path, old: str, new: str, most: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(naming, "MOST_TRIED", most)
    text = (Path(__file__).parents[2] / "examples" / "soda-cart" / "machine.toml").read_text(encoding="utf-8")
    assert text.count(old) == 1
    (tmp_path / "machine.toml").write_text(text.replace(old, new), encoding="utf-8")
    said: list[str] = []
    done = read_back(tmp_path, f"host://{built(court)}", said.append, said.append)
    assert done["same"] is None
    assert said[-1] == f"give the names back that machine.toml uses, then: dosewright check {tmp_path}"
    recipes = tomllib.loads((tmp_path / "recipes.toml").read_text())
    assert "Recipe 1" in recipes["recipe"] and list(recipes["serving"])[1] == "serving 2"


def test_a_name_of_machine_toml_may_look_like_one_of_ours(tmp_path: Path, court: Court) -> None:
    """Somebody kept a name that was read back, and gave it to another recipe."""
    labels = dataclasses.replace(
        labels_of(court.compiled), recipes={5: "Recipe 3"}, servings={0: "serving 2"}
    )
    made = tomllib.loads(readback.recipes_file(court.compiled.recipes, labels))
    assert made["recipe"]["Recipe 3"]["number"] == 5
    assert made["recipe"]["Recipe 3, read back"]["number"] == 3
    assert list(made["serving"]) == ["serving 2", "serving 2, read back", "serving 3"]


def test_without_machine_toml_channels_are_letters(stand: Court, built: Built, tmp_path: Path) -> None:
    said: list[str] = []
    done = read_back(tmp_path, f"host://{built(stand)}", said.append, said.append)
    assert done["same"] is None and "machine.toml is missing" in said[-1]
    recipes = tomllib.loads((tmp_path / "recipes.toml").read_text())["recipe"]
    assert recipes["Recipe 2"]["stages"] == [{"stage": "stage 2", "when": "before", "time": "0.5 s"}]
    assert set(recipes["Recipe 2"]["parts"]) == {"liquid on A", "liquid on B"}


def test_the_machine_of_another_controller_is_told(
    court: Court, every_reaction: Path, built: Built, tmp_path: Path
) -> None:
    (tmp_path / "machine.toml").write_text((every_reaction / "machine.toml").read_text())
    with pytest.raises(RigTrouble, match=r"has 8 channels and 3 stages, machine\.toml has 3 and 2"):
        read_back(tmp_path, f"host://{built(court)}", lambda _: None, lambda _: None)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["machine.toml"]


@pytest.mark.parametrize("rig", ["host", "host?store=a.bin", "avr?ppm=3"])
def test_a_rig_that_is_made_from_the_folder_has_nothing_to_read_back(
    tmp_path: Path, rig: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["load", str(tmp_path), "--read-back", "--rig", rig]) == Exit.USAGE
    assert "found no controller; wanted one that holds recipes" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []
