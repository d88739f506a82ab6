"""From the project's quantities to what the checker is told: no integer of the compiler passes here."""

from __future__ import annotations

from fractions import Fraction

from dosewright.gen.models.machine import Channel, Interlock, Stage
from dosewright.gen.models.recipes import Recipe
from dosewright.gen.project import Project
from dosewright.hil.bounds import Closed
from dosewright.hil.checker import Line, Part, Pour, Rules, Timed
from dosewright.hil.record import PourRecord, later

FOR_EVER = 1 << 40  # ticks


def rules(project: Project) -> Rules:
    """The machine's limits; outputs in the order of the file, channels before stages."""
    machine = project.machine
    wired: list[tuple[str, Channel | Stage]] = [*machine.channel.items(), *machine.stage.items()]
    return Rules(
        lines=tuple(
            Line(name, o.current * 1000, o.group or "", o.max_on, isinstance(o, Stage)) for name, o in wired
        ),
        supply_ma=machine.machine.supply * 1000,
        inrush_gap=machine.machine.inrush_gap,
        dead_times={name: group.dead_time for name, group in machine.group.items()},
        tick=machine.machine.tick,
    )


def pour(project: Project, recipe_name: str, serving_name: str) -> Pour:
    """What one recipe asks for at one serving."""
    recipe = project.recipes.recipe[recipe_name]
    volume = project.recipes.serving[serving_name]
    shares = _shares(project, recipe)
    whole = sum(shares.values(), start=Fraction(0))
    channels = list(project.machine.channel)
    parts = []
    for liquid, share in shares.items():
        channel = _channel_of(project, liquid)
        measured = project.calibration.channel[channel]
        ml = volume * share / whole
        line = channels.index(channel)
        parts.append(Part(line, ml, measured.rate, measured.offset, last=liquid == recipe.last))
    stages = list(project.machine.stage)
    timed = [Timed(len(channels) + stages.index(use.stage), use.time, use.when) for use in recipe.stages]
    return Pour(tuple(parts), tuple(timed), largest_first=recipe.order == "largest first")


def closed(project: Project, record: PourRecord) -> list[Closed]:
    """When which outputs had to be off, by the harness's own moves; ticks since the record began."""
    machine = project.machine
    channels = frozenset(range(len(machine.channel)))
    origin, ends = record.before.tick, later(record.after.tick, record.before.tick)
    windows = []
    for index, (name, lock) in enumerate(machine.interlock.items()):
        always = frozenset(range(len(machine.channel) + len(machine.stage)))
        named = {len(channels) + i for i, stage in enumerate(machine.stage.values()) if name in stage.needs}
        doses = channels if lock.needed in ("while pouring", "always") else frozenset()
        lines = always if lock.needed == "always" else doses | named
        for opened, shut in _open_times(lock, index, record, ends):
            seen = round(lock.debounce / machine.machine.tick) - 1
            first, last = opened + seen, shut + seen
            windows.append(Closed(lines, first, last, f"{name} was open"))
            if lock.on_loss == "abort" and lock.needed == "always" and first <= ends:
                windows.append(Closed(always, first, FOR_EVER, f"the loss of {name} had ended the pour"))
            elif lock.on_return == "wait":
                asked = [
                    later(a.tick, origin) for a in record.requests if a.what == "go on" and not a.refused
                ]
                until = min((tick for tick in asked if tick >= first), default=FOR_EVER)
                windows.append(
                    Closed(doses, first, until, f"nobody had asked to go on after {name} was open")
                )
    return windows


def _open_times(lock: Interlock, index: int, record: PourRecord, ends: int) -> list[tuple[int, int]]:
    """From when to when the switch was open; ticks since the record began, whose beginning counts as 0."""
    assert record.levels is not None and record.inputs is not None
    moves = [(0, record.levels[index])]
    moves += [(later(i.tick, record.before.tick), i.level) for i in record.inputs if i.index == index]
    moves.append((ends + 1, lock.closed_when == "high"))
    times, opened = [], None
    for tick, level in moves:
        is_closed = level == (lock.closed_when == "high")
        if not is_closed and opened is None:
            opened = tick
        if is_closed and opened is not None:
            times.append((opened, tick))
            opened = None
    return times


def _shares(project: Project, recipe: Recipe) -> dict[str, Fraction]:
    """What is written for each liquid, in any common unit."""
    if recipe.parts is not None:
        return dict(recipe.parts)
    assert recipe.amounts is not None
    written = {liquid: ml for liquid, ml in recipe.amounts.items() if not isinstance(ml, str)}
    servings = project.recipes.serving
    named = recipe.amounts_for or ("regular" if "regular" in servings else next(iter(servings)))
    rest = servings[named] - sum(written.values(), start=Fraction(0))
    return {liquid: written.get(liquid, rest) for liquid in recipe.amounts}


def _channel_of(project: Project, liquid: str) -> str:
    """The first channel of the machine that holds the liquid and was measured."""
    return next(
        name
        for name in project.machine.channel
        if name in project.loaded.channels
        and project.loaded.channels[name].liquid == liquid
        and name in project.calibration.channel
    )
