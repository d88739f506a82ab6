"""A blank board from its bootloader to a menu: bootloaders that boards are sold with, on the simulated chip.

The bootloaders are those of the Arduino AVR core, as Debian packs it; avrdude speaks with them as it would
with a board of metal. Their speeds come from their own settings of the chip's UART.
"""

from __future__ import annotations

import json
import shutil
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from avr.cart import LARGE, SMALL
from dosewright.gen.cli import main
from tools import missing, need

CORE = Path("/usr/share/arduino/hardware/arduino/avr/bootloaders")
SOURCE = Path(__file__).parent / "bootboard.c"


class BlankBoard:
    """``start``: where the bootloader lies, in bytes."""

    def __init__(self, program: Path, mcu: str, bootloader: Path, start: int, folder: Path) -> None:
        self.start, self._flash = start, folder / "flash"
        self.bootloader = folder / "bootloader"
        command = ["avr-objcopy", "-I", "ihex", "-O", "binary", "--gap-fill", "0xff"]
        subprocess.run([*command, str(bootloader), str(self.bootloader)], check=True)
        self._process = subprocess.Popen(
            [str(program), mcu, str(self.bootloader), hex(start), str(self._flash)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self._process.stdout
        self.name = self._process.stdout.readline().strip()

    def end(self) -> bytes:
        """Everything in its flash."""
        self._process.communicate()
        assert self._process.returncode == 0
        return self._flash.read_bytes()


@pytest.fixture(scope="session")
def bootboard(tmp_path_factory: pytest.TempPathFactory) -> Path:
    need("avrdude")
    if not CORE.exists():
        missing("the Arduino AVR core", "apt-get install arduino-core-avr")
    made = tmp_path_factory.mktemp("bootboard") / "bootboard"
    warnings = ["-Wall", "-Wextra", "-Wpedantic", "-Werror"]
    command = ["cc", "-std=c11", "-O2", *warnings, "-o", str(made), str(SOURCE)]
    subprocess.run([*command, "-lsimavr", "-lelf", "-lutil", "-lm"], check=True)
    return made


@pytest.fixture
def blank(bootboard: Path, tmp_path: Path) -> Iterator[Callable[..., BlankBoard]]:
    boards = []

    def make(mcu: str, bootloader: str, start: int) -> BlankBoard:
        boards.append(BlankBoard(bootboard, mcu, CORE / bootloader, start, tmp_path))
        return boards[-1]

    yield make
    for board in boards:
        board.end()


@pytest.mark.parametrize(
    ("example", "mcu", "bootloader", "start", "baud"),
    [
        (SMALL, "atmega328p", "optiboot/optiboot_atmega328.hex", 0x7E00, 115200),
        (SMALL, "atmega328p", "atmega/ATmegaBOOT_168_atmega328.hex", 0x7800, 57600),
        (LARGE, "atmega2560", "stk500v2/stk500boot_v2_mega2560.hex", 0x3E000, 115200),
    ],
    ids=["Uno", "old Nano", "Mega"],
)
def test_a_blank_board_gets_firmware_and_menu(
    blank: Callable[..., BlankBoard],
    tmp_path: Path,
    example: Path,
    mcu: str,
    bootloader: str,
    start: int,
    baud: int,
    capsys: pytest.CaptureFixture[str],
) -> None:
    folder = tmp_path / "cart"
    shutil.copytree(example, folder, ignore=shutil.ignore_patterns("build"))
    board = blank(mcu, bootloader, start)
    assert main(["flash", str(folder), "--rig", board.name, "--json"]) == 0, capsys.readouterr().err
    told = json.loads(capsys.readouterr().out)
    assert (told["baud"], told["firmware_before"]) == (baud, False)

    assert main(["load", str(folder), "--rig", board.name]) == 0, capsys.readouterr().err
    assert "recipes: the same already, not written" in capsys.readouterr().out
    flash = board.end()
    image = tmp_path / "image"
    file = folder / "build" / "firmware" / "firmware.hex"
    subprocess.run(["avr-objcopy", "-I", "ihex", "-O", "binary", str(file), str(image)], check=True)
    wanted, loader = image.read_bytes(), board.bootloader.read_bytes()[: len(flash) - start]
    assert flash[: len(wanted)] == wanted
    assert set(flash[len(wanted) : start]) == {0xFF}
    assert flash[start : start + len(loader)] == loader


def test_firmware_gives_way_to_firmware(
    blank: Callable[..., BlankBoard], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The board of another machine, told by its build, gets this one's."""
    folder = tmp_path / "cart"
    shutil.copytree(SMALL, folder, ignore=shutil.ignore_patterns("build"))
    text = (folder / "machine.toml").read_text()
    assert text.count('pause_limit = "') == 1
    board = blank("atmega328p", "optiboot/optiboot_atmega328.hex", 0x7E00)
    flash, load = ([verb, str(folder), "--rig", board.name, "--json"] for verb in ("flash", "load"))
    assert main(flash) == 0, capsys.readouterr().err
    (folder / "machine.toml").write_text(text.replace('pause_limit = "', 'pause_limit = "1'))
    capsys.readouterr()
    assert main(load) == 3
    assert f"the firmware is stale: mend it with dosewright flash {folder} --rig {board.name}" in (
        capsys.readouterr().err
    )
    assert main(flash) == 0, capsys.readouterr().err
    assert json.loads(capsys.readouterr().out)["firmware_before"] is True
    assert main(load) == 0, capsys.readouterr().err
