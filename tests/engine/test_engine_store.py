"""The store: power cut in every byte write of an upload, the byte torn to whatever; and cells that rot."""

from __future__ import annotations

import struct
import subprocess
import zlib
from collections.abc import Callable
from pathlib import Path
from random import Random

import pytest

from engine.client import Answer, Controller, Dose, calibration, framed, named, recipes
from engine.shop import BOOK, SERVINGS, SLOW, TICK, offset

OLD = {"R": recipes(SERVINGS, BOOK), "C": calibration([SLOW, SLOW], "cart 1")}
NEW = {
    "R": recipes([TICK], {3: [Dose(1, 7), Dose(0, 9)], 4: [Dose(0, 1)]}),
    "C": calibration([offset(3), offset(-70)], "cart 1"),
}
THIRD = {"R": recipes([5 * TICK], {9: [Dose(1, 1)]}), "C": calibration([SLOW, offset(1)], "cart 1")}
FILLER = {
    "R": recipes([0x01020304] * 5, {0x1122: [Dose(1, 0x0ABC)]}),
    "C": calibration([(0xABCDEF12, 7, -0x01020304), (0xFEDCBA98, 5, 0x01020304)], "cart 1"),
}
CALIBRATION_AT = 1 + 21  # behind the unit's name
CALIBRATION_SLOT = 4 + 37 + 9 * 2


def in_force(c: Controller, kind: str) -> bytes:
    """The record in force, read back; empty when there is none."""
    record = b""
    while True:
        part = c.ask(6, kind.encode() + struct.pack("<IB", len(record), 1))
        if part.reason != "ok":
            assert part.reason == "bad length" if record else part.reason in ("no recipes", "no calibration")
            return record
        length = min(
            200,
            int.from_bytes(c.ask(6, kind.encode() + struct.pack("<IB", 4, 4)).rest, "little") - len(record),
        )
        record += c.ask(6, kind.encode() + struct.pack("<IB", len(record), length)).rest


def spare(c: Controller, kind: str) -> bytes:
    """What lies in the other slot, as long as its own length says."""
    letter = kind.lower().encode()
    length = int.from_bytes(c.ask(6, letter + struct.pack("<IB", 4, 4)).rest, "little")
    return c.ask(6, letter + struct.pack("<IB", 0, length)).rest


def cut_upload(c: Controller, record: bytes) -> bool:
    """An upload during which power may go; true when it went through."""
    requests = [(2, record[2:3] + struct.pack("<I", len(record))), (3, bytes(4) + record), (4, record[-4:])]
    for kind, payload in requests:
        try:
            assert c.ask(kind, payload).reason == "ok"
        except AssertionError:
            if c.received:
                raise
            return False
    return True


def torn_values(rng: Random) -> list[str]:
    return ["old", "new", "00", "ff", "a6", "c9", f"{rng.randrange(256):02x}", f"{rng.randrange(256):02x}"]


def each_cut(c: Controller, prepare: Callable[[], bytes], kind: str) -> int:
    """Cuts power in every byte write of an upload of NEW over what ``prepare`` leaves; their number."""
    rng = Random(8)
    for nth in range(1, 1000):
        for torn in torn_values(rng):
            old = prepare()
            c.tell(f"cutwrite {nth} {torn}")
            whole = cut_upload(c, NEW[kind])
            if whole:
                c.tell("cutwrite 0 old")
                return nth - 1
            c.tell("reset")
            found = in_force(c, kind)
            assert found in (old, NEW[kind]), (nth, torn)
            # power goes again in the first write of the start that finishes an upload, if there is one
            c.tell(f"cutwrite 1 {rng.choice(torn_values(rng))}")
            c.tell("reset")
            c.tell("cutwrite 0 old")
            c.tell("reset")
            assert in_force(c, kind) == found, (nth, torn)
            assert cut_upload(c, THIRD[kind])
            c.tell("reset")
            assert in_force(c, kind) == THIRD[kind], (nth, torn)
    raise AssertionError("the upload never got through")


@pytest.mark.parametrize("kind", ["R", "C"])
def test_power_cut_in_every_write_over_an_older_record(cart: Path, kind: str) -> None:
    with Controller(cart) as c:

        def prepare() -> bytes:
            # what lies in the other slot shares few bytes with what will be written over it
            assert c.upload(FILLER[kind]).reason == "ok"
            assert c.upload(OLD[kind]).reason == "ok"
            return OLD[kind]

        assert each_cut(c, prepare, kind) > 25


