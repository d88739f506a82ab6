"""The pins of each target against the board's own list, as Debian's Arduino core has it (pins_arduino.h).

No replay can see a slip there: the simulated board is wired by the same list as the firmware.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from dosewright.gen import targets
from tools import missing

VARIANTS = Path("/usr/share/arduino/hardware/arduino/avr/variants")
BOARDS = {"atmega328p": "standard", "atmega2560": "mega"}


@pytest.mark.parametrize(("name", "variant"), BOARDS.items(), ids=BOARDS)
def test_every_pin_is_where_the_board_has_it(name: str, variant: str) -> None:
    header = VARIANTS / variant / "pins_arduino.h"
    if not header.is_file():
        missing("the Arduino core", "apt-get install arduino-core-avr")
    text = re.sub(r"//.*", "", header.read_text(encoding="utf-8", errors="replace"))
    ports = _array(text, "digital_pin_to_port_PGM", r"\bP([A-L])\b")
    bits = [int(bit) for bit in _array(text, "digital_pin_to_bit_mask_PGM", r"_BV\(\s*(\d)\s*\)")]
    first_analogue = int(re.findall(r"define PIN_A0\s+\((\d+)\)", text)[0])
    target = targets.read(name)
    assert target.simulation
    real = {pin: where for pin, where in target.pin.items() if where.port != 0}
    assert len(real) == len(ports) == len(bits)
    for pin, where in real.items():
        number = int(pin[1:]) + (first_analogue if pin[0] == "A" else 0)
        assert where.number == number, pin
        assert (target.simulation.ports[where.port], where.bit) == (ports[number], bits[number]), pin


def _array(text: str, name: str, item: str) -> list[str]:
    (body,) = re.findall(rf"{name}\s*\[\]\s*=\s*\{{(.*?)\}}\s*;", text, re.DOTALL)
    return re.findall(item, body)
