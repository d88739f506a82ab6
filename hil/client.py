"""A client of the link: one method a request, typed answers, repeats, and trouble told in plain words."""

from __future__ import annotations

import struct
import time
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Self, TypeVar

from dosewright.hil import frames, messages
from dosewright.hil.frames import ANSWER, Frame
from dosewright.hil.messages import Request
from dosewright.hil.port import Port, open_port, opening_resets
from dosewright.hil.trouble import RigTrouble, flash_command

ANSWER_WITHIN = 0.25  # seconds, then the request is repeated
REPEATS = 4
REPEATS_AT_BOOT = 16  # until the first answer, where opening the port may have reset the controller
SMALLEST_FRAME = 96  # what every controller takes
NOISE_KEPT = 4096
# Requests that a controller does once and answers from memory when they come again, marked so in LINK.md.
ONCE = {
    Request.UPLOAD_BEGIN,
    Request.UPLOAD_CHUNK,
    Request.UPLOAD_COMMIT,
    Request.BACK,
    Request.NAME_UNIT,
    Request.POUR,
    Request.GO_ON,
    Request.JOG,
}

_T = TypeVar("_T")


@dataclass(frozen=True, slots=True)
class Answer:
    """What a controller said to a request: ``reason`` 0 when it was done."""

    reason: int
    argument: int
    payload: bytes = b""


class Refused(Exception):  # noqa: N818 - an answer, not a mistake
    """The controller understood the request and refused it; ``reason`` as in codes.Reason."""

    def __init__(self, request: Request, reason: int, argument: int) -> None:
        self.request, self.reason, self.argument = request, reason, argument
        super().__init__(
            f"{request.name.lower().replace('_', ' ')} was refused: {messages.reason_words(reason)}"
        )


class Silent(RigTrouble):
    """Nothing answers in frames of this tool."""


class OtherVersion(RigTrouble):
    """What answers is of this tool, but of another version."""


