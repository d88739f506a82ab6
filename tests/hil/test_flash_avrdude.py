"""The verb flash with the real avrdude, where it is installed, and a board of ``tests/bootloader.py``."""

from __future__ import annotations

import json
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from dosewright.gen.cli import main
from dosewright.hil import client
from tools import need

pytest.importorskip("pty", reason="pseudo terminals are POSIX only")
from bootloader import Board, Program

EXAMPLE = Path(__file__).parents[2] / "examples" / "soda-cart"


def flash(folder: Path, board: Board, *words: str) -> int:
    return main(["flash", str(folder), "--rig", board.name, *words])


@pytest.fixture(scope="module")
def built_cart(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The example with its firmware, compiled."""
    need("avrdude", "avr-gcc")
    folder = tmp_path_factory.mktemp("flash") / "cart"
    shutil.copytree(EXAMPLE, folder, ignore=shutil.ignore_patterns("build"))
    assert main(["build", str(folder)]) == 0
    return folder


def image(folder: Path) -> bytes:
    """What is in the Intel HEX, as the GNU tools read it."""
    made = folder / "image.bin"
    file = folder / "build" / "firmware" / "firmware.hex"
    subprocess.run(["avr-objcopy", "-I", "ihex", "-O", "binary", str(file), str(made)], check=True)
    return made.read_bytes()


@pytest.mark.parametrize("speed", [115200, 57600])
def test_avrdude_writes_to_a_blank_board(
    built_cart: Path,
    program: Program,
    board: Callable[..., Board],
    speed: int,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setattr(client, "REPEATS_AT_BOOT", 4)
    blank = board(speed, program)
    assert flash(built_cart, blank, "--json") == 0
    printed = capsys.readouterr()
    told = json.loads(printed.out)
    assert (told["baud"], told["firmware_before"]) == (speed, False)
    wanted = image(built_cart)
    assert bytes(blank.flash[: len(wanted)]) == wanted and set(blank.flash[len(wanted) :]) == {0xFF}
    assert "Writing | ####" in printed.err and "verified" in printed.err


def test_avrdude_refuses_another_chip(
    built_cart: Path,
    board: Callable[..., Board],
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """The signature of an ATmega2560, as in its data sheet."""
    monkeypatch.setattr(client, "REPEATS_AT_BOOT", 2)
    mega = board(115200, signature=bytes.fromhex("1e9801"))
    assert flash(built_cart, mega) == 3
    said = capsys.readouterr().err
    assert "the bootloader there is of another chip: found 0x1e9801" in said and "Nothing was written" in said
    assert mega.pages == []


def test_a_flash_cell_that_does_not_hold_is_found(
    built_cart: Path,
    program: Program,
    board: Callable[..., Board],
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setattr(client, "REPEATS_AT_BOOT", 2)
    worn = board(115200, program, stuck=0x123)
    assert flash(built_cart, worn) == 3
    said = capsys.readouterr().err
    assert "was not written whole" in said and "0x0123" in said
