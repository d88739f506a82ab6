"""A board that runs the sketch, as a rig: its ticks come from micros() and from no interrupt."""

from __future__ import annotations

import dataclasses
from pathlib import Path

from dosewright.gen.codes import Code
from dosewright.gen.load import Project
from dosewright.gen.lower import Compiled
from dosewright.gen.targets import Target
from dosewright.hil.avrboard import AvrBoard, Pin, Wiring
from dosewright.hil.avrboard.project import wiring
from dosewright.hil.client import ANSWER_WITHIN, Client
from dosewright.hil.protocols.simulated_port import SimulatedPort
from dosewright.hil.replay import Session
from dosewright.hil.simulated import PinEdge

CYCLES = 16_000  # of a tick
# the number of the interrupt that micros() counts by (vector tables of the data sheets, from memory); the
# board's own clock starts with it
TIMER0_OVERFLOW = {"atmega328p": 16, "atmega2560": 23}
EARLY = 2000  # cycles by which an edge may come before those that the origin was taken from


class SketchPort(SimulatedPort):
    """Link and bench of a simulated board with this program. After ``fit`` the clock is the sketch's."""

    bench: AvrBoard

    def __init__(self, project: Project, compiled: Compiled, elf: Path) -> None:
        super().__init__()
        wired = wiring(compiled.machine, project.target)
        self.own_button = len(wired.inputs)
        wired = dataclasses.replace(
            wired,
            tick_vector=TIMER0_OVERFLOW[wired.mcu],
            inputs=(*wired.inputs, _free_pin(wired, project.target)),
        )
        self.bench = AvrBoard(wired.command(elf))
        self.is_open = True
        self.timeout = ANSWER_WITHIN
        self.advance(50)
        self.behind = 0  # ticks of the sketch since it began, less those of the board
        self.origin = 0  # the cycle of the sketch's tick 0
        self.taken = 0

    def client(self) -> Client:
        return Client(self, "sketch", self.now)

    def fit(self, session: Session) -> None:
        """Find the sketch's clock by one pour: its tick now, and when the pins of a tick change."""
        client = session.rig.client
        first = len(self.bench.happened.pins)
        client.trace()
        assert client.pour(session.compiled.recipes.recipes[0].number, 0).reason == 0
        told: list[int] = []
        while not client.status().result:
            self.advance(200)
            told += [entry.tick for entry in client.trace()[1] if entry.code in (Code.OFF, Code.ON)]
        pins = self.bench.happened.pins[first:]
        self.origin = min(pin.cycle - tick * CYCLES for pin, tick in zip(pins, told, strict=False))
        # run stops in the middle of the board's ticks, so the sketch's tick there is known
        self.advance(1)
        self.behind = self.bench.tick - (self.bench.now()[0] - self.origin) // CYCLES

    @property
    def tick(self) -> int:
        return self.bench.tick - self.behind

    def take_edges(self) -> list[PinEdge]:
        """A pin belongs to the tick that was due before it."""
        pins = self.bench.happened.pins[self.taken :]
        self.taken += len(pins)
        return [
            PinEdge((pin.cycle - self.origin + EARLY) // CYCLES, pin.output, pin.level == 1) for pin in pins
        ]


def _free_pin(wired: Wiring, target: Target) -> Pin:
    """The first that the machine leaves free: the sketch has a button of its own there."""
    assert target.simulation
    used = {(pin.port, pin.bit) for pin in (*wired.outputs, *wired.inputs) if pin}
    pins = [
        Pin(target.simulation.ports[pin.port], pin.bit) for pin in target.pin.values() if not pin.not_input
    ]
    return next(pin for pin in pins if (pin.port, pin.bit) not in used)
