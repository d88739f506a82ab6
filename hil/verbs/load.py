"""``dosewright load``: put recipes and calibration onto a controller."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

DESCRIPTION = """Checks the project, says what will change on the controller, writes recipes and calibration
where they differ, reads them back, and, on a simulated rig or when asked with --pour, pours one recipe and
judges it.
Without --port it is a rehearsal on the engine compiled for this computer."""
EXAMPLE = "dosewright load my-cart --port /dev/ttyUSB0"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("folder", type=Path, help="the project folder")
    parser.add_argument(
        "--port",
        "--rig",
        dest="rig",
        default="host",
        help="a port, a pyserial URL, or a simulated rig by name (host)",
    )
    parser.add_argument(
        "--pour", action="store_true", help="on a real machine too, pour one recipe afterwards"
    )
    parser.add_argument("--json", action="store_true", help="print what was done as JSON")


def run(arguments: argparse.Namespace) -> int:
    from dosewright.gen.load import load
    from dosewright.gen.lower import lower
    from dosewright.gen.problems import Exit
    from dosewright.hil import regression
    from dosewright.hil.changes import changes
    from dosewright.hil.port import opening_resets
    from dosewright.hil.replay import Session
    from dosewright.hil.report import Bystander, Uploading, as_json, terminal, verdict_table
    from dosewright.hil.rig import is_simulated, open_rig, rig_url
    from dosewright.hil.upload import fits, held, put
    from dosewright.hil.verdicts import Court

    project = load(arguments.folder)
    compiled = lower(project)
    court = Court.of(project, compiled)
    url = rig_url(arguments.rig, arguments.folder)
    told, console = terminal(stderr=True), terminal()
    for problem in project.problems:
        told.print(str(problem), soft_wrap=True, markup=False)
    if opening_resets(url):
        told.print(
            f"{url}: opening the port may reset the controller; a pour that runs on it would end",
            soft_wrap=True,
        )

    def say(text: str) -> None:
        if not arguments.json:
            console.print(text, soft_wrap=True, markup=False)

    verdicts = []
    with open_rig(url) as rig:
        identity = fits(rig.client, compiled)
        unit = f" of unit {identity.unit}" if identity.unit else ""
        say(
            f"{arguments.rig}: engine {'.'.join(map(str, identity.engine))}{unit}, "
            f"fits {compiled.machine.name}"
        )
        records = held(rig.client, identity, compiled)
        differing = {record.name: changes(record, compiled, court.names) for record in records}
        for record in records:
            size = f"{len(record.now)} bytes to write"
            say(f"{record.name}: {'the same already, not written' if record.same else size}")
            for line in differing[record.name]:
                say(f"  {line}")
        put(rig.client, records, compiled, Uploading(told))
        say("read back: equal")
        for name, reason in compiled.left_out:
            say(f"left out: {name} ({reason})")
        if (is_simulated(url) or arguments.pour) and compiled.recipes.recipes:
            case = regression.cases(compiled)[0]
            session = Session(rig, compiled, Bystander(told))
            session.close_interlocks()
            verdicts = [regression.one(court, session, case)]
    if arguments.json:
        value = {
            "engine": ".".join(map(str, identity.engine)),
            "unit": identity.unit,
            "records": [
                {"name": r.name, "bytes": len(r.now), "written": not r.same, "changes": differing[r.name]}
                for r in records
            ],
            **as_json(verdicts, compiled.left_out),
        }
        print(json.dumps(value, indent=1, ensure_ascii=False))
    elif verdicts:
        verdict_table(verdicts, console)
    return Exit.DONE if all(verdict.passed for verdict in verdicts) else Exit.FINDINGS
