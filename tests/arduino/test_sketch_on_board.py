"""The examples' sketches on a simulated Uno and Mega: every recipe poured, and how late the pins are."""

from __future__ import annotations

import ctypes.util
import os
import subprocess
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from random import Random
from types import SimpleNamespace

import pytest

from arduino.conftest import BOARDS
from avr.test_store_on_board import in_force, is_cut, tables, torn
from dosewright.gen.arduino import EDGES_WITHIN_US
from dosewright.gen.codes import Code, State
from dosewright.gen.load import Project, load
from dosewright.gen.lower import Compiled, lower
from dosewright.hil.avrboard import INSTALL
from dosewright.hil.frames import Frame, pack
from dosewright.hil.messages import Entry, Request
from dosewright.hil.regression import cases
from dosewright.hil.replay import Session
from dosewright.hil.rig import Rig
from dosewright.hil.upload import held
from dosewright.hil.verdicts import Court
from project_files import changed, example, put
from sketch_board import CYCLES, SketchPort
from tools import missing, need

RAM_END = 0x900  # of an ATmega328P
STACK_AT_REST = 150  # bytes of the stack that may be in use while it is painted
CYCLES_PER_US = 16
EXAMPLES = {board: project for board, (*_, project) in BOARDS.items()}
SLOW = "a sketch that never sleeps is slow to simulate"
SMALLEST = {"uno": "sample", "mega": "cup"}
SERVINGS = [*SMALLEST.items(), ("uno", "regular"), ("uno", "tall")]
FIRST_EDGE_US = {"uno": 100, "mega": 195}  # from the tick, when 5 and 13 inputs have been read: about so many


@pytest.fixture(scope="module")
def project() -> Project:
    return load(EXAMPLES["uno"])


@pytest.fixture(scope="module")
def compiled(project: Project) -> Compiled:
    return lower(project)


@pytest.fixture(scope="module")
def simulator() -> None:
    need("cc")
    if not Path("/usr/include/simavr/sim_avr.h").exists() or not ctypes.util.find_library("elf"):
        missing("libsimavr", INSTALL)


@pytest.fixture
def port(
    project: Project, compiled: Compiled, sketch: Callable[..., Path], simulator: None
) -> Iterator[SketchPort]:
    port = SketchPort(project, compiled, sketch("uno"))
    yield port
    port.close()


def lateness(port: SketchPort, compiled: Compiled, trace: list[Entry], first_pin: int) -> list[int]:
    """Cycles from each edge's tick to its pin, with the constant that makes the promptest 0.

    The pins' log is the board's own, apart from the sketch: same outputs, same order within a tick or not.
    """
    told = [
        (entry.tick, entry.argument)
        for entry in trace
        if entry.code in (Code.OFF, Code.ON) and compiled.machine.outputs[entry.argument].pin
    ]
    seen = port.bench.happened.pins[first_pin:]
    assert len(seen) == len(told) > 0
    by_output: dict[int, list[int]] = {}
    for pin in seen:
        by_output.setdefault(pin.output, []).append(pin.cycle)
    offsets = [by_output[output].pop(0) - tick * CYCLES for tick, output in told]
    return [offset - min(offsets) for offset in offsets]


def symbol(elf: Path, name: str) -> int:
    """The address of a variable in the data space."""
    need("avr-nm")
    lines = subprocess.run(["avr-nm", elf], check=True, capture_output=True, text=True).stdout.splitlines()
    return int(next(line for line in lines if line.split()[-1] == name).split()[0], 16) & 0xFFFF


def worst_us(late: list[int]) -> float:
    print(f"{len(late)} edges, worst {max(late)} cycles, mean {sum(late) / len(late):.0f}")
    return max(late) / CYCLES_PER_US


