"""Random machines, tables and logs, small and full of coincidences, for the comparison of twin and engine.

Everything of a case follows from its seed. Runs are some hundred ticks: short doses, close limits, several
events in one tick, and clocks that often start just before they wrap.
"""

from __future__ import annotations

from dataclasses import dataclass
from random import Random

from dosewright.gen.arithmetic import OFFSET_MAX, SERVING_MAX, planned, split
from dosewright.gen.compiled import (
    SELECTED_RECIPE,
    SELECTED_SERVING,
    Button,
    Calibration,
    CalibrationTable,
    CompiledMachine,
    CompiledRecipe,
    Dose,
    Group,
    Interlock,
    Output,
    Pin,
    Rate,
    RecipeTable,
    Stage,
    Step,
)
from dosewright.gen.twin_log import Event, GoOn, Heard, Input, Jog, Pour, Request, Stop

WRAP = 1 << 32
CHANNELS, STAGES, INTERLOCKS, BUTTONS, CONTACTS, GROUPS, STEPS = 8, 4, 6, 3, 4, 4, 16
PIN = Pin("", 0, 0, True)


@dataclass(frozen=True)
class Case:
    """A machine with its tables, and what happens to it.

    The ticks of the events count from the reset, at which the clock stands at ``tick0``.
    """

    seed: int
    machine: CompiledMachine
    recipes: RecipeTable | None
    calibration: CalibrationTable | None
    tick0: int
    ticks: int
    events: tuple[Event, ...]

    def log(self) -> list[Event]:
        """The events at the clock's own ticks."""
        return [event._replace(tick=(event.tick + self.tick0) % WRAP) for event in self.events]

    @property
    def until(self) -> int:
        return (self.tick0 + self.ticks) % WRAP


def case(seed: int) -> Case:
    """The case of this seed."""
    rng = Random(seed)
    channels, stages = rng.randint(1, CHANNELS), rng.randint(0, STAGES)
    outputs = channels + stages
    interlocks = _interlocks(rng)
    servings = _servings(rng)
    recipes = tuple(
        CompiledRecipe(number, "", _steps(rng, channels, outputs))
        for number in sorted(rng.sample((1, 2, 3, 500, 65535), rng.randint(1, 3)))
    )
    table = RecipeTable(servings, recipes)
    calibration = CalibrationTable("", tuple(_calibration(rng, servings) for _ in range(channels)))
    machine = _machine(rng, channels, outputs, interlocks, table, calibration)
    ticks = rng.randint(200, 700)
    return Case(
        seed,
        machine,
        None if rng.random() < 0.03 else table,
        None if rng.random() < 0.03 else calibration,
        rng.choice((0xFFFFFF00 + rng.randrange(256), 0xFFFFFF00, 0, 0x7FFFFF00, rng.randrange(WRAP))),
        ticks,
        tuple(_events(rng, machine, table, ticks)),
    )


def numbers_case(seed: int) -> Case:
    """One pour that is stopped at once: what counts is what was planned, over all that a table may hold."""
    rng = Random(seed)
    channels = rng.randint(1, CHANNELS)
    doses = tuple(Dose(channel, _spread(rng, 12) + 1) for channel in range(channels))
    serving = min(_spread(rng, 32) + 1, SERVING_MAX)
    output = Output("", PIN, 0, 0, max_on=(1 << 31) - 1, needs=0)
    return Case(
        seed,
        CompiledMachine(
            "",
            1000,
            channels,
            (output,) * channels,
            (),
            (),
            (),
            (),
            0,
            0,
            1 << 30,
            1 << 30,
            0,
            500,
            SERVING_MAX,
            None,
        ),
        RecipeTable((serving,), (CompiledRecipe(1, "", doses),)),
        CalibrationTable("", tuple(_any_calibration(rng) for _ in range(channels))),
        0,
        4,
        (Pour(1, 1, 0), Stop(3)),
    )


def _spread(rng: Random, bits: int) -> int:
    """Below 2^bits (less one for weights), every order of magnitude alike, with the ends."""
    return rng.choice((0, (1 << bits) - 2, rng.randrange((1 << rng.randint(1, bits)) - 1)))


def _any_calibration(rng: Random) -> Calibration:
    m = rng.choice((1 << 31, (1 << 32) - 1, rng.randrange(1 << 31, 1 << 32)))
    offset = min(_spread(rng, 27), OFFSET_MAX)
    return Calibration(Rate(m, rng.choice((1, 1, 2, rng.randint(1, 24)))), rng.choice((0, offset, -offset)))


def _servings(rng: Random) -> tuple[int, ...]:
    """Mostly of some ml; now and then the extremes of what a table may hold."""
    base = rng.choice(
        (rng.randint(20_000, 2_000_000), rng.randint(20_000, 2_000_000), rng.randint(1, 2_000_000_000))
    )
    return tuple(max(1, int(base * rng.choice((0.01, 1, 1, 1.1, 2)))) for _ in range(rng.randint(1, 3)))


