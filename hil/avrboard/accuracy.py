"""How exactly the pins follow the engine's trace: two witnesses that know nothing of each other."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from dosewright.gen.codes import Code
from dosewright.gen.compiled import CompiledMachine
from dosewright.hil.avrboard.board import PinChange
from dosewright.hil.messages import Entry

MOST_LATE = 50  # cycles between the earliest and the latest edge, each taken from its tick
MOST_SKEW = 8  # cycles between the edges of one tick


@dataclass(frozen=True, slots=True)
class Accuracy:
    """Edges of pins against ticks of the trace. All in cycles of the controller.

    ``late`` has one number an edge: how much later it came, after its tick, than the earliest of all.
    ``differences`` says in words where pins and trace do not tell the same.
    """

    late: tuple[int, ...]
    skew: int
    differences: tuple[str, ...]

    @property
    def worst(self) -> int:
        return max(self.late, default=0)

    @property
    def mean(self) -> float:
        return sum(self.late) / len(self.late) if self.late else 0.0

    @property
    def good(self) -> bool:
        """Whether the pins did what the trace tells, within the bounds of this module."""
        return not self.differences and self.worst <= MOST_LATE and self.skew <= MOST_SKEW

    def histogram(self) -> dict[int, int]:
        """Number of edges by how late they came."""
        return dict(sorted(Counter(self.late).items()))


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
    distances = [cycle - tick * tick_cycles for tick, cycle in pairs]
    earliest = min(distances, default=0)
    of_tick: Mapping[int, list[int]] = defaultdict(list)
    for tick, cycle in pairs:
        of_tick[tick].append(cycle)
    skew = max((max(cycles) - min(cycles) for cycles in of_tick.values()), default=0)
    return Accuracy(tuple(distance - earliest for distance in distances), skew, tuple(differences))
