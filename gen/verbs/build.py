"""``dosewright build``: headers, table, plan and manifest of a project, and its firmware."""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from dosewright.gen.lower import Compiled
    from dosewright.gen.output import Change
    from dosewright.gen.targets import Target

DESCRIPTION = """Writes, into the folder build of the project:
  machine.h      what a firmware compiles in: pins, polarities, limits, interlocks
  recipes.h      typed arrays for a firmware of your own; needs no engine
  table.bin      recipes and calibration for the controller, what load sends
  table.h        the same bytes as the default inside a firmware
  plan.json      the expected edges of every recipe at every serving
  manifest.json  digests of what went in and came out
and for the machine's controller
  source/        the program in C: engine, port, machine, table; how to compile it is in compile.txt there
  firmware/      the program itself, where its compiler is installed
With --arduino also
  arduino/NAME/  a library for the Arduino editor and PlatformIO, with a sketch that pours
Only what changed is written, with the reason; the same input gives the same bytes on every computer."""
EXAMPLE = "dosewright build my-cart"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("folder", type=Path, help="the project folder")
    parser.add_argument("--out", type=Path, help="where to write (FOLDER/build)")
    parser.add_argument("--no-firmware", action="store_true", help="leave the program for the controller out")
    parser.add_argument("--arduino", action="store_true", help="write an Arduino library as well")
    parser.add_argument("--json", action="store_true", help="print what was done as JSON")


def run(arguments: argparse.Namespace) -> int:
    from dosewright.gen import arduino, emit
    from dosewright.gen.load import load
    from dosewright.gen.lower import lower
    from dosewright.gen.output import compare, replace_all
    from dosewright.gen.problems import Exit

    project = load(arguments.folder)
    compiled = lower(project)
    for problem in project.problems:
        print(problem, file=sys.stderr)
    out = arguments.out or arguments.folder / "build"
    inputs = _inputs(arguments.folder)
    # all of it is made before any of it is written: what is refused leaves an earlier build whole
    apart: dict[str, dict[str, bytes]] = {}
    products: dict[str, bytes] = {}
    note = _stale(out, "firmware", "source")
    if arguments.arduino:
        apart[f"arduino/{arduino.library_name(compiled.machine)}"] = arduino.library(compiled, project.target)
    if not arguments.no_firmware:
        source, products, note = _firmware(compiled, project.target, out)
        apart |= source
    changes, pending = compare(out, inputs, emit.files(compiled))
    for folder, files in apart.items():
        found, new = compare(out / folder, inputs, files)
        changes.append(_as_one(folder, found))
        pending |= {f"{folder}/{name}": data for name, data in new.items()}
    changes += _products(out, products, changes)
    replace_all(out, pending | {f"firmware/{name}": data for name, data in products.items()})
    takes = _takes(compiled, project.target, out, changes)
    flash = _by_hand(project.target, out, changes)
    if arguments.json:
        report = {
            "files": [asdict(change) for change in changes],
            "left_out": [{"recipe": name, "reason": reason} for name, reason in compiled.left_out],
            "firmware_note": note,
            "takes": [{"of": what, "bytes": taken, "room": room} for what, taken, room, _ in takes],
            "flash": flash,
        }
        print(json.dumps(report, indent=1, ensure_ascii=False))
    else:
        _print(out, changes, compiled, note)
        for what, taken, room, parts in takes:
            print(f"{what}: {taken} of {room} bytes{parts}")
        if flash:
            print(f"to put it onto the controller: dosewright flash {arguments.folder} --rig PORT")
            print("or by hand, where PORT is one that dosewright ports lists:", *flash, sep="\n")
    return Exit.DONE


def _inputs(folder: Path) -> dict[str, bytes]:
    from dosewright.gen.load import FILES

    paths = [folder / f"{name}.toml" for name in FILES]
    return {path.name: path.read_bytes() for path in paths if path.is_file()}


