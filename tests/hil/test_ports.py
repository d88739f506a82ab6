"""Ports as they fail in life: missing, busy, garbage, vanished in mid-pour; and a pour in real time."""

from __future__ import annotations

import contextlib
import os
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from dosewright.gen.load import load
from dosewright.gen.lower import lower
from dosewright.gen.problems import Exit
from dosewright.hil.client import Client
from dosewright.hil.regression import cases, replay
from dosewright.hil.replay import Session
from dosewright.hil.rig import open_rig
from dosewright.hil.trouble import RigTrouble
from dosewright.hil.verdicts import Court
from real_time import RealTime

pty = pytest.importorskip("pty", reason="pseudo terminals are POSIX only")
if sys.platform != "win32":
    import fcntl
    import tty

ONE_LINE = {
    "machine.toml": """
[machine]
name = "One measure"
target = "atmega328p"
vessel = "50 ml"
[channel]
A = { pin = "D4", actuator = "diaphragm pump" }
[stage.lamp]
pin = "D5"
[button.enough]
pin = "A0"
does = "stop"
""",
    "recipes.toml": """
[serving]
one = "20 ml"
[recipe.Water]
parts = { water = 1 }
""",
    "loaded.toml": 'A = { liquid = "water" }\n',
    "calibration.toml": '[channel]\nA = { rate = "1200 ml/min" }\n',
}


@pytest.fixture(scope="module")
def one_line(tmp_path_factory: pytest.TempPathFactory) -> Court:
    folder = tmp_path_factory.mktemp("one")
    for name, text in ONE_LINE.items():
        (folder / name).write_text(text, encoding="utf-8")
    project = load(folder)
    return Court.of(project, lower(project))


@pytest.fixture
def line() -> Iterator[tuple[int, str]]:
    """A pseudo terminal: the file descriptor of the far end, and the name of the near one."""
    far, near = pty.openpty()
    tty.setraw(near)
    yield far, os.ttyname(near)
    for descriptor in (far, near):
        with contextlib.suppress(OSError):
            os.close(descriptor)


def trouble(url: str) -> str:
    with pytest.raises(RigTrouble) as caught:
        open_rig(url)
    assert caught.value.exit_code == Exit.RIG
    return str(caught.value)


def test_a_port_that_does_not_exist() -> None:
    said = trouble("/dev/tty-of-nobody")
    assert (
        said.startswith("/dev/tty-of-nobody: there is no such port; is the cable in?")
        and "dosewright ports" in said
    )


def test_a_port_that_another_program_holds(line: tuple[int, str]) -> None:
    with Path(line[1]).open("rb", buffering=0) as held:
        fcntl.flock(held, fcntl.LOCK_EX)
        assert "another program holds the port; close its serial monitor" in trouble(line[1])


def test_a_file_that_is_no_port(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    assert "cannot be opened" in trouble(str(tmp_path / "file"))
    assert "cannot be opened" in trouble(str(tmp_path))


def test_a_scheme_that_nobody_knows() -> None:
    assert "not a port that can be opened" in trouble("carrier-pigeon://loft")


def test_a_socket_that_nobody_listens_on() -> None:
    assert "socket://127.0.0.1:1: cannot be opened" in trouble("socket://127.0.0.1:1")


def test_a_device_that_talks_of_other_things(line: tuple[int, str]) -> None:
    far, name = line

    def babble() -> None:
        with contextlib.suppress(OSError):
            while os.read(far, 100):
                os.write(far, b"Hello, I am a thermometer.\r\n")

    threading.Thread(target=babble, daemon=True).start()
    with open_rig(name) as rig, pytest.raises(RigTrouble, match="something answers there, but not in frames"):
        rig.client.identify()


def test_a_device_that_says_nothing(line: tuple[int, str]) -> None:
    with open_rig(line[1]) as rig, pytest.raises(RigTrouble, match=r"no answer within 4\.25 s"):
        rig.client.identify()


@pytest.fixture
def real_time(one_line: Court, built: Callable[[Court], Path]) -> Iterator[RealTime]:
    running = RealTime(built(one_line))
    yield running
    running.end()


def test_a_pour_in_real_time_over_a_terminal(one_line: Court, real_time: RealTime) -> None:
    """A rig whose time nobody moves and whose pins nobody watches: judged by the controller's own trace."""
    (verdict,) = replay(one_line, lambda: open_rig(real_time.name), cases(one_line.compiled))
    assert verdict.findings == ()
    assert (verdict.witness, verdict.edges, verdict.seconds) == (False, 2, 1.0)


def test_a_port_that_vanishes_in_mid_pour(one_line: Court, real_time: RealTime) -> None:
    def pull_the_cable() -> None:
        time.sleep(0.4)
        real_time.child.kill()

    session = Session(open_rig(real_time.name), one_line.compiled)
    session.close_interlocks = lambda: None  # type: ignore[method-assign]
    session.prepare()
    threading.Thread(target=pull_the_cable, daemon=True).start()
    with pytest.raises(RigTrouble, match=r"look at the machine before trying again|no answer within"):
        session.pour(one_line.compiled.recipes.recipes[0], 0)


def test_an_interlock_that_a_person_has_to_close(court: Court, built: Callable[[Court], Path]) -> None:
    """On a real rig only a person moves switches: they are asked, or told what the controller misses."""
    running = RealTime(built(court))
    try:
        with (
            open_rig(running.name) as rig,
            pytest.raises(RigTrouble, match=r"put the vessel in place \(glass\)"),
        ):
            Session(rig, court.compiled).prepare()
    finally:
        running.end()


def test_ctrl_c_in_mid_pour_stops_the_pour(one_line: Court, real_time: RealTime) -> None:
    session = Session(open_rig(real_time.name), one_line.compiled)
    session.prepare()
    plain = session.rig.client.trace
    looks = iter(range(10))

    def interrupted():  # type: ignore[no-untyped-def]
        if next(looks) == 2:
            raise KeyboardInterrupt
        return plain()

    session.rig.client.trace = interrupted  # type: ignore[method-assign]
    with pytest.raises(KeyboardInterrupt):
        session.pour(one_line.compiled.recipes.recipes[0], 0)
    session.rig.wait(50, one_line.compiled.machine.tick_us)
    status = session.rig.client.status()
    assert (status.result, status.reason, status.on) == (2, 1, frozenset()), "aborted by stop, everything off"
    session.rig.close()


def test_a_client_opens_a_port_by_name(line: tuple[int, str]) -> None:
    far, name = line
    with Client.open(name) as client, pytest.raises(RigTrouble):
        client.identify()
    assert os.read(far, 1000).startswith(bytes.fromhex("00 05 01 01 3e 1f 00")), (
        "sequence 1, type 1, CRC 3e1f"
    )
