"""From compiled integers to the text and bytes of the output files. Layout is in ``templates/c``."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator

from dosewright.gen.arithmetic import planned, split
from dosewright.gen.compiled import (
    QUANTA_PER_ML,
    Button,
    CompiledMachine,
    CompiledRecipe,
    Dose,
    Interlock,
    Output,
    Pin,
    RecipeTable,
    steps_max,
)
from dosewright.gen.fingerprint import build_digest, interface
from dosewright.gen.identifiers import c_string, identifier
from dosewright.gen.lower import Compiled
from dosewright.gen.plan import Plan, plans
from dosewright.gen.render import render
from dosewright.gen.table import encode_calibration, encode_recipes

NO_PIN = "255u, 0u, 0u"
DOES = {"pour": 0, "go on": 1, "stop": 2, "select": 3}
BYTES_PER_LINE = 12

EXAMPLE = """\
void pour(const dw_recipe_row *recipe, uint8_t serving)
{
    uint16_t first = DW_READ16(&recipe->first);
    for (uint8_t i = 0; i < DW_READ8(&recipe->steps); i++) {
        const dw_step_row *step = &dw_step_list[first + i];
        uint8_t out = DW_READ8(&step->out);
        board_write(out, DW_READ8(&dw_out_list[out].on_level));
        board_wait(DW_READ32(&step->ticks[serving]));
        board_write(out, !DW_READ8(&dw_out_list[out].on_level));
    }
}"""

Row = tuple[str, str]  # a row of a C table and the comment behind it


def files(compiled: Compiled) -> dict[str, bytes]:
    """All generated files of a project by name, manifest and firmware apart."""
    return {
        "machine.h": machine_h(compiled.machine).encode(),
        "recipes.h": recipes_h(compiled).encode(),
        "table.bin": b"".join(table_bin(compiled)),
        "table.h": table_h(compiled).encode(),
        "plan.json": plan_json(compiled, plans(compiled)).encode(),
    }


def table_bin(compiled: Compiled) -> tuple[bytes, bytes]:
    """The recipes record and the calibration record."""
    key = interface(compiled.machine)
    recipes = encode_recipes(compiled.recipes, key, compiled.machine.channels, compiled.machine.stages)
    return recipes, encode_calibration(compiled.calibration, key)


def machine_h(machine: CompiledMachine, described: CompiledMachine | None = None) -> str:
    """The header a firmware compiles in: everything of the machine that no table can change.

    Where a port numbers pins in its own way, ``described`` is the machine with the pins of its target:
    the build digest is always that machine's.
    """
    idle, owned = _port_images(machine)
    inputs: list[Interlock | Button] = [*machine.interlocks, *machine.buttons]
    return render(
        "c/machine.h.j2",
        machine=machine,
        steps_max=steps_max(len(machine.outputs)),
        interface=interface(machine),
        digest=", ".join(f"0x{b:02X}u" for b in build_digest(described or machine)),
        masks={
            "start": _mask(i.to_start for i in machine.interlocks),
            "pouring": _mask(i.while_pouring for i in machine.interlocks),
            "always": _mask(i.always for i in machine.interlocks),
            "aborts": _mask(i.aborts for i in machine.interlocks),
            "goes_on": _mask(i.goes_on for i in machine.interlocks),
        },
        outputs=[
            (
                f"{{{o.current}u, {o.group}u, {o.stays_on:d}u, {o.max_on}u, {o.needs}u, {o.jog_limit}u}}",
                o.name,
            )
            for o in machine.outputs
        ],
        output_pins=[_pin_row(o.pin) for o in machine.outputs],
        input_pins=[_pin_row(i.pin) for i in inputs] or [(f"{{{NO_PIN}}}", "none")],
        sizes={
            "inputs": max(1, len(inputs)),
            "buttons": max(1, len(machine.buttons)),
            "groups": max(1, len(machine.groups)),
        },
        debounce=[(f"{i.debounce}u", i.name) for i in inputs] or [("1u", "none")],
        buttons=[(f"{{{DOES[b.does]}u, {b.recipe}u, {b.serving}u}}", b.name) for b in machine.buttons]
        or [("{0u, 0u, 0u}", "none")],
        groups=[(f"{g.dead_time}u", g.name) for g in machine.groups] or [("0u", "none")],
        ranges=[
            (f"{{{r.slowest.m}u, {r.slowest.s}u, {r.fastest.m}u, {r.fastest.s}u}}", o.name)
            for r, o in zip(machine.plausible, machine.outputs, strict=False)
        ],
        output_ports=_mask(map(bool, owned)),
        idle=[(f"0x{b:02X}u", "") for b in idle],
        owned=[(f"0x{b:02X}u", "") for b in owned],
    )


def table_h(compiled: Compiled) -> str:
    """The two records as C arrays."""
    names = ("dw_default_recipes", "dw_default_calibration")
    arrays = [
        (name, list(_byte_rows(record)), len(record))
        for name, record in zip(names, table_bin(compiled), strict=True)
    ]
    return render("c/table.h.j2", name=compiled.machine.name, arrays=arrays)


def recipes_h(compiled: Compiled) -> str:
    """Typed arrays for people who write their own firmware."""
    machine, table = compiled.machine, compiled.recipes
    recipes: list[tuple[str, int, str, str]] = []
    steps: list[str] = []
    first = 0
    for index, recipe in enumerate(table.recipes):
        row = f"{{{recipe.number}u, {first}u, {len(recipe.steps)}u, {c_string(recipe.name)}}}"
        recipes.append((identifier(recipe.name), index, row, recipe.name))
        steps += _step_rows(compiled, recipe)
        first += len(recipe.steps)
    return render(
        "c/recipes.h.j2",
        machine=machine,
        example=EXAMPLE.splitlines(),
        servings=[
            (identifier(name), index, f"{volume / QUANTA_PER_ML:.6g} ml")
            for index, (name, volume) in enumerate(zip(compiled.serving_names, table.servings, strict=True))
        ],
        outputs=[
            (
                identifier(o.name),
                index,
                _out_row(o),
                f"{o.name}, pin {o.pin.name}" if o.pin else f"{o.name}, no pin",
            )
            for index, o in enumerate(machine.outputs)
        ],
        recipes=recipes,
        steps=steps,
        name_size=1 + max((len(r.name.encode()) for r in table.recipes), default=0),
    )


def plan_json(compiled: Compiled, plans: Iterable[Plan]) -> str:
    """Expected edges of every recipe at every serving, one pour a line.

    ``edges`` are [tick, output, on], counted from the tick of the pour itself; ``doses`` give the output,
    millilitres asked and realised, the exact on-time in ticks and the ticks that the controller will take.
    """
    head = {
        "machine": compiled.machine.name,
        "tick_us": compiled.machine.tick_us,
        "outputs": [o.name for o in compiled.machine.outputs],
        "servings": list(compiled.serving_names),
        "left_out": [{"recipe": name, "reason": reason} for name, reason in compiled.left_out],
    }
    start = json.dumps(head, ensure_ascii=False, indent=1).removesuffix("\n}")
    pours = ",\n  ".join(_plan_row(compiled, plan) for plan in plans)
    return f'{start},\n "pours": [\n  {pours}\n ]\n}}\n'


def _plan_row(compiled: Compiled, plan: Plan) -> str:
    row = {
        "recipe": plan.recipe.name,
        "number": plan.recipe.number,
        "serving": compiled.serving_names[plan.serving],
        "ticks": plan.duration,
        "edges": [[edge.tick, edge.output, int(edge.on)] for edge in plan.edges],
        "doses": [
            {
                "output": dose.output,
                "asked_ml": round(float(dose.asked_ml), 4),
                "realised_ml": round(float(dose.realised_ml), 4),
                "exact_ticks": round(float(dose.exact_ticks), 4),
                "ticks": dose.ticks,
            }
            for dose in plan.doses
        ],
    }
    return json.dumps(row, ensure_ascii=False, separators=(",", ":"))


def _step_rows(compiled: Compiled, recipe: CompiledRecipe) -> Iterator[str]:
    per_serving = _ticks_per_serving(compiled.recipes, recipe, compiled)
    for step, ticks in zip(recipe.steps, zip(*per_serving, strict=True), strict=True):
        yield f"{{{step.output}u, {step.after_all:d}u, {{{', '.join(f'{t}u' for t in ticks)}}}}}"


def _ticks_per_serving(table: RecipeTable, recipe: CompiledRecipe, compiled: Compiled) -> list[list[int]]:
    weights = [s.weight for s in recipe.steps if isinstance(s, Dose)]
    out = []
    for serving in table.servings:
        volumes = iter(split(serving, weights))
        out.append(
            [
                planned(next(volumes), compiled.calibration.channels[s.output])
                if isinstance(s, Dose)
                else s.ticks
                for s in recipe.steps
            ]
        )
    return out


def _port_images(machine: CompiledMachine) -> tuple[bytes, bytes]:
    pins = [o.pin for o in machine.outputs if o.pin]
    ports = 1 + max(
        p.port for p in [*pins, *(i.pin for i in machine.interlocks), *(b.pin for b in machine.buttons)]
    )
    idle, owned = bytearray(ports), bytearray(ports)
    for pin in pins:
        owned[pin.port] |= 1 << pin.bit
        idle[pin.port] |= (not pin.active_high) << pin.bit
    return bytes(idle), bytes(owned)


def _mask(flags: Iterable[bool]) -> int:
    return sum(1 << i for i, flag in enumerate(flags) if flag)


def _pin_row(pin: Pin | None) -> Row:
    if pin is None:
        return f"{{{NO_PIN}}}", "no pin"
    return f"{{{pin.port}u, 0x{1 << pin.bit:02X}u, {pin.active_high:d}u}}", pin.name


def _out_row(output: Output) -> str:
    pin = output.pin
    where = f"{pin.number}u, {pin.active_high:d}u" if pin else "255u, 1u"
    return f"{{{where}, {output.current}u, {output.group}u, {output.max_on}u}}"


def _byte_rows(data: bytes) -> Iterator[str]:
    for start in range(0, len(data), BYTES_PER_LINE):
        yield ", ".join(f"0x{b:02X}" for b in data[start : start + BYTES_PER_LINE])
