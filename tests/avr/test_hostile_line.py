"""What no line and no switch should do, while the board pours: neither an edge nor the plan cares.

Together more than 10^6 bytes arrive at line rate; each kind of them during whole pours.
"""

from __future__ import annotations

from random import Random

import pytest

from avr.cart import Cart
from dosewright.gen.codes import Code, Reason, State
from dosewright.gen.plan import plan
from dosewright.hil.avrboard.accuracy import accuracy
from dosewright.hil.frames import Frame, pack
from dosewright.hil.messages import Entry, Request

VESSEL = 0
BYTES = 1_000_000  # of all kinds together
GAP = 60  # cycles between two bytes at most, a twentieth of a byte: nothing falls into step with the tick
LIMIT = 96  # bytes of a frame on the wire, its 0x00 included, on an ATmega328P: LINK.md
HARMFUL = [  # requests that would be seen on the pins if they were carried out
    (Request.STOP, b""),
    (Request.JOG, b"\x05\x01"),
    (Request.POUR, b"\x01\x00\x00"),
    (Request.GO_ON, b""),
    (Request.UPLOAD_BEGIN, b"R\x10\x00\x00\x00"),
    (Request.TRACE, b""),
]


def of_length(on_the_wire: int, number: int) -> bytes:
    """A frame of this length with a good CRC, of a request that nobody knows."""
    return pack(Frame(number, 99, bytes([7] * (on_the_wire - 6))))


def bytes_of(kind: str) -> bytes:
    dice = Random(kind)
    out = bytearray()
    while len(out) < 6000:
        request, payload = dice.choice(HARMFUL)
        frame = bytearray(pack(Frame(dice.randrange(256), request, payload)))
        match kind:
            case "garbage":
                out.append(dice.randrange(256))
            case "no end":
                out.append(dice.randrange(1, 256))
            case "half frames":
                out += frame[: dice.randrange(1, len(frame) - 1)] + b"\0" * dice.randrange(2)
            case "wrong CRC":
                frame[-2 - dice.randrange(2)] ^= 1 << dice.randrange(8)
                out += frame[:-1].replace(b"\0", b"\x2a") + b"\0"
            case "at the limit":
                out += of_length(LIMIT, dice.randrange(256))
            case "above the limit":
                out += of_length(LIMIT + dice.choice([1, 2, 50, 150]), dice.randrange(256))
    return bytes(out)


KINDS = ("garbage", "no end", "half frames", "wrong CRC", "at the limit", "above the limit")


def differences(cart: Cart, number: int, trace: list[Entry], first_pin: int) -> list[str]:
    """Where a pour of the smallest serving is not what was planned, to the tick, or its pins are late."""
    machine = cart.compiled.machine
    (recipe,) = (recipe for recipe in cart.compiled.recipes.recipes if recipe.number == number)
    (asked,) = (entry.tick for entry in trace if entry.code == Code.POUR)
    switched = [
        (entry.tick - asked, entry.argument, entry.code == Code.ON)
        for entry in trace
        if entry.code in (Code.ON, Code.OFF)
    ]
    planned = [(edge.tick, edge.output, edge.on) for edge in plan(cart.compiled, recipe, 0).edges]
    found = [] if switched == planned else [f"planned {planned}, found {switched}"]
    pins = accuracy(machine, trace, cart.board.happened.pins[first_pin:], 16 * machine.tick_us)
    if not pins.good:
        found += [*pins.differences, f"worst {pins.timing.worst}, skew {pins.timing.skew}"]
    return found


@pytest.mark.parametrize("kind", KINDS)
def test_whatever_arrives_moves_no_edge(cart: Cart, kind: str) -> None:
    arriving = f"{GAP} {bytes_of(kind).hex()}"
    number = 0
    while cart.board.counts()["bytes"] < BYTES / len(KINDS):
        number += 1
        first = len(cart.board.happened.pins)
        trace = cart.pour(number, 0, arriving)
        assert differences(cart, number, trace, first) == []
    counts = cart.board.counts()
    print(f"{counts['bytes']} bytes in {number} pours, {counts['overruns']} lost")
    assert (counts["framing"], counts["tx_lost"], counts["writes"]) == (0, 0, 0)


def shaking(*inputs: int) -> str:
    """A storm on these inputs: every few microseconds, far more often than they are read."""
    return f"100 {sum(1 << index for index in inputs)}"


def test_buttons_that_shake_for_ever_change_nothing(cart: Cart) -> None:
    """None of them is steady for its debounce time."""
    interlocks, buttons = len(cart.compiled.machine.interlocks), len(cart.compiled.machine.buttons)
    storm = shaking(*range(interlocks, interlocks + buttons))
    for number in (1, 5):
        first = len(cart.board.happened.pins)
        trace = cart.pour(number, 0, storm=storm)
        assert differences(cart, number, trace, first) == []
        after = cart.client.status()
        assert (after.pressed, after.state) == (0, State.IDLE)


def test_a_glass_that_shakes_for_ever_stands_there_still(cart: Cart) -> None:
    for number in (1, 5):
        first = len(cart.board.happened.pins)
        trace = cart.pour(number, 0, storm=shaking(VESSEL))
        assert [entry for entry in trace if entry.code == Code.INPUT] == []
        assert differences(cart, number, trace, first) == []
        assert cart.client.pour(number, 0).reason == Reason.VESSEL_NOT_CHANGED


@pytest.mark.parametrize("number", [1, 5])
def test_an_interlock_that_shakes_for_ever_is_open(cart: Cart, number: int) -> None:
    """It is open for more than a third of the time: that takes about four times the debounce time, with bad
    luck ten times."""
    machine = cart.compiled.machine
    assert machine.vessel_interlock == VESSEL
    for index, interlock in list(enumerate(machine.interlocks))[VESSEL + 1 :]:
        first = len(cart.board.happened.pins)
        trace = cart.pour(number, 0, storm=shaking(index))
        (asked,) = (entry.tick for entry in trace if entry.code == Code.POUR)
        lost = next(entry for entry in trace if entry.code == Code.INPUT)
        assert lost.argument == index
        assert lost.tick - asked < 10 * interlock.debounce
        stopped = next(entry for entry in trace if entry.code in (Code.PAUSE, Code.ABORT))
        assert stopped.tick == lost.tick
        pins = accuracy(machine, trace, cart.board.happened.pins[first:], 16 * machine.tick_us)
        assert pins.good, pins.differences
        cart.close_interlocks()
