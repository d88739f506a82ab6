"""``dosewright wiring``: walk along the wires of a machine, find what is wrong, mend the file."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dosewright.hil.walk import Helper
    from dosewright.hil.wiring import Conclusion, Seen

DESCRIPTION = """Finds out whether everything hangs on the pin that machine.toml says. Dry: nothing is poured.
Asks you to move each switch and to take its wire off, then switches each output on for a moment and asks what
moved. Finds swapped wires, outputs that are on when they should be off, switches that read the wrong way
round, and inputs that read as closed without their wire; offers to mend machine.toml, whose comments stay;
prints a wiring sheet in Markdown. Without --rig it is a rehearsal on the engine compiled for this computer.
A file of answers has one a line, such as  moved A: B  or  rest: nothing  or  mend: yes; on a
simulated rig the switches are moved as the walk asks.
Exit code 0: all as written; 1: something differs; 3: trouble with the rig."""
EXAMPLE = "dosewright wiring my-cart --rig /dev/ttyUSB0 > wiring.md"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("folder", type=Path, help="the project folder")
    parser.add_argument(
        "--rig", default="host", help="a simulated rig by name, a port, or a pyserial URL (host)"
    )
    parser.add_argument("--sheet", action="store_true", help="print the wiring sheet only; needs no rig")
    parser.add_argument("--answers", type=Path, metavar="FILE", help="take the answers from a file")
    parser.add_argument("--pulse", type=float, default=1.0, help="how long an output is on, in seconds (1)")
    parser.add_argument("--json", action="store_true", help="print what was found as JSON")


def run(arguments: argparse.Namespace) -> int:
    from dosewright.gen.load import load
    from dosewright.gen.lower import lower
    from dosewright.gen.problems import Exit, UserError
    from dosewright.hil.port import caution
    from dosewright.hil.report import terminal
    from dosewright.hil.rig import open_rig, rig_url
    from dosewright.hil.upload import fits
    from dosewright.hil.walk import LONGEST_PULSE, Walk
    from dosewright.hil.walk_helpers import Asked, Simulated, Written
    from dosewright.hil.wiring import conclude, wires
    from dosewright.hil.wiring_sheet import sheet

    if not 0.05 <= arguments.pulse <= LONGEST_PULSE:
        raise UserError(
            f"--pulse: found {arguments.pulse:g}; wanted 0.05 to {LONGEST_PULSE:g} seconds",
            exit_code=Exit.USAGE,
        )
    project = load(arguments.folder)
    compiled = lower(project)
    walked = wires(project, compiled)
    if arguments.sheet:
        print(sheet(project, walked), end="")
        return Exit.DONE
    told = terminal(stderr=True)
    url = rig_url(arguments.rig, arguments.folder)
    caution(url, lambda text: told.print(text, soft_wrap=True, markup=False))
    helper: Helper
    with open_rig(url, arguments.folder) as rig:
        fits(rig.client, compiled)
        machine = Simulated(rig.bench, walked) if rig.bench else None
        if arguments.answers:
            helper = Written(arguments.answers, told, machine)
        elif machine:
            helper = machine
        else:
            helper = Asked(told)
        walk = Walk(rig, compiled, walked, helper, arguments.pulse)
        seen = walk.go()
    conclusion = conclude(project, seen, walk.running)
    if arguments.json:
        print(json.dumps(_report(seen, conclusion), indent=1, ensure_ascii=False))
    else:
        print(sheet(project, walked, seen))
        _print(conclusion, len(seen))
    if conclusion.changes:
        _offer(arguments.folder, conclusion, helper)
    return Exit.FINDINGS if conclusion.findings else Exit.DONE


def _print(conclusion: Conclusion, count: int) -> None:
    for finding in conclusion.findings:
        print(f"- {finding}")
    for advice in conclusion.by_hand:
        print(f"- by hand: {advice}")
    if not conclusion.findings:
        print(f"{count} wires, all as written.")


def _report(seen: Sequence[Seen], conclusion: Conclusion) -> dict[str, object]:
    from dosewright.gen.source import dotted

    return {
        "wires": [
            {
                "wire": item.wire.label,
                "pin": item.wire.pin.name,
                "not_tried": item.not_tried or None,
                "answers": [
                    {
                        "wire": label,
                        "pin": place.wire.pin.name,
                        "level": "high" if place.active_high else "low",
                    }
                    for label, place in item.places
                ],
                "closed_without_wire": item.closed_without_wire,
            }
            for item in seen
        ],
        "findings": list(conclusion.findings),
        "changes": {dotted(path): value for path, value in conclusion.changes.items()},
        "by_hand": list(conclusion.by_hand),
    }


def _offer(folder: Path, conclusion: Conclusion, helper: Helper) -> None:
    """Show the changed lines of machine.toml, and write them if told to."""
    from dosewright.hil.walk import Question
    from dosewright.hil.wiring_mend import mended, write

    change = mended(folder, conclusion.changes)
    helper.tell(f"machine.toml would be mended so:\n{change.shown}")
    answer = helper.ask(Question("mend", "Shall it be written? yes, or no"))
    if answer.strip().casefold() not in ("yes", "y"):
        helper.tell("machine.toml is left as it is.")
        return
    write(folder, change)
    helper.tell(
        f"machine.toml is mended. Pins are compiled in: dosewright flash {folder} --rig PORT, and walk again."
    )
