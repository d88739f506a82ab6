"""The simulated board by itself, with a small program of our own in it.

Figures of the chip are from its data sheet, from the chapters named in each test, quoted from memory.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from dosewright.hil.avrboard import AvrBoard, Pin, Wiring
from dosewright.hil.trouble import RigCrashed

WIRING = Wiring(
    mcu="atmega328p",
    clock=16_000_000,
    tick_us=1000,
    tick_vector=11,
    outputs=(Pin("D", 4), Pin("D", 5, pull=1), Pin("B", 0), Pin("B", 1), None),
    inputs=(Pin("C", 0), Pin("C", 1)),
)


@pytest.fixture(scope="module")
def probe(compile_avr: Callable[..., Path]) -> Path:
    return compile_avr(Path(__file__).with_name("probe.c"))


@pytest.fixture
def board(probe: Path) -> Iterator[AvrBoard]:
    board = AvrBoard(WIRING.command(probe))
    yield board
    board.close()


def levels(board: AvrBoard, output: int) -> list[tuple[int, bool]]:
    return [(edge.tick, edge.level) for edge in board.edges if edge.output == output]


def test_ticks_are_counted_by_the_clock_and_edges_carry_them(board: AvrBoard) -> None:
    board.command("run 5")
    assert board.tick == 5
    # the first interrupt writes tick 0 and decides tick 1
    assert levels(board, 0) == [(0, False), (0, True), (1, False), (2, True), (3, False), (4, True)]


def test_all_pins_of_one_write_change_in_one_cycle(board: AvrBoard) -> None:
    board.command("run 2")
    by_output = {pin.output: pin.cycle for pin in board.happened.pins}
    assert by_output[0] == by_output[1]


def test_an_open_switch_reads_high_only_with_a_pull_up(board: AvrBoard) -> None:
    board.command("run 2")
    assert levels(board, 2)[-1][1] is True  # the pull-up of C0 is on
    assert levels(board, 3) == [(0, False)]  # C1 has none
    board.command("in 0 0")
    board.command("run 2")
    assert levels(board, 2)[-1][1] is False
    board.command("in 0 1")
    board.command("run 2")
    assert levels(board, 2)[-1][1] is True


def test_a_switch_can_be_pressed_at_a_cycle(board: AvrBoard) -> None:
    board.command("run 2")
    cycle, _ = board.now()
    board.command(f"inat {cycle + 48_000} 0 0")
    board.command("run 6")
    assert levels(board, 2)[-1] == (5, False)


def test_a_byte_takes_ten_bit_times_each_way(board: AvrBoard) -> None:
    """8N1: one start, eight data and one stop bit; with U2X and UBRR 16 a bit is 8 * 17 cycles (USART)."""
    board.command("run 2")
    start, _ = board.now()
    board.command("rx 41")
    while not board.received:
        board.command("cycles 20")
    took = board.now()[0] - start
    receiving, sending = 9.5 * 16_000_000 / 115_200, 10 * 8 * 17
    assert (
        receiving + sending <= took <= receiving + sending + 100
    )  # interrupt, echo, and the step of 20 cycles
    assert bytes(board.received) == b"\x42"


def test_three_unread_bytes_are_kept_and_the_fourth_is_lost(board: AvrBoard) -> None:
    """Two in the buffer, one in the shift register (USART, Receive Complete and Data OverRun)."""
    board.command("run 2")
    board.command(f"rx {b'S'.hex()}{b'abc'.hex()}")
    board.command("run 30")
    assert bytes(board.received) == b"Tbcd"
    assert board.counts()["overruns"] == 0
    board.command(f"rx {b'S'.hex()}{b'abcd'.hex()}")
    board.command("run 30")
    assert bytes(board.received) == b"TbcdTbcd"
    assert board.counts()["overruns"] == 1


def test_a_wrong_baud_is_heard_as_garbage(probe: Path) -> None:
    board = AvrBoard(WIRING.command(probe, baud=57_600))
    board.command("run 2")
    board.command("rx 41")
    board.command("run 3")
    assert board.counts()["framing"] > 0
    assert bytes(board.received) != b"\x42"
    board.close()


def test_a_store_byte_is_busy_for_its_time(board: AvrBoard, tmp_path: Path) -> None:
    """Erase and write take 3.4 ms (EEPROM); the second write waits for the first, the read for both."""
    board.command("run 2")
    start, _ = board.now()
    board.command(f"rx {b'E'.hex()}")
    board.command("run 10")
    done = [cycle for cycle, value in board.happened.marks if value == 0x42]
    assert 2 * 3.4 * 16_000 < done[0] - start < 2 * 3.4 * 16_000 + 16_000 + 3000
    counts = board.counts()
    assert (counts["writes"], counts["store_misuse"]) == (2, 0)
    board.command(f"save {tmp_path / 'image'}")
    assert (tmp_path / "image").read_bytes()[:8] == bytes.fromhex("ffffffffff4243ff")


@pytest.mark.parametrize(("torn", "left"), [("old", 0xFF), ("new", 0x43), ("00", 0x00), ("a5", 0xA5)])
def test_power_can_go_in_a_store_byte(board: AvrBoard, tmp_path: Path, torn: str, left: int) -> None:
    board.command("run 2")
    board.command(f"cutwrite 2 {torn}")
    board.command(f"rx {b'E'.hex()}")
    board.command("run 20")
    assert len(board.happened.cuts) == 1
    assert {pin.level for pin in board.happened.pins[-4:]} == {None}
    board.command("reset power")
    board.command("run 2")
    board.command(f"save {tmp_path / 'image'}")
    assert (tmp_path / "image").read_bytes()[5:7] == bytes([0x42, left])
    board.command(f"load {tmp_path / 'image'}")
    with pytest.raises(RigCrashed, match="cannot read an image"):
        board.command(f"load {tmp_path / 'none'}")


def test_power_can_go_at_a_cycle(board: AvrBoard) -> None:
    board.command("run 2")
    cycle, _ = board.now()
    board.command(f"cut {cycle + 40_000}")
    board.command("run 2")
    assert not board.happened.cuts
    board.command("run 5")
    (cut,) = board.happened.cuts
    assert 0 <= cut - (cycle + 40_000) < 10, "at the end of the instruction, or of waking up"
    assert {pin.output for pin in board.happened.pins[-4:]} == {0, 1, 2, 3}
    assert all((pin.cycle, pin.level) == (cut, None) for pin in board.happened.pins[-4:])
    before, marks = len(board.happened.pins), len(board.happened.marks)
    board.command(f"rx {b'E'.hex()}")
    board.command("run 20")
    assert (len(board.happened.pins), len(board.happened.marks)) == (before, marks), "nothing runs"
    board.command("reset power")
    board.command("run 2")
    assert board.happened.marks[-1][1] == 1 and len(board.happened.pins) > before


def test_memory_is_noise_after_power_and_kept_over_other_resets(board: AvrBoard) -> None:
    """SRAM has no defined value after power-on and keeps its own in a reset (Reset and SRAM, from memory)."""
    start, length = 0x400, 256  # between the variables, which are few, and the stack
    board.command("run 2")
    board.command(f"fill {start} {length} 5a")
    for kind in ("watchdog", "dtr 5"):
        board.command(f"reset {kind}")
        board.command("run 10")
        assert board.memory(start, length) == b"\x5a" * length
    noise = []
    for _ in range(2):
        board.command("reset power")
        board.command("run 2")
        noise.append(board.memory(start, length))
        assert len(set(noise[-1])) > length // 4
    assert noise[0] != noise[1]


def test_a_reset_floats_every_pin_at_once_and_keeps_its_reason(board: AvrBoard) -> None:
    """MCUSR: power-on is bit 0, watchdog bit 3; the bootloader of a real board leaves none."""
    board.command("run 1")
    assert board.happened.marks[-1][1] == 1
    for kind, reason in (("watchdog", 8), ("dtr 5", 0)):
        board.command("run 4")
        before = len(board.happened.pins)
        board.command(f"reset {kind}")
        cycle = board.happened.resets[-1][0]
        floated = board.happened.pins[before:]
        assert {pin.output for pin in floated} == {0, 1, 2, 3}
        assert all(pin.level is None and pin.cycle == cycle for pin in floated)
        board.command("run 8")
        assert board.happened.marks[-1][1] == reason


def test_a_hung_program_is_reset_by_its_watchdog(board: AvrBoard) -> None:
    board.command("run 2")
    board.command(f"rx {b'H'.hex()}")
    board.command("run 100")
    assert [kind for _, kind in board.happened.resets] == ["power", "watchdog"]
    assert board.happened.marks[-1][1] == 8


def test_a_floating_pin_has_the_level_of_its_resistor(board: AvrBoard) -> None:
    board.command("run 1")
    assert levels(board, 1) == [(0, True), (0, False)]  # pulled up, then driven low
    board.command("reset watchdog")
    assert levels(board, 1)[-1] == (0, True)


def test_clock_error_shows_against_the_harness(probe: Path) -> None:
    board = AvrBoard(WIRING.command(probe, ppm=5000))
    board.command("run 1000")
    cycle, microseconds = board.now()
    assert cycle / microseconds == pytest.approx(16 * 1.005, rel=1e-9)
    board.close()


def test_the_same_scenario_gives_the_same_log(probe: Path) -> None:
    logs = []
    for seed in (7, 7, 8):
        board = AvrBoard(WIRING.command(probe, seed=seed))
        board.command(f"traffic 900 {bytes(range(97, 123)).hex()}")
        board.command("run 200")
        logs.append((tuple(board.happened.pins), bytes(board.received)))
        board.close()
    assert logs[0] == logs[1]
    assert logs[0] != logs[2]


def test_changes_go_into_a_dump(board: AvrBoard, tmp_path: Path) -> None:
    """IEEE 1364 value change dump: time in units of 100 ps, 625 a cycle at 16 MHz."""
    board.command(f"vcd {tmp_path / 'pins.vcd'}")
    board.command("run 3")
    board.command("in 0 0")
    board.close()
    lines = (tmp_path / "pins.vcd").read_text().splitlines()
    assert "$timescale 100 ps $end" in lines
    cycles = [pin.cycle for pin in board.happened.pins if pin.output == 0 and pin.level == 1]
    for cycle in cycles:
        assert "1o0" in lines[lines.index(f"#{cycle * 625}") :]
    assert "0i0" in lines


def test_a_program_that_stops_for_ever_is_a_finding(compile_avr: Callable[..., Path], tmp_path: Path) -> None:
    source = tmp_path / "stop.c"
    source.write_text("#include <avr/sleep.h>\nint main(void) { sleep_mode(); for (;;); }\n")
    board = AvrBoard(WIRING.command(compile_avr(source)))
    with pytest.raises(RigCrashed, match="stopped for ever at cycle"):
        board.command("run 5")
    board.close()
