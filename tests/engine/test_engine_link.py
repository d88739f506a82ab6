"""The link: damaged, endless and repeated frames, garbage, and every request's edges."""

from __future__ import annotations

import struct
import zlib
from pathlib import Path
from random import Random

import pytest
from cobs import cobs

from engine.client import INTERFACE, Controller, calibration, framed, named, recipes
from engine.shop import BOOK, SERVINGS, SLOW

FRAME_LIMIT = 256
RECIPES, CALIBRATION = recipes(SERVINGS, BOOK), calibration([SLOW, SLOW], "Käfer")


def ready(c: Controller) -> None:
    assert c.upload(RECIPES).reason == "ok"
    assert c.upload(CALIBRATION).reason == "ok"
    c.level(0, 0)
    c.level(1, 0)
    c.run(30)
    c.trace()


def test_identify(cart: Path) -> None:
    with Controller(cart) as c:
        ready(c)
        told = c.ask(1)
        assert (told.reason, told.argument) == ("ok", 0)
        head = struct.pack("<BBBBBHHI", 2, 0, 1, 3, 1, FRAME_LIMIT, 1000, INTERFACE)
        slots = bytes([2, 0xA6, 0xC9, 0x53, 0x9A])  # stored; slot 0 committed, slot 1 superseded
        rest = bytes(range(0xB0, 0xB8)) + bytes([2, 3, 2, 3]) + slots + slots
        power = b"\1"
        assert told.rest == head + rest + power
        assert c.name_unit("Käfer").reason == "ok"
        assert c.ask(1).rest == head + rest + power + "Käfer".encode().ljust(16, b"\0")


