"""From a project to a simulated board with its firmware."""

from __future__ import annotations

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

    def pin(of: c.Pin, off: int = 0) -> Pin:
        return Pin(chip.ports[of.port], of.bit, off)

    inputs = [item.pin for item in machine.interlocks] + [item.pin for item in machine.buttons]
    return Wiring(
        mcu=chip.mcu,
        clock=chip.clock,
        tick_us=machine.tick_us,
        tick_vector=chip.tick_vector,
        # the resistor at each output pulls it to off
        outputs=tuple(
            pin(output.pin, int(not output.pin.active_high)) if output.pin else None
            for output in machine.outputs
        ),
        inputs=tuple(pin(item) for item in inputs),
    )


def board_command(compiled: Compiled, target: Target, folder: Path) -> list[str]:
    """The command that starts a board with this project in it, built into ``folder``. Raises UserError."""
    wired = wiring(compiled.machine, target)
    made = build_program(compiled, target, folder)
    return wired.command(next(path for name, path in made.items() if name.endswith(".elf")))
