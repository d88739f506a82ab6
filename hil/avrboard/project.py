"""From a project to a simulated board with its firmware."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

from dosewright.gen import compiled as c
from dosewright.gen.firmware import build_program
from dosewright.gen.lower import Compiled
from dosewright.gen.targets import Target
from dosewright.hil.avrboard.board import Pin, Wiring
from dosewright.hil.trouble import RigTrouble


def wiring(machine: c.CompiledMachine, target: Target) -> Wiring:
    """The board of this machine. Raises RigTrouble where the target cannot be simulated."""
    chip = target.simulation
    if chip is None:
        raise RigTrouble(f"target {target.name}: there is no simulated board for it; use --rig host")

    inputs: list[c.Interlock | c.Button] = [*machine.interlocks, *machine.buttons]
    names = iter(dump_names([item.name for item in (*machine.outputs, *inputs)]))

    def pin(of: c.Pin | None, off: int = 0) -> Pin | None:
        name = next(names)
        return Pin(chip.ports[of.port], of.bit, off, name) if of else None

    return Wiring(
        mcu=chip.mcu,
        clock=chip.clock,
        tick_us=machine.tick_us,
        tick_vector=chip.tick_vector,
        # the resistor at each output pulls it to off
        outputs=tuple(
            pin(out.pin, int(out.pin is not None and not out.pin.active_high)) for out in machine.outputs
        ),
        inputs=tuple(made for item in inputs if (made := pin(item.pin))),
    )


def dump_names(names: Sequence[str]) -> list[str]:
    """Names for a value change dump, which allows no blanks: letters, digits and _; no two alike."""
    plain = [re.sub(r"\W", "_", name, flags=re.ASCII) for name in names]
    return [name if plain.count(name) == 1 else f"{name}_{place}" for place, name in enumerate(plain, 1)]


def board_command(compiled: Compiled, target: Target, folder: Path) -> list[str]:
    """The command that starts a board with this project in it, built into ``folder``. Raises UserError."""
    wired = wiring(compiled.machine, target)
    made = build_program(compiled, target, folder)
    return wired.command(next(path for name, path in made.items() if name.endswith(".elf")))
