"""The walk along the wires on a simulated board: misplaced wires, and pins that the firmware gets wrong."""

from __future__ import annotations

import json
import shutil
from collections.abc import Sequence
from pathlib import Path

import pytest

from avr.cart import SMALL, Cart, Change, build
from dosewright.gen.cli import main
from dosewright.gen.load import load
from dosewright.gen.lower import lower
from dosewright.hil.avrboard.project import board_command
from dosewright.hil.rig import Rig
from dosewright.hil.verdicts import Court
from dosewright.hil.walk_helpers import Hookup
from dosewright.hil.wiring import Conclusion
from dosewright.hil.wiring_mend import mended, write
from walking import Walked, answers, inverted, swapped, walk_on


@pytest.fixture(scope="module")
def court() -> Court:
    project = load(SMALL)
    return Court.of(project, lower(project))


def walk(cart: Cart, court: Court, hookups: dict[str, Hookup], **shorted: bool) -> Walked:
    return walk_on(Rig("the simulated board", cart.client, cart.port), court, hookups, shorted)


def test_a_machine_wired_as_written(cart: Cart, court: Court) -> None:
    walked = walk(cart, court, {})
    assert walked.conclusion == Conclusion((), {}, ())
    assert len(walked.seen) == 15
    assert sum(edge.level for edge in walked.edges) == 10, "each output once"


def test_swapped_wires_and_a_wrong_polarity_are_found_and_mended(
    cart: Cart, court: Court, tmp_path: Path
) -> None:
    planted = swapped(court, "A", "H", "stirrer") | swapped(court, "glass", "guard") | inverted(court, "C")
    conclusion = walk(cart, court, planted).conclusion
    assert sorted(conclusion.findings) == [
        "A is on pin D9, not on D2 as the file says",
        "C is on when its pin is low, not high as the file says",
        "H is on pin D10, not on D9 as the file says",
        "glass is on pin A1, not on A0 as the file says",
        "guard is on pin A0, not on A1 as the file says",
        "stirrer is on pin D2, not on D10 as the file says",
    ]
    shutil.copytree(SMALL, tmp_path / "cart", ignore=shutil.ignore_patterns("build"))
    write(tmp_path / "cart", mended(tmp_path / "cart", conclusion.changes))
    project = load(tmp_path / "cart")
    again = Court.of(project, lower(project))
    board = Cart(board_command(again.compiled, project.target, tmp_path / "made"), again.compiled)
    assert walk(board, again, planted).conclusion.findings == ()
    board.board.close()


def test_an_input_that_reads_closed_with_its_wire_off(cart: Cart, court: Court) -> None:
    findings = walk(cart, court, {}, A1=False).conclusion.findings
    assert findings == (
        "guard: the controller saw nothing when it was moved: look at its wire to pin A1 and at ground",
        "guard reads as closed with its wire off: a broken wire would go unnoticed; look for a short at "
        "pin A1, and use a contact that is closed in the good state",
    )


def test_answers_from_a_file_try_every_output(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Two lines swapped, as the file tells; nobody has to close the guard for the outputs to be tried."""
    folder = shutil.copytree(SMALL, tmp_path / "cart", ignore=shutil.ignore_patterns("build"))
    command = ["wiring", str(folder), "--rig", "avr", "--answers", str(answers(folder, C="H", H="C"))]
    assert main([*command, "--json"]) == 1
    report = json.loads(capsys.readouterr().out)
    assert [wire["wire"] for wire in report["wires"] if wire["not_tried"]] == []
    assert sorted(report["findings"]) == [
        "C is on pin D9, not on D4 as the file says",
        "H is on pin D4, not on D9 as the file says",
    ]


FIRMWARE: dict[str, tuple[Change, Sequence[str]]] = {
    "two outputs swapped on the port": (
        (
            "avr/tick.c",
            "{\n    CHIP_PORTS(ARM)\n}",
            "{\n    CHIP_PORTS(ARM)\n"
            "    avr_armed[3] = (uint8_t)((avr_armed[3] & 0xCFu) | (image[3] & 0x10u) << 1 |\n"
            "                             (image[3] & 0x20u) >> 1);\n}",
        ),
        ["C is on pin D5, not on D4 as the file says", "D is on pin D4, not on D5 as the file says"],
    ),
    "the polarity of one pin": (
        ("avr/tick.c", "{\n    CHIP_PORTS(ARM)\n}", "{\n    CHIP_PORTS(ARM)\n    avr_armed[3] ^= 0x20u;\n}"),
        ["D is on when its pin is low, not high as the file says"],
    ),
    "no pull-ups": (
        ("avr/reset.c", "dw_rom8(&dw_port_idle[index]) | (uint8_t)~dw_rom8(&dw_port_owned[index])", "0u"),
        ["glass reads as closed with its wire off", "guard reads as closed with its wire off"],
    ),
}


@pytest.mark.parametrize(("change", "said"), FIRMWARE.values(), ids=FIRMWARE)
def test_a_port_that_is_spoilt_is_found_too(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    court: Court,
    change: Change,
    said: Sequence[str],
) -> None:
    command, _, compiled = build(tmp_path, monkeypatch, [change])
    cart = Cart(command, compiled)
    findings = walk(cart, court, {}).conclusion.findings
    cart.board.close()
    assert [words for words in said if not any(words in finding for finding in findings)] == [], findings
