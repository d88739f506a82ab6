"""A project folder that was lost, written anew from a controller: its missing files, and a comparison."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from dosewright.gen import files as input_files
from dosewright.gen.emit import table_bin
from dosewright.gen.load import examine
from dosewright.gen.lower import lower
from dosewright.gen.models.machine import MachineFile
from dosewright.gen.output import replace_all
from dosewright.gen.problems import Exit, UserError
from dosewright.gen.table import decode_calibration, decode_recipes
from dosewright.hil import readback
from dosewright.hil.messages import Held, Identity
from dosewright.hil.naming import named
from dosewright.hil.port import caution, simulated_by_name
from dosewright.hil.readback import Labels
from dosewright.hil.rig import open_rig
from dosewright.hil.trouble import RigTrouble
from dosewright.hil.upload import read_record

MACHINE = "machine.toml"


def read_back(
    folder: Path, url: str, say: Callable[[str], None], warn: Callable[[str], None]
) -> dict[str, Any]:
    """Write recipes.toml, loaded.toml and calibration.toml where missing; compare what they build to.

    Channels and stages get their names from machine.toml if it is there. ``same`` is None where nothing could
    be compared. Nothing that is there is overwritten. ``warn`` gets what is to be said before the port is
    opened. Raises UserError and RigTrouble.
    """
    if simulated_by_name(url):
        raise UserError(
            "--read-back: found no controller; wanted one that holds recipes; say which with --rig",
            exit_code=Exit.USAGE,
        )
    wanted = [name for name in ("recipes.toml", "calibration.toml") if not (folder / name).exists()]
    if not wanted:
        raise UserError(
            f"{folder}: found recipes.toml and calibration.toml; wanted a folder where one is missing, for "
            "nothing is overwritten; name another folder"
        )
    caution(url, warn)
    with open_rig(url, folder) as rig:
        identity = rig.client.identify()
        there = {b"R": identity.recipes, b"C": identity.calibration}
        records = {
            kind: read_record(rig.client, kind) for kind, source in there.items() if source != Held.NONE
        }
    machine = _machine(folder, identity, url)
    stages = identity.outputs - identity.channels
    labels = Labels.unknown(identity.channels, stages, identity.tick_us)
    if machine:
        labels = Labels(tuple(machine.channel), tuple(machine.stage), identity.tick_us)
    try:
        table = decode_recipes(records[b"R"], identity.channels, stages) if b"R" in records else None
        rates = decode_calibration(records[b"C"]) if b"C" in records else None
        made = readback.files(table, rates, labels)
    except ValueError as error:
        raise RigTrouble(
            f"{url}: what it holds cannot be read ({error}); it is of another version: update dosewright"
        ) from None
    missing = {name: text for name, text in made.items() if not (folder / name).exists()}
    if machine and table and "recipes.toml" in missing:
        labels = named(folder, machine, missing, table, labels, identity.build)
        missing["recipes.toml"] = readback.recipes_file(table, labels)
    replace_all(folder, {name: text.encode() for name, text in missing.items()})
    for name in missing:
        say(f"wrote {folder / name}")
    for number, name in labels.recipes.items():
        say(f"recipe {number} is {name}: a button of {MACHINE} pours it by name")
    for place, name in labels.servings.items():
        say(f"serving {place + 1} is {name}: a button of {MACHINE} pours it by name")
    return {"files": sorted(missing), "same": _compare(folder, records, say)}


def _machine(folder: Path, identity: Identity, url: str) -> MachineFile | None:
    """What machine.toml says, None where there is none. UserError, and RigTrouble where it does not fit."""
    stages = identity.outputs - identity.channels
    if not (folder / MACHINE).exists():
        return None
    source = input_files.read(folder, MACHINE, MachineFile)
    if source.model is None or any(not problem.warning for problem in source.problems):
        raise UserError(problems=tuple(source.problems))
    machine = source.model
    if (len(machine.channel), len(machine.stage)) != (identity.channels, stages):
        raise RigTrouble(
            f"{url}: the controller has {identity.channels} channels and {stages} stages, {MACHINE} has "
            f"{len(machine.channel)} and {len(machine.stage)}: it is of another machine; move it away"
        )
    return machine


def _compare(folder: Path, records: dict[bytes, bytes], say: Callable[[str], None]) -> bool | None:
    """Whether the folder builds to the bytes that were read; None where it cannot be built yet."""
    if not (folder / MACHINE).exists():
        say(f"{MACHINE} is missing: pins and limits are not in what a controller tells; write it anew")
        return None
    project, problems = examine(folder)
    for problem in problems:
        if project is None and not problem.warning:
            say(str(problem))
    if project is None:
        say(f"give the names back that {MACHINE} uses, then: dosewright check {folder}")
        return None
    built = dict(zip((b"R", b"C"), table_bin(lower(project)), strict=True))
    same = all(built[kind] == record for kind, record in records.items())
    say(
        "what is in the folder builds to the bytes on the controller"
        if same
        else "what is in the folder builds to other bytes than the controller holds: see load --dry-run"
    )
    return same
