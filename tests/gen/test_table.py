"""The bytes of targets/engine/TABLE.md."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Callable
from pathlib import Path
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dosewright.gen.arithmetic import OFFSET_MAX, SERVING_MAX
from dosewright.gen.compiled import (
    WEIGHT_MAX,
    WEIGHT_SUM_MAX,
    Calibration,
    CalibrationTable,
    CompiledRecipe,
    Dose,
    Rate,
    RecipeTable,
    Stage,
    Step,
)
from dosewright.gen.table import (
    decode_calibration,
    decode_recipes,
    encode_calibration,
    encode_recipes,
    records,
)

CHANNELS = 8
TABLE = RecipeTable(
    (1000, 0x01020304),
    (
        CompiledRecipe(7, "", (Stage(8, 0x0A0B0C0D), Dose(3, 0x0102, True))),
        CompiledRecipe(0x1234, "", (Dose(0, 1), Dose(1, 4095))),
    ),
)
UNIT = CalibrationTable("unit Ä", (Calibration(Rate(0, 0), 0), Calibration(Rate(0x80000001, 24), -2)))


def with_crc(data: bytes) -> bytes:
    """CRC-32/ISO-HDLC as zlib has it."""
    return data + struct.pack("<I", zlib.crc32(data))


def test_the_recipes_record_byte_by_byte() -> None:
    body = bytes.fromhex(
        "02 00 0200  e8030000 04030201  0700 3412  18000000 21000000"
        "  02 08 0d0c0b0a 83 0201  02 00 0100 01 ff0f"
    )
    length = 16 + len(body) + 4
    header = bytes.fromhex("4457 52 01") + struct.pack("<I", length) + bytes.fromhex("efbeadde 00000000")
    assert encode_recipes(TABLE, 0xDEADBEEF) == with_crc(header + body)


def test_the_calibration_record_byte_by_byte() -> None:
    body = "unit Ä".encode().ljust(16, b"\0") + bytes.fromhex("02 000000000000000000 0100008018feffffff")
    header = (
        bytes.fromhex("4457 43 01") + struct.pack("<I", 20 + len(body)) + bytes.fromhex("01000000 00000000")
    )
    assert encode_calibration(UNIT, 1) == with_crc(header + body)


def test_the_crc_is_the_one_of_the_catalogue() -> None:
    """CRC-32/ISO-HDLC of "123456789" is CBF43926 (RevEng catalogue)."""
    assert zlib.crc32(b"123456789") == 0xCBF43926


def test_how_long_a_record_may_be_for_three_flips_to_show() -> None:
    """Koopman's tables of CRC-32: Hamming distance 4 up to 91607 data bits (from memory, worked out here).

    An error can be shifted, so its first flip may be taken as x^0: two flips cancel where x^k = 1, three
    where 1 + x^j = x^k modulo the polynomial. Records within the EEPROM of a controller (4 KiB at most) are
    shorter; in a longer one two flips still always show.
    """
    powers: dict[int, int] = {}
    value = 1
    while value not in powers and (value ^ 1) not in powers:
        powers[value] = len(powers)
        value = (value << 1) ^ (0x104C11DB7 if value >> 31 else 0)
    assert value != 1 and len(powers) == 91607 + 32
    longest = bytearray((91607 + 32) // 8 + 1)
    three = [0, powers[value ^ 1], len(powers)]
    for bit in three:  # x^0 is the last bit on the line; zlib takes the low bit of a byte first
        longest[-1 - bit // 8] ^= 0x80 >> bit % 8
    assert zlib.crc32(longest) == zlib.crc32(bytes(len(longest)))


@pytest.mark.parametrize("octets", ["c080", "eda080", "f4908080", "e080af"])
def test_a_unit_whose_name_is_no_utf_8_is_refused(octets: str) -> None:
    """RFC 3629, sections 3, 4 and 10."""
    data = bytearray(encode_calibration(UNIT, 1)[:-4])
    data[16:32] = bytes.fromhex(octets).ljust(16, b"\0")
    with pytest.raises(ValueError):
        decode_calibration(with_crc(bytes(data)))


def test_a_unit_s_name_is_utf_8() -> None:
    """RFC 3629, section 7: "nihongo"."""
    named = encode_calibration(CalibrationTable("\u65e5\u672c\u8a9e", UNIT.channels), 1)
    assert named[16:32] == bytes.fromhex("e697a5e69cace8aa9e").ljust(16, b"\0")
    assert decode_calibration(named).unit == "\u65e5\u672c\u8a9e"


def test_the_limits_are_those_of_the_page() -> None:
    page = (Path(__file__).parents[2] / "targets/engine/TABLE.md").read_text()
    assert f"|offset| <= {OFFSET_MAX:_}".replace("_", " ") in page
    assert f"1 .. {SERVING_MAX:_}".replace("_", " ") in page
    assert f"1 .. {WEIGHT_MAX} and their sum within {WEIGHT_SUM_MAX}" in page


steps = st.one_of(
    st.builds(Dose, st.integers(0, CHANNELS - 1), st.integers(1, 4095), st.booleans()),
    st.builds(Stage, st.integers(CHANNELS, 127), st.integers(1, (1 << 31) - 1), st.booleans()),
)


def is_recipe(made: list[Step]) -> bool:
    doses = [step.output for step in made if isinstance(step, Dose)]
    return 0 < len(doses) == len(set(doses))


tables = st.builds(
    lambda servings, recipes: RecipeTable(
        tuple(servings), tuple(CompiledRecipe(n, "", tuple(recipes[n])) for n in sorted(recipes))
    ),
    st.lists(st.integers(1, SERVING_MAX), min_size=1, max_size=16),
    st.dictionaries(
        st.integers(0, 65535), st.lists(steps, min_size=1, max_size=16).filter(is_recipe), max_size=5
    ),
)
calibrations = st.builds(
    lambda unit, channels: CalibrationTable(unit, tuple(channels)),
    st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=16).filter(
        lambda text: len(text.encode()) <= 16
    ),
    st.lists(
        st.builds(
            Calibration,
            st.one_of(
                st.just(Rate(0, 0)),
                st.builds(Rate, st.integers(1 << 31, (1 << 32) - 1), st.integers(1, 24)),
            ),
            st.integers(-OFFSET_MAX, OFFSET_MAX),
        ),
        min_size=1,
        max_size=64,
    ),
)


@given(tables, calibrations, st.integers(0, (1 << 32) - 1))
def test_what_is_written_is_read_back(table: RecipeTable, unit: CalibrationTable, interface: int) -> None:
    recipes, calibration = encode_recipes(table, interface), encode_calibration(unit, interface)
    assert decode_recipes(recipes, CHANNELS) == table
    assert decode_calibration(calibration) == unit
    both = records(recipes + calibration)
    assert [(r.kind, r.interface, r.data) for r in both] == [
        ("R", interface, recipes),
        ("C", interface, calibration),
    ]


@pytest.mark.parametrize("data", [encode_recipes(TABLE, 1), encode_calibration(UNIT, 1)])
def test_every_truncation_and_every_flipped_bit_is_noticed(data: bytes) -> None:
    for length in range(1, len(data)):
        with pytest.raises(ValueError):
            records(data[:length])
    for bit in range(8 * len(data)):
        flipped = bytearray(data)
        flipped[bit // 8] ^= 1 << bit % 8
        with pytest.raises(ValueError):
            records(bytes(flipped))


def patched(data: bytes, at: int, layout: str, value: int) -> bytes:
    """A record with one field of its body changed and its CRC mended."""
    changed = bytearray(data[:-4])
    struct.pack_into("<" + layout, changed, 16 + at, value)
    return with_crc(bytes(changed))


def read(data: bytes) -> RecipeTable:
    return decode_recipes(data, CHANNELS)


@pytest.mark.parametrize(
    ("at", "layout", "value", "words"),
    [
        (0, "B", 0, "numbers ascend|servings|ends too early"),
        (0, "B", 17, "ends too early|servings"),
        (2, "H", 3000, "ends too early"),
        (4, "I", 0, "serving"),
        (4, "I", SERVING_MAX + 1, "serving"),
        (14, "H", 7, "numbers ascend"),
        (16, "I", 10_000, "ends too early"),
        (24, "B", 200, "ends too early|weights|stage"),
        (26, "I", 0, "stage"),
        (26, "I", 1 << 31, "stage"),
        (31, "H", 0, "weights"),
        (31, "H", 4096, "weights"),
        (37, "B", 0, "twice"),
    ],
)
def test_a_broken_recipes_body_is_refused(at: int, layout: str, value: int, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        read(patched(encode_recipes(TABLE, 1), at, layout, value))


@pytest.mark.parametrize(
    ("at", "layout", "value", "words"),
    [
        (0, "B", 0xFF, "UTF-8"),
        (16, "B", 3, "number of channels"),
        (17, "I", 5, "not normalised"),
        (26, "I", 0x7FFFFFFF, "not normalised"),
        (30, "B", 0, "not normalised"),
        (30, "B", 25, "not normalised"),
        (31, "i", OFFSET_MAX + 1, "offset"),
        (31, "i", -OFFSET_MAX - 1, "offset"),
    ],
)
def test_a_broken_calibration_body_is_refused(at: int, layout: str, value: int, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        decode_calibration(patched(encode_calibration(UNIT, 1), at, layout, value))


def test_the_wrong_kind_or_version_is_named() -> None:
    recipes, calibration = encode_recipes(TABLE, 1), encode_calibration(UNIT, 1)
    with pytest.raises(ValueError, match="wanted one record of kind R, found C"):
        read(calibration)
    with pytest.raises(ValueError, match="found R, C"):
        decode_calibration(recipes + calibration)
    newer = with_crc(recipes[:3] + b"\x02" + recipes[4:-4])
    with pytest.raises(ValueError, match="format 2; this version reads 1"):
        read(newer)
    with pytest.raises(ValueError, match="1 stands where a record has 0"):
        read(with_crc(recipes[:12] + b"\x01" + recipes[13:-4]))
    with pytest.raises(ValueError, match="not the start of a record"):
        read(b"RIFF" + recipes[4:])


def test_random_bytes_behind_a_right_frame_are_read_or_refused() -> None:
    rng = Random(3)
    readers: tuple[tuple[bytes, Callable[[bytes], object]], ...] = ((b"R", read), (b"C", decode_calibration))
    for _ in range(3000):
        for kind, reader in readers:
            body = rng.randbytes(rng.randrange(64))
            header = struct.pack("<2s1sBIII", b"DW", kind, 1, 20 + len(body), 1, 0)
            try:
                reader(with_crc(header + body))
            except ValueError as error:
                assert str(error)


@pytest.mark.parametrize(
    "unit", ["seventeen letters", "Ääääääääq", "nul\0"], ids=["too long", "too long in UTF-8", "NUL"]
)
def test_a_name_that_does_not_fit_is_refused(unit: str) -> None:
    with pytest.raises(ValueError, match="unit's name"):
        encode_calibration(CalibrationTable(unit, UNIT.channels), 1)
