"""Ports whose other end is written out here, so that every way a device can misbehave can be played."""

from __future__ import annotations

from collections.abc import Callable

import crcmod.predefined
import serial
from cobs import cobs

_crc = crcmod.predefined.mkPredefinedCrcFun("crc-ccitt-false")


def wire(content: bytes) -> bytes:
    """A frame as the reference libraries make it."""
    return cobs.encode(content + _crc(content).to_bytes(2, "big")) + b"\0"


class FakePort:
    """A port with its own clock; an empty read takes the time-out. ``device`` turns a request into bytes.

    It gets sequence, type and payload of every whole frame written, and returns what is to be read back.
    """

    def __init__(self, device: Callable[[int, int, bytes], bytes]) -> None:
        self.device = device
        self.timeout: float | None = None
        self.time = 0.0
        self.to_read = b""
        self.written: list[bytes] = []
        self.vanishes_after = -1  # writes
        self.constant = b""  # comes without end
        self._partial = b""
        self.closed = False

    @property
    def in_waiting(self) -> int:
        return len(self.to_read)

    def read(self, size: int = 1) -> bytes:
        if not self.to_read and self.constant:
            self.time += 0.01
            return self.constant[:size]
        if not self.to_read:
            self.time += self.timeout or 0.0
        data, self.to_read = self.to_read[:size], self.to_read[size:]
        return data

    def write(self, data: bytes) -> int:
        if self.vanishes_after == 0:
            raise serial.SerialException("write failed: [Errno 5] Input/output error")
        self.vanishes_after -= 1
        self.written.append(bytes(data))
        *whole, self._partial = (self._partial + data).split(b"\0")
        for encoded in whole:
            if encoded:
                content = cobs.decode(encoded)
                assert _crc(content) == 0, "the client sent a frame with a wrong CRC"
                self.to_read += self.device(content[0], content[1], content[2:-2])
        return len(data)

    def close(self) -> None:
        self.closed = True

    def now(self) -> float:
        return self.time


def answering(payload: bytes, reason: int = 0, argument: int = 0) -> Callable[[int, int, bytes], bytes]:
    """A device that gives the same answer to everything."""
    return lambda sequence, kind, _: wire(bytes([sequence, kind | 0x80, reason, argument]) + payload)
