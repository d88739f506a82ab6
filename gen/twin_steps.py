"""The steps of a pour, or the one of a jog: which run, when they fall due, and which may start.

Nothing is counted: a running step keeps the tick since when it runs, and the tick at which it falls due.
"""

from __future__ import annotations

from dosewright.gen.compiled import CompiledMachine
from dosewright.gen.twin_inputs import NEVER


class Step:
    """``left`` and ``on`` are as at its last start; while it runs, ``since`` and ``due`` say the rest."""

    __slots__ = (
        "after_all", "current", "due", "ended", "group", "index", "is_dose", "left", "max_on", "needs",
        "off_ticks", "on", "output", "planned", "running", "since", "starts", "stays_on",
    )  # fmt: skip

    def __init__(
        self, machine: CompiledMachine, output: int, planned: int, after_all: bool, off_ticks: int
    ) -> None:
        described = machine.outputs[output]
        self.index = 0
        self.output = output
        self.is_dose = output < machine.channels
        self.planned = self.left = planned
        self.after_all = after_all
        self.off_ticks = off_ticks
        self.current = described.current
        self.group = described.group
        self.max_on = described.max_on
        self.needs = described.needs
        self.stays_on = described.stays_on
        self.starts = self.on = self.since = self.due = 0
        self.running = self.ended = False

    def on_at(self, tick: int) -> int:
        """Ticks energised up to ``tick``."""
        return self.on + tick - self.since if self.running else self.on

    def left_at(self, tick: int) -> int:
        return self.left - (tick - self.since) if self.running else self.left


class Rests:
    """What outlives a pour: when each group last went off, and when anything last started."""

    def __init__(self, machine: CompiledMachine) -> None:
        self.supply = machine.supply
        self.inrush_gap = machine.inrush_gap
        self.dead_time = [0, *(max(group.dead_time, 1) for group in machine.groups)]
        self.group_off = [-NEVER] * len(self.dead_time)
        self.last_start = -NEVER


class Steps:
    """Steps in table order with the rules of their starts."""

    def __init__(self, steps: list[Step], rests: Rests) -> None:
        for index, step in enumerate(steps):
            step.index = index
        self.all = steps
        self.rests = rests
        self.running: list[Step] = []  # in table order
        self.unended = len(steps)
        self.head: Step | None = steps[0] if steps else None

    def start_what_may(self, tick: int) -> None:
        """From the head on, until one may not start. One that waits has time left: else it has ended."""
        while self.head is not None and self.may_start_at() <= tick:
            step = self.head
            step.running = True
            step.starts += 1
            step.since = self.rests.last_start = tick
            step.due = tick + min(step.left, max(step.max_on - step.on, 0))
            self.running.append(step)
            if len(self.running) > 1 and self.running[-2].index > step.index:
                self.running.sort(key=lambda other: other.index)
            self._find_head(step.index + 1)

    def may_start_at(self) -> int:
        """The tick from which the head may start; NEVER while it waits for another step's end."""
        head = self.head
        if head is None:
            return NEVER
        current = head.current
        for step in self.running:
            current += step.current
            if (
                (head.after_all and step.index < head.index)
                or step.output == head.output
                or (head.group and step.group == head.group)
            ):
                return NEVER
        if current > self.rests.supply:
            return NEVER
        at = self.rests.last_start + self.rests.inrush_gap
        if head.group:
            at = max(at, self.rests.group_off[head.group] + self.rests.dead_time[head.group])
        return at

    def end_what_is_due(self, tick: int) -> None:
        """A running step with nothing left has ended."""
        for step in self.running.copy():
            if step.due <= tick and step.left_at(tick) == 0:
                self._halt(step, tick)
                self._end(step)

    def interrupt(self, tick: int, open_: int, always: int) -> None:
        """In a pause: off goes every dose, and every stage that does not stay on or lost what it needs."""
        for step in self.running.copy():
            stays = not step.is_dose and step.stays_on and not open_ & (always | step.needs)
            if stays or step.left_at(tick) == 0:
                continue
            self._halt(step, tick)
            step.left -= step.off_ticks
            if step.left <= 0:
                self._end(step)
        self._find_head(0)

    def stop(self, tick: int) -> None:
        """All off; nothing has ended by that."""
        for step in self.running.copy():
            self._halt(step, tick)
        self._find_head(0)

    def _halt(self, step: Step, tick: int) -> None:
        step.left = step.left_at(tick)
        step.on = step.on_at(tick)
        step.running = False
        self.running.remove(step)
        self.rests.group_off[step.group] = tick

    def _end(self, step: Step) -> None:
        step.ended = True
        self.unended -= 1

    def _find_head(self, index: int) -> None:
        for step in self.all[index:]:
            if not (step.running or step.ended):
                self.head = step
                return
        self.head = None
