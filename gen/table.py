"""The bytes of ``targets/engine/TABLE.md``, both ways. ValueError on anything that page does not allow."""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass

from dosewright.gen.arithmetic import OFFSET_MAX, SERVING_MAX, SHIFT_MAX
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

RECIPES = "R"
CALIBRATION = "C"
FORMAT = 1  # of either kind
SERVINGS_MAX = 16
UNIT_BYTES = 16

_HEADER = struct.Struct("<2s1sBIII")
_CRC = struct.Struct("<I")
_CHANNEL = struct.Struct("<IBi")
_AFTER_ALL = 0x80


@dataclass(frozen=True, slots=True)
class Record:
    """One record whose frame and CRC are right: kind ``R`` or ``C``, all its bytes, and its body."""

    kind: str
    interface: int
    data: bytes
    body: bytes


def encode_recipes(table: RecipeTable, interface: int) -> bytes:
    """The recipes record. Names are not stored."""
    _check_recipes(table)
    return _frame(RECIPES, interface, _recipes_body(table))


def decode_recipes(data: bytes, channels: int) -> RecipeTable:
    """A recipes record read back; an output below ``channels`` is a dose. Names are empty."""
    table = _read_recipes_body(_single(data, RECIPES).body, channels)
    _check_recipes(table)
    return table


def encode_calibration(table: CalibrationTable, interface: int) -> bytes:
    """The calibration record of one unit, one entry a channel."""
    unit = table.unit.encode()
    if len(unit) > UNIT_BYTES or "\0" in table.unit:
        raise ValueError(f"the unit's name must fit {UNIT_BYTES} bytes without NUL, not {table.unit!r}")
    for index, channel in enumerate(table.channels):
        _check_calibration(index, channel)
    body = unit.ljust(UNIT_BYTES, b"\0") + bytes([len(table.channels)])
    body += b"".join(_CHANNEL.pack(c.rate.m, c.rate.s, c.offset) for c in table.channels)
    return _frame(CALIBRATION, interface, body)


def decode_calibration(data: bytes) -> CalibrationTable:
    """A calibration record read back."""
    body = _single(data, CALIBRATION).body
    if len(body) <= UNIT_BYTES or len(body) != UNIT_BYTES + 1 + _CHANNEL.size * body[UNIT_BYTES]:
        raise ValueError(f"a calibration body of {len(body)} bytes does not match its number of channels")
    channels = tuple(
        Calibration(Rate(m, s), offset) for m, s, offset in _CHANNEL.iter_unpack(body[UNIT_BYTES + 1 :])
    )
    for index, channel in enumerate(channels):
        _check_calibration(index, channel)
    try:
        unit = body[:UNIT_BYTES].rstrip(b"\0").decode()
    except UnicodeDecodeError:
        raise ValueError("the unit's name is not UTF-8") from None
    return CalibrationTable(unit, channels)


def records(data: bytes) -> tuple[Record, ...]:
    """The records that stand one behind the other in a table, each with its frame checked."""
    found = []
    while data:
        if len(data) < _HEADER.size + _CRC.size:
            raise ValueError(f"{len(data)} bytes are left, too few for a record")
        magic, kind, version, length, interface, reserved = _HEADER.unpack_from(data)
        if magic != b"DW" or kind not in (b"R", b"C"):
            raise ValueError(f"not the start of a record: {data[:3].hex()}")
        if version != FORMAT:
            raise ValueError(f"record format {version}; this version reads {FORMAT}")
        if reserved:
            raise ValueError(f"{reserved} stands where a record has 0")
        if not _HEADER.size + _CRC.size <= length <= len(data):
            raise ValueError(f"a record of {length} bytes in {len(data)}")
        record, data = data[:length], data[length:]
        (crc,) = _CRC.unpack(record[-_CRC.size :])
        if crc != zlib.crc32(record[: -_CRC.size]):
            raise ValueError("the CRC of a record is wrong")
        found.append(Record(kind.decode(), interface, record, record[_HEADER.size : -_CRC.size]))
    return tuple(found)


def _frame(kind: str, interface: int, body: bytes) -> bytes:
    length = _HEADER.size + len(body) + _CRC.size
    data = _HEADER.pack(b"DW", kind.encode(), FORMAT, length, interface, 0) + body
    return data + _CRC.pack(zlib.crc32(data))


