"""What goes over the link, as typed values: requests by number, answers decoded, codes with their words.

Everything is little-endian. Bytes: ``targets/engine/LINK.md``; codes: ``targets/engine/RULES.md``.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from enum import IntEnum
from typing import Any, TypeVar

from dosewright.gen.codes import Reason, Result, State

PROTOCOL = 2
_Member = TypeVar("_Member", bound=IntEnum)


class Request(IntEnum):
    """Types of requests."""

    IDENTIFY = 1
    UPLOAD_BEGIN = 2
    UPLOAD_CHUNK = 3
    UPLOAD_COMMIT = 4
    RANGE_CRC = 5
    READ = 6
    BACK = 7
    NAME_UNIT = 8
    POUR = 16
    STOP = 17
    GO_ON = 18
    JOG = 19
    STATUS = 32
    TRACE = 33
    BOOKED = 34


class Held(IntEnum):
    """Where a record in force comes from."""

    NONE = 0
    BUILT_IN = 1
    STORED = 2


class Cause(IntEnum):
    """Why the controller started last."""

    UNKNOWN = 0
    POWER = 1
    RESET_LINE = 2
    SUPPLY = 3
    WATCHDOG = 4


class Slot(IntEnum):
    """How one of the two slots of a record stands, by its mark; any other mark counts like OPEN."""

    UNUSED = 0xFFFF
    OPEN = 0x5C35
    COMMITTED = 0xC9A6
    SUPERSEDED = 0x9A53

    @classmethod
    def _missing_(cls, value: object) -> Slot:
        return cls.OPEN


class BadAnswer(Exception):  # noqa: N818 - named for what came
    """An answer whose bytes do not fit its type."""


@dataclass(frozen=True, slots=True)
class Identity:
    """Who answers. ``tick_us`` in microseconds, ``frame_limit`` in bytes on the wire, ``unit`` "": none."""

    protocol: int
    engine: tuple[int, int]
    recipes_format: int
    calibration_format: int
    frame_limit: int
    tick_us: int
    interface: int
    build: bytes
    channels: int
    outputs: int
    interlocks: int
    buttons: int
    recipes: Held
    calibration: Held
    slots: dict[bytes, tuple[Slot, Slot]]  # by kind of record
    cause: Cause
    unit: str


@dataclass(frozen=True, slots=True)
class Status:
    """What it is doing now; ``closed`` and ``pressed`` are bit masks, ``on`` the energised outputs."""

    state: State
    result: Result
    reason: int
    argument: int
    tick: int
    recipe: int
    serving: int
    closed: int
    pressed: int
    on: frozenset[int]


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry of the trace."""

    tick: int
    code: int
    argument: int


@dataclass(frozen=True, slots=True)
class Trace:
    """A piece of the trace: entries ``lost`` since the start (mod 2^16), and the ``first`` one's number."""

    lost: int
    first: int
    entries: list[Entry]


@dataclass(frozen=True, slots=True)
class Booking:
    """What one step of the last pour came to, in ticks."""

    output: int
    starts: int
    planned: int
    on: int


_IDENTITY = struct.Struct("<BBBBBHHI8sBBBBBHHBHHB")
_NAME = 16
_STATUS = struct.Struct("<BBBBIHBIB")
_ENTRY = struct.Struct("<IBB")
_BOOKING = struct.Struct("<BBII")
assert (_IDENTITY.size, _STATUS.size, _ENTRY.size, _BOOKING.size) == (36, 16, 6, 10)


def identity(payload: bytes) -> Identity:
    """Decode the answer to *identify* (without reason and argument)."""
    if payload[:1] and payload[0] != PROTOCOL:
        # Only the first byte keeps its meaning in every version.
        raise BadAnswer(f"protocol {payload[0]}")
    head, name = _split(_IDENTITY, payload)
    (protocol, major, minor, recipes_format, calibration_format, limit, tick_us, interface, build) = head[:9]
    channels, outputs, interlocks, buttons, recipes, r0, r1, calibration, c0, c1, cause = head[9:]
    if len(name) not in (0, _NAME):
        raise BadAnswer(f"a name of {len(name)} bytes")
    return Identity(
        protocol,
        (major, minor),
        recipes_format,
        calibration_format,
        limit,
        tick_us,
        interface,
        build,
        channels,
        outputs,
        interlocks,
        buttons,
        _member(Held, recipes),
        _member(Held, calibration),
        {b"R": (Slot(r0), Slot(r1)), b"C": (Slot(c0), Slot(c1))},
        _member(Cause, cause),
        name.rstrip(b"\0").decode("utf-8", "replace"),
    )


def status(payload: bytes) -> Status:
    """Decode the answer to *status*."""
    (state, result, reason, argument, tick, recipe, serving, inputs, length), outputs = _split(
        _STATUS, payload
    )
    if len(outputs) != length:
        raise BadAnswer("another number of outputs than told")
    on = frozenset(8 * j + i for j, byte in enumerate(outputs) for i in range(8) if byte >> i & 1)
    return Status(
        _member(State, state),
        _member(Result, result),
        reason,
        argument,
        tick,
        recipe,
        serving,
        inputs & 0xFFFF,
        inputs >> 16,
        on,
    )


def trace(payload: bytes) -> Trace:
    """Decode the answer to *trace*."""
    if len(payload) < 5:
        raise BadAnswer("too short")
    lost, first, count = struct.unpack_from("<HHB", payload)
    return Trace(lost, first, [Entry(*fields) for fields in _rows(_ENTRY, payload[5:], count)])


def booked(payload: bytes) -> list[Booking]:
    """Decode the answer to *booked*."""
    if not payload:
        raise BadAnswer("too short")
    return [Booking(*fields) for fields in _rows(_BOOKING, payload[1:], payload[0])]


def reason_words(reason: int) -> str:
    """A reason in plain words."""
    try:
        return Reason(reason).name.lower().replace("_", " ")
    except ValueError:
        return f"reason {reason}"


def _split(layout: struct.Struct, payload: bytes) -> tuple[tuple[Any, ...], bytes]:
    if len(payload) < layout.size:
        raise BadAnswer(f"{len(payload)} bytes where at least {layout.size} are wanted")
    return layout.unpack_from(payload), payload[layout.size :]


def _rows(layout: struct.Struct, body: bytes, count: int) -> list[tuple[Any, ...]]:
    if len(body) != count * layout.size:
        raise BadAnswer(f"{len(body)} bytes where {count} entries of {layout.size} are told")
    return list(layout.iter_unpack(body))


def _member(kind: type[_Member], value: int) -> _Member:
    try:
        return kind(value)
    except ValueError:
        raise BadAnswer(f"{kind.__name__.lower()} {value}") from None