def _as_one(folder: str, parts: list[Change]) -> Change:
    """A folder told as one; it has a manifest of its own, for it is copied away whole."""
    from dosewright.gen.output import Change

    why = sorted({part.why for part in parts if part.written})
    return Change(folder, bool(why), "; ".join(why) or "unchanged")


def _stale(out: Path, *folders: str) -> str:
    """A note on those of the folders that this build leaves as they were, if they are there."""
    left = " and ".join(str(out / folder) for folder in folders if any((out / folder).glob("*")))
    return f"what is in {left} is of an earlier build" if left else ""


def _firmware(
    compiled: Compiled, target: Target, out: Path
) -> tuple[dict[str, dict[str, bytes]], dict[str, bytes], str]:
    """The folder of sources; the products, or none and a note: the rest is of use without a compiler."""
    from dosewright.gen.firmware import compile_program, compiler_of, sources

    stale = _stale(out, "firmware")
    if target.build is None:
        return {}, {}, "; ".join(filter(None, [f"no firmware: {target.title} has none yet", stale]))
    source = {"source": sources(compiled, target)}
    if compiler_of(target.build) is None:
        looked = ", ".join(target.build.compilers)
        words = [
            f"no firmware: {looked} is not installed",
            f"to have it: {target.build.install}",
            f"to compile it elsewhere: {out / 'source' / 'compile.txt'}",
            stale,
        ]
        return source, {}, "; ".join(filter(None, words))
    return source, compile_program(compiled, target), ""


def _products(out: Path, products: dict[str, bytes], changes: list[Change]) -> list[Change]:
    """What becomes of each product."""
    from dosewright.gen.output import Change

    folder = out / "firmware"
    old = {path.name: path.read_bytes() for path in folder.glob("*") if path.is_file()}
    compiled_in = ("machine.h", "table.h")
    headers = [change.name for change in changes if change.written and change.name in compiled_in]
    why = f"changed: {', '.join(headers)}" if headers else "the compiler or the installed dosewright changed"
    found = []
    for name, data in sorted(products.items()):
        same = data == old.get(name)
        reason = "unchanged" if same else why if name in old else "new"
        found.append(Change(f"firmware/{name}", not same, reason))
    return found


def _takes(
    compiled: Compiled, target: Target, out: Path, changes: list[Change]
) -> list[tuple[str, int, int, str]]:
    """What this build takes of the controller, of how many bytes, and what that is made of."""
    from dosewright.gen.checks_store import recipes_bytes, space_for_recipes

    found = []
    if target.limits and "firmware/budget.json" in {change.name for change in changes}:
        budget = json.loads((out / "firmware/budget.json").read_text(encoding="utf-8"))
        ram = budget["static"] + budget["stack"]
        parts = f" ({budget['static']} static, {budget['stack']} at most on the stack)"
        found += [
            ("flash", budget["flash"], target.limits.flash, ""),
            ("memory", ram, target.limits.ram, parts),
        ]
    if target.store_bytes:
        room = space_for_recipes(target.store_bytes, compiled.machine.channels)
        found.append(("recipes in the store", recipes_bytes(compiled), room, ""))
    return found


def _by_hand(target: Target, out: Path, changes: list[Change]) -> list[str]:
    """The command lines that put the firmware of this build onto a board."""
    flash = target.flash
    if flash is None or f"firmware/{flash.file}" not in {change.name for change in changes}:
        return []
    return flash.by_hand("PORT", str(out / "firmware" / flash.file))


def _print(out: Path, changes: list[Change], compiled: Compiled, note: str) -> None:
    from dosewright.gen.source import counted

    for change in changes:
        print(f"{out / change.name}: {'written, ' if change.written else ''}{change.why}")
    if note:
        print(note)
    machine, table = compiled.machine, compiled.recipes
    counts = [(len(table.recipes), "recipe"), (len(table.servings), "serving"), (machine.channels, "channel")]
    print(f"{machine.name}: {', '.join(counted(number, word) for number, word in counts)}")
    for name, reason in compiled.left_out:
        print(f"left out: {name} ({reason})")
