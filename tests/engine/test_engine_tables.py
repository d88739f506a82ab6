"""Which records the engine refuses, and why: every byte changed, each limit of TABLE.md from both sides."""

from __future__ import annotations

import struct
from pathlib import Path
from random import Random

import pytest

import table_page
from engine.client import (
    INTERFACE,
    Controller,
    Dose,
    Stage,
    blocks,
    calibration,
    long_recipe,
    named,
    recipes,
    recipes_body,
    resealed,
    sealed,
)
from engine.shop import BOOK, SERVINGS, SLOW, TICK

CHANNELS, OUTPUTS, STEPS_MAX = 2, 3, 8
# Dictionary 6 and 10 (3 and 5, grain 2), stages in tens of ticks, numbers not listed, three blocks.
SHORT_TEXTS = [
    bytes.fromhex(text)
    for text in (
        "20 00 21",  # channel 0: 6, channel 1: 10
        "5f 80 01 00 21 01",  # stages of 60, 100 ticks; channels 0, 1; closing stage; first and last wait
        "31 00 1f 07",  # channel 0, closing stage of 70 ticks, its value behind the code
        "32 1f f1 02",  # channel 0: 258, waits
        "00 08 00 07 00 82 1e 00 00 00",  # a long one: channel 0: 7, stage of 300 ticks that waits
    )
]
SHORT_TEXTS += 13 * [bytes.fromhex("20 00 21")]
SHORT = sealed(
    b"R",
    struct.pack("<BBHBBH2B", 2, 0, len(SHORT_TEXTS), 2, 2, 10, 3, 5)
    + blocks(SHORT_TEXTS)
    + struct.pack("<2I", *SERVINGS),
)
RECORDS = {
    "recipes": recipes(SERVINGS, BOOK),
    "short recipes": SHORT,
    "calibration": calibration([SLOW, (0xFFFFFFFF, 5, -1)], "unit 1"),
}


def changed(record: bytes, at: int, value: int) -> bytes:
    return record[:at] + bytes([value]) + record[at + 1 :]


@pytest.mark.parametrize("kind", RECORDS)
def test_every_byte_is_covered_by_the_crc(cart: Path, kind: str) -> None:
    record = RECORDS[kind]
    rng = Random(6)
    with Controller(cart) as c:
        for at in range(len(record)):
            for value in {record[at] ^ 1, record[at] ^ 0x80, rng.randrange(256)} - {record[at]}:
                assert c.upload(changed(record, at, value)).reason == "bad record", (at, value)
        assert c.upload(record).reason == "ok"


@pytest.mark.parametrize("kind", RECORDS)
def test_every_byte_changed_under_a_good_crc(cart: Path, kind: str) -> None:
    """The engine's judgement against one written from TABLE.md in Python."""
    record = RECORDS[kind]
    rng = Random(7)
    seen = set()
    unit = b"unit 1".ljust(16, b"\0")
    with Controller(cart) as c:
        assert c.name_unit("unit 1").reason == "ok"
        for at in range(len(record) - 4):
            for value in {0, 1, 0x7F, 0x80, 0xFF, record[at] ^ 1, rng.randrange(256)} - {record[at]}:
                wrong = resealed(changed(record, at, value))
                wanted = judgement(wrong, record[2:3], unit)
                seen.add(wanted)
                # kind and length of the upload are those of the good record
                begin = c.ask(2, record[2:3] + struct.pack("<I", len(wrong)))
                assert begin.reason == "ok"
                assert c.ask(3, bytes(4) + wrong).reason == "ok"
                assert c.ask(4, wrong[-4:]).reason == wanted, (at, value)
    assert seen >= {"ok", "bad record", "wrong interface"}
    assert kind != "calibration" or seen >= {"wrong unit", "out of range"}


def judgement(record: bytes, kind: bytes, unit: bytes) -> str:
    """The reason TABLE.md gives for a record whose CRC is good; `ok` when there is none."""
    magic, letter, version, length, interface, zero = struct.unpack_from("<2scBIII", record)
    if (magic, letter, version, length, zero) != (b"DW", kind, 3 if kind == b"R" else 1, len(record), 0):
        return "bad record"
    if interface != INTERFACE:
        return "wrong interface"
    body = record[16:-4]
    return recipes_judgement(body) if kind == b"R" else calibration_judgement(body, unit)


def recipes_judgement(body: bytes) -> str:
    try:
        table_page.read(body, CHANNELS, OUTPUTS - CHANNELS, STEPS_MAX)
    except table_page.PageError:
        return "bad record"
    return "ok"


