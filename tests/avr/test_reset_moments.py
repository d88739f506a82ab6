"""A reset in the very cycles in which what it leaves is being written, on the simulated board.

Every try is a board of its own from the first cycle on: so many cycles always end in the same instruction.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from avr.cart import SMALL, Cart
from dosewright.gen.codes import Reason, Result
from dosewright.gen.load import load
from dosewright.gen.lower import Compiled, lower
from dosewright.hil.messages import Cause
from engine.client import framed

TICK = 16_000  # cycles
VESSEL = 0
FIRST, SECOND = (1, 0), (6, 2)  # recipes and servings: other outputs, other times
POUR = 16  # the request of LINK.md


@dataclass(frozen=True)
class Told:
    """What a host is told after the reset."""

    result: int
    reason: int
    cause: int
    pour: tuple[int, int]
    steps: tuple[tuple[int, int, int], ...]  # output, starts, planned
    on: tuple[int, ...]


NOTHING = Told(Result.NONE, Reason.NONE, 0, (0, 0), (), ())


def told(cart: Cart) -> Told:
    cart.board.command("rx 00")
    assert cart.client.identify().protocol
    status = cart.client.status()
    assert not status.on
    booked = cart.client.booked()
    return Told(
        status.result,
        status.reason,
        status.argument,
        (status.recipe, status.serving),
        tuple((step.output, step.starts, step.planned) for step in booked),
        tuple(step.on for step in booked),
    )


def first(low: int, high: int, holds: Callable[[int], bool]) -> int:
    """The least number above ``low`` for which it holds: it does for all from there to ``high``."""
    assert not holds(low) and holds(high)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if holds(middle) else (middle, high)
    return high


def reset_in_a_pour(firmware: Sequence[str], compiled: Compiled, ticks: int, cycles: int) -> Cart:
    cart = Cart(firmware, compiled)
    assert cart.client.pour(*FIRST).reason == 0
    cart.board.command(f"run {ticks}")
    cart.board.command(f"cycles {cycles}")
    cart.board.command("reset watchdog")
    return cart


def test_a_count_is_whole_but_in_the_cycles_of_a_carry(firmware: list[str]) -> None:
    """255 ticks become 256: RULES.md says by how much the count is short then, and that it is never more."""
    compiled = lower(load(SMALL))

    def on(cycles: int) -> int:
        cart = reset_in_a_pour(firmware, compiled, 240, cycles)
        cart.board.command("run 40")
        counted = told(cart).on[0]
        cart.board.close()
        return counted

    assert 220 < on(0) < 255
    begins = first(0, 20 * TICK, lambda cycles: not 220 < on(cycles) < 256)
    counts = [on(cycles) for cycles in range(begins - 20, begins + 40)]
    halfway = 256 & 0xFF  # its lowest byte is written, the one above is still that of 255
    torn = counts.count(halfway)
    assert counts == [255] * 20 + [halfway] * torn + [256] * (40 - torn)
    assert 0 < torn < 10, "cycles"


def test_the_steps_of_two_pours_are_never_mixed(firmware: list[str]) -> None:
    """What an earlier reset left is told, or the new pour, or neither; whenever the new one is accepted."""
    compiled = lower(load(SMALL))
    frame = framed(200, POUR, SECOND[0].to_bytes(2, "little") + bytes([SECOND[1]])).hex()

    def after(cycles: int) -> Told:
        cart = reset_in_a_pour(firmware, compiled, 300, 0)
        for level in (True, False):
            pin = compiled.machine.interlocks[VESSEL].pin
            cart.board.command(f"in {VESSEL} {int(pin.active_high is not level)}")
            cart.board.command("run 100")
        cart.board.command(f"rx {frame}")
        cart.board.command(f"cycles {cycles}")
        cart.board.command("reset watchdog")
        cart.board.command("run 40")
        now = told(cart)
        cart.board.close()
        return now

    old, new = after(0), after(10 * TICK)
    assert (old.reason, old.cause, old.pour) == (Reason.RESET, Cause.WATCHDOG, FIRST) and any(old.on)
    assert (new.reason, new.cause, new.pour) == (Reason.RESET, Cause.WATCHDOG, SECOND) and any(new.on)
    accepted = first(0, 10 * TICK, lambda cycles: after(cycles) != old)
    begun = first(accepted, 10 * TICK, lambda cycles: after(cycles) not in (old, NOTHING))
    assert begun - accepted < 2 * TICK
    for cycles in (*range(accepted, accepted + 700, 3), *range(begun - 9, begun)):
        assert after(cycles) == NOTHING, cycles - accepted
    for cycles in range(begun, begun + 60):
        now = after(cycles)
        assert now.pour == SECOND and (now.result, now.reason) == (Result.ABORTED, Reason.RESET)
        assert [(output, planned) for output, _, planned in now.steps] == [
            (output, planned) for output, _, planned in new.steps
        ]
        assert not any(now.on)


def test_a_reset_while_the_one_before_is_noted(firmware: list[str]) -> None:
    """As a button that bounces does: the pour is told whole, its cause is one of the two."""
    compiled = lower(load(SMALL))

    def after(cycles: int) -> Told:
        cart = reset_in_a_pour(firmware, compiled, 300, 0)
        cart.board.command(f"cycles {cycles}")
        cart.board.command("reset dtr 1")
        cart.board.command("run 40")
        now = told(cart)
        assert cart.client.pour(*FIRST).reason == Reason.VESSEL_NOT_CHANGED
        cart.board.close()
        return now

    late = after(2 * TICK)
    assert (late.result, late.reason, late.cause) == (Result.ABORTED, Reason.RESET, Cause.WATCHDOG)
    assert late.pour == FIRST and any(late.on)
    noted = first(0, 2 * TICK, lambda cycles: after(cycles).cause == Cause.WATCHDOG)
    for cycles in (*range(0, noted, 101), *range(noted - 30, noted + 60), *range(noted, 2 * TICK, 997)):
        now = after(cycles)
        cause = Cause.RESET_LINE if cycles < noted else Cause.WATCHDOG
        assert now == Told(Result.ABORTED, Reason.RESET, cause, FIRST, late.steps, late.on), cycles - noted
