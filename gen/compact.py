"""The body of a recipes record, written: "Recipes body" of ``targets/engine/TABLE.md`` has every byte.

What a table may hold is judged in ``table.py``; ``compact_reader.py`` reads what is written here.
"""

from __future__ import annotations

import struct
from collections import Counter
from dataclasses import dataclass
from math import gcd

from dosewright.gen.compiled import Dose, RecipeTable, Stage, Step

BLOCK = 16  # recipes to an entry of the index
MORE = 255  # byte of a number: the next one is added
GRAIN_MAX = 16
SHORT_MAX = 15  # bytes of a short recipe behind its head
UNIT_MAX = 0xFFFF
NARROW_MAX = 0xFFFF  # bytes of a record whose index has 16 bits
AROUND_BODY = 20  # bytes of a record that are not its body
HAS_STAGES, FIRST_WAITS, LAST_WAITS, CLOSING = 8, 4, 2, 1
AFTER_ALL = 0x80
COMMON = 24  # so many of the commonest durations take part in finding a unit

HEAD = struct.Struct("<BBHBBH")


@dataclass(frozen=True, slots=True)
class Words:
    """How short steps are written: bits of a code, dictionary, its grain, ticks of a stage's unit."""

    bits: int
    values: tuple[int, ...]
    grain: int
    unit: int


@dataclass(frozen=True, slots=True)
class _Short:
    """A recipe as a short one has it: stages, doses, a closing stage, marks."""

    stages: tuple[Stage, ...]
    doses: tuple[Dose, ...]
    closing: tuple[Stage, ...]
    marks: int


def encode(table: RecipeTable, channels: int, stages: int) -> bytes:
    """The body for a machine of so many channels and stages."""
    shorts = [_short(recipe.steps) for recipe in table.recipes]
    words = _choose(shorts, channels, stages)
    recipes = [
        (_short_bytes(short, words, channels) if short and words.bits else None) or _long_bytes(recipe.steps)
        for recipe, short in zip(table.recipes, shorts, strict=True)
    ]
    numbers = [recipe.number for recipe in table.recipes]
    listed = numbers != list(range(1, len(numbers) + 1))
    lists = struct.pack(f"<{len(table.servings)}I", *table.servings)
    if listed:
        lists += struct.pack(f"<{len(numbers)}H", *numbers)
    lists += bytes(value // words.grain for value in words.values)
    head = HEAD.pack(len(table.servings), listed, len(numbers), len(words.values), words.grain, words.unit)
    starts = block_starts(recipes)
    length = AROUND_BODY + len(head + lists) + 2 * len(starts) + sum(map(len, recipes))
    index = struct.pack(f"<{len(starts)}{'H' if length <= NARROW_MAX else 'I'}", *starts)
    return head + lists + index + b"".join(recipes)


def code_bits(channels: int, stages: int) -> int:
    """Bits of the code in a step of a short recipe; 0: so many outputs that every recipe is a long one."""
    if channels <= 8 and stages <= 4:
        return 5
    return 4 if channels <= 16 and stages <= 8 else 0


def block_starts(recipes: list[bytes]) -> list[int]:
    """Offsets of recipes 16, 32 and so on from the first."""
    starts, at = [], 0
    for place, recipe in enumerate(recipes):
        if place and place % BLOCK == 0:
            starts.append(at)
        at += len(recipe)
    return starts


def _number(value: int) -> bytes:
    return bytes([MORE] * (value // MORE) + [value % MORE])


def _short(steps: tuple[Step, ...]) -> _Short | None:
    """The steps in the order of a short recipe; None where only a long one can say it."""
    first = next(place for place, step in enumerate(steps) if isinstance(step, Dose))
    stages, rest = steps[:first], steps[first:]
    closing = rest[-1:] if isinstance(rest[-1], Stage) and rest[-1].after_all else ()
    doses = rest[: len(rest) - len(closing)]
    marks = CLOSING if closing else 0
    marks |= FIRST_WAITS if doses[0].after_all else 0
    marks |= LAST_WAITS if doses[-1].after_all and len(doses) > 1 else 0
    if any(step.after_all for step in (*stages, *doses[1:-1])):
        return None
    found = _Short(
        tuple(step for step in stages if isinstance(step, Stage)),
        tuple(step for step in doses if isinstance(step, Dose)),
        tuple(step for step in closing if isinstance(step, Stage)),
        marks,
    )
    return found if len(found.doses) == len(doses) else None


def _choose(shorts: list[_Short | None], channels: int, stages: int) -> Words:
    """The unit and the dictionary that save most bytes."""
    bits = code_bits(channels, stages)
    found = [short for short in shorts if short] if bits else []
    durations = Counter(stage.ticks for short in found for stage in (*short.stages, *short.closing))
    unit = _unit(durations)
    used = Counter(dose.weight for short in found for dose in short.doses)
    for ticks, times in durations.items():
        if ticks % unit == 0:
            used[ticks // unit] += times
    best: tuple[int, tuple[int, ...], int] = (0, (), 1)
    for grain in range(1, GRAIN_MAX + 1):
        saved = {
            value: times * (value // MORE + 1)
            for value, times in used.items()
            if value % grain == 0 and value // grain <= MORE
        }
        values = sorted((v for v in saved if saved[v] > 1), key=lambda v: (-saved[v], v))[: (1 << bits) - 1]
        gain = sum(saved[value] - 1 for value in values)
        if gain > best[0]:
            best = gain, tuple(values), grain
    return Words(bits, best[1], best[2], unit)


def _unit(durations: Counter[int]) -> int:
    """Ticks of which most durations are a small multiple, at the least cost in bytes."""
    common = [ticks for ticks, _ in sorted(durations.items(), key=lambda item: (-item[1], item[0]))][:COMMON]
    units = {_within(gcd(a, b)) for a in common for b in common} | {1}

    def cost(unit: int) -> int:
        return sum(
            times * (1 + ticks // unit // MORE + 1 if ticks % unit == 0 else AROUND_BODY)
            for ticks, times in durations.items()
        )

    return min(sorted(units), key=cost)


def _within(unit: int) -> int:
    """The greatest divisor that fits the field."""
    return next(part for part in range(min(unit, UNIT_MAX), 0, -1) if unit % part == 0)


def _short_bytes(short: _Short, words: Words, channels: int) -> bytes | None:
    """None where a value or the whole is too long."""
    more = 1 << (7 - words.bits)
    values: list[tuple[int, int]] = []
    for place, stage in enumerate((*short.stages, *short.closing)):
        if stage.ticks % words.unit:
            return None
        follows = more if place < len(short.stages) - 1 else 0
        values.append((stage.output - channels | follows, stage.ticks // words.unit))
    doses = [(dose.output, dose.weight) for dose in short.doses]
    values[len(short.stages) : len(short.stages)] = doses
    body = b""
    for output, value in values:
        known = value in words.values
        if not known and value > SHORT_MAX * MORE:
            return None
        code = words.values.index(value) if known else (1 << words.bits) - 1
        body += bytes([output << words.bits | code]) + (b"" if known else _number(value))
    if len(body) > SHORT_MAX:
        return None
    return bytes([len(body) << 4 | (HAS_STAGES if short.stages else 0) | short.marks]) + body


def _long_bytes(steps: tuple[Step, ...]) -> bytes:
    body = b""
    for step in steps:
        value, size = (step.weight, 2) if isinstance(step, Dose) else (step.ticks, 4)
        body += bytes([step.output | (AFTER_ALL if step.after_all else 0)])
        body += bytes([value]) if value < 256 else b"\0" + value.to_bytes(size, "little")
    return b"\0" + _number(len(body)) + body
