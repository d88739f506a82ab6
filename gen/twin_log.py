"""What goes into the twin and what comes out: requests and input levels, trace and end of a run.

Ticks are u32 and wrap. Codes are those of ``targets/engine/RULES.md``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum
from typing import NamedTuple

CLOSED = 128  # added to the index in the argument of an input's entry


class Code(IntEnum):
    """Entries of the trace, in their order within a tick."""

    POUR = 1
    GO_ON = 2
    INPUT = 3
    PAUSE = 4
    ABORT = 5
    OFF = 6
    ON = 7
    DONE = 8


class State(IntEnum):
    IDLE = 0
    POURING = 1
    PAUSED = 2
    JOGGING = 3


class Result(IntEnum):
    """Of the last pour."""

    NONE = 0
    DONE = 1
    ABORTED = 2


class Reason(IntEnum):
    """Why a request was refused, or a pour paused or aborted (those of the twin; the link knows more)."""

    NONE = 0
    STOP = 1
    INTERLOCK = 2
    MAX_ON = 3
    POUR_LIMIT = 4
    PAUSE_LIMIT = 5
    BUSY = 6
    NO_RECIPES = 7
    NO_CALIBRATION = 8
    UNKNOWN_RECIPE = 9
    UNKNOWN_SERVING = 10
    VESSEL_TOO_SMALL = 11
    NOT_CALIBRATED = 12
    DOSE_TOO_SMALL = 13
    DOSE_TOO_LONG = 14
    VESSEL_NOT_CHANGED = 15
    NOTHING_TO_GO_ON_WITH = 16
    NO_SUCH_OUTPUT = 17


# A request is made right after tick - 1 and takes effect in tick; an input has its level from tick on.


class Pour(NamedTuple):
    tick: int
    recipe: int
    serving: int


class GoOn(NamedTuple):
    tick: int


class Stop(NamedTuple):
    tick: int


class Jog(NamedTuple):
    tick: int
    output: int
    on: bool


class Input(NamedTuple):
    """Interlocks first, then buttons; ``closed`` means closed or pressed, whatever the electrical level."""

    tick: int
    number: int
    closed: bool


Request = Pour | GoOn | Stop | Jog
Event = Request | Input


class Entry(NamedTuple):
    """One entry of the trace."""

    tick: int
    code: int
    argument: int


class Answer(NamedTuple):
    """To one request: reason NONE when accepted."""

    reason: int
    argument: int


class Booked(NamedTuple):
    """One step of the last pour, in table order: ticks planned, and ticks its output was on."""

    output: int
    starts: int
    planned: int
    on: int


class Edge(NamedTuple):
    tick: int
    output: int
    on: bool


_EDGES = (Code.OFF, Code.ON)


@dataclass(frozen=True, slots=True)
class Outcome:
    """A run: its trace, the answers to the requests of the log in order, and how it stands at the end."""

    trace: Sequence[Entry]
    answers: Sequence[Answer]
    booked: Sequence[Booked]
    state: State
    result: Result
    reason: Reason
    argument: int
    tick: int

    def edges(self) -> list[Edge]:
        """The trace's edges alone."""
        return [
            Edge(tick, argument, code == Code.ON) for tick, code, argument in self.trace if code in _EDGES
        ]
