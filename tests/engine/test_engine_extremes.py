"""The least and the largest machines: no compiler warns, and they pour as the twin says."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from dosewright.gen.codes import Code
from dosewright.gen.compiled import (
    Button,
    Calibration,
    CalibrationTable,
    CompiledMachine,
    CompiledRecipe,
    Dose,
    Group,
    Interlock,
    Output,
    Pin,
    Rate,
    RateRange,
    RecipeTable,
    Stage,
)
from dosewright.gen.emit import machine_h, table_h
from dosewright.gen.lower import Compiled
from dosewright.gen.twin import run
from dosewright.gen.twin_log import Event, GoOn, Input, Pour, Stop
from engine.client import CODES, Controller
from engine.conftest import ENGINE, HOST, TESTS, WARNINGS, compile_c
from engine.test_engine_compile import run as run_tool
from tools import need

RATE = Rate(1 << 31, 9)  # a tick for 1024 quanta
TICK0 = 0xFFFFFF00
COMPILERS = {
    "gcc": [["-O2"], ["-Os"], ["-O3"]],
    "clang": [["-O2"], ["-Os"]],
    "avr-gcc": [["-mmcu=atmega328p", "-Os"], ["-mmcu=atmega328p", "-O2"]],
    "arm-none-eabi-gcc": [
        ["-mcpu=cortex-m0plus", "-mthumb", "-Os"],
        ["-mcpu=cortex-m0plus", "-mthumb", "-O2"],
    ],
}


def pin(index: int, first_port: int) -> Pin:
    """Pins one behind the other over the ports, on at high and at low by turns."""
    return Pin("", first_port + index // 8, index % 8, index % 2 == 0)


def machine(
    channels: int, stages: int, interlocks: int = 0, buttons: int = 0, groups: int = 0, waits: bool = False
) -> CompiledMachine:
    """So many of each. Interlocks are needed while pouring; the first detects the vessel, a 16th aborts."""
    mask = (1 << interlocks) - 1
    outputs = [
        Output(
            name="",
            pin=None if waits and index >= channels else pin(index, 0),
            current=1000,
            group=index % (groups + 1),
            max_on=100_000,
            needs=mask if index < channels else 0,
            is_stage=index >= channels,
            stays_on=index >= channels,
            jog_limit=1000,
        )
        for index in range(channels + stages)
    ]
    return CompiledMachine(
        name="",
        tick_us=1000,
        channels=channels,
        outputs=tuple(outputs),
        groups=tuple(Group("", 3 + index) for index in range(groups)),
        interlocks=tuple(
            Interlock("", pin(index, 10), 2 + index, False, True, False, index == 15, False)
            for index in range(interlocks)
        ),
        buttons=tuple(
            Button("", pin(index, 12), 3, "stop" if index == 1 else "pour", 1, 0) for index in range(buttons)
        ),
        plausible=tuple(RateRange(Rate(0xFFFFFFFF, 1), Rate(1 << 31, 24)) for _ in range(channels)),
        supply=5500,
        inrush_gap=2,
        pour_limit=100_000,
        pause_limit=1000,
        link_limit=0,
        jog_renewal=500,
        vessel=1 << 31,
        vessel_interlock=0 if interlocks else None,
    )


MACHINES = {
    "one channel, nothing else": machine(1, 0),
    "one channel, one wait": machine(1, 1, waits=True),
    "one channel, one interlock": machine(1, 0, interlocks=1),
    "one channel, one button": machine(1, 0, buttons=1),
    "two channels in a group": machine(2, 0, groups=1),
    "64 outputs, 16 interlocks, 16 buttons, 20 groups": machine(44, 20, 16, 16, 20),
}


def compiled(made: CompiledMachine) -> Compiled:
    """With one recipe of every output and one serving; a dose takes 30 to 34 ticks, a stage 7."""
    doses = [Dose(index, 30 + index % 5) for index in range(made.channels)]
    stages = [Stage(index, 7, index % 7 == 0) for index in range(made.channels, len(made.outputs))]
    serving = 1024 * sum(dose.weight for dose in doses)
    return Compiled(
        machine=made,
        recipes=RecipeTable((serving,), (CompiledRecipe(1, "", (*doses, *stages)),)),
        calibration=CalibrationTable("", (Calibration(RATE, 0),) * made.channels),
        serving_names=("all",),
        asked={},
        left_out=(),
        liquids={},
    )


def headers(folder: Path, made: CompiledMachine) -> Path:
    (folder / "machine.h").write_text(machine_h(made))
    (folder / "table.h").write_text(table_h(compiled(made)))
    return folder


@pytest.mark.parametrize("compiler", COMPILERS)
@pytest.mark.parametrize("name", MACHINES)
def test_no_warnings(name: str, compiler: str, tmp_path: Path) -> None:
    """The headers as generated, at every level of optimisation: some warnings show at one level only."""
    need(compiler)
    avr = compiler == "avr-gcc"
    folders = [headers(tmp_path, MACHINES[name]), ENGINE, TESTS / "avr" if avr else HOST]
    sources = sorted(ENGINE.glob("dw_*.c"))
    sources += sorted(HOST.glob("*.c")) if compiler in ("gcc", "clang") else []
    includes = [f"-I{folder}" for folder in folders]
    for level in COMPILERS[compiler]:
        for source in sources:
            output = str(tmp_path / "x.o")
            run_tool([compiler, *WARNINGS, *level, *includes, "-c", str(source), "-o", output])


def test_a_store_too_small_for_its_channels_does_not_compile(tmp_path: Path) -> None:
    """1 KiB holds no two calibrations of 60 channels: their slots would reach past its end."""
    need("avr-gcc")
    folders = [headers(tmp_path, machine(60, 0)), ENGINE, TESTS / "avr"]
    includes = [f"-I{folder}" for folder in folders]
    command = ["avr-gcc", "-mmcu=atmega328p", "-std=c99", *includes, "-c", str(ENGINE / "dw_store.c")]
    done = subprocess.run([*command, "-o", str(tmp_path / "x.o")], capture_output=True, text=True)
    assert done.returncode != 0
    assert "store_is_large_enough" in done.stderr


@pytest.fixture(scope="session")
def rigs(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Path]:
    """The host program of a machine, with sanitisers."""

    def build(name: str) -> Path:
        folder = headers(tmp_path_factory.mktemp("rig"), MACHINES[name])
        sources = [*sorted(ENGINE.glob("dw_*.c")), *sorted(HOST.glob("*.c"))]
        return compile_c(sources, [folder, ENGINE, HOST], folder / "rig")

    return build


def events(made: CompiledMachine) -> list[Event]:
    """All closes; a pour with a pause; another vessel; a pour, by button where there is one; a stop."""
    locks = range(len(made.interlocks))
    first = len(made.interlocks)
    log: list[Event] = [Input(TICK0 + 5, index, True) for index in locks]
    log.append(Pour(TICK0 + 100, 1, 0))
    if made.interlocks:
        log += [Input(TICK0 + 120, 0, False), Input(TICK0 + 140, 0, True), GoOn(TICK0 + 160)]
        log += [Input(TICK0 + 900, 0, False), Input(TICK0 + 910, 0, True)]
    if made.buttons:
        log += [Input(TICK0 + 1000, first + len(made.buttons) - 1, True)]
    else:
        log.append(Pour(TICK0 + 1000, 1, 0))
    return [*log, Stop(TICK0 + 1025)]


@pytest.mark.parametrize("name", MACHINES)
def test_pours_as_the_twin_says(name: str, rigs: Callable[[str], Path]) -> None:
    """Trace and pins of the host program against the twin, over the wrap of the clock."""
    made = MACHINES[name]
    tables = compiled(made)
    log = [event._replace(tick=event.tick % (1 << 32)) for event in events(made)]
    log = sorted(log, key=lambda event: (event.tick - TICK0) % (1 << 32))
    until = (TICK0 + 1200) % (1 << 32)
    told = run(made, tables.recipes, tables.calibration, log, tick0=TICK0, until=until)
    inputs = [*made.interlocks, *made.buttons]
    with Controller(rigs(name), ["--tick0", str(TICK0)]) as c:
        c.run(0)
        for index, described in enumerate(inputs):
            c.level(index, int(not described.pin.active_high))
        trace = []
        for event in log:
            c.run((event.tick - 1 - TICK0) % (1 << 32) - passed(c))
            trace += c.trace()
            if isinstance(event, Input):
                c.level(event.number, int(event.closed == inputs[event.number].pin.active_high))
            elif isinstance(event, Pour):
                c.pour(event.recipe, event.serving)
            else:
                c.ask(18 if isinstance(event, GoOn) else 17)
        c.run((until - TICK0) % (1 << 32) - passed(c))
        trace += c.trace()
        assert trace == [(tick, CODES[code], argument) for tick, code, argument in told.trace]
        booked = [tuple(step) for step in told.booked]
        asked: list[tuple[int, int, int, int]] = []
        while len(asked) < len(booked):
            asked += c.booked(len(asked))
        assert asked == booked
        starting = len([output for output in made.outputs if output.pin])
        assert all(tick == TICK0 for tick, _, _ in c.edges[:starting])
        polarity = [output.pin.active_high if output.pin else None for output in made.outputs]
        assert [
            (tick, output, bool(level) == polarity[output]) for tick, output, level in c.edges[starting:]
        ] == [(tick, output, on) for tick, output, on in told.edges() if polarity[output] is not None]
        assert all(bool(level) != polarity[output] for _, output, level in c.edges[:starting])
    codes = {code for _, code, _ in told.trace}
    assert {Code.POUR, Code.ON, Code.OFF, Code.DONE} <= codes
    if made.interlocks:
        assert {Code.PAUSE, Code.INPUT} <= codes


def passed(c: Controller) -> int:
    return (c.tick - TICK0) % (1 << 32)
