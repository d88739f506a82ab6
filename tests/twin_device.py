"""A controller that answers by the twin, to try the harness on slips that no engine makes on request.

It is both ends of a simulated rig at once: a port that pyserial's users can read and write, and the bench
that moves switches, time and pins.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Callable, Iterable

from dosewright.gen import twin_log
from dosewright.gen.emit import table_bin
from dosewright.gen.fingerprint import build_digest, interface
from dosewright.gen.lower import Compiled
from dosewright.gen.twin import run
from dosewright.hil.client import ONCE, Client
from dosewright.hil.frames import ANSWER, Frame, pack, unpack
from dosewright.hil.messages import Request
from dosewright.hil.rig import Rig
from dosewright.hil.simulated import PinEdge

Trace = Iterable[twin_log.Entry]


def unchanged(trace: Trace) -> Trace:
    """Nothing slips."""
    return trace


class TwinDevice:
    """``told`` changes what its trace tells, ``pinned`` what its pins do, as entries of a trace."""

    def __init__(
        self,
        compiled: Compiled,
        told: Callable[[Trace], Trace] = unchanged,
        pinned: Callable[[Trace], Trace] = unchanged,
        tick: int = 0xFFFFFF00,
    ) -> None:
        self.compiled, self.told, self.pinned = compiled, told, pinned
        self.timeout: float | None = None
        self.start = self.tick = tick
        self.elapsed = 0
        self.log: list[twin_log.Event] = []
        self.records = dict(zip((b"R", b"C"), table_bin(compiled), strict=True))
        self.held = 1
        self.to_read = b""
        self.let_go = self.taken_edges = 0
        self.last: tuple[Frame, bytes] | None = None
        self.partial = b""

    def rig(self) -> Rig:
        return Rig("twin", Client(self, "twin", lambda: self.elapsed / 1000), self)

    # The bench

    def set_input(self, index: int, level: bool) -> None:
        described = (*self.compiled.machine.interlocks, *self.compiled.machine.buttons)[index]
        self.log.append(twin_log.Input(self.tick + 1 & 0xFFFFFFFF, index, level == described.pin.active_high))

    def advance(self, ticks: int) -> None:
        self.tick = self.tick + ticks & 0xFFFFFFFF
        self.elapsed += ticks

    def take_edges(self) -> list[PinEdge]:
        edges = []
        for entry in self.pinned(self.outcome().trace):
            output = self.compiled.machine.outputs[entry.argument & 127] if entry.code in (6, 7) else None
            if output and output.pin:
                edges.append(PinEdge(entry.tick, entry.argument, (entry.code == 7) == output.pin.active_high))
        new, self.taken_edges = edges[self.taken_edges :], len(edges)
        return new

    def outcome(self) -> twin_log.Outcome:
        compiled = self.compiled
        return run(
            compiled.machine,
            compiled.recipes,
            compiled.calibration,
            self.log,
            tick0=self.start,
            until=self.tick,
        )

    # The port

    @property
    def in_waiting(self) -> int:
        return len(self.to_read)

    def read(self, size: int = 1) -> bytes:
        if not self.to_read:
            self.advance(round((self.timeout or 0) * 1000))
        data, self.to_read = self.to_read[:size], self.to_read[size:]
        return data

    def write(self, data: bytes) -> int:
        *whole, self.partial = (self.partial + data).split(b"\0")
        for encoded in whole:
            frame = unpack(encoded) if encoded else None
            if frame:
                if not self.last or frame.type not in ONCE or self.last[0] != frame:
                    self.last = (frame, self.answer(frame.type, frame.payload))
                self.to_read += pack(Frame(frame.sequence, frame.type | ANSWER, self.last[1]))
                self.advance(1)
        return len(data)

    def close(self) -> None:
        pass

    def answer(self, kind: int, payload: bytes) -> bytes:
        machine = self.compiled.machine
        following = self.tick + 1 & 0xFFFFFFFF
        if kind == Request.IDENTIFY:
            counts = (machine.channels, len(machine.outputs), len(machine.interlocks), len(machine.buttons))
            head = struct.pack("<BBBBBHH", 2, 0, 1, 3, 1, 96, machine.tick_us)
            head += struct.pack("<I8s", interface(machine), build_digest(machine))
            held = bytes([self.held]) + b"\xff" * 4  # in slots that were never used
            return b"\0\0" + head + bytes(counts) + held + held + bytes([1])
        if kind in (Request.POUR, Request.STOP, Request.GO_ON):
            event: twin_log.Event = twin_log.Stop(following)
            if kind == Request.POUR:
                event = twin_log.Pour(following, *struct.unpack("<HB", payload))
            elif kind == Request.GO_ON:
                event = twin_log.GoOn(following)
            self.log.append(event)
            self.tick, now = following, self.tick
            answer = self.outcome().answers[-1]
            self.tick = now
            return bytes(answer)
        outcome = self.outcome()
        if kind == Request.STATUS:
            return b"\0\0" + self.status(outcome)
        if kind == Request.TRACE:
            if payload:
                self.let_go += int.from_bytes(payload, "little") - self.let_go & 0xFFFF
            entries = list(self.told(outcome.trace))[self.let_go :][:10]
            head = struct.pack("<HHB", 0, self.let_go & 0xFFFF, len(entries))
            return b"\0\0" + head + b"".join(struct.pack("<IBB", *entry) for entry in entries)
        if kind == Request.BOOKED:
            return (
                b"\0\0"
                + bytes([len(outcome.booked)])
                + b"".join(struct.pack("<BBII", *b) for b in outcome.booked)
            )
        record = self.records[payload[:1]]
        offset = int.from_bytes(payload[1:5], "little")
        if kind == Request.READ:
            return b"\0\0" + record[offset : offset + payload[5]]
        assert kind == Request.RANGE_CRC
        length = int.from_bytes(payload[5:9], "little")
        return b"\0\0" + struct.pack("<I", zlib.crc32(record[offset : offset + length]))

    def status(self, outcome: twin_log.Outcome) -> bytes:
        closed = pressed = 0
        locks = len(self.compiled.machine.interlocks)
        on = bytearray(8)
        pour = next((e for e in reversed(self.log) if isinstance(e, twin_log.Pour)), twin_log.Pour(0, 0, 0))
        for _, code, argument in outcome.trace:
            if code in (6, 7):
                on[argument // 8] ^= 1 << argument % 8
            if code == 3 and argument & 127 < locks:
                closed = closed & ~(1 << (argument & 127)) | (argument >> 7) << (argument & 127)
            elif code == 3:
                button = (argument & 127) - locks
                pressed = pressed & ~(1 << button) | (argument >> 7) << button
        head = struct.pack("<BBBB", outcome.state, outcome.result, outcome.reason, outcome.argument)
        return (
            head
            + struct.pack("<IHBIB", self.tick, pour.recipe, pour.serving, closed | pressed << 16, len(on))
            + bytes(on)
        )
