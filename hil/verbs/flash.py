"""``dosewright flash``: put the firmware of a project onto its controller."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

DESCRIPTION = """Checks the project, builds its firmware, looks what is on the port, and writes the firmware
through the board's bootloader with the program that is made for it (avrdude for AVR boards), which compares
it afterwards; then asks the controller who it is. Boards with an older and with a newer bootloader speak at
different speeds: all are tried. Says whether it is a board without this firmware, a board with another chip,
or no board at all. What load put onto the controller stays on it.
While the bootloader runs, all pins are inputs: see that nothing can be poured."""
EXAMPLE = "dosewright flash my-cart --rig /dev/ttyUSB0"

CAUTION = """It resets the controller. While the bootloader runs, all its pins are inputs: a MOSFET stays off
only by the resistor from its gate to ground, and a relay may click. Switch the supply of pumps and valves
off, or see that nothing can be poured."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("folder", type=Path, help="the project folder")
    parser.add_argument("--rig", required=True, metavar="PORT", help="the port of the board")
    parser.add_argument("--yes", action="store_true", help="do not ask before writing")
    parser.add_argument("--json", action="store_true", help="print what was done as JSON")


def run(arguments: argparse.Namespace) -> int:
    import shutil

    from dosewright.gen.firmware import build_program
    from dosewright.gen.load import load
    from dosewright.gen.lower import lower
    from dosewright.gen.problems import Exit, UserError
    from dosewright.hil import flashing
    from dosewright.hil.asking import agreed
    from dosewright.hil.port import caution, simulated_by_name
    from dosewright.hil.report import Passed, terminal

    told, console = terminal(stderr=True), terminal()

    def say(text: str) -> None:
        (told if arguments.json else console).print(text, soft_wrap=True, markup=False)

    port = arguments.rig
    if "://" in port or simulated_by_name(port):
        raise UserError(
            f"--rig: found {port}; wanted a serial port of this computer (dosewright ports); simulated rigs "
            "get their firmware whenever they start",
            exit_code=Exit.USAGE,
        )
    project = load(arguments.folder)
    compiled, target = lower(project), project.target
    for problem in project.problems:
        told.print(str(problem), soft_wrap=True, markup=False)
    if target.flash is None:
        raise UserError(f"target {target.name}: this tool does not know how firmware gets onto it")
    file = build_program(compiled, target, arguments.folder / "build" / "firmware")[target.flash.file]
    if shutil.which(target.flash.program) is None:
        raise flashing.missing(target.flash, "not installed", port, str(file))
    caution(port, say)
    before = flashing.firmware_on(port, say)
    say(f"{target.flash.program} will write {file} and compare it.\n{CAUTION}")
    if not agreed(arguments.yes or arguments.json):
        say("nothing written")
        return Exit.DONE
    flasher = flashing.Flasher(port, target, target.flash, before, say, Passed(told))
    kind = flasher.find()
    say(
        f"{port}: a bootloader answers" + ("" if before else ": a board that is blank or has another program")
    )
    flasher.write(kind, file)
    engine = flashing.answers(port, arguments.folder, compiled)
    say(f"written, compared, and it answers: engine {engine}, built for {compiled.machine.name}")
    say(f"next: dosewright load {arguments.folder} --rig {port}")
    if arguments.json:
        value = {"baud": kind.baud, "firmware_before": before, "engine": engine}
        print(json.dumps(value, indent=1, ensure_ascii=False))
    return Exit.DONE
