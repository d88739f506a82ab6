"""The cart of ``cart/machine.h`` as a process, ready to pour, and what its numbers mean."""

from __future__ import annotations

from collections.abc import Sequence

from engine.client import Answer, Controller, Dose, Stage, calibration, recipes
from engine.shop import BOOK, SERVINGS, SLOW

WRAP = 1 << 32
VESSEL, GUARD, START, GO_ON_BUTTON, STOP_BUTTON = range(5)
CLOSED, OPEN = 0, 1
IDLE, POURING, PAUSED, JOGGING = range(4)


class Bench(Controller):
    """The cart with recipes, a calibration, vessel and guard in place, and its trace so far thrown away."""

    def ready(
        self,
        book: dict[int, list[Dose | Stage]] = BOOK,
        servings: Sequence[int] = SERVINGS,
        channels: Sequence[tuple[int, int, int]] = (SLOW, SLOW),
    ) -> None:
        assert self.upload(recipes(servings, book)).reason == "ok"
        assert self.upload(calibration(channels)).reason == "ok"
        self.level(VESSEL, CLOSED)
        self.level(GUARD, CLOSED)
        self.run(30)
        self.trace()
        self.edges.clear()

    def since(self, start: int) -> list[tuple[int, str, int]]:
        """The trace, in ticks since ``start``."""
        return [((tick - start) % WRAP, code, argument) for tick, code, argument in self.trace()]

    def go_on(self) -> Answer:
        return self.ask(18)

    def jog(self, output: int, on: int) -> Answer:
        return self.ask(19, bytes([output, on]))

    def swap_vessel(self) -> None:
        self.level(VESSEL, OPEN)
        self.run(25)
        self.level(VESSEL, CLOSED)
        self.run(25)


def refused(answer: Answer) -> tuple[str, int]:
    return answer.reason, answer.argument