@pytest.mark.parametrize("kind", ["R", "C"])
def test_power_cut_in_every_write_of_the_first_upload(cart_with_recipes: Path, kind: str) -> None:
    """All old is then what was built into the firmware."""
    rng = Random(9)
    for nth in range(1, 1000):
        for torn in ("old", "new", "00", "ff", f"{rng.randrange(256):02x}"):
            with Controller(cart_with_recipes) as c:
                old = in_force(c, kind)
                c.tell(f"cutwrite {nth} {torn}")
                if cut_upload(c, NEW[kind]):
                    assert nth > 30
                    return
                c.tell("reset")
                found = in_force(c, kind)
                assert found in (old, NEW[kind]), (nth, torn)
                assert cut_upload(c, THIRD[kind])
                c.tell("reset")
                assert in_force(c, kind) == THIRD[kind], (nth, torn)


def test_an_upload_cut_short_changes_nothing(cart: Path) -> None:
    with Controller(cart) as c:
        for kind in "RC":
            assert c.upload(OLD[kind]).reason == "ok"
            assert c.ask(2, kind.encode() + struct.pack("<I", len(NEW[kind]))).reason == "ok"
            assert c.ask(3, bytes(4) + NEW[kind][:30]).reason == "ok"
            assert in_force(c, kind) == OLD[kind]
            c.tell("reset")
            assert in_force(c, kind) == OLD[kind]


@pytest.mark.parametrize("stored", [True, False])
def test_a_refused_upload_changes_nothing(cart_with_recipes: Path, stored: bool) -> None:
    """Also after a reset, and where the firmware's own record is in force: no mark comes before the check."""
    broken = NEW["R"][:12] + b"\1" + NEW["R"][13:-4]
    broken += zlib.crc32(broken).to_bytes(4, "little")
    with Controller(cart_with_recipes) as c:
        if stored:
            assert c.upload(OLD["R"]).reason == "ok"
        before = in_force(c, "R")
        assert before
        assert c.upload(broken).reason == "bad record"
        assert in_force(c, "R") == before
        c.tell("reset")
        assert in_force(c, "R") == before


def image_of(cart: Path, folder: Path, *uploads: bytes) -> Path:
    store = folder / "store"
    with Controller(cart, ["--store", str(store)]) as c:
        for record in uploads:
            assert c.upload(record).reason == "ok"
    return store


def test_the_layout_is_that_of_the_page(cart: Path, tmp_path: Path) -> None:
    store = image_of(cart, tmp_path, OLD["C"], NEW["C"], OLD["R"]).read_bytes()
    assert len(store) == 65536
    assert store[0] == 0xFF
    slots = store[CALIBRATION_AT:]
    first, second = slots[:CALIBRATION_SLOT], slots[CALIBRATION_SLOT : 2 * CALIBRATION_SLOT]
    assert first == bytes([0x53, 0x9A, 1, 0]) + OLD["C"]
    assert second == bytes([0xA6, 0xC9, 2, 0]) + NEW["C"]
    at = CALIBRATION_AT + 2 * CALIBRATION_SLOT
    space = (65536 - at) // 2
    assert store[at : at + 4 + len(OLD["R"])] == bytes([0xA6, 0xC9, 1, 0]) + OLD["R"]
    assert store[at + space : at + space + 2] == bytes([0x53, 0x9A])


def test_a_rotten_cell_never_brings_the_older_record_back(cart_with_recipes: Path, tmp_path: Path) -> None:
    """Every byte of the committed slot, changed: no calibration, and no pour; the next upload works."""
    store = image_of(cart_with_recipes, tmp_path, OLD["C"], NEW["C"])
    good = store.read_bytes()
    start = CALIBRATION_AT + CALIBRATION_SLOT
    for at in [*range(start, start + 2), *range(start + 4, start + CALIBRATION_SLOT)]:
        for flip in (0x01, 0xFF):
            store.write_bytes(good[:at] + bytes([good[at] ^ flip]) + good[at + 1 :])
            with Controller(cart_with_recipes, ["--store", str(store)]) as c:
                assert in_force(c, "C") == b""
                assert c.pour(1).reason == "no calibration"
                assert c.upload(THIRD["C"]).reason == "ok"
                assert in_force(c, "C") == THIRD["C"]


def test_sequence_numbers_wrap(cart: Path, tmp_path: Path) -> None:
    """With both slots committed the later one counts, also where its number has wrapped."""
    store = image_of(cart, tmp_path, OLD["C"], NEW["C"])
    image = bytearray(store.read_bytes())
    for numbers, wanted in (
        ((0xFFFF, 0), "new"),
        ((0, 0xFFFF), "old"),
        ((7, 8), "new"),
        ((0x7FFF, 0x8000), "new"),
    ):
        for slot, number in enumerate(numbers):
            at = CALIBRATION_AT + slot * CALIBRATION_SLOT
            image[at : at + 4] = bytes([0xA6, 0xC9]) + number.to_bytes(2, "little")
        store.write_bytes(image)
        with Controller(cart, ["--store", str(store)]) as c:
            assert in_force(c, "C") == (NEW if wanted == "new" else OLD)["C"]
        # and the start has superseded the other: it does not come back when this one rots
        loser = CALIBRATION_AT + (0 if wanted == "new" else CALIBRATION_SLOT)
        assert store.read_bytes()[loser : loser + 2] == bytes([0x53, 0x9A])


