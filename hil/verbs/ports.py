"""``dosewright ports``: what a rig can be."""

from __future__ import annotations

import argparse
import json

DESCRIPTION = "Lists the serial ports of this computer and the simulated rigs, as --rig and --rig take them."
EXAMPLE = "dosewright ports"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--json", action="store_true", help="print as JSON")


def run(arguments: argparse.Namespace) -> int:
    from dosewright.gen.problems import Exit
    from dosewright.hil.port import SIMULATED, serial_ports

    ports = serial_ports()
    if arguments.json:
        value = {
            "ports": [{"name": name, "description": text} for name, text in ports],
            "simulated": [{"name": name, "description": text} for name, text in SIMULATED.items()],
        }
        print(json.dumps(value, indent=1, ensure_ascii=False))
        return Exit.DONE
    width = max(len(name) for name, _ in [*ports, *SIMULATED.items()])
    print("serial ports:")
    for name, text in ports:
        print(f"  {name:<{width}}  {text}")
    if not ports:
        print("  none; is the cable in, and does it carry data?")
    print("simulated rigs:")
    for name, text in SIMULATED.items():
        print(f"  {name:<{width}}  {text}")
    return Exit.DONE
