"""Debounced inputs, worked out from a log's levels without counting samples; what a press asks for."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Sequence

from dosewright.gen.compiled import SELECTED_RECIPE, SELECTED_SERVING, Button
from dosewright.gen.twin_log import GoOn, Pour, Request, Stop

NEVER = 1 << 31  # later than any tick of a run

# input -> tick -> level from then on
Levels = Sequence[dict[int, bool]]


def debounce(levels: Levels, samples: Sequence[int]) -> dict[int, list[tuple[int, bool]]]:
    """Changes by tick, each (input, level), in order of inputs.

    All inputs are open before. A level that differs from the debounced one and stands for ``samples`` ticks
    takes over in the last of these.
    """
    changes: defaultdict[int, list[tuple[int, bool]]] = defaultdict(list)
    for index, raw in enumerate(levels):
        level = False
        since = None  # since when the raw level differs
        for tick in [*sorted(raw), NEVER]:
            if since is not None and (tick == NEVER or raw[tick] == level):
                if tick - since >= samples[index]:
                    level = not level
                    changes[since + samples[index] - 1].append((index, level))
                since = None
            if since is None and tick != NEVER and raw[tick] != level:
                since = tick
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
