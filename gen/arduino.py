"""A machine as an Arduino library, for PlatformIO as well: engine, port, machine and table in one folder."""

from __future__ import annotations

import dataclasses
from importlib.metadata import version
from typing import TypeVar

from dosewright.gen.compiled import Button, CompiledMachine, Interlock, Output, Pin
from dosewright.gen.emit import machine_h, table_h
from dosewright.gen.identifiers import identifier
from dosewright.gen.lower import Compiled
from dosewright.gen.problems import UserError
from dosewright.gen.render import render
from dosewright.gen.targets import Target, folder_of_targets

NO_NUMBER = 255
NAME_LIMIT = 50  # of a library: by PlatformIO's documentation of library.json; Arduino's specification has 63
# What is asked for is a URL that a person can visit. There is none, and a name of RFC 2606 says so.
NO_HOME_PAGE = "https://no-home-page.invalid/"
SOURCES = ("engine/dw_*.c", "engine/dw_*.h", "arduino/dw_*.cpp", "arduino/dw_*.h")
# of the promptest, with the example sketches on an Uno and a Mega; tests/arduino measures up to 105
EDGES_WITHIN_US = 110

Item = TypeVar("Item", Output, Interlock, Button)


def library_name(machine: CompiledMachine) -> str:
    """The name of folder, header and library, of this machine alone: several can be installed."""
    return f"Dosewright_{identifier(machine.name).title()}"[:NAME_LIMIT]


def library(compiled: Compiled, target: Target) -> dict[str, bytes]:
    """All files by their path in the library. UserError where a pin has no number on an Arduino board."""
    machine = compiled.machine
    name = library_name(machine)
    numbered = _by_number(machine, target)
    values = {
        "name": name,
        "machine": " ".join(machine.name.split()),
        "version": version("dosewright"),
        "title": target.title,
        "home_page": NO_HOME_PAGE,
        "tick_us": machine.tick_us,
        "bound_us": EDGES_WITHIN_US,
        "pins": [(item.name, item.pin.name, item.pin.number) for item in _wired(machine) if item.pin],
        "recipes": [(f"RECIPE_{identifier(r.name)}", r.number, r.name) for r in compiled.recipes.recipes],
        "servings": [(f"SERVING_{identifier(s)}", i, s) for i, s in enumerate(compiled.serving_names)],
        **_own_button(compiled, target),
    }
    texts = {
        "README.md": render("arduino/README.md.j2", **values),
        "examples/Pour/Pour.ino": render("arduino/sketch.ino.j2", **values),
        "keywords.txt": render("arduino/keywords.txt.j2", **values),
        "library.json": render("arduino/library.json.j2", **values),
        "library.properties": render("arduino/library.properties.j2", **values),
        f"src/{name}.h": render("arduino/public.h.j2", **values),
        "src/machine.h": machine_h(numbered, machine),
        "src/table.h": table_h(compiled),
    }
    files = {path: text.encode() for path, text in texts.items()}
    root = folder_of_targets()
    for pattern in SOURCES:
        files |= {f"src/{source.name}": source.read_bytes() for source in root.glob(pattern)}
    return dict(sorted(files.items()))


def _wired(machine: CompiledMachine) -> tuple[Output | Interlock | Button, ...]:
    return (*machine.outputs, *machine.interlocks, *machine.buttons)


def _by_number(machine: CompiledMachine, target: Target) -> CompiledMachine:
    """The machine with its pins in the ports of the Arduino port: eight pins each, by the board's numbers."""
    pins = [item.pin for item in _wired(machine) if item.pin]
    nameless = sorted({pin.name for pin in pins if pin.number == NO_NUMBER})
    if nameless:
        raise UserError(
            f"target {target.name}: found no Arduino number of pin {', '.join(nameless)}; wanted pins of "
            "an Arduino board; choose other pins or another target in machine.toml, or leave --arduino out"
        )

    def moved(pin: Pin) -> Pin:
        return dataclasses.replace(pin, port=pin.number // 8, bit=pin.number % 8)

    def all_moved(items: tuple[Item, ...]) -> tuple[Item, ...]:
        return tuple(dataclasses.replace(i, pin=moved(i.pin)) if i.pin else i for i in items)

    return dataclasses.replace(
        machine,
        outputs=all_moved(machine.outputs),
        interlocks=all_moved(machine.interlocks),
        buttons=all_moved(machine.buttons),
    )


def _own_button(compiled: Compiled, target: Target) -> dict[str, object]:
    """A free pin for a button of the sketch's own, and what it pours; nothing where either is missing."""
    used = {item.pin.number for item in _wired(compiled.machine) if item.pin} | {NO_NUMBER}
    free = [
        (name, pin.number) for name, pin in target.pin.items() if pin.number not in used and not pin.not_input
    ]
    if not free or not compiled.recipes.recipes:
        return {"spare": None, "spare_name": "", "recipe": "", "serving": ""}
    name, number = free[0]
    return {
        "spare": number,
        "spare_name": name,
        "recipe": f"RECIPE_{identifier(compiled.recipes.recipes[0].name)}",
        "serving": f"SERVING_{identifier(compiled.serving_names[0])}",
    }
