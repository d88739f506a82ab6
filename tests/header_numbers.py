"""What ``recipes.h`` and ``machine.h`` should hold: the compiled project and its plan say it."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

from dosewright.gen import emit
from dosewright.gen.compiled import CompiledMachine, Dose, Stage, steps_max
from dosewright.gen.fingerprint import build_digest, interface
from dosewright.gen.load import load
from dosewright.gen.lower import Compiled, lower
from dosewright.gen.plan import plans

ROOT = Path(__file__).parents[1]
TARGETS = ROOT / "targets"
LONGER = 66_000  # ticks


def cart_of_every_kind() -> Compiled:
    """The soda cart and what it lacks: two contacts, a link limit, an active-low pin, times over 16 bits."""
    made = lower(load(ROOT / "examples" / "soda-cart"))
    pump, *others = (
        replace(output, max_on=output.max_on + LONGER, jog_limit=output.jog_limit + LONGER)
        for output in made.machine.outputs
    )
    assert pump.pin
    start = made.machine.buttons[0]
    contacts = [replace(start, does="select", recipe=300, serving=0)]
    contacts += [replace(start, does="select", recipe=0, serving=9)]
    machine = replace(
        made.machine,
        outputs=(replace(pump, pin=replace(pump.pin, active_high=False)), *others),
        buttons=(*made.machine.buttons, *contacts),
        link_limit=LONGER,
    )
    recipes = tuple(
        replace(recipe, steps=tuple(_longer(step) for step in recipe.steps))
        for recipe in made.recipes.recipes
    )
    return replace(made, machine=machine, recipes=replace(made.recipes, recipes=recipes))


def _longer(step: Dose | Stage) -> Dose | Stage:
    return replace(step, ticks=step.ticks + LONGER) if isinstance(step, Stage) else step


def write_headers(folder: Path, compiled: Compiled) -> None:
    (folder / "recipes.h").write_text(emit.recipes_h(compiled), encoding="utf-8")
    (folder / "machine.h").write_text(emit.machine_h(compiled.machine), encoding="utf-8")


def recipe_macros(compiled: Compiled) -> dict[str, int]:
    """Counts and sizes, then the indices of servings, outputs and recipes by name."""
    machine, table = compiled.machine, compiled.recipes
    macros = {"DW_TICK_MICROSECONDS": machine.tick_us, "DW_RECIPE_COUNT": len(table.recipes)}
    macros |= {"DW_SERVING_COUNT": len(table.servings), "DW_OUTPUT_COUNT": len(machine.outputs)}
    macros |= {"DW_NAME_SIZE": longest_name(compiled) + 1}
    for kind, names in {
        "SERVING": compiled.serving_names,
        "OUT": [output.name for output in machine.outputs],
        "RECIPE": [recipe.name for recipe in table.recipes],
    }.items():
        macros |= {f"DW_{kind}_{re.sub(r'[^A-Z0-9]+', '_', n.upper())}": i for i, n in enumerate(names)}
    return macros


def recipe_numbers(compiled: Compiled) -> list[int]:
    """The macros, outputs, then recipes: names as bytes, each step with its ticks at every serving."""
    numbers = list(recipe_macros(compiled).values())
    for output in compiled.machine.outputs:
        pin = output.pin
        numbers += [pin.number if pin else 255, int(pin.active_high) if pin else 1]
        numbers += [output.current, output.group, output.max_on]
    by_name: dict[str, list[dict[int, int]]] = {}
    for plan in plans(compiled):
        times: dict[int, int] = {}
        for edge in plan.edges:
            times[edge.output] = times.get(edge.output, 0) + (-edge.tick if edge.on else edge.tick)
        by_name.setdefault(plan.recipe.name, []).append(times)
    first = 0
    for recipe in compiled.recipes.recipes:
        numbers += [recipe.number, first, len(recipe.steps), *recipe.name.encode(), 0]
        first += len(recipe.steps)
        for step in recipe.steps:
            numbers += [step.output, int(step.after_all)]
            numbers += [
                times[step.output] if isinstance(step, Dose) else step.ticks for times in by_name[recipe.name]
            ]
    return numbers


def longest_name(compiled: Compiled) -> int:
    """Bytes of the longest recipe's name."""
    return max(len(recipe.name.encode()) for recipe in compiled.recipes.recipes)


