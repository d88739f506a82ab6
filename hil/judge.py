"""Comparing one pour: the engine's trace with the twin's and the plan's edges, the pins with the trace.

Every comparison is tick for tick, and a difference is told by its first edge, in the words of the trade.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from dosewright.gen.codes import Code, Reason
from dosewright.hil.messages import Entry
from dosewright.hil.record import Names, later


@dataclass(frozen=True, slots=True)
class Edge:
    """An output goes on or off, ``tick`` ticks after the pour began."""

    tick: int
    output: int
    on: bool


def edges_of(trace: Iterable[Entry], start: int) -> list[Edge]:
    """The output edges of a trace, relative to the tick ``start``."""
    return [
        Edge(later(entry.tick, start), entry.argument, entry.code == Code.ON)
        for entry in trace
        if entry.code in (Code.ON, Code.OFF)
    ]


def first_difference(
    expected: Sequence[Edge], found: Sequence[Edge], names: Names, who: str = ""
) -> str | None:
    """The earliest edge that is late, early, missing or too many, in plain words; else None.

    The k-th time an output goes on is compared with the k-th time it should; ``who`` saw the edges.
    """
    wanted, seen = _numbered(expected), _numbered(found)
    differing = [
        (min(tick for tick in (wanted.get(key), seen.get(key)) if tick is not None), key)
        for key in wanted.keys() | seen.keys()
        if wanted.get(key) != seen.get(key)
    ]
    if not differing:
        return None
    _, key = min(differing)
    output, on, _ = key
    want, saw = wanted.get(key), seen.get(key)
    what = f"{names.outputs[output]} went {'on' if on else 'off'}"
    told = f", by {who}" if who else ""
    if want is None:
        assert saw is not None
        return f"{what} at {names.seconds(saw)}{told}, where nothing was expected"
    if saw is None:
        never = f"{names.outputs[output]} never went {'on' if on else 'off'}"
        return f"{never}{told}: expected at {names.seconds(want)}"
    by = f"{names.short(abs(saw - want))} {'late' if saw > want else 'early'}"
    return f"{what} {by}{told}: expected {names.seconds(want)}, found {names.seconds(saw)}"


def entry_words(entry: Entry, start: int, names: Names) -> str:
    """An entry of the trace in plain words."""
    at = names.seconds(later(entry.tick, start))
    code, argument = entry.code, entry.argument
    if code in (Code.ON, Code.OFF):
        return f"{names.outputs[argument]} {'on' if code == Code.ON else 'off'} at {at}"
    if code == Code.INPUT:
        index = argument & 127
        name = (
            names.interlocks[index]
            if index < len(names.interlocks)
            else f"button {index - len(names.interlocks)}"
        )
        return f"{name} {'closed' if argument & 128 else 'open'} at {at}"
    if code == Code.PAUSE:
        return f"pause for {names.interlocks[argument]} at {at}"
    if code == Code.ABORT:
        return f"abort ({_word(Reason, argument)}) at {at}"
    return f"{_word(Code, code)} at {at}"


def first_entry_difference(
    expected: Sequence[Entry], found: Sequence[Entry], start: int, names: Names
) -> str | None:
    """Where two traces part, all codes counted; edges are told first, since they are what pours."""
    edge = first_difference(edges_of(expected, start), edges_of(found, start), names)
    if edge or list(expected) == list(found):
        return edge
    for want, saw in zip(expected, found, strict=False):
        if want != saw:
            return f"expected {entry_words(want, start, names)}, found {entry_words(saw, start, names)}"
    if len(expected) > len(found):
        return f"expected {entry_words(expected[len(found)], start, names)}, found nothing more"
    return f"expected nothing more, found {entry_words(found[len(expected)], start, names)}"


def _numbered(edges: Iterable[Edge]) -> dict[tuple[int, bool, int], int]:
    times: Counter[tuple[int, bool]] = Counter()
    numbered = {}
    for edge in edges:
        numbered[edge.output, edge.on, times[edge.output, edge.on]] = edge.tick
        times[edge.output, edge.on] += 1
    return numbered


def _word(kind: type[Code] | type[Reason], value: int) -> str:
    try:
        return kind(value).name.lower().replace("_", " ")
    except ValueError:
        return str(value)
