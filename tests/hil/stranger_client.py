"""A client written from targets/engine/LINK.md and targets/BENCH.md alone, with nothing of the harness.

That it stays short and works is the proof that the two pages say everything. Standard library only.
"""

from __future__ import annotations

import binascii
import struct
import subprocess


def cobs(data: bytes) -> bytes:
    out, block = bytearray(), bytearray()
    for byte in data:
        if byte:
            block.append(byte)
        if not byte or len(block) == 254:
            out += bytes([len(block) + 1]) + block
            block.clear()
    return bytes(out + bytes([len(block) + 1]) + block)


def uncobs(data: bytes) -> bytes:
    out, at = bytearray(), 0
    while at < len(data):
        code = data[at]
        out += data[at + 1 : at + code]
        at += code
        if code < 255 and at < len(data):
            out.append(0)
    return bytes(out)


class Stranger:
    """One simulated controller and one request after the other."""

    def __init__(self, program: str) -> None:
        pipe = subprocess.PIPE
        self.child = subprocess.Popen([program], stdin=pipe, stdout=pipe, text=True)
        self.sequence = 0
        self.received = b""
        self.edges: list[tuple[int, int, int]] = []
        self.tick = 0
        self.entry = b""

    def line(self, text: str) -> None:
        assert self.child.stdin and self.child.stdout
        self.child.stdin.write(text + "\n")
        self.child.stdin.flush()
        while True:
            word, *rest = self.child.stdout.readline().split()
            if word == "tx":
                self.received += bytes.fromhex(rest[0])
            elif word == "edge":
                self.edges.append((int(rest[0]), int(rest[1]), int(rest[2])))
            elif word == "ok":
                self.tick = int(rest[0])
                return
            else:
                raise RuntimeError(" ".join([word, *rest]))

    def ask(self, kind: int, payload: bytes = b"") -> tuple[int, int, bytes]:
        """Reason, argument, and what follows."""
        self.sequence = (self.sequence + 1) % 256
        content = bytes([self.sequence, kind]) + payload
        frame = cobs(content + binascii.crc_hqx(content, 0xFFFF).to_bytes(2, "big")) + b"\0"
        for _ in range(5):
            self.line("rx 00" + frame.hex())
            for _ in range(10):
                while b"\0" in self.received:
                    encoded, _, self.received = self.received.partition(b"\0")
                    answer = uncobs(encoded)
                    whole = len(answer) >= 6 and binascii.crc_hqx(answer, 0xFFFF) == 0
                    if whole and answer[:2] == bytes([self.sequence, kind | 0x80]):
                        return answer[2], answer[3], answer[4:-2]
                self.line("until 25")
        raise RuntimeError("no answer")

    def identify(self) -> dict[str, object]:
        names = "protocol major minor recipes calibration limit tick_us interface build channels outputs"
        names += " interlocks buttons has_recipes r0 r1 has_calibration c0 c1 cause"
        told = self.ask(1)[2]
        return dict(zip(names.split(), struct.unpack("<5BHHI8s5BHHBHHB", told[:36]), strict=True)) | {
            "name": told[36:]
        }

    def read_record(self, kind: bytes, limit: int) -> bytes:
        length = struct.unpack("<I", self.ask(6, kind + struct.pack("<IB", 4, 4))[2])[0]
        record = b""
        while len(record) < length:
            piece = min(limit - 10, length - len(record), 255)
            record += self.ask(6, kind + struct.pack("<IB", len(record), piece))[2]
        return record

    def upload(self, record: bytes, limit: int) -> tuple[int, int]:
        """The first refusal, or (0, 0). Chunks that are there already are not sent."""
        kind, step, self.sent = record[2:3], limit - 12, 0
        reason, argument, _ = self.ask(2, kind + struct.pack("<I", len(record)))
        for at in range(0, len(record), step):
            chunk = record[at : at + step]
            there = self.range_crc(kind.lower(), at, len(chunk))
            if reason == 0 and (there != binascii.crc32(chunk) or at + step >= len(record)):
                self.sent += 1
                reason, argument, _ = self.ask(3, struct.pack("<I", at) + chunk)
        return self.ask(4, record[-4:])[:2] if reason == 0 else (reason, argument)

    def back(self, kind: bytes) -> tuple[int, int]:
        return self.ask(7, kind)[:2]

    def name_unit(self, name: bytes) -> tuple[int, int]:
        padded = name.ljust(16, b"\0")
        return self.ask(8, padded + struct.pack("<I", binascii.crc32(padded)))[:2]

    def range_crc(self, kind: bytes, offset: int, length: int) -> int:
        return int(struct.unpack("<I", self.ask(5, kind + struct.pack("<II", offset, length))[2])[0])

    def pour(self, recipe: int, serving: int) -> tuple[int, int]:
        return self.ask(16, struct.pack("<HB", recipe, serving))[:2]

    def state(self) -> int:
        return self.ask(32)[2][0]

    def trace(self) -> list[tuple[int, int, int]]:
        """Tick, code, argument of all there is."""
        entries: list[tuple[int, int, int]] = []
        while True:
            lost, first, count = struct.unpack("<HHB", (body := self.ask(33, self.entry)[2])[:5])
            if lost:
                raise RuntimeError("entries were lost")
            self.entry = struct.pack("<H", (first + count) % 65536)
            if not count:
                return entries
            entries += struct.iter_unpack("<IBB", body[5:])

    def booked(self) -> list[tuple[int, int, int, int]]:
        """Output, starts, planned ticks, ticks on."""
        return list(struct.iter_unpack("<BBII", self.ask(34)[2][1:]))

    def close(self) -> None:
        self.child.communicate("quit\n")
