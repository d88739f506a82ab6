"""The trace over a line that loses answers, and answers that are built over the requests for them."""

from __future__ import annotations

import struct
import zlib
from pathlib import Path
from random import Random

import pytest

from engine.client import CODES, Controller, calibration, framed, named, recipes
from engine.shop import BOOK, SERVINGS, SLOW

GUARD = 1
FRAME_LIMIT = 256
ENTRIES_MOST = (FRAME_LIMIT - 8 - 5) // 6


def pieces(c: Controller, rng: Random, lose: float) -> list[tuple[int, int, int]]:
    """All that is told now, by a host that asks again, with the same number, when an answer is lost."""
    entries: list[tuple[int, int, int]] = []
    while True:
        c.sequence = c.sequence % 255 + 1
        wire = framed(c.sequence, 33, c.entry)
        (answer,) = c.raw(wire)
        while rng.random() < lose:
            c.level(GUARD, rng.randrange(2))
            c.run(rng.randrange(8))
            (answer,) = c.raw(wire)
        lost, first, count = struct.unpack_from("<HHB", answer, 4)
        assert lost == 0
        assert c.entry in (b"", struct.pack("<H", first)), "it goes on where it was asked to"
        c.entry = struct.pack("<H", (first + count) % 65536)
        if not count:
            return entries
        entries += struct.iter_unpack("<IBB", answer[9:])


@pytest.mark.parametrize("seed", range(3))
def test_nothing_is_lost_when_answers_are(cart: Path, seed: int) -> None:
    """Seeded; the same switches on a controller whose every answer arrives tell the same."""
    told = []
    for lose in (0.6, 0.0):
        rng, moves = Random(seed), Random(100 + seed)
        with Controller(cart) as c:
            entries = []
            for _ in range(300):
                c.level(GUARD, moves.randrange(2))
                c.run(30)
                if lose:
                    c.sequence = c.sequence % 255 + 1
                    wire = framed(c.sequence, 33, c.entry)
                    for _ in range(rng.randrange(3)):
                        c.raw(wire)  # lost
                entries += [(tick, CODES[code], argument) for tick, code, argument in pieces(c, rng, 0.0)]
            told.append(entries)
    assert told[0] == told[1]
    assert len(told[0]) > 100


def test_entries_that_come_while_answers_are_lost(cart: Path) -> None:
    """Every entry once and in order: the guard opens and closes by turns."""
    rng = Random(9)
    with Controller(cart) as c:
        entries = []
        for _ in range(300):
            entries += pieces(c, rng, 0.7)
        levels = [argument for _, code, argument in entries if code == 3]
        assert len(levels) > 100
        assert levels == [GUARD + 128, GUARD] * (len(levels) // 2) + [GUARD + 128] * (len(levels) % 2)
        assert [tick for tick, _, _ in entries] == sorted(tick for tick, _, _ in entries)


def turns(c: Controller, count: int) -> None:
    for n in range(count):
        c.level(GUARD, n % 2)
        c.run(5)


def asked(c: Controller, payload: bytes) -> tuple[int, int, int]:
    lost, first, count = struct.unpack_from("<HHB", c.ask(33, payload).rest)
    return lost, first, count


def test_a_number_that_is_not_held_lets_nothing_go(cart: Path) -> None:
    with Controller(cart) as c:
        turns(c, 10)
        assert asked(c, b"") == (0, 0, 10)
        for number in (11, 200, 0x7FFF, 0x8000, 0xFFFF):
            assert asked(c, struct.pack("<H", number)) == (0, 0, 10)
        assert asked(c, struct.pack("<H", 4)) == (0, 4, 6)
        assert asked(c, struct.pack("<H", 3)) == (0, 4, 6), "gone is gone"
        assert asked(c, struct.pack("<H", 10)) == (0, 10, 0)
        assert asked(c, struct.pack("<H", 9)) == (0, 10, 0)
        turns(c, 1)
        assert asked(c, b"") == (0, 10, 1)


def test_numbers_wrap(cart: Path) -> None:
    """Past 2^16, while as many are held as fit."""
    with Controller(cart) as c:
        done = 0
        while done < 65500:
            turns(c, 200)
            done += 200
            assert asked(c, struct.pack("<H", done % 65536)) == (0, done % 65536, 0)
        first = done % 65536
        turns(c, 256)
        assert asked(c, b"") == (1, first, ENTRIES_MOST), "255 are held, the next is lost"
        assert asked(c, struct.pack("<H", (first + 254) % 65536)) == (1, (first + 254) % 65536, 1)


def test_answers_over_the_largest_payloads(cart: Path) -> None:
    """Each request with the longest payload it may have: nothing of it is left over in an answer."""
    record = recipes(SERVINGS, BOOK).ljust(900, b"\xff")
    part = bytes(Random(1).choices(range(256), k=FRAME_LIMIT - 10))
    with Controller(cart) as c:
        assert c.upload(recipes(SERVINGS, BOOK)).reason == "ok"
        assert c.upload(calibration([SLOW, SLOW], "x")).reason == "ok"
        c.level(0, 0)
        c.level(GUARD, 0)
        c.run(30)
        assert c.ask(2, b"R" + struct.pack("<I", len(record))).rest == b""
        assert c.ask(3, bytes(4) + part).rest == b""
        crc = c.ask(5, b"r" + struct.pack("<II", 0, len(part)))
        assert crc.rest == struct.pack("<I", zlib.crc32(part)), "the chunk was whole when it was written"
        most = FRAME_LIMIT - 8
        told = c.ask(6, b"r" + struct.pack("<IB", 0, len(part)))
        assert told.rest == part and len(part) == most - 2
        assert c.ask(6, b"r" + struct.pack("<IB", 0, most)).rest[: len(part)] == part
        assert c.ask(6, b"r" + struct.pack("<IB", 0, most + 1)).reason == "bad length"
        assert c.ask(4, b"\xff" * 4).reason == "bad record"
        assert c.ask(7, b"R").reason == "bad record"
        assert c.ask(8, named("x" * 16)).reason == "wrong unit"
        assert c.ask(8, named("x")).reason == "ok"
        assert c.ask(1).rest[36:] == b"x".ljust(16, b"\0")
        assert c.ask(16, struct.pack("<HB", 2, 1)).rest == b""
        c.run(2)
        assert c.status()[5:7] == (2, 1)
        assert c.ask(34, b"\0").rest[0] == 2
        assert asked(c, struct.pack("<H", 1))[1] == 1
        assert c.ask(32, part).reason == "bad length" and c.ask(99, part).reason == "unknown request"
        assert c.ask(19, b"\1\1").reason == "busy"
        assert c.ask(18).reason == "nothing to go on with"
        assert c.ask(17).rest == b""
