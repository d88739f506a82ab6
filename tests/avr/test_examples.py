"""Every example on every rig that fits it: plan, twin, engine and pins agree on every recipe."""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Sequence
from pathlib import Path

import pytest

from avr.cart import EXAMPLES
from dosewright.gen.cli import main
from dosewright.gen.load import load
from dosewright.gen.lower import lower
from dosewright.gen.targets import MOST_SKEW
from dosewright.hil.avrboard.accuracy import MOST_LATE

NAMES = sorted(path.parent.name for path in EXAMPLES.glob("*/machine.toml"))
RIGS = [
    (name, rig)
    for name in NAMES
    for rig in ("host", "avr")
    if rig == "host" or load(EXAMPLES / name).target.simulation
]
PINS = re.compile(
    r"^pins, in the controller's cycles .*: worst (\d+), mean .*; those of one tick within (\d+)", re.M
)


def smallest_alone(servings: Sequence[str]) -> list[str]:
    """The larger servings differ in time only; they are poured too where nobody waits for it."""
    return [] if os.environ.get("CI") else ["--serving", servings[0]]


@pytest.mark.parametrize(("name", "rig"), RIGS)
def test_every_recipe_is_poured_as_planned(
    name: str, rig: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / name
    shutil.copytree(EXAMPLES / name, folder, ignore=shutil.ignore_patterns("build"))
    compiled = lower(load(folder))
    chosen = smallest_alone(compiled.serving_names)
    assert main(["replay", str(folder), "--rig", rig, *chosen]) == 0
    printed = capsys.readouterr().out
    for recipe in compiled.recipes.recipes:
        for serving in [chosen[-1]] if chosen else compiled.serving_names:
            assert re.search(rf"^{recipe.name} +{serving} .* equal *$", printed, re.MULTILINE), recipe.name
    pins = PINS.search(printed)
    assert bool(pins) == (rig == "avr")
    if pins:
        assert int(pins[1]) <= MOST_LATE and int(pins[2]) <= MOST_SKEW


@pytest.mark.parametrize("name", NAMES)
def test_an_example_has_no_mistake_and_a_page_beside_it(
    name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["check", str(EXAMPLES / name)]) == 0
    assert "no mistakes, no warnings" in capsys.readouterr().out
    page = (EXAMPLES / name / "README.md").read_text(encoding="utf-8")
    machine = load(EXAMPLES / name).machine
    pins = [item.pin for item in (*machine.interlock.values(), *machine.button.values())]
    assert [pin for pin in pins if pin not in page] == []
    assert "Cautions" in page and "Local codes" in page and "functional stop" in page
