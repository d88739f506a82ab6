"""A reset in mid-pour on the simulated board: what is told after it against what the pins did before it."""

from __future__ import annotations

from pathlib import Path

import pytest

from avr.cart import Cart, build
from avr.test_hang import BUTTON, HANGS
from dosewright.gen.codes import Reason, Result
from dosewright.gen.lower import Compiled
from dosewright.hil.avrboard.board import AvrBoard
from dosewright.hil.messages import Cause

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


def test_memory_that_another_program_left_tells_nothing(cart: Cart) -> None:
    """As after new firmware was put on: every byte 1, which would be the state of pouring one step."""
    cart.board.command("fill 256 768 01")
    cart.board.command("reset watchdog")
    cart.board.command("run 400")
    assert told(cart) == (Result.NONE, 0, 0, Cause.WATCHDOG)
    assert cart.client.booked() == []
