"""Tools from outside that some tests need. Absent: skipped with the install line; in CI that is a failure."""

from __future__ import annotations

import os
import shutil
from typing import NoReturn

import pytest

INSTALL = {
    "cc": "apt-get install gcc",
    "gcc": "apt-get install gcc",
    "g++": "apt-get install g++",
    "clang": "apt-get install clang",
    "clang++": "apt-get install clang",
    "cppcheck": "apt-get install cppcheck",
    "clang-tidy": "apt-get install clang-tidy",
    "avr-gcc": "apt-get install gcc-avr avr-libc binutils-avr",
    "avr-g++": "apt-get install gcc-avr avr-libc binutils-avr",
    "avrdude": "apt-get install avrdude",
    "avr-nm": "apt-get install binutils-avr",
    "avr-size": "apt-get install binutils-avr",
    "arm-none-eabi-gcc": "apt-get install gcc-arm-none-eabi libnewlib-arm-none-eabi",
    "sdcc": "apt-get install sdcc sdcc-libraries",
    "s51": "apt-get install sdcc-ucsim",
    "sstm8": "apt-get install sdcc-ucsim",
    "sdcpp": "apt-get install sdcc",
    "gpasm": "apt-get install gputils",
    "gplink": "apt-get install gputils",
    "gpsim": "apt-get install gpsim",
    "riscv64-unknown-elf-gcc": "apt-get install gcc-riscv64-unknown-elf",
    "riscv64-unknown-elf-objcopy": "apt-get install binutils-riscv64-unknown-elf",
}


def need(*tools: str) -> None:
    """Skip the running test where a tool is missing, saying how to get it; fail instead when CI is set."""
    for tool in tools:
        if shutil.which(tool) is None:
            missing(tool, INSTALL[tool])


def missing(what: str, install: str) -> NoReturn:
    """Skip (in CI: fail) for something that is not there."""
    reason = f"{what} is not installed; to run this: {install}"
    if os.environ.get("CI"):
        pytest.fail(f"{reason} (nothing may be skipped in CI)")
    pytest.skip(reason)
