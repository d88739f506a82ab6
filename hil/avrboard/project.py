"""From a project to a simulated board with its firmware."""

from __future__ import annotations

import itertools
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
    names = dump_names([item.name for item in (*machine.outputs, *inputs)])
    of_outputs, of_inputs = names[: len(machine.outputs)], names[len(machine.outputs) :]
    return Wiring(
        mcu=chip.mcu,
        clock=chip.clock,
        tick_us=machine.tick_us,
        tick_vector=chip.tick_vector,
        # the resistor at each output pulls it to off
        outputs=tuple(
            Pin(chip.ports[out.pin.port], out.pin.bit, int(not out.pin.active_high), name)
            if out.pin
            else None
            for out, name in zip(machine.outputs, of_outputs, strict=True)
        ),
        inputs=tuple(
            Pin(chip.ports[item.pin.port], item.pin.bit, name=name)
            for item, name in zip(inputs, of_inputs, strict=True)
        ),
    )


def dump_names(names: Sequence[str]) -> list[str]:
    """Names for a value change dump, which allows no blanks: letters, digits and _; no two alike."""
    plain = [re.sub(r"\W", "_", name, flags=re.ASCII) for name in names]
    once = [name for name in plain if plain.count(name) == 1]
    made: list[str] = []
    for place, name in enumerate(plain, 1):
        numbered = (f"{name}_{number}" for number in itertools.count(place))
        taken = {*once, *made}
        made.append(name if name in once else next(free for free in numbered if free not in taken))
    return made


def board_command(compiled: Compiled, target: Target, folder: Path) -> list[str]:
    """The command that starts a board with this project in it, built into ``folder``. Raises UserError."""
    wired = wiring(compiled.machine, target)
    made = build_program(compiled, target, folder)
    return wired.command(next(path for name, path in made.items() if name.endswith(".elf")))
