"""The body of a recipes record, read: ValueError on bytes that ``targets/engine/TABLE.md`` does not allow."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass, replace

from dosewright.gen.compact import (
    AFTER_ALL,
    BLOCK,
    CLOSING,
    FIRST_WAITS,
    GRAIN_MAX,
    HAS_STAGES,
    HEAD,
    LAST_WAITS,
    NUMBER_MAX,
    WIDE,
    Words,
    code_bits,
)
from dosewright.gen.compiled import CompiledRecipe, Dose, RecipeTable, Stage, Step


def decode(body: bytes, channels: int, stages: int) -> RecipeTable:
    """A body read back; names are empty."""
    source = _Source(body)
    n_servings, listed, count, entries, grain, unit = source.take(HEAD.format)
    if listed > 1 or not 1 <= grain <= GRAIN_MAX or not unit:
        raise ValueError("the head of the recipes is broken")
    bits = code_bits(channels, stages)
    if entries >= 1 << bits:
        raise ValueError(f"a dictionary of {entries} entries; {(1 << bits) - 1} can be told")
    words = Words(bits, tuple(grain * value for value in source.take(f"<{entries}B")), grain, unit)
    recipes: list[tuple[Step, ...]] = []
    while len(recipes) < count:
        block = source.part(source.number())
        for _ in range(min(BLOCK, count - len(recipes))):
            recipes.append(tuple(_steps(block, words, channels)))
        if not block.ended:
            raise ValueError(f"{len(block.data) - block.at} bytes are left behind the last recipe of a block")
    numbers = source.take(f"<{count}H") if listed else tuple(range(1, count + 1))
    servings = source.take(f"<{n_servings}I")
    if not source.ended:
        raise ValueError(f"{len(body) - source.at} bytes are left behind the servings")
    return RecipeTable(
        servings,
        tuple(CompiledRecipe(number, "", steps) for number, steps in zip(numbers, recipes, strict=True)),
    )


@dataclass(slots=True)
class _Source:
    """Bytes taken from the front; ValueError where they end."""

    data: bytes
    at: int = 0

    def take(self, layout: str) -> tuple[int, ...]:
        size = struct.calcsize(layout)
        if self.at + size > len(self.data):
            raise ValueError("the recipes body ends too early")
        self.at += size
        return struct.unpack_from(layout, self.data, self.at - size)

    def byte(self) -> int:
        return self.take("<B")[0]

    def number(self) -> int:
        first = self.byte()
        return first if first < WIDE else (first << 8 | self.byte()) & NUMBER_MAX

    def part(self, length: int) -> _Source:
        return _Source(bytes(self.take(f"<{length}B")))

    @property
    def ended(self) -> bool:
        return self.at == len(self.data)


def _steps(source: _Source, words: Words, channels: int) -> Iterator[Step]:
    head = source.byte()
    if head >> 4 == 0:
        yield from _long_steps(source.part(head << 8 | source.byte()), words, channels)
        return
    if not words.bits:
        raise ValueError("a short recipe on a machine with so many outputs")
    steps, first = _short_steps(source.part(head >> 4), head, words, channels)
    for place, step in enumerate(steps):
        waits = head & FIRST_WAITS if place == first else 0
        waits |= head & LAST_WAITS if place == len(steps) - 1 else 0
        yield replace(step, after_all=bool(waits))


def _long_steps(source: _Source, words: Words, channels: int) -> Iterator[Step]:
    while not source.ended:
        first = source.byte()
        output, after_all = first & ~AFTER_ALL, bool(first & AFTER_ALL)
        if output < channels:
            yield Dose(output, source.take("<H")[0], after_all)
        else:
            yield Stage(output, source.take("<I")[0] * words.unit, after_all)


def _short_steps(source: _Source, head: int, words: Words, channels: int) -> tuple[list[Step], int]:
    """The steps, and how many of them are the stages at the start."""
    more = bool(head & HAS_STAGES)
    steps: list[Step] = []
    leading = 0
    while not source.ended:
        byte = source.byte()
        output, code = byte >> words.bits, byte & (1 << words.bits) - 1
        value = words.values[code] if code < len(words.values) else source.number()
        if more:
            mark = 1 << (7 - words.bits)
            more, output = bool(output & mark), output & ~mark
            leading += 1
            steps.append(Stage(channels + output, value * words.unit))
        elif head & CLOSING and source.ended:
            steps.append(Stage(channels + output, value * words.unit))
        elif output >= channels:
            raise ValueError(f"a dose of output {output}, which is no channel")
        else:
            steps.append(Dose(output, value))
    if more:
        raise ValueError("the last stage of a recipe says that another follows")
    return steps, leading
