"""What a controller tells of itself: bytes of LINK.md in, lines for a person out, and by the verb load."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from dosewright.gen.cli import main
from dosewright.gen.fingerprint import build_digest, interface
from dosewright.gen.table import CALIBRATION, FORMATS, RECIPES
from dosewright.hil import whois
from dosewright.hil.messages import PROTOCOL, identity
from dosewright.hil.verdicts import Court
from project_files import changed, example, put
from stand import EXAMPLE

# Written out by hand from the table of identify in targets/engine/LINK.md, the marks from TABLE.md.
TOLD = bytes.fromhex("02 0203 04 05 6000 e803 78563412 0102030405060708 08 0b 03 02")
STORED, BUILT_IN = bytes.fromhex("02 a6c9 539a"), bytes.fromhex("01 ffff 355c")
NAMED = TOLD + STORED + BUILT_IN + b"\4" + b"cart-1".ljust(16, b"\0")
NAMELESS = TOLD.replace(b"\xe8\x03", b"\x32\0") + bytes.fromhex("00 ffff ffff") + STORED + b"\1"


def test_everything_that_identify_says() -> None:
    assert whois.lines("COM9", identity(NAMED)) == [
        "COM9: unit cart-1, engine 2.3",
        "  link: protocol 2, frames of 96 bytes at most; its clock counts ticks of 1 ms",
        "  built for: interface 12345678, build 0102030405060708; 8 channels, 11 outputs, 3 interlocks, "
        "2 buttons and contacts",
        "  recipes: format 4; in force is what was loaded; slot 0: loaded, slot 1: not in force",
        "  calibration: format 5; in force is what the firmware was built with; slot 0: empty, "
        "slot 1: an upload that was not finished",
    ]
    assert whois.as_json(identity(NAMED)) == {
        "unit": "cart-1",
        "engine": "2.3",
        "protocol": 2,
        "frame_limit": 96,
        "tick_us": 1000,
        "interface": "12345678",
        "build": "0102030405060708",
        "channels": 8,
        "outputs": 11,
        "interlocks": 3,
        "buttons": 2,
        "recipes": {"format": 4, "in_force": "stored", "slots": ["committed", "superseded"]},
        "calibration": {"format": 5, "in_force": "built in", "slots": ["unused", "open"]},
    }


def test_a_controller_without_name_and_recipes() -> None:
    first, link, _, recipes, calibration = whois.lines("COM9", identity(NAMELESS))
    assert first == "COM9: a unit without a name, engine 2.3"
    assert link.endswith("ticks of 0.05 ms")
    assert recipes == "  recipes: format 4; nothing is in force; slot 0: empty, slot 1: empty"
    assert calibration.endswith("in force is what was loaded; slot 0: loaded, slot 1: not in force")


def test_a_dry_run_shows_it_of_a_controller_that_does_not_fit_too(
    court: Court,
    built: Callable[[Court], Path],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    rig = f"host://{built(court)}"
    assert main(["load", str(EXAMPLE), "--rig", rig, "--dry-run", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    machine = court.compiled.machine
    built_in = {"in_force": "built in", "slots": ["unused", "unused"]}
    assert told["controller"] == {
        "unit": "",
        "engine": told["controller"]["engine"],
        "protocol": PROTOCOL,
        "frame_limit": told["controller"]["frame_limit"],
        "tick_us": machine.tick_us,
        "interface": f"{interface(machine):08x}",
        "build": build_digest(machine).hex(),
        "channels": machine.channels,
        "outputs": len(machine.outputs),
        "interlocks": len(machine.interlocks),
        "buttons": len(machine.buttons),
        "recipes": {"format": FORMATS[RECIPES], **built_in},
        "calibration": {"format": FORMATS[CALIBRATION], **built_in},
    }
    assert 96 <= told["controller"]["frame_limit"] <= 256, "as LINK.md says"
    other = put(
        tmp_path / "cart", changed(example(), ("machine.toml", 'pause_limit = "', 'pause_limit = "1'))
    )
    assert main(["load", str(other), "--rig", rig]) == 3
    assert capsys.readouterr().out == ""
    assert main(["load", str(other), "--rig", rig, "--dry-run"]) == 3
    printed = capsys.readouterr()
    lines = printed.out.splitlines()
    assert lines[0] == f"{rig}: a unit without a name, engine {told['controller']['engine']}"
    assert len(lines) == 5
    assert f"build {build_digest(machine).hex()}; 8 channels" in lines[2]
    assert "the controller was built from another machine.toml" in printed.err
    assert main(["load", str(other), "--rig", rig, "--dry-run", "--json"]) == 3
    as_data = capsys.readouterr()
    assert json.loads(as_data.out) == {"controller": told["controller"]} and as_data.err == printed.err
