"""Firmware onto a board by the program that its target names: find the bootloader, write, compare.

The program does the talking; here it is started, its words are passed on, and what they mean is told: no
bootloader on the port, one of another chip, or something else in the program's own words.
"""

from __future__ import annotations

import os
import re
import subprocess
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from dosewright.gen import targets
from dosewright.gen.codes import State
from dosewright.gen.fingerprint import build_digest, interface
from dosewright.gen.lower import Compiled
from dosewright.gen.problems import Exit, UserError
from dosewright.gen.targets import Bootloader, Flashing, Target
from dosewright.hil.client import Client, OtherVersion, Silent
from dosewright.hil.trouble import RigTrouble

WORDS_QUOTED = 6  # lines of the program at most


@dataclass(frozen=True, slots=True)
class Flasher:
    """``firmware`` tells whether ours answered on the port before, which tells a wrong port from a board.

    ``say`` gets each line for the person, ``through`` what the program itself says, piece by piece.
    """

    port: str
    target: Target
    flash: Flashing
    firmware: bool
    say: Callable[[str], None]
    through: Callable[[str], None]

    def find(self) -> Bootloader:
        """The bootloader that answers, its speeds tried in turn. Raises RigTrouble where none does."""
        for kind in self.flash.bootloaders:
            self.say(f"{self.port}: looking for a bootloader at {kind.baud} baud ({kind.boards})")
            code, words = _run(self.flash, self.flash.probe, self.port, kind)
            if code == 0:
                return kind
            if other := re.search(self.flash.other_chip, words, re.IGNORECASE):
                raise RigTrouble(self._other_chip(other[1]))
            if not re.search(self.flash.silent, words, re.IGNORECASE):
                raise RigTrouble(
                    f"{self.port}: {self.flash.program} cannot use it; nothing was written; it said:\n"
                    f"{_last(words)}"
                )
        raise RigTrouble(self._nobody())

    def write(self, kind: Bootloader, file: Path) -> None:
        """Write the file and compare it. Raises RigTrouble."""
        code, words = _run(self.flash, self.flash.write, self.port, kind, str(file), self.through)
        if code:
            raise RigTrouble(
                f"{self.port}: the firmware was not written whole, the controller may hold no program; "
                f"its bootloader stays: do the same again. {self.flash.program} ended with {code}, saying:\n"
                f"{_last(words)}"
            )

    def _nobody(self) -> str:
        speeds = " or ".join(str(kind.baud) for kind in self.flash.bootloaders)
        if self.firmware:
            return (
                f"{self.port}: the firmware answers, but no bootloader at {speeds} baud; the board has none, "
                "or its reset is not wired to the port: press reset at the moment this begins, or use a "
                "programmer. Nothing was written"
            )
        self.say(f"{self.port}: nobody yet; looking for a board of another kind, which takes up to a minute")
        for other in map(targets.read, targets.names()):
            flash = other.flash
            if flash is None or flash.program != self.flash.program or other.name == self.target.name:
                continue
            if any(_run(flash, flash.probe, self.port, kind)[0] == 0 for kind in flash.bootloaders):
                return self._other_chip(other.title)
        return (
            f"{self.port}: neither firmware nor a bootloader ({speeds} baud) answers: it is the wrong port "
            "(dosewright ports), or the cable only charges and carries no data, or the board has no power or "
            "no bootloader (then a programmer is needed). Nothing was written"
        )

    def _other_chip(self, found: str) -> str:
        return (
            f"{self.port}: the bootloader there is of another chip: found {found}; wanted "
            f"{self.target.title}; take another port (dosewright ports), or set target in machine.toml. "
            "Nothing was written"
        )


def firmware_on(port: str, say: Callable[[str], None]) -> bool:
    """Whether our firmware answers on the port. RigTrouble where it pours, or the port cannot be opened."""
    with Client.open(port) as client:
        try:
            found = client.identify()
            state = client.status().state
        except Silent:
            say(f"{port}: no firmware of dosewright answers")
            return False
        except OtherVersion:
            say(f"{port}: firmware of another version answers; whether it is pouring cannot be asked of it")
            return True
        if state != State.IDLE:
            raise RigTrouble(f"{port}: it is {state.name.lower()}: wait until it is done, or stop it")
    unit = f" of unit {found.unit}" if found.unit else ""
    say(f"{port}: engine {'.'.join(map(str, found.engine))}{unit} answers, build {found.build.hex()}")
    return True


def answers(port: str, folder: Path, compiled: Compiled) -> str:
    """The version of the engine that answers after the writing. RigTrouble where it is not this firmware."""
    with Client.open(port, folder) as client:
        try:
            found = client.identify()
        except Silent:
            raise RigTrouble(
                f"{port}: the firmware was written and compared, and yet it does not answer; press reset and "
                "try dosewright load; if it stays silent, the board has another crystal than its target says"
            ) from None
    if (found.interface, found.build) != (interface(compiled.machine), build_digest(compiled.machine)):
        raise RigTrouble(
            f"{port}: the firmware was written and compared, and yet one of another machine.toml answers "
            f"(build {found.build.hex()}); press reset and try dosewright load"
        )
    return ".".join(map(str, found.engine))


def missing(flash: Flashing, what: str, port: str, file: str) -> UserError:
    """The refusal where the program is not to be had, with the commands to use once it is."""
    return UserError(
        "\n".join(
            [
                f"{flash.program}: {what}; to have it: {flash.install}; then do the same again, or by hand:",
                *flash.by_hand(port, file),
            ]
        ),
        exit_code=Exit.RIG,
    )


def _run(
    flash: Flashing,
    arguments: list[str],
    port: str,
    kind: Bootloader,
    file: str = "",
    through: Callable[[str], None] = lambda _: None,
) -> tuple[int, str]:
    """Exit code and words of the program; ``through`` gets the words as they come."""
    command = flash.command(arguments, port, kind.baud, file)
    try:
        process = subprocess.Popen(
            command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT
        )
    except OSError as error:
        raise missing(flash, f"cannot be started ({error.strerror})", port, file) from None
    words = ""
    with process:
        try:
            for piece in _pieces(process.stdout):
                words += piece
                through(piece)
        except BaseException:
            process.kill()
            raise
    return process.returncode, words


def _pieces(stream: IO[bytes] | None) -> Iterator[str]:
    """What comes, as it comes: a bar grows by single signs."""
    assert stream is not None
    while piece := os.read(stream.fileno(), 4096):
        yield piece.decode("utf-8", "replace")


def _last(words: str) -> str:
    lines = [line for line in words.splitlines() if line.strip()]
    return "\n".join(lines[-WORDS_QUOTED:])
