"""Frames against published vectors and against reference libraries."""

from __future__ import annotations

import crcmod.predefined
import pytest
from cobs import cobs
from hypothesis import given
from hypothesis import strategies as st

from dosewright.hil.frames import Frame, cobs_decode, cobs_encode, crc16, largest_payload, pack, unpack

reference_crc = crcmod.predefined.mkPredefinedCrcFun("crc-ccitt-false")

# Zeros and the lengths about 254, where COBS has its edges, come often.
data = st.lists(st.one_of(st.binary(max_size=8), st.just(b"\0"), st.just(bytes(range(1, 255))))).map(b"".join)


def test_crc_check_value() -> None:
    """RevEng catalogue of CRC algorithms, CRC-16/IBM-3740: check 29b1, residue 0000."""
    assert crc16(b"123456789") == 0x29B1
    assert crc16(b"123456789" + bytes.fromhex("29b1")) == 0


def test_what_the_crc_cannot_miss_in_a_frame() -> None:
    """Koopman's tables of 0x1021: no 1-, 2- or 3-bit error of up to 32751 data bits is missed (from memory).

    Worked out here: the polynomial divides x + 1 times another, so every odd number of flips shows, and two
    flips cancel only 32767 bits apart. A frame has at most 256 bytes.
    """
    assert bin(0x11021).count("1") % 2 == 0  # divisible by x + 1
    value, apart = 1, 0
    while apart == 0 or value != 1:
        value = (value << 1) ^ (0x11021 if value & 0x8000 else 0)
        apart += 1
    assert apart == 32767 > 8 * 256
    message = bytearray(range(256)) * 16
    plain = crc16(message)
    message[0] ^= 0x80
    message[-1] ^= 0x01
    assert crc16(message) == plain == reference_crc(bytes(message))


def up_to(first: int, last: int) -> bytes:
    return bytes(range(first, last + 1))


@pytest.mark.parametrize(
    ("plain", "encoded"),
    [
        # Cheshire and Baker, Consistent Overhead Byte Stuffing (IEEE/ACM Trans. Networking 7, 1999), as the
        # table of examples in the encyclopaedia has them; all of them confirmed with the library cobs 1.2.2.
        (b"", "01"),
        (b"\0", "01 01"),
        (b"\0\0", "01 01 01"),
        (bytes.fromhex("00 11 00"), "01 02 11 01"),
        (bytes.fromhex("11 22 00 33"), "03 11 22 02 33"),
        (bytes.fromhex("11 22 33 44"), "05 11 22 33 44"),
        (bytes.fromhex("11 00 00 00"), "02 11 01 01 01"),
        (up_to(1, 0xFE), "ff" + up_to(1, 0xFE).hex()),
        (b"\0" + up_to(1, 0xFE), "01 ff" + up_to(1, 0xFE).hex()),
        (up_to(1, 0xFF), "ff" + up_to(1, 0xFE).hex() + "02 ff"),
        (up_to(2, 0xFF) + b"\0", "ff" + up_to(2, 0xFF).hex() + "01 01"),
        (up_to(3, 0xFF) + b"\0\1", "fe" + up_to(3, 0xFF).hex() + "02 01"),
    ],
)
def test_cobs_examples(plain: bytes, encoded: str) -> None:
    assert cobs_encode(plain) == bytes.fromhex(encoded)
    assert cobs_decode(bytes.fromhex(encoded)) == plain


@given(data)
def test_cobs_and_crc_equal_the_libraries(plain: bytes) -> None:
    assert len(cobs_encode(plain)) <= max(1, len(plain) + -(-len(plain) // 254))  # Cheshire and Baker
    assert cobs_encode(plain) == cobs.encode(plain)
    assert crc16(plain) == reference_crc(plain)


@given(data)
def test_decoding_is_as_strict_as_the_library(encoded: bytes) -> None:
    try:
        expected = cobs.decode(encoded) if encoded else None
    except cobs.DecodeError:
        expected = None
    assert cobs_decode(encoded) == expected


@given(st.integers(0, 255), st.integers(0, 255), data)
def test_a_frame_comes_back(sequence: int, kind: int, payload: bytes) -> None:
    frame = Frame(sequence, kind, payload)
    wire = pack(frame)
    assert wire.index(0) == len(wire) - 1
    assert unpack(wire[:-1]) == frame


@given(st.binary(max_size=90), st.data())
def test_a_damaged_frame_is_dropped(payload: bytes, draw: st.DataObject) -> None:
    """A CRC of 16 bits sees every burst of up to 16 bits, and a changed byte is one."""
    content = bytes([1, 2]) + payload
    content += crc16(content).to_bytes(2, "big")
    at = draw.draw(st.integers(0, len(content) - 1))
    flip = draw.draw(st.integers(1, 255))
    damaged = content[:at] + bytes([content[at] ^ flip]) + content[at + 1 :]
    assert unpack(cobs_encode(content)) is not None
    assert unpack(cobs_encode(damaged)) is None


@given(st.integers(96, 256))
def test_the_largest_payload_just_fits(limit: int) -> None:
    most = largest_payload(limit)
    assert len(pack(Frame(1, 2, b"x" * most))) <= limit < len(pack(Frame(1, 2, b"x" * (most + 1))))
