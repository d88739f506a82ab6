"""Checksums and byte stuffing against published values and reference libraries."""

from __future__ import annotations

import binascii
import zlib
from collections.abc import Callable, Sequence
from random import Random

from cobs import cobs
from crcmod.predefined import mkPredefinedCrcFun

Ask = Callable[[Sequence[str]], list[str]]

# Encoding examples from Cheshire and Baker, "Consistent Overhead Byte Stuffing" (1999) and the table of
# examples in encyclopaedias; recalled from memory, and recomputed with the cobs package 1.2.2.
EXAMPLES = [
    (b"", "01"),
    (bytes([0]), "0101"),
    (bytes([0, 0]), "010101"),
    (bytes([0, 0x11, 0]), "01021101"),
    (bytes([0x11, 0x22, 0, 0x33]), "031122" + "0233"),
    (bytes([0x11, 0x22, 0x33, 0x44]), "0511223344"),
    (bytes([0x11, 0, 0, 0]), "0211010101"),
    (bytes(range(1, 255)), "ff" + bytes(range(1, 255)).hex()),
    (bytes([0xDE, 0xAD, 0, 0xBE, 0xEF]), "03dead03beef"),
]


def hexed(data: bytes) -> str:
    return data.hex() or "-"


def test_check_values(parts: Ask) -> None:
    """CRC-16/IBM-3740 and CRC-32/ISO-HDLC of "123456789": RevEng's catalogue of CRC algorithms."""
    assert parts([f"crc16 {b'123456789'.hex()}", f"crc32 {b'123456789'.hex()}"]) == [
        str(0x29B1),
        str(0xCBF43926),
    ]


def test_residues(parts: Ask) -> None:
    """A message with its CRC behind: 0 for CRC-16 big-endian, 0x2144DF1C for CRC-32 little-endian."""
    text = b"123456789"
    answers = parts([f"crc16 {text.hex()}29b1", f"crc32 {text.hex()}2639f4cb"])
    assert answers == ["0", str(0x2144DF1C)]


def test_random_messages_against_libraries(parts: Ask) -> None:
    rng = Random(3)
    messages = [rng.randbytes(rng.randint(0, 250)) for _ in range(500)]
    other = mkPredefinedCrcFun("crc-ccitt-false")
    assert parts([f"crc16 {hexed(m)}" for m in messages]) == [str(other(m)) for m in messages]
    assert other(b"123456789") == binascii.crc_hqx(b"123456789", 0xFFFF)
    assert parts([f"crc32 {hexed(m)}" for m in messages]) == [str(zlib.crc32(m)) for m in messages]


def test_examples(parts: Ask) -> None:
    assert parts([f"encode {hexed(plain)}" for plain, _ in EXAMPLES]) == [coded for _, coded in EXAMPLES]
    assert parts([f"decode {coded}" for _, coded in EXAMPLES]) == [hexed(plain) for plain, _ in EXAMPLES]


def test_stuffing_against_a_library(parts: Ask) -> None:
    """All lengths a frame may have, with few, some and many zeros."""
    rng = Random(4)
    plain = [
        bytes(rng.choice(range(256)) * (rng.random() > zeros) for _ in range(n))
        for n in range(255)
        for zeros in (0, 0.01, 0.3)
    ]
    coded = [cobs.encode(data) for data in plain]
    assert parts([f"encode {hexed(data)}" for data in plain]) == [data.hex() for data in coded]
    fit = [(data, wire) for data, wire in zip(plain, coded, strict=True) if len(wire) <= 255]
    assert parts([f"decode {wire.hex()}" for _, wire in fit]) == [hexed(data) for data, _ in fit]


def test_what_is_no_stuffing_is_refused(parts: Ask) -> None:
    rng = Random(5)
    # no 0x00, for that ends a frame; but one in front, which is how a frame that was too long is marked
    wires = [bytes(rng.choice((1, 2, 3, 4, 255)) for _ in range(rng.randint(1, 8))) for _ in range(5000)]
    wires += [b"\0" + wire for wire in wires[:100]]
    wanted = []
    for wire in wires:
        try:
            wanted.append(hexed(cobs.decode(wire)))
        except cobs.DecodeError:
            wanted.append("no")
    assert parts([f"decode {hexed(wire)}" for wire in wires]) == wanted
    assert 500 < wanted.count("no") < 4900
