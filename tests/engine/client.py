"""A small client of the engine's own tests: records and frames by the pages, and a process to talk to.

CRCs come from zlib and binascii, the byte stuffing from the cobs package, nothing from the project.
"""

from __future__ import annotations

import binascii
import struct
import subprocess
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Self

from cobs import cobs

REASONS = {
    0: "ok", 1: "stop", 2: "interlock", 3: "max on", 4: "pour limit", 5: "pause limit", 6: "busy",
    7: "no recipes", 8: "no calibration", 9: "unknown recipe", 10: "unknown serving",
    11: "vessel too small", 12: "not calibrated", 13: "dose too small", 14: "dose too long",
    15: "vessel not changed", 16: "nothing to go on with", 17: "no such output", 18: "unknown request",
    19: "bad length", 20: "wrong interface", 21: "wrong unit", 22: "out of range", 23: "bad record",
    24: "store failed", 25: "link lost", 26: "reset",
}  # fmt: skip
CODES = {1: "pour", 2: "go on", 3: "input", 4: "pause", 5: "abort", 6: "off", 7: "on", 8: "done"}
INTERFACE = 0x01020304


@dataclass(frozen=True)
class Dose:
    output: int
    weight: int
    after_all: bool = False

    def bytes(self) -> bytes:
        return long_step(self.output, self.after_all, self.weight, 2)


@dataclass(frozen=True)
class Stage:
    output: int
    ticks: int
    after_all: bool = False

    def bytes(self) -> bytes:
        return long_step(self.output, self.after_all, self.ticks, 4)


def long_step(output: int, after_all: bool, value: int, size: int) -> bytes:
    """A step of a long recipe."""
    return bytes([output | after_all << 7]) + value.to_bytes(size, "little")


