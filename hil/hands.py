"""The switches of a machine on a rig, and its time: the harness moves them, or a person is asked to."""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from typing import Protocol

from dosewright.gen.codes import Code, State
from dosewright.gen.lower import Compiled
from dosewright.hil.clock import Reading
from dosewright.hil.messages import Entry, Status
from dosewright.hil.record import RawInput, inputs_of
from dosewright.hil.rig import Rig
from dosewright.hil.simulated import TICK_WRAP
from dosewright.hil.switches import Setting
from dosewright.hil.trouble import RigTrouble

WITHIN = 10  # ticks in which a pour begins once its button is debounced
PERSON_WITHIN = 300.0  # seconds for a person to move a switch


class Person(Protocol):
    """Whoever stands at a real machine."""

    def please(self, what: str) -> None: ...


@dataclass
class Hands:
    """Whoever moves the switches: the harness on a simulated rig, else ``person``."""

    rig: Rig
    compiled: Compiled
    person: Person | None = None
    readings: list[Reading] = field(default_factory=list)  # of the controller's clock
    _levels: list[bool] = field(default_factory=list)
    _inputs: list[RawInput] = field(default_factory=list)

    def close_interlocks(self) -> None:
        """All interlocks closed, no button pressed: by the harness on a simulated rig, else by the person."""
        machine = self.compiled.machine
        if self.rig.bench:
            self._levels = [True] * (len(machine.interlocks) + len(machine.buttons))
            for index in range(len(self._levels)):
                self._move(index, index < len(machine.interlocks))
        self._settle()
        self._until_closed()

    def _now(self) -> int:
        return self.rig.bench.tick if self.rig.bench else self._status().tick

    def _status(self) -> Status:
        """The controller's state, and with it a reading of its clock."""
        clock, tick_us = self.rig.seconds, self.compiled.machine.tick_us
        if clock is None:
            return self.rig.client.status()
        before = clock(tick_us)
        status = self.rig.client.status()
        self.readings.append(Reading(before, clock(tick_us), status.tick))
        return status

    def _wait(self, ticks: int) -> int:
        self.rig.wait(ticks, self.compiled.machine.tick_us)
        return ticks

    def _settle(self) -> None:
        """Wait until debouncing, dead times and inrush gap of what was before are over."""
        machine = self.compiled.machine
        samples = [described.debounce for described in inputs_of(machine)]
        dead = [group.dead_time for group in machine.groups]
        self._wait(max([*samples, *dead, machine.inrush_gap, 1]) + 2)

    def _move(self, index: int, closed: bool) -> None:
        """Put an input of a simulated rig to closed (pressed) or open."""
        bench = self.rig.bench
        machine = self.compiled.machine
        described = inputs_of(machine)[index]
        level = described.pin.active_high == closed
        assert bench
        self._inputs.append(RawInput((bench.tick + 1) % TICK_WRAP, index, level))
        self._levels[index] = level
        bench.set_input(index, level)

    def _set_selectors(self, by: Setting) -> None:
        """Every contact that the button follows as it has to be."""
        if self.rig.bench:
            for index, pressed in by.contacts:
                self._move(len(self.compiled.machine.interlocks) + index, pressed)
            self._settle()
        elif by.positions:
            what = " and ".join(f"{selector} to {value}" for selector, value in by.positions)
            self._ask(
                f"set {what}",
                lambda status: all(bool(status.pressed >> index & 1) == on for index, on in by.contacts),
            )

    def _press(self, by: Setting, trace: list[Entry]) -> tuple[bool, int]:
        """Press the button and let it go; whether a pour began, and entries lost of those for ``trace``."""
        machine = self.compiled.machine
        if self.rig.bench:
            self._move(len(machine.interlocks) + by.button, True)
        else:
            self._ask(
                f"press {by.name}",
                lambda status: bool(status.pressed >> by.button & 1) or status.state != State.IDLE,
            )
        patience = machine.buttons[by.button].debounce + WITHIN
        begun, lost = False, 0
        while not begun and patience > 0:
            patience -= self._wait(1)
            more_lost, more = self.rig.client.trace()
            lost += more_lost
            trace += more
            begun = any(entry.code == Code.POUR for entry in trace)
        if self.rig.bench:
            self._move(len(machine.interlocks) + by.button, False)
        return begun, lost

    def _close_again(self) -> None:
        if self.rig.bench:
            for index in range(len(self.compiled.machine.interlocks)):
                self._move(index, True)
            self._settle()

    def _change_vessel(self) -> None:
        """The vessel is lifted and put back, where the machine would notice."""
        vessel = self.compiled.machine.vessel_interlock
        if vessel is None:
            self._settle()
        elif self.rig.bench:
            self._move(vessel, False)
            self._settle()
            self._move(vessel, True)
            self._settle()
        elif self.rig.client.status().result:
            name = self.compiled.machine.interlocks[vessel].name
            self._ask(f"take the vessel away ({name})", lambda status: not status.closed >> vessel & 1)
            self._until_closed()

    def _until_closed(self) -> None:
        """All interlocks that a pour needs: closed, or asked for."""
        for index, lock in enumerate(self.compiled.machine.interlocks):
            words = (
                f"put the vessel in place ({lock.name})"
                if index == self.compiled.machine.vessel_interlock
                else ""
            )
            self._ask(words or f"close {lock.name}", lambda status, i=index: bool(status.closed >> i & 1))

    def _ask(self, what: str, seen: _Seen) -> None:
        if seen(self._status()):
            return
        if self.rig.bench or self.person is None:
            raise RigTrouble(
                f"{self.rig.name}: the controller does not see what it should: {what}; check wiring and pin"
            )
        self.person.please(what)
        deadline = time.monotonic() + PERSON_WITHIN
        while not seen(self.rig.client.status()):
            if time.monotonic() > deadline:
                raise RigTrouble(
                    f"{self.rig.name}: waited {PERSON_WITHIN:g} s in vain: {what}; check wiring and pin"
                )
            time.sleep(0.2)


class _Seen(Protocol):
    def __call__(self, status: Status, /) -> bool: ...
