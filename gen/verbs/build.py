"""``dosewright build``: headers, table, plan and manifest of a project, and its firmware where a compiler is there."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from dosewright.gen.lower import Compiled
    from dosewright.gen.output import Change

DESCRIPTION = """Writes, into the folder build of the project:
  machine.h      what a firmware compiles in: pins, polarities, limits, interlocks
  recipes.h      typed arrays for a firmware of your own; needs no engine
  table.bin      recipes and calibration for the controller, what load sends
  table.h        the same bytes as the default inside a firmware
  plan.json      the expected edges of every recipe at every serving
  manifest.json  digests of what went in and came out
and firmware/, the program for the machine's controller, where its compiler is installed.
Only what changed is written, with the reason; the same input gives the same bytes on every computer."""
EXAMPLE = "dosewright build my-cart"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("folder", type=Path, help="the project folder")
    parser.add_argument("--out", type=Path, help="where to write (FOLDER/build)")
    parser.add_argument("--no-firmware", action="store_true", help="leave the program for the controller out")
    parser.add_argument("--json", action="store_true", help="print what was done as JSON")


def run(arguments: argparse.Namespace) -> int:
    from dosewright.gen.load import load
    from dosewright.gen.lower import lower
    from dosewright.gen.output import write
    from dosewright.gen.problems import Exit

    project = load(arguments.folder)
    compiled = lower(project)
    for problem in project.problems:
        print(problem, file=sys.stderr)
    out = arguments.out or arguments.folder / "build"
    changes = write(out, _inputs(arguments.folder), outputs(compiled))
    firmware: dict[str, Path] = {}
    said = ""
    if not arguments.no_firmware:
        firmware, said = _firmware(compiled, project.target.name, out / "firmware")
    if arguments.json:
        report = {
            "files": [asdict(change) for change in changes],
            "left_out": [{"recipe": name, "reason": reason} for name, reason in compiled.left_out],
            "firmware": sorted(firmware),
            "firmware_note": said,
        }
        print(json.dumps(report, indent=1, ensure_ascii=False))
    else:
        _print(out, changes, compiled, firmware, said)
    return Exit.DONE


def outputs(compiled: Compiled) -> dict[str, bytes]:
    """All generated files by name, manifest and firmware apart."""
    from dosewright.gen import emit
    from dosewright.gen.plan import plans

    return {
        "machine.h": emit.machine_h(compiled.machine).encode(),
        "recipes.h": emit.recipes_h(compiled).encode(),
        "table.bin": b"".join(emit.table_bin(compiled)),
        "table.h": emit.table_h(compiled).encode(),
        "plan.json": emit.plan_json(compiled, plans(compiled)).encode(),
    }


def _inputs(folder: Path) -> dict[str, bytes]:
    from dosewright.gen.load import FILES

    paths = [folder / f"{name}.toml" for name in FILES]
    return {path.name: path.read_bytes() for path in paths if path.is_file()}


def _firmware(compiled: Compiled, target_name: str, folder: Path) -> tuple[dict[str, Path], str]:
    """The products, or none and what to install: the files of the table are of use without a compiler."""
    from dosewright.gen.firmware import build_program, compiler_of
    from dosewright.gen.targets import read

    target = read(target_name)
    if target.build is None:
        return {}, f"target {target_name} has no firmware of its own yet"
    if compiler_of(target.build) is None:
        looked = ", ".join(target.build.compilers)
        return {}, f"no firmware: {looked} is not installed; to have it: {target.build.install}"
    return build_program(compiled, target, folder), ""


def _print(
    out: Path, changes: list[Change], compiled: Compiled, firmware: Mapping[str, Path], said: str
) -> None:
    for change in changes:
        print(f"{out / change.name}: {'written, ' if change.written else ''}{change.why}")
    for name in sorted(firmware):
        print(f"{firmware[name]}: compiled")
    if said:
        print(said)
    machine, table = compiled.machine, compiled.recipes
    print(
        f"{machine.name}: {len(table.recipes)} recipes, {len(table.servings)} servings, {machine.channels} channels"
    )
    for name, reason in compiled.left_out:
        print(f"left out: {name} ({reason})")
