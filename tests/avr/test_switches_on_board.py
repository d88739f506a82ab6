"""The night ferry on the simulated board: poured by its switches, and a computer that falls silent."""

from __future__ import annotations

import os
import re
import shutil
from pathlib import Path

import pytest

from avr.cart import LARGE, Cart, build
from dosewright.gen.cli import main
from dosewright.gen.codes import Reason, Result, State
from dosewright.gen.load import load
from dosewright.gen.lower import lower

CYCLES = 16_000  # of a tick
COLD_FRONT, TANKARD = 6, 2  # the longest pour, 54 s


def test_every_recipe_is_dialled_and_poured_as_planned(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """At the smallest serving, and at all of them where somebody waits for the whole run."""
    folder = tmp_path / "ferry"
    shutil.copytree(LARGE, folder, ignore=shutil.ignore_patterns("build"))
    compiled = lower(load(folder))
    servings = compiled.serving_names if os.environ.get("CI") else compiled.serving_names[:1]
    chosen = [word for serving in servings for word in ("--serving", serving)]
    assert main(["replay", str(folder), "--rig", "avr", "--by-switches", *chosen]) == 0
    printed = capsys.readouterr().out
    for recipe in compiled.recipes.recipes:
        for index, serving in enumerate(servings):
            by = f"start, menu at {recipe.number}, size at {index}"
            assert re.search(rf"^{recipe.name} +{serving} +{by} .* equal *$", printed, re.MULTILINE), by
    assert "house tea, size at 0" in printed and "no switch asks for it" not in printed


def test_a_silent_computer_ends_its_pour_and_leaves_that_of_a_button_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    command, _, compiled = build(tmp_path, monkeypatch, example=LARGE)
    limit = compiled.machine.link_limit
    off = {i: int(not o.pin.active_high) for i, o in enumerate(compiled.machine.outputs) if o.pin}
    cart = Cart(command, compiled)
    board = cart.board
    assert cart.client.pour(COLD_FRONT, TANKARD).reason == 0
    board.command("run 3000")
    assert cart.client.status().state == State.POURING
    heard, _ = board.now()
    before = len(board.happened.pins)
    board.command(f"run {limit + 2000}")
    changes = [change for change in board.happened.pins[before:] if change.cycle > heard + 100 * CYCLES]
    last = max(change.cycle for change in changes)
    # the answer to the status was on its way for some ticks when time was read
    assert (limit - 20) * CYCLES <= last - heard <= (limit + 2) * CYCLES
    levels = dict(off)
    for change in board.happened.pins:
        levels[change.output] = change.level
    assert levels == off
    status = cart.client.status()
    assert (status.state, status.result, status.reason) == (State.IDLE, Result.ABORTED, Reason.LINK_LOST)
    assert sum(step.on for step in cart.client.booked()) > limit

    # the same vessel gets no second pour, so it is taken away; then the house tea, by its button, in silence
    vessel = compiled.machine.vessel_interlock
    assert vessel is not None
    tea = next(i for i, button in enumerate(compiled.machine.buttons) if button.name == "house tea")
    for index, level in ((vessel, 1), (vessel, 0), (len(compiled.machine.interlocks) + tea, 0)):
        board.command(f"in {index} {level}")
        board.command("run 200")
    board.command("run 20000")
    status = cart.client.status()
    assert (status.result, status.recipe, status.serving) == (Result.DONE, 1, 0)
    assert cart.client.booked()[0].on > limit