def machine_macros(machine: CompiledMachine) -> dict[str, int]:
    """What ``dw_machine.h`` lists under "Macros", the build digest apart."""
    locks = machine.interlocks
    ports = [owned for _, owned in port_images(machine)]
    return {
        "DW_CHANNELS": machine.channels,
        "DW_OUTPUTS": len(machine.outputs),
        "DW_INTERLOCKS": len(locks),
        "DW_BUTTONS": len(machine.buttons),
        "DW_GROUPS": len(machine.groups),
        "DW_PORTS": len(ports),
        "DW_OUTPUT_PORTS": mask(*map(bool, ports)),
        "DW_STEPS_MAX": steps_max(len(machine.outputs)),
        "DW_TICK_US": machine.tick_us,
        "DW_SUPPLY_MA": machine.supply,
        "DW_INRUSH_GAP": machine.inrush_gap,
        "DW_POUR_LIMIT": machine.pour_limit,
        "DW_PAUSE_LIMIT": machine.pause_limit,
        "DW_LINK_LIMIT": machine.link_limit,
        "DW_JOG_RENEWAL": machine.jog_renewal,
        "DW_VESSEL_QUANTA": machine.vessel,
        "DW_VESSEL_INTERLOCK": 255 if machine.vessel_interlock is None else machine.vessel_interlock,
        "DW_START_MASK": mask(*(lock.to_start for lock in locks)),
        "DW_POURING_MASK": mask(*(lock.while_pouring for lock in locks)),
        "DW_ALWAYS_MASK": mask(*(lock.always for lock in locks)),
        "DW_ABORT_MASK": mask(*(lock.aborts for lock in locks)),
        "DW_GOES_ON_MASK": mask(*(lock.goes_on for lock in locks)),
        "DW_INTERFACE": interface(machine),
    }


def machine_numbers(machine: CompiledMachine) -> list[int]:
    """The macros, the digest, then the tables in the order of ``dw_machine.h``."""
    inputs = [*machine.interlocks, *machine.buttons]
    numbers = [*machine_macros(machine).values(), *build_digest(machine)]
    for output in machine.outputs:
        numbers += [output.current, output.group, int(output.stays_on), output.max_on, output.needs]
        numbers += [output.jog_limit]
    for pin in [output.pin for output in machine.outputs] + [item.pin for item in inputs]:
        numbers += [pin.port, 1 << pin.bit, int(pin.active_high)] if pin else [255, 0, 0]
    numbers += [item.debounce for item in inputs]
    for button in machine.buttons:
        numbers += [["pour", "go on", "stop", "select"].index(button.does), button.recipe, button.serving]
    numbers += [group.dead_time for group in machine.groups]
    for ends in machine.plausible:
        numbers += [ends.slowest.m, ends.slowest.s, ends.fastest.m, ends.fastest.s]
    images = port_images(machine)
    return [*numbers, *(idle for idle, _ in images), *(owned for _, owned in images)]


def port_images(machine: CompiledMachine) -> list[tuple[int, int]]:
    """Of every port byte the levels that have all outputs off, and the bits that are outputs."""
    pins = [output.pin for output in machine.outputs if output.pin]
    inputs = [item.pin for item in (*machine.interlocks, *machine.buttons)]
    images = []
    for port in range(1 + max(pin.port for pin in [*pins, *inputs])):
        own = [pin for pin in pins if pin.port == port]
        images.append((sum(1 << p.bit for p in own if not p.active_high), sum(1 << p.bit for p in own)))
    return images


def mask(*flags: bool) -> int:
    return sum(1 << index for index, flag in enumerate(flags) if flag)
