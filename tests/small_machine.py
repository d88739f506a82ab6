"""Machines for tests of the twin, in which a dose of weight w takes w ticks."""

from __future__ import annotations

from collections.abc import Sequence

from dosewright.gen.codes import Code
from dosewright.gen.compiled import (
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
from dosewright.gen.twin import run
from dosewright.gen.twin_log import Event, Input, Outcome, Pour

QUANTA_PER_TICK = 32
RATE = Rate(1 << 31, 4)  # 2^-5 ticks a quantum
PIN = Pin("", 0, 0, True)


def interlock(
    *,
    debounce: int = 1,
    to_start: bool = False,
    while_pouring: bool = True,
    always: bool = False,
    aborts: bool = False,
    goes_on: bool = False,
) -> Interlock:
    return Interlock("", PIN, debounce, to_start, while_pouring, always, aborts, goes_on)


class Bench:
    """One machine with one recipe, number 1, and one serving that makes a dose of weight w last w ticks."""

    def __init__(
        self,
        steps: Sequence[Step],
        *,
        current: Sequence[int] = (),
        group: Sequence[int] = (),
        dead_times: Sequence[int] = (),
        interlocks: Sequence[Interlock] = (),
        vessel: int | None = None,
        offset: int = 0,  # ticks
        max_on: int = 10**6,
        supply: int = 10**6,
        inrush_gap: int = 0,
        pour_limit: int = 10**6,
        pause_limit: int = 10**6,
        link_limit: int = 0,
        jog_renewal: int = 500,
        stage_needs: int = 0,
        stays_on: bool = True,
    ) -> None:
        channels = 1 + max(step.output for step in steps if isinstance(step, Dose))
        outputs = max(channels, 1 + max(step.output for step in steps))
        pouring = sum(1 << index for index, lock in enumerate(interlocks) if lock.while_pouring)
        self.machine = CompiledMachine(
            name="",
            tick_us=1000,
            channels=channels,
            outputs=tuple(
                Output(
                    name="",
                    pin=PIN,
                    current=current[index] if current else 1,
                    group=group[index] if group else 0,
                    max_on=max_on,
                    needs=pouring if index < channels else stage_needs,
                    is_stage=index >= channels,
                    stays_on=index >= channels and stays_on,
                    jog_limit=100,
                )
                for index in range(outputs)
            ),
            groups=tuple(Group("", dead) for dead in dead_times),
            interlocks=tuple(interlocks),
            buttons=(),
            plausible=(),
            supply=supply,
            inrush_gap=inrush_gap,
            pour_limit=pour_limit,
            pause_limit=pause_limit,
            link_limit=link_limit,
            jog_renewal=jog_renewal,
            vessel=1 << 31,
            vessel_interlock=vessel,
        )
        serving = QUANTA_PER_TICK * sum(step.weight for step in steps if isinstance(step, Dose))
        self.recipes = RecipeTable((serving,), (CompiledRecipe(1, "", tuple(steps)),))
        self.calibration = CalibrationTable(
            "", tuple(Calibration(RATE, offset * QUANTA_PER_TICK) for _ in range(channels))
        )

    def run(self, *log: Event, tick0: int = 0, until: int | None = None) -> Outcome:
        """The log, after every interlock has closed at tick 1."""
        closed = [Input(tick0 + 1, index, True) for index in range(len(self.machine.interlocks))]
        return run(self.machine, self.recipes, self.calibration, [*closed, *log], tick0=tick0, until=until)

    def pour(self, *log: Event, tick0: int = 0, until: int | None = None) -> Outcome:
        """The log, with a pour asked for at tick 10."""
        return self.run(Pour(tick0 + 10, 1, 0), *log, tick0=tick0, until=until)

    def duration(self) -> int:
        """Ticks of an undisturbed pour."""
        return self.pour().tick - 10


def doses(*weights: int) -> list[Step]:
    return [Dose(output, weight) for output, weight in enumerate(weights)]


def story(outcome: Outcome) -> list[str]:
    """The trace from the pour on, without inputs, as "tick word argument"."""
    entries = [entry for entry in outcome.trace if entry.code != Code.INPUT]
    return [
        f"{tick} {Code(code).name.lower().replace('_', ' ')} {argument}" for tick, code, argument in entries
    ]


__all__ = ["Bench", "Stage", "doses", "interlock", "story"]
