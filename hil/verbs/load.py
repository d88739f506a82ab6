"""``dosewright load``: put recipes and calibration onto a controller, or take them back from one."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

DESCRIPTION = """Checks the project, says what will change on the controller, writes recipes and calibration
where they differ, reads them back, and, on a simulated rig or when asked with --pour, pours one recipe and
judges it. An upload that was cut short goes on where it ended. A controller that is pouring refuses it.
Without --rig it is a rehearsal on the engine compiled for this computer.
The controller keeps what was loaded before: --back recipes puts it in force again, until the next upload."""
EXAMPLE = "dosewright load my-cart --rig /dev/ttyUSB0"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("folder", type=Path, help="the project folder")
    parser.add_argument(
        "--rig", default="host", help="a simulated rig by name, a port, or a pyserial URL (host)"
    )
    parser.add_argument(
        "--pour", action="store_true", help="on a real machine too, pour one recipe afterwards"
    )
    what = parser.add_mutually_exclusive_group()
    what.add_argument(
        "--dry-run",
        action="store_true",
        help="say who the controller is and what would change, and write nothing",
    )
    what.add_argument(
        "--back", choices=("recipes", "calibration"), help="put in force what the last upload replaced"
    )
    what.add_argument(
        "--read-back",
        action="store_true",
        help="write recipes.toml, loaded.toml and calibration.toml, where missing, from the controller",
    )
    parser.add_argument(
        "--name",
        action="store_true",
        help="give the controller, once and for all, the name that calibration.toml has as unit",
    )
    parser.add_argument("--yes", action="store_true", help="do not ask before writing")
    parser.add_argument("--json", action="store_true", help="print what was done as JSON")


def run(arguments: argparse.Namespace) -> int:
    from dosewright.gen.load import load
    from dosewright.gen.lower import lower
    from dosewright.gen.problems import Exit, UserError
    from dosewright.hil import recovery, regression, restarts, whois
    from dosewright.hil.asking import agreed
    from dosewright.hil.changes import Words
    from dosewright.hil.loading import Loading
    from dosewright.hil.port import caution
    from dosewright.hil.replay import Session
    from dosewright.hil.report import Bystander, Uploading, as_json, terminal, verdict_table
    from dosewright.hil.rig import is_simulated, open_rig, rig_url
    from dosewright.hil.trouble import RigTrouble
    from dosewright.hil.upload import fits
    from dosewright.hil.verdicts import Court

    told, console = terminal(stderr=True), terminal()

    def say(text: str) -> None:
        if not arguments.json:
            console.print(text, soft_wrap=True, markup=False)

    def warn(text: str) -> None:
        told.print(text, soft_wrap=True, markup=False)

    def show(value: dict[str, Any]) -> None:
        print(json.dumps(value, indent=1, ensure_ascii=False))

    if arguments.read_back:
        done = recovery.read_back(arguments.folder, arguments.rig, say, warn)
        if arguments.json:
            show(done)
        return Exit.FINDINGS if done["same"] is False else Exit.DONE

    project = load(arguments.folder)
    compiled = lower(project)
    if arguments.name and not compiled.calibration.unit:
        raise UserError(
            'calibration.toml: found no unit; wanted the name to give; write unit = "..." at its top'
        )
    court = Court.of(project, compiled)
    url = rig_url(arguments.rig, arguments.folder)
    for problem in project.problems:
        warn(str(problem))

    sure = arguments.yes or arguments.json or is_simulated(url)
    verdicts = []
    caution(url, warn)
    with open_rig(url, arguments.folder) as rig:
        if arguments.dry_run:
            for line in whois.lines(arguments.rig, rig.client.identify()):
                say(line)
        try:
            identity = fits(rig.client, compiled)
        except RigTrouble:
            if arguments.dry_run and arguments.json:
                show({"controller": whois.as_json(rig.client.identify())})
            raise
        unit = f" of unit {identity.unit}" if identity.unit else ""
        say(
            f"{arguments.rig}: engine {'.'.join(map(str, identity.engine))}{unit}, "
            f"fits {compiled.machine.name}"
        )
        restart = restarts.told(rig.client, identity, compiled, court.names)
        if restart:
            warn(restart)
        words = Words.of(project, compiled, court.names)
        loading = Loading(rig.client, identity, words, say, lambda: agreed(sure), Uploading(told))
        if arguments.back:
            done = loading.back(arguments.back)
        else:
            done = loading.load(write=not arguments.dry_run, naming=arguments.name)
            for name, reason in compiled.left_out:
                say(f"left out: {name} ({reason})")
        if arguments.name and done["written"] is not None:
            loading.name()
        pours = (is_simulated(url) or arguments.pour) and not (arguments.back or arguments.dry_run)
        if pours and done["written"] is not None and compiled.recipes.recipes:
            case = regression.cases(compiled)[0]
            session = Session(rig, compiled, Bystander(told))
            session.close_interlocks()
            verdicts = [regression.one(court, session, case)]
    if arguments.json:
        show({"controller": whois.as_json(identity), **done, **as_json(verdicts, compiled.left_out)})
    elif verdicts:
        verdict_table(verdicts, console)
    return Exit.DONE if all(verdict.passed for verdict in verdicts) else Exit.FINDINGS
