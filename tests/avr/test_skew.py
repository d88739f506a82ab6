"""How far apart the pins of one tick change, by the ports they lie on: as target.toml says, and ``check``."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

import pytest

from avr.cart import Cart, Change, build
from dosewright.gen import targets
from dosewright.gen.load import load
from dosewright.hil.avrboard.accuracy import MOST_LATE, Accuracy, accuracy
from project_files import put

# cycles of an instruction; AVR Instruction Set Manual (DS40002198), OUT and STS on megaAVR; from memory
STORES = {"out": 1, "sts": 2}


def one_channel_a_port(folder: Path, board: str, letters: str) -> Path:
    """A machine with one output on each of these ports, all of which start in one tick."""
    target = targets.read(board)
    assert target.simulation
    index = target.simulation.ports.index
    pins = [
        next(name for name, pin in target.pin.items() if pin.port == index(letter) and not pin.not_output)
        for letter in letters
    ]
    channels = "".join(
        f'{letter} = {{ pin = "{pin}", actuator = "peristaltic pump" }}\n'
        for letter, pin in zip(letters, pins, strict=True)
    )
    machine = f'[machine]\nname = "Tray"\ntarget = "{board}"\nvessel = "400 ml"\ninrush_gap = "0 s"\n'
    parts = ", ".join(f"{letter} = 1" for letter in letters)
    return put(
        folder,
        {
            "machine.toml": f"{machine}[channel]\n{channels}",
            "recipes.toml": f'[serving]\nsmall = "60 ml"\n[recipe.All]\nnumber = 1\nparts = {{ {parts} }}\n',
            "loaded.toml": "".join(f'{letter} = {{ liquid = "{letter}" }}\n' for letter in letters),
            "calibration.toml": "[channel]\n" + "".join(f'{c} = {{ rate = "98 ml/min" }}\n' for c in letters),
        },
    )


def poured(
    folder: Path, made: Path, monkeypatch: pytest.MonkeyPatch, changes: Sequence[Change] = ()
) -> Accuracy:
    """Of the machine's one pour, on the simulated board."""
    command, _, compiled = build(made, monkeypatch, changes, example=folder)
    cart = Cart(command, compiled)
    first = len(cart.board.happened.pins)
    trace = cart.pour(1, 0)
    found = accuracy(compiled.machine, trace, cart.board.happened.pins[first:], 16_000)
    cart.board.close()
    return found


@pytest.mark.parametrize(
    ("board", "letters"),
    [
        ("atmega328p", "BCD"),
        ("atmega2560", "ABCDEFG"),
        ("atmega2560", "ADHKL"),
        ("atmega2560", "ABCDEFGHJKL"),
    ],
)
def test_the_pins_of_a_tick_are_as_far_apart_as_reckoned(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, board: str, letters: str
) -> None:
    folder = one_channel_a_port(tmp_path / "tray", board, letters)
    found = poured(folder, tmp_path, monkeypatch)
    target = targets.read(board)
    assert target.simulation and not found.differences
    assert found.timing.skew == target.skew([target.simulation.ports.index(letter) for letter in letters])
    warned = [problem for problem in load(folder).problems if "written one after another" in problem.found]
    assert bool(warned) is not found.timing.in_time
    assert all(f"up to {found.timing.skew} cycles apart" in problem.found for problem in warned)


STORE = "if_used index, store address(PORT##letter), reg $\n"
DAWDLE = "if_used index, rjmp .+0 $ " * 5 + "if_used index, nop $"  # 11 cycles


def test_ports_that_are_written_too_far_apart_are_found(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = one_channel_a_port(tmp_path / "tray", "atmega328p", "BD")
    change = ("avr/vectors.S", STORE, f"{STORE[:-1]} {DAWDLE}\n")
    found = poured(folder, tmp_path, monkeypatch, [change])
    assert not found.differences and found.timing.worst <= MOST_LATE
    assert found.timing.skew == 12
    assert not found.good


@pytest.mark.parametrize("name", [name for name in targets.names() if targets.read(name).port_cycles])
def test_a_port_takes_what_its_instruction_takes(name: str) -> None:
    target = targets.read(name)
    header = (targets.folder_of_targets() / name / "chip.h").read_text(encoding="utf-8")
    rows = re.findall(r"X\((\d+), (\w), \w+, (\w+), \w+\)", header)
    assert target.simulation and [letter for _, letter, _ in rows] == target.simulation.ports[1:]
    assert [int(index) for index, *_ in rows] == list(range(1, len(target.port_cycles)))
    assert [STORES[store] for *_, store in rows] == target.port_cycles[1:]
