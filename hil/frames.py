"""Frames of the link: ``sequence, type, payload, CRC-16`` in COBS, ended by one 0x00.

COBS (Cheshire and Baker, 1999) takes the zeros out of a frame so that a zero can only mean its end; a
receiver that comes in late or loses bytes is in step again at the next zero. The CRC is CRC-16/IBM-3740, sent
big-endian, which leaves 0 over the whole frame. Bytes: ``targets/engine/LINK.md``.
"""

from __future__ import annotations

from dataclasses import dataclass

ANSWER = 0x80
SHORTEST = 4  # sequence, type, two bytes of CRC


def _crc_table() -> tuple[int, ...]:
    table = []
    for byte in range(256):
        crc = byte << 8
        for _ in range(8):
            crc = ((crc << 1) ^ 0x1021 if crc & 0x8000 else crc << 1) & 0xFFFF
        table.append(crc)
    return tuple(table)


_TABLE = _crc_table()


def crc16(data: bytes) -> int:
    """CRC-16/IBM-3740: polynomial 0x1021, start 0xFFFF, nothing reflected."""
    crc = 0xFFFF
    for byte in data:
        crc = (crc << 8 & 0xFFFF) ^ _TABLE[crc >> 8 ^ byte]
    return crc


def cobs_encode(data: bytes) -> bytes:
    """``data`` without any zero, at most one byte longer for each 254 begun; without the ending 0x00."""
    encoded = bytearray()
    blocks = data.split(b"\0")
    for index, block in enumerate(blocks):
        while len(block) > 254 or (len(block) == 254 and index < len(blocks) - 1):
            encoded += b"\xff" + block[:254]
            block = block[254:]
        # A full block of 254 says by itself that no zero follows it; at the very end it needs no successor.
        encoded += bytes([len(block) + 1]) + block
    return bytes(encoded)


def cobs_decode(encoded: bytes) -> bytes | None:
    """The data again, or None where the bytes are no COBS (a zero, a cut-off block, nothing)."""
    if not encoded or 0 in encoded:
        return None
    data = bytearray()
    at = 0
    while at < len(encoded):
        code = encoded[at]
        if at + code > len(encoded):
            return None
        data += encoded[at + 1 : at + code]
        at += code
        if code < 255 and at < len(encoded):
            data.append(0)
    return bytes(data)


@dataclass(frozen=True, slots=True)
class Frame:
    """One frame; ``sequence`` and ``type`` are bytes, an answer has its request's type with ANSWER set."""

    sequence: int
    type: int
    payload: bytes


def pack(frame: Frame) -> bytes:
    """The bytes on the wire, the ending 0x00 included."""
    content = bytes([frame.sequence, frame.type]) + frame.payload
    return cobs_encode(content + crc16(content).to_bytes(2, "big")) + b"\0"


def unpack(encoded: bytes) -> Frame | None:
    """The frame between two zeros, or None where it is damaged."""
    content = cobs_decode(encoded)
    if content is None or len(content) < SHORTEST or crc16(content) != 0:
        return None
    return Frame(content[0], content[1], content[2:-2])


def largest_payload(frame_limit: int) -> int:
    """Bytes of payload that fit a frame of at most ``frame_limit`` bytes on the wire, its 0x00 included."""
    inside = frame_limit - 1
    return inside - -(-inside // 255) - SHORTEST
