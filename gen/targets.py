"""The controllers there are: a folder with a ``target.toml`` each. Adding one touches no code."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
import tomllib
from collections.abc import Collection
from fractions import Fraction
from importlib.resources import files
from pathlib import Path

from pydantic import Field, ValidationError

from dosewright.gen.models.base import Table
from dosewright.gen.problems import UserError

MOST_SKEW = 8  # cycles that the pins of one tick may change apart


class TargetPin(Table):
    """One pin: port and bit, as the target's port code numbers them, and what it cannot be used for."""

    number: int = Field(255, ge=0, le=255)  # what board libraries call it; 255: they have no number for it
    port: int = Field(ge=0, le=31)
    bit: int = Field(ge=0, le=31)
    not_output: str = ""  # the reason why no output may be wired to it
    not_input: str = ""


class BuildRecipe(Table):
    """How firmware is made. Sources (patterns) and includes are relative to the folder of all targets."""

    compilers: list[str] = Field(min_length=1)  # the first that is installed is used
    install: str  # what to do where none is
    sources: list[str]
    includes: list[str]
    flags: list[str]
    product: str  # the file that is made, without the suffix that an operating system adds
    after: list[list[str]] = Field([])  # commands run on it; {product} stands for its name


class Limits(Table):
    """What firmware may take, in bytes; a build above it is refused."""

    flash: int = Field(gt=0)
    ram: int = Field(gt=0)  # static and the deepest stack


class Bootloader(Table):
    """One kind of bootloader that boards of a target have: its speed, and on which boards it is."""

    baud: int = Field(gt=0)
    boards: str


class Flashing(Table):
    """How firmware is put onto the board, over the port of its link, by a program that others wrote.

    In the arguments {port}, {baud} and {file} stand for what they say. By what the program says a port where
    no bootloader answers (``silent``) is told from one where another chip does (``other_chip``, whose first
    group is what was found): regular expressions. What fails otherwise is shown in the program's own words.
    """

    program: str
    install: str
    file: str  # the product that is written
    bootloaders: list[Bootloader] = Field(min_length=1)  # tried in turn
    probe: list[str]  # arguments that read the chip's signature and leave all as it is
    write: list[str]  # arguments that write the file and compare it
    silent: str
    other_chip: str

    def command(self, arguments: list[str], port: str, baud: int, file: str = "") -> list[str]:
        """The program and these arguments, filled in."""
        values = {"port": port, "baud": baud, "file": file}
        return [self.program, *(argument.format(**values) for argument in arguments)]

    def by_hand(self, port: str, file: str) -> list[str]:
        """The commands that write the file, each a line to paste, under the boards that it is for."""
        quoted = subprocess.list2cmdline if sys.platform == "win32" else shlex.join
        lines = []
        for kind in self.bootloaders:
            lines += [f"  {kind.boards}:"] if len(self.bootloaders) > 1 else []
            lines.append("    " + quoted(self.command(self.write, port, kind.baud, file)))
        return lines


class Simulation(Table):
    """What the simulated board has to know of the chip."""

    mcu: str
    clock: int = Field(gt=0)  # hertz
    tick_vector: int = Field(ge=1, le=63)  # number of the tick's interrupt
    ports: list[str]  # letter of each port, by its index


class Target(Table):
    """A controller: what a machine built on it may use. A target without pins is a rig only."""

    name: str = ""
    title: str
    most_outputs: int = Field(ge=1, le=64)  # channels and stages together
    tick_us: tuple[int, int]  # the shortest and the longest tick
    store_bytes: int = Field(ge=0)
    frame_limit: int = Field(ge=32, le=256)
    # by index: cycles from the writing of a port to that of the next; empty where the port does not say
    port_cycles: list[int] = Field([])
    pin: dict[str, TargetPin] = Field({})
    build: BuildRecipe | None = None
    limits: Limits | None = None
    flash: Flashing | None = None
    simulation: Simulation | None = None

    @property
    def is_host(self) -> bool:
        """Whether its firmware is a process of this computer: it has no pins."""
        return not self.pin

    def free(
        self, taken: Collection[str] = (), *, as_output: bool = False, as_input: bool = False
    ) -> list[str]:
        """The pins that are not taken and are fit for what is asked, in the board's order."""
        return [
            name
            for name, pin in self.pin.items()
            if name not in taken and not (as_output and pin.not_output) and not (as_input and pin.not_input)
        ]

    def skew(self, ports: Collection[int]) -> int:
        """Cycles between the first and the last pin of one tick where these ports have outputs.

        Ports are written one after another, in order. 0 where the target does not say what that takes.
        """
        return sum(self.port_cycles[port] for port in sorted(set(ports))[:-1]) if self.port_cycles else 0

    def tick_allowed(self, tick: Fraction) -> bool:
        """Whether the timer can do a tick of so many seconds: whole microseconds within the range."""
        microseconds = tick * 1_000_000
        return microseconds.denominator == 1 and self.tick_us[0] <= microseconds <= self.tick_us[1]


def folder_of_targets() -> Path:
    """Where the targets and the engine lie."""
    return Path(str(files("dosewright.targets")))


def names(*, with_pins: bool = True) -> list[str]:
    """The targets there are, in order; without ``with_pins`` also those that are rigs only."""
    found = sorted(path.parent.name for path in folder_of_targets().glob("*/target.toml"))
    return [name for name in found if not with_pins or read(name).pin]


def by_board(words: str) -> str | None:
    """The one target that a board's name, such as Uno or "Arduino Mega", is meant for."""
    asked = _words(words)
    meant = [name for name in names() if asked and asked <= _words(read(name).title)]
    return meant[0] if len(meant) == 1 else None


def _words(text: str) -> set[str]:
    return set(re.findall(r"[a-z0-9]+", text.lower()))


def read(name: str) -> Target:
    """One target's description. Raises UserError where there is none of that name, or it is damaged."""
    path = folder_of_targets() / name / "target.toml"
    if not name or Path(name).name != name or not path.is_file():
        raise UserError(f"no target {name!r}; there is {', '.join(names(with_pins=False))}")
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
        # pydantic's strict mode takes no list for a tuple
        data["tick_us"] = tuple(data.get("tick_us", ()))
        return Target.model_validate({**data, "name": name})
    except (OSError, ValueError, ValidationError) as error:
        raise UserError(f"targets/{name}/target.toml is damaged: {error}") from error