def test_a_torn_mark_never_completes_a_rotten_one(cart: Path, tmp_path: Path) -> None:
    """Slot 0 was committed and a byte of its mark rotted: a byte torn to that value brings nothing back."""
    store = image_of(cart, tmp_path, NEW["C"])
    image = bytearray(store.read_bytes())
    for at, rotten, torn in ((CALIBRATION_AT, 0x00, "a6"), (CALIBRATION_AT + 1, 0x00, "c9")):
        store.write_bytes(image[:at] + bytes([rotten]) + image[at + 1 :])
        with Controller(cart, ["--store", str(store)]) as c:
            assert in_force(c, "C") == b""
            for nth in (1, 2):
                c.tell(f"cutwrite {nth} {torn}")
                assert not cut_upload(c, OLD["C"])
                c.tell("reset")
                assert in_force(c, "C") == b""
            assert c.upload(OLD["C"]).reason == "ok"
            assert in_force(c, "C") == OLD["C"]


def test_back_and_forth(cart: Path, tmp_path: Path) -> None:
    """What was superseded comes back whole when asked for, over a reset too, till the next upload."""
    store = tmp_path / "store"
    for kind in "RC":
        with Controller(cart, ["--store", str(store)]) as c:
            assert c.back(kind).reason == "bad record", "nothing was ever uploaded"
            assert c.upload(OLD[kind]).reason == "ok"
            assert c.back(kind).reason == "bad record", "what was built in cannot be gone back to"
            assert c.upload(NEW[kind]).reason == "ok"
            assert spare(c, kind) == OLD[kind]
            c.tell("reset")
            assert in_force(c, kind) == NEW[kind], "never by itself"
            assert c.back(kind).reason == "ok"
            assert in_force(c, kind) == OLD[kind]
        with Controller(cart, ["--store", str(store)]) as c:
            assert in_force(c, kind) == OLD[kind]
            assert c.back(kind).reason == "ok"
            assert in_force(c, kind) == NEW[kind]
            assert c.ask(2, kind.encode() + struct.pack("<I", len(OLD[kind]))).reason == "ok"
            c.tell("reset")
            assert c.back(kind).reason == "bad record", "the next upload has begun"
            assert in_force(c, kind) == NEW[kind]


def test_back_is_checked_like_an_upload(cart: Path, tmp_path: Path) -> None:
    store = image_of(cart, tmp_path, OLD["C"], NEW["C"])
    image = bytearray(store.read_bytes())
    image[CALIBRATION_AT + 20] ^= 1
    store.write_bytes(image)
    with Controller(cart, ["--store", str(store)]) as c:
        assert c.back("C").reason == "bad record"
        assert in_force(c, "C") == NEW["C"]
    with Controller(cart) as c:
        assert c.upload(calibration([SLOW, SLOW], "cart 2")).reason == "ok"
        assert c.upload(OLD["C"]).reason == "ok"
        assert c.name_unit("cart 1").reason == "ok"
        assert c.back("C").reason == "wrong unit"
        assert in_force(c, "C") == OLD["C"]


def test_a_rotten_name_is_none(cart: Path, tmp_path: Path) -> None:
    """Then the unit takes any calibration, and can be named again."""
    store = tmp_path / "store"
    with Controller(cart, ["--store", str(store)]) as c:
        assert c.name_unit("cart 1").reason == "ok"
    good = store.read_bytes()
    assert good[:22] == b"\xff\xa6" + named("cart 1")
    for at in range(1, 22):
        for flip in (0x01, 0xFF):
            store.write_bytes(good[:at] + bytes([good[at] ^ flip]) + good[at + 1 :])
            with Controller(cart, ["--store", str(store)]) as c:
                assert c.ask(1).rest[36:] == b""
                assert c.name_unit("cart 2").reason == "ok"
                assert c.ask(1).rest[36:] == b"cart 2".ljust(16, b"\0")