@pytest.mark.parametrize(("board", "serving"), SERVINGS)
def test_every_recipe_is_poured_as_planned(
    board: str, serving: str, sketch: Callable[..., Path], simulator: None
) -> None:
    """Trace, twin, plan, pins and checker agree, tick for tick; no edge is later than the README says."""
    everything = bool(os.environ.get("CI"))
    if serving != SMALLEST[board] and not everything:
        pytest.skip(f"{SLOW}; to pour the larger servings too: CI=true")
    project = load(EXAMPLES[board])
    compiled = lower(project)
    court = Court.of(project, compiled)
    port = SketchPort(project, compiled, sketch(board))
    session = Session(Rig("sketch", port.client(), port), compiled)
    session.prepare()
    port.fit(session)
    first = port.taken = len(port.bench.happened.pins)
    chosen = cases(compiled, servings=[serving])[:: 1 if everything or board == "uno" else 3]
    records = [session.pour(case.recipe, case.serving) for case in chosen]
    verdicts = [court.undisturbed(record) for record in records]
    assert len(verdicts) >= (len(compiled.recipes.recipes) if everything else 4)
    assert [verdict.findings for verdict in verdicts if not verdict.passed] == []
    assert all(verdict.witness and verdict.edges for verdict in verdicts)
    trace = [entry for record in records for entry in record.trace]
    worst = worst_us(lateness(port, compiled, trace, first))
    assert worst <= EDGES_WITHIN_US
    if board == "mega":  # the slowest: a bound far above it would say less than is known
        assert worst > 0.75 * EDGES_WITHIN_US, f"{worst} us at most: lower EDGES_WITHIN_US"
    told = int.from_bytes(port.bench.memory(symbol(sketch(board), "_ZL5worst"), 4), "little")
    # latest() counts from the tick
    assert told - worst == pytest.approx(FIRST_EDGE_US[board], abs=25)
    counts = port.bench.counts()
    assert counts["overruns"] == counts["store_misuse"] == 0
    port.close()


def test_traffic_at_line_rate_moves_no_edge_beyond_the_bound(port: SketchPort, compiled: Compiled) -> None:
    """Bytes without a pause between them, every second frame a request for the status, the others garbage."""
    session = Session(Rig("sketch", port.client(), port), compiled)
    session.prepare()
    client = session.rig.client
    client.trace()
    first = len(port.bench.happened.pins)
    assert client.pour(1, 0).reason == 0
    port.advance(20)
    garbage = bytes(1 + 7 * i % 255 for i in range(60)) + b"\0"
    frames = b"".join(garbage[shift:] + pack(Frame(shift, Request.STATUS, b"")) for shift in range(20))
    port.bench.command(f"traffic 0 {frames.hex()}")
    port.advance(8000)
    port.bench.command("traffic 0")
    port.advance(100)
    assert bytes(port.bench.received).count(0) > 100  # answers
    port.reset_input_buffer()
    lost, trace = client.trace()
    assert lost == 0 and trace[-1].code == Code.DONE
    assert worst_us(lateness(port, compiled, trace, first)) <= EDGES_WITHIN_US
    assert port.bench.counts()["overruns"] == 0


def test_what_is_sent_is_kept_in_the_eeprom(port: SketchPort, compiled: Compiled, tmp_path: Path) -> None:
    """One recipe changed and sent: in force after a power cycle; ticks went on while bytes were written."""
    put(tmp_path, changed(example(), ("recipes.toml", '"lime juice" = "20 ml"', '"lime juice" = "22 ml"')))
    other = lower(load(tmp_path))
    session = Session(Rig("sketch", port.client(), port), other)
    ticks = session.rig.client.status().tick, port.bench.tick
    session.prepare()
    assert port.bench.counts()["writes"] > 100
    assert session.rig.client.status().tick - ticks[0] == pytest.approx(port.bench.tick - ticks[1], abs=5)
    port.bench.command("reset power")
    port.advance(200)
    port.reset_input_buffer()
    client = port.client()
    assert all(record.same for record in held(client, client.identify(), other))
    assert not all(record.same for record in held(client, client.identify(), compiled))


