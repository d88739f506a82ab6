"""The twin: what the engine does with a table, a machine and a log, as a function.

It follows ``targets/engine/RULES.md`` by another way than the engine: nothing counts tick by tick. Debounced
inputs are worked out from the log beforehand; running steps, clocks and waits are kept as the tick at which
they fall due; and the run jumps from one tick in which something can happen to the next.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

from dosewright.gen.arithmetic import off_ticks, planned, split
from dosewright.gen.codes import Reason, State
from dosewright.gen.compiled import (
    Button,
    CalibrationTable,
    CompiledMachine,
    CompiledRecipe,
    Dose,
    Interlock,
    RecipeTable,
)
from dosewright.gen.table import decode_calibration, decode_recipes
from dosewright.gen.twin_controller import Controller, Masks, lowest
from dosewright.gen.twin_inputs import NEVER, debounce
from dosewright.gen.twin_log import (
    Answer,
    Booked,
    Entry,
    Event,
    GoOn,
    Heard,
    Input,
    Jog,
    Outcome,
    Pour,
    Request,
    Stop,
)
from dosewright.gen.twin_steps import Step

WRAP = 1 << 32
STARTS_MAX = 255  # booked starts are one byte
ACCEPTED = Answer(Reason.NONE, 0)


def run(
    machine: CompiledMachine,
    recipes: bytes | RecipeTable | None,
    calibration: bytes | CalibrationTable | None,
    log: Sequence[Event],
    *,
    tick0: int = 0,
    until: int | None = None,
    debounced: bool = False,
) -> Outcome:
    """The run through ``log`` of a machine that was reset at ``tick0``: all inputs open, nothing poured yet.

    Ticks ``tick0 + 1`` to ``until`` run (mod 2^32, fewer than 2^31 of them); without ``until``, as many as
    it takes until nothing more can happen. ``debounced``: the inputs of the log are levels after debouncing,
    as a device's own trace gives them. Events of one tick keep the order of the log. ValueError for tables
    that break TABLE.md, for an event outside that horizon and for an input that does not exist.
    """
    return Twin(machine, recipes, calibration).run(log, tick0=tick0, until=until, debounced=debounced)


class Twin:
    """One machine with its tables, for many runs."""

    def __init__(
        self,
        machine: CompiledMachine,
        recipes: bytes | RecipeTable | None,
        calibration: bytes | CalibrationTable | None,
    ) -> None:
        self.machine = machine
        if isinstance(recipes, bytes):
            recipes = decode_recipes(recipes, machine.channels, machine.stages)
        self.recipes = recipes
        self.calibration = decode_calibration(calibration) if isinstance(calibration, bytes) else calibration
        self.by_number = {recipe.number: recipe for recipe in self.recipes.recipes} if self.recipes else {}
        self.masks = Masks(machine)
        channels = self.calibration.channels if self.calibration else ()
        self._off_ticks = [off_ticks(c) if c.rate.m else 0 for c in channels]

    def steps(self, recipe: CompiledRecipe, serving: int) -> list[Step] | Answer:
        """The steps of a pour of so many quanta, or why RULES.md refuses one of them."""
        assert self.calibration is not None
        volumes = iter(split(serving, [step.weight for step in recipe.steps if isinstance(step, Dose)]))
        steps = []
        for step in recipe.steps:
            off = 0
            if isinstance(step, Dose):
                channel = self.calibration.channels[step.output]
                if not channel.rate.m:
                    return Answer(Reason.NOT_CALIBRATED, step.output)
                off = self._off_ticks[step.output]
                ticks = planned(next(volumes), channel)
            else:
                ticks = step.ticks
            if not ticks:
                return Answer(Reason.DOSE_TOO_SMALL, step.output)
            if ticks > self.machine.outputs[step.output].max_on:
                return Answer(Reason.DOSE_TOO_LONG, step.output)
            steps.append(Step(self.machine, step.output, ticks, step.after_all, off))
        return steps

    def run(
        self, log: Sequence[Event], *, tick0: int = 0, until: int | None = None, debounced: bool = False
    ) -> Outcome:
        """See :func:`run`."""
        return _Run(self).through(log, tick0, until, debounced)


class _Run:
    """One run: the requests that wait between ticks, and the controller that does them."""

    def __init__(self, twin: Twin) -> None:
        self.twin = twin
        self.controller = Controller(twin.machine, twin.masks)
        self.stop = False
        self.waiting: Request | None = None
        self.pour: list[Step] = []  # of the last pour accepted

    def through(self, log: Sequence[Event], tick0: int, until: int | None, debounced: bool) -> Outcome:
        controller = self.controller
        inputs: list[Interlock | Button] = [*self.twin.machine.interlocks, *self.twin.machine.buttons]
        levels: list[dict[int, bool]] = [{} for _ in inputs]
        requests: defaultdict[int, list[Request]] = defaultdict(list)
        heard: set[int] = set()
        for event in log:
            tick = (event.tick - tick0) % WRAP
            if not 1 <= tick < NEVER:
                raise ValueError(f"{event} lies outside the 2^31 ticks after {tick0}")
            if isinstance(event, Heard):
                heard.add(tick)
            elif not isinstance(event, Input):
                requests[tick].append(event)
            elif 0 <= event.number < len(inputs):
                levels[event.number][tick] = event.closed
            else:
                raise ValueError(f"{event}: the machine has {len(inputs)} inputs")
        samples = [1 if debounced else described.debounce for described in inputs]
        changes = debounce(levels, samples, self.twin.machine.vessel_interlock)

        answers = []
        last = NEVER - 1 if until is None else (until - tick0) % WRAP
        ticks = sorted(requests.keys() | changes.keys() | heard, reverse=True)
        while True:
            asked = self.stop or self.waiting  # by a button, right after the last tick
            tick = controller.tick + 1 if asked else controller.next_tick()
            if ticks and ticks[-1] <= tick:
                tick = ticks.pop()
            if tick > last:
                break
            answers += [self._ask(request) for request in requests.get(tick, ())]
            if tick in heard:
                controller.heard_at = tick
            controller.run(tick, self.stop, self.waiting, self.pour, changes.get(tick, ()))
            self.stop, self.waiting = False, None
            for request in controller.pressed:
                self._ask(request)

        end = controller.tick if until is None else last
        return Outcome(
            trace=[Entry((tick0 + tick) % WRAP, code, argument) for tick, code, argument in controller.trace],
            answers=answers,
            booked=[Booked(s.output, min(s.starts, STARTS_MAX), s.planned, s.on_at(end)) for s in self.pour],
            state=controller.state,
            result=controller.result,
            reason=controller.reason,
            argument=controller.argument,
            tick=(tick0 + end) % WRAP,
        )

    def _ask(self, request: Request) -> Answer:
        if isinstance(request, Stop):
            self.stop, self.waiting = True, None
            return ACCEPTED
        if isinstance(request, Pour):
            answer = self._judge_pour(request)
        elif isinstance(request, GoOn):
            answer = self._judge_go_on()
        else:
            answer = self._judge_jog(request)
        if answer.reason == Reason.NONE:
            withdraws = isinstance(request, Jog) and not request.on and self.controller.state == State.IDLE
            self.waiting = None if withdraws else request
        return answer

    def _judge_pour(self, request: Pour) -> Answer:
        twin, controller = self.twin, self.controller
        if controller.state != State.IDLE or self.waiting:
            return Answer(Reason.BUSY, 0)
        if twin.recipes is None:
            return Answer(Reason.NO_RECIPES, 0)
        if twin.calibration is None:
            return Answer(Reason.NO_CALIBRATION, 0)
        if request.recipe not in twin.by_number:
            return Answer(Reason.UNKNOWN_RECIPE, 0)
        if not 0 <= request.serving < len(twin.recipes.servings):
            return Answer(Reason.UNKNOWN_SERVING, 0)
        serving = twin.recipes.servings[request.serving]
        if serving > twin.machine.vessel:
            return Answer(Reason.VESSEL_TOO_SMALL, 0)
        steps = twin.steps(twin.by_number[request.recipe], serving)
        if isinstance(steps, Answer):
            return steps
        answer = self._closed(twin.masks.start)
        if answer.reason == Reason.NONE and controller.served:
            return Answer(Reason.VESSEL_NOT_CHANGED, 0)
        if answer.reason == Reason.NONE:
            self.pour = steps
            controller.forget()
        return answer

    def _judge_go_on(self) -> Answer:
        if self.controller.state != State.PAUSED:
            return Answer(Reason.NOTHING_TO_GO_ON_WITH, 0)
        return Answer(Reason.BUSY, 0) if self.waiting else self._closed(self.controller.to_go_on())

    def _judge_jog(self, request: Jog) -> Answer:
        controller, machine = self.controller, self.twin.machine
        same = controller.jogs(request.output)
        if not request.on:
            waits = isinstance(self.waiting, Jog) and self.waiting.output == request.output
            return ACCEPTED if same or waits else Answer(Reason.NOTHING_TO_GO_ON_WITH, 0)
        if self.waiting or not (same or controller.state == State.IDLE):
            return Answer(Reason.BUSY, 0)
        if same:
            return ACCEPTED
        if not 0 <= request.output < len(machine.outputs):
            return Answer(Reason.NO_SUCH_OUTPUT, 0)
        return self._closed(self.twin.masks.jog | machine.outputs[request.output].needs)

    def _closed(self, needed: int) -> Answer:
        missing = self.controller.open & needed
        return Answer(Reason.INTERLOCK, lowest(missing)) if missing else ACCEPTED
