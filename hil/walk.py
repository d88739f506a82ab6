"""A walk along the wires of a machine: every output pulsed, every switch moved, somebody asked what happened.

Outputs are pulsed by jog requests, which the controller itself limits and refuses while an interlock is open;
so the switches come first.
"""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Protocol

from dosewright.gen.codes import Reason, State
from dosewright.gen.lower import Compiled
from dosewright.gen.problems import Exit, UserError
from dosewright.hil.messages import reason_words
from dosewright.hil.record import inputs_of
from dosewright.hil.rig import Rig
from dosewright.hil.wiring import Place, Seen, Wire

PULSE = 1.0  # seconds; as long as one needs to see which one it was
LONGEST_PULSE = 3.0
MOST_PULSES = 5  # of one output
CAUTIONS = """Before you begin: the machine is dry, reservoirs and lines empty. Keep hands, hair and sleeves
out of whatever can move. Switch the supply of the actuators off before you touch a wire, and on again when it
is connected."""
NOTHING, AGAIN, SKIP = "nothing", "again", "skip"


@dataclass(frozen=True, slots=True)
class Question:
    """What somebody is asked to do or tell. ``act`` and ``wire`` say it to a program, ``text`` to a person.

    Acts: ready, rest (what runs now?), open, close, press, release, unplug, plug, moved (what moved?), mend.
    """

    act: str
    text: str
    wire: Wire | None = None

    @property
    def key(self) -> str:
        """What a file of answers calls it: the act, and of which wire."""
        return f"{self.act} {self.wire.label}" if self.wire else self.act


class Helper(Protocol):
    """Whoever stands at the machine, or answers for it: done is answered by anything but skip."""

    def tell(self, text: str) -> None: ...
    def ask(self, question: Question) -> str: ...