def test_an_upload_and_a_pour_leave_memory_for_the_sketch(
    port: SketchPort, project: Project, compiled: Compiled, sketch: Callable[..., Path], tmp_path: Path
) -> None:
    """The free memory painted, and looked at after the deepest there is: how far the stack came down."""
    start = symbol(sketch("uno"), "__heap_start")
    port.bench.command(f"fill {start} {RAM_END - STACK_AT_REST - start} c5")
    put(tmp_path, changed(example(), ("recipes.toml", '"lime juice" = "20 ml"', '"lime juice" = "22 ml"')))
    session = Session(Rig("sketch", port.client(), port), lower(load(tmp_path)))
    session.prepare()
    longest = max(compiled.recipes.recipes, key=lambda recipe: len(recipe.steps))
    assert session.rig.client.pour(longest.number, 0).reason == 0
    port.advance(3000)
    memory = port.bench.memory(start, RAM_END - start)
    free = len(memory) - len(memory.lstrip(b"\xc5"))
    print(f"{free} bytes were never touched")
    assert 300 <= free < RAM_END - STACK_AT_REST - start


def close_interlocks(port: SketchPort, compiled: Compiled) -> None:
    for index, lock in enumerate(compiled.machine.interlocks):
        port.set_input(index, lock.pin.active_high)
    port.advance(60)


def test_the_sketch_has_a_button_of_its_own(port: SketchPort, compiled: Compiled) -> None:
    client = port.client()
    port.set_input(port.own_button, False)
    port.advance(5)
    assert client.status().state == State.IDLE  # refused: the interlocks are open
    port.set_input(port.own_button, True)
    close_interlocks(port, compiled)
    port.set_input(port.own_button, False)
    port.advance(5)
    status = client.status()
    assert (status.state, status.recipe, status.serving) == (State.POURING, 1, 0)


def test_a_sketch_that_keeps_the_engine_waiting_stops_the_pour(
    library_folder: Path,
    sketch: Callable[..., Path],
    project: Project,
    compiled: Compiled,
    simulator: None,
) -> None:
    """19 ms are made up for, 25 ms end the pour: all outputs off, and the reason can be read."""
    text = (library_folder / "examples" / "Pour" / "Pour.ino").read_text()
    pours = "Dosewright.pour(RECIPE_HARBOUR_FIZZ, SERVING_SAMPLE)"
    assert pours in text
    for wait, state in ((18, State.POURING), (25, State.IDLE)):
        waiting = text.replace(pours, f"(delay({wait}), Dosewright.status().why)")
        port = SketchPort(project, compiled, sketch("uno", waiting))
        client = port.client()
        close_interlocks(port, compiled)
        assert client.pour(1, 0).reason == 0
        port.advance(500)
        assert client.status().on
        port.set_input(port.own_button, False)
        port.advance(100)
        status = client.status()
        assert status.state == state
        assert (status.reason == STOPPED and not status.on) == (state == State.IDLE)
        levels = {pin.output: pin.level for pin in port.bench.happened.pins}
        assert any(levels.values()) == (state == State.POURING)
        port.close()


STOPPED = 1  # the reason `stop` of RULES.md


def test_power_cut_while_the_sketch_writes_leaves_the_whole_old_or_the_whole_new(
    port: SketchPort, compiled: Compiled
) -> None:
    """A seeded sample, for the port of the sketch; every write is tried in ``tests/engine``."""
    board = SimpleNamespace(board=port.bench, client=port.client(), compiled=compiled)
    rng = Random(5)
    kept = 0
    board.client.identify()
    for kind in (b"R", b"C"):
        old, new, third = tables(board, kind)
        for _ in range(5):
            board.client.upload(kind, third)
            board.client.upload(kind, old)
            assert is_cut(board, rng.randint(1, 20), torn(rng), partial(board.client.upload, kind, new))
            board.client.identify()
            found = in_force(board, kind)
            assert found in (old, new)
            kept += found == old
            board.client.upload(kind, third)
            assert in_force(board, kind) == third
    assert 0 < kept <= 10
