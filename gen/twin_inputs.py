"""Debounced inputs, worked out from a log's levels without counting samples; what a press asks for."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Sequence
from itertools import pairwise

from dosewright.gen.compiled import SELECTED_RECIPE, SELECTED_SERVING, Button
from dosewright.gen.twin_log import GoOn, Pour, Request, Stop

NEVER = 1 << 31  # later than any tick of a run

# input -> tick -> level from then on
Levels = Sequence[dict[int, bool]]


def debounce(levels: Levels, samples: Sequence[int], vessel: int | None) -> dict[int, list[tuple[int, bool]]]:
    """Changes by tick, each (input, level), in order of inputs.

    All inputs are open before. A level that differs from the debounced one and stands for ``samples`` ticks
    takes over in the last of these. Opening adds up: a tick in which a closed input is closed makes up for
    half a tick in which it is not. Only of the ``vessel`` it makes up for all before it.
    """
    changes: defaultdict[int, list[tuple[int, bool]]] = defaultdict(list)
    for index, raw in enumerate(levels):
        level = False
        halves = 0  # of ticks that speak for a change
        for tick, until in pairwise([*sorted(raw), NEVER]):
            if raw[tick] == level:
                halves = max(halves - (until - tick), 0) if level and index != vessel else 0
                continue
            wanted = samples[index] - halves // 2
            if until - tick < wanted:
                halves += 2 * (until - tick)
                continue
            level, halves = not level, 0
            changes[tick + wanted - 1].append((index, level))
    return changes


def wished(tick: int, button: Button, held: Collection[Button]) -> Request | None:
    """What a press asks for; ``held``: all buttons that are pressed, among them contacts of selectors."""
    if button.does == "select":
        return None
    if button.does != "pour":
        return Stop(tick) if button.does == "stop" else GoOn(tick)
    recipe, serving = button.recipe, button.serving
    selecting = [contact for contact in held if contact.does == "select"]
    if recipe == SELECTED_RECIPE:
        recipe = sum(contact.recipe for contact in selecting) % (1 << 16)
    if serving == SELECTED_SERVING:
        serving = sum(contact.serving for contact in selecting) % (1 << 8)
    return Pour(tick, recipe, serving)
