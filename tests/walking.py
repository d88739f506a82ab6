"""A walk along the wires of a simulated machine some of which are misplaced, and all that is seen of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from dosewright.hil.messages import Entry
from dosewright.hil.rig import Bench, Rig
from dosewright.hil.simulated import PinEdge
from dosewright.hil.verdicts import Court
from dosewright.hil.walk import Walk
from dosewright.hil.walk_helpers import Hookup, Simulated
from dosewright.hil.wiring import Conclusion, Seen, conclude, wires

PULSE = 0.6


@dataclass
class Watched:
    """A bench that remembers every edge for the test, whoever takes them."""

    bench: Bench
    edges: list[PinEdge]

    @property
    def tick(self) -> int:
        return self.bench.tick

    def set_input(self, index: int, level: bool) -> None:
        self.bench.set_input(index, level)

    def advance(self, ticks: int) -> None:
        self.bench.advance(ticks)

    def take_edges(self) -> list[PinEdge]:
        taken = self.bench.take_edges()
        self.edges += taken
        return taken


@dataclass
class Walked:
    """One walk and all that was seen of it."""

    seen: tuple[Seen, ...]
    conclusion: Conclusion
    helper: Simulated
    edges: list[PinEdge]
    trace: list[Entry]


def walk_on(
    rig: Rig,
    court: Court,
    hookups: Mapping[str, Hookup] | None = None,
    shorted: Mapping[str, bool] | None = None,
    helper: type[Simulated] = Simulated,
) -> Walked:
    """Walk a machine that is wired as the project says, but for these."""
    laid = wires(court.project, court.compiled)
    assert rig.bench
    bench = Watched(rig.bench, [])
    person = helper(bench, laid, hookups or {}, shorted or {})
    rig.client.identify()
    steps = Walk(rig, court.compiled, laid, person, PULSE)
    seen = steps.go()
    bench.take_edges()
    _, trace = rig.client.trace()
    return Walked(seen, conclude(court.project, seen, steps.running), person, bench.edges, trace)


def place(court: Court, label: str) -> Hookup:
    """Where the file says that a thing hangs."""
    (wire,) = (wire for wire in wires(court.project, court.compiled) if wire.label == label)
    return Hookup(wire.pin.name, wire.pin.active_high)


def swapped(court: Court, *labels: str) -> dict[str, Hookup]:
    """Each of these on the pin of the next, with its own polarity."""
    pins = [place(court, label).pin for label in labels]
    return {
        label: Hookup(pin, place(court, label).active_high)
        for label, pin in zip(labels, pins[1:] + pins[:1], strict=True)
    }


def inverted(court: Court, label: str) -> dict[str, Hookup]:
    there = place(court, label)
    return {label: Hookup(there.pin, not there.active_high)}


def answers(cart: Path, **others: str) -> Path:
    """A file of answers for a copy of the soda cart that is wired as written, but for these."""
    lines = ["# the switches are moved as asked", "ready: yes", "rest: nothing"]
    for label in ("A", "B", "C", "D", "E", "F", "G", "H", "stirrer", "ready lamp"):
        lines.append(f"moved {label}: {others.get(label, label)}")
    path = cart / "answers"
    path.write_text("\n".join([*lines, f"mend: {others.get('mend', 'no')}"]) + "\n")
    return path