def calibration_judgement(body: bytes, unit: bytes) -> str:
    if len(body) != 17 + 9 * CHANNELS or body[16] != CHANNELS:
        return "bad record"
    rows = [struct.unpack_from("<IBi", body, 17 + 9 * n) for n in range(CHANNELS)]
    measured = [(m, s, o) for m, s, o in rows if m]
    if not all(m >= 1 << 31 and 1 <= s <= 24 and abs(o) <= 128_000_000 for m, s, o in measured):
        return "bad record"
    if unit[0] and body[:16] != unit:
        return "wrong unit"
    in_range = all(0x80000000 << 12 <= m << (24 - s) <= 0xC0000000 << 23 for m, s, _ in measured)
    return "ok" if in_range else "out of range"


def raw_recipes(
    *texts: bytes,
    servings: tuple[int, ...] = (TICK,),
    numbers: tuple[int, ...] = (),
    first_block: int | None = None,
) -> bytes:
    """A recipes record around recipes given as bytes; `first_block`: instead of its length."""
    body = recipes_body(servings, texts, numbers or range(1, len(texts) + 1))
    if first_block is not None:
        body = body[:8] + bytes([first_block]) + body[9:]
    return sealed(b"R", body)


def one(*steps: Dose | Stage) -> bytes:
    return long_recipe(steps)


LIMITS = {
    "no recipes": (raw_recipes(), "ok"),
    "16 servings": (raw_recipes(one(Dose(0, 1)), servings=(1,) * 16), "ok"),
    "17 servings": (raw_recipes(one(Dose(0, 1)), servings=(1,) * 17), "bad record"),
    "no servings": (raw_recipes(one(Dose(0, 1)), servings=()), "bad record"),
    "serving 0": (raw_recipes(one(Dose(0, 1)), servings=(0,)), "bad record"),
    "largest serving": (raw_recipes(one(Dose(0, 1)), servings=(4_000_000_000,)), "ok"),
    "serving above": (raw_recipes(one(Dose(0, 1)), servings=(4_000_000_001,)), "bad record"),
    "weight 4095": (raw_recipes(one(Dose(0, 4095))), "ok"),
    "weight 4096": (raw_recipes(one(Dose(0, 4096))), "bad record"),
    "weight 0": (raw_recipes(one(Dose(0, 0))), "bad record"),
    "stage 2^31-1": (raw_recipes(one(Dose(0, 1), Stage(2, (1 << 31) - 1))), "ok"),
    "stage 2^31": (raw_recipes(one(Dose(0, 1), Stage(2, 1 << 31))), "bad record"),
    "stage 0": (raw_recipes(one(Dose(0, 1), Stage(2, 0))), "bad record"),
    "no dose": (raw_recipes(one(Stage(2, 1))), "bad record"),
    "no step": (raw_recipes(one()), "bad record"),
    "8 steps": (raw_recipes(one(Dose(0, 1), *[Stage(2, 1)] * 7)), "ok"),
    "9 steps": (raw_recipes(one(Dose(0, 1), *[Stage(2, 1)] * 8)), "bad record"),
    "channel twice": (raw_recipes(one(Dose(0, 1), Dose(1, 1), Dose(0, 1))), "bad record"),
    "no such output": (raw_recipes(one(Dose(0, 1), Stage(3, 1))), "bad record"),
    "numbers equal": (raw_recipes(one(Dose(0, 1)), one(Dose(0, 1)), numbers=(5, 5)), "bad record"),
    "numbers descend": (raw_recipes(one(Dose(0, 1)), one(Dose(0, 1)), numbers=(6, 5)), "bad record"),
    "last step cut off": (raw_recipes(one(Dose(0, 1), Dose(1, 1))[:-1]), "bad record"),
    "a byte behind the last recipe": (raw_recipes(one(Dose(0, 1)) + b"\0"), "bad record"),
    "a length of more than is there": (raw_recipes(b"\x04" + one(Dose(0, 1))[1:]), "bad record"),
    "a short recipe": (raw_recipes(bytes.fromhex("20 1f 07")), "ok"),
    "a code that is no entry": (raw_recipes(bytes.fromhex("20 00 07")), "ok"),
    "no such channel": (raw_recipes(bytes.fromhex("40 1f 07 5f 01")), "bad record"),
    "no such stage": (raw_recipes(bytes.fromhex("48 3f 01 1f 07")), "bad record"),
    "stages without an end": (raw_recipes(bytes.fromhex("48 9f 01 9f 07")), "bad record"),
    "a value cut off": (raw_recipes(bytes.fromhex("20 1f f0")), "bad record"),
    "a value of nothing": (raw_recipes(bytes.fromhex("20 1f 00")), "bad record"),
    "a closing stage": (raw_recipes(bytes.fromhex("41 1f 07 1f 01")), "ok"),
    "nothing but a closing stage": (raw_recipes(bytes.fromhex("21 1f 07")), "bad record"),
    "a block too short": (raw_recipes(*[one(Dose(0, 1))] * 9, first_block=35), "bad record"),
    "a block too long": (raw_recipes(*[one(Dose(0, 1))] * 9, first_block=45), "bad record"),
    "right blocks": (raw_recipes(*[one(Dose(0, 1))] * 9, first_block=40), "ok"),
    "a block of more than 239 bytes": (raw_recipes(*[one(Dose(0, 1), *[Stage(2, 1)] * 7)] * 8), "ok"),
    "a weight of 12 bits": (raw_recipes(bytes.fromhex("30 1f ff ff")), "ok"),
    "slowest": (calibration([(0xC0000000, 1, 0), SLOW]), "ok"),
    "slower": (calibration([(0xC0000001, 1, 0), SLOW]), "out of range"),
    "fastest": (calibration([(0x80000000, 12, 0), SLOW]), "ok"),
    "faster": (calibration([(0xFFFFFFFF, 13, 0), SLOW]), "out of range"),
    "not normalised": (calibration([(0x7FFFFFFF, 9, 0), SLOW]), "bad record"),
    "shift 0": (calibration([(0x80000000, 0, 0), SLOW]), "bad record"),
    "shift 25": (calibration([(0x80000000, 25, 0), SLOW]), "bad record"),
    "offset": (calibration([(0x80000000, 9, 128_000_000), (0x80000000, 9, -128_000_000)]), "ok"),
    "offset above": (calibration([(0x80000000, 9, 128_000_001), SLOW]), "bad record"),
    "offset below": (calibration([(0x80000000, 9, -128_000_001), SLOW]), "bad record"),
    "not measured": (calibration([(0, 0, 0), SLOW]), "ok"),
    "a channel too many": (calibration([SLOW] * 3), "bad length"),
    "a channel too few": (calibration([SLOW]), "bad record"),
    "another machine": (calibration([SLOW] * 2, interface=INTERFACE + 1), "wrong interface"),
}


