"""The firmware on the chip: what it takes, what a reset does to it, and that one port serves two chips."""

from __future__ import annotations

import json
import re
import subprocess
from pathlib import Path

import pytest

from avr.cart import LARGE, SMALL, Cart, build
from avr.test_pins import TRAFFIC, measured
from dosewright.gen.codes import State
from dosewright.gen.emit import table_bin

# pours to try, and by the chips' data sheets the first and the last address of the SRAM
CHIPS = {"small": (SMALL, slice(6), 0x100, 0x8FF), "large": (LARGE, slice(4), 0x200, 0x21FF)}
IN_STORE = 0x4000  # from here on an address is one of the EEPROM: AVR_IN_STORE of targets/avr/dw_target.h
PAINT = 0xC5
FLASH, RAM = 12 * 1024, 900  # what a machine of eight channels may take, so that there is room for more


@pytest.mark.parametrize("size", CHIPS)
def test_the_painted_stack_is_within_the_reckoned_one(
    size: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    example, recipes, begin, end = CHIPS[size]
    command, _, compiled = build(tmp_path, monkeypatch, example=example)
    budget = json.loads((tmp_path / "made" / "budget.json").read_text())
    free = begin + budget["static"]
    cart = Cart(command, compiled, f"fill {free} {end + 1 - free} {PAINT:02x}")
    measured(cart, TRAFFIC, recipes)
    cart.client.identify()
    for kind, record in zip((b"R", b"C"), table_bin(compiled), strict=True):
        cart.client.upload(kind, record)
    cart.client.booked()
    memory = cart.board.memory(free, end + 1 - free)
    used = len(memory.lstrip(bytes([PAINT])))
    print(f"reckoned {budget['stack']}, used {used}, static {budget['static']}, flash {budget['flash']}")
    assert budget["stack"] / 3 < used <= budget["stack"]
    if example == SMALL:
        assert budget["flash"] <= FLASH
        assert budget["static"] + budget["stack"] <= RAM
    cart.board.close()


@pytest.mark.parametrize("example", [SMALL, LARGE])
def test_the_tables_lie_where_a_place_can_tell_them_from_the_store(
    example: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    command, _, _ = build(tmp_path, monkeypatch, example=example)
    elf = next(part for part in command if part.endswith(".elf")).removeprefix("elf=")
    listing = subprocess.run(["avr-nm", "-S", elf], check=True, capture_output=True, text=True).stdout
    tables = re.findall(r"^(\w+) (\w+) t dw_default_(?:recipes|calibration)$", listing, re.MULTILINE)
    assert len(tables) == 2
    assert all(int(address, 16) + int(size, 16) <= IN_STORE for address, size in tables)


@pytest.mark.parametrize("kind", ["power", "watchdog", "dtr 300"])
def test_a_reset_in_mid_pour_ends_it_with_everything_off(cart: Cart, kind: str) -> None:
    compiled = cart.compiled
    recipe = compiled.recipes.recipes[0].number
    assert cart.client.pour(recipe, 0).reason == 0
    cart.board.command("run 500")
    assert any(edge.level for edge in cart.board.edges)
    cart.board.command(f"reset {kind}")
    reset = cart.board.happened.resets[-1][0]
    cart.board.command("run 2000")
    after = [pin for pin in cart.board.happened.pins if pin.cycle > reset]
    off = {i: int(not o.pin.active_high) for i, o in enumerate(compiled.machine.outputs) if o.pin}
    assert after
    assert all(pin.level == off[pin.output] for pin in after)
    held = 16_000 * 300 if kind.startswith("dtr") else 0
    assert max(pin.cycle for pin in after) - reset - held < 120  # cycles after the first instruction
    assert cart.client.status().state == State.IDLE


def test_the_same_port_serves_the_larger_chip(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Sixteen channels and five stages on three ports, one of them out of reach of the quick instruction."""
    command, _, compiled = build(tmp_path, monkeypatch, example=LARGE)
    assert compiled.machine.channels == 16
    cart = Cart(command, compiled)
    found = measured(cart, TRAFFIC, slice(5, None))
    print(f"worst {found.timing.worst} mean {found.timing.mean:.1f} skew {found.timing.skew}")
    assert found.good, (found.differences, found.timing.histogram())
    assert len(found.timing.late) >= 70
    cart.board.close()
