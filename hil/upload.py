"""Who is on the other end, whether it fits the project, and its two records written where they differ."""

from __future__ import annotations

import zlib
from collections.abc import Callable
from dataclasses import dataclass

from dosewright.gen.emit import table_bin
from dosewright.gen.fingerprint import build_digest, interface
from dosewright.gen.lower import Compiled
from dosewright.gen.table import FORMAT
from dosewright.hil.client import Client, Refused
from dosewright.hil.messages import Held, Identity, Reason
from dosewright.hil.trouble import RigTrouble

KINDS = {b"R": "recipes", b"C": "calibration"}
HEADER = 16  # bytes in front of a record's body
KEPT_BY_STORE = slice(
    12, 16
)  # the sequence number, which the store sets; the CRC behind the body follows from it
CRC = 4
AGAIN = "make it again with dosewright build and flash it"

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
        """Whether nothing has to be written: only what the store itself sets may differ."""
        return self.was is not None and _content(self.was) == _content(self.now)


def fits(client: Client, compiled: Compiled) -> Identity:
    """Identify the controller. RigTrouble where it does not fit, naming both sides and what to do."""
    found = client.identify()
    build_again = f"stale is the firmware: {AGAIN}"
    for what, format_found in (("recipes", found.recipes_format), ("calibration", found.calibration_format)):
        if format_found != FORMAT:
            stale = "stale is this tool: update dosewright" if format_found > FORMAT else build_again
            raise RigTrouble(
                f"{client.name}: the controller reads {what} of format {format_found}, this tool writes "
                f"format {FORMAT}; {stale}"
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
    return found


def held(client: Client, identity: Identity, compiled: Compiled) -> list[Loaded]:
    """Recipes and calibration as the controller holds them and as they should be. Raises RigTrouble."""
    there = {b"R": identity.recipes, b"C": identity.calibration}
    return [
        Loaded(kind, _read(client, kind) if there[kind] != Held.NONE else None, record)
        for kind, record in zip(KINDS, table_bin(compiled), strict=True)
    ]


def put(
    client: Client, records: list[Loaded], compiled: Compiled, progress: Progress = lambda *_: None
) -> None:
    """Write the records that differ, and compare each with what is then in force. Raises RigTrouble."""
    for record in records:
        if not record.same:
            _upload(client, record.kind, record.now, compiled, progress)


def _upload(client: Client, kind: bytes, record: bytes, compiled: Compiled, progress: Progress) -> None:
    name = KINDS[kind]
    try:
        client.upload(kind, record, lambda sent: progress(name, sent, len(record)))
    except Refused as refused:
        raise RigTrouble(f"{client.name}: {_refusal(refused, name, compiled)}") from None
    if not _holds(client, kind, record):
        raise RigTrouble(f"{client.name}: {_differs(client, kind, record)}")


def _holds(client: Client, kind: bytes, record: bytes) -> bool:
    """Whether the record in force has this body."""
    try:
        there = client.range_crc(kind, HEADER, len(record) - HEADER - CRC)
    except Refused:  # it is shorter
        return False
    return there == zlib.crc32(record[HEADER:-CRC])


def _read(client: Client, kind: bytes) -> bytes:
    try:
        length = int.from_bytes(client.read(kind, 4, 4), "little")
        return client.read(kind, 0, length)
    except Refused as refused:
        raise RigTrouble(f"{client.name}: cannot be read back; {refused}") from None


def _content(record: bytes) -> tuple[bytes, bytes]:
    return record[: KEPT_BY_STORE.start], record[HEADER:-CRC]


def _differs(client: Client, kind: bytes, record: bytes) -> str:
    there = _read(client, kind)
    pairs = zip(there[HEADER:], record[HEADER:-CRC], strict=False)
    offset = next((HEADER + i for i, (a, b) in enumerate(pairs) if a != b), min(len(there), len(record)))
    return (
        f"the {KINDS[kind]} read back differ from what was sent, first at byte {offset}; "
        "load them again, and if it happens again replace the controller: its store is worn"
    )


def _refusal(refused: Refused, name: str, compiled: Compiled) -> str:
    mend = {
        Reason.BUSY: "it is pouring: wait until it is done, or stop it",
        Reason.WRONG_INTERFACE: f"stale is the firmware: {AGAIN}",
        Reason.WRONG_UNIT: f"it is of unit {compiled.calibration.unit!r}; this unit needs its own",
        Reason.BAD_RECORD: f"the firmware was built for shorter recipes: {AGAIN}",
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
