"""The controller of the twin: one tick by the numbers of RULES.md, and which tick comes next."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from dosewright.gen.codes import Code, Reason, Result, State
from dosewright.gen.compiled import CompiledMachine
from dosewright.gen.twin_inputs import NEVER, wished
from dosewright.gen.twin_log import CLOSED, GoOn, Jog, Pour, Request, Stop
from dosewright.gen.twin_steps import Rests, Step, Steps

Change = tuple[int, bool]  # an input and its debounced level


class Masks:
    """Interlocks by what they are needed for and what their loss does."""

    def __init__(self, machine: CompiledMachine) -> None:
        locks = machine.interlocks
        self.every = (1 << len(locks)) - 1
        self.always = mask(lock.always for lock in locks)
        self.jog = mask(lock.while_pouring or lock.always for lock in locks)
        self.start = mask(lock.to_start or lock.while_pouring or lock.always for lock in locks)
        self.aborts = mask(lock.aborts for lock in locks)
        self.goes_on = mask(lock.goes_on for lock in locks)


class Controller:
    """State of the machine after ``tick``, counted from 0 at the reset; it never wraps here.

    A clock is kept as the tick at which it passes its limit; while it stands still, as what it had left.
    """

    def __init__(self, machine: CompiledMachine, masks: Masks) -> None:
        self.machine = machine
        self.masks = masks
        self.tick = 0
        self.state = State.IDLE
        self.result = Result.NONE
        self.reason = Reason.NONE
        self.argument = 0
        self.served = False
        self.open = masks.every
        self.rests = Rests(machine)
        self.pour = Steps([], self.rests)
        self.jog = Steps([], self.rests)
        self.trace: list[tuple[int, Code, int]] = []
        self.pressed: list[Request] = []  # what buttons asked for in the last tick
        self.heard_at = 0  # the link
        self._held: set[int] = set()  # buttons
        self._over_link = False  # the last pour was asked for there
        self._entries: list[tuple[Code, int]] = []
        self._is_on: set[int] = set()
        self._pour_due = self._pour_left = self._pause_due = self._jog_due = NEVER
        self._paused_at = 0
        self._causes = 0

    # What a request is judged by

    @property
    def in_pour(self) -> bool:
        return self.state in (State.POURING, State.PAUSED)

    def jogs(self, output: int) -> bool:
        return self.state == State.JOGGING and self.jog.all[0].output == output

    def to_go_on(self) -> int:
        """Interlocks that must be closed to go on."""
        needed = self.masks.always
        for step in self.pour.all:
            if step is self.pour.head or (step.starts and not step.ended):
                needed |= step.needs
        return needed

    def forget(self) -> None:
        """How the last pour ended: another one was accepted."""
        self.result, self.reason, self.argument = Result.NONE, Reason.NONE, 0

    # From tick to tick

    def next_tick(self) -> int:
        """The next tick in which something can happen with nothing from outside; NEVER when nothing will."""
        soon = self.tick + 1
        if self._vessel_gone():
            return soon
        if self.state == State.IDLE:
            return NEVER
        if self.state == State.JOGGING:
            return max(soon, min(self._jog_due, self._next_of(self.jog)))
        if self.state == State.PAUSED:
            if self._goes_on() or self._missing() & (self.masks.aborts | ~self._causes):
                return soon
            due = [step.due for step in self.pour.running]
            return max(soon, min([self._pause_due, self._link_due(), *due]))
        if self._missing():
            return soon
        return max(soon, min(self._pour_due, self._link_due(), self._next_of(self.pour)))

    def _link_due(self) -> int:
        """The tick in which the link has been silent for too long."""
        limit = self.machine.link_limit
        return self.heard_at + limit + 1 if limit and self._over_link else NEVER

    def run(
        self, tick: int, stop: bool, waiting: Request | None, pour: list[Step], changes: Sequence[Change]
    ) -> None:
        """One tick, in the order of RULES.md. ``pour``: the steps, where a pour waits."""
        self.tick = tick
        self.pressed = []
        self._requests(stop, waiting, pour)
        self._inputs(changes)
        if self.in_pour:
            self._limits()
        elif self.state == State.JOGGING:
            self._jog_limits()
        if self.in_pour:
            self.pour.end_what_is_due(tick)
        if self.state == State.POURING:
            self.pour.start_what_may(tick)
        elif self.state == State.JOGGING:
            self.jog.start_what_may(tick)
        if self.in_pour and not self.pour.unended:
            self.state, self.result = State.IDLE, Result.DONE
            self._note(Code.DONE)
        self._outputs()
        self._entries.sort(key=lambda entry: entry[0])
        self.trace += [(tick, code, argument) for code, argument in self._entries]
        self._entries.clear()

    @staticmethod
    def _next_of(steps: Steps) -> int:
        return min([steps.may_start_at(), *(step.due for step in steps.running)])

    def _requests(self, stop: bool, waiting: Request | None, pour: list[Step]) -> None:
        machine, tick = self.machine, self.tick
        was_idle = self.state == State.IDLE
        if stop and self.state == State.JOGGING:
            self._end_jog()
        elif stop and self.in_pour:
            self._abort(Reason.STOP)
        if isinstance(waiting, Pour):
            self.state = State.POURING
            self.pour = Steps(pour, self.rests)
            self._pour_due = tick + machine.pour_limit + 1
            self._over_link = waiting.over_link
            self.served = machine.vessel_interlock is not None
            self._note(Code.POUR, waiting.serving)
        elif isinstance(waiting, GoOn) and self.state == State.PAUSED:
            self._go_on()
        elif isinstance(waiting, Jog) and self.state == State.JOGGING:
            if not waiting.on:
                self._end_jog()
            self._jog_due = tick + machine.jog_renewal - 1  # its clock is 0 again, and counts this very tick
        elif isinstance(waiting, Jog) and was_idle:
            limit = machine.outputs[waiting.output].jog_limit
            self.jog = Steps([Step(machine, waiting.output, limit, False, 0)], self.rests)
            self._jog_due = tick + machine.jog_renewal
            self.state = State.JOGGING

    def _inputs(self, changes: Sequence[Change]) -> None:
        interlocks = len(self.machine.interlocks)
        newly = []
        for index, closed in changes:
            self._note(Code.INPUT, index + (CLOSED if closed else 0))
            if index < interlocks:
                self.open = self.open & ~(1 << index) | (0 if closed else 1 << index)
            elif closed:
                newly.append(self.machine.buttons[index - interlocks])
                self._held.add(index - interlocks)
            else:
                self._held.discard(index - interlocks)
        held = [self.machine.buttons[index] for index in self._held]
        wishes = [wish for button in newly if (wish := wished(self.tick, button, held))]
        stop = next((wish for wish in wishes if isinstance(wish, Stop)), None)
        self.pressed = [stop] if stop else wishes
        if self._vessel_gone():
            self.served = False

    def _vessel_gone(self) -> bool:
        """Whether the served mark is to be cleared."""
        vessel = self.machine.vessel_interlock
        if not self.served or vessel is None or not self.open >> vessel & 1:
            return False
        return not self.in_pour or all(step.ended for step in self.pour.all if step.is_dose)

    def _limits(self) -> None:
        tick = self.tick
        pouring = self.state == State.POURING
        missing = self._missing()
        if missing & self.masks.aborts:
            return self._abort(Reason.INTERLOCK, lowest(missing & self.masks.aborts))
        # A step that waits has not reached its max_on: if it had, it was caught before it was interrupted.
        for step in self.pour.running:
            if step.due <= tick and step.left_at(tick) > 0:
                return self._abort(Reason.MAX_ON, step.output)
        if pouring and tick >= self._pour_due:
            return self._abort(Reason.POUR_LIMIT)
        if not pouring and tick >= self._pause_due:
            return self._abort(Reason.PAUSE_LIMIT)
        if tick >= self._link_due():
            return self._abort(Reason.LINK_LOST)
        if pouring and missing:
            self._pause(missing)
        if self.state == State.PAUSED:
            self._causes |= missing
            self.pour.interrupt(tick, self.open, self.masks.always)
            if self._paused_at < tick and self._goes_on():
                self._go_on()
        return None

    def _missing(self) -> int:
        if not self.open:
            return 0
        needed = self.masks.always | (self.pour.head.needs if self.pour.head else 0)
        for step in self.pour.running:
            needed |= step.needs
        return self.open & needed

    def _pause(self, missing: int) -> None:
        self.state = State.PAUSED
        self.reason, self.argument = Reason.INTERLOCK, lowest(missing)
        self._causes = missing
        self._paused_at = self.tick
        self._pause_due = self.tick + self.machine.pause_limit + 1
        self._pour_left = self._pour_due - self.tick
        self._note(Code.PAUSE, self.argument)

    def _goes_on(self) -> bool:
        return not self._causes & ~self.masks.goes_on and not self.open & self.to_go_on()

    def _go_on(self) -> None:
        self.state = State.POURING
        self._pour_due = self.tick + self._pour_left
        self._note(Code.GO_ON)

    def _abort(self, reason: Reason, argument: int = 0) -> None:
        self.pour.stop(self.tick)
        self.state, self.result, self.reason, self.argument = State.IDLE, Result.ABORTED, reason, argument
        self._note(Code.ABORT, reason)

    def _jog_limits(self) -> None:
        step, tick = self.jog.all[0], self.tick
        lost = self.open & (self.masks.jog | step.needs)
        if lost or tick >= self._jog_due or step.on_at(tick) >= min(step.planned, step.max_on):
            self._end_jog()

    def _end_jog(self) -> None:
        self.jog.stop(self.tick)
        self.state = State.IDLE

    def _outputs(self) -> None:
        """The outputs change once, to the set of running steps."""
        running = self.jog.running if self.state == State.JOGGING else self.pour.running
        on = {step.output for step in running}
        if on != self._is_on:
            self._entries += [(Code.OFF, output) for output in sorted(self._is_on - on)]
            self._entries += [(Code.ON, output) for output in sorted(on - self._is_on)]
            self._is_on = on

    def _note(self, code: Code, argument: int = 0) -> None:
        self._entries.append((code, argument))


def mask(bits: Iterable[bool]) -> int:
    """Bit i set where the i-th is true."""
    return sum(1 << index for index, bit in enumerate(bits) if bit)


def lowest(mask: int) -> int:
    """The index of the lowest bit set."""
    return (mask & -mask).bit_length() - 1
