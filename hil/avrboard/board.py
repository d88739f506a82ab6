"""One simulated AVR board: the command that starts it, and what it can do beyond a plain rig."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from dosewright.hil.avrboard.build import build_bridge
from dosewright.hil.simulated import Bench


@dataclass(frozen=True, slots=True)
class Pin:
    """A pin of the chip: port letter, bit, and for an output the level its external resistor pulls it to.

    ``name`` is what a value change dump calls it: letters, digits and _.
    """

    port: str
    bit: int
    pull: int = 0
    name: str = ""

    def __str__(self) -> str:
        return f"{self.port}{self.bit}:{self.pull}" + (f"={self.name}" if self.name else "")


@dataclass(frozen=True, slots=True)
class Wiring:
    """What is soldered to the chip: outputs and inputs in the machine's order; None: an output without a pin.

    ``clock`` in hertz, ``tick_us`` in microseconds; ``tick_vector`` is the number of the tick's interrupt.
    """

    mcu: str
    clock: int
    tick_us: int
    tick_vector: int
    outputs: tuple[Pin | None, ...]
    inputs: tuple[Pin, ...]

    def command(self, elf: Path, *, baud: int = 115_200, ppm: float = 0, seed: int = 1) -> list[str]:
        """The command that starts a board with this program. ``ppm``: how much too fast its clock runs."""
        settings = {
            "mcu": self.mcu,
            "clock": self.clock,
            "tick": self.tick_us,
            "vector": self.tick_vector,
            "elf": elf.absolute(),
            "baud": baud,
            "ppm": ppm,
            "seed": seed,
        }
        words = [f"{key}={value}" for key, value in settings.items()]
        words += [f"out={pin or '-'}" for pin in self.outputs]
        words += [f"in={pin}" for pin in self.inputs]
        return [str(build_bridge()), *words]


@dataclass(frozen=True, slots=True)
class PinChange:
    """A pin of an output changed in this cycle; level None: it floats."""

    cycle: int
    output: int
    level: int | None


@dataclass(slots=True)
class Happened:
    """What the board told beside the lines of a plain rig. ``marks``: (cycle, value) of writes to GPIOR2."""

    pins: list[PinChange] = field(default_factory=list)
    resets: list[tuple[int, str]] = field(default_factory=list)
    cuts: list[int] = field(default_factory=list)
    marks: list[tuple[int, int]] = field(default_factory=list)
    memory: bytes = b""
    counts: dict[str, int] = field(default_factory=dict)
    cycle: int = 0
    microseconds: float = 0


class AvrBoard(Bench):
    """A board that tells everything it sees; ``happened`` collects it."""

    def __init__(self, command: Sequence[str]) -> None:
        self.happened = Happened()
        super().__init__([*command, "tell=1"])

    def _more_events(self) -> dict[str, Callable[[list[str]], None]]:
        return {
            "pin": self._pin,
            "reset": lambda words: self.happened.resets.append((int(words[1]), words[2])),
            "cut": lambda words: self.happened.cuts.append(int(words[1])),
            "mark": lambda words: self.happened.marks.append((int(words[1]), int(words[2]))),
            "ram": self._ram,
            "counts": self._counts,
            "now": self._now,
        }

    def counts(self) -> dict[str, int]:
        """What was lost, garbled or misused since the start, by the names in ``targets/BENCH.md``."""
        self.command("counts")
        return self.happened.counts

    def memory(self, start: int, length: int) -> bytes:
        """Bytes of the data space."""
        self.command(f"ram {start} {length}")
        return self.happened.memory

    def now(self) -> tuple[int, float]:
        """Cycles of the controller, and microseconds by the harness's clock, since the start."""
        self.command("now")
        return self.happened.cycle, self.happened.microseconds

    def _pin(self, words: list[str]) -> None:
        level = None if words[3] == "z" else int(words[3])
        self.happened.pins.append(PinChange(int(words[1]), int(words[2]), level))

    def _ram(self, words: list[str]) -> None:
        self.happened.memory = bytes.fromhex(words[1]) if len(words) > 1 else b""

    def _counts(self, words: list[str]) -> None:
        self.happened.counts = {words[i]: int(words[i + 1]) for i in range(1, len(words), 2)}

    def _now(self, words: list[str]) -> None:
        self.happened.cycle, self.happened.microseconds = int(words[1]), float(words[2])
