"""The AVR tools, and programs compiled once for a whole run."""

from __future__ import annotations

import ctypes.util
import shutil
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from avr.cart import SMALL, Cart
from dosewright.gen.load import load
from dosewright.gen.lower import lower
from dosewright.hil.avrboard.project import board_command
from tools import missing

INSTALL = "apt-get install gcc-avr avr-libc libsimavr-dev libelf-dev"


@pytest.fixture(scope="session", autouse=True)
def avr_tools() -> None:
    """Every test here needs the AVR compiler and the simulator."""
    for tool in ("avr-gcc", "avr-objcopy", "cc"):
        if shutil.which(tool) is None:
            missing(tool, INSTALL)
    if not Path("/usr/include/simavr/sim_avr.h").exists() or not ctypes.util.find_library("elf"):
        missing("libsimavr", INSTALL)


@pytest.fixture(scope="session")
def compile_avr(avr_tools: None, tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Path]:
    """Compile sources with these flags; returns the ELF."""

    def compiled(*sources: Path, flags: tuple[str, ...] = (), chip: str = "atmega328p") -> Path:
        elf = tmp_path_factory.mktemp("avr") / "program.elf"
        command = [
            "avr-gcc",
            f"-mmcu={chip}",
            "-DF_CPU=16000000UL",
            "-Os",
            *flags,
            "-o",
            str(elf),
            *map(str, sources),
        ]
        subprocess.run(command, check=True)
        return elf

    return compiled


@pytest.fixture(scope="session")
def firmware(avr_tools: None, tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    """The command that starts a board with the small example in it, built once."""
    project = load(SMALL)
    return board_command(lower(project), project.target, tmp_path_factory.mktemp("firmware"))


@pytest.fixture
def cart(firmware: list[str]) -> Iterator[Cart]:
    """A board of its own for a test, with every interlock closed."""
    cart = Cart(firmware, lower(load(SMALL)))
    yield cart
    cart.board.close()
