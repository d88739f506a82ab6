"""Which records the engine refuses, and why: every byte changed, each limit of TABLE.md from both sides."""

from __future__ import annotations

import struct
from pathlib import Path
from random import Random

import pytest

from engine.client import INTERFACE, Controller, Dose, Stage, calibration, recipes, resealed, sealed
from engine.shop import BOOK, SERVINGS, SLOW, TICK

CHANNELS, OUTPUTS, STEPS_MAX = 2, 3, 8
RECORDS = {
    "recipes": recipes(SERVINGS, BOOK),
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
    unit = bytes(16)
    with Controller(cart) as c:
        # the unit's name last: once one is stored, only records of that name are judged further
        for at in sorted(range(len(record) - 4), key=lambda at: 16 <= at < 32):
            for value in {0, 1, 0x7F, 0x80, 0xFF, record[at] ^ 1, rng.randrange(256)} - {record[at]}:
                wrong = resealed(changed(record, at, value))
                wanted = judgement(wrong, record[2:3], unit)
                seen.add(wanted)
                # kind and length of the upload are those of the good record
                begin = c.ask(2, record[2:3] + struct.pack("<I", len(wrong)))
                assert begin.reason == "ok"
                assert c.ask(3, bytes(4) + wrong).reason == "ok"
                assert c.ask(4, wrong[-4:]).reason == wanted, (at, value)
                if kind == "calibration" and wanted == "ok":
                    unit = wrong[16:32]
    assert seen >= {"ok", "bad record", "wrong interface"}
    assert kind == "recipes" or seen >= {"wrong unit", "out of range"}


def judgement(record: bytes, kind: bytes, unit: bytes) -> str:
    """The reason TABLE.md gives for a record whose CRC is good; `ok` when there is none."""
    magic, letter, version, length, interface, zero = struct.unpack_from("<2scBIII", record)
    if (magic, letter, version, length, zero) != (b"DW", kind, 1, len(record), 0):
        return "bad record"
    if interface != INTERFACE:
        return "wrong interface"
    body = record[16:-4]
    return recipes_judgement(body) if kind == b"R" else calibration_judgement(body, unit)


def recipes_judgement(body: bytes) -> str:
    try:
        servings, zero, count = struct.unpack_from("<BBH", body)
        sizes = struct.unpack_from(f"<{servings}I", body, 4)
        numbers = struct.unpack_from(f"<{count}H", body, 4 + 4 * servings)
        offsets = struct.unpack_from(f"<{count}I", body, 4 + 4 * servings + 2 * count)
        good = 1 <= servings <= 16 and zero == 0 and all(1 <= size <= 4_000_000_000 for size in sizes)
        good = (
            good and list(numbers) == sorted(set(numbers)) and all(recipe_is_good(body, at) for at in offsets)
        )
    except (struct.error, IndexError):
        good = False
    return "ok" if good else "bad record"


def recipe_is_good(body: bytes, at: int) -> bool:
    steps, at = body[at], at + 1
    weights: dict[int, int] = {}
    for _ in range(steps):
        output = body[at] & 0x7F
        if output >= OUTPUTS or output in weights:
            return False
        if output < CHANNELS:
            (weights[output],) = struct.unpack_from("<H", body, at + 1)
            at += 3
        else:
            (ticks,) = struct.unpack_from("<I", body, at + 1)
            at += 5
            if not 1 <= ticks < 1 << 31:
                return False
    return 1 <= steps <= STEPS_MAX and bool(weights) and all(1 <= w <= 4095 for w in weights.values())


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


def raw_recipes(*texts: bytes, servings: tuple[int, ...] = (TICK,), numbers: tuple[int, ...] = ()) -> bytes:
    """A recipes record around recipes given as bytes."""
    numbers = numbers or tuple(range(1, len(texts) + 1))
    at = 4 + 4 * len(servings) + 6 * len(texts)
    offsets = [at + sum(map(len, texts[:n])) for n in range(len(texts))]
    body = struct.pack(f"<BBH{len(servings)}I", len(servings), 0, len(texts), *servings)
    body += struct.pack(f"<{len(numbers)}H", *numbers) + struct.pack(f"<{len(texts)}I", *offsets)
    return sealed(b"R", body + b"".join(texts))


def one(*steps: Dose | Stage) -> bytes:
    return bytes([len(steps)]) + b"".join(step.bytes() for step in steps)


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


def test_a_calibration_of_another_unit_is_refused(cart: Path) -> None:
    with Controller(cart) as c:
        assert c.upload(calibration([SLOW] * 2)).reason == "ok"  # nameless binds nothing
        assert c.upload(calibration([SLOW] * 2, "cart 1")).reason == "ok"
        assert c.upload(calibration([SLOW] * 2, "cart 2")).reason == "wrong unit"
        assert c.upload(calibration([SLOW] * 2)).reason == "wrong unit"
        assert c.upload(calibration([(1 << 31, 10, 0)] * 2, "cart 1")).reason == "ok"
        assert c.ask(1).rest[-7:] == b"\x06cart 1"


def test_what_is_built_in_names_no_unit(cart_with_recipes: Path) -> None:
    with Controller(cart_with_recipes) as c:
        assert c.ask(1).rest[-11:] == b"\x01\x01\x08built in"
        assert c.upload(calibration([SLOW] * 2, "cart 2")).reason == "ok"
        assert c.ask(1).rest[-9:] == b"\x01\x02\x06cart 2"
