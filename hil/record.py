"""What was seen of one pour, and what was concluded: the data that replay, judge and reports share."""

from __future__ import annotations

from dataclasses import dataclass

from dosewright.gen.codes import Code
from dosewright.gen.compiled import Button, CompiledMachine, CompiledRecipe, Interlock
from dosewright.hil.avrboard.accuracy import Timing
from dosewright.hil.messages import Booking, Entry, Status
from dosewright.hil.simulated import TICK_WRAP, PinEdge
from dosewright.hil.switches import Setting

HALF = TICK_WRAP // 2


def later(tick: int, than: int) -> int:
    """How many ticks ``tick`` is after ``than`` (negative: before), across the wrap at 2^32."""
    return (tick - than + HALF) % TICK_WRAP - HALF


def inputs_of(machine: CompiledMachine) -> tuple[Interlock | Button, ...]:
    """The inputs in the order of their index: interlocks, then buttons."""
    return (*machine.interlocks, *machine.buttons)


@dataclass(frozen=True, slots=True)
class RawInput:
    """An input pin has this level from that tick on (the first tick that reads it)."""

    tick: int
    index: int
    level: bool


@dataclass(frozen=True, slots=True)
class Asked:
    """A request made during a pour, ``go on`` or ``stop``; ``refused`` is the reason, 0 if it was not."""

    tick: int
    what: str
    refused: int


@dataclass(frozen=True, slots=True)
class PourRecord:
    """One pour as it was seen. Ticks are the controller's own.

    ``before`` is the controller's status when the record began, ``after`` when it ended. ``levels`` are the
    levels of the input pins at the beginning and ``inputs`` what changed since; both are None on a rig whose
    inputs nobody sets. ``edges`` is None where no one watched the pins. ``refused`` is (reason, argument)
    when the pour was not accepted; ``asked_at`` is the tick in which it would have begun at the earliest.
    ``by``: the switches that it was asked for with; None where it was over the link.
    """

    recipe: CompiledRecipe
    serving: int
    before: Status
    after: Status
    asked_at: int
    refused: tuple[int, int] | None
    trace: tuple[Entry, ...]
    lost: int
    booked: tuple[Booking, ...]
    levels: tuple[bool, ...] | None = None
    inputs: tuple[RawInput, ...] | None = None
    requests: tuple[Asked, ...] = ()
    edges: tuple[PinEdge, ...] | None = None
    by: Setting | None = None

    @property
    def started(self) -> int | None:
        """The tick of the pour's first entry, None where it never began."""
        return next((entry.tick for entry in self.trace if entry.code == Code.POUR), None)

    @property
    def ended(self) -> int | None:
        """The tick at which it was done or aborted."""
        return next((e.tick for e in self.trace if e.code in (Code.DONE, Code.ABORT)), None)


@dataclass(frozen=True, slots=True)
class Names:
    """The words of the trade for what the controller knows by number."""

    outputs: tuple[str, ...]  # "lime juice (line B)"
    servings: tuple[str, ...]
    interlocks: tuple[str, ...]
    tick_us: int

    def seconds(self, ticks: int) -> str:
        """Ticks as seconds, to the millisecond or finer where a tick is."""
        digits = 3 if self.tick_us % 1000 == 0 else 6
        return f"{ticks * self.tick_us / 1e6:.{digits}f} s"

    def short(self, ticks: int) -> str:
        """A small difference in milliseconds."""
        return f"{ticks * self.tick_us / 1000:g} ms"


@dataclass(frozen=True, slots=True)
class Verdict:
    """The judgement of one pour. ``findings`` in plain words, empty when it passed."""

    recipe: str
    serving: str
    findings: tuple[str, ...]
    edges: int = 0
    seconds: float = 0.0
    asked_ml: float = 0.0
    witness: bool = False
    crashed: bool = False
    case: str = ""  # what was done to it, where faults were played
    by: str = ""  # the switches it was asked for with, where it was
    timing: Timing | None = None  # of the pins, to the cycle, where the rig counts them

    @property
    def passed(self) -> bool:
        return not self.findings
