"""The pins against the engine's own report, under the heaviest traffic that the link can carry."""

from __future__ import annotations

from pathlib import Path

import pytest

from avr.cart import Cart, Change, build
from dosewright.hil import frames
from dosewright.hil.avrboard.accuracy import Accuracy, accuracy
from dosewright.hil.frames import Frame
from dosewright.hil.messages import Request

# Asks for the status without a pause; every answer is longer than its question. Gaps of up to two bytes keep
# the bytes from falling into step with the tick.
REQUESTS = b"".join(frames.pack(Frame(number, Request.STATUS, b"")) for number in range(1, 200))
TRAFFIC = f"2800 {REQUESTS.hex()}"


def measured(cart: Cart, traffic: str, recipes: slice = slice(None)) -> Accuracy:
    """All pours at the smallest serving, together."""
    tick_cycles = 16 * cart.compiled.machine.tick_us
    trace, first = [], len(cart.board.happened.pins)
    for recipe in cart.compiled.recipes.recipes[recipes]:
        trace += cart.pour(recipe.number, 0, traffic)
    return accuracy(cart.compiled.machine, trace, cart.board.happened.pins[first:], tick_cycles)


@pytest.mark.parametrize("traffic", ["", TRAFFIC], ids=["quiet", "requests"])
def test_every_edge_is_in_time(cart: Cart, traffic: str) -> None:
    found = measured(cart, traffic)
    when = found.timing
    print(f"edges {len(when.late)} worst {when.worst} mean {when.mean:.1f} skew {when.skew}")
    print(when.histogram())
    assert not found.differences
    assert len(when.late) >= 80
    assert found.good, f"worst {when.worst}, skew {when.skew}: {when.histogram()}"
    counts = cart.board.counts()
    assert (counts["framing"], counts["tx_lost"], counts["store_misuse"]) == (0, 0, 0)
    assert counts["overruns"] == 0


SPOILT: dict[str, Change] = {
    "interrupts masked for 100 us": (
        "avr/main.c",
        "        dw_poll();\n",
        "        dw_poll();\n        cli();\n        __builtin_avr_delay_cycles(1600);\n        sei();\n",
    ),
    "one output a tick late on its pin only": (
        "avr/tick.c",
        "{\n    CHIP_PORTS(ARM)\n}",
        "{\n    static uint8_t late, calls;\n    CHIP_PORTS(ARM)\n"
        "    if ((++calls & 1) == 0) late = image[3];\n"
        "    avr_armed[3] = (uint8_t)((avr_armed[3] & 0xDFu) | (late & 0x20u));\n}",
    ),
    "polarity of one pin": (
        "avr/tick.c",
        "{\n    CHIP_PORTS(ARM)\n}",
        "{\n    CHIP_PORTS(ARM)\n    avr_armed[3] ^= 0x20u;\n}",
    ),
    "two outputs swapped on the port": (
        "avr/tick.c",
        "{\n    CHIP_PORTS(ARM)\n}",
        "{\n    CHIP_PORTS(ARM)\n"
        "    avr_armed[3] = (uint8_t)((avr_armed[3] & 0xCFu) | (image[3] & 0x10u) << 1 |\n"
        "                             (image[3] & 0x20u) >> 1);\n}",
    ),
}


@pytest.mark.parametrize("change", SPOILT.values(), ids=SPOILT)
def test_a_spoilt_port_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, change: Change) -> None:
    command, _, compiled = build(tmp_path, monkeypatch, [change])
    cart = Cart(command, compiled)
    found = measured(cart, TRAFFIC, slice(4))
    cart.board.close()
    assert not found.good
