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
        total = 0
        while (byte := self.little(1)) == 255:
            total += 255
        return total + byte


def check(right: bool, rule: str) -> None:
    if not right:
        raise PageError(rule)


def read(body: bytes, channels: int, stages: int, steps_max: int) -> Page:
    """The recipes by number, judged by every rule of the page."""
    source = Bytes(body)
    n_servings, listed, count = source.little(1), source.little(1), source.little(2)
    entries, grain, unit = source.little(1), source.little(1), source.little(2)
    check(1 <= n_servings <= 16 and listed < 2 and 1 <= grain <= 16 and unit > 0, "head")
    servings = tuple(source.little(4) for _ in range(n_servings))
    check(all(1 <= serving <= 4_000_000_000 for serving in servings), "servings")
    numbers = [source.little(2) for _ in range(count)] if listed else list(range(1, count + 1))
    check(numbers == sorted(set(numbers)), "numbers")
    codes = 32 if channels <= 8 and stages <= 4 else 16 if channels <= 16 and stages <= 8 else 1
    check(entries < codes, "too large a dictionary")
    words = [source.little(1) * grain for _ in range(entries)]
    check(0 not in words, "dictionary")
    wide = 4 if len(body) + 20 > 65_535 else 2
    index = [source.little(wide) for _ in range(max(0, count - 1) // 16)]
    all_bytes, starts, recipes = len(source.rest), [], {}
    for number in numbers:
        starts.append(all_bytes - len(source.rest))
        recipes[number] = tuple(recipe(source, words, unit, codes, channels, stages))
        judge(recipes[number], channels, channels + stages, steps_max)
    check(not source.rest, "bytes behind the last recipe")
    check(index == starts[16::16], "index")
    return Page(servings, recipes)


def recipe(
    source: Bytes, words: list[int], unit: int, codes: int, channels: int, stages: int
) -> Iterator[Line]:
    head = source.little(1)
    size, has_stages, marks = head // 16, bool(head & 8), head & 7
    if size == 0:
        check(head == 0, "marks of a long recipe")
        lines = Bytes(bytes(source.little(1) for _ in range(source.number())))
        while lines.rest:
            first = lines.little(1)
            output = first % 128
            amount = lines.little(1) or lines.little(2 if output < channels else 4)
            yield Line(output, amount, first >= 128)
        return
    check(codes > 1, "a short recipe")
    lines = Bytes(bytes(source.little(1) for _ in range(size)))
    found: list[tuple[bool, int, int]] = []
    more = has_stages
    while lines.rest:
        output, code = divmod(lines.little(1), codes)
        value = words[code] if code < len(words) else lines.number()
        is_stage = more or (marks % 2 == 1 and not lines.rest)
        if more:
            more, output = divmod(output, 128 // codes)
        check(output < (stages if is_stage else channels), "no such output")
        found.append((is_stage, output, value))
    check(not more, "stages without an end")
    doses = [place for place, (is_stage, _, _) in enumerate(found) if not is_stage]
    waits = [doses[0]] if marks & 4 and doses else []
    waits += [doses[-1]] if marks & 2 and doses else []
    waits += [len(found) - 1] if marks & 1 else []
    for place, (is_stage, output, value) in enumerate(found):
        amount = value * unit if is_stage else value
        yield Line(output + channels if is_stage else output, amount, place in waits)


def judge(lines: tuple[Line, ...], channels: int, outputs: int, steps_max: int) -> None:
    weights = [line.amount for line in lines if line.output < channels]
    metered = [line.output for line in lines if line.output < channels]
    check(len(lines) <= steps_max, "too many steps")
    check(all(line.output < outputs for line in lines), "no such output")
    check(len(metered) == len(set(metered)) > 0, "a channel twice, or no dose")
    check(all(1 <= weight <= 4095 for weight in weights) and sum(weights) <= 65_535, "weights")
    check(all(1 <= line.amount < 1 << 31 for line in lines if line.output >= channels), "ticks")
