"""One case told to the engine's driver, what it answered, and the smallest case that still differs."""

from __future__ import annotations

import subprocess
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

from dosewright.gen.compiled import Button, Interlock
from dosewright.gen.table import encode_calibration, encode_recipes
from dosewright.gen.twin import run
from dosewright.gen.twin_log import GoOn, Heard, Input, Jog, Pour, Stop
from engine.random_cases import Case

DOES = {"pour": 0, "go on": 1, "stop": 2, "select": 3}
NO_INTERLOCK = 255

# answers, trace, booked steps, final state: each a list of lines of the driver
Told = dict[str, list[str]]


def recipes_of(case: Case) -> bytes:
    """The record of its recipes."""
    assert case.recipes
    return encode_recipes(case.recipes, 0, case.machine.channels, case.machine.stages)


def script(case: Case) -> str:
    """The lines of a case for driver.c."""
    machine = case.machine
    locks = machine.interlocks
    vessel = NO_INTERLOCK if machine.vessel_interlock is None else machine.vessel_interlock
    masks = [
        sum(1 << index for index, lock in enumerate(locks) if getattr(lock, what))
        for what in ("to_start", "while_pouring", "always", "aborts", "goes_on")
    ]
    scalars = [
        machine.supply, machine.inrush_gap, machine.pour_limit, machine.pause_limit, machine.jog_renewal,
        machine.vessel, vessel, machine.channels, len(machine.outputs), len(locks), len(machine.buttons),
        *masks, machine.link_limit,
    ]  # fmt: skip
    lines = [f"case {case.tick0}", "scalars " + " ".join(map(str, scalars))]
    for index, o in enumerate(machine.outputs):
        lines.append(
            f"output {index} {o.current} {o.group} {o.max_on} {o.needs} {o.stays_on:d} {o.jog_limit}"
        )
    lines += [f"group {index} {group.dead_time}" for index, group in enumerate(machine.groups, 1)]
    inputs: list[Interlock | Button] = [*locks, *machine.buttons]
    lines += [f"debounce {index} {described.debounce}" for index, described in enumerate(inputs)]
    for index, b in enumerate(machine.buttons):
        lines.append(f"button {index} {DOES[b.does]} {b.recipe} {b.serving}")
    if case.recipes:
        lines.append("recipes " + recipes_of(case).hex())
    if case.calibration:
        lines.append("calibration " + encode_calibration(case.calibration, 0).hex())
    tick = 0
    for event in case.events:
        if event.tick - 1 > tick:
            lines.append(f"run {event.tick - 1 - tick}")
            tick = event.tick - 1
        if isinstance(event, Input):
            lines.append(f"in {event.number} {event.closed:d}")
        elif isinstance(event, Pour):
            lines.append(f"pour {event.recipe} {event.serving} {event.over_link:d}")
        elif isinstance(event, Jog):
            lines.append(f"jog {event.output} {event.on:d}")
        else:
            lines.append({GoOn: "goon", Stop: "stop", Heard: "heard"}[type(event)])
    return "\n".join([*lines, f"run {case.ticks - tick}", "end", ""])


def by_engine(driver: Path, cases: Iterable[Case]) -> list[Told]:
    """What the engine says to each case. RuntimeError with the sanitiser's words when it breaks down."""
    done = subprocess.run([driver], input="".join(map(script, cases)), capture_output=True, text=True)
    if done.returncode:
        raise RuntimeError(done.stderr[-4000:])
    told, all_told = blank(), []
    for line in done.stdout.splitlines():
        if line == "done":
            all_told.append(told)
            told = blank()
        else:
            told[line.split(" ", 1)[0]].append(line)
    return all_told


def by_twin(case: Case) -> Told:
    """The same of the twin, which reads the same bytes."""
    outcome = run(
        case.machine,
        recipes_of(case) if case.recipes else None,
        encode_calibration(case.calibration, 0) if case.calibration else None,
        case.log(),
        tick0=case.tick0,
        until=case.until,
    )
    return {
        "answer": [f"answer {reason:d} {argument}" for reason, argument in outcome.answers],
        "t": [f"t {tick} {code:d} {argument:d}" for tick, code, argument in outcome.trace],
        "booked": [
            f"booked {output} {starts} {planned} {on}" for output, starts, planned, on in outcome.booked
        ],
        "state": [f"state {outcome.state:d} {outcome.result:d} {outcome.reason:d} {outcome.argument}"],
    }


def blank() -> Told:
    return {"answer": [], "t": [], "booked": [], "state": []}


@dataclass(frozen=True)
class Difference:
    """Where the two part: the first entry that differs (None: missing), as twin and engine have it."""

    case: Case
    kind: str
    index: int
    twin: str | None
    engine: str | None

    def __str__(self) -> str:
        what = {
            "answer": "answer",
            "t": "entry of the trace",
            "booked": "booked step",
            "state": "final state",
        }
        return (
            f"case {self.case.seed}: {what[self.kind]} {self.index}: "
            f"twin {self.twin!r}, engine {self.engine!r}; "
            f"the smallest such case found, for driver.c:\n{script(self.case)}"
        )


def difference(case: Case, twin: Told, engine: Told) -> Difference | None:
    """The first difference, the trace before what follows from it."""
    for kind in ("t", "answer", "booked", "state"):
        a, b = twin[kind], engine[kind]
        for index in range(max(len(a), len(b))):
            left = a[index] if index < len(a) else None
            right = b[index] if index < len(b) else None
            if left != right:
                return Difference(case, kind, index, left, right)
    return None


def smallest(found: Difference, driver: Path) -> Difference:
    """The case with events, steps and ticks taken away as long as twin and engine still differ."""

    def differs(case: Case) -> Difference | None:
        try:
            (engine,) = by_engine(driver, [case])
        except RuntimeError:
            return None
        return difference(case, by_twin(case), engine)

    def shrink(items: Sequence[object], put: Callable[[list[object]], Case]) -> None:
        nonlocal found
        kept, size = list(items), max(1, len(items) // 2)
        while True:
            at = 0
            while at < len(kept):
                fewer = kept[:at] + kept[at + size :]
                smaller = differs(put(fewer)) if fewer else None
                if smaller:
                    kept, found = fewer, smaller
                else:
                    at += size
            if size == 1:
                return
            size //= 2

    shrink(found.case.events, lambda kept: replace(found.case, events=tuple(kept)))  # type: ignore[arg-type]
    if found.case.recipes:
        for index, recipe in enumerate(found.case.recipes.recipes):

            def with_steps(kept: list[object], index: int = index) -> Case:
                assert found.case.recipes
                recipes = list(found.case.recipes.recipes)
                recipes[index] = replace(recipes[index], steps=tuple(kept))  # type: ignore[arg-type]
                return replace(found.case, recipes=replace(found.case.recipes, recipes=tuple(recipes)))

            with suppress(ValueError):  # no dose left
                shrink(recipe.steps, with_steps)
    return found
