"""Who is on the other end, whether it fits the project, and its two records written where they differ."""

from __future__ import annotations

import contextlib
import zlib
from collections.abc import Callable
from dataclasses import dataclass

from dosewright.gen.codes import Reason
from dosewright.gen.emit import table_bin
from dosewright.gen.fingerprint import build_digest, interface
from dosewright.gen.lower import Compiled
from dosewright.gen.table import CALIBRATION, FORMATS, RECIPES
from dosewright.hil.client import Client, Refused
from dosewright.hil.messages import Held, Identity, Slot
from dosewright.hil.trouble import RigTrouble

KINDS = {b"R": "recipes", b"C": "calibration"}
MOST = 1 << 20  # bytes of the longest record that is believed
CRC = 4  # bytes at the end of a record


def are(kind: bytes) -> str:
    """The verb that goes with a kind of record."""
    return "are" if kind == b"R" else "is"


Progress = Callable[[str, int, int], None]  # what, bytes sent, bytes in all


@dataclass(frozen=True, slots=True)
class Loaded:
    """One record: ``was`` is in force on the controller, None where none is; ``now`` is the project's."""

    kind: bytes
    was: bytes | None
    now: bytes

    @property
    def name(self) -> str:
        return KINDS[self.kind]

    @property
    def same(self) -> bool:
        """Whether nothing has to be written."""
        return self.was == self.now


def fits(client: Client, compiled: Compiled) -> Identity:
    """Identify the controller. RigTrouble where it does not fit, naming both sides and what to do."""
    found = client.identify()
    build_again = f"the firmware is stale: mend it with {client.flash_command}"
    for what, format_found, ours in (
        ("recipes", found.recipes_format, FORMATS[RECIPES]),
        ("calibration", found.calibration_format, FORMATS[CALIBRATION]),
    ):
        if format_found != ours:
            stale = "this tool is stale: update dosewright" if format_found > ours else build_again
            raise RigTrouble(
                f"{client.name}: the controller reads {what} of format {format_found}, this tool writes "
                f"format {ours}; {stale}"
            )
    wanted = interface(compiled.machine)
    if found.interface != wanted:
        raise RigTrouble(
            f"{client.name}: the controller was built for other channels or stages (interface "
            f"{found.interface:08x}) than this project has (interface {wanted:08x}); if the project is the "
            f"right one, {build_again}"
        )
    digest = build_digest(compiled.machine)
    if found.build != digest:
        raise RigTrouble(
            f"{client.name}: the controller was built from another machine.toml (build {found.build.hex()}) "
            f"than this one (build {digest.hex()}): pins, limits or interlocks differ; if the project is "
            f"the right one, {build_again}"
        )
    of_unit = compiled.calibration.unit
    if found.unit and found.unit != of_unit:
        measured = f"was measured on unit {of_unit!r}" if of_unit else "says no unit"
        raise RigTrouble(
            f"{client.name}: the controller is unit {found.unit!r}, calibration.toml {measured}; "
            f"calibration.toml is stale: take that of {found.unit}, or measure this unit and write unit = "
            f'"{found.unit}" into it, and dosewright load again'
        )
    return found


def held(client: Client, identity: Identity, compiled: Compiled) -> list[Loaded]:
    """Recipes and calibration as the controller holds them and as they should be. Raises RigTrouble."""
    there = {b"R": identity.recipes, b"C": identity.calibration}
    return [
        Loaded(kind, _in_force(client, kind, record) if there[kind] != Held.NONE else None, record)
        for kind, record in zip(KINDS, table_bin(compiled), strict=True)
    ]


def put(
    client: Client, records: list[Loaded], compiled: Compiled, progress: Progress = lambda *_: None
) -> int:
    """Write the records that differ, and compare each with what is then in force; how many bytes were sent.

    An upload that was cut short before is taken up where it ended. Raises RigTrouble.
    """
    return sum(_upload(client, r.kind, r.now, compiled, progress) for r in records if not r.same)


def superseded(client: Client, identity: Identity, kind: bytes) -> bytes:
    """The record that ``back`` would put in force. RigTrouble where there is none."""
    record = b""
    if Slot.SUPERSEDED in identity.slots[kind]:
        length = int.from_bytes(client.read(kind.lower(), 4, 4), "little")
        if length <= MOST:
            with contextlib.suppress(Refused):  # what is there is no record
                record = client.read(kind.lower(), 0, length)
    if len(record) < 20 or zlib.crc32(record[:-CRC]) != int.from_bytes(record[-CRC:], "little"):
        raise RigTrouble(
            f"{client.name}: there {are(kind)} no older {KINDS[kind]} to go back to: nothing was loaded over "
            "what was there, or a new upload has begun since; change the project and load it"
        )
    return record