@dataclass
class Walk:
    """One walk on a rig whose firmware was built from this very machine file. ``pulse`` in seconds."""

    rig: Rig
    compiled: Compiled
    wires: Sequence[Wire]
    helper: Helper
    pulse: float = PULSE
    running: tuple[str, ...] = ()  # what ran although every output was off
    _wrong: set[str] = field(default_factory=set)  # interlocks that do not read as they should

    def go(self) -> tuple[Seen, ...]:
        """Walk all wires; what was seen of each. Raises RigTrouble, and UserError for a useless answer."""
        self.helper.tell(CAUTIONS)
        if _skipped(self.helper.ask(Question("ready", "Is it so? Enter to begin"))):
            raise UserError("the walk was not begun: nothing was switched", exit_code=Exit.USAGE)
        outputs = [wire for wire in self.wires if wire.is_output]
        switches = [wire for wire in self.wires if not wire.is_output]
        if outputs:
            names = ", ".join(wire.label for wire in outputs)
            self.helper.tell(f"Things that move or light up: {names}.")
            rest = Question(
                "rest", f"Every output is off now. Does anything run all the same? Names, or {NOTHING}"
            )
            self.rig.wait(2, self.compiled.machine.tick_us)
            self.running = tuple(label for label, _ in self._named(rest, outputs))
        seen = [self._switch(wire) for wire in switches]
        return (*seen, *(self._output(wire, outputs) for wire in outputs))

    # Switches

    def _switch(self, wire: Wire) -> Seen:
        """Move one switch there and back, then take its wire off, watching every input."""
        lock = wire.table == "interlock"
        opened = None if lock else self._no_pour(wire)
        first, then = ("open", "close") if lock else ("press", "release")
        if not self._do(first, wire):
            return self._back(opened, Seen(wire, not_tried="you skipped it"))
        before = self._read()
        if not self._do(then, wire):
            return self._back(opened, Seen(wire, not_tried="you skipped it"))
        after = self._read()
        active, resting = (after, before) if lock else (before, after)
        places = []
        for other in self.wires:
            if not other.is_output and (other.index in active) != (other.index in resting):
                high = other.pin.active_high == (other.index in active)
                places.append((other.pin.name, Place(other, high)))
        if lock and (wire.index not in active or wire.index in resting):
            self._wrong.add(wire.label)
        at = places[0][1].wire if len(places) == 1 else wire
        closed_without = None
        if self._do("unplug", wire, at):
            # read as the file will have it once it is mended: by the level, not by what it means today
            read_high = (at.index in self._read()) == at.pin.active_high
            means_closed = places[0][1].active_high if len(places) == 1 else wire.pin.active_high
            closed_without = read_high == means_closed
            self._do("plug", wire, at)
        if len(places) == 1:
            places = [(wire.label, places[0][1])]
        return self._back(opened, Seen(wire, tuple(places), closed_without_wire=closed_without))

    def _back(self, opened: Wire | None, seen: Seen) -> Seen:
        if opened:
            self._do("close", opened)
        return seen

    def _no_pour(self, wire: Wire) -> Wire | None:
        """A button that pours must not while it is tried: an interlock that a pour needs is opened first."""
        button = self.compiled.machine.buttons[wire.index - len(self.compiled.machine.interlocks)]
        if button.does != "pour":
            return None
        for other in self.wires:
            if other.table == "interlock" and other.label not in self._wrong:
                lock = self.compiled.machine.interlocks[other.index]
                if not (lock.to_start or lock.while_pouring or lock.always) or not self._do("open", other):
                    continue
                if other.index not in self._read():  # the controller has to have seen it before the press
                    return other
        self.helper.tell(
            f"{wire.label} may start a pour, as no interlock holds it back; it is stopped at once."
        )
        return None

    def _do(self, act: str, wire: Wire, at: Wire | None = None) -> bool:
        pin = (at or wire).pin.name
        words = {
            "open": f"Open {wire.label}: the state in which nothing may pour",
            "close": f"Close {wire.label}: the state in which a pour may run",
            "press": f"Press {wire.label} and keep it pressed",
            "release": f"Release {wire.label}",
            "unplug": f"Take the wire of {wire.label} off pin {pin}",
            "plug": f"Put the wire of {wire.label} back on pin {pin}",
        }
        if wire.contact is not None:
            words["press"] = (
                f"Set {wire.name} to {1 << wire.contact}: of its contacts this one alone is pressed"
            )
            words["release"] = f"Set {wire.name} to 0: none of its contacts is pressed"
        return not _skipped(
            self.helper.ask(Question(act, f"{words[act]}. Enter when done, {SKIP} to leave it out", wire))
        )

    def _read(self) -> frozenset[int]:
        """The inputs that read as closed or pressed, debounced. A pour that a button began is stopped."""
        machine = self.compiled.machine
        self.rig.wait(max((item.debounce for item in inputs_of(machine)), default=0) + 2, machine.tick_us)
        status = self.rig.client.status()
        if status.state in (State.POURING, State.PAUSED):
            self.rig.client.stop()
            self.helper.tell("That started a pour; it was stopped.")
        bits = status.closed | status.pressed << len(machine.interlocks)
        return frozenset(wire.index for wire in self.wires if not wire.is_output and bits >> wire.index & 1)

    # Outputs

    def _output(self, wire: Wire, outputs: Sequence[Wire]) -> Seen:
        """Pulse one output, as often as somebody has to look, and ask what moved."""
        question = Question(
            "moved",
            f"Pin {wire.pin.name} was switched on for a moment. What moved? Names; {NOTHING}; {AGAIN}; "
            f'"NAME stopped" where it ran before and after; {SKIP}',
            wire,
        )
        for _ in range(MOST_PULSES):
            refused = self._pulse(wire)
            if refused:
                return Seen(wire, not_tried=refused)
            moved = self._named(question, outputs)
            if moved == [(AGAIN, False)]:
                continue
            if moved == [(SKIP, False)]:
                break
            places = tuple((label, Place(wire, wire.pin.active_high != stopped)) for label, stopped in moved)
            return Seen(wire, places)
        return Seen(wire, not_tried="nobody said what moved")

    def _pulse(self, wire: Wire) -> str:
        """Hold one output on for a moment, then off. Returns why it could not be, or nothing."""
        machine = self.compiled.machine
        output = machine.outputs[wire.index]
        longest = min(
            round(min(self.pulse, LONGEST_PULSE) * 1e6 / machine.tick_us), output.jog_limit * 3 // 4
        )
        settle = max([machine.inrush_gap, *(group.dead_time for group in machine.groups)])
        for _ in range(MOST_PULSES):
            self.rig.wait(settle + 1, machine.tick_us)
            reason, lock = self._hold(wire.index, longest)
            if not reason:
                return ""
            if reason != Reason.INTERLOCK:
                return f"the controller refused it: {reason_words(reason)}"
            (open_one,) = (w for w in self.wires if w.table == "interlock" and w.index == lock)
            if open_one.label in self._wrong:
                return f"it needs {open_one.label}, which does not read as closed; mend that and walk again"
            self.helper.tell(f"{wire.label} is not switched on while {open_one.label} is open.")
            if not self._do("close", open_one):
                break
            self._read()
        return "an interlock that it needs stayed open"

    def _hold(self, output: int, ticks: int) -> tuple[int, int]:
        """One jog, renewed in time, then released. Reason and argument where it was refused or broke off."""
        client, machine = self.rig.client, self.compiled.machine
        piece = max(1, machine.jog_renewal // 2)
        answer = client.jog(output, True)
        try:
            while ticks > 0 and not answer.reason:
                self.rig.wait(min(piece, ticks), machine.tick_us)
                ticks -= piece
                if ticks > 0:
                    answer = client.jog(output, True)
        finally:
            released = client.jog(output, False)
            self.rig.wait(2, machine.tick_us)  # a pin follows a tick after the request has taken effect
        if answer.reason or not released.reason:
            return answer.reason, answer.argument
        # it ended by itself: an interlock opened meanwhile, or it took longer over the link than it may
        status = client.status()
        needs = machine.outputs[output].needs
        for index, item in enumerate(machine.interlocks):
            if (item.always or item.while_pouring or needs >> index & 1) and not status.closed >> index & 1:
                return Reason.INTERLOCK, index
        return Reason.NONE, 0

    def _named(self, question: Question, outputs: Sequence[Wire]) -> list[tuple[str, bool]]:
        """An answer as labels, each with whether it stopped; asked again while it names what is not there."""
        labels = {wire.label.casefold(): wire.label for wire in outputs}
        for _ in range(MOST_PULSES):
            text = self.helper.ask(question).strip()
            if text.casefold() in (NOTHING, "-"):
                return []
            if question.act == "moved" and text.casefold() in (AGAIN, SKIP):
                return [(text.casefold(), False)]
            named, unknown = [], ""
            for word in text.split(","):
                label, stopped = word.strip().casefold(), False
                if label not in labels and label.endswith(" stopped"):
                    label, stopped = label.removesuffix(" stopped").strip(), True
                if label not in labels:
                    unknown = word.strip()
                    break
                named.append((labels[label], stopped))
            if not unknown and named:
                return named
            near = difflib.get_close_matches(unknown.casefold(), labels, 1)
            hint = f"did you mean {labels[near[0]]}?" if near else f"there is {', '.join(labels.values())}"
            complaint = f"{question.key}: found {unknown!r}; {hint} or {NOTHING}"
            self.helper.tell(complaint)
        raise UserError(complaint, exit_code=Exit.USAGE)


def _skipped(answer: str) -> bool:
    return answer.strip().casefold() == SKIP
