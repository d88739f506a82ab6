"""What goes into the twin and what comes out: requests and input levels, trace and end of a run.

Ticks are u32 and wrap. Codes are those of ``targets/engine/RULES.md``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

from dosewright.gen.codes import Code, Reason, Result, State

CLOSED = 128  # added to the index in the argument of an input's entry


# A request is made right after tick - 1 and takes effect in tick; an input has its level from tick on.


class Pour(NamedTuple):
    """``over_link``: it is stopped when the link falls silent, where the machine says so."""

    tick: int
    recipe: int
    serving: int
    over_link: bool = False


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


class Heard(NamedTuple):
    """A request of the link was answered right after tick - 1."""

    tick: int


Request = Pour | GoOn | Stop | Jog
Event = Request | Input | Heard


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
