"""The verb flash: which bootloader answers, what is written, and what is said of a port where none does.

A stand-in for avrdude notes how it is called and says what avrdude 7.1 said in the same case.
"""

from __future__ import annotations

import dataclasses
import json
import os
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from dosewright.gen import firmware, targets
from dosewright.gen.cli import main
from dosewright.hil import client
from dosewright.hil.frames import ANSWER
from dosewright.hil.replay import Session
from dosewright.hil.verdicts import Court
from fake_device import FakePort, wire
from twin_device import TwinDevice

pytest.importorskip("pty", reason="pseudo terminals are POSIX only")
from avrdude_stand_in import (
    MEGA,
    NEW,
    NOT_IN_SYNC,
    OLD,
    OTHER_CHIP,
    TAKEN,
    TIMEOUT,
    WRITTEN,
    Said,
    StandIn,
)
from bootloader import Board, Program, speaking

EXAMPLE = Path(__file__).parents[2] / "examples" / "soda-cart"


@pytest.fixture
def cart(tmp_path: Path) -> Path:
    folder = tmp_path / "cart"
    shutil.copytree(EXAMPLE, folder, ignore=shutil.ignore_patterns("build"))
    return folder


@pytest.fixture
def hex_file(cart: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Firmware that nobody has to compile."""
    file = cart / "build" / "firmware" / "firmware.hex"
    monkeypatch.setattr(firmware, "build_program", lambda *_: {"firmware.hex": file})
    return file


@pytest.fixture
def avrdude(tmp_path: Path, hex_file: Path, monkeypatch: pytest.MonkeyPatch) -> StandIn:
    made = StandIn(tmp_path)
    monkeypatch.setenv("PATH", f"{tmp_path / 'bin'}:{os.environ['PATH']}")
    monkeypatch.setattr(client, "REPEATS_AT_BOOT", 2)
    return made


def flash(cart: Path, board: Board, *words: str) -> int:
    return main(["flash", str(cart), "--rig", board.name, *words])


def test_the_new_bootloader_is_tried_first_and_the_old_one_next(
    cart: Path,
    program: Program,
    board: Callable[..., Board],
    hex_file: Path,
    avrdude: StandIn,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """A blank board, the program of which answers once it was written."""
    blank = board(0, lambda data: program(data) if avrdude.has_written else b"")
    avrdude.says({NEW: (NOT_IN_SYNC, 1), OLD: ("", 0)}, {OLD: (WRITTEN, 0)})
    assert flash(cart, blank) == 0
    start = ["-p", "m328p", "-c", "arduino", "-P", blank.name, "-b"]
    assert avrdude.calls == [
        [*start, "115200", "-x", "attempts=2"],
        [*start, "57600", "-x", "attempts=2"],
        [*start, "57600", "-D", "-U", f"flash:w:{hex_file}:i"],
    ]
    printed = capsys.readouterr()
    assert "a bootloader answers: a board that is blank or has another program" in printed.out
    assert "written, compared, and it answers: engine " in printed.out
    assert printed.out.endswith(f"\nnext: dosewright load {cart} --rig {blank.name}\n")
    assert printed.out.index("all its pins are inputs") < printed.out.index("looking for a bootloader")
    assert printed.err.splitlines() == [line for line in WRITTEN.splitlines() if line], "a line a phase"


@pytest.mark.parametrize("protocol", [1, 3])
def test_firmware_of_another_version_is_no_reason_not_to_flash(
    cart: Path,
    court: Court,
    program: Program,
    board: Callable[..., Board],
    avrdude: StandIn,
    protocol: int,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """What tells that the firmware is stale sends people here."""

    def answer(sequence: int, kind: int, _: bytes) -> bytes:
        return wire(bytes([sequence, kind | ANSWER, 0, 0, protocol]) + b"whatever that version says")

    stale = speaking(FakePort(answer))
    avrdude.says({NEW: ("", 0)}, {NEW: (WRITTEN, 0)})
    there = board(0, lambda data: (program if avrdude.has_written else stale)(data))
    assert main(["load", str(cart), "--rig", there.name]) == 3
    side = "the firmware is stale: mend it with dosewright flash" if protocol < 2 else "this tool is stale"
    assert side in capsys.readouterr().err
    assert flash(cart, there) == 0
    printed = capsys.readouterr().out
    assert (
        f"{there.name}: firmware of another version answers; whether it is pouring cannot be asked of it\n"
        in printed
    )
    assert f"{there.name}: a bootloader answers\n" in printed and "written, compared" in printed


def test_firmware_that_is_of_another_version_after_the_writing_too(
    cart: Path, board: Callable[..., Board], avrdude: StandIn, capsys: pytest.CaptureFixture[str]
) -> None:
    avrdude.says({NEW: ("", 0)}, {NEW: (WRITTEN, 0)})
    older = FakePort(lambda sequence, kind, _: wire(bytes([sequence, kind | ANSWER, 0, 0, 1])))
    there = board(0, speaking(older))
    assert flash(cart, there) == 3
    assert (
        f"{there.name}: the controller speaks protocol 1, this tool protocol 2; the firmware is stale: "
        f"mend it with dosewright flash {cart} --rig {there.name}\n"
    ) in capsys.readouterr().err


def test_a_board_that_has_the_firmware_gets_it_anew(
    cart: Path,
    program: Program,
    board: Callable[..., Board],
    avrdude: StandIn,
    capsys: pytest.CaptureFixture[str],
) -> None:
    avrdude.says({NEW: ("", 0)}, {NEW: (WRITTEN, 0)})
    assert flash(cart, board(0, program), "--json") == 0
    printed = capsys.readouterr()
    told = json.loads(printed.out)
    assert (told["baud"], told["firmware_before"]) == (115200, True)
    assert " answers, build " in printed.err and "blank" not in printed.err
    assert len(avrdude.calls) == 2


@pytest.mark.parametrize(
    ("probe", "firmware_answers", "said"),
    [
        (
            {NEW: (NOT_IN_SYNC, 1), OLD: (NOT_IN_SYNC, 1), MEGA: (TIMEOUT, 1)},
            False,
            "neither firmware nor a bootloader (115200 or 57600 baud) answers: it is the wrong port",
        ),
        (
            {NEW: (NOT_IN_SYNC, 1), OLD: (NOT_IN_SYNC, 1)},
            True,
            "the firmware answers, but no bootloader at 115200 or 57600 baud",
        ),
        (
            {NEW: (OTHER_CHIP, 1)},
            False,
            "of another chip: found 0x1e9801 (probably m2560); wanted ATmega328P (Arduino Uno, Nano)",
        ),
        (
            {NEW: (NOT_IN_SYNC, 1), OLD: (NOT_IN_SYNC, 1), MEGA: ("", 0)},
            False,
            "of another chip: found ATmega2560 (Arduino Mega); wanted ATmega328P (Arduino Uno, Nano)",
        ),
        ({NEW: (TAKEN, 1)}, False, "avrdude cannot use it; nothing was written; it said:\navrdude OS"),
    ],
    ids=["nobody", "no bootloader", "another chip", "another protocol", "port taken"],
)
def test_why_nothing_is_written(
    cart: Path,
    program: Program,
    board: Callable[..., Board],
    avrdude: StandIn,
    probe: Said,
    firmware_answers: bool,
    said: str,
    capsys: pytest.CaptureFixture[str],
) -> None:
    avrdude.says(probe)
    assert flash(cart, board(0, program if firmware_answers else None)) == 3
    assert said in capsys.readouterr().err
    assert not avrdude.has_written and len(avrdude.calls) == len(probe)


def test_a_mega_is_written_by_its_own_protocol(
    cart: Path,
    board: Callable[..., Board],
    avrdude: StandIn,
    capsys: pytest.CaptureFixture[str],
) -> None:
    text = (cart / "machine.toml").read_text()
    (cart / "machine.toml").write_text(text.replace('"atmega328p"', '"atmega2560"'))
    avrdude.says({MEGA: (TIMEOUT, 1), NEW: (NOT_IN_SYNC, 1), OLD: (NOT_IN_SYNC, 1)})
    port = board(0)
    assert flash(cart, port) == 3
    assert avrdude.calls[:1] == [["-p", "m2560", "-c", "wiring", "-P", port.name, "-b", "115200"]]
    assert "neither firmware nor a bootloader (115200 baud) answers" in capsys.readouterr().err


def test_a_writing_that_fails_is_told_in_the_programs_words(
    cart: Path,
    board: Callable[..., Board],
    avrdude: StandIn,
    capsys: pytest.CaptureFixture[str],
) -> None:
    avrdude.says({NEW: ("", 0)}, {NEW: ("avrdude error: verification mismatch at 0x0040\n", 1)})
    assert flash(cart, board(0)) == 3
    said = capsys.readouterr().err
    assert "was not written whole, the controller may hold no program" in said
    assert said.endswith("avrdude ended with 1, saying:\navrdude error: verification mismatch at 0x0040\n")


def test_what_answers_afterwards_has_to_be_this_firmware(
    cart: Path,
    court: Court,
    board: Callable[..., Board],
    avrdude: StandIn,
    capsys: pytest.CaptureFixture[str],
) -> None:
    other = dataclasses.replace(court.compiled.machine, pause_limit=1)
    stale = TwinDevice(dataclasses.replace(court.compiled, machine=other))
    avrdude.says({NEW: ("", 0)}, {NEW: (WRITTEN, 0)})
    assert flash(cart, board(0, speaking(stale))) == 3
    assert "one of another machine.toml answers" in capsys.readouterr().err
    assert flash(cart, board(0)) == 3
    assert "was written and compared, and yet it does not answer" in capsys.readouterr().err


def test_a_controller_that_pours_is_left_alone(
    cart: Path,
    court: Court,
    board: Callable[..., Board],
    avrdude: StandIn,
    capsys: pytest.CaptureFixture[str],
) -> None:
    device = TwinDevice(court.compiled)
    session = Session(device.rig(), court.compiled)
    session.close_interlocks()
    assert session.rig.client.pour(1, 0).reason == 0
    device.advance(100)
    assert flash(cart, board(0, speaking(device))) == 3
    assert "it is pouring: wait until it is done, or stop it" in capsys.readouterr().err
    assert avrdude.calls == []


def test_without_avrdude_it_says_what_to_install_and_the_command(
    cart: Path,
    hex_file: Path,
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    assert main(["flash", str(cart), "--rig", "/dev/ttyUSB0"]) == 3
    said = capsys.readouterr().err
    assert "avrdude: not installed; to have it: apt-get install avrdude" in said
    assert said.splitlines()[1:] == [
        "  Uno, or Nano with the bootloader of 2018 and later:",
        f"    avrdude -p m328p -c arduino -P /dev/ttyUSB0 -b 115200 -D -U flash:w:{hex_file}:i",
        "  Nano with the older bootloader:",
        f"    avrdude -p m328p -c arduino -P /dev/ttyUSB0 -b 57600 -D -U flash:w:{hex_file}:i",
    ]


@pytest.mark.parametrize(
    ("rig", "code", "said"),
    [
        ("host", 2, "wanted a serial port of this computer"),
        ("socket://bench:5000", 2, "wanted a serial port of this computer"),
        ("/dev/tty-of-nobody", 3, "/dev/tty-of-nobody: there is no such port; is the cable in?"),
    ],
)
def test_what_is_no_port(
    cart: Path,
    avrdude: StandIn,
    rig: str,
    code: int,
    said: str,
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert main(["flash", str(cart), "--rig", rig]) == code
    assert said in capsys.readouterr().err
    assert avrdude.calls == []


@pytest.mark.parametrize("verb", ["load", "load --read-back", "replay", "wiring"])
def test_a_silent_port_is_answered_with_the_command_and_nothing_is_flashed_unasked(
    cart: Path,
    board: Callable[..., Board],
    avrdude: StandIn,
    verb: str,
    capsys: pytest.CaptureFixture[str],
) -> None:
    port = board(115200)
    if "--read-back" in verb:
        (cart / "calibration.toml").unlink()
    assert main([*verb.split(), str(cart), "--rig", port.name]) == 3
    said = capsys.readouterr().err
    assert "is it the right port (dosewright ports), does the cable carry data?" in said
    assert f"which resets the board: dosewright flash {cart} --rig {port.name}" in said
    assert avrdude.calls == []


@pytest.mark.parametrize("name", [name for name in targets.names() if targets.read(name).flash])
def test_every_command_is_one_line_for_its_port_and_file(name: str) -> None:
    flash = targets.read(name).flash
    assert flash
    lines = flash.by_hand("PORT", "my cart/firmware.hex")
    commands = [line.strip() for line in lines if line.startswith("    ")]
    assert len(commands) == len(flash.bootloaders)
    assert len(lines) == len(commands) * (2 if len(commands) > 1 else 1), "the boards are named if several"
    for command, kind in zip(commands, flash.bootloaders, strict=True):
        shown = subprocess.run(
            ["sh", "-c", command.replace(flash.program, "printf '%s\\n'", 1)], capture_output=True, text=True
        ).stdout.splitlines()
        assert shown[shown.index("-b") + 1] == str(kind.baud) and shown[shown.index("-P") + 1] == "PORT"
        assert "flash:w:my cart/firmware.hex:i" in shown
