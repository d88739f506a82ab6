"""The bytes of ``targets/engine/TABLE.md``, both ways. ValueError on anything that page does not allow."""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass

from dosewright.gen import compact, compact_reader
from dosewright.gen.arithmetic import OFFSET_MAX, SERVING_MAX, SHIFT_MAX
from dosewright.gen.compiled import (
    WEIGHT_MAX,
    WEIGHT_SUM_MAX,
    Calibration,
    CalibrationTable,
    Dose,
    Rate,
    RecipeTable,
    Stage,
    Step,
)

RECIPES = "R"
CALIBRATION = "C"
FORMATS = {RECIPES: 3, CALIBRATION: 1}  # an engine reads exactly its own
SERVINGS_MAX = 16
UNIT_BYTES = 16

_HEADER = struct.Struct("<2s1sBIII")
_CRC = struct.Struct("<I")
_CHANNEL = struct.Struct("<IBi")


@dataclass(frozen=True, slots=True)
class Record:
    """One record whose frame and CRC are right: kind ``R`` or ``C``, all its bytes, and its body."""

    kind: str
    interface: int
    data: bytes
    body: bytes


def encode_recipes(table: RecipeTable, interface: int, channels: int, stages: int) -> bytes:
    """The recipes record for a machine of so many channels and stages. Names are not stored."""
    _check_recipes(table, channels, stages)
    return _frame(RECIPES, interface, compact.encode(table, channels, stages))


def decode_recipes(data: bytes, channels: int, stages: int) -> RecipeTable:
    """A recipes record of such a machine read back. Names are empty."""
    table = compact_reader.decode(_single(data, RECIPES).body, channels, stages)
    _check_recipes(table, channels, stages)
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
        wanted = FORMATS[kind.decode()]
        if version != wanted:
            raise ValueError(f"record format {version}; this version reads {wanted}")
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
    data = _HEADER.pack(b"DW", kind.encode(), FORMATS[kind], length, interface, 0) + body
    return data + _CRC.pack(zlib.crc32(data))


def _single(data: bytes, kind: str) -> Record:
    found = records(data)
    if len(found) != 1 or found[0].kind != kind:
        raise ValueError(
            f"wanted one record of kind {kind}, found {', '.join(r.kind for r in found) or 'none'}"
        )
    return found[0]


def _check_recipes(table: RecipeTable, channels: int, stages: int) -> None:
    if not 1 <= len(table.servings) <= SERVINGS_MAX:
        raise ValueError(f"{len(table.servings)} servings; 1 .. {SERVINGS_MAX} fit")
    if not all(1 <= serving <= SERVING_MAX for serving in table.servings):
        raise ValueError(f"a serving must be within 1 .. {SERVING_MAX} quanta")
    previous = -1
    for recipe in table.recipes:
        if not previous < recipe.number <= 0xFFFF:
            raise ValueError(f"recipe number {recipe.number} after {previous}: numbers ascend, to 65535")
        previous = recipe.number
        problem = _fault(recipe.steps, channels, stages)
        if problem:
            raise ValueError(f"recipe {recipe.number}: {problem}")


def _fault(steps: tuple[Step, ...], channels: int, stages: int) -> str:
    weights = [step.weight for step in steps if isinstance(step, Dose)]
    if not weights:
        return "no dose"
    for step in steps:
        first, after = (0, channels) if isinstance(step, Dose) else (channels, channels + stages)
        if not first <= step.output < after:
            return f"{type(step).__name__.lower()} of output {step.output}, which there is not"
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
