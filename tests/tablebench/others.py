"""General encodings of the same recipes, as ``table.h`` wants them: bytes, and where each recipe starts."""

from __future__ import annotations

import struct

from tablebench.sets import Recipe, RecipeSet


def flat(pairs: tuple[tuple[int, int], ...]) -> list[int]:
    return [number for pair in pairs for number in pair]


def structs(recipe: Recipe) -> bytes:
    """Pooled C structs: head, flags if any, stages of three bytes, doses of two."""
    head = len(recipe.doses) | recipe.given << 3 | len(recipe.stages) << 4 | bool(recipe.flags) << 6
    body = bytes([head]) + (bytes([recipe.flags]) if recipe.flags else b"")
    body += b"".join(struct.pack("<BH", *stage) for stage in recipe.stages)
    return body + bytes(flat(recipe.doses))


def msgpack(recipe: Recipe) -> bytes:
    """MessagePack, positional."""
    import msgpack as library

    packed: bytes = library.packb([flat(recipe.doses), int(recipe.given), flat(recipe.stages), recipe.flags])
    return packed


def protobuf(recipe: Recipe) -> bytes:
    """Protocol Buffers, packed, by hand from the public wire format; the reader is nanopb's own."""

    def varint(value: int) -> bytes:
        return (bytes([value & 127 | 128]) + varint(value >> 7)) if value > 127 else bytes([value])

    def packed(field: int, values: list[int]) -> bytes:
        data = b"".join(map(varint, values))
        return varint(field << 3 | 2) + varint(len(data)) + data if values else b""

    data = (
        packed(1, flat(recipe.doses))
        + (b"\x10\x01" if recipe.given else b"")
        + packed(3, flat(recipe.stages))
    )
    return data + (b"\x20" + varint(recipe.flags) if recipe.flags else b"")


def pool(recipes: RecipeSet, encoder) -> tuple[bytes, list[int]]:  # type: ignore[no-untyped-def]
    """All recipes one behind the other, and the offset of each, and of the end."""
    data, places = b"", []
    for recipe in recipes.recipes:
        places.append(len(data))
        data += encoder(recipe)
    return data, [*places, len(data)]
