"""Simulated controllers that crash, hang or talk nonsense; time that only the harness moves."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import pytest
import serial

import dosewright.hil.port  # noqa: F401 - tells pyserial of the schemes
from dosewright.gen.problems import Exit
from dosewright.hil import simulated
from dosewright.hil.client import Client
from dosewright.hil.faults import Case
from dosewright.hil.junit import junit
from dosewright.hil.protocols.simulated_port import SimulatedPort
from dosewright.hil.regression import cases, replay
from dosewright.hil.rig import Rig, open_rig
from dosewright.hil.simulated import Bench
from dosewright.hil.trouble import RigCrashed, RigTrouble
from dosewright.hil.verdicts import Court

ECHO = """
import sys
tick = 4294967290
for line in sys.stdin:
    word, *rest = line.split()
    if word == "run":
        tick = (tick + int(rest[0])) % 2**32
    if word == "until":
        tick = (tick + min(3, int(rest[0]))) % 2**32
        if int(rest[0]) >= 3:
            print("tx 4142")
    if word == "quit":
        break
    {extra}
    print("ok", tick, flush=True)
"""


def child(extra: str = "pass") -> list[str]:
    return [sys.executable, "-c", ECHO.format(extra=extra)]


class Echo(SimulatedPort):
    def start_command(self, url: str) -> list[str]:
        return child()


def test_time_moves_only_when_told_and_does_not_wrap() -> None:
    bench = Bench(child())
    assert (bench.tick, bench.elapsed) == (4294967290, 0)
    bench.command("in 0 1")
    assert bench.elapsed == 0
    bench.command("run 10")
    assert (bench.tick, bench.elapsed) == (4, 10)
    bench.close()
    bench.close()


def test_a_read_waits_in_the_time_of_the_controller() -> None:
    port = Echo()
    port.port = "echo://"
    port.timeout = 0.25
    port.open()
    assert port.read(2) == b"AB" and port.bench.elapsed == 3
    assert len(port.read(1000)) == 2 * 83, "3 ticks for each answer, and no more for the last 2 ticks"
    assert port.bench.elapsed == 3 + 250
    port.timeout = 0
    assert port.read(5) == b""
    port.close()
    with pytest.raises(serial.SerialException):
        port.read(1)


def test_pyserial_opens_the_scheme(court: Court, built: Callable[[Court], Path]) -> None:
    """Any program that uses pyserial can talk to the rig, not only this one."""
    with serial.serial_for_url(f"host://{built(court)}", timeout=1) as port:
        port.write(bytes.fromhex("00 05 01 01 2c 1e 00".replace("2c 1e", "3e 1f")))
        answer = port.read_until(b"\0")
    assert answer[1:3] == b"\1\x81"


@pytest.mark.parametrize(
    ("extra", "said"),
    [
        ("if word == 'run' and rest[0] == '7': sys.exit(5)", r"ended by itself \(exit code 5\) at 'run 7'"),
        ("if word == 'run' and rest[0] == '7': sys.exit('bad news')", "it said: bad news"),
        (
            "if word == 'run' and rest[0] == '7': print('okay')",
            "answered 'okay' to 'run 7', which is no line of a rig",
        ),
        (
            "if word == 'run' and rest[0] == '7': print('error out of cups')",
            "answered 'error out of cups' to 'run 7'",
        ),
        ("if word == 'run' and rest[0] == '7': print('tx 4')", "answered 'tx 4' to 'run 7'"),
        ("if word == 'run' and rest[0] == '7': print('edge 1')", "answered 'edge 1' to 'run 7'"),
    ],
)
def test_a_child_that_fails_is_a_finding(extra: str, said: str) -> None:
    bench = Bench(child(extra))
    with pytest.raises(RigCrashed, match=said) as caught:
        bench.command("run 7")
    assert caught.value.exit_code == Exit.RIG
    bench.close()


@pytest.mark.skipif(sys.platform == "win32", reason="signals")
def test_a_signal_is_named() -> None:
    bench = Bench(child("if word == 'run' and rest[0] == '7': import os; os.kill(os.getpid(), 11)"))
    with pytest.raises(RigCrashed, match="signal 11"):
        bench.command("run 7")
    bench.close()


def test_a_hang_is_a_finding(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(simulated, "HANGS_AFTER", 0.2)
    bench = Bench(child("if word == 'run' and rest[0] == '7': import time; time.sleep(60)"))
    with pytest.raises(RigCrashed, match="hung and was ended at 'run 7'"):
        bench.command("run 7")
    bench.close()


def test_a_program_that_is_none(tmp_path: Path) -> None:
    text = tmp_path / "rig"
    text.write_text("no program")
    with pytest.raises(RigTrouble, match="cannot be started"):
        open_rig(f"host://{text}")
    with pytest.raises(RigTrouble, match=r"there is no .*missing; give a project folder or a built rig"):
        open_rig(f"host://{tmp_path / 'missing'}")


class Crashing(SimulatedPort):
    """The real engine behind a child that dies at a set time of the second pour."""

    def __init__(self, program: Path, after: int) -> None:
        super().__init__()
        self.port, self.program, self.after = f"host://{program}", program, after

    def start_command(self, url: str) -> list[str]:
        return [str(self.program)]

    def advance(self, ticks: int) -> None:
        if self.after < 0:
            self.bench._child.kill()
        self.after -= ticks
        super().advance(ticks)


def test_the_rest_is_poured_on_a_new_one(court: Court, built: Callable[[Court], Path]) -> None:
    """A crash fails its own pour alone, as an error in JUnit."""
    lives = [8_000, 1 << 40]

    def open_it() -> Rig:
        port = Crashing(built(court), lives.pop(0))
        port.open()
        return Rig("host", Client(port, "host", port.now), port)

    pours = [Case(case.recipe, case.serving) for case in cases(court.compiled, (), ["sample"])[:4]]
    verdicts = list(replay(court, open_it, pours))
    assert [v.crashed for v in verdicts] == [False, True, False, False]
    assert [v.passed for v in verdicts] == [True, False, True, True]
    assert "ended by itself" in verdicts[1].findings[0]
    assert b'errors="1"' in junit(verdicts, "cart", "host")
