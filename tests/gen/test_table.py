"""The bytes of targets/engine/TABLE.md."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

import table_page
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
    FORMATS,
    decode_calibration,
    decode_recipes,
    encode_calibration,
    encode_recipes,
    records,
)

CHANNELS, STAGES = 8, 4
TABLE = RecipeTable(
    (1000, 0x01020304),
    (
        CompiledRecipe(7, "", (Stage(8, 0x0A0B0C0D), Dose(3, 0x0102, True))),
        CompiledRecipe(0x1234, "", (Dose(0, 1), Dose(1, 300), Stage(11, 50, True))),
        CompiledRecipe(0x1235, "", (Stage(9, 50), Dose(0, 1), Dose(1, 1, True))),
    ),
)
UNIT = CalibrationTable("unit Ä", (Calibration(Rate(0, 0), 0), Calibration(Rate(0x80000001, 24), -2)))


def with_crc(data: bytes) -> bytes:
    """CRC-32/ISO-HDLC as zlib has it."""
    return data + struct.pack("<I", zlib.crc32(data))


def test_the_recipes_record_byte_by_byte() -> None:
    body = bytes.fromhex(
        "02 01 0300  02 01 0100  01 32"
        "  14  00 08 08 0d0c0b0a 83 0201  53 00 3f f1 2c 61  3a 21 00 20"
        "  0700 3412 3512  e8030000 04030201"
    )
    length = 16 + len(body) + 4
    header = bytes.fromhex("4457 52 03") + struct.pack("<I", length) + bytes.fromhex("efbeadde 00000000")
    assert encode_recipes(TABLE, 0xDEADBEEF, CHANNELS, STAGES) == with_crc(header + body)


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


def by_the_page(record: bytes, channels: int, stages: int) -> table_page.Page:
    """What a reader makes of it that was written from the page alone."""
    return table_page.read(record[16:-4], channels, stages, steps_max=255)


def lines_of(table: RecipeTable) -> table_page.Page:
    return table_page.Page(
        table.servings,
        {
            recipe.number: tuple(
                table_page.Line(s.output, s.weight if isinstance(s, Dose) else s.ticks, s.after_all)
                for s in recipe.steps
            )
            for recipe in table.recipes
        },
    )


steps = st.one_of(
    st.builds(Dose, st.integers(0, CHANNELS - 1), st.integers(1, 4095), st.booleans()),
    st.builds(
        Stage,
        st.integers(CHANNELS, CHANNELS + STAGES - 1),
        st.one_of(st.integers(1, 40).map(lambda tenths: 100 * tenths), st.integers(1, (1 << 31) - 1)),
        st.booleans(),
    ),
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
    recipes = encode_recipes(table, interface, CHANNELS, STAGES)
    calibration = encode_calibration(unit, interface)
    assert decode_recipes(recipes, CHANNELS, STAGES) == table
    assert by_the_page(recipes, CHANNELS, STAGES) == lines_of(table)
    assert decode_calibration(calibration) == unit
    both = records(recipes + calibration)
    assert [(r.kind, r.interface, r.data) for r in both] == [
        ("R", interface, recipes),
        ("C", interface, calibration),
    ]


@pytest.mark.parametrize("data", [encode_recipes(TABLE, 1, CHANNELS, STAGES), encode_calibration(UNIT, 1)])
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
    return decode_recipes(data, CHANNELS, STAGES)


@pytest.mark.parametrize(
    ("at", "layout", "value", "words"),
    [
        (0, "B", 0, "servings"),
        (0, "B", 17, "ends too early"),
        (1, "B", 2, "head"),
        (2, "H", 3000, "ends too early"),
        (4, "B", 32, "dictionary"),
        (5, "B", 0, "head"),
        (5, "B", 17, "head"),
        (6, "H", 0, "head"),
        (8, "B", 0, "weights"),
        (10, "B", 19, "ends too early"),
        (10, "B", 21, "left behind the last recipe of a block"),
        (11, "B", 1, "ends too early"),
        (12, "B", 200, "ends too early"),
        (13, "B", 12, "which there is not"),
        (14, "I", 0, "stage"),
        (14, "I", 1 << 31, "stage"),
        (19, "H", 0, "weights"),
        (19, "H", 4096, "weights"),
        (21, "B", 0x43, "ends too early"),
        (26, "B", 0x80, "which there is not"),
        (27, "B", 0x4A, "ends too early"),
        (29, "B", 0x20, "twice"),
        (31, "H", 0x1235, "numbers ascend"),
        (37, "I", 0, "serving"),
        (37, "I", SERVING_MAX + 1, "serving"),
    ],
)
def test_a_broken_recipes_body_is_refused(at: int, layout: str, value: int, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        read(patched(encode_recipes(TABLE, 1, CHANNELS, STAGES), at, layout, value))


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
    recipes, calibration = encode_recipes(TABLE, 1, CHANNELS, STAGES), encode_calibration(UNIT, 1)
    with pytest.raises(ValueError, match="wanted one record of kind R, found C"):
        read(calibration)
    with pytest.raises(ValueError, match="found R, C"):
        decode_calibration(recipes + calibration)
    for version in (2, 4):
        other = with_crc(recipes[:3] + bytes([version]) + recipes[4:-4])
        with pytest.raises(ValueError, match=f"format {version}; this version reads 3"):
            read(other)
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
            header = struct.pack("<2s1sBIII", b"DW", kind, FORMATS[kind.decode()], 20 + len(body), 1, 0)
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


MACHINES = [(1, 0), (8, 4), (8, 5), (9, 4), (16, 8), (16, 9), (17, 0), (64, 16)]


def random_table(rng: Random, channels: int, stages: int, count: int) -> RecipeTable:
    """Recipes as machines have them, and odd ones among them."""
    recipes = []
    for number in range(1, count + 1):
        odd = rng.random() < 0.2
        chosen = rng.sample(range(channels), rng.randint(1, min(channels, 64 if odd else 6)))
        top = rng.choice((12, 255, 256, 1023 if len(chosen) > 15 else 4095))
        made: list[Step] = [Dose(channel, rng.randint(1, top), False) for channel in chosen]
        marks = rng.randrange(8) if rng.random() < 0.5 else 0
        made[0] = replace(made[0], after_all=bool(marks & 1))
        made[-1] = replace(made[-1], after_all=bool(marks & 2))
        for _ in range(rng.choice((0, 0, 1, 2, 4)) if stages else 0):
            ticks = rng.choice((1, 1 << 31, 70_000)) - 1 if odd else 100 * rng.randint(1, 300)
            made.insert(0, Stage(channels + rng.randrange(stages), ticks or 1, False))
        if stages and marks & 4:
            made.append(Stage(channels + rng.randrange(stages), 5000, True))
        if odd:
            rng.shuffle(made)
            made[-1] = replace(made[-1], after_all=True)
        recipes.append(CompiledRecipe(number, "", tuple(made)))
    return RecipeTable((1, SERVING_MAX), tuple(recipes))


@pytest.mark.parametrize("count", [0, 1, 8, 9, 33, 200])
@pytest.mark.parametrize(("channels", "stages"), MACHINES)
def test_machines_of_every_shape(channels: int, stages: int, count: int) -> None:
    table = random_table(Random(f"{channels} {stages} {count}"), channels, stages, count)
    record = encode_recipes(table, 1, channels, stages)
    assert by_the_page(record, channels, stages) == lines_of(table)
    assert decode_recipes(record, channels, stages) == table


def test_ten_thousand_recipes() -> None:
    table = random_table(Random(1), 64, 16, 10_000)
    record = encode_recipes(table, 1, 64, 16)
    assert len(record) > 65_535, "offsets have more than 16 bits"
    assert by_the_page(record, 64, 16) == lines_of(table)
    assert decode_recipes(record, 64, 16) == table


def test_numbers_that_count_up_cost_nothing() -> None:
    table = random_table(Random(2), 8, 4, 40)
    gap = (*table.recipes[:-1], replace(table.recipes[-1], number=41))
    listed = encode_recipes(replace(table, recipes=gap), 1, 8, 4)
    assert len(listed) - len(encode_recipes(table, 1, 8, 4)) == 2 * 40


def example_of_the_page() -> bytes:
    page = (Path(__file__).parents[2] / "targets/engine/TABLE.md").read_text().split("### Example")[1]
    return bytes.fromhex(page.split("```")[1])


def test_the_example_of_the_page_means_what_it_says() -> None:
    """Read by code written from the page; 8 channels, 2 stages."""
    body = example_of_the_page()
    assert table_page.read(body, 8, 2, steps_max=18) == lines_of(EXAMPLE)
    assert encode_recipes(EXAMPLE, 1, 8, 2)[16:-4] == body


EXAMPLE = RecipeTable(
    (38_400_000,),
    (
        CompiledRecipe(1, "", (Stage(9, 5000), Dose(2, 2), Dose(0, 1))),
        CompiledRecipe(2, "", (Dose(5, 7), Dose(1, 3), Dose(0, 2), Stage(8, 8000, True))),
        CompiledRecipe(
            4, "", (Stage(8, 5000), Stage(9, 2000, True), Dose(3, 2, True), Dose(4, 300), Dose(0, 1))
        ),
        CompiledRecipe(5, "", (Dose(4, 400), Dose(0, 2), Dose(2, 1))),
    ),
)