@pytest.mark.parametrize("name", LIMITS)
def test_limits(cart: Path, name: str) -> None:
    record, wanted = LIMITS[name]
    with Controller(cart) as c:
        assert c.upload(record).reason == wanted
        if wanted == "out of range":
            assert c.upload(record).argument == 0


def unit_of(c: Controller) -> str:
    return c.ask(1).rest[36:].rstrip(b"\0").decode()


def test_a_calibration_of_another_unit_is_refused(cart: Path) -> None:
    with Controller(cart) as c:
        for unit in ("", "cart 1", "cart 2"):  # a unit without a name takes any
            assert c.upload(calibration([SLOW] * 2, unit)).reason == "ok"
        assert unit_of(c) == ""
        assert c.name_unit("cart 1").reason == "wrong unit", "it runs by the calibration of cart 2"
        assert c.name_unit("cart 2").reason == "ok"
        assert unit_of(c) == "cart 2"
        for unit in ("", "cart 1", "cart 22", "cart"):
            assert c.upload(calibration([SLOW] * 2, unit)).reason == "wrong unit"
        assert c.upload(calibration([(1 << 31, 10, 0)] * 2, "cart 2")).reason == "ok"
        assert c.name_unit("cart 3").reason == "wrong unit", "named once and for all"
        c.tell("reset")
        assert unit_of(c) == "cart 2"


def test_what_makes_no_name_is_refused(cart: Path) -> None:
    with Controller(cart) as c:
        assert c.name_unit("").reason == "bad record"
        assert c.ask(8, b"cart".ljust(16, b"\0") + bytes(4)).reason == "bad record"
        assert c.ask(8, b"cart").reason == "bad length"
        assert unit_of(c) == ""
        assert c.name_unit("a name of sixteen"[:16]).reason == "ok"
        assert unit_of(c) == "a name of sixtee"


def test_what_is_built_in_for_another_unit_is_not_poured_with(
    cart_with_recipes: Path, tmp_path: Path
) -> None:
    """A unit that has a name gets the firmware of another one."""
    store = tmp_path / "store"
    with Controller(cart_with_recipes, ["--store", str(store)]) as c:
        assert c.name_unit("cart 2").reason == "wrong unit"
        assert c.name_unit("built in").reason == "ok"
    image = bytearray(store.read_bytes())
    image[2:22] = named("cart 2")
    store.write_bytes(image)
    with Controller(cart_with_recipes, ["--store", str(store)]) as c:
        assert unit_of(c) == "cart 2"
        assert c.pour(1).reason == "no calibration"
        assert c.upload(calibration([SLOW] * 2, "cart 2")).reason == "ok"