def number(value: int) -> bytes:
    """A number of TABLE.md: a byte below 240, or two."""
    return bytes([value]) if value < 240 else bytes([240 + value // 256, value % 256])


def long_recipe(steps: Sequence[Dose | Stage]) -> bytes:
    data = b"".join(step.bytes() for step in steps)
    return len(data).to_bytes(2, "big") + data


def sealed(kind: bytes, body: bytes, interface: int = INTERFACE) -> bytes:
    """A record around a body."""
    version = 3 if kind == b"R" else 1
    head = struct.pack("<2s1sBIII", b"DW", kind, version, 16 + len(body) + 4, interface, 0)
    return head + body + struct.pack("<I", zlib.crc32(head + body))


def resealed(record: bytes) -> bytes:
    """The record with a CRC that fits again, after a byte of it was changed."""
    return record[:-4] + struct.pack("<I", zlib.crc32(record[:-4]))


def blocks(texts: Sequence[bytes]) -> bytes:
    """Recipes one behind the other, eight to a block."""
    parts = [b"".join(texts[place : place + 8]) for place in range(0, len(texts), 8)]
    return b"".join(number(len(part)) + part for part in parts)


def recipes_body(servings: Sequence[int], texts: Sequence[bytes], numbers: Sequence[int]) -> bytes:
    """A recipes body without a dictionary; stages count in single ticks."""
    head = struct.pack("<BBHBBH", len(servings), 1, len(texts), 0, 1, 1)
    lists = struct.pack(f"<{len(numbers)}H{len(servings)}I", *numbers, *servings)
    return head + blocks(texts) + lists


def recipes(
    servings: Sequence[int], book: Mapping[int, Sequence[Dose | Stage]], interface: int = INTERFACE
) -> bytes:
    """A recipes record: servings in quanta, steps by recipe number, all of them long."""
    numbers = sorted(book)
    return sealed(b"R", recipes_body(servings, [long_recipe(book[n]) for n in numbers], numbers), interface)


def calibration(
    channels: Sequence[tuple[int, int, int]], unit: str = "", interface: int = INTERFACE
) -> bytes:
    """A calibration record: multiplier, shift and offset of each channel."""
    rows = b"".join(struct.pack("<IBi", m, s, offset) for m, s, offset in channels)
    return sealed(b"C", unit.encode().ljust(16, b"\0") + bytes([len(channels)]) + rows, interface)


def named(unit: str) -> bytes:
    """The name of a unit, padded, and its CRC."""
    padded = unit.encode().ljust(16, b"\0")
    return padded + struct.pack("<I", zlib.crc32(padded))


@dataclass
class Answer:
    reason: str
    argument: int
    rest: bytes


@dataclass
class Controller:
    """The host target as a child process; every command waits for its answer."""

    program: Path
    options: Sequence[str] = ()
    edges: list[tuple[int, int, int]] = field(default_factory=list)
    received: bytearray = field(default_factory=bytearray)
    tick: int = 0
    sequence: int = 0
    entry: bytes = b""  # number of the first one of the trace that was not told yet
    lost: int = 0  # entries of the trace

    def __enter__(self) -> Self:
        self.child = subprocess.Popen(
            [str(self.program), *self.options], stdin=subprocess.PIPE, stdout=subprocess.PIPE
        )
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        assert self.child.stdin and self.child.stdout
        self.child.stdin.close()
        self.child.stdout.read()
        self.child.stdout.close()
        assert self.child.wait(10) == 0 or kind, "the controller process ended with an error"

    def tell(self, line: str) -> str:
        """Send a line; returns its last answer line."""
        assert self.child.stdin and self.child.stdout
        self.child.stdin.write(line.encode() + b"\n")
        self.child.stdin.flush()
        if line.startswith("reset"):
            self.entry, self.lost = b"", 0
        while True:
            words = self.child.stdout.readline().decode().split()
            assert words, "the controller process ended"
            if words[0] == "tx":
                self.received += bytes.fromhex(words[1])
            elif words[0] == "edge":
                self.edges.append((int(words[1]), int(words[2]), int(words[3])))
            else:
                if words[0] == "ok":
                    self.tick = int(words[1])
                return " ".join(words)

    def run(self, ticks: int) -> None:
        assert self.tell(f"run {ticks}").startswith("ok")

    def level(self, index: int, level: int) -> None:
        assert self.tell(f"in {index} {level}").startswith("ok")

    def raw(self, data: bytes) -> list[bytes]:
        """Bytes on the line; returns the frames that came back, decoded and without their CRC."""
        self.received.clear()
        assert self.tell(f"rx {data.hex()}").startswith("ok")
        frames = bytes(self.received).split(b"\0")
        assert frames.pop() == b""
        bare = [cobs.decode(frame) for frame in frames]
        assert all(binascii.crc_hqx(frame, 0xFFFF) == 0 for frame in bare)
        return [frame[:-2] for frame in bare]

    def ask(self, kind: int, payload: bytes = b"") -> Answer:
        """One request with a new sequence number."""
        self.sequence = self.sequence % 255 + 1
        answers = self.raw(framed(self.sequence, kind, payload))
        assert len(answers) == 1
        assert answers[0][:2] == bytes([self.sequence, kind | 0x80])
        return Answer(REASONS[answers[0][2]], answers[0][3], answers[0][4:])

    def upload(self, record: bytes, chunk: int = 200) -> Answer:
        """A record into the store; returns the first refusal, or the answer to commit."""
        begin = self.ask(2, record[2:3] + struct.pack("<I", len(record)))
        if begin.reason != "ok":
            return begin
        for at in range(0, len(record), chunk):
            part = self.ask(3, struct.pack("<I", at) + record[at : at + chunk])
            if part.reason != "ok":
                return part
        return self.ask(4, record[-4:])

    def trace(self) -> list[tuple[int, str, int]]:
        """All entries since the last time."""
        entries: list[tuple[int, str, int]] = []
        while True:
            rest = self.ask(33, self.entry).rest
            lost, first, count = struct.unpack_from("<HHB", rest)
            assert lost == self.lost
            self.entry = struct.pack("<H", (first + count) % 65536)
            if count == 0:
                return entries
            for tick, code, argument in struct.iter_unpack("<IBB", rest[5:]):
                entries.append((tick, CODES[code], argument))

    def status(self) -> tuple[int, ...]:
        """State, result, reason, argument, tick, recipe, serving, interlocks, buttons, bytes of outputs."""
        rest = self.ask(32).rest
        count = rest[15]
        assert len(rest) == 16 + count
        return struct.unpack(f"<4BIHBHHx{count}B", rest)

    def booked(self, first: int = 0) -> list[tuple[int, int, int, int]]:
        """Output, starts, planned, on of the steps of the last pour, from one on, as a frame holds."""
        rest = self.ask(34, bytes([first])).rest
        return [struct.unpack_from("<BBII", rest, 1 + 10 * i) for i in range(rest[0])]

    def back(self, kind: str) -> Answer:
        return self.ask(7, kind.encode())

    def name_unit(self, name: str) -> Answer:
        return self.ask(8, named(name))

    def pour(self, number: int, serving: int = 0) -> Answer:
        return self.ask(16, struct.pack("<HB", number, serving))


def framed(sequence: int, kind: int, payload: bytes = b"") -> bytes:
    """A frame as it goes over the wire."""
    bare = bytes([sequence, kind]) + payload
    return bytes(cobs.encode(bare + binascii.crc_hqx(bare, 0xFFFF).to_bytes(2, "big"))) + b"\0"
