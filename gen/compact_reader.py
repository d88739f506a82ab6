"""The body of a recipes record, read: ValueError on bytes that ``targets/engine/TABLE.md`` does not allow."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass, replace

from dosewright.gen.compact import (
    AFTER_ALL,
    AROUND_BODY,
    BLOCK,
    CLOSING,
    FIRST_WAITS,
    GRAIN_MAX,
    HAS_STAGES,
    HEAD,
    LAST_WAITS,
    MORE,
    NARROW_MAX,
    Words,
    block_starts,
    code_bits,
)
from dosewright.gen.compiled import CompiledRecipe, Dose, RecipeTable, Stage, Step


def decode(body: bytes, channels: int, stages: int) -> RecipeTable:
    """A body read back; names are empty."""
    source = _Source(body)
    n_servings, listed, count, entries, grain, unit = source.take(HEAD.format)
    if listed > 1 or not 1 <= grain <= GRAIN_MAX or not unit:
        raise ValueError("the head of the recipes is broken")
    servings = source.take(f"<{n_servings}I")
    numbers = source.take(f"<{count}H") if listed else tuple(range(1, count + 1))
    bits = code_bits(channels, stages)
    if entries >= 1 << bits:
        raise ValueError(f"a dictionary of {entries} entries; {(1 << bits) - 1} can be told")
    words = Words(bits, tuple(grain * value for value in source.take(f"<{entries}B")), grain, unit)
    if 0 in words.values:
        raise ValueError("an entry of the dictionary is 0")
    wide = AROUND_BODY + len(body) > NARROW_MAX
    index = source.take(f"<{(count - 1) // BLOCK if count else 0}{'I' if wide else 'H'}")
    recipes, sizes = [], []
    for number in numbers:
        start = source.at
        recipes.append(CompiledRecipe(number, "", tuple(_steps(source, words, channels))))
        sizes.append(body[start : source.at])
    if source.at != len(body):
        raise ValueError(f"{len(body) - source.at} bytes are left behind the last recipe")
    if list(index) != block_starts(sizes):
        raise ValueError("the index does not say where the recipes start")
    return RecipeTable(servings, tuple(recipes))


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
        total = part = self.byte()
        while part == MORE:
            part = self.byte()
            total += part
        return total

    def part(self, length: int) -> _Source:
        return _Source(bytes(self.take(f"<{length}B")))

    @property
    def ended(self) -> bool:
        return self.at == len(self.data)


def _steps(source: _Source, words: Words, channels: int) -> Iterator[Step]:
    head = source.byte()
    if head >> 4 == 0:
        if head:
            raise ValueError("a long recipe has marks in its head")
        yield from _long_steps(source.part(source.number()), channels)
        return
    if not words.bits:
        raise ValueError("a short recipe on a machine with so many outputs")
    yield from _marked(list(_short_steps(source.part(head >> 4), head, words, channels)), head)


def _long_steps(source: _Source, channels: int) -> Iterator[Step]:
    while not source.ended:
        first = source.byte()
        output, after_all = first & ~AFTER_ALL, bool(first & AFTER_ALL)
        value = source.byte()
        if output < channels:
            yield Dose(output, value or source.take("<H")[0], after_all)
        else:
            yield Stage(output, value or source.take("<I")[0], after_all)


def _short_steps(source: _Source, head: int, words: Words, channels: int) -> Iterator[Step]:
    more = bool(head & HAS_STAGES)
    while not source.ended:
        byte = source.byte()
        output, code = byte >> words.bits, byte & (1 << words.bits) - 1
        value = words.values[code] if code < len(words.values) else source.number()
        if more or (head & CLOSING and source.ended):
            mark = 1 << (7 - words.bits)
            more, output = (bool(output & mark), output & ~mark) if more else (False, output)
            yield Stage(channels + output, value * words.unit)
        else:
            if output >= channels:
                raise ValueError(f"a dose of output {output}, which is no channel")
            yield Dose(output, value)
    if more:
        raise ValueError("the last stage of a recipe says that another follows")


def _marked(steps: list[Step], head: int) -> list[Step]:
    """The steps with the marks of a short recipe's head."""
    doses = [place for place, step in enumerate(steps) if isinstance(step, Dose)]
    waits = {len(steps) - 1} if head & CLOSING else set()
    waits |= set(doses[:1]) if head & FIRST_WAITS else set()
    waits |= set(doses[-1:]) if head & LAST_WAITS else set()
    return [replace(step, after_all=place in waits) for place, step in enumerate(steps)]