def test_half_a_name_is_none_even_where_the_crc_happens_to_fit(cart: Path, tmp_path: Path) -> None:
    """The mark before it is taken away first and given last."""
    store = tmp_path / "store"
    half = b"c" + b"\xff" * 15
    image = bytearray(b"\xff" * 65536)
    image[1:22] = b"\xa6" + b"\xff" * 16 + struct.pack("<I", zlib.crc32(half))
    store.write_bytes(image)
    with Controller(cart, ["--store", str(store)]) as c:
        c.tell("cutwrite 3 old")  # the mark, the first letter, and then the power goes
        c.tell(f"rx {framed(1, 8, named('cart')).hex()}")
        c.tell("reset")
        assert c.ask(1).rest[36:] == b""
        assert c.name_unit("cart").reason == "ok"
    assert store.read_bytes()[:22] == b"\xff\xa6" + named("cart")


def test_only_what_differs_need_be_sent(cart: Path) -> None:
    """The CRC of a range of the slot being written tells what is there, also after a power cut."""

    def crc(kind: bytes, at: int, end: int) -> bytes:
        return c.ask(5, kind + struct.pack("<II", at, end - at)).rest

    record = NEW["R"]
    with Controller(cart) as c:
        assert c.upload(OLD["R"]).reason == "ok"
        assert c.ask(2, b"R" + struct.pack("<I", len(record))).reason == "ok"
        assert c.ask(3, bytes(4) + record[:20]).reason == "ok"
        c.tell("reset")
        assert c.ask(2, b"R" + struct.pack("<I", len(record))).reason == "ok"
        assert crc(b"r", 0, 20) == struct.pack("<I", zlib.crc32(record[:20]))
        assert crc(b"r", 20, len(record)) != struct.pack("<I", zlib.crc32(record[20:]))
        assert crc(b"R", 0, 20) == struct.pack("<I", zlib.crc32(OLD["R"][:20]))
        assert c.ask(3, struct.pack("<I", 20) + record[20:]).reason == "ok"
        assert c.ask(4, record[-4:]).reason == "ok"
        assert in_force(c, "R") == record
        space = (65536 - CALIBRATION_AT - 2 * CALIBRATION_SLOT) // 2 - 4
        assert c.ask(6, b"r" + struct.pack("<IB", space - 1, 1)).reason == "ok"
        assert c.ask(6, b"r" + struct.pack("<IB", space, 1)).reason == "bad length"


def test_an_upload_during_a_pour_is_refused(cart: Path) -> None:
    with Controller(cart) as c:
        assert c.upload(OLD["R"]).reason == "ok"
        assert c.upload(OLD["C"]).reason == "ok"
        c.level(0, 0)
        c.level(1, 0)
        c.run(30)
        assert c.ask(2, b"R" + struct.pack("<I", len(NEW["R"]))).reason == "ok"
        assert c.pour(1).reason == "ok"
        answers: list[Answer] = [c.upload(NEW["R"])]
        c.run(10)
        answers += [c.ask(2, b"R" + struct.pack("<I", 99)), c.ask(3, bytes(4) + b"x"), c.ask(4, bytes(4))]
        answers += [c.back("R"), c.name_unit("cart 1")]
        assert [answer.reason for answer in answers] == ["busy"] * 6
        c.run(1000)
        assert c.ask(3, bytes(4) + NEW["R"]).reason == "ok"
        assert c.ask(4, NEW["R"][-4:]).reason == "ok"
        assert in_force(c, "R") == NEW["R"]


def test_what_does_not_fit_is_refused(cart: Path) -> None:
    space = (65536 - CALIBRATION_AT - 2 * CALIBRATION_SLOT) // 2 - 4
    with Controller(cart) as c:
        for kind, length, wanted in (
            ("R", space, "ok"),
            ("R", space + 1, "bad length"),
            ("R", 0xFFFFFFFF, "bad length"),
            ("R", 19, "bad length"),
            ("C", CALIBRATION_SLOT - 4, "ok"),
            ("C", CALIBRATION_SLOT - 3, "bad length"),
            ("X", 99, "bad record"),
        ):
            assert c.ask(2, kind.encode() + struct.pack("<I", length)).reason == wanted
        assert c.ask(3, bytes(4) + b"x").reason == "bad record"
        assert c.ask(4, bytes(4)).reason == "bad record"
        assert c.ask(2, b"R" + struct.pack("<I", 50)).reason == "ok"
        assert c.ask(3, struct.pack("<I", 49) + b"xy").reason == "bad length"
        assert c.ask(3, struct.pack("<I", 0xFFFFFFFF) + b"xy").reason == "bad length"


def test_a_store_file_of_another_size_is_refused_in_words(cart: Path, tmp_path: Path) -> None:
    (tmp_path / "short").write_bytes(b"abc")
    done = subprocess.run([cart, "--store", tmp_path / "short"], capture_output=True, text=True, input="")
    assert done.returncode == 2
    assert "not the image of a store" in done.stderr
