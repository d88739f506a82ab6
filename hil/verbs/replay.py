"""``dosewright replay``: pour every recipe on a rig and judge every edge."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

DESCRIPTION = """Pours every recipe at every serving on a rig and compares each switching of each output, to
the tick, with the plan. The rig is the engine compiled for this computer (host), or a controller on a serial
port, whose switches you are then asked to move: put water into the reservoirs, or leave the pumps unplugged.
Exit code 0: all equal; 1: something differs; 3: trouble with the rig."""
EXAMPLE = 'dosewright replay my-cart --recipe "Dock Sour" --rig /dev/ttyUSB0'


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("folder", type=Path, help="the project folder")
    parser.add_argument(
        "--rig", default="host", help="a simulated rig by name, a port, or a pyserial URL (host)"
    )
    parser.add_argument(
        "--recipe", action="append", default=[], help="only this one, by name or number; repeatable"
    )
    parser.add_argument("--serving", action="append", default=[], help="only this one; repeatable")
    how = parser.add_mutually_exclusive_group()
    how.add_argument(
        "--by-switches",
        action="store_true",
        help="ask for each pour with the machine's own buttons and selectors, not over the link",
    )
    how.add_argument(
        "--faults",
        action="store_true",
        help="open every interlock at every telling moment (simulated rigs only)",
    )
    parser.add_argument("--junit", type=Path, metavar="FILE", help="also write the verdicts as JUnit XML")
    parser.add_argument("--json", action="store_true", help="print the verdicts as JSON instead of a table")


def run(arguments: argparse.Namespace) -> int:
    from dosewright.gen.load import load
    from dosewright.gen.lower import lower
    from dosewright.gen.output import replace_all
    from dosewright.gen.problems import Exit, UserError
    from dosewright.hil import clock, regression, restarts
    from dosewright.hil.faults import Case
    from dosewright.hil.junit import junit
    from dosewright.hil.port import caution
    from dosewright.hil.report import Bar, Bystander, as_json, terminal, verdict_table
    from dosewright.hil.rig import Rig, clock_error_of, is_simulated, open_rig, rig_url
    from dosewright.hil.trouble import RigTrouble
    from dosewright.hil.upload import fits
    from dosewright.hil.verdicts import Court

    project = load(arguments.folder)
    compiled = lower(project)
    court = Court.of(project, compiled)
    beyond: list[Case] = []
    if arguments.by_switches:
        cases, beyond = regression.switch_cases(court, arguments.recipe, arguments.serving)
    else:
        choose = regression.fault_cases if arguments.faults else regression.cases
        cases = choose(compiled, arguments.recipe, arguments.serving)
    url = rig_url(arguments.rig, arguments.folder)
    told = terminal(stderr=True)
    if arguments.faults and not is_simulated(url):
        raise UserError(
            "--faults moves switches by itself and needs a simulated rig, such as --rig host",
            exit_code=Exit.USAGE,
        )

    def warn(text: str) -> None:
        told.print(text, soft_wrap=True, markup=False)

    def opened() -> Rig:
        rig = open_rig(url, arguments.folder)
        try:
            restart = restarts.told(rig.client, fits(rig.client, compiled), compiled, court.names)
        except RigTrouble:
            rig.close()
            raise
        if restart:
            warn(restart)
        return rig

    caution(url, warn)

    verdicts = []
    readings: list[clock.Reading] = []
    trouble: RigTrouble | None = None
    try:
        for verdict in regression.replay(
            court, opened, cases, reporter=Bar(told), person=Bystander(told), readings=readings
        ):
            verdicts.append(verdict)
    except RigTrouble as error:
        trouble = error
    compared = not is_simulated(url) or clock_error_of(url) is not None  # virtual time has no error to find
    found = clock.fit(readings, compiled.machine.tick_us) if compared else None
    pours = [(case.recipe, case.serving) for case in cases] if found else []
    dose = clock.longest_dose(compiled, court.names, pours)
    if arguments.json:
        report = as_json(verdicts, compiled.left_out)
        if arguments.by_switches:
            report["no_switch_asks_for"] = [
                {"recipe": case.recipe.name, "serving": court.names.servings[case.serving]} for case in beyond
            ]
        if compared:
            report["clock"] = clock.as_json(found, dose)
        print(json.dumps(report, indent=1, ensure_ascii=False))
    elif verdicts:
        console = terminal()
        verdict_table(verdicts, console)
        for name, reason in compiled.left_out:
            console.print(f"left out: {name} ({reason})", soft_wrap=True, markup=False)
        for case in beyond:
            pour = f"{case.recipe.name}, {court.names.servings[case.serving]}"
            console.print(f"no switch asks for it: {pour}", soft_wrap=True, markup=False)
        for line in clock.words(found, dose) if compared else []:
            console.print(line, soft_wrap=True, markup=False)
    if trouble:
        raise trouble
    if arguments.junit:
        data = junit(verdicts, compiled.machine.name, arguments.rig)
        replace_all(arguments.junit.absolute().parent, {arguments.junit.name: data})
    return Exit.DONE if all(verdict.passed for verdict in verdicts) else Exit.FINDINGS
