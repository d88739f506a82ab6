"""``dosewright ports``: what a rig can be."""

from __future__ import annotations

import argparse
import json

DESCRIPTION = "Lists the serial ports of this computer and the simulated rigs, as --rig takes them."
EXAMPLE = "dosewright ports"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--json", action="store_true", help="print as JSON")


def run(arguments: argparse.Namespace) -> int:
    from dosewright.gen.problems import Exit
    from dosewright.hil.port import SIMULATED, serial_ports
    from dosewright.hil.protocols.settings import SETTINGS

    ports = serial_ports()
    if arguments.json:
        value = {
            "ports": [{"name": name, "description": text} for name, text in ports],
            "simulated": [{"name": name, "description": text} for name, text in SIMULATED.items()],
            "settings": [{"name": name, "description": text} for name, text in SETTINGS.items()],
        }
        print(json.dumps(value, indent=1, ensure_ascii=False))
        return Exit.DONE
    width = max(len(name) for name, _ in [*ports, *SIMULATED.items(), *SETTINGS.items()])
    print("serial ports:")
    for name, text in ports:
        print(f"  {name:<{width}}  {text}")
    if not ports:
        print("  none; is the cable in, and does it carry data?")
    print("simulated rigs:")
    for name, text in SIMULATED.items():
        print(f"  {name:<{width}}  {text}")
    print("settings of a simulated rig, as in --rig 'avr?store=board.bin&vcd=pins.vcd':")
    for name, text in SETTINGS.items():
        print(f"  {name:<{width}}  {text}")
    return Exit.DONE
