"""The recipes and calibrations the engine's tests pour: numbers that can be followed by hand.

With SLOW a channel needs one tick for 1024 quanta, so a serving of 1024 * 300 quanta in parts 2 and 1 takes
200 and 100 ticks.
"""

from __future__ import annotations

from engine.client import Dose, Stage

TICK = 1024  # quanta
SLOW = (1 << 31, 9, 0)


def offset(ticks: int) -> tuple[int, int, int]:
    """SLOW with an offset of so many ticks."""
    return (1 << 31, 9, ticks * TICK)


SERVINGS = (300 * TICK, 600 * TICK)
BOOK: dict[int, list[Dose | Stage]] = {
    1: [Dose(0, 2), Dose(1, 1)],
    2: [Dose(0, 1), Stage(2, 500, True)],
    7: [Stage(2, 50), Dose(1, 4095, True)],
}