class Client:
    """Speaks to one controller.

    ``now`` gives seconds; simulated rigs pass their own time. ``boots``: the controller may be starting now.
    ``folder`` is the project's, for the commands that mend what is found; None where it is not known.
    """

    def __init__(
        self,
        port: Port,
        name: str,
        now: Callable[[], float] = time.monotonic,
        boots: bool = False,
        folder: Path | None = None,
    ) -> None:
        self.name, self.folder = name, folder
        self._repeats = REPEATS_AT_BOOT if boots else REPEATS
        self._port, self._now = port, now
        self._sequence = 0
        self._frame_limit = SMALLEST_FRAME
        self._buffer = bytearray()
        self._in_step = False
        self._next_entry: int | None = None  # of the trace
        self._entries_lost = 0
        port.timeout = ANSWER_WITHIN

    @classmethod
    def open(cls, url: str, folder: Path | None = None) -> Self:
        """A client of the controller on a port that pyserial can open."""
        return cls(open_port(url, timeout=ANSWER_WITHIN), url, boots=opening_resets(url), folder=folder)

    @property
    def flash_command(self) -> str:
        """The command that puts the project's firmware onto this controller."""
        return flash_command(self.name, self.folder)

    def close(self) -> None:
        self._port.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # Requests

    def identify(self) -> messages.Identity:
        """Who answers; from then on frames may be as large as it takes."""
        payload = self._done(Request.IDENTIFY)
        if payload and payload[0] != messages.PROTOCOL:
            stale = f"the firmware is stale: mend it with {self.flash_command}"
            if payload[0] > messages.PROTOCOL:
                stale = "this tool is stale: update dosewright"
            raise OtherVersion(
                f"{self.name}: the controller speaks protocol {payload[0]}, this tool protocol "
                f"{messages.PROTOCOL}; {stale}"
            )
        found = self._decoded(messages.identity, payload)
        self._next_entry = None  # it may be another controller, or have been reset
        self._frame_limit = max(SMALLEST_FRAME, found.frame_limit)
        return found

    def pour(self, recipe: int, serving: int) -> Answer:
        """Ask for a pour; the answer tells whether it was accepted."""
        return self.ask(Request.POUR, struct.pack("<HB", recipe, serving))

    def stop(self) -> Answer:
        return self.ask(Request.STOP)

    def go_on(self) -> Answer:
        return self.ask(Request.GO_ON)

    def jog(self, output: int, on: bool) -> Answer:
        """Start, renew or (``on`` False) end a jog."""
        return self.ask(Request.JOG, bytes([output, on]))

    def status(self) -> messages.Status:
        return self._decoded(messages.status, self._done(Request.STATUS))

    def booked(self) -> list[messages.Booking]:
        """Steps of the last pour."""
        return self._decoded(messages.booked, self._done(Request.BOOKED))

    def trace(self) -> tuple[int, list[messages.Entry]]:
        """What the trace has got since this was last called, and how many entries were lost since then.

        The first time, and after a reset of the controller, that is all since its start.
        """
        lost, entries = 0, []
        while True:
            wanted = self._next_entry
            payload = b"" if wanted is None else struct.pack("<H", wanted)
            told = self._decoded(messages.trace, self._done(Request.TRACE, payload))
            if told.first != wanted:
                self._entries_lost = 0
            lost += told.lost - self._entries_lost & 0xFFFF
            entries += told.entries
            self._entries_lost, self._next_entry = told.lost, told.first + len(told.entries) & 0xFFFF
            if not told.entries:
                return lost, entries

    def range_crc(self, kind: bytes, offset: int, length: int) -> int:
        """CRC-32 of a part of the record in force, of the spare slot for a small letter. Raises Refused."""
        payload = self._done(Request.RANGE_CRC, kind + struct.pack("<II", offset, length))
        return self._decoded(lambda body: int(struct.unpack("<I", body)[0]), payload)

    def read(self, kind: bytes, offset: int, length: int) -> bytes:
        """Bytes of the record in force, or of the spare slot for a small letter. Raises Refused."""
        most = min(255, frames.largest_payload(self._frame_limit) - 2)
        data = b""
        while len(data) < length:
            piece = min(most, length - len(data))
            payload = self._done(Request.READ, kind + struct.pack("<IB", offset + len(data), piece))
            if len(payload) != piece:
                raise self._nonsense("a piece of another length than asked for")
            data += payload
        return data

    def upload(self, kind: bytes, record: bytes, progress: Callable[[int], None] = lambda _: None) -> int:
        """Put a record in force, sending only what is not in its slot already; how many bytes were sent.

        So an upload that was cut short goes on where it ended. ``progress`` gets the bytes that are there.
        Raises Refused.
        """
        self._done(Request.UPLOAD_BEGIN, kind + struct.pack("<I", len(record)))
        most = frames.largest_payload(self._frame_limit) - 4
        body = len(record) - 4  # the CRC apart: over its own CRC the CRC of every record is the same
        sent = 0
        for start, end in [*self._missing(kind.lower(), record, 0, body, most), (body, len(record))]:
            self._done(Request.UPLOAD_CHUNK, struct.pack("<I", start) + record[start:end])
            sent += end - start
            progress(end)
        self._done(Request.UPLOAD_COMMIT, record[-4:])
        return sent

    def _missing(self, slot: bytes, record: bytes, start: int, end: int, most: int) -> list[tuple[int, int]]:
        """The pieces of a part of a record that a slot does not hold, by halving; none above ``most``."""
        if start >= end or self.range_crc(slot, start, end - start) == zlib.crc32(record[start:end]):
            return []
        if end - start <= most:
            return [(start, end)]
        middle = start + most * ((end - start + 2 * most - 1) // (2 * most))
        return [
            *self._missing(slot, record, start, middle, most),
            *self._missing(slot, record, middle, end, most),
        ]

    def back(self, kind: bytes) -> None:
        """Put the record in force that the last upload superseded. Raises Refused."""
        self._done(Request.BACK, kind)

    def name_unit(self, name: str) -> None:
        """Name this unit, once and for all; at most 16 bytes. Raises Refused."""
        padded = name.encode().ljust(16, b"\0")
        self._done(Request.NAME_UNIT, padded + struct.pack("<I", zlib.crc32(padded)))

    def ask(self, request: Request, payload: bytes = b"") -> Answer:
        """Send one request, unchanged again where no answer comes. Raises RigTrouble."""
        if self._sequence == 0 and request in ONCE:
            # the program before this one may have asked for the same with the same number
            self.ask(Request.IDENTIFY)
        self._sequence = self._sequence % 255 + 1
        wire = frames.pack(Frame(self._sequence, request, payload))
        noise = bytearray()
        for _ in range(1 + self._repeats):
            try:
                self._port.write(wire if self._in_step else b"\0" + wire)
                self._in_step = True
                body = self._wait_for(self._sequence, request | ANSWER, noise)
            except OSError as error:  # all that pyserial raises
                raise self._lost(error) from None
            if body is not None:
                self._repeats = REPEATS
                if len(body) < 2:
                    raise self._nonsense("an answer without a reason")
                return Answer(body[0], body[1], body[2:])
            self._in_step = False
        raise Silent(self._silent(bytes(noise)))

    def _done(self, request: Request, payload: bytes = b"") -> bytes:
        answer = self.ask(request, payload)
        if answer.reason:
            raise Refused(request, answer.reason, answer.argument)
        return answer.payload

    def _wait_for(self, sequence: int, kind: int, noise: bytearray) -> bytes | None:
        deadline = self._now() + ANSWER_WITHIN
        while True:
            while 0 in self._buffer:
                end = self._buffer.index(0)
                encoded = bytes(self._buffer[:end])
                del self._buffer[: end + 1]
                frame = frames.unpack(encoded)
                if frame and (frame.sequence, frame.type) == (sequence, kind):
                    return frame.payload
                if frame is None and len(noise) < NOISE_KEPT:
                    noise += encoded
            if len(self._buffer) > NOISE_KEPT:
                noise += self._buffer
                self._buffer.clear()
            if self._now() >= deadline:
                noise += self._buffer
                return None
            self._buffer += self._port.read(max(1, self._port.in_waiting))

    def _decoded(self, decode: Callable[[bytes], _T], payload: bytes) -> _T:
        try:
            return decode(payload)
        except (messages.BadAnswer, struct.error) as error:
            raise self._nonsense(str(error)) from None

    def _nonsense(self, what: str) -> OtherVersion:
        return OtherVersion(
            f"{self.name}: the controller answered in a way this tool (protocol {messages.PROTOCOL}) does "
            f"not understand ({what}); its firmware is of another version: mend it with "
            f"{self.flash_command}"
        )

    def _lost(self, error: Exception) -> RigTrouble:
        return RigTrouble(
            f"{self.name}: the connection was lost ({error}); check cable and power. A pour that was "
            "running may go on without the computer: look at the machine before trying again"
        )

    def _silent(self, noise: bytes) -> str:
        if noise:
            return (
                f"{self.name}: something answers there, but not in frames of this tool ({len(noise)} bytes, "
                f"the first {noise[:8].hex(' ')}); another program is on the controller, or another "
                "port is meant (dosewright ports). To put the firmware on, which resets the board: "
                f"{self.flash_command}"
            )
        return (
            f"{self.name}: no answer within {ANSWER_WITHIN * (1 + self._repeats):g} s; is the controller "
            "powered, is it the right port (dosewright ports), does the cable carry data? A board that is "
            "blank or has another program is silent too; to find out and put the firmware on, which resets "
            f"the board: {self.flash_command}"
        )
