"""How exactly the pins follow the engine's trace: two witnesses that know nothing of each other."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from dosewright.gen.codes import Code
from dosewright.gen.compiled import CompiledMachine
from dosewright.gen.targets import MOST_SKEW
from dosewright.hil.avrboard.board import PinChange
from dosewright.hil.messages import Entry

MOST_LATE = 50  # cycles between the earliest and the latest edge, each taken from its tick


@dataclass(frozen=True, slots=True)
class Timing:
    """How far each pin edge came after its tick, up to one constant for all, in cycles of the controller.

    ``skew`` is the longest time between edges of one tick.
    """

    distances: tuple[int, ...]
    skew: int

    @property
    def late(self) -> tuple[int, ...]:
        """One number an edge: how much later it came, after its tick, than the earliest of all."""
        earliest = min(self.distances, default=0)
        return tuple(distance - earliest for distance in self.distances)

    @property
    def worst(self) -> int:
        return max(self.late, default=0)

    @property
    def mean(self) -> float:
        return sum(self.late) / len(self.late) if self.late else 0.0

    @property
    def in_time(self) -> bool:
        return self.worst <= MOST_LATE and self.skew <= MOST_SKEW

    def histogram(self) -> dict[int, int]:
        """Number of edges by how late they came."""
        return dict(sorted(Counter(self.late).items()))

    def __add__(self, other: Timing) -> Timing:
        return Timing(self.distances + other.distances, max(self.skew, other.skew))


def timing(edges: Sequence[tuple[int, int]], tick_cycles: int) -> Timing:
    """Of edges as (tick, cycle), all since the same reset."""
    of_tick: Mapping[int, list[int]] = defaultdict(list)
    for tick, cycle in edges:
        of_tick[tick].append(cycle)
    skew = max((max(cycles) - min(cycles) for cycles in of_tick.values()), default=0)
    return Timing(tuple(cycle - tick * tick_cycles for tick, cycle in edges), skew)


@dataclass(frozen=True, slots=True)
class Accuracy:
    """Pins against the trace; ``differences`` says in words where the two do not tell the same."""

    timing: Timing
    differences: tuple[str, ...]

    @property
    def good(self) -> bool:
        """Whether the pins did what the trace tells, within the bounds of this module."""
        return not self.differences and self.timing.in_time


def accuracy(
    machine: CompiledMachine, trace: Sequence[Entry], pins: Sequence[PinChange], tick_cycles: int
) -> Accuracy:
    """Compare a trace with the pin changes of the same time; the outputs are off before and behind it."""
    told: Mapping[int, list[tuple[int, int]]] = defaultdict(list)
    for entry in trace:
        pin = machine.outputs[entry.argument].pin if entry.code in (Code.ON, Code.OFF) else None
        if pin:
            told[entry.argument].append((entry.tick, int(pin.active_high == (entry.code == Code.ON))))
    seen: Mapping[int, list[PinChange]] = defaultdict(list)
    for change in pins:
        seen[change.output].append(change)
    differences = []
    pairs: list[tuple[int, int]] = []
    for output in sorted({*told, *seen}):
        name = machine.outputs[output].name
        levels, pin_levels = [level for _, level in told[output]], [change.level for change in seen[output]]
        if levels != pin_levels:
            differences.append(f"{name}: the trace tells levels {levels}, the pin had {pin_levels}")
            continue
        pairs += [(tick, c.cycle) for (tick, _), c in zip(told[output], seen[output], strict=True)]
    return Accuracy(timing(pairs, tick_cycles), tuple(differences))
