"""Cycles on an ATmega328P, counted by the simulator: the planning of a pour, and the dearest tick."""

from __future__ import annotations

import subprocess
from dataclasses import replace
from pathlib import Path

import pytest

from dosewright.gen.compiled import CalibrationTable, CompiledMachine
from dosewright.gen.emit import machine_h, table_h
from engine.conftest import ENGINE, TESTS, WITHOUT_LINK
from engine.test_engine_extremes import compiled, machine
from tablebench.measure import INSTALL, build_runner, tools_missing
from tools import missing

# eight channels that may all run at once, four interlocks, four buttons: the most a tick can have to do
EIGHT = replace(machine(8, 0, interlocks=4, buttons=4), supply=60_000, inrush_gap=0)
WITH_STAGES = replace(machine(8, 4, interlocks=4, buttons=4, groups=2), supply=60_000, inrush_gap=0)
TICK = 16_000  # cycles of 1 ms at 16 MHz
TICKS_OF_DOSES_MOST = 16_000
POUR_MOST = 32_000


def costs(made: CompiledMachine, folder: Path) -> dict[str, list[int]]:
    """Cycles of the ticks of eight doses, of asking for the pour, and of every tick."""
    tables = compiled(made)
    offset = CalibrationTable("", tuple(replace(c, offset=1024) for c in tables.calibration.channels))
    (folder / "machine.h").write_text(machine_h(made))
    (folder / "table.h").write_text(table_h(replace(tables, calibration=offset)))
    targets = ENGINE.parent
    includes = [f"-I{path}" for path in (folder, ENGINE, targets / "avr", targets / "atmega328p")]
    flags = ["-mmcu=atmega328p", "-DF_CPU=16000000UL", "-std=c99", "-Os"]
    port = [targets / "avr" / part for part in ("recipes.c", "next.S")]
    sources = [str(path) for path in (TESTS / "cost.c", *WITHOUT_LINK, *port)]
    program = str(folder / "cost.elf")
    subprocess.run(["avr-gcc", *flags, *includes, *sources, "-o", program], check=True)
    told = subprocess.run([build_runner(folder), program], capture_output=True, text=True, check=True).stdout
    measured: dict[str, list[int]] = {"doses": [], "pour": [], "tick": []}
    for line in told.splitlines():
        if not line.startswith("Loaded"):  # the simulator's own words
            cycles, _, what = line.split()
            measured[{"03": "doses", "0100": "pour", "02": "tick"}[what]].append(int(cycles))
    return measured


@pytest.mark.parametrize("made", [EIGHT, WITH_STAGES], ids=["8 doses", "8 doses and 4 stages"])
def test_within_a_tick(made: CompiledMachine, tmp_path: Path) -> None:
    if tools_missing():
        missing("avr-gcc or simavr", INSTALL)
    measured = costs(made, tmp_path)
    ticks = measured["tick"]
    print(
        f"ticks of eight doses {measured['doses'][0]}, pour {measured['pour'][0]}, "
        f"tick: idle {ticks[0]}, pouring {ticks[60]}, most {max(ticks)}"
    )
    assert measured["doses"][0] <= TICKS_OF_DOSES_MOST
    assert measured["pour"][0] <= POUR_MOST
    assert max(ticks) < TICK // 2, "the tick leaves half of the time to the main loop"
