"""A recipes body read by ``targets/engine/TABLE.md`` alone, with no code of the project.

PageError tells a body that the page forbids.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass


class PageError(Exception):
    """The page forbids these bytes."""


@dataclass(frozen=True)
class Line:
    """A step: of a channel its weight, of a stage its ticks."""

    output: int
    amount: int
    waits: bool = False


@dataclass(frozen=True)
class Page:
    servings: tuple[int, ...]
    recipes: dict[int, tuple[Line, ...]]


class Bytes:
    """Bytes from the front on; PageError behind the last."""

    def __init__(self, data: bytes) -> None:
        self.rest = deque(data)

    def little(self, size: int) -> int:
        if len(self.rest) < size:
            raise PageError("too few bytes")
        return sum(self.rest.popleft() << 8 * place for place in range(size))

    def number(self) -> int:
        first = self.little(1)
        return first if first < 240 else (first - 240) * 256 + self.little(1)

    def part(self, size: int) -> Bytes:
        return Bytes(bytes(self.little(1) for _ in range(size)))


def check(right: bool, rule: str) -> None:
    if not right:
        raise PageError(rule)


def read(body: bytes, channels: int, stages: int, steps_max: int) -> Page:
    """The recipes by number, judged by every rule of the page."""
    source = Bytes(body)
    n_servings, listed, count = source.little(1), source.little(1), source.little(2)
    entries, grain, unit = source.little(1), source.little(1), source.little(2)
    check(1 <= n_servings <= 16 and listed < 2 and 1 <= grain <= 16 and unit > 0, "head")
    codes = 32 if channels <= 8 and stages <= 4 else 16 if channels <= 16 and stages <= 8 else 1
    check(entries < codes, "too large a dictionary")
    words = [source.little(1) * grain for _ in range(entries)]
    found: list[tuple[Line, ...]] = []
    for place in range(count):
        if place % 8 == 0:
            block = source.part(source.number())
        found.append(tuple(recipe(block, words, unit, codes, channels, stages)))
        judge(found[-1], channels, channels + stages, steps_max)
        last = place % 8 == 7 or place + 1 == count
        check(not (last and block.rest), "bytes behind the last recipe of a block")
    numbers = [source.little(2) for _ in range(count)] if listed else list(range(1, count + 1))
    check(numbers == sorted(set(numbers)), "numbers")
    servings = tuple(source.little(4) for _ in range(n_servings))
    check(all(1 <= serving <= 4_000_000_000 for serving in servings), "servings")
    check(not source.rest, "bytes behind the servings")
    return Page(servings, dict(zip(numbers, found, strict=True)))


def recipe(
    source: Bytes, words: list[int], unit: int, codes: int, channels: int, stages: int
) -> Iterator[Line]:
    head = source.little(1)
    size, more, marks = head // 16, bool(head & 8), head & 7
    if size == 0:
        lines = source.part(head * 256 + source.little(1))
        while lines.rest:
            waits, output = divmod(lines.little(1), 128)
            amount = lines.little(2) if output < channels else lines.little(4) * unit
            yield Line(output, amount, bool(waits))
        return
    check(codes > 1, "a short recipe")
    lines = source.part(size)
    behind_stages = not more
    while lines.rest:
        output, code = divmod(lines.little(1), codes)
        value = words[code] if code < len(words) else lines.number()
        last = not lines.rest
        is_stage = more or (last and marks % 2 == 1)
        waits = not more and ((behind_stages and marks >= 4) or (last and marks // 2 % 2 == 1))
        behind_stages = False
        if more:
            more, output = divmod(output, 128 // codes)
            behind_stages = not more
        check(output < (stages if is_stage else channels), "no such output")
        yield Line(output + channels * is_stage, value * (unit if is_stage else 1), bool(waits))
    check(not more, "stages without an end")


def judge(lines: tuple[Line, ...], channels: int, outputs: int, steps_max: int) -> None:
    weights = [line.amount for line in lines if line.output < channels]
    metered = [line.output for line in lines if line.output < channels]
    check(len(lines) <= steps_max, "too many steps")
    check(all(line.output < outputs for line in lines), "no such output")
    check(len(metered) == len(set(metered)) > 0, "a channel twice, or no dose")
    check(all(1 <= weight <= 4095 for weight in weights) and sum(weights) <= 65_535, "weights")
    check(all(1 <= line.amount < 1 << 31 for line in lines if line.output >= channels), "ticks")
