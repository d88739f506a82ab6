"""Buttons that are pressed while the main loop is busy with something else, on the driver."""

from __future__ import annotations

import subprocess
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from dosewright.gen.codes import Code, Reason, Result, State
from dosewright.gen.compiled import SELECTED_RECIPE, Button, CompiledRecipe, Dose
from engine.comparison import Told, blank, script
from engine.random_cases import Case
from small_machine import PIN, Bench, doses, interlock

POUR, OTHER = (Button("", PIN, 1, "pour", recipe, 0) for recipe in (1, 2))
GO_ON, STOP = (Button("", PIN, 1, does, 0, 0) for does in ("go on", "stop"))
FIRST = 1  # number of the first button; input 0 is an interlock that is needed while pouring
both_orders = pytest.mark.parametrize("stop_is", [0, 1])


def tell(driver: Path, buttons: Sequence[Button], *lines: str) -> Told:
    """What an engine with these buttons says to lines of the driver, from tick 2 on.

    Recipe 1 is 20 ticks of output 0, recipe 2 of output 1.
    """
    bench = Bench(doses(10, 10), interlocks=[interlock()], supply=1000)
    recipes = tuple(CompiledRecipe(number, "", (Dose(number - 1, 1),)) for number in (1, 2))
    machine = replace(bench.machine, buttons=tuple(buttons))
    made = Case(0, machine, replace(bench.recipes, recipes=recipes), bench.calibration, 0, 1, ())
    head = script(made).removesuffix("run 1\nend\n")
    text = "\n".join([head + "in 0 1", "run 2", *lines, "end", ""])
    done = subprocess.run([driver], input=text, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    told = blank()
    for line in done.stdout.splitlines()[:-1]:
        told[line.split(" ", 1)[0]].append(line)
    return told


def entries(told: Told) -> list[tuple[int, Code, int]]:
    """The trace without its inputs."""
    trace = [tuple(map(int, line.split()[1:])) for line in told["t"]]
    return [(tick, Code(code), argument) for tick, code, argument in trace if code != Code.INPUT]


def with_stop(button: Button, stop_is: int) -> tuple[list[Button], int, int]:
    """Two buttons, the number of the one and that of the stop."""
    buttons = [button]
    buttons.insert(stop_is, STOP)
    return buttons, FIRST + 1 - stop_is, FIRST + stop_is


@both_orders
@pytest.mark.parametrize("later", [0, 1, 5])
def test_a_stop_pressed_after_a_start_stops_it(driver: Path, stop_is: int, later: int) -> None:
    buttons, start, stop = with_stop(POUR, stop_is)
    told = tell(driver, buttons, f"in {start} 1", f"away {later}", f"in {stop} 1", "away 1", "run 60")
    assert entries(told) == []
    assert told["state"] == [f"state {State.IDLE:d} {Result.NONE:d} 0 0"]
    assert told["booked"] == [], "not even accepted"


@both_orders
def test_with_the_main_loop_at_hand_each_press_counts(driver: Path, stop_is: int) -> None:
    """The same presses; and a start after the stop."""
    buttons, start, stop = with_stop(POUR, stop_is)
    lines = (f"in {start} 1", "run 5", f"in {stop} 1", f"in {start} 0", "run 5", f"in {start} 1", "run 9")
    assert entries(tell(driver, buttons, *lines)) == [
        (4, Code.POUR, 0), (4, Code.ON, 0),
        (9, Code.ABORT, Reason.STOP), (9, Code.OFF, 0),
        (14, Code.POUR, 0), (14, Code.ON, 0),
    ]  # fmt: skip


@both_orders
def test_a_stop_pressed_after_going_on_stops_it(driver: Path, stop_is: int) -> None:
    buttons, go_on, stop = with_stop(GO_ON, stop_is)
    paused = ("pour 1 0 0", "run 5", "in 0 0", "run 3", "in 0 1", "run 3")
    told = tell(driver, buttons, *paused, f"in {go_on} 1", "away 2", f"in {stop} 1", "away 2", "run 60")
    assert entries(told)[2:] == [(8, Code.PAUSE, 0), (8, Code.OFF, 0), (19, Code.ABORT, Reason.STOP)]


def test_of_two_starts_the_lower_one_counts(driver: Path) -> None:
    told = tell(driver, [OTHER, POUR], f"in {FIRST + 1} 1", "away 2", f"in {FIRST} 1", "away 2", "run 60")
    assert entries(told)[:2] == [(8, Code.POUR, 0), (8, Code.ON, 1)]


@pytest.mark.parametrize(("served", "output"), [("run", 0), ("away", 1)])
def test_selectors_count_as_they_stand_when_the_press_is_judged(
    driver: Path, served: str, output: int
) -> None:
    """One contact makes recipe 1; with the other, closed two ticks after the press, it is recipe 2."""
    chosen = Button("", PIN, 1, "pour", SELECTED_RECIPE, 0)
    contact = Button("", PIN, 1, "select", 1, 0)
    lines = (f"in {FIRST + 1} 1", f"in {FIRST} 1", f"{served} 2", f"in {FIRST + 2} 1", "run 60")
    assert (Code.ON, output) in [
        entry[1:] for entry in entries(tell(driver, [chosen, contact, contact], *lines))
    ]