def _single(data: bytes, kind: str) -> Record:
    found = records(data)
    if len(found) != 1 or found[0].kind != kind:
        raise ValueError(
            f"wanted one record of kind {kind}, found {', '.join(r.kind for r in found) or 'none'}"
        )
    return found[0]


# The recipes body: these two functions alone know its bytes.


def _recipes_body(table: RecipeTable) -> bytes:
    recipes = [bytes([len(r.steps)]) + b"".join(map(_step, r.steps)) for r in table.recipes]
    count = len(recipes)
    offset = 4 + 4 * len(table.servings) + 6 * count
    offsets = []
    for recipe in recipes:
        offsets.append(offset)
        offset += len(recipe)
    head = struct.pack("<BBH", len(table.servings), 0, count)
    head += struct.pack(f"<{len(table.servings)}I", *table.servings)
    head += struct.pack(f"<{count}H", *(r.number for r in table.recipes)) + struct.pack(
        f"<{count}I", *offsets
    )
    return head + b"".join(recipes)


def _step(step: Step) -> bytes:
    output = step.output | (_AFTER_ALL if step.after_all else 0)
    if isinstance(step, Dose):
        return struct.pack("<BH", output, step.weight)
    return struct.pack("<BI", output, step.ticks)


def _read_recipes_body(body: bytes, channels: int) -> RecipeTable:
    def take(layout: str, at: int) -> tuple[int, ...]:
        if at + struct.calcsize("<" + layout) > len(body):
            raise ValueError("the recipes body ends too early")
        return struct.unpack_from("<" + layout, body, at)

    n_servings, _, count = take("BBH", 0)
    servings = take(f"{n_servings}I", 4)
    numbers = take(f"{count}H", 4 + 4 * n_servings)
    offsets = take(f"{count}I", 4 + 4 * n_servings + 2 * count)
    recipes = []
    for number, at in zip(numbers, offsets, strict=True):
        (n_steps,) = take("B", at)
        at += 1
        steps: list[Step] = []
        for _ in range(n_steps):
            (first,) = take("B", at)
            output, after_all = first & ~_AFTER_ALL, bool(first & _AFTER_ALL)
            if output < channels:
                steps.append(Dose(output, take("H", at + 1)[0], after_all))
                at += 3
            else:
                steps.append(Stage(output, take("I", at + 1)[0], after_all))
                at += 5
        recipes.append(CompiledRecipe(number, "", tuple(steps)))
    return RecipeTable(servings, tuple(recipes))


def _check_recipes(table: RecipeTable) -> None:
    if not 1 <= len(table.servings) <= SERVINGS_MAX:
        raise ValueError(f"{len(table.servings)} servings; 1 .. {SERVINGS_MAX} fit")
    if not all(1 <= serving <= SERVING_MAX for serving in table.servings):
        raise ValueError(f"a serving must be within 1 .. {SERVING_MAX} quanta")
    previous = -1
    for recipe in table.recipes:
        if not previous < recipe.number <= 0xFFFF:
            raise ValueError(f"recipe number {recipe.number} after {previous}: numbers ascend, to 65535")
        previous = recipe.number
        problem = _fault(recipe.steps)
        if problem:
            raise ValueError(f"recipe {recipe.number}: {problem}")


def _fault(steps: tuple[Step, ...]) -> str:
    weights = [step.weight for step in steps if isinstance(step, Dose)]
    if not weights:
        return "no dose"
    if len(steps) > 255 or not all(0 <= step.output <= 127 for step in steps):
        return "at most 255 steps with outputs 0 .. 127 can be stored"
    if len({step.output for step in steps if isinstance(step, Dose)}) != len(weights):
        return "a channel occurs twice"
    if not all(1 <= weight <= WEIGHT_MAX for weight in weights) or sum(weights) > WEIGHT_SUM_MAX:
        return f"weights must be 1 .. {WEIGHT_MAX}, their sum {WEIGHT_SUM_MAX} at most"
    if not all(1 <= step.ticks < 1 << 31 for step in steps if isinstance(step, Stage)):
        return "a stage must last 1 .. 2^31-1 ticks"
    return ""


def _check_calibration(index: int, channel: Calibration) -> None:
    if channel.rate.m and not (1 << 31 <= channel.rate.m < 1 << 32 and 1 <= channel.rate.s <= SHIFT_MAX):
        raise ValueError(f"channel {index}: {channel.rate} is not normalised")
    if abs(channel.offset) > OFFSET_MAX:
        raise ValueError(f"channel {index}: an offset of {channel.offset} quanta; {OFFSET_MAX} at most")
