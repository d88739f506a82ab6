"""Pours on a rig, one at a time, recording everything that was seen of each.

The same steps run on every rig. On a simulated one the harness moves the switches itself; on a real one it
asks the person at the machine, through ``Person``, and waits until the controller sees it.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Protocol

from dosewright.gen.codes import Code, State
from dosewright.gen.compiled import CompiledRecipe
from dosewright.gen.lower import Compiled
from dosewright.hil.clock import Reading
from dosewright.hil.messages import Entry, Identity, Status
from dosewright.hil.record import Asked, PourRecord, RawInput, inputs_of, later
from dosewright.hil.rig import Rig
from dosewright.hil.simulated import TICK_WRAP, PinEdge
from dosewright.hil.switches import Setting
from dosewright.hil.trouble import RigTrouble
from dosewright.hil.upload import Loaded, Progress, fits, held, put

WITHIN = 10  # ticks in which a pour begins once its button is debounced
DRAIN_EVERY = 200  # ticks between two looks at the trace: far fewer edges than its ring holds
LOOKS_IN_LIMIT = 8  # so many in the time after which a silent link ends a pour
PERSON_WITHIN = 300.0  # seconds for a person to move a switch


class Person(Protocol):
    """Whoever stands at a real machine."""

    def please(self, what: str) -> None: ...


@dataclass(frozen=True, slots=True)
class Act:
    """Something done during a pour, ``after`` ticks from its beginning, or at the next moment possible.

    ``what``: "open" or "close" input ``index``, "go on", or "stop".
    """

    after: int
    what: str
    index: int = 0


@dataclass
class Session:
    """A rig with the records of the project loaded, on which one pour is made after the other."""

    rig: Rig
    compiled: Compiled
    person: Person | None = None
    readings: list[Reading] = field(default_factory=list)  # of the controller's clock
    _levels: list[bool] = field(default_factory=list)
    _inputs: list[RawInput] = field(default_factory=list)

    def prepare(self, progress: Progress = lambda *_: None) -> tuple[Identity, list[Loaded]]:
        """Identify, compare, load what differs, and close every interlock."""
        identity = fits(self.rig.client, self.compiled)
        loaded = held(self.rig.client, identity, self.compiled)
        put(self.rig.client, loaded, self.compiled, progress)
        self.close_interlocks()
        return identity, loaded

    def close_interlocks(self) -> None:
        """All interlocks closed, no button pressed: by the harness on a simulated rig, else by the person."""
        machine = self.compiled.machine
        if self.rig.bench:
            self._levels = [True] * (len(machine.interlocks) + len(machine.buttons))
            for index in range(len(self._levels)):
                self._move(index, index < len(machine.interlocks))
        self._settle()
        self._until_closed()

    def pour(
        self,
        recipe: CompiledRecipe,
        serving: int,
        acts: Sequence[Act] = (),
        open_first: int = -1,
        by: Setting | None = None,
    ) -> PourRecord:
        """One pour with a vessel that was lifted and put back.

        ``acts`` disturb it; ``open_first`` is an input to open before it is asked for, which is done with the
        switches of ``by`` where there are some, else over the link.

        Raises RigTrouble; RigCrashed when a simulated controller ends by itself.
        """
        client, bench = self.rig.client, self.rig.bench
        if by:
            self._set_selectors(by)
        self._change_vessel()
        if open_first >= 0:
            self._move(open_first, False)
            self._settle()
        client.trace()
        if bench:
            bench.take_edges()
        self._inputs.clear()
        levels = tuple(self._levels) if bench else None
        before = self._status()
        asked_at = ((bench.tick if bench else before.tick) + 1) % TICK_WRAP
        trace: list[Entry] = []
        lost = 0
        requests: list[Asked] = []
        refused = None
        begun = True
        if by:
            begun, lost = self._press(by, trace)
        else:
            answer = client.pour(recipe.number, serving)
            refused = (answer.reason, answer.argument) if answer.reason else None
        if begun and not refused:
            try:
                more_lost, requests = self._follow(trace, sorted(acts, key=lambda act: act.after))
                lost += more_lost
            except KeyboardInterrupt:
                with contextlib.suppress(RigTrouble):
                    client.stop()
                raise
        self._settle()
        more_lost, more = client.trace()
        after = self._status()
        record = PourRecord(
            recipe, serving, before, after, asked_at, refused,
            tuple(trace + more), lost + more_lost, tuple(client.booked()), levels,
            tuple(self._inputs) if bench else None, tuple(requests), self._edges(), by,
        )  # fmt: skip
        self._close_again()
        return record

    # What happens during a pour

    def _follow(self, trace: list[Entry], acts: list[Act]) -> tuple[int, list[Asked]]:
        """Let the pour run to its end, doing each act in its time; returns entries lost and requests made."""
        lost = 0
        requests: list[Asked] = []
        start = None
        limit = self._longest()
        while True:
            more_lost, more = self.rig.client.trace()
            lost += more_lost
            trace += more
            start = next((entry.tick for entry in trace if entry.code == Code.POUR), start)
            ended = any(entry.code in (Code.DONE, Code.ABORT) for entry in trace)
            if ended or (lost and self.rig.client.status().state == State.IDLE):
                return lost, requests
            now = self._now()
            if start is None:
                if limit <= 0:
                    raise RigTrouble(
                        f"{self.rig.name}: accepted a pour and never began it; its firmware is at fault"
                    )
                limit -= self._wait(1)
                continue
            while acts and later(now, start) >= acts[0].after:
                done = self._act(acts.pop(0))
                if done:
                    requests.append(done)
                now = self._now()
            step = self._between_looks()
            if acts:
                step = max(1, min(step, acts[0].after - later(now, start)))
            if limit <= 0:
                raise RigTrouble(
                    f"{self.rig.name}: a pour goes on beyond every limit of the machine; stop it by hand"
                )
            limit -= self._wait(step)

    def _act(self, act: Act) -> Asked | None:
        if act.what in ("open", "close"):
            self._move(act.index, act.what == "close")
            return None
        at = self._now()
        answer = self.rig.client.go_on() if act.what == "go on" else self.rig.client.stop()
        return Asked((at + 1) % TICK_WRAP, act.what, answer.reason)

    def _between_looks(self) -> int:
        """Ticks between two looks at the trace; often enough that the controller knows somebody is there."""
        limit = self.compiled.machine.link_limit
        return min(DRAIN_EVERY, limit // LOOKS_IN_LIMIT) if limit else DRAIN_EVERY

    def _longest(self) -> int:
        """More ticks than any pour with all its pauses may take before the engine itself ends it."""
        machine = self.compiled.machine
        return machine.pour_limit + 8 * machine.pause_limit + 10 * DRAIN_EVERY

    # Time and switches

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
        """Every contact as it has to be, and no button pressed."""
        machine = self.compiled.machine
        locks = len(machine.interlocks)
        mask = sum(1 << index for index in by.contacts)
        if self.rig.bench:
            for index in range(len(machine.buttons)):
                self._move(locks + index, index in by.contacts)
            self._settle()
        elif by.positions:
            what = " and ".join(f"{selector} to {value}" for selector, value in by.positions)
            self._ask(f"set {what}", lambda status: status.pressed == mask)

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

    def _edges(self) -> tuple[PinEdge, ...] | None:
        return tuple(self.rig.bench.take_edges()) if self.rig.bench else None


class _Seen(Protocol):
    def __call__(self, status: Status, /) -> bool: ...
