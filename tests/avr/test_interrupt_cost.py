"""What an interrupt costs on the simulated chips, against their data sheets.

"Interrupt Response Time" of both: four cycles at least until the vector is reached, and as many to return
(five on the ATmega2560, whose program counter has three bytes), and four more out of sleep. JMP takes three
(AVR Instruction Set Manual, DS40002198). All from memory.
"""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from avr.test_bridge import WIRING
from dosewright.hil.avrboard import AvrBoard, Wiring

JMP = 3
LOOP = 3  # OUT and RJMP
TICKS = 9
WIRINGS = {
    "atmega328p": (WIRING, 4),
    "atmega2560": (replace(WIRING, mcu="atmega2560", tick_vector=17, outputs=(), inputs=()), 5),
}

Marks = Callable[..., list[tuple[int, int]]]


@pytest.fixture(params=WIRINGS.values(), ids=list(WIRINGS))
def chip(request: pytest.FixtureRequest) -> tuple[Wiring, int]:
    """A chip, and the cycles that it takes to enter an interrupt, and to leave it."""
    found: tuple[Wiring, int] = request.param
    return found


@pytest.fixture
def marks(chip: tuple[Wiring, int], compile_avr: Callable[..., Path]) -> Iterator[Marks]:
    """Runs the program, compiled with these flags, for TICKS ticks."""
    boards = []

    def run(*flags: str) -> list[tuple[int, int]]:
        elf = compile_avr(Path(__file__).with_name("interrupt.c"), flags=flags, chip=chip[0].mcu)
        boards.append(AvrBoard(chip[0].command(elf)))
        boards[-1].command(f"run {TICKS}")
        return boards[-1].happened.marks

    yield run
    for board in boards:
        board.close()


def test_a_handler_that_does_nothing(chip: tuple[Wiring, int], marks: Marks) -> None:
    cycles = [cycle for cycle, _ in marks()]
    gaps = Counter(later - earlier for earlier, later in itertools.pairwise(cycles))
    assert set(gaps) == {LOOP, LOOP + chip[1] + JMP + chip[1]}
    assert gaps[LOOP + chip[1] + JMP + chip[1]] == TICKS


def test_waking_up_takes_four_more(chip: tuple[Wiring, int], marks: Marks) -> None:
    """The handler reads the timer, which began anew when it raised the interrupt."""
    awake, asleep = ([value for _, value in marks("-DTELLS", *flags)] for flags in ([], ["-DASLEEP"]))
    assert all(chip[1] + JMP <= value < chip[1] + JMP + 2 for value in awake), "an instruction ends first"
    assert set(asleep) == {4 + chip[1] + JMP}
    assert len(asleep) == TICKS
