"""The body of a recipes record, written: "Recipes body" of ``targets/engine/TABLE.md`` has every byte.

What a table may hold is judged in ``table.py``; ``compact_reader.py`` reads what is written here.
"""

from __future__ import annotations

import struct
from collections import Counter
from dataclasses import dataclass
from math import gcd

from dosewright.gen.compiled import Dose, RecipeTable, Stage, Step

BLOCK = 8  # recipes
WIDE = 0xF0  # a number from here on takes two bytes
NUMBER_MAX = 0xFFF
GRAIN_MAX = 16
SHORT_MAX = 15  # bytes of a short recipe behind its head
UNIT_MAX = 0xFFFF
HAS_STAGES, FIRST_WAITS, LAST_WAITS, CLOSING = 8, 4, 2, 1
AFTER_ALL = 0x80

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
    """A recipe as a short one has it: stages, doses with a closing stage perhaps, marks."""

    stages: tuple[Step, ...]
    rest: tuple[Step, ...]
    marks: int


def encode(table: RecipeTable, channels: int, stages: int) -> bytes:
    """The body for a machine of so many channels and stages."""
    shorts = [_short(recipe.steps) for recipe in table.recipes]
    words = _choose(table, shorts, channels, stages)
    recipes = [
        (_short_bytes(short, words, channels) if short and words.bits else None)
        or _long_bytes(recipe.steps, words.unit)
        for recipe, short in zip(table.recipes, shorts, strict=True)
    ]
    numbers = [recipe.number for recipe in table.recipes]
    listed = numbers != list(range(1, len(numbers) + 1))
    head = HEAD.pack(len(table.servings), listed, len(numbers), len(words.values), words.grain, words.unit)
    body = head + bytes(value // words.grain for value in words.values)
    for first in range(0, len(recipes), BLOCK):
        block = b"".join(recipes[first : first + BLOCK])
        body += _number(len(block)) + block
    if listed:
        body += struct.pack(f"<{len(numbers)}H", *numbers)
    return body + struct.pack(f"<{len(table.servings)}I", *table.servings)


def code_bits(channels: int, stages: int) -> int:
    """Bits of the code in a step of a short recipe; 0: so many outputs that every recipe is a long one."""
    if channels <= 8 and stages <= 4:
        return 5
    return 4 if channels <= 16 and stages <= 8 else 0


def _number(value: int) -> bytes:
    return bytes([value]) if value < WIDE else bytes([WIDE | value >> 8, value & 0xFF])


def _short(steps: tuple[Step, ...]) -> _Short | None:
    """The steps as a short recipe has them; None where only a long one can say it."""
    first = next(place for place, step in enumerate(steps) if isinstance(step, Dose))
    stages, rest = steps[:first], steps[first:]
    if any(step.after_all for step in (*stages, *rest[1:-1])):
        return None
    if any(isinstance(step, Stage) for step in rest[:-1]):
        return None
    marks = HAS_STAGES if stages else 0
    marks |= FIRST_WAITS if rest[0].after_all else 0
    marks |= LAST_WAITS if rest[-1].after_all else 0
    marks |= CLOSING if isinstance(rest[-1], Stage) else 0
    return _Short(stages, rest, marks)


def _choose(table: RecipeTable, shorts: list[_Short | None], channels: int, stages: int) -> Words:
    """The greatest unit that all durations are multiples of, and the dictionary that saves most bytes."""
    bits = code_bits(channels, stages)
    durations = [step.ticks for recipe in table.recipes for step in recipe.steps if isinstance(step, Stage)]
    unit = _within(gcd(*durations)) if durations else 1
    found = [short for short in shorts if short] if bits else []
    used = Counter(_value(step, unit) for short in found for step in (*short.stages, *short.rest))
    best: tuple[int, tuple[int, ...], int] = (0, (), 1)
    for grain in range(1, GRAIN_MAX + 1):
        saved = {
            value: times * len(_number(value))
            for value, times in used.items()
            if value % grain == 0 and value // grain <= 0xFF
        }
        values = sorted((v for v in saved if saved[v] > 1), key=lambda v: (-saved[v], v))[: (1 << bits) - 1]
        gain = sum(saved[value] - 1 for value in values)
        if gain > best[0]:
            best = gain, tuple(values), grain
    return Words(bits, best[1], best[2], unit)


def _value(step: Step, unit: int) -> int:
    """What is stored of a step: a weight, or units of time."""
    return step.weight if isinstance(step, Dose) else step.ticks // unit


def _within(unit: int) -> int:
    """The greatest divisor that fits the field."""
    return next(part for part in range(min(unit, UNIT_MAX), 0, -1) if unit % part == 0)


def _short_bytes(short: _Short, words: Words, channels: int) -> bytes | None:
    """None where a value or the whole is too long."""
    more = 1 << (7 - words.bits)
    body = b""
    for place, step in enumerate((*short.stages, *short.rest)):
        value = _value(step, words.unit)
        known = value in words.values
        if not known and value > NUMBER_MAX:
            return None
        output = step.output if isinstance(step, Dose) else step.output - channels
        output |= more if place < len(short.stages) - 1 else 0
        code = words.values.index(value) if known else (1 << words.bits) - 1
        body += bytes([output << words.bits | code]) + (b"" if known else _number(value))
    return bytes([len(body) << 4 | short.marks]) + body if len(body) <= SHORT_MAX else None


def _long_bytes(steps: tuple[Step, ...], unit: int) -> bytes:
    body = b""
    for step in steps:
        size = 2 if isinstance(step, Dose) else 4
        body += bytes([step.output | (AFTER_ALL if step.after_all else 0)])
        body += _value(step, unit).to_bytes(size, "little")
    return len(body).to_bytes(2, "big") + body
