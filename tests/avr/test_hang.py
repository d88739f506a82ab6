"""A program that hangs while it pours: the watchdog resets it, and every output is off.

From the hang on outputs may stay as they were for HUNG_FOR_MS at most; then the reset lets every pin go, and
its resistor holds it off. The watchdog's 120 ms are 16384 periods of 128 kHz (ATmega328P data sheet, Watchdog
Timer, from memory), which a real chip keeps within some ten percent.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from avr.cart import Cart, Change, build
from dosewright.gen.codes import State

HUNG_FOR_MS = 150
BUTTON = 4  # "carry on", whose pin is C4 and reads low when it is pressed; here it hangs the program
PRESSED = "(PINC & 1u << 4) == 0"

HANGS: dict[str, Change] = {
    "the main loop": (
        "avr/main.c",
        "        dw_poll();\n",
        f"        dw_poll();\n        while ({PRESSED}) {{}}\n",
    ),
    "the main loop, with interrupts off": (
        "avr/main.c",
        "        dw_poll();\n",
        f"        dw_poll();\n        if ({PRESSED}) for (;;) cli();\n",
    ),
    "the tick": (
        "avr/tick.c",
        "        dw_tick();\n",
        f"        dw_tick();\n        while ({PRESSED}) {{}}\n",
    ),
    "the timer, while the main loop goes on": (
        "avr/main.c",
        "        dw_poll();\n",
        f"        dw_poll();\n        if ({PRESSED}) {{\n            TIMSK1 = 0;\n"
        "            for (;;) dw_poll();\n        }\n",
    ),
    "one tick for five, which are never made up for": (
        "avr/tick.c",
        "        dw_tick();\n",
        "        dw_tick();\n        static bool was_long;\n"
        f"        if ({PRESSED} && !was_long) {{\n            was_long = true;\n"
        "            __builtin_avr_delay_cycles(80000);\n        }\n",
    ),
    "every tick for three, which is never made up for": (
        "avr/tick.c",
        "        dw_tick();\n",
        f"        dw_tick();\n        if ({PRESSED}) __builtin_avr_delay_cycles(48000);\n",
    ),
}


@pytest.mark.parametrize("change", HANGS.values(), ids=HANGS)
def test_a_program_that_hangs_is_reset_with_everything_off(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, change: Change
) -> None:
    command, _, compiled = build(tmp_path, monkeypatch, [change])
    cart = Cart(command, compiled)
    board, off = (
        cart.board,
        {i: int(not o.pin.active_high) for i, o in enumerate(compiled.machine.outputs) if o.pin},
    )
    assert cart.client.pour(1, 0).reason == 0
    board.command("run 1500")
    assert cart.client.status().on
    assert len(board.happened.resets) == 1  # the power came
    hung, _ = board.now()
    first = len(board.happened.pins)
    board.command(f"in {BUTTON} 0")
    board.command(f"cycles {2 * HUNG_FOR_MS * 16_000}")
    (_, *resets) = board.happened.resets
    assert resets and {kind for _, kind in resets} == {"watchdog"}
    since = (resets[0][0] - hung) / 16_000
    print(f"reset after {since:.1f} ms")
    assert 100 < since <= HUNG_FOR_MS
    after = [pin for pin in board.happened.pins[first:] if pin.cycle >= resets[0][0]]
    assert {pin.output for pin in after} == set(off)
    assert all(pin.level in (None, off[pin.output]) for pin in after)  # floating, or driven off
    board.command(f"in {BUTTON} 1")
    board.command("run 400")
    assert cart.client.status().state == State.IDLE and not cart.client.status().on
    assert all(
        pin.level in (None, off[pin.output])
        for pin in board.happened.pins[first:]
        if pin.cycle > resets[0][0]
    )
    board.close()