def back(client: Client, kind: bytes, compiled: Compiled) -> None:
    """Put the superseded record in force again; a second time takes that back. Raises RigTrouble."""
    try:
        client.back(kind)
    except Refused as refused:
        raise RigTrouble(f"{client.name}: {_refusal(client, refused, KINDS[kind], compiled)}") from None


def name_unit(client: Client, identity: Identity, unit: str) -> None:
    """Give the controller its name, once and for all. Raises RigTrouble."""
    if identity.unit == unit:
        return
    try:
        client.name_unit(unit)
    except Refused as refused:
        mend = {
            Reason.BUSY: "it is pouring: wait until it is done, or stop it",
            Reason.WRONG_UNIT: "it runs by the calibration of another unit: load that of this one first",
        }.get(Reason(refused.reason), str(refused))
        raise RigTrouble(f"{client.name}: it will not be called {unit!r}: {mend}") from None


def read_record(client: Client, kind: bytes) -> bytes:
    """The record in force. Raises RigTrouble."""
    try:
        length = int.from_bytes(client.read(kind, 4, 4), "little")
        return client.read(kind, 0, length)
    except Refused as refused:
        raise RigTrouble(f"{client.name}: cannot be read back; {refused}") from None


def _in_force(client: Client, kind: bytes, wanted: bytes) -> bytes:
    """The record in force; not read where its CRC says that it is the one wanted."""
    return wanted if _holds(client, kind, wanted) else read_record(client, kind)


def _upload(client: Client, kind: bytes, record: bytes, compiled: Compiled, progress: Progress) -> int:
    name = KINDS[kind]
    try:
        sent = client.upload(kind, record, lambda there: progress(name, there, len(record)))
    except Refused as refused:
        raise RigTrouble(f"{client.name}: {_refusal(client, refused, name, compiled)}") from None
    if not _holds(client, kind, record):
        raise RigTrouble(f"{client.name}: {_differs(client, kind, record)}")
    return sent


def _holds(client: Client, kind: bytes, record: bytes) -> bool:
    """Whether this record is in force; without its own CRC, with which that of every record is the same."""
    try:
        there = client.range_crc(kind, 0, len(record) - CRC)
    except Refused:  # it is shorter
        return False
    return there == zlib.crc32(record[:-CRC])


def _differs(client: Client, kind: bytes, record: bytes) -> str:
    there = read_record(client, kind)
    pairs = zip(there, record, strict=False)
    offset = next((i for i, (a, b) in enumerate(pairs) if a != b), min(len(there), len(record)))
    sent, found = (f"{its[offset]:02x}" if offset < len(its) else "the end" for its in (record, there))
    differ, them = ("differ", "them") if kind == b"R" else ("differs", "it")
    return (
        f"the {KINDS[kind]} read back {differ} from what was sent, first at byte {offset}: sent {sent}, "
        f"found {found}; load {them} again, and if it happens again replace the controller: its store is worn"
    )


def _refusal(client: Client, refused: Refused, name: str, compiled: Compiled) -> str:
    flash = client.flash_command
    mend = {
        Reason.BUSY: "it is pouring: wait until it is done, or stop it",
        Reason.WRONG_INTERFACE: f"the firmware is stale: mend it with {flash}",
        Reason.WRONG_UNIT: f"it is of unit {compiled.calibration.unit!r}, this controller is another unit: "
        "take its own calibration.toml",
        Reason.BAD_RECORD: f"the firmware was built for shorter recipes: mend it with {flash}",
        Reason.STORE_FAILED: "its store cannot be written; the old records stay in force",
    }
    if refused.reason == Reason.OUT_OF_RANGE:
        output = compiled.machine.outputs[refused.argument].name
        return (
            f"it refuses the {name}: the rate of {output} lies outside plausible_rate; measure {output} again"
        )
    if refused.reason in mend:
        return f"it refuses the {name}: {mend[Reason(refused.reason)]}"
    return f"it refuses the {name} ({refused})"
