"""The compact encoding of recipes, written; README.md has the bytes, ``reader/compact.c`` reads them."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from tablebench.sets import Recipe, RecipeSet

BLOCK = 16
MORE = 255
GRAIN_MAX = 16
SHORT_MAX = 15  # bytes of a short record behind its head
LONG_MAX = 255
OUTPUTS_MAX = 128


@dataclass(frozen=True)
class Sizes:
    """Bytes of the parts of a table."""

    dictionary: int
    index: int
    records: int
    head: int = 3

    @property
    def total(self) -> int:
        return self.head + self.dictionary + self.index + self.records


def number(value: int) -> bytes:
    """A number of any size: bytes that are added up, each 255 but the last."""
    return bytes([MORE] * (value // MORE) + [value % MORE])


def encode(recipes: RecipeSet) -> tuple[bytes, Sizes]:
    """The smallest table over all grains; a recipe that no short record can hold becomes a long one."""
    if recipes.channels + recipes.stages > OUTPUTS_MAX:
        raise ValueError(f"{recipes.channels + recipes.stages} outputs; {OUTPUTS_MAX} can be told apart")
    tables = [_encode(recipes, grain) for grain in range(1, GRAIN_MAX + 1)]
    return min(tables, key=lambda table: table[1].total)


def output_bits(channels: int, stages: int) -> int:
    """Bits of the output in a step of a short record; 0: the machine has too many for short records."""
    if channels <= 8 and stages <= 4:
        return 3
    return 4 if channels <= 16 and stages <= 8 else 0


def _encode(recipes: RecipeSet, grain: int) -> tuple[bytes, Sizes]:
    bits = output_bits(recipes.channels, recipes.stages)
    dictionary = _dictionary(recipes, grain, 2 ** (8 - bits) - 1) if bits else []
    common = Counter(r.flags for r in recipes.recipes if 0 < r.flags < 16).most_common(2)
    marks = [flags for flags, _ in common] + [0] * (2 - len(common))
    records = []
    for recipe in recipes.recipes:
        record = _short(recipe.in_pour_order(), dictionary, grain, marks, bits) if bits else None
        records.append(record or _long(recipe.in_pour_order(), recipes.channels, marks))
    index = b""
    for block in range((len(records) - 1) // BLOCK):
        index += number(sum(map(len, records[block * BLOCK : (block + 1) * BLOCK])))
    body = b"".join(records)
    head = bytes([len(dictionary), grain, marks[0] | marks[1] << 4])
    table = head + bytes(value // grain for value in dictionary) + index + body
    return table, Sizes(len(dictionary), len(index), len(body))


def _dictionary(recipes: RecipeSet, grain: int, most: int) -> list[int]:
    """The values that save most bytes, and at least one more than their own entry."""
    used = Counter(value for r in recipes.recipes for _, value in (*r.doses, *r.stages))
    gain = {v: n * (v // MORE + 1) for v, n in used.items() if v % grain == 0 and v // grain <= 255}
    best = sorted((v for v in gain if gain[v] > 1), key=lambda v: (-gain[v], v))
    return best[:most]


def _marks(flags: int, marks: list[int]) -> tuple[int, bytes]:
    if flags == 0:
        return 0, b""
    return (1 + marks.index(flags), b"") if flags in marks else (3, bytes([flags]))


def _short(recipe: Recipe, dictionary: list[int], grain: int, marks: list[int], bits: int) -> bytes | None:
    more = 1 << (bits - 1)
    steps = [
        (kind | (more if i + 1 < len(recipe.stages) else 0), value)
        for i, (kind, value) in enumerate(recipe.stages)
    ]
    which, body = _marks(recipe.flags, marks)
    for output, value in (*steps, *recipe.doses):
        known = value in dictionary
        if not known and value > SHORT_MAX * MORE:
            return None
        code = dictionary.index(value) if known else 2 ** (8 - bits) - 1
        body += bytes([output << (8 - bits) | code]) + (b"" if known else number(value))
    if not 0 < len(body) <= SHORT_MAX:
        return None
    return bytes([len(body) << 4 | recipe.given << 3 | bool(recipe.stages) << 2 | which]) + body


def _long(recipe: Recipe, channels: int, marks: list[int]) -> bytes:
    which, body = _marks(recipe.flags, marks)
    for kind, value in recipe.stages:
        body += _long_step(channels + kind, value, 4)
    for channel, value in recipe.doses:
        body += _long_step(channel, value, 2)
    if len(body) > LONG_MAX:
        raise ValueError(f"a recipe of {len(body)} bytes; {LONG_MAX} fit")
    return bytes([recipe.given << 3 | which, len(body)]) + body


def _long_step(output: int, value: int, size: int) -> bytes:
    return bytes([output]) + (bytes([value]) if value < 256 else b"\0" + value.to_bytes(size, "little"))
