"""From a checked project to integers: all units, names and texts end here."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from math import floor

from dosewright.gen import compiled as c
from dosewright.gen.arithmetic import quanta, rate
from dosewright.gen.book import Pourable
from dosewright.gen.models.machine import Button, Channel, Interlock, MachineFile, Stage
from dosewright.gen.project import Project
from dosewright.gen.targets import Target

JOG_RENEWAL = Fraction(1, 2)  # seconds after which a jog that nobody renews ends


@dataclass(frozen=True, slots=True)
class Compiled:
    """A project as integers, and what was asked for exactly, to judge the integers by.

    ``asked`` gives, by recipe number, each dose's share of the serving in table order; the shares sum to 1.
    ``left_out`` names the recipes that are not in the table, with the reason; ``liquids`` is what is
    loaded, by channel.
    """

    machine: c.CompiledMachine
    recipes: c.RecipeTable
    calibration: c.CalibrationTable
    serving_names: tuple[str, ...]
    asked: Mapping[int, tuple[Fraction, ...]]
    left_out: tuple[tuple[str, str], ...]
    liquids: Mapping[str, str]


def lower(project: Project) -> Compiled:
    """Compile a project that ``load`` has accepted."""
    machine, book = project.machine, project.book
    lowered = _machine(project)
    tick = machine.machine.tick
    calibration = []
    for name in machine.channel:
        measured = project.calibration.channel.get(name)
        if measured is None:
            calibration.append(c.Calibration(c.Rate(0, 1), 0))
        else:
            calibration.append(c.Calibration(rate(measured.rate, lowered.tick_us), quanta(measured.offset)))
    stage_index = {name: lowered.channels + index for index, name in enumerate(machine.stage)}
    return Compiled(
        machine=lowered,
        recipes=c.RecipeTable(
            servings=tuple(quanta(volume) for volume in project.recipes.serving.values()),
            recipes=tuple(
                c.CompiledRecipe(item.number, item.name, tuple(_steps(item, stage_index, tick)))
                for item in book.recipes
            ),
        ),
        calibration=c.CalibrationTable(project.calibration.unit, tuple(calibration)),
        serving_names=tuple(project.recipes.serving),
        asked={item.number: tuple(part.share for part in item.parts) for item in book.recipes},
        left_out=book.left_out,
        liquids={name: loaded.liquid for name, loaded in project.loaded.channels.items()},
    )


def to_ticks(seconds: Fraction, tick: Fraction) -> int:
    """The nearest number of ticks, half up; never 0 for a time above 0."""
    return max(floor(seconds / tick + Fraction(1, 2)), int(seconds > 0))


def _steps(item: Pourable, stage_index: Mapping[str, int], tick: Fraction) -> list[c.Step]:
    """Stages before, during, doses, stages after; each behind a barrier where the recipe asks for one."""

    def stages(when: str, after_all: bool) -> list[c.Step]:
        uses = (use for use in item.recipe.stages if use.when == when)
        return [c.Stage(stage_index[use.stage], to_ticks(use.time, tick), after_all) for use in uses]

    before = stages("before", after_all=True)
    doses = [c.Dose(part.channel, part.weight, part.liquid == item.recipe.last) for part in item.parts]
    middle = [*stages("during", after_all=False), *doses]
    if before:  # whatever comes next waits for the stages before; strict order holds back the rest
        middle[0] = replace(middle[0], after_all=True)
    steps = [*before, *middle, *stages("after", after_all=True)]
    steps[0] = replace(steps[0], after_all=False)  # there is nothing before the first
    return steps


def _machine(project: Project) -> c.CompiledMachine:
    machine, target = project.machine, project.target
    general, tick = machine.machine, machine.machine.tick
    tick_us = int(tick * 1_000_000)
    groups = {name: index + 1 for index, name in enumerate(machine.group)}
    lock_bit = {name: 1 << index for index, name in enumerate(machine.interlock)}
    pouring = sum(
        lock_bit[name] for name, lock in machine.interlock.items() if lock.needed == "while pouring"
    )
    vessel_locks = [
        index for index, lock in enumerate(machine.interlock.values()) if lock.detects == "vessel"
    ]
    return c.CompiledMachine(
        name=general.name,
        tick_us=tick_us,
        channels=len(machine.channel),
        outputs=(
            *(
                _channel(name, item, machine, target, groups, pouring)
                for name, item in machine.channel.items()
            ),
            *(_stage(name, item, tick, target, groups, lock_bit) for name, item in machine.stage.items()),
        ),
        groups=tuple(c.Group(name, to_ticks(group.dead_time, tick)) for name, group in machine.group.items()),
        interlocks=tuple(_interlock(name, lock, tick, target) for name, lock in machine.interlock.items()),
        buttons=(*_buttons(project), *_contacts(project)),
        plausible=tuple(
            c.RateRange(
                rate(item.plausible_rate.slowest, tick_us), rate(item.plausible_rate.fastest, tick_us)
            )
            for item in machine.channel.values()
        ),
        supply=floor(general.supply * 1000),
        inrush_gap=to_ticks(general.inrush_gap, tick),
        pour_limit=to_ticks(general.pour_limit, tick),
        pause_limit=to_ticks(general.pause_limit, tick),
        link_limit=to_ticks(general.link_limit or Fraction(0), tick),
        jog_renewal=to_ticks(JOG_RENEWAL, tick),
        vessel=quanta(general.vessel),
        vessel_interlock=vessel_locks[0] if vessel_locks else None,
    )


def _pin(name: str, target: Target, level: str) -> c.Pin:
    pin = target.pin[name]
    return c.Pin(name, pin.port, pin.bit, level == "high", pin.number)


def _channel(
    name: str, channel: Channel, machine: MachineFile, target: Target, groups: Mapping[str, int], needs: int
) -> c.Output:
    tick = machine.machine.tick
    max_on = to_ticks(channel.max_on, tick)
    # a jog cannot overflow the vessel even on the fastest line
    jog = to_ticks(machine.machine.vessel / channel.plausible_rate.fastest, tick)
    return c.Output(
        name=name,
        pin=_pin(channel.pin, target, channel.on_when),
        current=milliamperes(channel.current),
        group=groups[channel.group] if channel.group else 0,
        max_on=max_on,
        needs=needs,
        jog_limit=min(jog, max_on),
    )


def _stage(
    name: str,
    stage: Stage,
    tick: Fraction,
    target: Target,
    groups: Mapping[str, int],
    lock_bit: Mapping[str, int],
) -> c.Output:
    max_on = to_ticks(stage.max_on, tick)
    return c.Output(
        name=name,
        pin=_pin(stage.pin, target, stage.on_when) if stage.pin else None,
        current=milliamperes(stage.current),
        group=groups[stage.group] if stage.group else 0,
        max_on=max_on,
        needs=sum({lock_bit[lock] for lock in stage.needs}),
        is_stage=True,
        stays_on=stage.stays_on_in_pause,
        jog_limit=max_on,
    )


def milliamperes(current: Fraction) -> int:
    """Rounded up: what is drawn is never understated."""
    return -floor(-current * 1000)


def _interlock(name: str, lock: Interlock, tick: Fraction, target: Target) -> c.Interlock:
    return c.Interlock(
        name=name,
        pin=_pin(lock.pin, target, lock.closed_when),
        debounce=to_ticks(lock.debounce, tick),
        to_start=lock.needed == "to start",
        while_pouring=lock.needed == "while pouring",
        always=lock.needed == "always",
        aborts=lock.on_loss == "abort",
        goes_on=lock.on_return == "go on",
    )


def _buttons(project: Project) -> list[c.Button]:
    """One that pours and does not say what pours what the selectors say."""
    number_of = project.numbers
    servings = list(project.recipes.serving)

    def recipe(button: Button) -> int:
        if isinstance(button.recipe, str):
            return number_of.get(button.recipe, c.SELECTED_RECIPE)
        return button.recipe or c.SELECTED_RECIPE

    def serving(button: Button) -> int:
        if button.serving:
            return servings.index(button.serving)
        return c.SELECTED_SERVING if button.does == "pour" else 0

    return [
        c.Button(
            name=name,
            pin=_pin(button.pin, project.target, button.pressed_when),
            debounce=to_ticks(button.debounce, project.machine.machine.tick),
            does=button.does,
            recipe=recipe(button),
            serving=serving(button),
        )
        for name, button in project.machine.button.items()
    ]


def _contacts(project: Project) -> list[c.Button]:
    return [
        c.Button(
            name=f"{name} {1 << bit}",
            pin=_pin(pin, project.target, selector.pressed_when),
            debounce=to_ticks(selector.debounce, project.machine.machine.tick),
            does="select",
            **{selector.sets: 1 << bit},
        )
        for name, selector in project.machine.selector.items()
        for bit, pin in enumerate(selector.pins)
    ]
