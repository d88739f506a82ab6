"""The lines of a serial port that reset a board: what opening and closing a port does to them.

Opening raises DTR; the last close lets it go where HUPCL is set (POSIX.1, General Terminal Interface, from
memory). A pseudo terminal has no such lines, but it keeps the flag.
"""

from __future__ import annotations

import contextlib
import os
import pty
import termios
import tty
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import pytest
import serial

from dosewright.gen.cli import main
from dosewright.gen.problems import Exit
from dosewright.hil import port as opening
from dosewright.hil.port import open_port, opening_resets
from project_files import LEAST, put
from tools import need


@pytest.fixture
def line() -> Iterator[tuple[int, str]]:
    """A pseudo terminal whose last close lets its lines go: a descriptor that stays open, and its name."""
    far, near = pty.openpty()
    tty.setraw(near)
    attributes = termios.tcgetattr(near)
    attributes[2] |= termios.HUPCL
    termios.tcsetattr(near, termios.TCSANOW, attributes)
    yield near, os.ttyname(near)
    for descriptor in (far, near):
        with contextlib.suppress(OSError):
            os.close(descriptor)


@pytest.fixture
def moved(monkeypatch: pytest.MonkeyPatch) -> list[tuple[str, bool]]:
    """What was asked of the lines of any port."""
    asked: list[tuple[str, bool]] = []
    monkeypatch.setattr(
        serial.Serial, "_update_dtr_state", lambda self: asked.append(("dtr", self._dtr_state))
    )
    monkeypatch.setattr(
        serial.Serial, "_update_rts_state", lambda self: asked.append(("rts", self._rts_state))
    )
    monkeypatch.setattr(opening, "BOOT_QUIET", 0, raising=False)  # nobody boots here
    return asked


def hangs_up(descriptor: int) -> bool:
    return bool(termios.tcgetattr(descriptor)[2] & termios.HUPCL)


def test_an_opened_port_keeps_its_lines_up_when_it_is_closed(
    line: tuple[int, str], moved: list[tuple[str, bool]]
) -> None:
    near, name = line
    assert opening_resets(name) and hangs_up(near)
    for _ in range(2):
        port = open_port(name, timeout=0.1)
        assert not hangs_up(near)
        port.close()
    assert not hangs_up(near)
    assert {("dtr", False), ("rts", False)}.isdisjoint(moved), "a line that is let go is raised at the next"


def test_where_the_system_can_hold_them_the_lines_are_never_raised(
    line: tuple[int, str], moved: list[tuple[str, bool]], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(opening, "sys", SimpleNamespace(platform="win32"))
    assert not opening_resets(line[1])
    open_port(line[1], timeout=0.1).close()
    assert moved == [("dtr", False), ("rts", False)]


CAUTION = "{}: opening the port may reset the controller; a pour that runs on it would end"


@pytest.mark.parametrize("words", [["load"], ["load", "--read-back"], ["replay"], ["wiring"], ["flash"]])
@pytest.mark.parametrize("quiet", [False, True])
def test_every_verb_says_what_opening_may_do_before_it_opens(
    line: tuple[int, str],
    tmp_path: Path,
    words: list[str],
    quiet: bool,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Once, and not among what a program reads where --json is said."""
    verb, *how = words
    if verb == "flash":
        need("avr-gcc", "avrdude")
    folder = put(tmp_path / "cart", LEAST)
    if how:
        (folder / "recipes.toml").unlink()
    printed: list[tuple[str, str]] = []

    def opened(_: serial.Serial) -> None:
        printed.append(capsys.readouterr())
        raise serial.SerialException("seen enough")

    monkeypatch.setattr(serial.Serial, "open", opened)
    how += ["--json"] if quiet else []
    assert main([verb, str(folder), "--rig", line[1], *how]) == Exit.RIG
    (before,) = printed
    said = (before[1] if quiet or verb != "flash" else before[0]).splitlines()
    assert said.count(CAUTION.format(line[1])) == 1
    assert not quiet or before[0] == ""
    after = capsys.readouterr()
    assert after.err == f"{line[1]}: cannot be opened (seen enough)\n" and "may reset" not in after.out


@pytest.mark.parametrize("verb", ["load", "replay", "wiring", "flash"])
def test_nobody_is_warned_of_a_port_that_is_not_there(
    tmp_path: Path, verb: str, capsys: pytest.CaptureFixture[str]
) -> None:
    if verb == "flash":
        need("avr-gcc", "avrdude")
    assert main([verb, str(put(tmp_path, LEAST)), "--rig", "/dev/no-such-port"]) == Exit.RIG
    printed = "".join(capsys.readouterr())
    assert "there is no such port" in printed and "reset" not in printed


def test_a_port_of_another_computer_is_held_there() -> None:
    assert not opening_resets("rfc2217://bench:4000") and not opening_resets("socket://bench:4000")