def test_a_frame_with_any_bit_wrong_is_dropped(cart: Path) -> None:
    good = framed(9, 16, struct.pack("<HB", 1, 0))
    with Controller(cart) as c:
        ready(c)
        for bit in range(8 * (len(good) - 1)):
            wire = bytearray(good)
            wire[bit // 8] ^= 1 << bit % 8
            assert c.raw(bytes(wire) + b"\0") == []
        c.run(5)
        assert c.trace() == []
        assert c.raw(good) == [bytes([9, 16 | 0x80, 0, 0])]


def test_frames_at_the_limit_and_above(cart: Path) -> None:
    """A chunk that fills a frame of 256 bytes on the wire is taken; a byte more, and it is dropped."""
    with Controller(cart) as c:
        record = RECIPES.ljust(1000, b"x")
        assert c.ask(2, b"R" + struct.pack("<I", len(record))).reason == "ok"
        most = FRAME_LIMIT - 2 - 4 - 4
        full = framed(200, 3, bytes(4) + bytes(range(1, 256))[:most])
        assert len(full) == FRAME_LIMIT
        assert c.raw(full) == [bytes([200, 3 | 0x80, 0, 0])]
        over = framed(201, 3, bytes(4) + b"y" * (most + 1))
        assert len(over) == FRAME_LIMIT + 1
        assert c.raw(over) == []
        assert c.raw(full[:-1] + b"\x01\0") == [], "also when what would fit is a frame of its own"
        assert c.raw(b"\xff" * 5000 + b"\0") == []
        assert c.raw(framed(202, 1))[0][:3] == bytes([202, 0x81, 0])


def test_the_last_request_again_is_answered_again_and_not_done_again(cart: Path) -> None:
    with Controller(cart) as c:
        ready(c)
        pour = framed(77, 16, struct.pack("<HB", 1, 0))
        first = c.raw(pour)
        assert first == [bytes([77, 0x90, 0, 0])]
        c.run(10)
        assert c.raw(pour) == first
        assert c.raw(framed(78, 16, struct.pack("<HB", 1, 0))) == [bytes([78, 0x90, 6, 0])]
        # another type with the same sequence number is another request
        assert c.raw(framed(78, 33))[0][:3] == bytes([78, 0xA1, 0])


def test_empty_and_short_frames_are_ignored(cart: Path) -> None:
    with Controller(cart) as c:
        assert c.raw(b"\0\0\0" + cobs.encode(b"") + b"\0" + cobs.encode(b"\x1d\x0f") + b"\0") == []
        assert c.ask(1).reason == "ok"


@pytest.mark.parametrize(
    ("kind", "lengths"),
    [
        (1, {0}),
        (2, {5}),
        (4, {4}),
        (5, {9}),
        (6, {6}),
        (16, {3}),
        (17, {0}),
        (18, {0}),
        (19, {2}),
        (32, {0}),
        (33, {0, 2}),
        (34, {0, 1}),
    ],
)
def test_payloads_of_a_wrong_length(cart: Path, kind: int, lengths: set[int]) -> None:
    with Controller(cart) as c:
        ready(c)
        for length in range(12):
            assert (c.ask(kind, bytes(length)).reason == "bad length") == (length not in lengths)
        assert c.trace() == []


def test_a_chunk_needs_an_offset(cart: Path) -> None:
    with Controller(cart) as c:
        assert c.ask(2, b"R" + struct.pack("<I", 50)).reason == "ok"
        assert [c.ask(3, bytes(n)).reason for n in range(6)] == ["bad length"] * 4 + ["ok"] * 2


def test_unknown_requests(cart: Path) -> None:
    known = {1, 2, 3, 4, 5, 6, 7, 8, 16, 17, 18, 19, 32, 33, 34}
    with Controller(cart) as c:
        for kind in set(range(128)) - known:
            assert c.ask(kind, b"abc").reason == "unknown request"
        answer = c.raw(framed(5, 0x90, struct.pack("<HB", 1, 0)))
        assert answer == [bytes([5, 0x90, 18, 0])]


def test_ranges_of_the_record_in_force(cart: Path) -> None:
    with Controller(cart) as c:
        assert c.ask(5, b"R" + bytes(8)).reason == "no recipes"
        assert c.ask(6, b"C" + bytes(5)).reason == "no calibration"
        assert c.ask(5, b"X" + bytes(8)).reason == "bad record"
        ready(c)
        size = len(RECIPES)
        for start, length in ((0, size), (0, 0), (size, 0), (16, size - 20), (size - 1, 1)):
            told = c.ask(5, b"R" + struct.pack("<II", start, length))
            assert told.rest == struct.pack("<I", zlib.crc32(RECIPES[start : start + length]))
        for start, length in ((0, size + 1), (size, 1), (size + 1, 0), (0xFFFFFFFF, 2), (1, 0xFFFFFFFF)):
            assert c.ask(5, b"R" + struct.pack("<II", start, length)).reason == "bad length"
        assert c.ask(6, b"C" + struct.pack("<IB", 0, len(CALIBRATION))).rest == CALIBRATION
        assert c.ask(6, b"R" + struct.pack("<IB", 1, 20)).rest == RECIPES[1:21]
        assert c.ask(6, b"C" + struct.pack("<IB", 0, 255)).reason == "bad length"


def test_status_in_a_pour(cart: Path) -> None:
    with Controller(cart) as c:
        ready(c)
        assert c.pour(2, 1).reason == "ok"
        c.run(1)
        # pouring, no result, no reason, tick, recipe, serving, both interlocks closed, no button, output 0 on
        assert c.status() == (1, 0, 0, 0, c.tick, 2, 1, 0b11, 0, 0b001)
        c.level(2, 0)
        c.level(0, 1)
        c.run(700)
        assert c.status() == (2, 0, 2, 0, c.tick, 2, 1, 0b10, 0b001, 0)


def test_booked_from_a_step_on(cart: Path) -> None:
    with Controller(cart) as c:
        ready(c)
        assert c.pour(1).reason == "ok"
        both = c.ask(34).rest
        assert both[0] == 2
        assert c.ask(34, b"\x01").rest == b"\x01" + both[11:]
        assert c.ask(34, b"\x02").rest == b"\x00"
        assert c.ask(34, b"\xff").rest == b"\x00"


def test_garbage_switches_nothing_and_wears_nothing_out(cart: Path) -> None:
    """A hundred thousand random bytes, then frames torn and joined at random; then all works as before."""
    rng = Random(10)
    with Controller(cart) as c:
        ready(c)
        c.edges.clear()
        for _ in range(100):
            c.tell(f"rx {rng.randbytes(1000).hex()}")
            c.run(1)
        wires = [
            framed(n, rng.choice((1, 5, 6, 32, 33, 34)), rng.randbytes(rng.randint(0, 12)))
            for n in range(1, 200)
        ]
        for _ in range(300):
            wire = rng.choice(wires)
            cut = rng.randrange(len(wire))
            c.tell(f"rx {(wire[:cut] + rng.choice(wires)[rng.randrange(3) :]).hex()}")
            c.run(1)
        assert c.edges == []
        c.received.clear()
        c.tell("rx 00")
        assert c.ask(1).rest[-11:] == bytes([2, 0xA6, 0xC9, 0x53, 0x9A]) * 2 + b"\1"
        assert c.ask(5, b"R" + struct.pack("<II", 0, len(RECIPES))).rest == struct.pack(
            "<I", zlib.crc32(RECIPES)
        )
        assert c.pour(1).reason == "ok"


def test_lines_that_make_no_sense_are_answered_in_words(cart: Path) -> None:
    with Controller(cart) as c:
        for line in (
            "",
            "rx 0",
            "rx zz",
            "in 5 1",
            "in 0 2",
            "in 0",
            "run",
            "run x",
            "run 1 2",
            "cutwrite 1",
            "fly",
            "until -1",
        ):
            assert c.tell(line).startswith("error "), line
        assert c.tell("until 50") == "ok 50 50"
        assert c.tell("RX 00").startswith("error")


def test_until_ends_with_the_tick_that_answers(cart: Path) -> None:
    with Controller(cart) as c:
        c.tell("until 10")
        assert c.tick == 10
        assert c.raw(framed(1, 1)) != []
        assert c.tell("until 10").split()[1] == "20"


def test_a_new_host_is_not_answered_for_the_one_before(cart: Path) -> None:
    """Its numbers begin alike: another payload is another request, whatever the number."""
    with Controller(cart) as c:
        ready(c)
        assert c.raw(framed(1, 16, struct.pack("<HB", 99, 0))) == [bytes([1, 0x90, 9, 0])]
        assert c.raw(framed(1, 16, struct.pack("<HB", 1, 7))) == [bytes([1, 0x90, 10, 0])]
        assert c.raw(framed(1, 16, struct.pack("<HB", 1, 0))) == [bytes([1, 0x90, 0, 0])]
        c.run(1)
        assert c.status()[0] == 1


def test_after_identify_the_very_same_pour_is_done_again(cart: Path) -> None:
    pour = framed(2, 16, struct.pack("<HB", 1, 0))
    with Controller(cart) as c:
        ready(c)
        for _ in range(2):  # two hosts, one after the other
            assert c.raw(framed(1, 1))[0][:3] == bytes([1, 0x81, 0])
            assert c.raw(pour) == [bytes([2, 0x90, 0, 0])]
            c.run(1000)
            assert [code for _, code, _ in c.trace()].count("pour") == 1
            c.level(0, 1)
            c.run(50)
            c.level(0, 0)
            c.run(50)
            c.trace()


def test_stop_is_heeded_even_when_it_looks_like_a_repeat(cart: Path) -> None:
    stop = framed(1, 17)
    with Controller(cart) as c:
        ready(c)
        assert c.raw(stop) == [bytes([1, 0x91, 0, 0])]
        c.level(2, 0)  # someone presses the start button
        c.run(25)
        assert c.raw(stop) == [bytes([1, 0x91, 0, 0])]
        c.run(2)
        assert [(code, argument) for _, code, argument in c.trace() if code in ("pour", "abort")] == [
            ("pour", 0),
            ("abort", 1),
        ]


def test_what_only_asks_is_never_answered_from_memory(cart: Path) -> None:
    """A program that asks for the status each time it is run has the same first number each time."""
    with Controller(cart) as c:
        ready(c)
        status = framed(1, 32)
        before = c.raw(status)
        c.level(2, 0)
        c.run(25)
        after = c.raw(status)
        assert before[0][4] == 0
        assert after[0][4] == 1


@pytest.mark.parametrize("kind", [2, 3, 4, 7, 8, 16, 18, 19])
def test_what_is_marked_once_is_done_once(cart: Path, kind: int) -> None:
    """Each of these answers differently when it is really done again."""
    record = RECIPES
    payload = {
        2: b"R" + struct.pack("<I", len(record)),
        3: struct.pack("<I", 0) + record[:40],
        4: record[-4:],
        7: b"R",
        8: named("Käfer"),
        16: struct.pack("<HB", 1, 0),
        19: bytes([0, 1]),
    }.get(kind, b"")
    with Controller(cart) as c:
        ready(c)
        if kind in (3, 4):
            assert c.ask(2, b"R" + struct.pack("<I", len(record))).reason == "ok"
        if kind == 7:
            assert c.upload(recipes(SERVINGS, {9: BOOK[1]})).reason == "ok"
        if kind == 4:
            assert c.ask(3, bytes(4) + record).reason == "ok"
        if kind == 18:
            assert c.pour(1).reason == "ok"
            c.run(10)
            c.level(0, 1)
            c.run(30)
            c.level(0, 0)
            c.run(30)
        first = c.raw(framed(201, kind, payload))
        assert first[0][2] == 0
        if kind == 2:
            assert c.ask(3, bytes(4) + record).reason == "ok"
            assert c.raw(framed(202, 4, record[-4:]))[0][2] == 0
            assert c.raw(framed(202, 4, record[-4:]))[0][2] == 0
            assert c.raw(framed(203, 4, record[-4:]))[0][2] == 23
        elif kind == 7:
            whole = struct.pack("<II", 0, len(record))
            assert c.raw(framed(201, kind, payload)) == first
            assert c.ask(5, b"R" + whole).rest == struct.pack("<I", zlib.crc32(record))
        elif kind != 3:
            assert c.raw(framed(201, kind, payload)) == first
            assert c.raw(framed(202, kind, payload)) != [bytes([202]) + first[0][1:]]


def test_a_stop_right_behind_a_pour_in_one_write(cart: Path) -> None:
    """Both are answered, and nothing is poured; then the same with a tick between, and the pour ends."""
    pour, stop = struct.pack("<HB", 1, 0), 17
    with Controller(cart) as c:
        ready(c)
        answers = c.raw(framed(1, 16, pour) + framed(2, stop))
        assert answers == [bytes([1, 0x90, 0, 0]), bytes([2, 0x91, 0, 0])]
        c.edges.clear()
        c.run(20)
        assert c.edges == []
        assert c.raw(framed(3, 16, pour)) == [bytes([3, 0x90, 0, 0])]
        c.run(1)
        begun = c.tick
        flood = b"".join(framed(n, 6, b"R" + struct.pack("<IB", 0, 20)) for n in range(10, 110))
        answers = c.raw(flood + framed(200, stop))
        assert len(answers) == 101
        c.run(2)
        assert c.edges[-1] == (begun + 1, 0, 0)


def test_a_jog_and_its_release_in_one_write_switch_nothing(cart: Path) -> None:
    """Else the pump would run until the jog lapses."""
    with Controller(cart) as c:
        ready(c)
        c.edges.clear()
        answers = c.raw(framed(1, 19, b"\0\1") + framed(2, 19, b"\1\0") + framed(3, 19, b"\0\0"))
        assert [answer[2] for answer in answers] == [0, 16, 0]
        c.run(600)
        assert c.edges == []
        assert c.ask(19, b"\0\1").reason == "ok"
