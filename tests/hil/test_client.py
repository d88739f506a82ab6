"""The client against devices that behave, lose answers, talk nonsense, or vanish."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest

from dosewright.gen.codes import Result, State
from dosewright.gen.problems import Exit, UserError
from dosewright.hil.client import Client, Refused
from dosewright.hil.messages import Booking, Cause, Entry, Held, Request, Slot
from dosewright.hil.trouble import RigTrouble
from fake_device import FakePort, answering, wire

# Bytes written out by hand from the table in targets/engine/LINK.md.
IDENTITY = bytes.fromhex("02 0203 01 01 6000 e803 78563412 0102030405060708 08 0b 03 02")
IDENTITY += bytes.fromhex("02 a6c9 539a 01 ffff 355c 04") + b"cart".ljust(16, b"\0")


def client_of(device: object) -> tuple[Client, FakePort]:
    port = FakePort(device)  # type: ignore[arg-type]
    return Client(port, "COM9", port.now), port


def test_identify() -> None:
    client, port = client_of(answering(IDENTITY))
    found = client.identify()
    assert port.written == [b"\0" + wire(bytes([1, 1]))], "noise is ended by a zero, then one request"
    assert (found.engine, found.frame_limit, found.tick_us) == ((2, 3), 96, 1000)
    assert (found.interface, found.build.hex()) == (0x12345678, "0102030405060708")
    assert (found.channels, found.outputs, found.interlocks, found.buttons) == (8, 11, 3, 2)
    assert (found.recipes, found.calibration, found.unit) == (Held.STORED, Held.BUILT_IN, "cart")
    assert found.cause == Cause.WATCHDOG
    assert client_of(answering(IDENTITY[:-16]))[0].identify().unit == ""
    assert found.slots == {b"R": (Slot.COMMITTED, Slot.SUPERSEDED), b"C": (Slot.UNUSED, Slot.OPEN)}


def test_status() -> None:
    body = struct.pack("<BBBBIHBIB", 2, 0, 2, 1, 77, 3, 1, 0x0001_0005, 2) + bytes([0b101, 0b10])
    status = client_of(answering(body))[0].status()
    assert (status.state, status.result, status.reason, status.argument) == (State.PAUSED, Result.NONE, 2, 1)
    assert (status.tick, status.recipe, status.serving) == (77, 3, 1)
    assert (status.closed, status.pressed, status.on) == (5, 1, {0, 2, 9})


def test_trace_is_read_to_its_end() -> None:
    pieces = [
        (b"", struct.pack("<HHBIBB", 2, 0xFFFF, 1, 9, 7, 3)),
        (b"\0\0", struct.pack("<HHBIBB", 2, 0, 1, 12, 6, 3)),
        (b"\1\0", struct.pack("<HHB", 3, 1, 0)),
        (b"\1\0", struct.pack("<HHB", 1, 1, 0)),
        (b"\1\0", struct.pack("<HHBIBB", 2, 0, 1, 4, 8, 0)),  # the controller was reset
        (b"\1\0", struct.pack("<HHB", 2, 1, 0)),
    ]

    def device(sequence: int, kind: int, payload: bytes) -> bytes:
        assert kind == Request.TRACE
        wanted, told = pieces.pop(0)
        assert payload == wanted
        return wire(bytes([sequence, kind | 0x80, 0, 0]) + told)

    client, _ = client_of(device)
    assert client.trace() == (3, [Entry(9, 7, 3), Entry(12, 6, 3)])
    assert client.trace() == (0xFFFE, []), "the number wraps"
    assert client.trace() == (2, [Entry(4, 8, 0)])


def test_booked() -> None:
    client, _ = client_of(answering(struct.pack("<BBBII", 1, 4, 2, 1000, 990)))
    assert client.booked() == [Booking(4, 2, 1000, 990)]


def test_upload_and_read_keep_to_the_frame_limit() -> None:
    record = bytes(range(256)) * 3
    stored = bytearray()
    crc = []

    def device(sequence: int, kind: int, payload: bytes) -> bytes:
        body = b""
        if kind == Request.UPLOAD_BEGIN:
            assert payload == b"R" + struct.pack("<I", len(record))
        elif kind == Request.UPLOAD_CHUNK:
            assert struct.unpack_from("<I", payload)[0] == len(stored)
            stored.extend(payload[4:])
        elif kind == Request.UPLOAD_COMMIT:
            crc.append(struct.unpack("<I", payload)[0])
        elif kind == Request.READ:
            offset, length = struct.unpack("<IB", payload[1:])
            body = bytes(stored[offset : offset + length])
        elif kind == Request.RANGE_CRC:
            assert payload[:1] == b"r"
            body = bytes(4)  # nothing of it is there
        return wire(bytes([sequence, kind | 0x80, 0, 0]) + body)

    client, port = client_of(device)
    sent = []
    client.upload(b"R", record, sent.append)
    assert (bytes(stored), crc, sent[-1]) == (record, [int.from_bytes(record[-4:], "little")], len(record))
    assert client.read(b"R", 0, len(record)) == record
    assert max(len(frame.strip(b"\0")) for frame in port.written) == 95, "96 bytes with the ending zero"


def test_a_lost_answer_is_asked_for_again_unchanged() -> None:
    lose = [True, True, True, True, False]
    good = answering(b"")
    client, port = client_of(lambda *request: b"" if lose.pop(0) else good(*request))
    assert client.stop().reason == 0
    assert len(port.written) == 5
    assert {frame.strip(b"\0") for frame in port.written} == {wire(bytes([1, 17])).strip(b"\0")}


def test_answers_to_others_and_damaged_ones_are_passed_over() -> None:
    def device(sequence: int, kind: int, _: bytes) -> bytes:
        stale = wire(bytes([sequence - 1 & 255, kind | 0x80, 6, 0]))
        other = wire(bytes([sequence, 0x81, 6, 0]))
        damaged = bytearray(wire(bytes([sequence, kind | 0x80, 6, 0])))
        damaged[3] ^= 1
        return b"noise\0\0" + stale + other + bytes(damaged) + wire(bytes([sequence, kind | 0x80, 2, 1]))

    answer = client_of(device)[0].pour(1, 0)
    assert (answer.reason, answer.argument) == (2, 1)


def test_each_request_has_its_own_sequence_number() -> None:
    client, port = client_of(answering(b""))
    for _ in range(600):
        client.stop()
    assert all(a != b for a, b in zip(port.written, port.written[1:], strict=False))


def test_what_changes_something_is_never_the_first_request() -> None:
    """The program before this one may have asked for the very same with the same number."""
    for first in (Request.POUR, Request.GO_ON, Request.JOG, Request.UPLOAD_BEGIN):
        client, port = client_of(answering(b""))
        client.ask(first, b"")
        assert [frame.strip(b"\0") for frame in port.written] == [
            wire(bytes([1, Request.IDENTIFY])).strip(b"\0"),
            wire(bytes([2, first])).strip(b"\0"),
        ]


def test_refusals_carry_their_reason() -> None:
    with pytest.raises(Refused, match="upload begin was refused: busy"):
        client_of(answering(b"", reason=6))[0].upload(b"R", b"x")


def trouble(client: Client) -> str:
    with pytest.raises(UserError) as caught:
        client.identify()
    assert caught.value.exit_code == Exit.RIG
    return str(caught.value)


def test_nobody_answers() -> None:
    client, port = client_of(lambda *_: b"")
    assert trouble(client).startswith("COM9: no answer within 1.25 s; is the controller powered")
    assert port.time == pytest.approx(1.25)


def test_a_controller_that_is_still_starting_gets_more_time() -> None:
    asleep = [True] * 10
    good = answering(IDENTITY)
    port = FakePort(lambda *request: b"" if asleep and asleep.pop() else good(*request))
    client = Client(port, "COM9", port.now, boots=True)
    assert client.identify().unit == "cart"
    port.device = lambda *_: b""
    assert "no answer within 1.25 s" in trouble(client)


@pytest.mark.parametrize("garbage", [b"\0", b"\0\0\1\2\0", b"hello, world\r\n", bytes(range(1, 200))])
def test_garbage_for_an_answer(garbage: bytes) -> None:
    said = trouble(client_of(lambda *_: garbage)[0])
    assert "something answers there" in said or garbage == b"\0"
    assert "dosewright" in said


@pytest.mark.parametrize("byte", [b"\0", b"\x55", b"\xff"])
def test_garbage_without_end(byte: bytes) -> None:
    client, port = client_of(lambda *_: b"")
    port.constant = byte
    trouble(client)
    assert port.time < 2, "it gave up although bytes kept coming"


@pytest.mark.parametrize(
    "payload", [b"", IDENTITY[:-1], IDENTITY + b"x", IDENTITY[:25] + b"\7" + IDENTITY[26:]]
)
def test_an_answer_that_does_not_fit(payload: bytes) -> None:
    assert "does not understand" in trouble(client_of(answering(payload))[0])


def test_another_protocol_says_which_side_is_stale() -> None:
    newer = trouble(client_of(answering(b"\3" + IDENTITY[1:]))[0])
    assert "the controller speaks protocol 3, this tool protocol 2; this tool is stale" in newer
    older = trouble(client_of(answering(b"\0"))[0])
    assert "protocol 0" in older and "the firmware is stale: mend it with dosewright flash FOLDER" in older


@pytest.mark.parametrize(
    ("name", "folder", "command"),
    [
        ("COM9", Path("my-cart"), "dosewright flash my-cart --rig COM9"),
        ("COM9", Path("my cart"), 'dosewright flash "my cart" --rig COM9'),
        ("COM9", None, "dosewright flash FOLDER --rig COM9"),
        (
            "socket://bench:4000",
            Path("my-cart"),
            "dosewright flash my-cart --rig PORT (on the computer that the board is plugged into)",
        ),
    ],
)
def test_the_command_that_mends_names_what_is_known(name: str, folder: Path | None, command: str) -> None:
    port = FakePort(lambda *_: b"")
    assert Client(port, name, port.now, folder=folder).flash_command == command


def test_a_port_that_vanishes() -> None:
    client, port = client_of(answering(IDENTITY))
    client.identify()
    port.vanishes_after = 0
    with pytest.raises(RigTrouble, match=r"COM9: the connection was lost .* check cable and power"):
        client.status()