def _interlocks(rng: Random) -> tuple[Interlock, ...]:
    count = rng.choice((0, 1, 1, 2, 2, 3, 4, 6))
    return tuple(
        Interlock(
            "",
            PIN,
            rng.choice((1, 1, 2, 3, 5)),
            to_start=rng.random() < 0.2,
            while_pouring=rng.random() < 0.6,
            always=rng.random() < 0.15,
            aborts=rng.random() < 0.15,
            goes_on=rng.random() < 0.6,
        )
        for _ in range(count)
    )


def _steps(rng: Random, channels: int, outputs: int) -> tuple[Step, ...]:
    steps: list[Step] = []
    for output in rng.sample(range(channels), rng.randint(1, channels)):
        weight = rng.randint(1, 4095) if rng.random() < 0.04 else rng.randint(2, 12)
        steps.append(Dose(output, weight, rng.random() < 0.15))
    for _ in range(
        min(rng.randint(0, outputs - channels + 1), STEPS - len(steps)) if outputs > channels else 0
    ):
        stage = Stage(rng.randrange(channels, outputs), rng.randint(1, 40), rng.random() < 0.3)
        steps.insert(rng.randint(0, len(steps)), stage)
    return tuple(steps)


def _calibration(rng: Random, servings: tuple[int, ...]) -> Calibration:
    """A rate at which a share of one of the servings takes some ticks, and an offset of a few."""
    if rng.random() < 0.02:
        return Calibration(Rate(0, 0), 0)
    volume = max(1, max(servings) // rng.randint(2, 8))
    shift = max(1, min(24, (volume // rng.choice((6, 20, 40, 100))).bit_length()))
    rate = Rate(rng.randrange(1 << 31, 1 << 32), shift)
    offset = rng.randint(-20, 8) << shift if rng.random() < 0.6 else 0
    return Calibration(rate, max(-128_000_000, min(128_000_000, offset)))


def _machine(
    rng: Random,
    channels: int,
    outputs: int,
    interlocks: tuple[Interlock, ...],
    table: RecipeTable,
    calibration: CalibrationTable,
) -> CompiledMachine:
    groups = tuple(Group("", rng.choice((0, 1, 2, 10, 30))) for _ in range(rng.randint(0, GROUPS)))
    pouring = sum(1 << index for index, lock in enumerate(interlocks) if lock.while_pouring)
    longest = _longest(table, calibration, outputs)
    described = []
    for index in range(outputs):
        stage = index >= channels
        needs = (
            rng.randrange(1 << len(interlocks)) & rng.randrange(1 << len(interlocks)) if stage else pouring
        )
        slack = -1 if rng.random() < 0.01 else rng.choice((0, 0, 1, 3, 8, 30, 100, 1000, 100_000))
        max_on = max(1, longest[index] + slack)
        described.append(
            Output(
                "",
                PIN,
                current=rng.choice((0, 100, 300, 500, 900)),
                group=rng.randint(0, len(groups)) if rng.random() < 0.5 else 0,
                max_on=max_on,
                needs=needs,
                is_stage=stage,
                stays_on=stage and rng.random() < 0.5,
                jog_limit=min(max_on, rng.choice((0, 1, 5, 40, 200))),
            )
        )
    total = sum(output.current for output in described)
    return CompiledMachine(
        name="",
        tick_us=1000,
        channels=channels,
        outputs=tuple(described),
        groups=groups,
        interlocks=interlocks,
        buttons=_buttons(rng, table),
        plausible=(),
        supply=rng.choice((total, 900, 1000, rng.randint(300, 3000))),
        inrush_gap=rng.choice((0, 0, 1, 2, 5, 12)),
        pour_limit=rng.choice((rng.randint(0, 150), 100_000, 100_000, 100_000)),
        pause_limit=rng.choice((rng.randint(0, 40), 100_000)),
        link_limit=rng.choice((0, 0, 0, rng.randint(1, 20), rng.randint(1, 120))),
        jog_renewal=rng.randint(1, 40),
        vessel=sorted(table.servings)[-1] if rng.random() < 0.8 else rng.choice(table.servings),
        vessel_interlock=rng.randrange(len(interlocks)) if interlocks and rng.random() < 0.6 else None,
    )


def _longest(table: RecipeTable, calibration: CalibrationTable, outputs: int) -> list[int]:
    """The longest planned time of each output in any pour of at most some hundred ticks."""
    longest = [0] * outputs
    for recipe in table.recipes:
        doses = [step for step in recipe.steps if isinstance(step, Dose)]
        for serving in table.servings:
            for dose, volume in zip(doses, split(serving, [d.weight for d in doses]), strict=True):
                channel = calibration.channels[dose.output]
                ticks = planned(volume, channel) if channel.rate.m else 0
                if ticks < 400:
                    longest[dose.output] = max(longest[dose.output], ticks)
        for step in recipe.steps:
            if isinstance(step, Stage):
                longest[step.output] = max(longest[step.output], step.ticks)
    return longest


def _buttons(rng: Random, table: RecipeTable) -> tuple[Button, ...]:
    """Buttons, and behind them contacts whose sums hit and miss what the table has, also past 2^16, 2^8."""
    numbers = [recipe.number for recipe in table.recipes]
    contacts = rng.choice((0, 0, rng.randint(1, 2), rng.randint(1, CONTACTS)))
    asking = [
        Button(
            "",
            PIN,
            rng.choice((1, 2, 4)),
            rng.choice(("pour", "pour", "pour", "go on", "go on", "stop")),
            SELECTED_RECIPE if rng.random() < (0.6 if contacts else 0.05) else rng.choice(numbers),
            SELECTED_SERVING
            if rng.random() < (0.6 if contacts else 0.05)
            else rng.randrange(len(table.servings)),
        )
        for _ in range(rng.randint(min(contacts, 1), BUTTONS))
    ]
    selecting = [
        Button(
            "",
            PIN,
            rng.choice((1, 2, 4)),
            "select",
            rng.choice((0, 1, 2, 498, 65534, 65535, *numbers, *numbers, *numbers)),
            rng.choice((0, 0, 0, 0, 1, 1, 254, 255)),
        )
        for _ in range(contacts)
    ]
    return (*asking, *selecting)


def _events(rng: Random, machine: CompiledMachine, table: RecipeTable, ticks: int) -> list[Event]:
    events: list[Event] = []
    for index in range(len(machine.interlocks)):
        if rng.random() < 0.97:
            events.append(Input(rng.randint(1, 3), index, True))
    tick = rng.randint(4, 12)
    while tick < ticks:
        events += _scene(rng, machine, table, tick)
        tick += rng.choice((0, 1, rng.randint(1, 10), rng.randint(1, 60), rng.randint(20, 150)))
    return sorted((event for event in events if event.tick <= ticks), key=lambda event: event.tick)


def _scene(rng: Random, machine: CompiledMachine, table: RecipeTable, tick: int) -> list[Event]:
    """One thing that happens to a machine, as events from ``tick`` on."""
    interlocks, buttons = len(machine.interlocks), len(machine.buttons)
    kind = rng.random()
    if kind < 0.30:
        pour = _pour(rng, table, tick)
        return [pour, *_heard(rng, machine, tick)] if pour.over_link else [pour]
    if kind < 0.64 and interlocks:  # an interlock is lost and returns, perhaps for less than its debounce
        index = rng.randrange(interlocks)
        vessel = machine.vessel_interlock
        if vessel is not None and rng.random() < 0.4:
            index = vessel
        back = tick + rng.choice((1, 2, rng.randint(3, 12), rng.randint(5, 60)))
        after: list[Event] = [GoOn(back + rng.randint(0, 8))] if rng.random() < 0.7 else []
        if rng.random() < 0.25:
            after.append(_pour(rng, table, back + rng.randint(4, 9)))
        return [Input(tick, index, False), Input(back, index, True), *after]
    contacts = [index for index, button in enumerate(machine.buttons) if button.does == "select"]
    if kind < (0.84 if contacts else 0.74) and buttons:
        moved: list[Event] = [
            Input(tick + rng.randint(0, 3), interlocks + index, rng.random() < 0.6)
            for index in contacts
            if rng.random() < 0.7
        ]
        press = tick + rng.randint(0, 6 if moved else 0)
        asking = range(interlocks, interlocks + buttons - len(contacts))
        for index in rng.sample(asking, min(rng.choice((1, 1, 2, 3)), len(asking))):
            moved += [Input(press, index, True), Input(press + rng.randint(1, 10), index, False)]
        return moved
    if kind < 0.86:
        return _jog(rng, machine, tick)
    if kind < 0.93:
        return [GoOn(tick)]
    if kind < 0.95:
        return [Stop(tick)]
    return [_request(rng, machine, table, tick) for _ in range(rng.randint(2, 4))]


def _pour(rng: Random, table: RecipeTable, tick: int) -> Pour:
    number = rng.choice(table.recipes).number
    if rng.random() < 0.04:
        number = 4
    serving = rng.randrange(len(table.servings)) if rng.random() < 0.96 else len(table.servings)
    return Pour(tick, number, serving, over_link=rng.random() < 0.6)


def _heard(rng: Random, machine: CompiledMachine, tick: int) -> list[Event]:
    """The host asks for a pour, then now and again for something, until it falls silent."""
    events: list[Event] = []
    for _ in range(rng.randint(0, 8) if machine.link_limit else 0):
        events.append(Heard(tick))
        tick += rng.randint(1, machine.link_limit + (rng.random() < 0.3))
    return events


def _jog(rng: Random, machine: CompiledMachine, tick: int) -> list[Event]:
    output = rng.randrange(len(machine.outputs) + (rng.random() < 0.1))
    events: list[Event] = [Jog(tick, output, True)]
    for _ in range(rng.randint(0, 3)):
        tick += rng.randint(1, machine.jog_renewal + 2)
        events.append(Jog(tick, output, True))
    if rng.random() < 0.5:
        events.append(Jog(tick + rng.randint(0, machine.jog_renewal), output, False))
    return events


def _request(rng: Random, machine: CompiledMachine, table: RecipeTable, tick: int) -> Request:
    output = rng.randrange(len(machine.outputs))
    return rng.choice(
        (_pour(rng, table, tick), GoOn(tick), Stop(tick), Jog(tick, output, True), Jog(tick, output, False))
    )
