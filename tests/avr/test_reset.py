"""A reset in mid-pour on the simulated board: what is told after it against what the pins did before it."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from avr.cart import SMALL, Cart, build
from avr.test_hang import BUTTON, HANGS
from dosewright.gen.codes import Reason, Result, State
from dosewright.gen.load import load
from dosewright.gen.lower import Compiled, lower
from dosewright.hil import restarts
from dosewright.hil.avrboard.board import AvrBoard
from dosewright.hil.messages import Cause
from dosewright.hil.protocols.simulated_port import SimulatedPort
from dosewright.hil.replay import Session
from dosewright.hil.rig import open_rig
from dosewright.hil.verdicts import Court

TICK = 16_000  # cycles


def ticks_on(board: AvrBoard, compiled: Compiled, output: int, until: int) -> float:
    """How long a pin was on before a cycle."""
    described = compiled.machine.outputs[output].pin
    assert described
    total, since = 0, None
    for pin in board.happened.pins:
        if pin.output != output or pin.cycle > until:
            continue
        on = pin.level is not None and bool(pin.level) == described.active_high
        if on and since is None:
            since = pin.cycle
        elif not on and since is not None:
            total, since = total + pin.cycle - since, None
    return (total + (until - since if since is not None else 0)) / TICK


def compare(cart: Cart, until: int) -> None:
    """Booked amounts equal what the pins saw before a cycle, within a tick."""
    booked = cart.client.booked()
    assert any(step.on for step in booked)
    outputs = cart.compiled.machine.outputs
    for step in booked:
        if outputs[step.output].pin and step.output < cart.compiled.machine.channels:
            assert step.on == pytest.approx(ticks_on(cart.board, cart.compiled, step.output, until), abs=1.01)


def told(cart: Cart) -> tuple[int, int, int, Cause]:
    cart.board.command("rx 00")
    cause = cart.client.identify().cause
    status = cart.client.status()
    assert not status.on
    return status.result, status.reason, status.argument, cause


def test_the_watchdog_in_mid_pour(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The main loop hangs; the tick goes on until the watchdog bites, and what it poured is told."""
    command, _, compiled = build(tmp_path, monkeypatch, [HANGS["the main loop"]])
    cart = Cart(command, compiled)
    board = cart.board
    assert cart.client.identify().cause == Cause.POWER
    assert cart.client.pour(1, 0).reason == 0
    board.command("run 1500")
    board.command(f"in {BUTTON} 0")
    board.command(f"cycles {140 * TICK}")
    board.command(f"in {BUTTON} 1")
    (_, (reset, kind), *_) = board.happened.resets
    assert kind == "watchdog"
    board.command("run 400")
    assert told(cart) == (Result.ABORTED, Reason.RESET, Cause.WATCHDOG, Cause.WATCHDOG)
    compare(cart, reset)
    board.command("reset power")
    board.command("run 100")
    assert told(cart) == (Result.NONE, 0, 0, Cause.POWER)
    assert cart.client.booked() == []
    board.close()


def test_a_host_that_opens_the_port_in_mid_pour(cart: Cart) -> None:
    assert cart.client.pour(1, 0).reason == 0
    cart.board.command("run 1500")
    cart.board.command("reset dtr 300")
    reset = cart.board.happened.resets[-1][0]
    cart.board.command("run 400")
    assert told(cart) == (Result.ABORTED, Reason.RESET, Cause.RESET_LINE, Cause.RESET_LINE)
    compare(cart, reset)


@pytest.mark.parametrize("scheme", ["avr", "host"])
def test_a_program_that_raises_dtr_in_mid_pour(scheme: str, tmp_path: Path) -> None:
    """On Uno, Nano and Mega a capacitor couples DTR's change to asserted to the chip's reset (from memory).

    This program holds the line; another one that takes the port over lets it go and asserts it.
    """
    folder = shutil.copytree(SMALL, tmp_path / "cart", ignore=shutil.ignore_patterns("build"))
    project = load(folder)
    court = Court.of(project, lower(project))
    with open_rig(f"{scheme}://{folder}") as rig:
        port = rig.bench
        assert isinstance(port, SimulatedPort)
        assert rig.client.identify().cause == Cause.POWER, "opening did not reset it"
        Session(rig, court.compiled).prepare()
        assert rig.client.pour(1, 0).reason == 0
        rig.wait(1500, 1000)
        booked = [step.on for step in rig.client.booked()]
        port.dtr = True
        rig.wait(600, 1000)
        after = rig.client.status()
        assert after.state == State.IDLE and not after.on
        assert (after.result, after.reason, after.argument) == (
            Result.ABORTED,
            Reason.RESET,
            Cause.RESET_LINE,
        )
        assert any(booked) and [step.on for step in rig.client.booked()] >= booked
        said = restarts.told(rig.client, rig.client.identify(), court.compiled, court.names)
        assert "it was reset while it poured" in said and " ml (" in said
        started = rig.client.status().tick
        port.dtr = True
        port.dtr = False
        rig.wait(600, 1000)
        assert rig.client.status().tick > started + 500, "only a change to asserted resets"


def test_the_reset_line_is_told_whatever_the_registers_hold(firmware: list[str]) -> None:
    """The board's bootloader hands over no reason in r2: what is left there must be none."""
    supply = 1 << 2  # BORF in MCUSR: ATmega328P data sheet
    cart = Cart(firmware, lower(load(SMALL)), f"fill 2 1 {supply:02x}")
    for cycles in range(0, 36_000, 700):  # from the first instruction on until the second tick
        for command in ("reset dtr 1", f"cycles {cycles}", "reset dtr 1", "run 30"):
            cart.board.command(command)
        assert cart.client.identify().cause == Cause.RESET_LINE, cycles
    cart.board.close()


def test_memory_that_another_program_left_tells_nothing(cart: Cart) -> None:
    """As after new firmware was put on: every byte 1, which would be the state of pouring one step."""
    cart.board.command("fill 256 768 01")
    cart.board.command("reset watchdog")
    cart.board.command("run 400")
    assert told(cart) == (Result.NONE, 0, 0, Cause.WATCHDOG)
    assert cart.client.booked() == []
